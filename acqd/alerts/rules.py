"""What one rule makes of what it sees: (state, turn, now) to (state', alerts), and nothing else.

What a rule is on either *happens* (a finding, a verdict) or *lasts* (a channel is busy). What lasts
is told once it has lasted for the hold-off, again after ``repeat`` while it goes on, and that it is
over only if its beginning was told. What would be told in quiet hours is held and told at their
end, in one message; what is beyond ``at_most`` in an hour is counted, and the count told when there
is room again. States are small, bounded and plain, so that they can be kept over a restart.

Times are wall time in seconds since 1970-01-01T00:00:00Z. A clock that was set back shortens no
hold-off: what seems to be of the future counts from now.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from acqd.alerts.quiet import Quiet

__all__ = [
    "HELD_MOST",
    "SUBJECTS_MOST",
    "Alert",
    "Held",
    "Policy",
    "RuleState",
    "Spell",
    "State",
    "Turn",
    "due_s",
    "looked",
    "turned",
]

HOUR_S = 3600.0
SUBJECTS_MOST = 256
"""Of one rule: channels, jobs, sweepers. What is beyond that is not followed."""
HELD_MOST = 20
"""Lines of what quiet hours held; more are counted."""


class State(StrEnum):
    """What an alert says."""

    ALERT = "alert"
    STILL = "still"
    """It goes on."""
    CLEAR = "all clear"
    MORE = "more"
    """So many were not told one by one."""
    HELD = "held"
    """What came in quiet hours."""
    TEST = "test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """When a rule tells; what it is on stands elsewhere."""

    hold_off_s: float = 0.0
    repeat_s: float | None = None
    """None: never again."""
    quiet: Quiet | None = None
    all_clear: bool = True
    at_most: int = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """Something happened, began, or ended. ``subject`` tells apart what one rule is on."""

    subject: str
    headline: str
    """A few words, such as "channel 16 is busy"."""
    text: str
    """The sentence."""
    since_s: float
    is_on: bool = True
    is_known: bool = True
    """False: nobody can say any more whether it goes on."""
    is_new: bool = False
    """It begins anew: one that began before has ended, though nobody was told."""
    lasts: bool = True
    facts: Mapping[str, str] = field(default_factory=dict)
    """``job``, ``channel``, ``sweeper``, ``what``: those that there are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """Something that somebody is to be told."""

    state: State
    headline: str
    text: str
    at_s: float
    since_s: float
    facts: Mapping[str, str] = field(default_factory=dict)
    count: int = 1
    """How many things it tells of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """Something that lasts. ``told_s``: when that was told last; None while it is held off."""

    since_s: float
    headline: str
    text: str
    facts: Mapping[str, str] = field(default_factory=dict)
    told_s: float | None = None
    counted: bool = False
    """It was one of those that were only counted: its end is not told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A line that waits for the end of quiet hours."""

    at_s: float
    line: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleState:
    """All that one rule remembers."""

    spells: Mapping[str, Spell] = field(default_factory=dict)
    told_s: tuple[float, ...] = ()
    """When it told something within the last hour; at most ``at_most`` times."""
    more: int = 0
    """How many were not told since."""
    more_since_s: float = 0.0
    more_last: str = ""
    held: tuple[Held, ...] = ()
    held_more: int = 0
    last_s: float | None = None
    """When it last told anything, for people."""


Step = tuple[RuleState, tuple[Alert, ...]]


def turned(policy: Policy, state: RuleState, turn: Turn, now_s: float) -> Step:
    """The state after something was seen, and what is to be told at once."""
    if not turn.lasts:
        return _tell(policy, state, _alert_of(turn, now_s), now_s)[:2]
    spell = state.spells.get(turn.subject)
    if turn.is_known and turn.is_on:
        if spell is not None and not (turn.is_new and turn.since_s > spell.since_s):
            return state, ()
        if spell is None and len(state.spells) >= SUBJECTS_MOST:
            return state, ()
        began = Spell(
            since_s=min(turn.since_s, now_s),
            headline=turn.headline,
            text=turn.text,
            facts=turn.facts,
        )
        state = replace(state, spells={**state.spells, turn.subject: began})
        return _told_spell(policy, state, turn.subject, now_s)
    if spell is None or (spell.told_s is not None and not turn.is_known):
        # What was told goes on, as far as anybody knows; what is held off may be over by now.
        return state, ()
    spells = {key: one for key, one in state.spells.items() if key != turn.subject}
    state = replace(state, spells=spells)
    if spell.told_s is None or spell.counted or not policy.all_clear:
        return state, ()
    clear = replace(_alert_of(turn, now_s), state=State.CLEAR, since_s=spell.since_s)
    return _tell(policy, state, clear, now_s, free=True)[:2]


def looked(policy: Policy, state: RuleState, now_s: float) -> Step:
    """The state as time passes: what was held off long enough, repeats, and what was held."""
    told: list[Alert] = []
    state = replace(state, told_s=_of_the_hour(state.told_s, now_s))
    if (state.held or state.held_more) and not _is_quiet(policy, now_s):
        state, alert = _held_told(state, now_s)
        told.append(alert)
    if state.more and not _is_quiet(policy, now_s) and len(state.told_s) < policy.at_most:
        state, alert = _more_told(state, now_s)
        told.append(alert)
    for subject in list(state.spells):
        state, alerts = _told_spell(policy, state, subject, now_s)
        told += alerts
    return state, tuple(told)


def due_s(policy: Policy, state: RuleState) -> float | None:
    """When :func:`looked` next has something to say, at the earliest; None while nothing waits."""
    times = []
    for spell in state.spells.values():
        if spell.told_s is None:
            times.append(spell.since_s + policy.hold_off_s)
        elif policy.repeat_s is not None and not spell.counted:
            times.append(spell.told_s + policy.repeat_s)
    if state.held or state.held_more:
        last_s = state.held[-1].at_s if state.held else state.more_since_s
        ends_s = None if policy.quiet is None else policy.quiet.ends_s(last_s)
        times.append(last_s if ends_s is None else ends_s)
    if state.more:
        full = len(state.told_s) >= policy.at_most
        times.append(state.told_s[0] + HOUR_S if full else state.more_since_s)
    return min(times, default=None)


def _told_spell(policy: Policy, state: RuleState, subject: str, now_s: float) -> Step:
    """Tell of something that lasts, where it has lasted long enough, or repeat it."""
    spell = state.spells[subject]
    if spell.since_s > now_s or (spell.told_s is not None and spell.told_s > now_s):
        # The clock was set back.
        spell = replace(
            spell,
            since_s=min(spell.since_s, now_s),
            told_s=None if spell.told_s is None else min(spell.told_s, now_s),
        )
        state = _with(state, subject, spell)
    if spell.told_s is None:
        if now_s - spell.since_s < policy.hold_off_s:
            return state, ()
        kind = State.ALERT
    elif (
        policy.repeat_s is None
        or spell.counted
        or now_s - spell.told_s < policy.repeat_s
        or _is_quiet(policy, now_s)
    ):
        return state, ()
    else:
        kind = State.STILL
    alert = Alert(
        state=kind,
        headline=spell.headline,
        text=spell.text,
        at_s=now_s,
        since_s=spell.since_s,
        facts=spell.facts,
    )
    state, alerts, counted = _tell(policy, state, alert, now_s)
    # Its beginning was told: only a repeat has no room.
    counted = counted and kind is State.ALERT
    return _with(state, subject, replace(spell, told_s=now_s, counted=counted)), alerts


def _with(state: RuleState, subject: str, spell: Spell) -> RuleState:
    return replace(state, spells={**state.spells, subject: spell})


def _tell(
    policy: Policy, state: RuleState, alert: Alert, now_s: float, *, free: bool = False
) -> tuple[RuleState, tuple[Alert, ...], bool]:
    """Tell it now, hold it over quiet hours, or count it; and whether it was only counted.

    ``free``: an all-clear, of which there are no more than alerts were told.
    """
    if _is_quiet(policy, now_s):
        if len(state.held) >= HELD_MOST:
            return replace(state, held_more=state.held_more + 1), (), True
        held = Held(at_s=now_s, line=_line(alert))
        return replace(state, held=(*state.held, held)), (), False
    told_s = _of_the_hour(state.told_s, now_s)
    if free:
        return replace(state, told_s=told_s, last_s=now_s), (alert,), False
    if len(told_s) >= policy.at_most:
        if alert.state is State.STILL:
            return state, (), True
        state = replace(
            state,
            told_s=told_s,
            more=state.more + 1,
            more_since_s=state.more_since_s if state.more else now_s,
            more_last=alert.text,
        )
        return state, (), True
    return replace(state, told_s=(*told_s, now_s), last_s=now_s), (alert,), False


def _line(alert: Alert) -> str:
    over = "over: " if alert.state is State.CLEAR else ""
    return f"{over}{alert.text}"


def _held_told(state: RuleState, now_s: float) -> tuple[RuleState, Alert]:
    """One alert of what quiet hours held; its lines stand in its text, each with its time."""
    count = len(state.held) + state.held_more
    first_s = state.held[0].at_s if state.held else now_s
    lines = [f"{one.at_s:.0f}\t{one.line}" for one in state.held]
    if state.held_more:
        lines.append(f"\tand {state.held_more} more")
    alert = Alert(
        state=State.HELD,
        headline="in quiet hours",
        text="\n".join(lines),
        at_s=now_s,
        since_s=first_s,
        count=count,
    )
    return replace(state, held=(), held_more=0, last_s=now_s), alert


def _more_told(state: RuleState, now_s: float) -> tuple[RuleState, Alert]:
    alert = Alert(
        state=State.MORE,
        headline=f"and {state.more} more",
        text=f"and {state.more} more; the last: {state.more_last}",
        at_s=now_s,
        since_s=min(state.more_since_s, now_s),
        count=state.more,
    )
    told_s = (*state.told_s, now_s)
    state = replace(state, more=0, more_since_s=0.0, more_last="", told_s=told_s, last_s=now_s)
    return state, alert


def _alert_of(turn: Turn, now_s: float) -> Alert:
    return Alert(
        state=State.ALERT,
        headline=turn.headline,
        text=turn.text,
        at_s=now_s,
        since_s=min(turn.since_s, now_s),
        facts=turn.facts,
    )


def _is_quiet(policy: Policy, now_s: float) -> bool:
    return policy.quiet is not None and policy.quiet.ends_s(now_s) is not None


def _of_the_hour(told_s: tuple[float, ...], now_s: float) -> tuple[float, ...]:
    return tuple(one for one in told_s if now_s - HOUR_S < one <= now_s)
