"""What a mixer makes of signals that are too strong: harmonics and intermodulation.

By intercept points, all levels at the mixer: P2 = 2P − SHI for a second harmonic, P1 + P2 − SHI + 6
for a second-order sum or difference, 2·P1 + P2 − 2·TOI for a third-order product, 3P − 2·TOI − 9.54
for a third harmonic (ideal cubic). Shown at the input they rise by the attenuation, like the floor.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd_sim.emissions import Tone, milliwatt
from acqd_sim.model import Model, Settings

__all__ = ["STRONGEST", "Product", "products_of"]

Float = NDArray[np.float64]

STRONGEST = 4
"""Products are made of so many of the strongest signals: 4 give 8 harmonics and 24 mixtures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """One product: its parents with their factors, e.g. (2, f1) and (−1, f2)."""

    parents: tuple[tuple[int, Tone], ...]
    peak_mw: float
    """Power shown while every parent has its mean power."""

    @property
    def frequency_hz(self) -> float:
        return abs(sum(factor * tone.frequency_hz for factor, tone in self.parents))

    @property
    def reach_hz(self) -> float:
        return sum(abs(factor) * tone.reach_hz for factor, tone in self.parents)

    @property
    def spread_hz(self) -> float:
        return math.sqrt(sum((factor * tone.spread_hz) ** 2 for factor, tone in self.parents))

    def carrier_hz(self, at_s: Float) -> Float:
        total = np.zeros_like(at_s)
        for factor, tone in self.parents:
            total += factor * tone.carrier_hz(at_s)
        return np.abs(total)

    def power_mw(self, at_s: Float) -> Float:
        power = np.full_like(at_s, self.peak_mw)
        for factor, tone in self.parents:
            power = power * tone.gain(at_s) ** abs(factor)
        return power


def products_of(
    model: Model, settings: Settings, heard: Sequence[tuple[Tone, float]], noise_mw: Float
) -> list[Product]:
    """The products in or near the span that reach within 20 dB of the noise there."""
    if not heard:
        return []
    ranked = sorted(heard, key=lambda one: -one[0].power_mw * one[1])[:STRONGEST]
    levels = [
        (tone, tone.power_dbm + 10.0 * math.log10(gain) - settings.attenuation_db)
        for tone, gain in ranked
    ]
    least_dbm = 10.0 * math.log10(float(noise_mw.min())) - 20.0
    found = []
    for parents, at_mixer_dbm in _candidates(model, levels):
        shown_dbm = at_mixer_dbm + settings.attenuation_db
        product = Product(parents=parents, peak_mw=milliwatt(shown_dbm))
        margin_hz = product.reach_hz + 4.0 * settings.rbw_hz
        in_span = (
            settings.start_hz - margin_hz <= product.frequency_hz <= settings.stop_hz + margin_hz
        )
        if shown_dbm > least_dbm and in_span:
            found.append(product)
    return found


def _candidates(
    model: Model, levels: list[tuple[Tone, float]]
) -> list[tuple[tuple[tuple[int, Tone], ...], float]]:
    made: list[tuple[tuple[tuple[int, Tone], ...], float]] = []
    for i, (one, p1) in enumerate(levels):
        made.append((((2, one),), 2.0 * p1 - model.shi_dbm))
        made.append((((3, one),), 3.0 * p1 - 2.0 * model.toi_dbm - 9.54))
        for other, p2 in levels[i + 1 :]:
            second = p1 + p2 - model.shi_dbm + 6.02
            made.append((((1, one), (1, other)), second))
            made.append((((1, one), (-1, other)), second))
            made.append((((2, one), (-1, other)), 2.0 * p1 + p2 - 2.0 * model.toi_dbm))
            made.append((((2, other), (-1, one)), 2.0 * p2 + p1 - 2.0 * model.toi_dbm))
    return made
