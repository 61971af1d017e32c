"""A scene: all that is on the air at one aerial, and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from acqd_sim.emissions import Comb, Density, Hump, Impulses, NoiseFloor, Tone
from acqd_sim.keying import Keying

__all__ = ["Emitted", "Scene"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Emitted:
    """One stretch of one emission, as it was: what a measurement should find.

    ``frequency_hz`` is the centre at the middle of the stretch; ``power_dbm`` at the aerial's
    socket, for a ``hump`` its total power, for a ``comb`` that of its first line, for ``impulses``
    the peak in their reference bandwidth.
    """

    name: str
    kind: str
    start_s: float
    stop_s: float
    frequency_hz: float
    bandwidth_hz: float
    power_dbm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What is at one aerial's socket. An empty one is a terminated input."""

    name: str = "terminated"
    floor: NoiseFloor | None = None
    tones: tuple[Tone, ...] = ()
    humps: tuple[Hump, ...] = ()
    combs: tuple[Comb, ...] = ()
    impulses: tuple[Impulses, ...] = field(default=())

    @property
    def densities(self) -> tuple[Density, ...]:
        """All that is seen as a density of noise."""
        return (*((self.floor,) if self.floor else ()), *self.humps)

    def truth(self, start_s: float, stop_s: float) -> list[Emitted]:
        """All that was on in [start_s, stop_s), by start; the noise floor is not listed.

        Raises:
            ValueError: more than 100,000 bursts in that time.
        """
        found = [one for tone in self.tones for one in self._tone_truth(tone, start_s, stop_s)]
        for hump in self.humps:
            width_hz = hump.stop_hz - hump.start_hz
            power_dbm = hump.density_dbm_per_hz + 10.0 * float(np.log10(width_hz))
            middle_hz = (hump.start_hz + hump.stop_hz) / 2.0
            row = (hump.name, "hump", middle_hz, width_hz, power_dbm)
            found += _stretches(hump.keying, start_s, stop_s, row)
        for comb in self.combs:
            row = (comb.name, "comb", comb.fundamental_hz, comb.stop_hz, comb.power_dbm)
            found += _stretches(comb.keying, start_s, stop_s, row)
        for source in self.impulses:
            middle_hz = (source.start_hz + source.stop_hz) / 2.0
            width_hz = source.stop_hz - source.start_hz
            row = (source.name, "impulses", middle_hz, width_hz, source.peak_dbm)
            found += _stretches(source.keying, start_s, stop_s, row)
        return sorted(found, key=lambda one: (one.start_s, one.name))

    @staticmethod
    def _tone_truth(tone: Tone, start_s: float, stop_s: float) -> list[Emitted]:
        stretches = tone.keying.intervals(start_s, stop_s)
        middles_s = np.array([(on.start_s + on.stop_s) / 2.0 for on in stretches])
        power_dbm = tone.power_dbm + 10.0 * np.log10(np.maximum(tone.gain(middles_s), 1e-30))
        return [
            Emitted(
                name=tone.name,
                kind=tone.kind,
                start_s=on.start_s,
                stop_s=on.stop_s,
                frequency_hz=float(centre_hz),
                bandwidth_hz=tone.bandwidth_hz,
                power_dbm=float(power),
            )
            for on, centre_hz, power in zip(
                stretches, tone.carrier_hz(middles_s), power_dbm, strict=True
            )
        ]


def _stretches(
    keying: Keying, start_s: float, stop_s: float, row: tuple[str, str, float, float, float]
) -> list[Emitted]:
    name, kind, frequency_hz, bandwidth_hz, power_dbm = row
    return [
        Emitted(
            name=name,
            kind=kind,
            start_s=on.start_s,
            stop_s=on.stop_s,
            frequency_hz=frequency_hz,
            bandwidth_hz=bandwidth_hz,
            power_dbm=power_dbm + on.gain_db,
        )
        for on in keying.intervals(start_s, stop_s)
    ]
