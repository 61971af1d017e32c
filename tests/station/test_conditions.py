"""What sets sweeps aside and what jobs wait for: by itself, and in a whole station."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from acqd.archive.reader import open_archive
from acqd.archive.records import GapRecord
from acqd.config.load import parse_config
from acqd.config.recorded import recorded_config
from acqd.errors import ConfigError
from acqd.report.gather import gather
from acqd.report.page import html
from acqd.station.conditions import (
    STEADY_S,
    UNKNOWN_TOLD_S,
    Condition,
    OnlyRules,
    OnlyWhile,
    keyed,
)
from acqd.station.context import ContextSpec, ContextStore
from acqd.station.replay import Replay
from acqd.sweep import SweepFlag
from acqd.testing.clock import ManualClock
from acqd.testing.sweepers import ScriptedDriver
from context_parts import HOST, JOB, say

SUPPLY = Condition(context="supply", below=11.0, unit="V")


# ---- by themselves ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("condition", "holds", "text"),
    [
        (keyed("lamp"), {0.5: True, 1.0: True, 0.49: False}, "lamp is on"),
        (SUPPLY, {10.99: True, 11.0: False, 12.0: False}, "supply is below 11 V"),
        (
            Condition(context="t", at_least=-5.0, at_most=40.0, unit="degC"),
            {-5.0: True, 40.0: True, 41.0: False, -5.1: False},
            "t is at least −5 degC and at most 40 degC",
        ),
        (Condition(context="t", above=3.0), {3.0: False, 3.1: True}, "t is above 3"),
    ],
)
def test_a_condition_holds_within_its_bounds(
    condition: Condition, holds: dict[float, bool], text: str
) -> None:
    assert {value: condition.holds(value) for value in holds} == holds
    assert {value: condition.contrary().holds(value) for value in holds} == {
        value: not expected for value, expected in holds.items()
    }
    assert condition.text == text


def test_what_held_at_any_time_of_a_sweep_is_known() -> None:
    """Between two words; not before, not after, nor when the word is too old."""
    clock = ManualClock()
    store = ContextStore([ContextSpec(name="supply", max_age_s=10.0)], clock, watched=[SUPPLY])
    broken = SUPPLY.contrary()
    store.hear("supply", b"12")
    clock.advance(1.0)
    store.hear("supply", b"10.5")
    clock.advance(0.5)
    store.hear("supply", b"12")
    clock.advance(1.0)
    now_s = clock.monotonic_s()
    assert store.held_since(SUPPLY, now_s - 1.1)
    assert not store.held_since(SUPPLY, now_s - 0.9)
    assert store.held_since(broken, now_s)
    clock.advance(10.0)
    assert not store.held_since(broken, clock.monotonic_s() - 0.5)
    assert store.held_since(broken, clock.monotonic_s() - 1.5)


async def test_a_job_waits_until_its_conditions_hold_and_a_little_longer() -> None:
    clock, told = ManualClock(), []
    specs = [ContextSpec(name=name, max_age_s=100.0) for name in ("supply", "lamp")]
    store = ContextStore(specs, clock)

    async def tell(what: str, text: str, job: str) -> None:
        told.append((what, job, text))

    enough = Condition(context="supply", at_least=11.0, unit="V")
    rules = OnlyRules(
        store,
        {
            "waits": (OnlyWhile(condition=enough), OnlyWhile(condition=keyed("lamp"))),
            "sweeps": (OnlyWhile(condition=enough, or_unknown=True),),
            "free": (),
        },
        tell=tell,
        clock=clock,
    )
    assert set(rules.jobs) == {"waits", "sweeps"}
    both = "it sweeps only while supply is at least 11 V and lamp is on, which nobody knows"
    assert (rules.why("waits"), rules.why("sweeps"), rules.why("free")) == (both, None, None)
    await rules.tell()
    clock.advance(UNKNOWN_TOLD_S)
    for _ in range(3):
        rules.why("waits")
        await rules.tell()
    assert [(what, job) for what, job, _ in told] == [("not_ready", "waits")]
    store.hear("supply", b"10")
    store.hear("lamp", b"on")
    assert rules.why("waits") == "it sweeps only while supply is at least 11 V"
    assert rules.why("sweeps") == rules.why("waits")
    store.hear("supply", b"12")
    assert rules.why("waits") is not None
    clock.advance(STEADY_S)
    assert rules.why("waits") is None and rules.why("sweeps") is None
    await rules.tell()
    assert [what for what, *_ in told] == ["not_ready", "ready_again"]
    clock.advance(101.0)
    assert rules.why("sweeps") is None
    assert "which nobody knows" in str(rules.why("waits"))


# ---- what the config says -----------------------------------------------------------------------

CONFIG = """\
[station]
name = "lookout"
archive = "archive"

[mqtt]
broker = "local"

[sweeper.mast]
driver = "sim"
address = "sim:mast"

[context.supply]
topic = "ledge/supply"
unit = "V"

[context.lamp]
topic = "ledge/lamp"

[context.volts]
file = "volts"
unit = "V"

[job.marine-vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
when = {{ every = "2 s" }}
{more}
"""

BEFORE = """
[job.marine-vhf.before]
publish = "ledge/relay/set"
payload = "bridge"
confirm = {confirm}
"""


def problems(more: str, *edits: tuple[str, str]) -> list[str]:
    text = CONFIG.format(more=more)
    for old, new in edits:
        text = text.replace(old, new)
    with pytest.raises(ConfigError) as raised:
        parse_config(text, "station.toml")
    return [str(one) for one in raised.value.problems]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ('flag_while = "lamp-room"', "there is no context `lamp-room`; did you mean"),
        ('flag_while = "supply"', "is in V, and nothing says from where on it holds"),
        ('flag_while = { context = "supply", below = 11 }', "the unit of context `supply` is `V`"),
        ('flag_while = { context = "supply", below = "11 mV" }', "is `V` (given: \"11 mV\")"),
        ('flag_while = { context = "lamp", below = "1 V" }', "context `lamp` has no unit"),
        ('flag_while = { context = "supply", below = "eleven" }', "not a number"),
        ('flag_while = { context = "supply", below = "1 V", at_most = "2 V" }', "exclude each"),
        ('only_while = { context = "supply", above = "2 V", below = "2 V" }', "nothing lies"),
        ('only_while = { context = "supply", above = "2 V", unknown = "go" }', '"wait" or "sweep"'),
        ('flag_while = { context = "supply", above = "2 V", unknown = "wait" }', "unknown key"),
        ("flag_while = 5", "not a table"),
        ('flag_while = ["lamp", { below = "1 V" }]', "`context` is missing"),
        (BEFORE.format(confirm='{ topic = "ledge/relay" }'), "nothing says which word"),
        (BEFORE.format(confirm='{ topic = "ledge/relay/set", is = "x" }'), "would hear itself"),
        (BEFORE.format(confirm='{ topic = "acqd/lookout/x", is = "x" }'), "station's own topics"),
        (BEFORE.format(confirm='{ topic = "ledge/+", is = "x" }'), "not one topic"),
        (BEFORE.format(confirm='{ topic = "a", is = "x", below = "1 V" }'), "has no meaning"),
        (BEFORE.format(confirm='{ context = "supply", is = "x" }'), "has no meaning with"),
        (BEFORE.format(confirm='{ context = "supply", at_least = "11 mV" }'), "is `V`"),
        (BEFORE.format(confirm='{ context = "volts", at_least = "11 V" }'), "looked at every 5 s"),
        (BEFORE.format(confirm='{ context = "lamp", topic = "a" }'), "exclude each"),
        (BEFORE.format(confirm="{}"), "nothing says what confirms it"),
        ('after = { publish = "a", payload = "b" }', "nothing is asked for before a pass"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused_in_a_line(more: str, words: str) -> None:
    (problem,) = problems(more)
    assert words in problem and "accepted: " in problem and "station.toml:" in problem


def test_nobody_can_be_asked_without_a_broker() -> None:
    more = BEFORE.format(confirm='{ topic = "a", is = "x" }')
    (problem,) = problems(more, ('broker = "local"', 'broker = "none"'))
    assert "nobody can be asked" in problem and "[mqtt]" in problem


def test_none_of_it_changes_what_makes_sweeps_comparable() -> None:
    """The flag is kept with the sweep, so a replay needs no condition."""
    more = (
        'flag_while = ["lamp", { context = "supply", below = "11 V" }]\nonly_while = "lamp"\n'
        + BEFORE.format(confirm='{ topic = "ledge/relay", is = "bridge" }')
    )
    with_all = parse_config(CONFIG.format(more=more), "station.toml")
    without = parse_config(CONFIG.format(more=""), "station.toml")
    assert with_all.job_digest_source(JOB) == without.job_digest_source(JOB)
    again = recorded_config(JOB, with_all.job_source(JOB))
    assert again.jobs[JOB].flag_while == () and again.jobs[JOB].before is None


# ---- a whole station ----------------------------------------------------------------------------


@pytest.mark.slow
async def test_sweeps_are_set_aside_while_a_condition_holds(
    bench: Any, inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """The supply sags while the third sweep is under way. The report draws it, counts it and says
    how long; a replay comes to the same."""
    under_way, go_on = threading.Event(), threading.Event()

    class Waits(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            if len(self.swept) == 2:
                under_way.set()
                assert go_on.wait(20.0)
            return super().next_trace(request, context)

    port = bench.broker().port
    say(port, "ledge/supply", "12.6", retain=True)
    more = 'flag_while = ["lamp", { context = "supply", below = "11 V" }]'
    tables = [
        job_table(JOB, when='every = "500 ms"', more=more),
        '[context.supply]\ntopic = "ledge/supply"\nunit = "V"\n',
        '[context.lamp]\ntopic = "ledge/lamp"\n',
    ]
    here = inside({"mast": Waits(estimate_s=10.0)}, tables, broker=f"mqtt://{HOST}:{port}")
    async with here:
        store = here.station.context
        await here.until("the third sweep", under_way.is_set)
        for volts in ("10.4", "12.6"):
            await asyncio.to_thread(say, port, "ledge/supply", volts, retain=True)
            await here.until("it", lambda volts=volts: store.value("supply") == float(volts))
        go_on.set()
        await here.until("more sweeps", lambda: here.station._jobs[JOB].last_seq >= 6)
    archive = open_archive(here.archive)
    flags = archive.sweeps(JOB)["flags"]
    aside = (flags.values & SweepFlag.SET_ASIDE) != 0
    assert np.flatnonzero(aside).tolist() == [2]
    assert flags.attrs["flag_meanings"].split()[-1] == "set_aside"
    told = list(Replay(archive=archive, job=JOB).run())
    summaries = [one.summary for t in told for one in t.outputs if one.summary is not None]
    assert [one["listening"] for one in summaries[:4]] == [True, True, False, True]
    start_s, stop_s = float(flags.time.values[0].astype("int64")) / 1e9 - 1.0, 4e9
    report = gather(here.archive, start_s=start_s, stop_s=stop_s, zone="UTC")
    (job,) = report.jobs
    assert job.coverage.flagged["set_aside"] == 1
    assert job.coverage.listened == job.coverage.stored - 1
    (spell,) = [one for one in job.spells if one.what == "set_aside"]
    assert not spell.is_listening and spell.text.startswith("set aside by the job's conditions, ")
    assert "set aside by the job&#39;s conditions" in html(report) or spell.text in html(report)


@pytest.mark.slow
async def test_a_flood_of_words_costs_no_sweep(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    check_accounts: Callable[..., list[int]],
) -> None:
    """A contact that chatters, 1000 words a second: sweeps meanwhile are set aside, each due time
    is accounted for, and the job listens again when it is over."""

    class Takes50Ms(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            time.sleep(0.05)
            return super().next_trace(request, context)

    port = bench.broker().port
    more = 'flag_while = "winch"'
    tables = [
        job_table(JOB, when='every = "200 ms"', more=more),
        '[context.winch]\ntopic = "ledge/winch"\n',
    ]
    here = inside({"mast": Takes50Ms()}, tables, broker=f"mqtt://{HOST}:{port}")

    def chatter() -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect(HOST, port)
        client.loop_start()
        for number in range(5000):
            client.publish("ledge/winch", str(number % 2), qos=0)
            if number % 10 == 9:
                time.sleep(0.01)
        client.publish("ledge/winch", "0", qos=1).wait_for_publish(10.0)
        client.disconnect()
        client.loop_stop()

    async with here:
        await here.until("a sweep", lambda: here.station._jobs[JOB].last_seq >= 1)
        began_s = time.time()
        await asyncio.to_thread(chatter)
        ended_s = time.time()
        seq = here.station._jobs[JOB].last_seq
        await here.until("more", lambda: here.station._jobs[JOB].last_seq >= seq + 4)
    archive = open_archive(here.archive)
    sweeps = archive.sweeps(JOB)
    started_s = sweeps.time.values.astype("int64") / 1e9
    aside = (sweeps["flags"].values & SweepFlag.SET_ASIDE) != 0
    within = (started_s > began_s + 0.5) & (started_s < ended_s - 0.5)
    assert within.sum() >= 5 and aside[within].mean() > 0.9
    assert not aside[-1]
    check_accounts(archive, JOB, every_s=0.2)


@pytest.mark.slow
async def test_a_job_sweeps_only_while_its_condition_holds(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    check_accounts: Callable[..., list[int]],
) -> None:
    """It waits while nobody knows; sweeps while the lamp is on; a pass that had begun goes on, and
    its sweeps after the lamp went out are set aside; what it misses is paused with the reason."""
    under_way, go_on = threading.Event(), threading.Event()

    class Waits(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            if len(self.swept) == 1:
                under_way.set()
                assert go_on.wait(20.0)
            return super().next_trace(request, context)

    port = bench.broker().port
    ear = bench.ear(port)
    tables = [
        job_table(JOB, when='every = "200 ms", burst = 3', more='only_while = "lamp"'),
        '[context.lamp]\ntopic = "ledge/lamp"\nmax_age = "10 min"\n',
    ]
    driver = Waits(estimate_s=10.0)
    here = inside({"mast": driver}, tables, broker=f"mqtt://{HOST}:{port}")
    unknown = "it sweeps only while lamp is on, which nobody knows"
    async with here:
        await here.until("the wait", lambda: here.events("job_held", job=JOB, why=unknown))
        await here.until("the broker", lambda: here.events("context_connected"))
        await asyncio.sleep(0.5)
        assert not driver.swept
        await asyncio.to_thread(say, port, "ledge/lamp", "on")
        await here.until("a sweep", under_way.is_set)
        await asyncio.to_thread(say, port, "ledge/lamp", "off")
        await here.until("the word", lambda: here.station.context.value("lamp") == 0.0)
        go_on.set()
        known = "it sweeps only while lamp is on"
        await here.until("the wait", lambda: here.events("job_held", job=JOB, why=known))
        await here.until("its pass", lambda: here.station._jobs[JOB].last_seq == 3)
        await asyncio.sleep(0.5)
        assert here.station._jobs[JOB].last_seq == 3
    archive = open_archive(here.archive)
    flags = archive.sweeps(JOB)["flags"].values & SweepFlag.SET_ASIDE
    assert (flags != 0).tolist() == [False, True, True]
    gaps = [one for one in archive.events(JOB) if isinstance(one, GapRecord) and one.count]
    paused = {one.detail for one in gaps if one.reason == "paused"}
    assert {unknown, known} <= paused
    check_accounts(archive, JOB, every_s=0.2, burst=3)
    states = [(one["state"], one["reason"]) for one in ear.heard(f"/{JOB}/state")]
    assert ("paused", unknown) in states and ("paused", known) in states


def test_the_page_shows_tables_that_are_right() -> None:
    import re

    page = (Path(__file__).parents[2] / "docs" / "ready.md").read_text("utf-8")
    sweeper = '[sweeper.bench]\ndriver = "sim"\naddress = "sim:bench"\n'
    text = '[station]\nname = "ledge"\narchive = "a"\n' + sweeper
    (tables,) = re.findall(r"```toml\n(.*?)```", page, flags=re.DOTALL)
    config = parse_config(text + tables, "station.toml")
    assert config.jobs["bridge"].before is not None and config.jobs["bridge"].after is not None
