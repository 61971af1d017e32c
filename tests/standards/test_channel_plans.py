"""The shipped channel plans against published frequencies.

Sources: Radio Regulations, Appendix 18, and Rec. ITU-R M.1084-5 (25 kHz raster), checked against
the channel annexes of marine documents; ECC/DEC/(15)05 for PMR446 (restated elsewhere); the title
of the ECC Decision of 2004 for the band at 433 MHz (read); ICAO Annex 10 for the airband (counts
restated elsewhere, the rule of names from memory); the IARU Region 1 plan (copies by societies);
the rest from memory, as each table says.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from acqd.config.channels import load_channel_plan
from acqd.measure.channels import BandPlan, Channel, Segment, namer_of


@pytest.fixture(scope="module")
def marine() -> dict[str, Channel]:
    """The channels of the marine plan by name."""
    plan = load_channel_plan("marine-vhf", Path("/"))
    return {channel.name: channel for channel in plan.channels}


@pytest.fixture(scope="module")
def pmr() -> dict[str, Channel]:
    """The channels of the PMR446 plan by name."""
    plan = load_channel_plan("pmr446", Path("/"))
    return {channel.name: channel for channel in plan.channels}


@pytest.mark.source("RR Appendix 18, as annexes of marine documents list it", "read elsewhere")
@pytest.mark.parametrize(
    ("name", "centre_mhz"),
    [
        ("01", 156.050), ("01 coast", 160.650),
        ("06", 156.300),
        ("16", 156.800),
        ("28", 157.400), ("28 coast", 162.000),
        ("60", 156.025), ("60 coast", 160.625),
        ("70", 156.525),
        ("75", 156.775),
        ("76", 156.825),
        ("86", 157.325), ("86 coast", 161.925),  # 1086 and 2086 by four digits
        ("87", 157.375),
        ("88", 157.425),
        ("AIS 1", 161.975), ("AIS 2", 162.025),
    ],
)  # fmt: skip
def test_marine_channel(marine: dict[str, Channel], name: str, centre_mhz: float) -> None:
    """Published single frequencies of RR Appendix 18, to the hertz."""
    assert marine[name].centre_hz == round(centre_mhz * 1e6)


@pytest.mark.source("Rec. ITU-R M.1084-5, raster of RR Appendix 18", "derived")
def test_marine_rules(marine: dict[str, Channel]) -> None:
    """Ship 156.000 + 0.050 N for 01 to 28 and 156.025 + 0.050 (N − 60) for 60 to 88 (M.1084)."""
    for number in (*range(1, 29), *range(60, 89)):
        base_khz = 156_000 + 50 * number if number < 60 else 156_025 + 50 * (number - 60)
        assert marine[f"{number:02}"].centre_hz == base_khz * 1000
        assert marine[f"{number:02}"].width_hz == 25_000


@pytest.mark.source("RR Appendix 18, as annexes of marine documents list it", "read elsewhere")
def test_marine_coast_sides(marine: dict[str, Channel]) -> None:
    """A coast side is 4.6 MHz above; 06, 08–17, 67–77, 87 and 88 have none (RR Appendix 18)."""
    single = {6, *range(8, 18), *range(67, 78), 87, 88}
    both = {*range(1, 29), *range(60, 89)} - single
    coast = {name.removesuffix(" coast") for name in marine if name.endswith(" coast")}
    assert coast == {f"{number:02}" for number in both}
    for name in coast:
        assert marine[f"{name} coast"].centre_hz - marine[name].centre_hz == 4_600_000


@pytest.mark.source("Rec. ITU-R M.1084-5, raster of RR Appendix 18", "derived")
def test_marine_channels_are_adjacent(marine: dict[str, Channel]) -> None:
    """The interleaved raster is 25 kHz: neighbours touch, none overlap."""
    ordered = sorted(marine.values(), key=lambda channel: channel.centre_hz)
    for low, high in pairwise(ordered):
        assert high.start_hz >= low.stop_hz
    steps = {high.centre_hz - low.centre_hz for low, high in pairwise(ordered)}
    assert min(steps) == 25_000


@pytest.mark.source("RR Appendix 18, as annexes of marine documents list it", "read elsewhere")
@pytest.mark.parametrize(
    ("name", "words"),
    [("70", "digital selective calling only"), ("AIS 1", "2087"), ("AIS 2", "2088")],
)
def test_what_a_marine_channel_is_for(marine: dict[str, Channel], name: str, words: str) -> None:
    """70 carries no voice; AIS 1 and 2 are 2087 and 2088, the coast sides of 87 and 88."""
    assert words in marine[name].note
    if words.startswith("20"):
        assert marine[name].centre_hz - marine[words[2:]].centre_hz == 4_600_000


@pytest.mark.source("ECC/DEC/(15)05", "read elsewhere")
@pytest.mark.parametrize(
    ("name", "centre_mhz"),
    [("1", 446.00625), ("8", 446.09375), ("9", 446.10625), ("16", 446.19375)],
)
def test_pmr446_channel(pmr: dict[str, Channel], name: str, centre_mhz: float) -> None:
    """Published centre frequencies of ECC/DEC/(15)05, to the hertz."""
    assert pmr[name].centre_hz == round(centre_mhz * 1e6)


@pytest.mark.source("ECC/DEC/(15)05", "read elsewhere")
def test_pmr446_fills_its_band(pmr: dict[str, Channel]) -> None:
    """16 channels of 12.5 kHz from 446.0 to 446.2 MHz without a gap (ECC/DEC/(15)05)."""
    channels = list(pmr.values())
    assert len(channels) == 16
    assert (channels[0].start_hz, channels[-1].stop_hz) == (446_000_000.0, 446_200_000.0)
    assert all(a.stop_hz == b.start_hz for a, b in pairwise(channels))


@pytest.mark.source("ECC/DEC/(15)05, digital raster", "read elsewhere")
def test_digital_raster_of_pmr446_can_be_written(tmp_path: Path) -> None:
    """6.25 kHz from 446.003125 MHz on, as a plan of one's own: 32 fill the band as well."""
    (tmp_path / "digital.toml").write_text(
        'title = "digital"\nedition = "ECC/DEC/(15)05"\n[[raster]]\nfirst = "446.003125 MHz"\n'
        'step = "6.25 kHz"\ncount = 32\nwidth = "6.25 kHz"\n',
        encoding="utf-8",
    )
    channels = load_channel_plan("digital", tmp_path).channels
    assert (channels[0].centre_hz, len(channels)) == (446_003_125.0, 32)
    assert (channels[0].start_hz, channels[-1].stop_hz) == (446_000_000.0, 446_200_000.0)
    assert all(a.stop_hz == b.start_hz for a, b in pairwise(channels))


def by_name(plan: str) -> dict[str, Channel]:
    """The channels of a shipped plan by name."""
    return {channel.name: channel for channel in load_channel_plan(plan, Path("/")).channels}


def segments_of(plan: str) -> dict[str, Segment]:
    """The segments of a shipped plan by name."""
    loaded = load_channel_plan(plan, Path("/"))
    assert isinstance(loaded, BandPlan)
    return {segment.name: segment for segment in loaded.segments}


def rows_of(text: str, mark: str, *rows: tuple[object, ...]) -> list[Any]:
    """Rows of a table that have one source."""
    return [pytest.param(*row, marks=pytest.mark.source(text, mark)) for row in rows]


REGION_1 = "IARU Region 1 band plan, copies of societies"


@pytest.mark.parametrize(
    ("plan", "name", "centre_mhz"),
    [
        *rows_of(
            "69 channels, 433.075 + 0.025 (n − 1)", "from memory",
            ("srd-433", "1", 433.075), ("srd-433", "35", 433.925), ("srd-433", "69", 434.775),
        ),
        *rows_of(
            "centres of the parts of 863 to 870 MHz", "from memory",
            ("srd-863-870", "868.0 to 868.6", 868.3), ("srd-863-870", "868.7 to 869.2", 868.95),
            ("srd-863-870", "869.4 to 869.65", 869.525),
            ("srd-863-870", "869.7 to 870.0", 869.85),
        ),
        *rows_of(
            "first assignable frequency of the airband", "read",
            ("airband-25", "118.000", 118),
        ),
        *rows_of(
            "760 steps of 25 kHz from 118 MHz on", "derived",
            ("airband-25", "118.025", 118.025), ("airband-25", "121.500", 121.5),
            ("airband-25", "136.975", 136.975),
        ),
        *rows_of(
            REGION_1, "read elsewhere",
            ("amateur-2m-r1", "SSB calling", 144.3), ("amateur-2m-r1", "APRS", 144.8),
            ("amateur-2m-r1", "FM calling", 145.5),
            ("amateur-2m-r1", "repeater out 145.7875", 145.7875),
            ("amateur-70cm-r1", "SSB centre of activity", 432.2),
            ("amateur-70cm-r1", "FM calling", 433.5),
            ("amateur-70cm-r1", "digital voice calling", 433.45),
        ),
        *rows_of(
            "ends of the rasters of FM broadcasting", "from memory",
            ("fm-broadcast-r1", "87.6", 87.6), ("fm-broadcast-r1", "107.9", 107.9),
            ("fm-broadcast-r2", "88.1", 88.1), ("fm-broadcast-r2", "107.9", 107.9),
        ),
    ],
)  # fmt: skip
def test_channel_of_a_plan(plan: str, name: str, centre_mhz: float) -> None:
    """Published or remembered single frequencies, to the hertz."""
    assert by_name(plan)[name].centre_hz == pytest.approx(centre_mhz * 1e6, abs=0.01)


@pytest.mark.parametrize(
    ("plan", "name", "start_mhz", "stop_mhz"),
    [
        *rows_of(
            "ECC Decision of 2004 on 433 MHz, its title", "read",
            ("srd-433", "433 MHz band", 433.05, 434.79),
        ),
        *rows_of(
            "edges of the band 863 to 870 MHz", "read elsewhere",
            ("srd-863-870", "863 to 870 MHz", 863, 870),
        ),
        *rows_of(
            REGION_1, "read elsewhere",
            ("amateur-2m-r1", "amateur 2 m", 144, 146),
            ("amateur-2m-r1", "CW and EME", 144.000, 144.110),
            ("amateur-2m-r1", "narrow-band", 144.150, 144.400),
            ("amateur-2m-r1", "beacons", 144.400, 144.490),
            ("amateur-2m-r1", "repeater inputs", 144.994, 145.194),
            ("amateur-2m-r1", "FM simplex", 145.206, 145.5935),
            ("amateur-2m-r1", "repeater outputs", 145.594, 145.7935),
            ("amateur-2m-r1", "satellites", 145.806, 146),
            ("amateur-70cm-r1", "amateur 70 cm", 430, 440),
            ("amateur-70cm-r1", "CW", 432.000, 432.100),
            ("amateur-70cm-r1", "narrow-band", 432.100, 432.400),
            ("amateur-70cm-r1", "beacons", 432.400, 432.490),
            ("amateur-70cm-r1", "repeater inputs", 433.000, 433.375),
            ("amateur-70cm-r1", "FM simplex", 433.400, 433.575),
            ("amateur-70cm-r1", "satellites", 435, 438),
        ),
        *rows_of(
            "edges of the amateur bands in Region 2", "from memory",
            ("amateur-2m-r2", "amateur 2 m", 144, 148),
            ("amateur-70cm-r2", "amateur 70 cm", 420, 450),
        ),
    ],
)  # fmt: skip
def test_segment_of_a_plan(plan: str, name: str, start_mhz: float, stop_mhz: float) -> None:
    """Edges of segments, to the hertz."""
    segment = segments_of(plan)[name]
    assert segment.start_hz == round(start_mhz * 1e6)
    assert segment.stop_hz == round(stop_mhz * 1e6)


@pytest.mark.source("ICAO Annex 10, names of 8.33 kHz channels", "from memory")
@pytest.mark.parametrize(
    ("name", "centre_mhz", "width_khz"),
    [
        ("118.005", 118.0000, 8.33),
        ("118.010", 118.0083, 8.33),
        ("118.015", 118.0167, 8.33),
        ("118.030", 118.0250, 8.33),
        ("136.990", 136.9917, 8.33),
    ],
)  # fmt: skip
def test_name_of_an_8_33_khz_channel(name: str, centre_mhz: float, width_khz: float) -> None:
    """F + 0.005, 0.010, 0.015 are F, F + 8.33 and F + 16.67 kHz (rule of names: from memory)."""
    channel = by_name("airband-8-33")[name]
    assert channel.centre_hz == pytest.approx(centre_mhz * 1e6, abs=51)  # as printed: 0.1 kHz
    assert channel.width_hz == pytest.approx(width_khz * 1e3, abs=5)


@pytest.mark.source("ICAO Annex 10, number of channels", "read elsewhere")
@pytest.mark.source("rule of names", "from memory")
def test_all_8_33_khz_channels() -> None:
    """2280 of them; each by its rule to the hertz; they tile 118 to 137 MHz (less half a one)."""
    names = by_name("airband-8-33")
    assert len(names) == 2280
    for block in range(760):
        for third in range(3):
            name_khz = 118_000 + 25 * block + 5 * (third + 1)
            channel = names[f"{name_khz / 1e3:.3f}"]
            exact_hz = 118_000_000 + 25_000 * block + 25_000 * third / 3
            assert channel.centre_hz == pytest.approx(exact_hz, abs=0.01)
    ordered = sorted(names.values(), key=lambda channel: channel.centre_hz)
    for low, high in pairwise(ordered):
        assert high.start_hz == pytest.approx(low.stop_hz, abs=0.01)
    # Each is found by its own centre.
    namer = namer_of(load_channel_plan("airband-8-33", Path("/")))
    assert all(namer.at(channel.centre_hz) is not None for channel in ordered[::97])
    assert namer.at(118.0083e6) == names["118.010"]


@pytest.mark.source("ICAO Annex 10, names of 8.33 kHz channels", "from memory")
def test_endings_of_names_in_the_airband() -> None:
    """None ends in 20, 45, 70, 95; 00, 25, 50, 75 are those of 25 kHz (from memory)."""
    fine = {name[-2:] for name in by_name("airband-8-33")}
    coarse = {name[-2:] for name in by_name("airband-25")}
    assert fine == {"05", "10", "15", "30", "35", "40", "55", "60", "65", "80", "85", "90"}
    assert coarse == {"00", "25", "50", "75"}
    assert len(by_name("airband-25")) == 760


@pytest.mark.source("ECC Decision of 2004 on 433 MHz, its title", "read")
@pytest.mark.source("69 channels of 25 kHz", "from memory")
def test_69_channels_fill_the_band_at_433_mhz() -> None:
    """They touch, and all lie within 433.05 to 434.79 MHz, whose centre is 433.92 MHz."""
    channels = list(by_name("srd-433").values())
    band = segments_of("srd-433")["433 MHz band"]
    assert len(channels) == 69
    assert all(a.stop_hz == b.start_hz for a, b in pairwise(channels))
    assert band.start_hz <= channels[0].start_hz
    assert channels[-1].stop_hz <= band.stop_hz
    assert band.centre_hz == 433_920_000


@pytest.mark.source("parts of the band 863 to 870 MHz", "from memory")
@pytest.mark.parametrize(
    ("name", "words"),
    [("868.0 to 868.6", "1 %"), ("868.7 to 869.2", "0.1 %"), ("869.4 to 869.65", "10 %")],
)
def test_duty_cycles_of_the_parts(name: str, words: str) -> None:
    """1 %, 0.1 %, 10 % with 500 mW; from memory."""
    assert f"at most {words}" in by_name("srd-863-870")[name].note


@pytest.mark.source("IARU Region 1 band plan, copies of societies", "read elsewhere")
def test_repeaters_of_the_2_m_band() -> None:
    """A raster of 12.5 kHz, the inputs 600 kHz below the outputs (copies of the Region 1 plan)."""
    channels = by_name("amateur-2m-r1")
    outputs = [c for name, c in channels.items() if name.startswith("repeater out")]
    inputs = [c for name, c in channels.items() if name.startswith("repeater in")]
    assert [o.centre_hz - i.centre_hz for i, o in zip(inputs, outputs, strict=True)] == [6e5] * 16
    assert {b.centre_hz - a.centre_hz for a, b in pairwise(outputs)} == {12_500.0}
    segments = segments_of("amateur-2m-r1")
    for channel in outputs:
        piece = segments["repeater outputs"]
        assert piece.start_hz <= channel.centre_hz < piece.stop_hz


@pytest.mark.source("IARU Region 1 band plan, copies of societies", "read elsewhere")
def test_repeaters_of_the_70_cm_band() -> None:
    """Inputs + 1.6 MHz are the outputs (copies of the Region 1 plan)."""
    segments = segments_of("amateur-70cm-r1")
    low, high = segments["repeater inputs"], segments["repeater outputs"]
    assert high.start_hz - low.start_hz == high.stop_hz - low.stop_hz == 1_600_000


@pytest.mark.source("rasters of FM broadcasting, Regions 1 and 2", "from memory")
@pytest.mark.parametrize(
    ("plan", "count", "step_hz", "low_mhz", "high_mhz"),
    [("fm-broadcast-r1", 204, 100e3, 87.5, 108), ("fm-broadcast-r2", 100, 200e3, 88, 108)],
)
def test_fm_broadcast_raster(
    plan: str, count: int, step_hz: float, low_mhz: float, high_mhz: float
) -> None:
    """87.5 to 108 MHz by 100 kHz in Region 1, 88 to 108 MHz by 200 kHz in Region 2; from memory."""
    channels = list(by_name(plan).values())
    assert len(channels) == count
    assert {b.centre_hz - a.centre_hz for a, b in pairwise(channels)} == {step_hz}
    # Not one more would lie in the band whole.
    assert 0 <= channels[0].start_hz - low_mhz * 1e6 < step_hz
    assert 0 <= high_mhz * 1e6 - channels[-1].stop_hz < step_hz


@pytest.mark.source("the plans' own frequencies", "derived")
@pytest.mark.parametrize(
    ("plan", "mhz", "name"),
    [
        ("amateur-2m-r1", 144.3001, "SSB calling"),
        ("amateur-2m-r1", 144.31, "narrow-band"),
        ("amateur-2m-r1", 144.13, "amateur 2 m"),  # what no segment names
        ("amateur-2m-r1", 145.6, "repeater out 145.6000"),
        ("amateur-2m-r2", 146.52, "FM calling"),
        ("amateur-2m-r2", 147.9, "repeater inputs 147"),
        ("amateur-70cm-r1", 433.5, "FM calling"),
        ("amateur-70cm-r1", 439.0, "amateur 70 cm"),
        ("amateur-70cm-r2", 446.0, "FM calling"),
        ("srd-433", 433.92, "35"),
        ("srd-433", 434.789, "433 MHz band"),  # beside the 69 channels
        ("srd-863-870", 864.5, "863 to 870 MHz"),
        ("fm-broadcast-r1", 97.83, "97.8"),
        ("marine-vhf", 156.8, "16"),
        ("pmr446", 446.09375, "8"),
    ],
)  # fmt: skip
def test_what_is_heard_is_named(plan: str, mhz: float, name: str) -> None:
    """The narrowest channel or segment that holds the frequency."""
    found = namer_of(load_channel_plan(plan, Path("/"))).at(mhz * 1e6)
    assert found is not None
    assert found.name == name
