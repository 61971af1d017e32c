"""Numbers from elsewhere that go with the sweeps: a temperature, a supply voltage, a key.

    topics of the station's broker ─┐
                                    ├─► read_value ─► ContextStore ─► columns of each sweep
    files, looked at every 5 s ─────┘                      └─► who is keyed (acqd.station.ptt)

A value is as old as its message, counted from its arrival, or as its file, counted from when that
was last written; under /sys and /proc each look is a measurement. Age is counted on through a sleep
of the host. One that is older than ``max_age`` is none: the sweep then has no such column.

The topics have a connection of their own: what others publish must never stand in the way of
findings. How old a retained message is nobody can tell. It counts from its arrival; one that comes
again, unchanged, with the next connection is no news and keeps its age.

What cannot be read is told once a name, and the last value stands until it is too old. An empty
message or file, and JSON's ``null``, say that there is no value now; so does a file that vanished
or does not answer.
"""

from __future__ import annotations

import asyncio
import json
import math
import os
import re
import stat
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import aiomqtt
import structlog

from acqd.clock import Clock
from acqd.config.checks import CONTEXTS_MOST
from acqd.config.context import WORDS
from acqd.errors import BrokerError
from acqd.publish.client import SETTLED_S, backoff_s
from acqd.publish.link import Link, connection_beside, surely
from acqd.publish.refusals import why_away
from acqd.publish.settings import BrokerSettings
from acqd.publish.threads import OwnThreads
from acqd.station.conditions import KEYED, Condition, keyed

__all__ = [
    "FILE_EVERY_S",
    "KEYED",
    "PACKET_MOST_BYTES",
    "PAYLOAD_MOST_BYTES",
    "ContextSources",
    "ContextSpec",
    "ContextStore",
    "Tell",
    "found_at",
    "read_value",
]

PAYLOAD_MOST_BYTES = 8192
PACKET_MOST_BYTES = 65_536
"""What a broker is asked (MQTT 5) not to send at all; between the two it is told as unreadable."""
FILE_EVERY_S = 5.0
LEAVE_S = 0.1
"""What leaving the broker may take."""
SHOWN = 40
"""Characters of a payload that are told."""

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
"""One way to match each digit: with two, a long message of digits would take seconds to refuse."""
_MEASURED = ("/sys/", "/proc/")
"""Where files are made when they are read, and what they were last written says nothing."""

Tell = Callable[[str, str, Mapping[str, Any]], Awaitable[None]]
"""Keeps a finding of the station: its word, the sentence, figures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ContextSpec:
    """One ``[context.NAME]``, of a topic or a file. ``words`` are in any case of letters."""

    name: str
    topic: str | None = None
    file: Path | None = None
    key: str = ""
    scale: float = 1.0
    words: Mapping[str, float] = field(default_factory=dict)
    max_age_s: float = 600.0

    @property
    def where(self) -> str:
        return f"topic {self.topic}" if self.file is None else f"file {self.file}"


def read_value(payload: bytes, spec: ContextSpec) -> float | None:
    """The number in a message or a file, times the scale; None where it says that there is none.

    A number as text or JSON, a word, or with a key a JSON object: its levels have points between
    them, and a name with points in it is found too. Numbers have a decimal point and no unit.

    Raises:
        ValueError: it cannot be read; says why, in a few words.
    """
    if len(payload) > PAYLOAD_MOST_BYTES:
        raise ValueError(f"longer than {PAYLOAD_MOST_BYTES} bytes")
    try:
        text = payload.decode("utf-8-sig").strip()
    except UnicodeDecodeError:
        raise ValueError("not text in UTF-8") from None
    if not text:
        return None
    words = {**WORDS, **{word.strip().casefold(): value for word, value in spec.words.items()}}
    value = _of_key(text, spec.key, words) if spec.key else _of_text(text, words)
    if value is None:
        return None
    value *= spec.scale
    if not math.isfinite(value):
        raise ValueError(f"{_shown(text)} is no finite number")
    return value


def _of_text(text: str, words: Mapping[str, float]) -> float | None:
    value = _word_or_number(text, words)
    if value is not None:
        return value
    data = _json(text)
    if isinstance(data, dict):
        raise ValueError("a JSON object, and `key` does not say which of it")
    return _of_plain(data, words)


def _of_key(text: str, key: str, words: Mapping[str, float]) -> float | None:
    return _of_plain(found_at(text, key), words)


def found_at(text: str, key: str) -> Any:
    """What stands at ``key`` of a JSON object; its levels have points between them.

    Raises:
        ValueError: no JSON object, or nothing there.
    """
    data = _json(text)
    left = key
    while left:
        if not isinstance(data, dict):
            raise ValueError(f"no JSON object with `{key}` in it: {_shown(text)}")
        # The longest name first: one that has points in it itself is found as well.
        parts = left.split(".")
        heads = (".".join(parts[:count]) for count in range(len(parts), 0, -1))
        head = next((head for head in heads if head in data), None)
        if head is None:
            raise ValueError(f"no `{key}` in {_shown(text)}")
        data, left = data[head], left[len(head) + 1 :]
    return data


def _of_plain(data: Any, words: Mapping[str, float]) -> float | None:
    """The number in what JSON gave."""
    if data is None:
        return None
    if isinstance(data, bool):
        return words["true" if data else "false"]
    if isinstance(data, int | float):
        try:
            return float(data)
        except OverflowError:
            return math.inf
    if isinstance(data, str):
        value = _word_or_number(data.strip(), words)
        if value is not None:
            return value
    raise ValueError(f"neither a number nor a word that is known: {_shown(str(data))}")


def _word_or_number(text: str, words: Mapping[str, float]) -> float | None:
    known = words.get(text.casefold())
    if known is not None:
        return known
    return float(text) if _NUMBER.fullmatch(text) else None


def _json(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError(f"neither a number nor a word that is known: {_shown(text)}") from None


def _shown(text: str) -> str:
    """One plain line, whatever a stranger sent: it goes into a finding."""
    plain = "".join(letter if letter.isprintable() else "·" for letter in text[:SHOWN])
    return f"'{plain}'" if len(text) <= SHOWN else f"'{plain}…'"


@dataclass(frozen=True, slots=True)
class _Heard:
    """The last value of a name. ``gone``: its source said since that there is none."""

    value: float
    at_s: float
    payload: bytes
    gone: bool = False


class ContextStore:
    """The newest value of each name, and since when it is known. Belongs to one loop.

    ``watched`` are conditions that are asked of by :meth:`held_since`.

    Raises:
        ValueError: more than :data:`CONTEXTS_MOST`, or a name twice.
    """

    def __init__(
        self, specs: Iterable[ContextSpec], clock: Clock, *, watched: Iterable[Condition] = ()
    ) -> None:
        listed = tuple(specs)
        self.specs: Mapping[str, ContextSpec] = {spec.name: spec for spec in listed}
        if len(listed) > CONTEXTS_MOST or len(self.specs) < len(listed):
            raise ValueError(f"at most {CONTEXTS_MOST} contexts, with names of their own")
        self._clock = clock
        self._heard: dict[str, _Heard] = {}
        self._watched: dict[str, tuple[Condition, ...]] = {}
        for one in dict.fromkeys((*map(keyed, self.specs), *watched)):
            self._watched[one.context] = (*self._watched.get(one.context, ()), one)
        self._held_until_s: dict[Condition, float] = {}
        self.news = asyncio.Event()
        """Set whenever something was heard or lost; whoever waits for it clears it."""
        self.listeners: list[Callable[[str], None]] = []
        """Called with a name whenever something was heard of it or it was lost."""

    def hear(
        self, name: str, payload: bytes, *, retained: bool = False, age_s: float = 0.0
    ) -> None:
        """Take in a message or a file's content that is ``age_s`` old.

        Raises:
            ValueError: it cannot be read; the last value stands.
            KeyError: no such name.
        """
        value = read_value(payload, self.specs[name])
        if value is None:
            self.lose(name)
            return
        before = self._heard.get(name)
        if retained and before is not None and not before.gone and before.payload == payload:
            return
        self._note_held(name)
        at_s = self._clock.boottime_s() - max(0.0, age_s)
        self._heard[name] = _Heard(value, at_s, payload)
        self._notify(name)

    def lose(self, name: str) -> None:
        """There is no value any more."""
        before = self._heard.get(name)
        if before is None or before.gone:
            return
        self._note_held(name)
        self._heard[name] = _Heard(before.value, before.at_s, before.payload, gone=True)
        self._notify(name)

    def value(self, name: str) -> float | None:
        """The value by now; None where there is none, where it is too old, or for other names."""
        heard = self._heard.get(name)
        if heard is None or heard.gone or self._age_s(heard) > self.specs[name].max_age_s:
            return None
        return heard.value

    def fresh(self) -> dict[str, float]:
        """The values that are not too old, by name, in the order of the config."""
        found = ((name, self.value(name)) for name in self.specs)
        return {name: value for name, value in found if value is not None}

    def heard_after(self, name: str, boottime_s: float) -> float | None:
        """The value, if it was told since then; None where there is none or an older one."""
        heard = self._heard.get(name)
        return None if heard is None or heard.at_s < boottime_s else self.value(name)

    def held_since(self, condition: Condition, monotonic_s: float) -> bool:
        """Whether a condition, one of those that are watched, held at any time from then until now.

        A value is known from its arrival until the next one, or until it is too old.
        """
        since_s = self._clock.boottime_s() - (self._clock.monotonic_s() - monotonic_s)
        return self._known_held_s(condition) >= since_s

    def keyed_since(self, name: str, monotonic_s: float) -> bool:
        """Whether the value was on (:data:`KEYED` or above) at any time from then until now."""
        return self.held_since(keyed(name), monotonic_s)

    def lost_keyed(self, name: str) -> bool:
        """Whether the value was on by the last word, and is none now."""
        heard = self._heard.get(name)
        return heard is not None and heard.value >= KEYED and self.value(name) is None

    def _age_s(self, heard: _Heard) -> float:
        return self._clock.boottime_s() - heard.at_s

    def _known_held_s(self, condition: Condition) -> float:
        """Until when, by boot time, a condition is known to have held."""
        until_s = self._held_until_s.get(condition, -math.inf)
        heard = self._heard.get(condition.context)
        if heard is None or heard.gone or not condition.holds(heard.value):
            return until_s
        ends_s = heard.at_s + self.specs[condition.context].max_age_s
        return max(until_s, min(self._clock.boottime_s(), ends_s))

    def _note_held(self, name: str) -> None:
        for condition in self._watched[name]:
            self._held_until_s[condition] = self._known_held_s(condition)

    def _notify(self, name: str) -> None:
        self.news.set()
        for listener in self.listeners:
            listener(name)


class ContextSources:
    """Listens to topics and looks at files for as long as :meth:`run` runs.

    Args:
        store: what is heard goes there.
        station: names the connection.
        settings: the broker; None where there is none, and topics stay silent.
        clock: for the age of files, and of connections.
        tell: keeps a finding.
        backoff: seconds until the next attempt, by failures in a row.
    """

    def __init__(
        self,
        store: ContextStore,
        *,
        station: str,
        settings: BrokerSettings | None,
        clock: Clock,
        tell: Tell,
        backoff: Callable[[int], float] = backoff_s,
    ) -> None:
        self._store = store
        self._station = station
        self._settings = settings
        self._clock = clock
        self._tell = tell
        self._backoff = backoff
        self._topics: dict[str, list[str]] = {}
        self._files: dict[Path, list[str]] = {}
        for spec in store.specs.values():
            if spec.file is not None:
                self._files.setdefault(spec.file, []).append(spec.name)
            elif spec.topic is not None:
                self._topics.setdefault(spec.topic, []).append(spec.name)
        # One look at each file at a time, and the thread of the look before may be about to end.
        self._threads = OwnThreads("context", most=2 * len(self._files))
        self._mqtt_threads = OwnThreads("context mqtt")
        self._hurry = asyncio.Event()
        self._connected: bool | None = None
        self._told: set[str] = set()
        self._untold: asyncio.Queue[tuple[ContextSpec, str]] = asyncio.Queue()
        self._missing: set[Path] = set()
        self._log = structlog.get_logger()

    def hurry(self) -> None:
        """Do not wait for the backoff to end: the broker is known to be back."""
        self._hurry.set()

    async def run(self) -> None:
        """Until cancelled; never ends for a broker or a file."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._tell_problems())
            for path, names in self._files.items():
                group.create_task(self._watch_file(path, names))
            if self._topics and self._settings is not None:
                group.create_task(self._keep_listening(self._settings))

    def _take(
        self, name: str, payload: bytes, *, retained: bool = False, age_s: float = 0.0
    ) -> None:
        try:
            self._store.hear(name, payload, retained=retained, age_s=age_s)
        except ValueError as exc:
            self._unreadable(name, str(exc))

    def _unreadable(self, name: str, problem: str) -> None:
        if name in self._told:
            return
        self._told.add(name)
        spec = self._store.specs[name]
        self._log.warning("context_unreadable", context=name, where=spec.where, problem=problem)
        self._untold.put_nowait((spec, problem))

    async def _tell_problems(self) -> None:
        """In a task of its own: an archive that does not answer keeps nobody from listening."""
        while True:
            spec, problem = await self._untold.get()
            await self._tell(
                "context_unreadable",
                f"context {spec.name}: {spec.where} gives no value: {problem}",
                {"context": spec.name},
            )

    # -- topics ---------------------------------------------------------------------------------

    async def _keep_listening(self, settings: BrokerSettings) -> None:
        failures = 0
        while True:
            started_s = self._clock.monotonic_s()
            reason = "closed by the broker"
            try:
                await surely(self._listen(settings))
            except* (aiomqtt.MqttError, OSError, BrokerError) as group:
                reason = why_away(group, settings)
            if self._connected and self._clock.monotonic_s() - started_s >= SETTLED_S:
                failures = 0
            self._note(connected=False, reason=reason)
            try:
                async with asyncio.timeout(self._backoff(failures)):
                    await self._hurry.wait()
            except TimeoutError:
                pass
            self._hurry.clear()
            failures += 1

    async def _listen(self, settings: BrokerSettings) -> None:
        async with connection_beside(
            settings,
            station=self._station,
            purpose="context",
            threads=self._mqtt_threads,
            packet_most_bytes=PACKET_MOST_BYTES,
        ) as link:
            self._note(connected=True)
            try:
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._hear(link))
                    for topic, names in self._topics.items():
                        await self._subscribe(link, topic, names)
            except asyncio.CancelledError:
                link.timeout = LEAVE_S
                raise

    async def _subscribe(self, link: Link, topic: str, names: Sequence[str]) -> None:
        for answer in await link.subscribe(topic, 1):
            if isinstance(answer, int):
                refused, why = answer >= 0x80, f"code {answer}"
            else:
                refused, why = answer.is_failure, str(answer)
            for name in names if refused else ():
                self._unreadable(name, f"the broker does not let the station read it: {why}")

    async def _hear(self, link: Link) -> None:
        async for message in link.messages:
            payload = message.payload
            for name in self._topics.get(str(message.topic), ()):
                self._take(
                    name, payload if isinstance(payload, bytes) else b"", retained=message.retain
                )

    def _note(self, *, connected: bool, reason: str = "") -> None:
        """Log a change; failed attempts in a row are one."""
        if connected == self._connected:
            return
        self._connected = connected
        if connected:
            self._log.info("context_connected", topics=len(self._topics))
        else:
            self._log.warning("context_away", reason=reason)

    # -- files ----------------------------------------------------------------------------------

    async def _watch_file(self, path: Path, names: Sequence[str]) -> None:
        while True:
            await self._look(path, names)
            await asyncio.sleep(FILE_EVERY_S)

    async def _look(self, path: Path, names: Sequence[str]) -> None:
        """Read a file; while one look at it hangs there is no other."""
        reading = self._threads.start(partial(_read_file, path))
        if not (await asyncio.wait([reading], timeout=FILE_EVERY_S))[0]:
            self._no_file(path, names, "it does not answer")
            await asyncio.wait([reading])
            return
        try:
            payload, written_s = reading.result()
        except OSError as exc:
            self._no_file(path, names, exc.strerror or str(exc))
            return
        if path in self._missing:
            self._missing.discard(path)
            self._log.info("context_file_back", file=str(path))
        age_s = 0.0 if written_s is None else self._clock.wall_s() - written_s
        for name in names:
            self._take(name, payload, age_s=age_s)

    def _no_file(self, path: Path, names: Sequence[str], problem: str) -> None:
        if path not in self._missing:
            self._missing.add(path)
            self._log.warning("context_file_away", file=str(path), problem=problem)
        for name in names:
            self._store.lose(name)
            self._unreadable(name, problem)


def _read_file(path: Path) -> tuple[bytes, float | None]:
    """The beginning of a file, and when it was last written; None where that says nothing.

    Raises:
        OSError: not there, not readable, or no file but a pipe or a device.
    """
    if not stat.S_ISREG(os.stat(path).st_mode):
        raise OSError("not a plain file")
    with open(path, "rb") as file:
        payload = file.read(PAYLOAD_MOST_BYTES + 1)
        written_s = os.fstat(file.fileno()).st_mtime
    return payload, None if os.path.realpath(path).startswith(_MEASURED) else written_s
