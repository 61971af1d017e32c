"""What the meters of passes have in common: everything but what they measure.

A pass is one or several sweeps that belong together; a sweep of step 0 begins one. A kind says when
a pass is complete and what it makes of it; here is what happens around that: setups of each step,
passes cut short, counts of the hour, checkpoints. Pure, as every meter (see
:mod:`acqd.measure.meter`).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar, Generic, TypeVar

from acqd.measure.checkpoint import dump_state, load_state
from acqd.measure.meter import (
    Event,
    GapSeen,
    HourlyFigures,
    HourTurned,
    Output,
    SetupChanged,
    SweepSeen,
)
from acqd.measure.tally import Tally, hour_figures, missed, shares, swept

__all__ = ["STEPS_MOST", "PassMeter", "PassState", "Seen"]

STEPS_MOST = 400
"""Sweeps of one pass that are held at once; a pass that asks for more is cut short."""

K = TypeVar("K")


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One sweep of a pass with the setup it was taken with."""

    setup: SetupChanged
    sweep: SweepSeen


@dataclass(frozen=True, slots=True, kw_only=True)
class PassState(Generic[K]):
    """What a meter of passes remembers. ``kind`` is the kind's own part, a frozen dataclass."""

    kind: K
    setups: tuple[SetupChanged, ...] = ()
    under_way: tuple[Seen, ...] = ()
    tally: Tally = field(default_factory=Tally)
    verdict: Mapping[str, Any] | None = None
    """The last one, for those who come later."""


class PassMeter(ABC, Generic[K]):
    """A meter of passes. Subclasses hold settings only and are pure."""

    version: ClassVar[str]
    kind_type: ClassVar[type[Any]]
    """Class of the kind's own part of the state."""

    # -- what a kind says ------------------------------------------------------------------------

    @abstractmethod
    def fresh(self) -> K:
        """The kind's part of the state before any event."""

    @abstractmethod
    def measure(self, kind: K, seen: tuple[Seen, ...], *, complete: bool) -> tuple[K, Output]:
        """What a pass brought out; ``complete`` is false where it was cut short.

        The output's summary is without the counts of the hour, which are added here.
        """

    def is_complete(self, seen: tuple[Seen, ...]) -> bool:
        """Whether ``seen`` is a whole pass. Kinds of one sweep say yes at once."""
        return True

    def on_setup(self, kind: K, event: SetupChanged) -> tuple[K, Output]:
        """Another way of sweeping. Refuse what the kind cannot measure by raising UnitMismatch."""
        return kind, Output()

    def on_gap(self, kind: K, event: GapSeen) -> tuple[K, Output]:
        return kind, Output()

    def on_hour(self, kind: K, event: HourTurned) -> tuple[K, Mapping[str, Any]]:
        """Figures of the hour beside its counts."""
        return kind, {}

    # -- the meter -------------------------------------------------------------------------------

    def start(self) -> PassState[K]:
        return PassState(kind=self.fresh())

    def dump(self, state: PassState[K]) -> bytes:
        return dump_state(self.version, state)

    def load(self, data: bytes) -> PassState[K]:
        kept = load_state(self.version, _Kept, data)
        return PassState(
            kind=load_state(self.version, self.kind_type, _of_kind(self.version, kept.kind)),
            setups=kept.setups,
            under_way=kept.under_way,
            tally=kept.tally,
            verdict=kept.verdict,
        )

    def verdict(self, state: PassState[K]) -> Mapping[str, Any] | None:
        """The last verdict, to be told again after a restart."""
        return state.verdict

    def step(self, state: PassState[K], event: Event) -> tuple[PassState[K], Output]:
        """The state after ``event`` and what it brought out.

        Raises:
            UnitMismatch: a setup in a unit that the kind cannot measure.
            ValueError: a sweep before its setup.
        """
        if isinstance(event, SweepSeen):
            return self._sweep(state, event)
        if isinstance(event, GapSeen):
            return self._gap(state, event)
        if isinstance(event, HourTurned):
            return self._hour(state, event)
        return self._setup(state, event)

    def _setup(self, state: PassState[K], event: SetupChanged) -> tuple[PassState[K], Output]:
        kind, output = state.kind, Output()
        if event.step == 0:
            kind, output = self.on_setup(kind, event)
        others = tuple(one for one in state.setups if one.step != event.step)
        return replace(state, kind=kind, setups=(*others, event)), output

    def _sweep(self, state: PassState[K], event: SweepSeen) -> tuple[PassState[K], Output]:
        setup = next((one for one in state.setups if one.step == event.step), None)
        if setup is None:
            raise ValueError("a sweep came before its setup")
        before: tuple[Output, ...] = ()
        if event.step == 0 and state.under_way:
            # A restart in the middle of a pass: what it had is all there will be.
            state, cut = self._cut_short(state)
            before = (cut,)
        seen = (*state.under_way, Seen(setup=setup, sweep=event))
        state = replace(state, tally=swept(state.tally, event))
        if event.step != 0 and not state.under_way:
            # The tail of a pass whose beginning belonged to another config.
            return state, _joined(before)
        if not self.is_complete(seen) and len(seen) < STEPS_MOST:
            return replace(state, under_way=seen), _joined(before)
        state, output = self._measured(state, seen, complete=len(seen) < STEPS_MOST)
        return state, _joined((*before, output))

    def _gap(self, state: PassState[K], event: GapSeen) -> tuple[PassState[K], Output]:
        before: tuple[Output, ...] = ()
        if state.under_way:
            state, cut = self._cut_short(state)
            before = (cut,)
        kind, output = self.on_gap(state.kind, event)
        state = replace(state, kind=kind, tally=missed(state.tally, event))
        return self._told(state, _joined((*before, output)))

    def _cut_short(self, state: PassState[K]) -> tuple[PassState[K], Output]:
        return self._measured(replace(state, under_way=()), state.under_way, complete=False)

    def _measured(
        self, state: PassState[K], seen: tuple[Seen, ...], *, complete: bool
    ) -> tuple[PassState[K], Output]:
        kind, output = self.measure(state.kind, seen, complete=complete)
        tally = state.tally
        tally = replace(
            tally, passes=tally.passes + complete, cut_short=tally.cut_short + (not complete)
        )
        if output.summary is not None:
            counts = shares(tally, seen[-1].sweep.started_s)
            output = replace(output, summary={**output.summary, **counts})
        return self._told(replace(state, kind=kind, tally=tally, under_way=()), output)

    @staticmethod
    def _told(state: PassState[K], output: Output) -> tuple[PassState[K], Output]:
        if output.verdict is not None:
            state = replace(state, verdict=output.verdict)
        return state, output

    def _hour(self, state: PassState[K], event: HourTurned) -> tuple[PassState[K], Output]:
        tally, counts = hour_figures(state.tally, event)
        kind, figures = self.on_hour(state.kind, event)
        record = HourlyFigures(hour_start_s=event.hour_start_s, figures={**counts, **figures})
        return replace(state, kind=kind, tally=tally), Output(hourly=(record,))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """A state as it is stored: the kind's part is built by who knows its class."""

    kind: Any
    setups: tuple[SetupChanged, ...]
    under_way: tuple[Seen, ...]
    tally: Tally
    verdict: Mapping[str, Any] | None


def _of_kind(version: str, plain: Any) -> bytes:
    import json

    return json.dumps({"version": version, "state": plain}).encode()


def _joined(outputs: tuple[Output, ...]) -> Output:
    """Outputs of one event as one: of figures the last that has any, findings of all."""
    if len(outputs) == 1:
        return outputs[0]
    joined = Output()
    for output in outputs:
        joined = Output(
            summary=joined.summary if output.summary is None else output.summary,
            columns=output.columns or joined.columns,
            values=output.values or joined.values,
            channels={**joined.channels, **output.channels},
            findings=(*joined.findings, *output.findings),
            hourly=(*joined.hourly, *output.hourly),
            verdict=joined.verdict if output.verdict is None else output.verdict,
            curve=joined.curve if output.curve is None else output.curve,
        )
    return joined
