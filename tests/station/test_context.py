"""Values from topics and files go with the sweeps, and keyed transmitters flag or hold them."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from acqd.clock import Clock
from acqd.config.load import parse_config
from acqd.errors import ConfigError
from acqd.station.context import (
    PAYLOAD_MOST_BYTES,
    ContextSpec,
    ContextStore,
    read_value,
)
from acqd.station.holds import HoldWatch
from acqd.station.ptt import HANG_S, KeyRules, PttRule
from acqd.testing.clock import ManualClock
from context_parts import PTT

# ---- what a payload says ------------------------------------------------------------------------

SPEC = ContextSpec(name="lamp-room")


@pytest.mark.parametrize(
    ("payload", "more", "value"),
    [
        (b"23.5", {}, 23.5),
        (b"  -4\n", {}, -4.0),
        (b"+.5e1", {}, 5.0),
        (b"12.", {}, 12.0),
        (b"\xef\xbb\xbf21", {}, 21.0),
        (b"48312\n", {"scale": 0.001}, 48312 * 0.001),
        (b"ON", {}, 1.0),
        (b"off", {}, 0.0),
        (b"true", {}, 1.0),
        (b'"False"', {}, 0.0),
        (b"Transmit", {"words": {"transmit": 1.0, "receive": 0.0}}, 1.0),
        (b"on", {"words": {"ON": 7.0}}, 7.0),
        (b"1", {"words": {"1": 0.0, "0": 1.0}}, 0.0),
        (b'"23.5"', {}, 23.5),
        (b'{"bench": {"degrees": 23.5}}', {"key": "bench.degrees"}, 23.5),
        (b'{"bench.degrees": 3}', {"key": "bench.degrees"}, 3.0),
        (b'{"a.b": {"c": "4.5"}, "a": 1}', {"key": "a.b.c"}, 4.5),
        (b'{"on": true}', {"key": "on"}, 1.0),
        (b'{"volt": 12600}', {"key": "volt", "scale": 1e-3}, 12600 * 1e-3),
        (b"", {}, None),
        (b" \n", {}, None),
        (b"null", {}, None),
        (b'{"t": null}', {"key": "t"}, None),
    ],
)
def test_numbers_words_and_json_are_read(
    payload: bytes, more: dict[str, Any], value: float | None
) -> None:
    assert read_value(payload, replace(SPEC, **more)) == value


@pytest.mark.parametrize(
    ("payload", "more", "why"),
    [
        (b"warm", {}, "neither a number nor a word that is known: 'warm'"),
        (b"23,5", {}, "neither a number"),
        (b"23.5 C", {}, "neither a number"),
        (b"1_000", {}, "neither a number"),
        (b"0x10", {}, "neither a number"),
        ("٣".encode(), {}, "neither a number"),
        (b"nan", {}, "neither a number"),
        (b"NaN", {}, "no finite number"),
        (b"-Infinity", {}, "no finite number"),
        (b"1e999", {}, "no finite number"),
        (b"1e300", {"scale": 1e9}, "no finite number"),
        (b'{"t": 1' + b"0" * 400 + b"}", {"key": "t"}, "no finite number"),
        (b'{"t": 1}', {}, "`key` does not say which"),
        (b'{"t": 1}', {"key": "u"}, "no `u` in"),
        (b'{"t": 1}', {"key": "t.u"}, "no JSON object with `t.u`"),
        (b"23", {"key": "t"}, "no JSON object"),
        (b"[23]", {}, "neither a number"),
        (b"[" * PAYLOAD_MOST_BYTES, {}, "neither a number"),
        (b"\xff\xfe", {}, "not text in UTF-8"),
        (b"1" * (PAYLOAD_MOST_BYTES + 1), {}, "longer than 8192 bytes"),
    ],
)
def test_what_cannot_be_read_says_why(payload: bytes, more: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError, match=re.escape(why)) as raised:
        read_value(payload, replace(SPEC, **more))
    assert len(str(raised.value)) < 150


# ---- the store ----------------------------------------------------------------------------------


def store_of(clock: Clock, **more: Any) -> ContextStore:
    return ContextStore([replace(SPEC, max_age_s=60.0, **more)], clock)


def test_a_value_is_fresh_until_its_age() -> None:
    clock = ManualClock()
    store = store_of(clock)
    assert store.fresh() == {} and store.value("lamp-room") is None
    store.hear("lamp-room", b"21.5")
    clock.advance(60.0)
    assert store.fresh() == {"lamp-room": 21.5}
    clock.advance(0.001)
    assert store.fresh() == {}
    store.hear("lamp-room", b"22", age_s=59.0)
    clock.advance(2.0)
    assert store.value("lamp-room") is None
    assert store.value("nobody") is None


def test_a_sleep_of_the_host_ages_values() -> None:
    clock = ManualClock()
    store = store_of(clock)
    store.hear("lamp-room", b"21.5")
    clock.suspend(8 * 3600.0)
    assert store.fresh() == {}


def test_a_set_clock_ages_nothing() -> None:
    clock = ManualClock()
    store = store_of(clock)
    store.hear("lamp-room", b"21.5")
    clock.step_wall(86400.0)
    assert store.fresh() == {"lamp-room": 21.5}


def test_junk_leaves_the_last_value_until_it_is_too_old() -> None:
    clock = ManualClock()
    store = store_of(clock)
    store.hear("lamp-room", b"21.5")
    with pytest.raises(ValueError, match="neither"):
        store.hear("lamp-room", b"warm")
    assert store.value("lamp-room") == 21.5
    store.hear("lamp-room", b"")
    assert store.value("lamp-room") is None


def test_a_retained_message_that_comes_again_keeps_its_age() -> None:
    """It comes with each connection; another value, or one after none, is news."""
    clock = ManualClock()
    store = store_of(clock)
    store.hear("lamp-room", b"21.5", retained=True)
    clock.advance(50.0)
    store.hear("lamp-room", b"21.5", retained=True)
    clock.advance(20.0)
    assert store.value("lamp-room") is None
    store.hear("lamp-room", b"21.6", retained=True)
    assert store.value("lamp-room") == 21.6
    store.lose("lamp-room")
    store.hear("lamp-room", b"21.6", retained=True)
    assert store.value("lamp-room") == 21.6


def test_a_key_counts_from_its_word_to_the_next() -> None:
    clock = ManualClock()
    store = store_of(clock)

    def ago(seconds: float) -> bool:
        return store.keyed_since("lamp-room", clock.monotonic_s() - seconds)

    assert not ago(1e6)
    store.hear("lamp-room", b"off")
    clock.advance(10.0)
    assert not ago(1e6)
    store.hear("lamp-room", b"0.5")
    assert ago(0.0)
    clock.advance(5.0)
    assert ago(0.0)
    store.hear("lamp-room", b"0.49")
    assert ago(0.0)
    clock.advance(3.0)
    assert ago(3.0) and not ago(2.9)
    # A second, shorter one ends later; and one that came and went between two looks counts.
    store.hear("lamp-room", b"on")
    store.hear("lamp-room", b"off")
    assert ago(0.0)
    clock.advance(1.0)
    assert ago(1.0) and not ago(0.9)
    assert not store.lost_keyed("lamp-room")


@pytest.mark.parametrize("how", ["too old", "gone"])
def test_a_lost_key_is_let_go(how: str) -> None:
    clock = ManualClock()
    store = store_of(clock)
    store.hear("lamp-room", b"on")
    clock.advance(30.0)
    if how == "gone":
        store.lose("lamp-room")
        clock.advance(10.0)
        known_s = 10.0
    else:
        clock.advance(40.0)
        known_s = 10.0
    assert store.lost_keyed("lamp-room")
    assert store.keyed_since("lamp-room", clock.monotonic_s() - known_s)
    assert not store.keyed_since("lamp-room", clock.monotonic_s() - known_s + 0.1)
    store.hear("lamp-room", b"on")
    assert not store.lost_keyed("lamp-room")


def test_values_are_bounded_in_number() -> None:
    specs = [ContextSpec(name=f"c{number}") for number in range(65)]
    assert len(ContextStore(specs[:64], ManualClock()).specs) == 64
    with pytest.raises(ValueError, match="at most 64"):
        ContextStore(specs, ManualClock())
    with pytest.raises(ValueError, match="names of their own"):
        ContextStore([SPEC, SPEC], ManualClock())


# ---- what the config says -----------------------------------------------------------------------

CONFIG = """\
[station]
name = "lookout"
archive = "archive"

[mqtt]
broker = "{broker}"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
absolute_max = "20 dBm"

[job.marine-vhf]
kind = "band"
sweeper = "mast"
chain = "aerial"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
when = {{ every = "2 s" }}

"""


def test_more_contexts_than_go_with_a_sweep_are_refused() -> None:
    tables = "".join(f'[context.c{n}]\nfile = "f{n}"\n' for n in range(66))
    text = CONFIG.format(broker="none") + tables + PTT.format(max_age="1 min", what="flag")
    with pytest.raises(ConfigError) as raised:
        parse_config(text, "station.toml")
    problems = [str(one) for one in raised.value.problems]
    assert len(problems) == 3
    assert "context.c64" in problems[0] and "at most 64 tables" in problems[0]


@pytest.mark.parametrize(
    ("broker", "edit", "words"),
    [
        ("none", ("", ""), "context.key.topic: nothing is heard of it"),
        ("local", ('topic = "ledge/vhf/key"', 'file = "key"'), "transmitter.base.ptt: comes from"),
        ("local", ("", ""), ""),
    ],
    ids=["no broker", "key in a file", "well"],
)
def test_notes_say_what_cannot_be_heard(broker: str, edit: tuple[str, str], words: str) -> None:
    text = CONFIG.format(broker=broker) + PTT.format(max_age="1 min", what="flag")
    notes = parse_config(text.replace(*edit) if edit[0] else text, "station.toml").notes()
    told = [note for note in notes if "context" in note or "transmitter" in note]
    assert [words in note for note in told] == ([True] if words else [])


def test_the_page_shows_tables_that_are_right() -> None:
    page = (Path(__file__).parents[2] / "docs" / "context.md").read_text("utf-8")
    tables, *keys = re.findall(r"```toml\n(.*?)```", page, flags=re.DOTALL)
    config = parse_config(CONFIG.format(broker="local") + tables, "station.toml")
    assert config.notes() == ()
    others = ("winch", "lamp", "generator")
    more = "".join(f'[context.{name}]\nfile = "{name}"\n' for name in others)
    for line in "".join(keys).splitlines():
        job = CONFIG.format(broker="local").replace('rbw = "10 kHz"', line)
        told = parse_config(job + tables + more, "station.toml").jobs["marine-vhf"]
        assert told.flag_while or told.only_while
    assert {one.topic is None for one in config.context.values()} == {True, False}
    assert [one.while_keyed for one in config.transmitters.values()] == ["hold"]


# ---- who waits for a key ------------------------------------------------------------------------


async def test_jobs_wait_for_a_key_and_a_little_after_it() -> None:
    """Dots and words make one hold, and a lost key none: each is told once."""
    clock, held, told = ManualClock(), [], []
    store = ContextStore([ContextSpec(name=name, max_age_s=5.0) for name in "ab"], clock)
    rules = {
        "listens": (
            PttRule(transmitter="one", context="a", hold=True),
            PttRule(transmitter="two", context="b", hold=True),
        ),
        "marks": (PttRule(transmitter="one", context="a"),),
        "far": (),
    }

    async def tell(what: str, text: str, figures: Mapping[str, Any]) -> None:
        told.append((what, figures["transmitter"]))

    keys = KeyRules(store, rules, tell=tell, clock=clock)
    watch = HoldWatch(store, [keys], hold=lambda *what: held.append(what))
    running = asyncio.create_task(watch.run())

    async def then(seconds: float, *words: tuple[str, bytes]) -> None:
        clock.advance(seconds)
        for name, word in words:
            store.hear(name, word)
        store.news.set()
        for _ in range(5):
            await asyncio.sleep(0)

    await then(0.0, ("a", b"off"))
    for _ in range(10):
        await then(0.3, ("a", b"on"))
        await then(0.3, ("a", b"off"))
        await then(0.3)
    assert held == [("listens", "transmitter one is keyed")]
    await then(0.1, ("a", b"on"), ("b", b"on"))
    assert held[-1] == ("listens", "transmitters one, two are keyed")
    await then(1.0, ("b", b"off"), ("a", b"off"))
    await then(HANG_S + 0.01)
    assert held[-1] == ("listens", None) and len(held) == 3
    await then(0.1, ("a", b"on"))
    await then(5.1)
    await then(HANG_S)
    assert held[3:] == [("listens", "transmitter one is keyed"), ("listens", None)]
    await then(60.0)
    assert told == [("ptt_lost", "one")]
    await then(0.0, ("a", b"on"))
    await then(6.0)
    assert told == [("ptt_lost", "one")] * 2
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running
