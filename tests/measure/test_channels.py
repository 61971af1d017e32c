"""What a signal is called by a plan: the narrowest channel or segment that contains it."""

from __future__ import annotations

import math

import pytest

from acqd.measure.channels import BandPlan, Channel, ChannelPlan, Namer, Segment, namer_of

BAND = Segment(name="band", start_hz=144e6, stop_hz=146e6)
PHONE = Segment(name="phone", start_hz=144.197e6, stop_hz=144.4e6)
BEACONS = Segment(name="beacons", start_hz=144.4e6, stop_hz=144.49e6)
# The centre of its segment, 144.2985 MHz, lies in it: width decides, not the nearer centre.
CALLING = Channel(name="calling", centre_hz=144.3e6, width_hz=6e3)
PLAN = BandPlan(
    name="x", title="", edition="", channels=(CALLING,), segments=(BAND, PHONE, BEACONS)
)


@pytest.mark.parametrize(
    ("mhz", "width_khz", "name"),
    [
        (144.3, 0.0, "calling"),
        (144.2985, 0.0, "calling"),
        (144.297, 0.0, "calling"),  # a piece holds its start
        (144.303, 0.0, "phone"),  # and not its stop
        (144.275, 0.0, "phone"),
        (144.4, 0.0, "beacons"),  # of two that touch the upper one
        (144.5, 0.0, "band"),
        (144.3015, 2.7, "calling"),
        (144.3028, 2.7, "calling"),  # off its frequency: more than half is in the channel
        (144.3, 12.0, "calling"),  # twice as wide as the channel: half is in it
        (144.3, 13.0, "phone"),
        (144.3, 600.0, "band"),
        (144.0, 0.0, "band"),
    ],
)
def test_the_narrowest_that_contains_the_signal(mhz: float, width_khz: float, name: str) -> None:
    """A call frequency before its segment, that before the band."""
    found = namer_of(PLAN).at(mhz * 1e6, width_hz=width_khz * 1e3)
    assert found is not None
    assert found.name == name


@pytest.mark.parametrize(
    ("hz", "width_hz"),
    [(146e6, 0.0), (143.9999e6, 0.0), (145e6, 4.1e6), (math.nan, 0.0)],
    ids=["at the stop", "below", "more than twice the band", "not a number"],
)
def test_a_signal_of_nobody(hz: float, width_hz: float) -> None:
    """None outside all pieces, and for what is too broad for any."""
    assert namer_of(PLAN).at(hz, width_hz=width_hz) is None


def test_of_equal_widths_the_nearer_centre() -> None:
    """Overlapping channels of one raster; on the middle between two the first named."""
    near = [Channel(name=str(n), centre_hz=100e6 + n * 100e3, width_hz=200e3) for n in range(3)]
    namer = Namer(near)
    assert [p.name for p in map(namer.at, (100.04e6, 100.06e6, 100.19e6)) if p] == ["0", "1", "2"]
    middle = namer.at(100.05e6)
    assert middle is not None
    assert middle.name == "0"


def test_thirds_of_a_step_are_equally_wide() -> None:
    """Rounding of 25 kHz / 3 does not decide who is narrower."""
    third = 25e3 / 3
    channels = [
        Channel(name="a", centre_hz=118e6, width_hz=third + 1e-9),
        Channel(name="b", centre_hz=118e6 + 1e3, width_hz=third),
    ]
    found = Namer(channels).at(118e6)
    assert found is not None
    assert found.name == "a"


def test_a_plan_without_segments_names_by_channels() -> None:
    """Also none at all: nothing has a name."""
    plan = ChannelPlan(name="x", title="", edition="", channels=(CALLING,))
    assert namer_of(plan).at(144.3e6) is CALLING
    assert namer_of(plan).at(144.2e6) is None
    assert Namer(()).at(144.3e6) is None


@pytest.mark.parametrize("width_hz", [-1.0, math.nan, math.inf])
def test_no_width_is_refused(width_hz: float) -> None:
    """A width below nothing, or none at all."""
    with pytest.raises(ValueError, match="width_hz must be finite"):
        namer_of(PLAN).at(144.3e6, width_hz=width_hz)


def test_a_segment_has_centre_width_and_key() -> None:
    """As a channel has."""
    piece = Segment(name="FM simplex 146", start_hz=146.4e6, stop_hz=146.58e6)
    assert (piece.centre_hz, piece.key) == (146.49e6, "fm-simplex-146")
    assert piece.width_hz == pytest.approx(180e3)
