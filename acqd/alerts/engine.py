"""All rules of a station: what it notices goes in, what somebody is to be told comes out.

It asks no clock and touches no disk: who holds it gives the time, keeps the states, and hands on
the messages. What it was told of a finding once it does not take again, by the finding's number.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from acqd.alerts.news import (
    ChannelNews,
    FindingNews,
    HealthNews,
    JobNews,
    News,
    PassNews,
    SweeperNews,
    VerdictNews,
)
from acqd.alerts.rules import Alert, Policy, RuleState, due_s, looked, turned
from acqd.alerts.watches import Watch, WatchState, saw
from acqd.alerts.wording import Message, Voice, merged, message_of
from acqd.measure.checkpoint import dump_state, load_state

__all__ = ["Engine", "Kept", "Rule"]

VERSION = "alerts/1"

CONCERNS: Mapping[str, tuple[type[News], ...]] = {
    "finding": (FindingNews,),
    "verdict": (VerdictNews,),
    "channel busy": (ChannelNews,),
    "carrier present": (ChannelNews, PassNews, JobNews, FindingNews),
    "carrier absent": (ChannelNews, PassNews, JobNews, FindingNews),
    "floor up": (PassNews, FindingNews),
    "deaf": (JobNews, FindingNews),
    "sweeper lost": (SweeperNews,),
    "disk": (HealthNews, FindingNews),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One ``[alert.NAME]``, ready to work."""

    name: str
    watch: Watch
    policy: Policy
    to: tuple[str, ...]
    urgent: bool = False
    title: str | None = None
    text: str | None = None
    digest: str = ""
    """Of what it is on: the state of another is not taken over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What one rule remembers."""

    digest: str = ""
    watch: WatchState = field(default_factory=WatchState)
    rule: RuleState = field(default_factory=RuleState)


class Engine:
    """The rules with their states. Belongs to the station's event loop."""

    def __init__(self, rules: Iterable[Rule], *, voice: Voice) -> None:
        self._rules = {rule.name: rule for rule in rules}
        self._voice = voice
        self._kept = {name: Kept(digest=rule.digest) for name, rule in self._rules.items()}
        self._concerned: dict[type[News], tuple[Rule, ...]] = {}
        for kind in {kind for kinds in CONCERNS.values() for kind in kinds}:
            self._concerned[kind] = tuple(
                rule for rule in self._rules.values() if kind in CONCERNS[rule.watch.on]
            )
        self.marks: dict[str, int] = {}
        """The number of the last finding that was taken, by job; "" for the station's own."""
        self.has_changed = False
        """Whether what is kept has changed since somebody set this to False."""

    # -- what is kept -----------------------------------------------------------------------------

    def load(self, kept: Mapping[str, bytes], marks: Mapping[str, int]) -> None:
        """Take over what an earlier run remembered. What was not told yet begins anew; what is of a
        rule that says something else now, or of a job that there is no more, or cannot be read, is
        left."""
        self.marks = dict(marks)
        for name, data in kept.items():
            rule = self._rules.get(name)
            if rule is None:
                continue
            try:
                found = load_state(VERSION, Kept, data)
            except ValueError:
                continue
            if found.digest != rule.digest:
                continue
            spells = {
                subject: spell
                for subject, spell in found.rule.spells.items()
                if spell.told_s is not None and rule.watch.is_there(spell.facts)
            }
            self._kept[name] = replace(found, rule=replace(found.rule, spells=spells))

    def dump(self) -> dict[str, bytes]:
        """What :meth:`load` takes."""
        return {name: dump_state(VERSION, kept) for name, kept in self._kept.items()}

    def state(self, name: str) -> RuleState:
        """What one rule remembers of what it told."""
        return self._kept[name].rule

    @property
    def rules(self) -> tuple[Rule, ...]:
        return tuple(self._rules.values())

    # -- what happens -----------------------------------------------------------------------------

    def hear(self, news: News, now_s: float) -> list[Message]:
        """What somebody is to be told for this."""
        if isinstance(news, FindingNews):
            of = news.job or ""
            if news.number <= self.marks.get(of, 0):
                return []
            self.marks[of] = news.number
            self.has_changed = True
        messages = []
        for rule in self._concerned.get(type(news), ()):
            kept = self._kept[rule.name]
            seen, turns = saw(rule.watch, kept.watch, news, now_s)
            state = kept.rule
            for turn in turns:
                state, alerts = turned(rule.policy, state, turn, now_s)
                messages += [self._worded(rule, alert) for alert in alerts]
            if seen is not kept.watch or state is not kept.rule:
                self.has_changed = self.has_changed or state is not kept.rule
                self._kept[rule.name] = replace(kept, watch=seen, rule=state)
        return messages

    def look(self, now_s: float) -> list[Message]:
        """What somebody is to be told because time has passed."""
        messages = []
        for rule in self._rules.values():
            kept = self._kept[rule.name]
            due = due_s(rule.policy, kept.rule)
            # A clock that was set back makes what is due later due from now on again.
            if due is None or (due > now_s and not _is_ahead(kept.rule, now_s)):
                continue
            state, alerts = looked(rule.policy, kept.rule, now_s)
            if state != kept.rule:
                self._kept[rule.name] = replace(kept, rule=state)
                self.has_changed = True
            messages += [self._worded(rule, alert) for alert in alerts]
        return merged(messages)

    def _worded(self, rule: Rule, alert: Alert) -> Message:
        return message_of(
            alert,
            rule=rule.name,
            voice=self._voice,
            to=rule.to,
            urgent=rule.urgent,
            title=rule.title,
            text=rule.text,
        )


def _is_ahead(state: RuleState, now_s: float) -> bool:
    if any(one.at_s > now_s for one in state.held) or state.more_since_s > now_s:
        return True
    return any(
        spell.since_s > now_s or (spell.told_s or 0.0) > now_s for spell in state.spells.values()
    )
