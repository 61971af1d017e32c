"""The arithmetic of kind ``band`` against a script of NumPy and SciPy that gives the same."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_sweep import Seen, look_at, residual_of
from acqd.measure.band_work import BandSettings, BandSetup, BandWork
from acqd.sweep import Detector, LevelUnit
from bench_parts.figures import Figure, Report, Target, rounds
from bench_parts.material import AVERAGES, RBW_HZ, noise_dbm

__all__ = ["SIZES", "bench_kernel", "by_script", "by_us", "prepared"]

SIZES = (1001, 10_001, 100_001)
FASTER = {1001: 1.8, 10_001: 2.5, 100_001: 2.3}
CARRIERS = 8
STEP_HZ = 5e3


def prepared(points: int, sweeps: int) -> tuple[BandSettings, BandWork, NDArray[np.float64]]:
    """Settings and work for noise with carriers in it, and the sweeps themselves."""
    level = noise_dbm(sweeps, points, seed=points)
    at = np.linspace(20, points - 21, CARRIERS).astype(int)
    for offset in range(-3, 4):
        level[:, at + offset] = np.maximum(level[:, at + offset], -60.0 - 3.0 * offset**2)
    settings = BandSettings(false_alarm=1e-7, averages=float(AVERAGES))
    setup = BandSetup(
        setup="bench",
        frequency_hz=np.linspace(150e6, 150e6 + STEP_HZ * (points - 1), points),
        unit=LevelUnit.DBM,
        rbw_hz=RBW_HZ,
        detector=Detector.SAMPLE,
        averages=AVERAGES,
        interval_s=1.0,
        sweep_time_s=0.5,
        level_accuracy_db=1.0,
        assumed=(),
    )
    return settings, BandWork(settings, setup, math.nan), level


def by_us(settings: BandSettings, work: BandWork, level: NDArray[np.float64]) -> Seen:
    """One sweep through the daemon's own functions."""
    missing = residual_of(work, level, None)
    return look_at(work, settings, level, missing, following=False)


def by_script(
    work: BandWork, frequency_hz: NDArray[np.float64], level: NDArray[np.float64]
) -> dict[str, Any]:
    """The same in the calls that come to mind first. The bias of the estimator is taken as known,
    as a script would have it from a table."""
    from scipy import ndimage, signal

    finite = level[np.isfinite(level)]
    lowest = np.sort(finite)[: math.ceil(0.2 * finite.size)]
    raw = 10.0 * np.log10(np.mean(10.0 ** (lowest / 10.0)))
    flat = work.flat
    floor, busy = raw, 0
    for _ in range(3):
        share = min(1.0, lowest.size / (finite.size - busy))
        floor = raw - flat._bias_between(share)
        busy = int(np.sum(finite > floor + flat._busy_over_db))
    opening, closing = floor + work.open_over, floor + work.close_over
    peaks, _ = signal.find_peaks(level, height=opening)
    labels, _ = ndimage.label(level > closing)
    power = 10.0 ** (level / 10.0) * np.gradient(frequency_hz)
    kept = np.unique(labels[peaks])
    kept = kept[kept > 0]
    total = ndimage.sum_labels(power, labels, kept)
    moment = ndimage.sum_labels(power * frequency_hz, labels, kept)
    largest = ndimage.maximum(level, labels, kept)
    slices = ndimage.find_objects(labels)
    return {
        "floor": float(floor),
        "opening": float(opening),
        "first_hz": [float(frequency_hz[slices[i - 1][0].start]) for i in kept],
        "last_hz": [float(frequency_hz[slices[i - 1][0].stop - 1]) for i in kept],
        "peak": [float(value) for value in np.atleast_1d(largest)],
        "centre_hz": [float(value) for value in np.atleast_1d(moment / total)],
        "power": [float(10.0 * np.log10(value / work.enb_hz)) for value in np.atleast_1d(total)],
    }


def bench_kernel(report: Report, *, repeat: int, seconds: float) -> None:
    """``repeat`` rounds; each times a size for about ``seconds`` each way."""
    try:
        import scipy  # noqa: F401 (only whether it is there)
    except ImportError:
        report.skipped["kernel"] = "SciPy is not installed; .venv/bin/pip install scipy"
        return
    for points in SIZES:
        report.figures.append(_of_size(points, repeat, seconds))


def _of_size(points: int, repeat: int, seconds: float) -> Figure:
    settings, work, level = prepared(points, 16 if points < 100_000 else 4)
    axis = work.grid.frequency_hz
    _same(by_us(settings, work, level[0]), by_script(work, axis, level[0]))
    found = rounds(
        repeat,
        {
            "us": _timed(lambda row: by_us(settings, work, row), level, seconds),
            "script": _timed(lambda row: by_script(work, axis, row), level, seconds),
        },
    )
    return Figure(
        name=f"kernel {points}",
        what=f"band arithmetic of {points:,} points; the ratio is times faster",
        unit="µs",
        samples=found["us"],
        baseline="NumPy + SciPy script with equal outputs",
        base=found["script"],
        upside_down=True,
        targets=(Target(FASTER[points], at_least=True),),
    )


def _timed(
    run: Callable[[NDArray[np.float64]], object], level: NDArray[np.float64], seconds: float
) -> Callable[[], float]:
    def measure() -> float:
        done, started_s = 0, time.perf_counter()
        while time.perf_counter() - started_s < seconds:
            for row in level:
                run(row)
            done += len(level)
        return (time.perf_counter() - started_s) / done * 1e6

    return measure


def _same(ours: Seen, script: dict[str, Any]) -> None:
    """Raises AssertionError where the two do not say the same."""
    signals = ours.signals
    pairs: dict[str, tuple[list[Any], list[Any], float]] = {
        "floor": ([ours.floor], [script["floor"]], 1e-6),
        "opening": ([ours.opening], [script["opening"]], 1e-6),
        "first_hz": ([s.first_hz for s in signals], script["first_hz"], 1e-3),
        "last_hz": ([s.last_hz for s in signals], script["last_hz"], 1e-3),
        "peak": ([s.peak for s in signals], script["peak"], 1e-9),
        "centre_hz": ([s.centre_hz for s in signals], script["centre_hz"], 1.0),
        "power": ([s.power for s in signals], script["power"], 1e-6),
    }
    for name, (mine, its, tolerance) in pairs.items():
        if len(mine) != len(its) or not np.allclose(mine, its, rtol=0.0, atol=tolerance):
            raise AssertionError(f"kernel: {name} differs: {mine} and {its}")
