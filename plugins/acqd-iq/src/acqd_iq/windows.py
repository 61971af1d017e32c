"""Windows: weighted sums of cosines, in the periodic form that a transform wants.

A window of length N is Σ aₘ(−1)^m cos(2πmn/N), n = 0 … N − 1. Its equivalent noise bandwidth in
bins is N·Σw²/(Σw)² = 1 + Σ aₘ²/(2a₀²) over m ≥ 1.

Sources of the coefficients: hann and blackman-harris (four terms, −92 dB) F. J. Harris, "On the use
of windows for harmonic analysis with the discrete Fourier transform", Proc. IEEE 66, 1978;
nuttall (four terms, −98 dB) A. H. Nuttall, IEEE Trans. ASSP 29, 1981; flat-top is HFT95 of
G. Heinzel, A. Rüdiger and R. Schilling, "Spectrum and spectral density estimation by the DFT",
2002, whose overlaps are the defaults too. All from memory; tests hold what follows from them
against the noise bandwidths and scalloping losses that are published there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["WINDOWS", "Window"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A window by its cosine coefficients a₀, a₁, …"""

    name: str
    terms: tuple[float, ...]
    overlap: float
    """Share of a segment that the next one repeats unless told otherwise."""

    @property
    def enbw_bins(self) -> float:
        """Equivalent noise bandwidth in bins of rate / N."""
        first, *rest = self.terms
        return 1.0 + sum(term**2 for term in rest) / (2.0 * first**2)

    @property
    def half_lobe_bins(self) -> int:
        """From the middle of the main lobe to its first zero."""
        return len(self.terms)

    def weights(self, length: int) -> Float:
        """The window of ``length`` samples, float64, read-only."""
        return _weights(self.terms, length)

    def scalloping_db(self, pad: int = 1) -> float:
        """How much a line halfway between two bins reads low (≤ 0), bins ``pad`` times as dense."""
        off = 1.0 / (2.0 * pad)
        # Each cosine term is a pair of kernels ±m bins away. A shift by m bins turns the kernel's
        # phase by m half turns, which undoes the sign of the term, so all of them add up.
        total = self.terms[0] * np.sinc(off)
        for number, term in enumerate(self.terms[1:], start=1):
            total += term / 2.0 * (np.sinc(off - number) + np.sinc(off + number))
        return float(20.0 * np.log10(abs(total) / self.terms[0]))


@lru_cache(maxsize=8)
def _weights(terms: tuple[float, ...], length: int) -> Float:
    turn = 2.0 * np.pi * np.arange(length) / length
    total = np.full(length, terms[0])
    for number, term in enumerate(terms[1:], start=1):
        total += (-1.0 if number % 2 else 1.0) * term * np.cos(number * turn)
    total.flags.writeable = False
    return total


WINDOWS = {
    window.name: window
    for window in (
        Window(name="rectangular", terms=(1.0,), overlap=0.0),
        Window(name="hann", terms=(0.5, 0.5), overlap=0.5),
        Window(name="blackman-harris", terms=(0.35875, 0.48829, 0.14128, 0.01168), overlap=0.66),
        Window(name="nuttall", terms=(0.3635819, 0.4891775, 0.1365995, 0.0106411), overlap=0.66),
        Window(
            name="flat-top",
            terms=(1.0, 1.9383379, 1.3045202, 0.4028270, 0.0350665),
            overlap=0.75,
        ),
    )
}
