"""Recordings: what can be played, what is refused and how, what comes next, several tunings."""

from __future__ import annotations

import hashlib
import json
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sigmf

from acqd.errors import RequestRefused, SweeperError, SweepInvalid, TransportError
from acqd.measure.bandpower import band_power
from acqd.sweep import Detector, Grid, LevelUnit, SweepFlag, SweepRequest

RATE_HZ = 200e3
CENTRE_HZ = 156.5e6
Opened = Callable[..., Any]
Make = dict[str, Any]


@pytest.mark.parametrize(
    "kind", ["cf32_le", "cf64_be", "ci32_be", "ci16_le", "ci16_be", "cu16_be", "ci8", "cu8"]
)
def test_a_tone_reads_its_level_in_every_type(folder: Any, opened: Opened, kind: str) -> None:
    """−20 dBFS at 20 kHz above the centre, in dBFS and so marked."""
    sweep = opened(folder.write(kind=kind)).sweep()
    assert sweep.unit is LevelUnit.DBFS
    at = int(sweep.level.argmax())
    assert sweep.frequency_hz[at] == CENTRE_HZ + 20e3
    assert sweep.level[at] == pytest.approx(-20.0, abs=0.2 if kind.endswith("8") else 0.05)


@pytest.mark.parametrize("kind", ["rf32_le", "ri16_be", "ru8"])
def test_real_samples_are_swept_from_their_zero_up(folder: Any, opened: Opened, kind: str) -> None:
    """A sine of amplitude 0.1 reads −20 dBFS; without a centre the spectrum begins at 0 Hz."""
    samples = 0.1 * np.sin(2 * np.pi * 0.1 * np.arange(50_000))
    row = {"core:sample_start": 0}
    ear = opened(folder.write(samples=samples, kind=kind, captures=[row]))
    assert (ear.capabilities.start_hz, ear.capabilities.stop_hz) == (0.0, 80e3)
    sweep = ear.sweep(start_hz=10e3, stop_hz=70e3, points=121)
    assert sweep.frequency_hz[sweep.level.argmax()] == 20e3
    assert sweep.level.max() == pytest.approx(-20.0, abs=0.2 if kind == "ru8" else 0.05)


def test_full_scale_in_dbm_makes_levels_dbm(folder: Any, opened: Opened) -> None:
    """A level stated for a full-scale sine shifts all levels and is assumed good for 2 dB."""
    ear = opened(folder.write(), full_scale="-30 dBm")
    assert ear.capabilities.unit is LevelUnit.DBM
    assert ear.capabilities.level_accuracy_db == 2.0
    assert ear.capabilities.assumed == ("level_accuracy_db",)
    assert ear.sweep().level.max() == pytest.approx(-50.0, abs=0.05)


def test_full_scale_may_depend_on_frequency(folder: Any, opened: Opened) -> None:
    """Straight lines in dB between the stated frequencies: halfway it is the mean."""
    pairs = [["156.51 MHz", "-30 dBm"], ["156.53 MHz", "-32 dBm"]]
    ear = opened(folder.write(), full_scale=pairs)
    assert ear.sweep().level.max() == pytest.approx(-51.0, abs=0.05)


def test_a_sweep_is_as_asked_for(folder: Any, opened: Opened, asked: Any) -> None:
    """RBW within 0.2 %, sweep time and averages as asked, and nothing differs."""
    ear = opened(folder.write())
    sweep = ear.sweep(rbw_hz=1234.0, sweep_time_s=0.05, averages=3, detector=Detector.AVERAGE)
    assert sweep.reported.rbw_hz == pytest.approx(1234.0, rel=0.003)
    assert sweep.reported.sweep_time_s == pytest.approx(0.05, abs=1e-5)
    assert sweep.reported.averages == 3
    assert sweep.reported.detector is Detector.AVERAGE
    assert not sweep.flags & (SweepFlag.SETTINGS_DIFFER | SweepFlag.OVERLOAD)


def test_rbw_is_the_noise_bandwidth_or_that_of_a_gaussian_filter(
    folder: Any, opened: Opened
) -> None:
    """The same segments, told as what they let through of noise, or as the 3 dB width of the
    Gaussian filter that lets through as much."""
    plain = opened(folder.write()).sweep(rbw_hz=2000.0)
    told = opened(folder.write(), rbw="gaussian").sweep(rbw_hz=2000.0 / 1.0644670)
    np.testing.assert_array_equal(plain.level, told.level)
    assert plain.reported.rbw_hz / told.reported.rbw_hz == pytest.approx(1.0644670, rel=1e-6)


@pytest.mark.parametrize("rbw", ["noise", "gaussian"])
@pytest.mark.parametrize("window", ["hann", "blackman-harris", "flat-top"])
def test_the_power_of_noise_is_the_same_whatever_is_called_the_rbw(
    folder: Any, opened: Opened, rbw: str, window: str
) -> None:
    """White noise of −40 dBFS over the rate has a quarter of that in a quarter of it. The mean of
    so many samples is good for 4.34/√50,000 dB (one deviation), so four of them for 0.08 dB."""
    rng = np.random.default_rng(4)
    parts = rng.standard_normal((2, 200_000)) * np.sqrt(1e-4 / 2.0)
    address = folder.write(samples=parts[0] + 1j * parts[1])
    ear = opened(address, rbw=rbw, window=window)
    sweep = ear.sweep(detector=Detector.RMS, rbw_hz=2.2e3, sweep_time_s=0.99)
    found = band_power(
        sweep.level.astype(np.float64),
        Grid.from_axis(sweep.frequency_hz),
        start_hz=CENTRE_HZ - RATE_HZ / 8.0,
        stop_hz=CENTRE_HZ + RATE_HZ / 8.0,
        rbw_hz=sweep.reported.rbw_hz,
        enb_per_rbw=ear.capabilities.noise_bandwidth_ratio,
    )
    assert found.level == pytest.approx(-40.0 - 10.0 * np.log10(4.0), abs=0.08)


def test_without_an_rbw_it_is_that_of_the_points(folder: Any, opened: Opened) -> None:
    """One bin of the window a step of the points: 2.004 steps of Blackman-Harris."""
    sweep = opened(folder.write()).sweep(rbw_hz=None)
    assert sweep.reported.rbw_hz == pytest.approx(2.0044 * 1000.0, rel=0.003)


def test_each_sweep_takes_the_next_stretch(folder: Any, opened: Opened, make: Make) -> None:
    """Levels and times of three sweeps are those of three stretches; then it has ended."""
    parts = [make["tone"](20_000, amplitude=amplitude) for amplitude in (0.1, 0.01, 0.001)]
    ear = opened(folder.write(samples=np.concatenate(parts)))
    for number, level in enumerate((-20.0, -40.0, -60.0)):
        sweep = ear.sweep(sweep_time_s=0.1)
        assert sweep.level.max() == pytest.approx(level, abs=0.1)
        assert sweep.sweeper_time_s == pytest.approx(make["began_s"] + number * 0.1, abs=1e-6)
    assert ear.capabilities.gives_time
    for _ in range(5):
        with pytest.raises(RequestRefused, match=r"the recording has ended: asked for 0\.1 s more"):
            ear.sweep(sweep_time_s=0.1)
    assert ear.host.is_open


def test_a_loop_starts_over(folder: Any, opened: Opened, make: Make) -> None:
    """The fourth sweep is the first again, bit for bit."""
    parts = [make["tone"](20_000, amplitude=amplitude) for amplitude in (0.1, 0.01, 0.001)]
    ear = opened(folder.write(samples=np.concatenate(parts)), play="loop")
    sweeps = [ear.sweep(sweep_time_s=0.1) for _ in range(6)]
    for first, again in zip(sweeps[:3], sweeps[3:], strict=True):
        np.testing.assert_array_equal(first.level, again.level)
        assert first.sweeper_time_s == again.sweeper_time_s


@pytest.mark.slow
def test_as_recorded_waits_for_its_time(folder: Any, opened: Opened, make: Make) -> None:
    """A sweep shows what was recorded as long after the start as it is since the opening."""
    parts = [make["tone"](20_000, amplitude=amplitude) for amplitude in (0.1, 0.01, 0.001, 1e-4)]
    ear = opened(folder.write(samples=np.concatenate(parts)), pace="as-recorded")
    first = ear.sweep(sweep_time_s=0.02)
    late = ear.sweep(sweep_time_s=0.25)
    assert first.took_s >= 0.019
    assert late.sweeper_time_s > first.sweeper_time_s + 0.0199
    with pytest.raises(RequestRefused, match="ended"):
        ear.sweep(sweep_time_s=0.25)


def test_skip_begins_later(folder: Any, opened: Opened, make: Make) -> None:
    """So much of the recording is passed over, and its time with it."""
    parts = [make["tone"](20_000, amplitude=amplitude) for amplitude in (0.1, 0.01)]
    sweep = opened(folder.write(samples=np.concatenate(parts)), skip="100 ms").sweep()
    assert sweep.level.max() == pytest.approx(-40.0, abs=0.1)
    assert sweep.sweeper_time_s == pytest.approx(make["began_s"] + 0.1, abs=1e-6)


def test_captures_at_several_centres_are_one_wide_sweep(
    folder: Any, opened: Opened, make: Make
) -> None:
    """Three steps of 150 kHz in one file, twice round: each point from the nearest centre."""
    rows, parts = [], []
    for turn in range(2):
        for step in range(3):
            rows.append(
                make["capture"](
                    20_000 * len(rows),
                    centre_hz=CENTRE_HZ + 150e3 * step,
                    began=f"2026-06-14T22:52:{10 + len(rows)}Z",
                )
            )
            parts.append(make["tone"](20_000, amplitude=0.1 * 10.0 ** -(step + turn)))
    ear = opened(folder.write(samples=np.concatenate(parts), captures=rows))
    assert ear.capabilities.start_hz == CENTRE_HZ - 80e3
    assert ear.capabilities.stop_hz == CENTRE_HZ + 380e3
    wide = SweepRequest(
        start_hz=CENTRE_HZ - 75e3,
        stop_hz=CENTRE_HZ + 375e3,
        points=451,
        rbw_hz=2e3,
        detector=Detector.POSITIVE,
    )
    for turn in range(2):
        sweep = ear.sweep(replace(wide, sweep_time_s=0.27))
        assert np.isfinite(sweep.level).all()
        for step in range(3):
            at = np.abs(sweep.frequency_hz - (CENTRE_HZ + 150e3 * step + 20e3)).argmin()
            assert sweep.level[at] == pytest.approx(-20.0 * (1 + step + turn), abs=0.6)
    with pytest.raises(RequestRefused, match="sweep time"):
        # 0.45 s over three tunings are 0.15 s each; none has more than 0.1 s without a gap
        ear.sweep(replace(wide, sweep_time_s=0.45))


def test_a_folder_of_recordings_is_one_sweeper(folder: Any, opened: Opened, make: Make) -> None:
    """Files at two centres with a hole between them: NaN in the hole, flagged."""
    folder.write("low")
    high = [make["capture"](0, centre_hz=CENTRE_HZ + 400e3)]
    folder.write("high", captures=high)
    for address in (f"iq:{folder.path}", f"iq:{folder.path}/*.sigmf-meta"):
        ear = opened(address)
        sweep = ear.sweep(
            SweepRequest(start_hz=CENTRE_HZ, stop_hz=CENTRE_HZ + 400e3, points=401, rbw_hz=2e3)
        )
        hole = (sweep.frequency_hz > CENTRE_HZ + 81e3) & (sweep.frequency_hz < CENTRE_HZ + 319e3)
        assert np.isnan(sweep.level[hole]).all()
        assert np.isfinite(sweep.level[sweep.frequency_hz <= CENTRE_HZ + 80e3]).all()
        assert sweep.flags & SweepFlag.NOT_FINITE
        with pytest.raises(RequestRefused, match=r"range: asked for 156\.65 to 156\.7 MHz"):
            ear.sweep(start_hz=CENTRE_HZ + 150e3, stop_hz=CENTRE_HZ + 200e3)


def test_raw_files_are_played_by_the_options(folder: Any, opened: Opened, make: Make) -> None:
    """Type, rate and centre from the config; no time is given."""
    path = folder.path / "night.bin"
    path.write_bytes(make["encoded"](make["tone"](50_000), "ci16_be"))
    ear = opened(f"iq:{path}", type="ci16_be", rate="200 kS/s", centre="156.5 MHz")
    assert not ear.capabilities.gives_time
    sweep = ear.sweep()
    assert sweep.sweeper_time_s is None
    assert sweep.level.max() == pytest.approx(-20.0, abs=0.05)
    with pytest.raises(RequestRefused, match=r"night\.bin \(raw samples\) without rate or centre"):
        opened(f"iq:{path}", type="ci16_be")


def test_samples_at_full_scale_are_an_overload(folder: Any, opened: Opened, make: Make) -> None:
    """Flagged in the sweep that holds them, and in no other."""
    samples = np.concatenate([make["tone"](20_000), make["tone"](20_000, amplitude=1.5)])
    ear = opened(folder.write(samples=samples, kind="ci16_le"))
    assert not ear.sweep(sweep_time_s=0.1).flags & SweepFlag.OVERLOAD
    assert ear.sweep(sweep_time_s=0.1).flags & SweepFlag.OVERLOAD


@pytest.mark.parametrize(
    ("way", "least"), [("keep", -6.1), ("leave-out", None), ("interpolate", -40)]
)
def test_the_line_at_the_centre(
    folder: Any, opened: Opened, make: Make, way: str, least: float | None
) -> None:
    """A converter's offset is kept unless told otherwise; else left out (NaN) or bridged."""
    samples = make["tone"](50_000) + 0.5
    sweep = opened(folder.write(samples=samples), dc=way).sweep(rbw_hz=2000.0)
    middle = sweep.level[60]
    if way == "keep":
        assert middle == pytest.approx(-6.02, abs=0.02)
    elif way == "leave-out":
        assert np.isnan(middle)
        # The main lobe of Blackman-Harris: four bins of 1 kHz to each side.
        assert np.isnan(sweep.level).sum() == pytest.approx(9, abs=1)
    else:
        assert middle < -60.0
    assert sweep.level[80] == pytest.approx(-20.0, abs=0.05)


def test_the_width_left_out_can_be_stated(folder: Any, opened: Opened) -> None:
    """20 kHz around the centre are 20 points or one more."""
    sweep = opened(folder.write(), dc="leave-out", dc_width="20 kHz").sweep()
    assert 19 <= np.isnan(sweep.level).sum() <= 21


def test_the_library_of_sigmf_writes_what_we_read(folder: Any, opened: Opened, make: Make) -> None:
    """A recording made by the library, its sum checked, is swept; the library reads ours alike."""
    samples = make["tone"](60_000).astype(np.complex64)
    data = folder.path / "theirs.sigmf-data"
    samples.tofile(data)
    meta = sigmf.SigMFFile(
        data_file=str(data),
        global_info={
            sigmf.DATATYPE_KEY: "cf32_le",
            sigmf.SAMPLE_RATE_KEY: RATE_HZ,
            sigmf.HW_KEY: "Gannet Ledge aerial mast",
        },
    )
    meta.add_capture(
        0,
        metadata={
            sigmf.FREQUENCY_KEY: CENTRE_HZ,
            sigmf.DATETIME_KEY: "2026-06-14T22:52:10.250000Z",
        },
    )
    meta.validate()
    meta.tofile(str(folder.path / "theirs.sigmf-meta"), overwrite=True)
    ear = opened(f"iq:{folder.path}/theirs.sigmf-meta", check_sha512=True)
    assert ear.opened.identity.model == "Gannet Ledge aerial mast"
    assert ear.opened.identity.serial_number == ""
    sweep = ear.sweep()
    assert sweep.level.max() == pytest.approx(-20.0, abs=0.05)
    assert sweep.sweeper_time_s == pytest.approx(make["began_s"])


@pytest.mark.parametrize("kind", ["ci16_be", "cu8", "cf32_le", "ci8"])
def test_what_the_library_reads_is_what_we_sweep(folder: Any, make: Make, kind: str) -> None:
    """The library's samples of one of our recordings are ours, offset and scale included."""
    from acqd_iq.datatypes import parse_type

    folder.write(kind=kind)
    theirs = sigmf.sigmffile.fromfile(str(folder.path / "night.sigmf-meta")).read_samples(0, 1000)
    mine = parse_type(kind)
    raw = np.fromfile(folder.path / "night.sigmf-data", dtype=mine.number, count=2000)
    np.testing.assert_allclose(mine.decode(raw).samples, theirs, atol=1e-7)


def test_a_wrong_sum_is_refused(folder: Any, opened: Opened) -> None:
    """Only where the config asks for the check."""
    address = folder.write(**{"core:sha512": hashlib.sha512(b"other").hexdigest()})
    opened(address).sweep()
    with pytest.raises(RequestRefused, match="as core:sha512 says"):
        opened(address, check_sha512=True)


def _edited(folder: Any, edit: Callable[[dict[str, Any]], object]) -> str:
    address = folder.write()
    path = folder.path / "night.sigmf-meta"
    meta = json.loads(path.read_text())
    edit(meta)
    path.write_text(json.dumps(meta))
    return str(address)


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (lambda meta: meta["global"].pop("core:datatype"), "core:datatype None.*ci16_le"),
        (lambda meta: meta["global"].update({"core:datatype": "ci16"}), "ci16_le or ci16_be"),
        (lambda meta: meta["global"].pop("core:sample_rate"), "no core:sample_rate.*option rate"),
        (lambda meta: meta["global"].update({"core:sample_rate": "fast"}), "'fast'.*a number"),
        (lambda meta: meta["global"].update({"core:num_channels": 2}), "one channel"),
        (lambda meta: meta["captures"][0].pop("core:frequency"), "no core:frequency.*centre"),
        (lambda meta: meta["captures"].clear(), "1 to 100000 captures"),
        (lambda meta: meta.pop("captures"), "1 to 100000 captures"),
        (lambda meta: meta.pop("global"), 'no "global"'),
        (
            lambda meta: meta["captures"][0].update({"core:datetime": "14.6.2026"}),
            r"capture 0: core:datetime '14\.6\.2026'.*UTC",
        ),
        (
            lambda meta: meta["captures"][0].update({"core:datetime": "2026-06-31T00:00:00Z"}),
            "core:datetime",
        ),
        (lambda meta: meta["captures"][0].update({"core:sample_start": 1e9}), "whole number"),
        (
            lambda meta: meta["captures"][0].update({"core:sample_start": 10**9}),
            "within the 100000 samples",
        ),
        (lambda meta: meta["captures"][0].update({"core:header_bytes": 64}), "samples alone"),
        (
            lambda meta: meta["captures"].append(dict(meta["captures"][0])),
            "captures in rising order",
        ),
    ],
)
def test_wrong_metadata_are_refused_in_one_line(
    folder: Any, opened: Opened, edit: Callable[[dict[str, Any]], object], said: str
) -> None:
    """The file, what is wrong in it, and what would do."""
    with pytest.raises(RequestRefused, match=said) as caught:
        opened(_edited(folder, edit))
    assert "\n" not in str(caught.value)
    assert "night.sigmf-meta" in str(caught.value)


def test_an_offset_of_the_file_counts(folder: Any, opened: Opened, make: Make) -> None:
    """core:offset is the number of the first sample in the data file."""
    rows = [make["capture"](1000), make["capture"](41_000, centre_hz=CENTRE_HZ + 1e6)]
    ear = opened(folder.write(captures=rows, **{"core:offset": 1000}))
    with pytest.raises(RequestRefused, match=r"limit is 0\.2 s"):
        ear.sweep(sweep_time_s=0.3)


def test_a_file_that_is_not_there_may_come(folder: Any, opened: Opened) -> None:
    """That is a broken link, which is tried again, not a request that cannot be met."""
    with pytest.raises(TransportError, match=r"absent\.sigmf-meta: cannot be read: No such file"):
        opened(f"iq:{folder.path}/absent.sigmf-meta")
    folder.write()
    (folder.path / "night.sigmf-data").unlink()
    with pytest.raises(TransportError, match=r"night\.sigmf-data: cannot be read"):
        opened(f"iq:{folder.path}/night.sigmf-meta")


def test_a_file_that_is_cut_short_ends_the_session(folder: Any, opened: Opened) -> None:
    """Read, not mapped: an error of this sweeper, not the end of the process."""
    ear = opened(folder.write())
    with (folder.path / "night.sigmf-data").open("r+b") as data:
        data.truncate(1000)
    with pytest.raises(TransportError, match="shorter"):
        ear.sweep()


def test_half_a_sample_at_the_end_is_refused(folder: Any, opened: Opened) -> None:
    """The type is wrong, or the file was cut."""
    address = folder.write(kind="ci16_le")
    with (folder.path / "night.sigmf-data").open("ab") as data:
        data.write(b"x")
    with pytest.raises(RequestRefused, match="whole samples of 4 bytes"):
        opened(address)


@pytest.mark.parametrize("name", ["iq:", "iq:{}", "iq:{}/*.sigmf-meta", "iq:{}/all.sigmf"])
def test_addresses_that_name_nothing(folder: Any, opened: Opened, name: str) -> None:
    """Refused with what would do."""
    with pytest.raises(RequestRefused, match="accepted"):
        opened(name.format(folder.path))


def test_metadata_that_are_no_text_or_no_json(folder: Any, opened: Opened) -> None:
    """A data file under the wrong name, among others."""
    address = folder.write()
    for content, said in ((b"\xff\xfe\x00", "not UTF-8"), (b'{"global": ', "not JSON, line 1")):
        (folder.path / "night.sigmf-meta").write_bytes(content)
        with pytest.raises(RequestRefused, match=said):
            opened(address)


def test_a_sample_that_is_no_number_costs_its_sweep(
    folder: Any, opened: Opened, make: Make
) -> None:
    """The sweep that holds it is invalid, the next one is not."""
    samples = make["tone"](40_000)
    samples[100] = np.nan
    ear = opened(folder.write(samples=samples))
    with pytest.raises(SweepInvalid, match=r"night\.sigmf-data: samples 0 to \d+: a sample is not"):
        ear.sweep(sweep_time_s=0.1)
    ear.sweep(sweep_time_s=0.1)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"vbw_hz": 100.0}, "video filter"),
        ({"attenuation_db": 10.0}, "receiver whose samples"),
        ({"reference_level_dbm": -20.0}, "receiver whose samples"),
        ({"stop_hz": CENTRE_HZ - 60e3}, "a span above 0"),
        ({"points": 100_000, "rbw_hz": 50.0, "stop_hz": CENTRE_HZ - 59.9e3}, "apart at this RBW"),
        ({"rbw_hz": 100e3}, "rbw"),
        ({"rbw_hz": 1.0}, "rbw"),
    ],
)
def test_what_cannot_be_done_is_refused(
    folder: Any, opened: Opened, changes: dict[str, Any], said: str
) -> None:
    """Nothing is left out silently."""
    with pytest.raises(RequestRefused, match=said):
        opened(folder.write()).sweep(**changes)


@pytest.mark.slow
def test_a_long_recording_costs_no_more_memory(tmp_path: Path, opened: Opened) -> None:
    """10 GB, of which a sweep of five minutes reads a gigabyte: a few MiB at a time.

    The file is sparse: it takes no room on the disk and reads as zeros.
    """
    data = tmp_path / "long.sigmf-data"
    with data.open("wb") as file:
        file.truncate(10_000_000_000)
    row = {"core:sample_start": 0, "core:frequency": CENTRE_HZ}
    head = {"core:datatype": "cu8", "core:sample_rate": 1e6, "core:version": "1.0.0"}
    (tmp_path / "long.sigmf-meta").write_text(json.dumps({"global": head, "captures": [row]}))
    ear = opened(f"iq:{tmp_path}/long.sigmf-meta")
    tracemalloc.start()
    try:
        sweep = ear.sweep(
            SweepRequest(
                start_hz=CENTRE_HZ - 200e3,
                stop_hz=CENTRE_HZ + 200e3,
                points=101,
                rbw_hz=10e3,
                sweep_time_s=10.0,
            )
        )
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert np.isfinite(sweep.level).all()
    assert peak < 60e6


def test_finding_lists_what_was_named_and_nothing_more(folder: Any, opened: Opened) -> None:
    """An address, the recordings of a folder, a stream with its type; what is wrong is said."""
    from acqd_iq import IqDriver

    from acqd.drivers.contract import Certainty, Named

    address = folder.write()
    (folder.path / "bad.sigmf-meta").write_text("{}")

    class Context:
        def __init__(self, *, probe: bool) -> None:
            self.probe = probe

        named = (
            Named(address=address),
            Named(address=f"iq:{folder.path}"),
            Named(address="tcp://127.0.0.1:9", options={"type": "ci16_le"}),
            Named(address="tcp://127.0.0.1:5025"),
            Named(address="sim:mast"),
        )

    unread = {one.address: one.what for one in IqDriver().find(Context(probe=False))}
    assert unread[address] == "recording, named by the user"
    assert unread[f"iq:{folder.path}"] == "2 recordings, named by the user"
    found = list(IqDriver().find(Context(probe=True)))
    assert {one.certainty for one in found} == {Certainty.LISTED}
    told = {one.address: one.what for one in found}
    assert told[address] == "recording, cf32_le, 0.2 MS/s, 156.42 to 156.58 MHz, 0.5 s"
    assert "cannot be played" in told[f"iq:{folder.path}/bad.sigmf-meta"]
    assert "ci16_le" in told["tcp://127.0.0.1:9"]
    assert len(found) == 5


def test_errors_are_of_our_tree(folder: Any, opened: Opened) -> None:
    """A folder in the place of a data file, a name too long: a SweeperError."""
    folder.write()
    (folder.path / "night.sigmf-data").unlink()
    (folder.path / "night.sigmf-data").mkdir()
    for address in (f"iq:{folder.path}/night.sigmf-meta", "iq:" + "x" * 300, "iq:\0"):
        with pytest.raises(SweeperError):
            opened(address)


ODD: list[Any] = [
    *(None, True, -1, 0, 3, 2**70, 1.5, float("nan"), float("inf"), 1e300),
    *("", "x" * 5000, "\x00\ud800", "9999-12-31T23:59:59Z", [], {}, [[]], [None], {"a": 1}),
]


@pytest.mark.slow
@pytest.mark.parametrize("table", ["global", "capture", "document"])
def test_metadata_with_odd_values_never_cost_more_than_the_recording(
    folder: Any, opened: Opened, table: str
) -> None:
    """Each value of the metadata replaced by odd ones: it is swept, or a SweeperError says why."""
    folder.write(**{"core:offset": 0, "core:sha512": "ab", "core:hw": "mast", "core:dataset": ""})
    path = folder.path / "night.sigmf-meta"
    text = path.read_text()
    part = {"global": "global", "capture": "captures", "document": ""}[table]
    plain = json.loads(text)
    keys = list(plain if not part else plain[part] if table == "global" else plain[part][0])
    said: list[str] = []
    swept = 0
    for key in keys:
        for odd in ODD:
            meta = json.loads(text)
            where = meta if not part else meta[part] if table == "global" else meta[part][0]
            where[key] = odd
            path.write_text(json.dumps(meta))
            try:
                ear = opened(f"iq:{path}")
                low_hz, high_hz = ear.capabilities.start_hz, ear.capabilities.stop_hz
                if high_hz > low_hz:
                    ear.sweep(SweepRequest(start_hz=low_hz, stop_hz=high_hz, points=101))
                swept += 1
            except SweeperError as exc:
                said.append(str(exc))
    assert len(said) > 10
    assert table == "document" or swept > 3
    # What the driver raised of its own, or handed over in a shape that the contract rules out.
    assert [one for one in said if "the driver raised" in one or "must be" in one] == []
