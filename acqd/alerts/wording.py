"""What somebody reads: title and text of an alert, its JSON, and the words of a command."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from acqd.alerts.rules import Alert, State
from acqd.look.times import clock, duration
from acqd.publish.messages import rfc3339

__all__ = ["Message", "Voice", "filled", "merged", "message_of", "trial_message", "with_lost"]

TITLE_MOST = 200
TEXT_MOST = 4000
"""Letters; many services cut off what is longer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Voice:
    """Who speaks: the station's name and title, and the zone of its clock."""

    station: str
    title: str
    zone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """An alert in words, ready for a way. ``to``: the ways that it goes."""

    alert: str
    """The name of the rule; of several rules with a + between them."""
    state: str
    station: str
    title: str
    text: str
    at_s: float
    since_s: float
    urgent: bool = False
    to: tuple[str, ...] = ()
    facts: Mapping[str, str] = field(default_factory=dict)
    count: int = 1
    zone: str = "UTC"

    def payload(self, *, number: int) -> dict[str, Any]:
        """As plain JSON data. ``number`` is the alert's own: one that comes twice has it twice."""
        return {
            "schema": "alert/1",
            "number": number,
            "station": self.station,
            "alert": self.alert,
            "state": self.state,
            "urgent": self.urgent,
            "at": rfc3339(self.at_s),
            "at_s": self.at_s,
            "since": rfc3339(self.since_s),
            "since_s": self.since_s,
            "job": self.facts.get("job"),
            "sweeper": self.facts.get("sweeper"),
            "channel": self.facts.get("channel"),
            "what": self.facts.get("what"),
            "count": self.count,
            "lost": 0,
            "title": self.title,
            "text": self.text,
        }


def with_lost(payload: Mapping[str, Any], lost: int) -> dict[str, Any]:
    """A payload that says that so many before it will not come."""
    if not lost:
        return dict(payload)
    alerts = "alerts" if lost > 1 else "alert"
    text = f"{payload['text']}\n({lost} earlier {alerts} for this way could not be kept)"
    return {**payload, "lost": lost, "text": text}


def message_of(
    alert: Alert,
    *,
    rule: str,
    voice: Voice,
    to: tuple[str, ...],
    urgent: bool = False,
    title: str | None = None,
    text: str | None = None,
) -> Message:
    """``alert`` in words; ``title`` and ``text`` are templates in the place of ours."""
    own_title, own_text = f"{voice.title}: {_head(alert)}", _told(alert, voice.zone)
    if alert.state not in (State.HELD, State.MORE):
        values = _values(alert, rule, voice, title=own_title, text=own_text)
        own_title = own_title if title is None else filled(title, values)
        own_text = own_text if text is None else filled(text, values)
    return Message(
        alert=rule,
        state=alert.state.value,
        station=voice.station,
        title=_cut(own_title, TITLE_MOST),
        text=_cut(own_text, TEXT_MOST),
        at_s=alert.at_s,
        since_s=alert.since_s,
        urgent=urgent,
        to=to,
        facts=alert.facts,
        count=alert.count,
        zone=voice.zone,
    )


def _head(alert: Alert) -> str:
    if alert.state is State.HELD:
        things = "alerts" if alert.count > 1 else "alert"
        return f"{alert.count} {things} in quiet hours"
    if alert.state is State.STILL:
        return f"still: {alert.headline}"
    return alert.headline


def _told(alert: Alert, zone: str) -> str:
    """The sentence with the times that belong to it, on the station's clock."""
    if alert.state is State.HELD:
        return "\n".join(_held_line(line, zone) for line in alert.text.split("\n"))
    lasted_s = alert.at_s - alert.since_s
    if alert.state is State.CLEAR:
        return f"{alert.text}; it began at {clock(alert.since_s, zone)}, {_ago(lasted_s)} before"
    if alert.state is State.ALERT and lasted_s < 1.0:
        return f"{clock(alert.at_s, zone)} {alert.text}"
    if alert.state is State.MORE:
        return f"{alert.text}; since {clock(alert.since_s, zone)}"
    return f"{alert.text}, since {clock(alert.since_s, zone)} ({_ago(lasted_s)})"


def _held_line(line: str, zone: str) -> str:
    at, _, said = line.partition("\t")
    return f"{clock(float(at), zone)} {said}" if at else said


def _ago(seconds: float) -> str:
    return duration(round(max(0.0, seconds)))


def _values(alert: Alert, rule: str, voice: Voice, *, title: str, text: str) -> dict[str, str]:
    facts = alert.facts
    return {
        "alert": rule,
        "at": clock(alert.at_s, voice.zone),
        "channel": facts.get("channel", ""),
        "count": str(alert.count),
        "job": facts.get("job", ""),
        "lasted": _ago(alert.at_s - alert.since_s),
        "since": clock(alert.since_s, voice.zone),
        "state": alert.state.value,
        "station": voice.title,
        "sweeper": facts.get("sweeper", ""),
        "text": text,
        "title": title,
        "what": facts.get("what", ""),
    }


def filled(template: str, values: Mapping[str, str]) -> str:
    """``template`` with its placeholders filled in; it was checked with the config."""
    return template.format_map(dict(values))


def merged(messages: Sequence[Message]) -> list[Message]:
    """Messages with all that quiet hours held for the same ways in one."""
    held: dict[tuple[str, ...], list[Message]] = {}
    others = []
    for message in messages:
        if message.state == State.HELD.value:
            held.setdefault(message.to, []).append(message)
        else:
            others.append(message)
    return [*(_as_one(group) for group in held.values()), *others]


def _as_one(group: Sequence[Message]) -> Message:
    first = group[0]
    if len(group) == 1:
        return first
    count = sum(one.count for one in group)
    head = first.title.rpartition(": ")[0]
    lines = [line for one in group for line in one.text.split("\n")]
    return Message(
        alert="+".join(one.alert for one in group)[:TITLE_MOST],
        state=first.state,
        station=first.station,
        title=_cut(f"{head}: {count} alerts in quiet hours", TITLE_MOST),
        text=_cut("\n".join(lines), TEXT_MOST),
        at_s=first.at_s,
        since_s=min(one.since_s for one in group),
        urgent=any(one.urgent for one in group),
        to=first.to,
        count=count,
        zone=first.zone,
    )


def trial_message(voice: Voice, *, at_s: float, to: tuple[str, ...], rule: str = "test") -> Message:
    """What ``acqd alert test`` sends."""
    return Message(
        alert=rule,
        state=State.TEST.value,
        station=voice.station,
        title=f"{voice.title}: a test",
        text=f"{clock(at_s, voice.zone)} this is a test: nothing has happened, and alerts of "
        f"{voice.title} reach you this way",
        at_s=at_s,
        since_s=at_s,
        to=to,
        zone=voice.zone,
    )


def _cut(text: str, most: int) -> str:
    kept = "".join(letter if letter.isprintable() or letter == "\n" else " " for letter in text)
    return kept if len(kept) <= most else f"{kept[: most - 2]} …"
