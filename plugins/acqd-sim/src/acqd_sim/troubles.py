"""Troubles that no answer gives away: a cable that fell off, a sweep shown again and again, an
amplifier without its supply. At hours of the scene's clock, or by order of the control port.

A trouble begins and ends between two sweeps: one that is under way is shown as it began.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from acqd_sim.devices import Amplifier, Device, Pad, Path
from acqd_sim.scene import Scene
from acqd_sim.spells import Spells

if TYPE_CHECKING:
    from acqd_sim.receiver import Hookup

__all__ = ["INPUT", "Kind", "Trouble", "in_trouble", "place_problem"]

INPUT = "input"
"""Stands for the receiver's own socket where a cable falls off."""


class Kind(StrEnum):
    """What goes wrong."""

    CABLE_OFF = "cable off"
    FROZEN = "frozen"
    NO_SUPPLY = "no supply"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One trouble and when it is there; ``spells`` None: since it was ordered.

    ``device`` is where a cable falls off, before that device of the path or at the :data:`INPUT`,
    at the aerial where None; or which amplifier has lost its supply, the path's only one where
    None. That amplifier is then a loss of ``loss_db``.
    """

    kind: Kind
    device: str | None = None
    loss_db: float = 0.0
    spells: Spells | None = field(default=None, repr=False)

    def is_on(self, at_s: float) -> bool:
        """Whether it is there at an instant of scene time."""
        return self.spells is None or bool(self.spells.gain(np.array([at_s]))[0])


def place_problem(
    trouble: Trouble, names: Sequence[str], devices: Sequence[Device]
) -> tuple[str, str] | None:
    """What is wrong with where a trouble is, and what would do; None where nothing is."""
    amplifiers = [
        name for name, one in zip(names, devices, strict=True) if isinstance(one, Amplifier)
    ]
    if trouble.kind is Kind.CABLE_OFF:
        if trouble.device is None or trouble.device in (*names, INPUT):
            return None
        return f"no device {trouble.device!r} in its path", ", ".join((*names, INPUT))
    if trouble.kind is Kind.FROZEN:
        if trouble.device is None:
            return None
        return "what freezes is the instrument itself", "no device"
    if trouble.device is None:
        if len(amplifiers) == 1:
            return None
        return f"{len(amplifiers)} amplifiers in its path", ", ".join(amplifiers) or "one of them"
    if trouble.device in amplifiers:
        return None
    return f"no amplifier {trouble.device!r} in its path", ", ".join(amplifiers) or "none is there"


def in_trouble(hookup: Hookup, troubles: Sequence[Trouble]) -> Hookup:
    """What is connected while these troubles are there."""
    devices, names = list(hookup.path.devices), list(hookup.path_names)
    if len(names) != len(devices):
        names = [""] * len(devices)
    scene = hookup.scene
    for one in troubles:
        if one.kind is Kind.NO_SUPPLY:
            at = _amplifier(one, names, devices)
            if at is not None:
                devices[at] = Pad(loss_db=one.loss_db)
    for one in troubles:
        if one.kind is Kind.CABLE_OFF:
            # What was before the place where it fell off is gone with the scene.
            scene = Scene()
            first = _first_left(one, names, len(devices))
            devices, names = devices[first:], names[first:]
    return replace(hookup, scene=scene, path=Path(devices=tuple(devices)), path_names=tuple(names))


def _amplifier(trouble: Trouble, names: list[str], devices: list[Device]) -> int | None:
    if trouble.device is not None:
        return names.index(trouble.device) if trouble.device in names else None
    found = [at for at, one in enumerate(devices) if isinstance(one, Amplifier)]
    return found[0] if len(found) == 1 else None


def _first_left(trouble: Trouble, names: list[str], count: int) -> int:
    if trouble.device is None:
        return 0
    return names.index(trouble.device) if trouble.device in names else count
