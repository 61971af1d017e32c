"""What a broker can hand to a station, to the live page and to a command, and what viewers ask."""

from __future__ import annotations

import json
import re
from functools import lru_cache
from pathlib import Path
from typing import Any

from fuzz_parts.target import Target

__all__ = ["TARGETS", "documented"]

DOCS = Path(__file__).parents[2] / "docs" / "messages.md"
NOW_S = 1_790_000_000.0
WORDS = (
    *(b"null", b"true", b"{}", b"[]", b"1e999", b"-1", b"NaN", b'""', b'"\\ud800"', b"\xff", b"["),
    *(b'"at_s"', b'"seq"', b'"values"', b'"schema"', b"9007199254740993", b"1e-400", b"\x00"),
)


def documented() -> list[tuple[str, bytes]]:
    """Topics and payloads that docs/messages.md shows."""
    found = re.findall(r"`(acqd/[a-z0-9/_-]+)`\n\n```json\n(.*?)```", DOCS.read_text("utf-8"), re.S)
    return [(topic, text.encode()) for topic, text in found]


def _seeds() -> list[bytes]:
    return [topic.encode() + b"\n" + payload for topic, payload in documented()]


def _values(data: bytes) -> None:
    """A thermometer, a supply, a key: as number, word, or in JSON."""
    import math

    from acqd.station.context import ContextSpec, read_value

    for key in ("", "value", "supply.voltage"):
        spec = ContextSpec(name="x", topic="x", key=key, scale=10.0, words={"ajar": 1.0})
        try:
            value = read_value(data, spec)
        except ValueError as exc:
            if not str(exc) or "\n" in str(exc) or len(str(exc)) > 500:
                raise AssertionError(f"not one line: {exc!r}") from exc
            continue
        if value is not None and not math.isfinite(value):
            raise AssertionError(f"{value} is no value")


def _page(data: bytes) -> None:
    """Into the state that is full already; what is shown of it can be said in JSON."""
    from acqd.dash.reading import NotUnderstood, place_of

    topic, _, payload = data.partition(b"\n")
    place = place_of(topic.decode("utf-8", "replace"), "acqd")
    if place is None:
        return
    state = _filled()
    try:
        state.take(place, payload, retained=False, now_s=NOW_S)
    except NotUnderstood:
        return
    json.dumps(state.everything(NOW_S), allow_nan=False)


@lru_cache(maxsize=1)
def _filled() -> Any:
    from acqd.dash.reading import place_of
    from acqd.dash.state import State

    state = State(NOW_S)
    for topic, payload in documented():
        place = place_of(topic, "acqd")
        if place is not None:
            state.take(place, payload, retained=False, now_s=NOW_S)
    return state


def _stations(data: bytes) -> None:
    """``acqd status --all``: what it makes of others' messages, as text and as JSON."""
    from acqd.cli.status_all import as_json, lines_of
    from acqd.publish.gathering import StationTold, take

    stations: dict[str, StationTold] = {}
    for topic, payload in documented():
        take(stations, "acqd", topic, payload)
    topic, _, payload = data.partition(b"\n")
    take(stations, "acqd", topic.decode("utf-8", "replace"), payload)
    told = [stations[name] for name in sorted(stations)]
    json.dumps(as_json(told))
    for line in lines_of(told, zone="UTC", now_s=NOW_S):
        if not line.isprintable():
            raise AssertionError(f"not plain: {line!r}")


def _asks(data: bytes) -> None:
    from acqd.dash.frames import read_ask
    from acqd.dash.reading import NotUnderstood

    try:
        read_ask(data.decode("utf-8", "replace"))
    except NotUnderstood:
        return


TARGETS = (
    Target(
        name="context",
        what="values of a context, from a topic or a file",
        run=_values,
        seeds=lambda: [
            b"21.5",
            b"on",
            b'{"value": 13.8, "unit": "V"}',
            b'{"supply": {"voltage": "12,6"}}',
            b'{"supply.voltage": true}',
        ],
        words=WORDS,
        most_bytes=1024,
    ),
    Target(
        name="live page",
        what="messages under the stations' topics, to the live page",
        run=_page,
        seeds=_seeds,
        words=WORDS,
        most_bytes=8192,
    ),
    Target(
        name="other stations",
        what="messages under the stations' topics, to `acqd status --all`",
        run=_stations,
        seeds=_seeds,
        words=WORDS,
        guided=False,
        most_bytes=8192,
    ),
    Target(
        name="viewers",
        what="what a viewer's page asks of the live page's server",
        run=_asks,
        seeds=lambda: [
            b'{"ask":"frame","view":{"station":"a","job":"b","span_s":3600},'
            b'"have":{"version":1,"finding":2,"epoch":3,"seq":4,"detail":{"x":1}}}',
        ],
        words=WORDS,
        most_bytes=1024,
    ),
)
