"""A kind's meter with an ear for a frozen sweeper: the only deafness that every kind can notice.

The kind's meter is fed every event as it would be alone. Sweeps of step 0, those that are due, are
compared with the ones before; what they say goes out as findings beside the kind's own. What the
kind makes of the flag REPEATED is its own matter: all of them leave such sweeps out.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from acqd.measure.checkpoint import dump_state, load_state
from acqd.measure.deafness import (
    Bits,
    Cause,
    Deaf,
    bits_seen,
    deaf_finding,
    frozen_text,
    hears_again_finding,
    is_frozen,
    is_thawed,
)
from acqd.measure.meter import Event, FindingDraft, Output, SetupChanged, SweepSeen
from acqd.measure.soak_meter import InnerMeter

__all__ = ["HearingMeter", "HearingState"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HearingState:
    """The kind's state, and what the levels of its sweeps were."""

    inner: Any
    bits: Bits = field(default_factory=Bits)
    deaf: Deaf | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    inner: str
    bits: Bits
    deaf: Deaf | None


@dataclass(frozen=True)
class HearingMeter:
    """A kind's meter with an ear for a frozen sweeper. Pure, as every meter."""

    inner: InnerMeter

    @property
    def version(self) -> str:
        return f"{self.inner.version} hearing/1"

    @property
    def figures(self) -> Mapping[str, str]:
        """Units of the figures that the kind names; empty where it names none."""
        found: Mapping[str, str] = getattr(self.inner, "figures", {})
        return found

    @property
    def settings(self) -> Any:
        """What the kind's meter is told."""
        return getattr(self.inner, "settings", None)

    def start(self) -> HearingState:
        return HearingState(inner=self.inner.start())

    def dump(self, state: HearingState) -> bytes:
        inner = base64.b64encode(self.inner.dump(state.inner)).decode("ascii")
        return dump_state(self.version, _Kept(inner=inner, bits=state.bits, deaf=state.deaf))

    def load(self, data: bytes) -> HearingState:
        kept = load_state(self.version, _Kept, data)
        inner = self.inner.load(base64.b64decode(kept.inner))
        return HearingState(inner=inner, bits=kept.bits, deaf=kept.deaf)

    def verdict(self, state: HearingState) -> Mapping[str, Any] | None:
        """The kind's last verdict."""
        of_kind = getattr(self.inner, "verdict", None)
        found: Mapping[str, Any] | None = None if of_kind is None else of_kind(state.inner)
        return found

    def channel_states(self, state: HearingState) -> Mapping[str, Mapping[str, Any]]:
        """Those of the kind, where it knows channels."""
        of_kind = getattr(self.inner, "channel_states", None)
        found: Mapping[str, Mapping[str, Any]] = {} if of_kind is None else of_kind(state.inner)
        return found

    def deaf(self, state: HearingState) -> Deaf | None:
        """The deafness under way."""
        return state.deaf

    def step(self, state: HearingState, event: Event) -> tuple[HearingState, Output]:
        """The state after ``event``; raises what the kind's meter raises."""
        inner, output = self.inner.step(state.inner, event)
        state = replace(state, inner=inner)
        findings: tuple[FindingDraft, ...] = ()
        if isinstance(event, SweepSeen) and event.step == 0:
            state, findings = _swept(state, event)
        elif isinstance(event, SetupChanged) and event.step == 0:
            state, findings = _set_up(state, event)
        if findings:
            output = replace(output, findings=(*output.findings, *findings))
        return state, output


def _swept(state: HearingState, event: SweepSeen) -> tuple[HearingState, tuple[FindingDraft, ...]]:
    state = replace(state, bits=bits_seen(state.bits, event))
    bits, deaf = state.bits, state.deaf
    if deaf is not None:
        if not is_thawed(bits):
            return state, ()
        told = hears_again_finding(
            deaf, event.started_s, "the levels are new ones again", event.seq
        )
        return replace(state, deaf=None), (told,)
    if not is_frozen(bits, event.started_s):
        return state, ()
    deaf = Deaf(
        cause=Cause.FROZEN,
        from_s=bits.new_s,
        noticed_s=event.started_s,
        why=frozen_text(bits.run),
    )
    return replace(state, deaf=deaf), (deaf_finding(deaf, event, repeated=bits.run),)


def _set_up(
    state: HearingState, event: SetupChanged
) -> tuple[HearingState, tuple[FindingDraft, ...]]:
    """Another way of sweeping: what the levels were has nothing to do with it."""
    deaf = state.deaf
    state = replace(state, bits=Bits(), deaf=None)
    if deaf is None:
        return state, ()
    how = "it is swept another way now, and whether anything is heard is judged anew"
    return state, (hears_again_finding(deaf, event.at_s, how, None),)
