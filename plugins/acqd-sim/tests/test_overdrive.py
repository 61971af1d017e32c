"""What happens when the input gets too much."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from acqd_sim.emissions import Tone
from acqd_sim.receiver import Receiver
from acqd_sim.scene import Scene

from acqd.sweep import Detector, SweepRequest

Make = Callable[..., Receiver]
T0 = 1_780_000_000.0


def carrier(frequency_hz: float, power_dbm: float) -> Tone:
    return Tone(name="tone", kind="carrier", frequency_hz=frequency_hz, power_dbm=power_dbm)


def level_at(receiver: Receiver, frequency_hz: float, attenuation_db: float = 0.0) -> float:
    """What is shown at one frequency."""
    request = SweepRequest(
        start_hz=frequency_hz - 5e3,
        stop_hz=frequency_hz + 5e3,
        points=101,
        rbw_hz=1e3,
        attenuation_db=attenuation_db,
        detector=Detector.RMS,
    )
    wanted = receiver.model.settings(request)
    return float(receiver.sweep(wanted, start_s=T0, counter=0).level_dbm[50])


def exact(receiver_of: Make, *tones: Tone, **changes: object) -> Receiver:
    """A receiver without errors of its own."""
    return receiver_of(
        Scene(tones=tones), level_accuracy_db=0.0, frequency_accuracy_ppm=0.0, **changes
    )


def test_one_decibel_is_lost_at_the_compression_point(receiver_of: Make) -> None:
    """At P1dB 1 dB, 20 dB below next to nothing; attenuation brings it back."""
    receiver = exact(receiver_of, carrier(100e6, 0.0), toi_dbm=60.0, shi_dbm=90.0)
    assert level_at(receiver, 100e6) == pytest.approx(-1.0, abs=0.06)
    assert level_at(receiver, 100e6, 20.0) == pytest.approx(0.0, abs=0.06)


def test_a_strong_signal_outside_the_span_counts_too(receiver_of: Make) -> None:
    """Compression is of everything at the mixer: the weak signal seems weaker."""
    weak = carrier(230e6, -50.0)
    alone = exact(receiver_of, weak)
    beside = exact(receiver_of, weak, carrier(100e6, 10.0))
    assert level_at(alone, 230e6) - level_at(beside, 230e6) == pytest.approx(5.6, abs=0.5)


@pytest.mark.parametrize(
    ("frequency_hz", "expected_dbm"),
    [(200e6, 2 * -20.0 - 35.0), (300e6, 3 * -20.0 - 2 * 10.0 - 9.54)],
    ids=["second", "third"],
)
def test_harmonics_follow_the_intercept_points(
    receiver_of: Make, frequency_hz: float, expected_dbm: float
) -> None:
    """P2 = 2P − SHI and P3 = 3P − 2·TOI − 9.54 (intercept definitions, ideal cubic)."""
    receiver = exact(receiver_of, carrier(100e6, -20.0))
    assert level_at(receiver, frequency_hz) == pytest.approx(expected_dbm, abs=0.5)


@pytest.mark.parametrize("step_db", [10.0, 20.0])
def test_attenuation_tells_made_inside_from_real(receiver_of: Make, step_db: float) -> None:
    """Shown second-order products fall by A, third-order ones by 2·A; real ones stay."""
    strong, real = carrier(100e6, -10.0), carrier(210e6, -60.0)
    receiver = exact(receiver_of, strong, real, danl_dbm_per_hz=-170.0)
    for frequency_hz, falls_db in ((200e6, step_db), (300e6, 2 * step_db), (210e6, 0.0)):
        fall_db = level_at(receiver, frequency_hz) - level_at(receiver, frequency_hz, step_db)
        assert fall_db == pytest.approx(falls_db, abs=0.7)


def test_two_signals_make_intermodulation(receiver_of: Make) -> None:
    """TOI +10, two tones of −20 dBm: products at −80 dBm at 2f1−f2 and 2f2−f1."""
    receiver = exact(receiver_of, carrier(100e6, -20.0), carrier(101e6, -20.0))
    for frequency_hz in (99e6, 102e6):
        assert level_at(receiver, frequency_hz) == pytest.approx(-80.0, abs=0.5)


def test_overload_is_reported(receiver_of: Make) -> None:
    """Beyond the compression point the sweep says so; with enough attenuation it does not."""
    receiver = exact(receiver_of, carrier(100e6, 5.0))
    for attenuation_db, overload in ((0.0, True), (10.0, False)):
        request = SweepRequest(
            start_hz=99e6, stop_hz=101e6, points=101, attenuation_db=attenuation_db
        )
        reading = receiver.sweep(receiver.model.settings(request), start_s=T0, counter=0)
        assert reading.overload is overload
    assert np.isfinite(reading.level_dbm).all()
