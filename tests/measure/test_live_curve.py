"""The curves that who tunes looks at: what is measured over frequency, and where the limits lie."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.losscurve import Role as Named
from acqd.measure.meter import Curve, Output, Reference, Role
from acqd.measure.reflection_meter import ReflectionMeter
from acqd.measure.reflection_sweep import ReflectionSettings
from acqd.measure.soak_meter import SoakMeter
from acqd.measure.soak_settings import SoakSettings
from acqd.measure.transmission_meter import TransmissionMeter
from acqd.measure.transmission_settings import (
    NamedAim,
    PadAim,
    PassbandAim,
    StopbandAim,
    TransmissionSettings,
)
from acqd.sweep import LevelUnit
from acqd.testing.events import setup_event, sweep_event

Float = NDArray[np.float64]

AT_S = 1_780_002_000.0
AXIS = np.linspace(140e6, 150e6, 501)
THROUGH = -20.0 - 0.3 * np.sin(AXIS / 1e6)
X = (145e6 / 2e6) * (AXIS / 145e6 - 145e6 / AXIS)
LOSS = 0.8 + 10.0 * np.log10(1.0 + X**6)


def reference(role: Role, level: Any) -> Reference:
    return Reference(role=role, at_s=AT_S - 60.0, level=np.asarray(level), sweeps=1)


def measured(
    meter: Any, level: Any, references: Mapping[str, Reference], **setup: Any
) -> tuple[Any, Output]:
    fields = {"at_s": AT_S, "source_level_dbm": -20.0, "references": references} | setup
    state, _ = meter.step(meter.start(), setup_event(AXIS, **fields))
    state, output = meter.step(state, sweep_event(np.asarray(level), seq=1, at_s=AT_S))
    return state, output


def filter_curve(loss_db: Float = LOSS, **settings: Any) -> Curve:
    meter = TransmissionMeter(TransmissionSettings(job="filter", **settings))
    through = {"through": reference(Role.THROUGH, THROUGH)}
    curve = measured(meter, THROUGH - loss_db, through)[1].curve
    assert curve is not None
    return curve


def test_a_filters_curve_is_its_loss_against_the_through() -> None:
    """Whatever the through looks like; NaN exactly where a level is missing."""
    missing = LOSS.copy()
    missing[[0, 17, 18, 500]] = np.nan
    curve = filter_curve(missing)
    assert (curve.figure, curve.unit, curve.masks) == ("insertion loss", "dB", ())
    assert np.array_equal(curve.frequency_hz, AXIS)
    assert curve.values == pytest.approx(missing, abs=1e-9, nan_ok=True)


def test_masks_lie_where_the_limits_do() -> None:
    """Losses as they are asked; rejections that far above the passband's least loss; the ripple
    above the least loss of its range."""
    curve = filter_curve(
        passband=PassbandAim(
            start_hz=144.5e6, stop_hz=145.5e6, loss_at_most_db=2.0, ripple_at_most_db=0.5
        ),
        stopbands=(
            StopbandAim(name="low", start_hz=140e6, stop_hz=141e6, at_least_db=30.0),
            StopbandAim(name="unlimited", start_hz=149e6, stop_hz=150e6),
        ),
        named=(
            NamedAim(name="ch", frequency_hz=145e6, role=Named.PASS, at_most_db=1.5),
            NamedAim(name="fm", frequency_hz=149e6, role=Named.STOP, at_least_db=40.0),
        ),
        pad=PadAim(value_db=0.8, within_db=0.1),
    )
    found = {one.name: one for one in curve.masks}
    assert list(found) == ["passband", "ripple", "low", "ch", "fm"]
    least_db = LOSS.min()
    for name, start_hz, stop_hz, limit, side in (
        ("passband", 144.5e6, 145.5e6, 2.0, "below"),
        ("ripple", 144.5e6, 145.5e6, least_db + 0.5, "below"),
        ("low", 140e6, 141e6, least_db + 30.0, "above"),
        ("ch", 145e6, 145e6, 1.5, "below"),
        ("fm", 149e6, 149e6, least_db + 40.0, "above"),
    ):
        one = found[name]
        assert (one.start_hz, one.stop_hz, one.side, one.unit) == (start_hz, stop_hz, side, "dB")
        assert one.limit == pytest.approx(limit, abs=0.01)


def test_points_of_one_frequency_are_one_point() -> None:
    """The curve rises where the sweep stood still."""
    axis = np.array([140e6, 141e6, 141e6, 142e6])
    meter = TransmissionMeter(TransmissionSettings())
    through = reference(Role.THROUGH, np.full(4, -20.0))
    setup = setup_event(axis, at_s=AT_S, references={"through": through})
    state, _ = meter.step(meter.start(), setup)
    level = -20.0 - np.array([1.0, 2.0, 4.0, 5.0])
    curve = meter.step(state, sweep_event(level, seq=1, at_s=AT_S))[1].curve
    assert curve is not None
    assert curve.frequency_hz.tolist() == [140e6, 141e6, 142e6]
    assert curve.values == pytest.approx([1.0, 3.0, 5.0])


def test_a_vector_sweepers_ratio_is_a_loss_too() -> None:
    ratio = 10.0 ** (-LOSS / 20.0) * np.exp(-1j * AXIS * 3e-7)
    meter = TransmissionMeter(TransmissionSettings())
    curve = measured(meter, ratio, {}, unit=LevelUnit.RATIO)[1].curve
    assert curve is not None
    assert curve.values == pytest.approx(LOSS, abs=1e-6)


WHIP = 0.1 + 0.8 * (np.abs(AXIS - 145e6) / 5e6)
"""Magnitude of a reflection."""


def whip_curve(settings: ReflectionSettings) -> Curve:
    references = {"open": reference(Role.OPEN, THROUGH), "short": reference(Role.SHORT, THROUGH)}
    level = THROUGH + 20.0 * np.log10(WHIP)
    curve = measured(ReflectionMeter(settings), level, references)[1].curve
    assert curve is not None
    return curve


def test_a_whips_curve_is_its_return_loss_and_limits_on_swr_are_return_losses() -> None:
    curve = whip_curve(
        ReflectionSettings(
            range_hz=(144e6, 146e6), max_swr=1.5, max_swr_at={"ch": 2.0}, named_hz={"ch": 145e6}
        )
    )
    assert (curve.figure, curve.unit) == ("return loss", "dB")
    assert curve.values == pytest.approx(-20.0 * np.log10(WHIP), abs=1e-6)
    whole, channel = curve.masks
    assert (whole.name, whole.start_hz, whole.stop_hz, whole.side) == (
        "range", 144e6, 146e6, "above",
    )  # fmt: skip
    # SWR 1.5 reflects a fifth, SWR 2 a third: 13.98 and 9.54 dB
    assert whole.limit == pytest.approx(13.979, abs=1e-3)
    assert (channel.name, channel.start_hz, channel.stop_hz) == ("ch", 145e6, 145e6)
    assert channel.limit == pytest.approx(9.542, abs=1e-3)


def test_without_limits_there_are_no_masks() -> None:
    assert whip_curve(ReflectionSettings()).masks == ()


def test_where_nothing_is_measured_there_is_no_curve() -> None:
    """Without the through, without the open."""
    for meter in (TransmissionMeter(TransmissionSettings()), ReflectionMeter(ReflectionSettings())):
        output = measured(meter, THROUGH - LOSS, {})[1]
        assert output.summary is not None
        assert output.summary["refused"]
        assert output.curve is None


def test_a_soak_hands_the_curve_on_and_no_state_holds_it() -> None:
    """What is stored and compared is the same with a curve and without."""
    inner = TransmissionMeter(TransmissionSettings())
    through = {"through": reference(Role.THROUGH, THROUGH)}
    soak = SoakMeter(inner, SoakSettings(job="filter", length_s=100.0))
    state, output = measured(soak, THROUGH - LOSS, through)
    assert output.curve is not None
    assert soak.dump(state) == soak.dump(soak.load(soak.dump(state)))
    again = measured(soak, THROUGH - LOSS, through)[1]
    assert again == output
    assert again.curve is not output.curve
