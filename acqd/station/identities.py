"""Who answers: what changed since the last time, who is there twice, and which jobs wait.

An identity is maker, model, serial number, firmware and, where a driver knows it, the USB location;
with the address it is all that a sweeper can be told by. What is compared here was said by the
instrument: a clone can say the same. Only the location cannot be borrowed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from acqd.sweep import Identity

__all__ = [
    "Change",
    "IdentityBook",
    "OnChange",
    "Twins",
    "Unconfirmed",
    "changes",
    "without_serial",
]


class OnChange(StrEnum):
    """What a job does when another identity answers than the one that it swept with last."""

    GO_ON = "go on"
    STOP = "stop"
    """At another instrument: another maker, model or serial number."""
    STOP_AT_ANY = "stop at any"
    """At another firmware or place too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One part of an identity that is not what it was. ``text`` is a sentence without a stop."""

    part: str
    """``maker``, ``model``, ``serial_number``, ``firmware`` or ``location``."""
    text: str
    is_another: bool
    """Whether it means another instrument, as far as anybody can tell."""


def changes(before: Identity, now: Identity) -> tuple[Change, ...]:
    """What is different in ``now``, the weightiest first; none where nothing is."""
    found = []
    for part, what in (("maker", "the maker"), ("model", "the model")):
        was, is_ = getattr(before, part), getattr(now, part)
        if _key(was) != _key(is_):
            text = f"{what} was {_said(was)} and is {_said(is_)}: it is another instrument"
            found.append(Change(part=part, text=text, is_another=True))
    if before.serial_number != now.serial_number:
        found.append(_serial(before, now))
    if before.firmware != now.firmware:
        text = (
            f"the firmware was {_said(before.firmware)} and is {_said(now.firmware)}: its levels "
            "may be others, a self-test tells"
        )
        found.append(Change(part="firmware", text=text, is_another=False))
    if before.location != now.location and before.location and now.location:
        text = f"it was plugged in at USB {before.location} and is at USB {now.location}"
        found.append(Change(part="location", text=text, is_another=False))
    return tuple(found)


def _serial(before: Identity, now: Identity) -> Change:
    was, is_ = _said(before.serial_number), _said(now.serial_number)
    if now.is_doubtful and not before.is_doubtful:
        text = (
            f"the serial number was {was} and is {is_}: it is lost, as a failed update leaves it, "
            "or another instrument is there"
        )
    elif before.is_doubtful and not now.is_doubtful:
        text = f"the serial number was {was}, which told nothing, and is {is_}"
    elif before.is_doubtful:
        text = f"the serial number was {was} and is {is_}, and neither tells anything"
    else:
        text = f"the serial number was {was} and is {is_}: it is another instrument"
    another = not (before.is_doubtful or now.is_doubtful)
    return Change(part="serial_number", text=text, is_another=another)


def _said(text: str) -> str:
    return text.strip() or "empty"


def _key(text: str) -> str:
    return text.strip().casefold()


def without_serial(identity: Identity) -> str:
    """What is said of an identity whose serial number is doubtful, after the sweeper's name."""
    serial = identity.serial_number.strip()
    what = (
        f"has no usable serial number ({serial}: {identity.doubt})"
        if serial
        else ("states no serial number")
    )
    return (
        f"{what}: another one of its kind in its place would not be noticed; it is known by the "
        "rest of its identity and its address, so pin what it has of `maker`, `model` and "
        "`location`"
    )


# -- two that say they are one ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Twins:
    """Two sweepers of the station that are there at once and say that they are the same one."""

    first: str
    second: str
    identity: Identity

    def text(self, of: str) -> str:
        """The sentence about one of the two, with what to do."""
        other = self.second if of == self.first else self.first
        said = " ".join(part for part in (self.identity.maker, self.identity.model) if part)
        told = (
            "no usable serial number"
            if self.identity.is_doubtful
            else (f"serial number {self.identity.serial_number}")
        )
        return (
            f"sweeper {of} says that it is {said or 'an unnamed sweeper'} with {told}, and so does "
            f"{other}: a clone, or one instrument at two addresses; if there are two, pin each by "
            "`location` where its driver knows one, and mark which is which"
        )


class IdentityBook:
    """Who is there now, of all sweepers of a station."""

    def __init__(self, addresses: Mapping[str, str], *, pinned: Iterable[str] = ()) -> None:
        """``addresses`` by sweeper; ``pinned`` are those whose config names a location."""
        self._addresses = dict(addresses)
        self._pinned = frozenset(pinned)
        self._there: dict[str, Identity] = {}
        self._told: set[frozenset[str]] = set()

    def arrived(self, name: str, identity: Identity) -> tuple[Twins, ...]:
        """Note that a sweeper is there; the twins that nobody has been told of yet.

        Two at one address are one, as where a simulator stands in for several. Two that are pinned
        by different locations cannot be mixed up.
        """
        self.left(name)
        self._there[name] = identity
        found = []
        for other, known in self._there.items():
            pair = frozenset({name, other})
            if other == name or pair in self._told or not self._are_twins(name, other):
                continue
            self._told.add(pair)
            found.append(Twins(first=other, second=name, identity=known))
        return tuple(found)

    def left(self, name: str) -> None:
        """Note that a sweeper is away. Twins are told again only when one was somebody else."""
        self._there.pop(name, None)

    def is_somebody_else(self, name: str) -> None:
        """Forget what was told of a sweeper: another identity answers there now."""
        self._told = {pair for pair in self._told if name not in pair}

    def _are_twins(self, one: str, other: str) -> bool:
        if self._addresses.get(one) == self._addresses.get(other):
            return False
        a, b = self._there[one], self._there[other]
        if not (a.serial_number.strip() or b.serial_number.strip()):
            # Who states no serial number, not even a useless one, says nothing of being the same.
            return False
        apart = a.location and b.location and a.location != b.location
        if apart and {one, other} <= self._pinned:
            return False
        return all(
            _key(getattr(a, part)) == _key(getattr(b, part))
            for part in ("maker", "model", "serial_number")
        )


# -- jobs that wait --------------------------------------------------------------------------------


class Unconfirmed:
    """Which jobs of one sweeper wait until somebody says that another instrument is meant."""

    def __init__(
        self,
        name: str,
        *,
        rules: Mapping[str, OnChange],
        swept_with: Mapping[str, Identity | None],
        expected: Identity | None = None,
    ) -> None:
        """
        Args:
            name: of the sweeper.
            rules: of each job.
            swept_with: who each job swept with last; None where it never did.
            expected: who must answer, as the config names it: a serial number that stands there
                and fits needs no confirmation.
        """
        self._name = name
        self._rules = dict(rules)
        self._swept_with = dict(swept_with)
        self._expected = expected
        self.waiting: dict[str, str] = {}
        """Why each job waits, in words."""

    def answered(self, identity: Identity) -> tuple[str, ...]:
        """Somebody answers: work out who waits; the jobs that did not wait before."""
        before = set(self.waiting)
        self.waiting = {}
        for job, rule in self._rules.items():
            known = self._swept_with.get(job)
            why = None if known is None else self._why(rule, known, identity)
            if why is not None:
                self.waiting[job] = why
        return tuple(job for job in self.waiting if job not in before)

    def swept(self, job: str, identity: Identity) -> None:
        """Note who a job swept with."""
        known = self._swept_with.get(job)
        if known != identity:
            self._swept_with[job] = identity.after(known)

    def _why(self, rule: OnChange, known: Identity, now: Identity) -> str | None:
        if rule is OnChange.GO_ON or self._is_named(now):
            return None
        stops = [
            one for one in changes(known, now) if one.is_another or rule is OnChange.STOP_AT_ANY
        ]
        if not stops:
            return None
        said = "; ".join(one.text for one in stops)
        return (
            f"waits for `acqd confirm {self._name}`, because {self._name} is not what this job "
            f"swept with: {said}"
        )

    def _is_named(self, now: Identity) -> bool:
        serial = "" if self._expected is None else self._expected.serial_number
        return bool(serial) and _key(serial) == _key(now.serial_number) and not now.is_doubtful

    def confirm(self, identity: Identity) -> tuple[str, ...]:
        """Somebody says that this instrument is meant; the jobs that waited."""
        freed = tuple(self.waiting)
        self.waiting = {}
        for job in freed:
            self._swept_with[job] = identity
        return freed
