"""The estimate against scipy's, against published figures of windows, and against what is known of
sines and noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from acqd_iq.datatypes import Samples
from acqd_iq.welch import Bins, Cells, Segments, estimate, spectra
from acqd_iq.windows import WINDOWS

from acqd.sweep import Detector

RATE_HZ = 1e6
CENTRE_HZ = 156.8e6


def noise(count: int, *, is_complex: bool = True, seed: int = 5) -> Samples:
    """Gaussian noise with mean power 2·0.01² (complex) or 0.01² (real), float64."""
    rng = np.random.default_rng(seed)
    real = 0.01 * rng.standard_normal(count)
    return real + 1j * 0.01 * rng.standard_normal(count) if is_complex else real


def cut(name: str, length: int = 1000, *, count: int = 12, pad: int = 1) -> Segments:
    window = WINDOWS[name]
    hop = round(length * (1 - window.overlap))
    return Segments(window=window, length=length, hop=hop, count=count, pad=pad)


def swept(
    samples: Samples,
    segments: Segments,
    frequency_hz: np.ndarray,
    detector: Detector,
    *,
    is_complex: bool = True,
    bins: Bins | None = None,
    centre_hz: float = CENTRE_HZ,
) -> np.ndarray:
    """Levels in dBFS at an even axis."""
    if bins is None:
        bins = Bins.of(segments, centre_hz=centre_hz, rate_hz=RATE_HZ, is_complex=is_complex)
    step_hz = float(frequency_hz[1] - frequency_hz[0])
    cells = Cells.of(slice(0, frequency_hz.size), frequency_hz, step_hz, bins)

    def read(first: int, count: int) -> Samples:
        assert first + count <= samples.size
        return samples[first : first + count]

    return estimate(read, segments, bins, [cells], detector)[0]


@pytest.mark.parametrize("pad", [1, 3])
@pytest.mark.parametrize("name", list(WINDOWS))
@pytest.mark.parametrize("is_complex", [True, False], ids=["complex", "real"])
def test_the_mean_of_segments_is_that_of_scipy(name: str, is_complex: bool, pad: int) -> None:
    """scipy.signal.welch on the same samples, spectrum scaling: the same to rounding."""
    segments = cut(name, pad=pad)
    samples = noise(segments.spanned, is_complex=is_complex) + 0.3
    bins = Bins.of(segments, centre_hz=0.0, rate_hz=RATE_HZ, is_complex=is_complex)
    terms = WINDOWS[name].terms
    theirs = scipy.signal.get_window(("general_cosine", terms), segments.length, fftbins=True)
    axis_hz, power = scipy.signal.welch(
        samples,
        RATE_HZ,
        window=theirs,
        nperseg=segments.length,
        noverlap=segments.length - segments.hop,
        nfft=segments.transform,
        detrend=False,
        return_onesided=not is_complex,
        scaling="spectrum",
    )
    if is_complex:
        axis_hz, power = np.fft.fftshift(axis_hz), np.fft.fftshift(power)
    # Ours is over a full-scale sine, whose power is 1/2 where samples are real.
    ours = spectra(samples, segments, bins).mean(axis=0) * (1.0 if is_complex else 0.5)
    np.testing.assert_allclose(bins.frequency_hz, axis_hz, atol=1e-6)
    np.testing.assert_allclose(ours, power, rtol=1e-9)


def test_density_is_that_of_scipy() -> None:
    """Power over the noise bandwidth that we report is scipy's density scaling."""
    segments = cut("nuttall")
    samples = noise(segments.spanned)
    bins = Bins.of(segments, centre_hz=0.0, rate_hz=RATE_HZ, is_complex=True)
    ours = spectra(samples, segments, bins).mean(axis=0) / segments.enbw_hz(RATE_HZ)
    _, density = scipy.signal.welch(
        samples,
        RATE_HZ,
        window=("general_cosine", WINDOWS["nuttall"].terms),
        nperseg=segments.length,
        noverlap=segments.length - segments.hop,
        detrend=False,
        return_onesided=False,
        scaling="density",
    )
    np.testing.assert_allclose(ours, np.fft.fftshift(density), rtol=1e-9)


@pytest.mark.parametrize(
    ("name", "enbw_bins", "scalloping_db", "tolerance_db"),
    [
        # Harris 1978, table 1, and Heinzel 2002, tables in appendix C and D; both from memory.
        ("rectangular", 1.0, -3.9224, 1e-3),
        ("hann", 1.5, -1.4236, 1e-3),
        ("blackman-harris", 2.0044, -0.8256, 1e-3),
        ("nuttall", 1.9761, -0.8506, 1e-3),
        ("flat-top", 3.8112, 0.0, 0.0044),
    ],
)
def test_windows_are_the_published_ones(
    name: str, enbw_bins: float, scalloping_db: float, tolerance_db: float
) -> None:
    """Noise bandwidth and scalloping loss, worked out from the coefficients and from samples."""
    window = WINDOWS[name]
    weights = window.weights(4096)
    assert window.enbw_bins == pytest.approx(enbw_bins, abs=1e-4)
    assert 4096 * (weights**2).sum() / weights.sum() ** 2 == pytest.approx(enbw_bins, abs=1e-4)
    assert window.scalloping_db() == pytest.approx(scalloping_db, abs=tolerance_db)
    half_bin = np.exp(-1j * np.pi * np.arange(4096) / 4096)
    measured_db = 20 * np.log10(abs((weights * half_bin).sum()) / weights.sum())
    assert window.scalloping_db() == pytest.approx(measured_db, abs=1e-3)


@pytest.mark.parametrize("name", list(WINDOWS))
@pytest.mark.parametrize("is_complex", [True, False], ids=["complex", "real"])
def test_a_sine_reads_its_level(name: str, is_complex: bool) -> None:
    """Within 0.01 dB on a bin, and between bins within the window's scalloping of the padding."""
    segments = cut(name, 1000, count=4, pad=2)
    number = np.arange(segments.spanned)
    lowest_db = min(0.0, WINDOWS[name].scalloping_db(2)) - 0.01
    for away_bins, low_db in ((0.0, -0.01), (0.25, lowest_db), (0.13, lowest_db)):
        at_hz = 120e3 + away_bins * 1000.0
        turn = 2 * np.pi * at_hz / RATE_HZ * number + 0.4
        samples = 0.1 * (np.exp(1j * turn) if is_complex else np.sin(turn))
        axis_hz = CENTRE_HZ + 100e3 + 500.0 * np.arange(81)
        level = swept(samples, segments, axis_hz, Detector.POSITIVE, is_complex=is_complex)
        assert low_db <= level.max() + 20.0 <= 0.01
        assert abs(axis_hz[level.argmax()] - CENTRE_HZ - at_hz) <= 500.0


@pytest.mark.parametrize("step_hz", [250.0, 1000.0, 12_345.0], ids=["oversampled", "one", "many"])
@pytest.mark.parametrize("name", ["hann", "blackman-harris", "flat-top"])
def test_noise_power_is_conserved(name: str, step_hz: float) -> None:
    """Σ level · step / noise bandwidth over the whole rate is the power of the samples."""
    segments = cut(name, 1000, count=200, pad=4)
    samples = noise(segments.spanned)
    points = int(RATE_HZ / step_hz)
    axis_hz = CENTRE_HZ - RATE_HZ / 2 + step_hz * (np.arange(points) + 0.5)
    level = swept(samples, segments, axis_hz, Detector.RMS)
    total = (10 ** (level / 10)).sum() * step_hz / segments.enbw_hz(RATE_HZ)
    whole = total * RATE_HZ / (points * step_hz)
    assert 10 * np.log10(whole / np.mean(np.abs(samples) ** 2)) == pytest.approx(0.0, abs=0.03)


def test_a_line_in_a_band_sums_to_its_power() -> None:
    """The summed points of a lone line, divided by the noise bandwidth, are its power."""
    segments = cut("blackman-harris", 1000, count=3, pad=4)
    number = np.arange(segments.spanned)
    samples = 0.1 * np.exp(2j * np.pi * 0.0513 * number)
    axis_hz = CENTRE_HZ + 30e3 + 250.0 * np.arange(200)
    level = swept(samples, segments, axis_hz, Detector.RMS)
    total = (10 ** (level / 10)).sum() * 250.0 / segments.enbw_hz(RATE_HZ)
    assert 10 * np.log10(total) == pytest.approx(-20.0, abs=0.001)


def test_detectors_on_noise() -> None:
    """Against power averaged alone: average 2.51 dB below, positive above, negative below."""
    segments = cut("hann", 500, count=400)
    samples = noise(segments.spanned)
    axis_hz = CENTRE_HZ - 200e3 + 10e3 * np.arange(41)
    level = {each: swept(samples, segments, axis_hz, each) for each in Detector}
    mean = {each: 10 * np.log10(np.mean(10 ** (one / 10))) for each, one in level.items()}
    assert np.mean(level[Detector.AVERAGE]) - mean[Detector.RMS] == pytest.approx(-2.507, abs=0.05)
    assert (level[Detector.POSITIVE] > level[Detector.RMS] + 5).all()
    assert (level[Detector.NEGATIVE] < level[Detector.AVERAGE] - 5).all()
    assert mean[Detector.SAMPLE] == pytest.approx(mean[Detector.RMS], abs=2.0)


@pytest.mark.parametrize("detector", list(Detector))
def test_detectors_are_what_they_are_said_to_be(detector: Detector) -> None:
    """Each against a plain loop over cells, in several blocks of segments."""
    segments = cut("hann", 64, count=9, pad=2)
    samples = noise(segments.spanned)
    bins = Bins.of(segments, centre_hz=0.0, rate_hz=64.0, is_complex=True)
    axis_hz = np.array([-20.0, -17.0, -14.0, -11.0])
    cells = Cells.of(slice(0, 4), axis_hz, 3.0, bins)
    power = spectra(samples, segments, bins)
    expected = []
    for at_hz in axis_hz:
        inside = (bins.frequency_hz >= at_hz - 1.5) & (bins.frequency_hz < at_hz + 1.5)
        mine = power[:, inside]
        expected.append(
            {
                Detector.RMS: 10 * np.log10(mine.mean()),
                Detector.POSITIVE: 10 * np.log10(mine.max()),
                Detector.NEGATIVE: 10 * np.log10(mine.min()),
                Detector.AVERAGE: (10 * np.log10(mine)).mean(),
                Detector.SAMPLE: 10
                * np.log10(power[-1, np.abs(bins.frequency_hz - at_hz).argmin()]),
            }[detector]
        )

    def read(first: int, count: int) -> Samples:
        return samples[first : first + count]

    found = estimate(read, segments, bins, [cells], detector)[0]
    np.testing.assert_allclose(found, expected, atol=1e-9)


def test_blocks_of_segments_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """One segment at a time gives what all at once give."""
    segments = cut("hann", 500, count=23)
    samples = noise(segments.spanned)
    axis_hz = CENTRE_HZ - 200e3 + 10e3 * np.arange(41)
    for detector in Detector:
        whole = swept(samples, segments, axis_hz, detector)
        with monkeypatch.context() as patch:
            patch.setattr("acqd_iq.welch.BLOCK_SAMPLES", 1)
            single = swept(samples, segments, axis_hz, detector)
        np.testing.assert_allclose(single, whole, atol=1e-9)


@pytest.mark.parametrize("detector", [Detector.RMS, Detector.POSITIVE])
def test_averages_are_sweeps_one_after_the_other(detector: Detector) -> None:
    """Mean of powers for rms, of dB for the others, each group on its own samples."""
    one = cut("hann", 500, count=3)
    many = replace(one, groups=4, group_samples=one.spanned + 100)
    samples = noise(many.samples)
    axis_hz = CENTRE_HZ - 200e3 + 10e3 * np.arange(41)
    found = swept(samples, many, axis_hz, detector)
    size = one.spanned + 100
    each = [swept(samples[n * size :], one, axis_hz, detector) for n in range(4)]
    if detector is Detector.RMS:
        expected = 10 * np.log10(np.mean([10 ** (level / 10) for level in each], axis=0))
    else:
        expected = np.mean(each, axis=0)
    np.testing.assert_allclose(found, expected, atol=1e-9)


def test_nothing_but_zeros_reads_the_least_level() -> None:
    """No infinity and no warning comes of silence."""
    segments = cut("hann", 500, count=3)
    axis_hz = CENTRE_HZ - 200e3 + 10e3 * np.arange(41)
    for detector in Detector:
        level = swept(np.zeros(segments.spanned, complex), segments, axis_hz, detector)
        assert (level == -200.0).all()
