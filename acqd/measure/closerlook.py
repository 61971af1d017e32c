"""Closer looks: from the sweeps of one look to its finding. (state, seen) to (state', findings).

A look's sweeps are of the job's archive and not of its figures: no meter is told of them. What they
show is told in one finding, ``looked_closer``, with the number of the finding that they follow.
Whether a look is whole is known from its sweeps alone, so that a replay comes to the same: it is
when the last of them is there, and it is over without being whole when any other sweep of the job
comes first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acqd.measure.checkpoint import dump_state, load_state
from acqd.measure.closerlook_figures import Shown, attenuation_shown, line_shown, time_shown
from acqd.measure.closerlook_settings import (
    LOOK_STEP,
    STEPS_A_LOOK,
    Follows,
    LookKind,
    LookSettings,
)
from acqd.measure.meter import Figure, FindingDraft, SetupChanged, SweepSeen
from acqd.measure.trust import spoilt_by
from acqd.sweep import SweepFlag

__all__ = ["CloserLooks", "LookSeen", "LookState"]

VERSION = "closerlook-1"


@dataclass(frozen=True, slots=True, kw_only=True)
class LookSeen:
    """One sweep of a look. ``pass_id`` is the number of its first sweep."""

    follows: Follows
    pass_id: int
    setup: SetupChanged
    sweep: SweepSeen


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What a look remembers of one of its sweeps."""

    setup: SetupChanged
    seq: int
    step: int
    started_s: float
    took_s: float
    flags: int
    level: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LookState:
    """A look of which sweeps have come and more are to come."""

    pass_id: int
    follows: Follows
    kept: tuple[Kept, ...]


@dataclass(frozen=True, slots=True)
class CloserLooks:
    """The looks of one job, in the order of its config."""

    looks: tuple[LookSettings, ...]

    def step(
        self, state: LookState | None, seen: LookSeen
    ) -> tuple[LookState | None, tuple[FindingDraft, ...]]:
        """The state after one sweep of a look, and what is to be told."""
        told: tuple[FindingDraft, ...] = ()
        if state is not None and state.pass_id != seen.pass_id:
            told = self.ended(state)
            state = None
        look = self._look(seen.sweep.step)
        if look is None:
            return None, told
        before = () if state is None else state.kept
        state = LookState(pass_id=seen.pass_id, follows=seen.follows, kept=(*before, _kept(seen)))
        if len(state.kept) < look.count:
            return state, told
        return None, (*told, _finding(look, state))

    def ended(self, state: LookState) -> tuple[FindingDraft, ...]:
        """What is told of a look that was cut short."""
        look = self._look(state.kept[0].step)
        return () if look is None else (_finding(look, state),)

    def _look(self, step: int) -> LookSettings | None:
        at = (step - LOOK_STEP) // STEPS_A_LOOK
        return self.looks[at] if at < len(self.looks) else None

    @staticmethod
    def dump(state: LookState) -> bytes:
        """``state`` as bytes that :meth:`load` turns back, bit for bit."""
        return dump_state(VERSION, state)

    @staticmethod
    def load(data: bytes) -> LookState:
        """The state that :meth:`dump` made ``data`` from.

        Raises:
            ValueError: the bytes are none.
        """
        return load_state(VERSION, LookState, data)


def _kept(seen: LookSeen) -> Kept:
    sweep = seen.sweep
    return Kept(
        setup=seen.setup,
        seq=sweep.seq,
        step=sweep.step,
        started_s=sweep.started_s,
        took_s=sweep.took_s,
        flags=int(sweep.flags),
        level=np.asarray(sweep.level, dtype=np.float64),
    )


def _finding(look: LookSettings, state: LookState) -> FindingDraft:
    first, last, follows = state.kept[0], state.kept[-1], state.follows
    figures: dict[str, Figure] = {
        "finding": follows.number,
        "look": look.look.value,
        "first_seq": first.seq,
        "last_seq": last.seq,
        "sweeps": len(state.kept),
        "asked": look.count,
        "passed_over": follows.passed_over,
        "unit": first.setup.unit.value,
        "rbw_hz": last.setup.rbw_hz,
        "start_hz": float(last.setup.grid.frequency_hz[0]),
        "stop_hz": float(last.setup.grid.frequency_hz[-1]),
    }
    shown = _shown(look, state)
    text = f"looked closer at finding {follows.number} ({look.look.value}): {shown.text}"
    if len(state.kept) < look.count:
        text += f"; cut short after {len(state.kept)} of {look.count} sweeps"
    if follows.passed_over:
        many = f"{follows.passed_over} findings" if follows.passed_over > 1 else "one finding"
        text += f"; {many} before it got no such look"
    return FindingDraft(
        what="looked_closer",
        at_s=first.started_s,
        text=text,
        seq=last.seq,
        figures={**figures, **shown.figures},
    )


def _shown(look: LookSettings, state: LookState) -> Shown:
    """What the sweeps that can be trusted show; why not, where none can."""
    if not state.kept[0].setup.unit.is_logarithmic:
        return Shown(text="its levels are no decibels, and nothing is worked out", figures={})
    good = [one for one in state.kept if spoilt_by(SweepFlag(one.flags)) is None]
    spoilt = len(state.kept) - len(good)
    figures: dict[str, Figure] = {"spoilt": spoilt} if spoilt else {}
    # A sweeper that changed its grid or its settings in between makes another setup.
    good = [one for one in good if one.setup.setup == _last_of(good, one.step).setup.setup]
    if not good:
        return Shown(text=f"nothing of it counts: {_why(state.kept)}", figures=figures)
    shown = _measured(look, state.follows, good)
    return replace(shown, figures={**shown.figures, **figures})


def _last_of(kept: Sequence[Kept], step: int) -> Kept:
    return [one for one in kept if one.step == step][-1]


def _why(kept: Sequence[Kept]) -> str:
    return next(why for one in kept if (why := spoilt_by(SweepFlag(one.flags))) is not None)


def _measured(look: LookSettings, follows: Follows, good: Sequence[Kept]) -> Shown:
    levels = [one.level for one in good]
    last = good[-1]
    if look.look is LookKind.ZERO:
        return time_shown(follows, last.setup, levels, [one.took_s for one in good])
    if look.look is not LookKind.HARDER:
        return line_shown(
            look, follows, last.setup, levels, started_s=good[0].started_s, took_s=last.took_s
        )
    first = [one for one in good if one.step % STEPS_A_LOOK == 0]
    second = [one for one in good if one.step % STEPS_A_LOOK == 1]
    if not first or not second:
        return Shown(text="it was not swept with both attenuations", figures={})
    before, after = first[-1].setup.attenuation_db, second[-1].setup.attenuation_db
    if before is None or after is None or not after > before:
        return Shown(text="the sweeper did not take more attenuation", figures={})
    return attenuation_shown(
        follows,
        first[-1].setup,
        [one.level for one in first],
        [one.level for one in second],
        added_db=after - before,
    )
