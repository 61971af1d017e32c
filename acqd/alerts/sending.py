"""One attempt to send one alert by one way: a program of its own, within the way's time limit.

Apprise and HTTP go by :mod:`acqd.alerts.sender`, at low priority. A command is started as it is,
without a shell: the alert is JSON on its standard input and, in parts, in its environment; what it
prints is thrown away but for the last line of its errors. Whatever a program does, its whole
session is killed at the time limit, or when nobody waits for it any more.
"""

from __future__ import annotations

import asyncio
import base64
import json
import os
import shutil
import sys
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any
from urllib.parse import quote, unquote, urlsplit

from acqd.alerts.process import Ended, run_program
from acqd.alerts.ways import Way, ways_of
from acqd.alerts.wording import Voice, filled, trial_message
from acqd.config.whole import StationConfig
from acqd.errors import ConfigError
from acqd.look.times import clock, duration
from acqd.publish.threads import OwnThreads

__all__ = ["PROGRAM", "Outcome", "scrubbed", "send", "unusable"]

PROGRAM = (sys.executable, "-P", "-m", "acqd.alerts.sender")
ANSWER_MOST_BYTES = 65536
ERRORS_KEPT_BYTES = 4096
KILLED_S = 0.3
STARTED_S = 5.0
"""Beyond the time limit, for a program to start on a busy machine and to say what became of it."""
SECRET_LEAST = 4
"""Letters; a shorter part of an address is no secret and would blank out whole sentences."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of an attempt. ``left``: the addresses of the way that have not taken it."""

    problem: str = ""
    refused: bool = False
    """It is this alert that is not wanted, not the way that is down."""
    left: tuple[int, ...] = ()

    @property
    def is_sent(self) -> bool:
        return not self.problem


async def send(
    way: Way, payload: Mapping[str, Any], *, zone: str, left: tuple[int, ...] | None = None
) -> Outcome:
    """Try once. ``left`` narrows the addresses; None is all of them.

    Raises nothing but a cancellation, at which the program is killed.
    """
    try:
        if way.kind == "command":
            return await _by_command(way, payload, zone)
        return await _by_program(way, payload, left)
    except OSError as exc:
        reason = exc.strerror or "it cannot be started"
        where = way.command[0] if way.kind == "command" else "a program"
        return Outcome(problem=scrubbed(f"{where}: {reason.lower()}", way), left=left or ())


def unusable(config: StationConfig) -> list[str]:
    """What keeps the ways of ``config`` from working, as far as can be said without sending: one
    sentence each. Apprise is asked, in a program of its own, whether it knows the addresses."""
    try:
        ways = ways_of(config)
    except ConfigError as exc:
        return str(exc).split("\n")
    looked = [(way, asyncio.run(_look(way))) for way in ways]
    return [f"way {way.name}: {outcome.problem}" for way, outcome in looked if not outcome.is_sent]


async def _look(way: Way) -> Outcome:
    if way.kind == "apprise":
        voice = Voice(station="", title="", zone="UTC")
        payload = trial_message(voice, at_s=0.0, to=()).payload(number=0)
        return await _by_program(way, payload, None, only_look=True)
    if way.kind == "command" and shutil.which(way.command[0], path=os.environ.get("PATH")) is None:
        return Outcome(problem=f"there is no program {way.command[0]} that can be run")
    return Outcome()


# --- Apprise and HTTP -----------------------------------------------------------------------------


async def _by_program(
    way: Way, payload: Mapping[str, Any], left: tuple[int, ...] | None, *, only_look: bool = False
) -> Outcome:
    wanted = tuple(range(len(way.urls))) if left is None else left
    asked = {
        "kind": way.kind,
        "urls": way.urls,
        "headers": dict(way.headers),
        "payload": dict(payload),
        "limit_s": way.time_limit_s,
        "left": wanted,
        "only_look": only_look,
    }
    ended = await _run(
        PROGRAM,
        json.dumps(asked).encode(),
        environ=_environ(way),
        limit_s=way.time_limit_s + STARTED_S,
        answers=True,
    )
    told = _answers(ended.said)
    left = tuple(at for at in wanted if not told.get(at, {}).get("ok"))
    if not left:
        return Outcome()
    failed = [told[at] for at in left if at in told]
    if len(failed) < len(left):
        return Outcome(problem=_no_end(ended.code, way), left=left)
    problem = scrubbed(str(failed[0].get("problem", "")), way) or "it did not say why"
    return Outcome(
        problem=problem, refused=all(bool(one.get("refused")) for one in failed), left=left
    )


def _answers(said: bytes) -> dict[int, dict[str, Any]]:
    """What became of each address that was come to, by its number."""
    told = {}
    for line in said.splitlines():
        try:
            one = json.loads(line)
            told[int(one["at"])] = one
        except (ValueError, KeyError, TypeError):
            # The last line of one that was killed while it wrote.
            continue
    return told


def _no_end(code: int | None, way: Way) -> str:
    """Why nothing is known of an address."""
    if code is None:
        return f"no end of it within {duration(way.time_limit_s)}"
    how = f"signal {-code}" if code < 0 else f"code {code}"
    return f"the program that sends ended with {how}"


# --- a command ------------------------------------------------------------------------------------


async def _by_command(way: Way, payload: Mapping[str, Any], zone: str) -> Outcome:
    values = _values(payload, zone)
    words = [way.command[0], *(filled(word, values) for word in way.command[1:])]
    # No argument and no variable can hold a NUL.
    words = [word.replace("\0", " ") for word in words]
    given = {f"ACQD_{key.upper()}": value.replace("\0", " ") for key, value in values.items()}
    ended = await _run(
        words,
        json.dumps(payload, ensure_ascii=False).encode() + b"\n",
        environ={**_environ(way), **given},
        limit_s=way.time_limit_s,
        folder=str(way.folder),
    )
    code, errors = ended.code, _last_line(ended.said)
    if code == 0:
        return Outcome()
    if code is None:
        problem = f"it was killed after {duration(way.time_limit_s)}"
    else:
        problem = f"it was ended by signal {-code}" if code < 0 else f"it ended with code {code}"
    if errors:
        problem += f": {errors}"
    return Outcome(problem=scrubbed(problem, way))


def _values(payload: Mapping[str, Any], zone: str) -> dict[str, str]:
    """What may stand in the words of a command, and goes into its environment."""
    since_s, at_s = float(payload["since_s"]), float(payload["at_s"])
    return {
        "alert": str(payload["alert"]),
        "at": clock(at_s, zone),
        "channel": str(payload["channel"] or ""),
        "count": str(payload["count"]),
        "job": str(payload["job"] or ""),
        "lasted": duration(round(max(0.0, at_s - since_s))),
        "since": clock(since_s, zone),
        "state": str(payload["state"]),
        "station": str(payload["station"]),
        "sweeper": str(payload["sweeper"] or ""),
        "text": str(payload["text"]),
        "title": str(payload["title"]),
        "what": str(payload["what"] or ""),
    }


def _environ(way: Way) -> dict[str, str]:
    return {key: value for key, value in os.environ.items() if key not in way.hidden}


# --- processes ------------------------------------------------------------------------------------


async def _run(
    words: Sequence[str],
    given: bytes,
    *,
    environ: Mapping[str, str],
    limit_s: float,
    folder: str | None = None,
    answers: bool = False,
) -> Ended:
    """Run it in a thread of its own; a cancelled wait has it killed."""
    enough = threading.Event()
    running = OwnThreads("alert", most=1).start(
        partial(
            run_program,
            words,
            given,
            environ=environ,
            limit_s=limit_s,
            keep_bytes=ANSWER_MOST_BYTES if answers else ERRORS_KEPT_BYTES,
            errors=not answers,
            folder=folder,
            enough=enough,
        )
    )
    try:
        return await asyncio.shield(running)
    except asyncio.CancelledError:
        enough.set()
        await asyncio.wait([running], timeout=KILLED_S)
        raise


def _last_line(said: bytes) -> str:
    """The last line that says something."""
    for line in reversed(said.decode("utf-8", "replace").splitlines()):
        plain = "".join(letter if letter.isprintable() else " " for letter in line).strip()
        if plain:
            return plain[:300]
    return ""


# --- secrets --------------------------------------------------------------------------------------


def scrubbed(text: str, way: Way) -> str:
    """``text`` without anything of the way's addresses and headers."""
    for part in sorted(_parts(way), key=len, reverse=True):
        text = text.replace(part, "…")
    return text


def _parts(way: Way) -> set[str]:
    parts: set[str] = set()
    for secret in way.secrets:
        parts.add(secret)
        for word in secret.replace("://", " ").replace("/", " ").split():
            parts.add(word)
            parts.update(word.replace("?", " ").replace("&", " ").replace("=", " ").split())
            user, at, _ = word.rpartition("@")
            parts.update([user, *user.split(":")] if at else ())
            parts.add(base64.b64encode(user.encode()).decode())
    parts |= {unquote(part) for part in parts} | {quote(part, safe="") for part in parts}
    plain = {urlsplit(url).hostname or "" for url in way.urls if way.kind == "post"}
    return {part for part in parts if len(part) >= SECRET_LEAST} - plain
