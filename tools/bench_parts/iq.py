"""A sweep from samples: how much of a core it takes beside SciPy's Welch estimate of the same ones.

Both read the same raw file of complex 16-bit samples, with the same window, segments, overlap and
padding, in processes of their own. SciPy gets them a million at a time, which is faster than all at
once and takes a tenth of the memory. It gives powers at bins; what makes points of them, and sees
overloads, only the driver does. That both come to the same levels is checked.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from acqd.sweep import Detector, SweepRequest
from bench_parts.children import Spent, in_child
from bench_parts.figures import Figure, Report, Samples, rounds

__all__ = ["bench_iq"]

RATE_HZ = 10e6
CENTRE_HZ = 156.8e6
RBW_HZ = 10e3
POINTS = 801
STEP_HZ = 10e3
FULL_COUNT = 32768.0
PIECE = 1 << 20


def bench_iq(report: Report, folder: Path, *, samples: int, repeat: int) -> None:
    """``repeat`` rounds of one sweep of ``samples`` samples."""
    try:
        import scipy.signal  # noqa: F401 (whether it is here; the child uses it)
    except ImportError:
        report.skipped["iq"] = "SciPy is not installed; tools/setup installs it"
        return
    path = folder / "samples.ci16"
    _record(path, samples)
    spent: dict[str, list[Spent]] = {"sweep": [], "scipy": []}

    def contestant(name: str, prepare: Callable[..., Any]) -> Callable[[], float]:
        def measure() -> float:
            spent[name].append(in_child(prepare, path, samples))
            return spent[name][-1].cpu_s

        return measure

    found = rounds(
        repeat,
        {"sweep": contestant("sweep", sweep_of), "scipy": contestant("scipy", scipy_of)},
        warm=False,
    )
    ours, theirs = spent["sweep"], spent["scipy"]
    _check(ours[-1], theirs[-1])
    baseline = "scipy.signal.welch on the same samples, same segments"
    report.figures += [
        Figure(
            name="iq CPU",
            what=f"one sweep of {POINTS} points from {samples:,} complex 16-bit samples of a file",
            unit="s",
            samples=found["sweep"],
            baseline=baseline,
            base=found["scipy"],
        ),
        Figure(
            name="iq memory",
            what="what the process grew by for it, at most",
            unit="MB",
            samples=_grown(ours),
            baseline=baseline,
            base=_grown(theirs),
        ),
        Figure(
            name="iq rate",
            what=f"samples that one core keeps up with, RBW {RBW_HZ / 1e3:g} kHz at "
            f"{RATE_HZ / 1e6:g} MS/s, as the driver is set without options",
            unit="MS/s",
            samples=Samples(tuple(samples / one.cpu_s / 1e6 for one in ours)),
            baseline=baseline,
            base=Samples(tuple(samples / one.cpu_s / 1e6 for one in theirs)),
        ),
    ]


def _grown(spent: list[Spent]) -> Samples:
    return Samples(tuple(max(0.1, one.peak_mb - one.before_mb) for one in spent))


def _check(ours: Spent, theirs: Spent) -> None:
    """Mean powers over the same band agree, but for a point's borders, and rounding to 0.01 dB."""
    got, wanted = json.loads(ours.result), json.loads(theirs.result)
    if abs(got - wanted) > 0.05:
        raise RuntimeError(f"the sweep reads {got:.3f} dBFS, SciPy {wanted:.3f} dBFS")


def _record(path: Path, samples: int) -> None:
    """Noise, and a carrier; written in pieces."""
    random = np.random.default_rng(5)
    with path.open("wb") as file:
        for first in range(0, samples, PIECE):
            count = min(PIECE, samples - first)
            phase = 2j * np.pi * 0.123 * np.arange(first, first + count)
            noise = random.normal(0.0, 1500.0, (count, 2))
            carrier = 6000.0 * np.exp(phase)
            noise[:, 0] += carrier.real
            noise[:, 1] += carrier.imag
            file.write(np.rint(noise).astype("<i2").tobytes())


# --- in a process of its own ------------------------------------------------------------------


def request_of(samples: int) -> SweepRequest:
    """What is asked of the driver."""
    reach_hz = STEP_HZ * (POINTS - 1) / 2
    return SweepRequest(
        start_hz=CENTRE_HZ - reach_hz,
        stop_hz=CENTRE_HZ + reach_hz,
        points=POINTS,
        rbw_hz=RBW_HZ,
        detector=Detector.RMS,
        sweep_time_s=samples / RATE_HZ,
    )


class _Open:
    """What the driver is opened with; there is no link."""

    name = "bench"

    def __init__(self, path: Path) -> None:
        from acqd.drivers.worker import Cancel

        self.address = f"iq:{path}"
        self.options = {
            "type": "ci16_le",
            "rate": f"{RATE_HZ / 1e6:g} MS/s",
            "centre": f"{CENTRE_HZ / 1e6:g} MHz",
        }
        self.cancel = Cancel()

    def connect(self, defaults: Any = None) -> Any:
        raise RuntimeError("a recording has no link")


def sweep_of(path: Path, samples: int) -> Callable[[], str]:
    """The driver's sweep; its mean power in dBFS, as text."""
    from acqd_iq import IqDriver

    sweeper = IqDriver().open(_Open(path))
    request = request_of(samples)

    def sweep() -> str:
        level = sweeper.sweep(request).level
        return json.dumps(float(10 * np.log10(np.mean(10 ** (level / 10)))))

    return sweep


def scipy_of(path: Path, samples: int) -> Callable[[], str]:
    """SciPy's estimate; its mean power in the sweep's band in dBFS, as text."""
    import scipy.signal
    from acqd_iq.options import IqOptions
    from acqd_iq.planning import plan
    from acqd_iq.recordings import open_recording

    opened = _Open(path)
    options = IqOptions.from_options(opened.options)
    recording = open_recording(opened.address, options, opened.cancel)
    request = request_of(samples)
    (part,) = plan(request, recording.tunings, options)
    segments = part.segments
    weights = segments.window.weights(segments.length)

    def estimate() -> str:
        total, pieces = np.zeros(segments.transform), 0
        axis_hz = total
        for first in range(0, samples, PIECE):
            raw = np.fromfile(path, dtype="<i2", count=2 * PIECE, offset=4 * first)
            values = (raw.astype(np.float32) / np.float32(FULL_COUNT)).view(np.complex64)
            axis_hz, power = scipy.signal.welch(
                values,
                fs=RATE_HZ,
                window=weights,
                noverlap=segments.length - segments.hop,
                nfft=segments.transform,
                detrend=False,
                return_onesided=False,
                scaling="spectrum",
            )
            total += power * values.size
            pieces += values.size
        at_hz = axis_hz + CENTRE_HZ
        half_hz = STEP_HZ / 2
        inside = (at_hz >= request.start_hz - half_hz) & (at_hz < request.stop_hz + half_hz)
        return json.dumps(float(10 * np.log10(np.mean(total[inside] / pieces))))

    return estimate
