"""Who is let in with a command that came over MQTT: pure, told the time, and bounded.

    retained? ─► too many? ─► readable? ─► stale? ─► done before? ─► allowed? ─► to be done

A retained message is none: it would be done again at every connection. Of more than the config lets
there is no answer, for an answer to each would be a way to make the station talk.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from pydantic import ValidationError

from acqd.publish.commands import COMMAND_MOST_BYTES, Command

__all__ = ["CommandRules", "Doorkeeper", "Heard"]

_KEYS = frozenset({"schema", *Command.model_fields})
REMEMBERED_LEAST = 256
"""Commands whose outcome is remembered, for those that come twice; more where more can be done
while one may still be fresh."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandRules:
    """What the config lets."""

    verbs: frozenset[str]
    jobs: frozenset[str]
    quiet: frozenset[str]
    """Of the jobs those that no ``sweep`` is let for: they transmit, or move something."""
    at_most: int
    per_s: float
    stale_after_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What to do with one message. ``silent``: nothing is answered."""

    what: Literal["do", "refuse", "again", "silent"]
    command: Command | None = None
    text: str = ""


class Doorkeeper:
    """Judges the messages of one topic. ``jobs`` are those that run."""

    def __init__(self, rules: CommandRules, *, jobs: Collection[str], monotonic_s: float) -> None:
        self._rules = rules
        self._jobs = frozenset(jobs)
        self._tokens = float(rules.at_most)
        self._filled_s = monotonic_s
        self._outcomes: OrderedDict[str, str] = OrderedDict()

    def hear(self, payload: bytes, *, retained: bool, now_s: float, monotonic_s: float) -> Heard:
        """Judge one message that came at ``now_s`` of wall time."""
        if retained:
            return Heard(what="silent", text="a retained command is none; send it without retain")
        if not self._has_token(monotonic_s):
            rules = self._rules
            return Heard(
                what="silent",
                text=f"more than {rules.at_most} commands in {rules.per_s:g} s: not looked at",
            )
        if len(payload) > COMMAND_MOST_BYTES:
            return Heard(what="silent", text=f"longer than {COMMAND_MOST_BYTES} bytes")
        try:
            command = Command.model_validate_json(payload)
        except ValidationError as exc:
            return Heard(what="silent", text=f"not a command: {_first(exc)}")
        before = self._outcomes.get(command.id)
        if before is not None:
            return Heard(what="again", command=command, text=before)
        why = self._why_refused(command, now_s)
        if why is not None:
            return Heard(what="refuse", command=command, text=why)
        return Heard(what="do", command=command)

    def remember(self, command: Command, outcome: str) -> None:
        """A command of this id is not done again."""
        self._outcomes[command.id] = outcome
        rules = self._rules
        fresh = rules.at_most * (1.0 + 2.0 * rules.stale_after_s / rules.per_s)
        while len(self._outcomes) > max(REMEMBERED_LEAST, math.ceil(fresh)):
            self._outcomes.popitem(last=False)

    def _has_token(self, monotonic_s: float) -> bool:
        rate = self._rules.at_most / self._rules.per_s
        gained = max(0.0, monotonic_s - self._filled_s) * rate
        self._filled_s = monotonic_s
        self._tokens = min(float(self._rules.at_most), self._tokens + gained)
        if self._tokens < 1.0:
            return False
        self._tokens -= 1.0
        return True

    def _why_refused(self, command: Command, now_s: float) -> str | None:
        rules, age_s = self._rules, now_s - command.at_s
        if abs(age_s) > rules.stale_after_s:
            side = "old" if age_s > 0 else "ahead of the station's clock"
            return f"it is {abs(age_s):.0f} s {side}; {rules.stale_after_s:g} s are let"
        if command.verb not in rules.verbs:
            return f"{command.verb} is not let over MQTT"
        if command.job not in rules.jobs:
            return f"no commands are let for {command.job}"
        if command.job not in self._jobs:
            return f"{command.job} does not run"
        if command.verb == "sweep" and command.job in rules.quiet:
            return f"{command.job} transmits or moves something: no sweep is let over MQTT"
        return None


def _first(exc: ValidationError) -> str:
    """What is wrong first, without what was sent."""
    error = exc.errors(include_url=False, include_input=False, include_context=False)[0]
    # A key that is not ours is theirs to name.
    where = ".".join(str(part) for part in error["loc"] if part in _KEYS)
    return f"{where}: {error['msg'][:120]}" if where else error["msg"][:120]
