"""The shape of what every kind gives."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from acqd.measure.meter import MakePass, Meter
from acqd.sweep import Capabilities

__all__ = ["Foresee", "KindMeter", "KindParts", "no_foresight"]

Foresee = Callable[[Capabilities | None], tuple[str, ...]]
"""What can be said of a job before anything is swept, a sentence each; the sweeper's capabilities
are None where it was not asked."""


def no_foresight(_: Capabilities | None) -> tuple[str, ...]:
    """Nothing can be said."""
    return ()


class KindMeter(Meter[Any], Protocol):
    """A meter with a version, which goes up when its states or its figures mean something else."""

    @property
    def version(self) -> str: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class KindParts:
    """Meter and pass of one job."""

    meter: KindMeter
    make_pass: MakePass
    guided_pass: MakePass | None = None
    """The pass where somebody is at the bench; None where it is the same."""
    foresee: Foresee = no_foresight
    channel_keys: Mapping[str, str] = field(default_factory=dict)
    """Topic levels of the channel plan's channels, by name."""
