"""Before and after a pass: a relay at a real mosquitto is asked, answers or not, is put back."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import open_archive
from acqd.archive.records import GapRecord, SweepRecord
from acqd.errors import TransportClosed
from acqd.sweep import SweepFlag
from acqd.testing.sweepers import ScriptedDriver
from relay import SAYS, Answer, Relay, around, at_once, never

JOB = "bridge"
RHYTHM = 'every = "300 ms"'

pytestmark = pytest.mark.slow


@pytest.fixture
def relays() -> Iterator[Callable[..., Relay]]:
    """Relays that end with the test."""
    made: list[Relay] = []

    def make(port: int, answer: Answer = at_once, **more: Any) -> Relay:
        made.append(Relay(port, answer, **more))
        return made[-1]

    yield make
    for one in made:
        one.end()


def gaps_of(archive: Any, job: str, reason: str) -> list[GapRecord]:
    found = [one for one in open_archive(archive).events(job) if isinstance(one, GapRecord)]
    return [one for one in found if one.reason == reason]


def words_of(archive: Any, job: str) -> list[str]:
    return [one.what for one in open_archive(archive).findings(job)]


async def test_each_pass_is_made_ready_and_put_back(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
    check_accounts: Callable[..., list[int]],
) -> None:
    """The relay is at the bridge during every sweep of the job, and of no sweep of the other."""
    broker = bench.broker()
    relay = relays(broker.port)
    at: list[tuple[int, str]] = []

    class Looks(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            at.append((request.points, relay.words[-1]))
            return super().next_trace(request, context)

    other = job_table("aerial", when=RHYTHM).replace("points = 101", "points = 51")
    tables = [job_table(JOB, when=RHYTHM), around(JOB), other]
    here = inside({"mast": Looks()}, tables, broker=broker.url)
    async with here:
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= 5)
        assert not here.events("not_ready")
    assert {word for points, word in at if points == 101} == {"bridge"}
    assert {word for points, word in at if points == 51} == {"aerial"}
    # Put back first of all, then by turns, and at rest in the end.
    assert relay.words[0] == "aerial" and relay.words[-1] == "aerial"
    assert ("bridge", "bridge") not in set(pairwise(relay.words))
    check_accounts(open_archive(here.archive), JOB, every_s=0.3)
    sweeps = open_archive(here.archive).sweeps(JOB)
    assert not (sweeps["flags"].values & SweepFlag.SET_ASIDE).any()


@pytest.mark.parametrize("how", ["never", "late", "wrong word", "flaps", "retained", "before"])
async def test_without_a_fresh_confirmation_nothing_is_swept(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
    check_accounts: Callable[..., list[int]],
    how: str,
) -> None:
    """Accounted for with what was heard, told once, put back each time; the other job goes on."""

    def answer(word: str) -> Sequence[tuple[float, str]]:
        if word == "aerial":
            return ((0.0, "aerial"),)
        return {
            "never": (),
            "late": ((1.3, "bridge"),),
            "wrong word": ((0.0, "Bridge"),),
            "flaps": tuple((0.02 * n, ("bridge", "aerial")[n % 2]) for n in range(75)),
            "retained": (),
            "before": (),
        }[how]

    broker = bench.broker()
    relay = relays(broker.port, answer)
    if how == "retained":
        relay.say("bridge", retain=True)
    driver = ScriptedDriver()
    quick = job_table("aerial", when=RHYTHM).replace("points = 101", "points = 51")
    more = 'settle = "100 ms"'
    tables = [job_table(JOB, when='every = "2 s"'), around(JOB, within="800 ms", more=more), quick]
    here = inside({"mast": driver}, tables, broker=broker.url)
    async with here:
        if how == "before":
            # A word from before the request says where the relay was, not where it is.
            relay.say("bridge", retain=False)
        await here.until("asked twice", lambda: relay.words.count("bridge") >= 2)
        await here.until("put back", lambda: relay.words[-1] == "aerial")
        await here.until("the other", lambda: here.station._jobs["aerial"].last_seq >= 3)
    assert not any(request.points == 101 for request in driver.swept)
    assert words_of(here.archive, JOB) == ["not_ready"]
    gaps = gaps_of(here.archive, JOB, "not ready")
    assert sum(one.count for one in gaps) >= 1
    said = {
        "never": "nothing was heard",
        "late": "nothing was heard",
        "wrong word": "the last word was 'Bridge'",
        "flaps": "the last word was",
    }.get(how, "nothing was heard")
    assert any(said in one.detail for one in gaps)
    assert relay.words.count("aerial") >= relay.words.count("bridge")
    check_accounts(open_archive(here.archive), JOB, every_s=2.0)


async def test_a_job_that_is_ready_again_says_so(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """The relay gets its supply back: one finding for each, and the state tells why it waits."""
    broker = bench.broker()
    ear = bench.ear(broker.port)
    relay = relays(broker.port, never)
    tables = [job_table(JOB, when=RHYTHM), around(JOB, within="300 ms", after='within = "300 ms"')]
    here = inside({"mast": ScriptedDriver()}, tables, broker=broker.url)
    async with here:
        await here.until("asked", lambda: relay.words.count("bridge") >= 2)
        relay.answer = at_once
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= 2)
    assert words_of(here.archive, JOB) == ["not_ready", "ready_again"]
    states = [(one["state"], one["reason"]) for one in ear.heard(f"/{JOB}/state")]
    (why,) = {reason for state, reason in states if state == "paused"}
    assert "no 'bridge' on ledge/relay within 0.3 s" in why
    assert states[-1][0] == "listening"


async def test_the_last_word_will_do_where_that_is_said(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """A relay that says its place when it moves only, and keeps it retained."""
    broker = bench.broker()
    relay = relays(broker.port, never, retains=True)
    relay.say("bridge")
    tables = [
        job_table(JOB, when=RHYTHM),
        around(
            JOB,
            after=False,
            confirm='topic = "ledge/relay", is = "bridge", standing = true',
        ),
    ]
    here = inside({"mast": ScriptedDriver()}, tables, broker=broker.url)
    async with here:
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= 2)
        relay.say("aerial")
        await here.until("not ready", lambda: here.events("not_ready"), limit_s=15.0)


async def test_a_context_confirms_it(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """A voltage that was measured after the request; one from before does not count."""
    broker = bench.broker()
    volts = {"bridge": "12.1", "aerial": "0"}
    relay = relays(broker.port, lambda word: ((0.0, volts[word]),))
    context = f'[context.relay-volts]\ntopic = "{SAYS}"\nunit = "V"\n'
    tables = [
        job_table(JOB, when=RHYTHM),
        around(
            JOB,
            within="500 ms",
            after='confirm = { context = "relay-volts", below = "1 V" }\nwithin = "500 ms"',
            confirm='context = "relay-volts", at_least = "11 V"',
        ),
        context,
    ]
    here = inside({"mast": ScriptedDriver()}, tables, broker=broker.url)
    async with here:
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= 2)
        relay.answer = never
        await here.until("the end", lambda: here.events("not_ready"))
        relay.say("12.1")
        count = len(relay.words)
        await here.until("asked again", lambda: relay.words[count:].count("bridge") >= 2)
    swept = open_archive(here.archive).sweeps(JOB)
    assert set(swept["context_relay-volts"].values.tolist()) == {12.1}
    (gap, *_) = gaps_of(here.archive, JOB, "not ready")
    assert "no relay-volts is at least 11 V within 0.5 s" in gap.detail


async def test_a_word_to_the_contrary_sets_the_rest_of_a_pass_aside(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """Somebody turns the relay by hand in the middle of a pass of six sweeps."""
    under_way, go_on = threading.Event(), threading.Event()

    class Waits(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            if len(self.swept) == 2:
                under_way.set()
                assert go_on.wait(20.0)
            return super().next_trace(request, context)

    broker = bench.broker()
    relay = relays(broker.port)
    tables = [job_table(JOB, when='every = "2 s", burst = 6'), around(JOB)]
    here = inside({"mast": Waits(estimate_s=10.0)}, tables, broker=broker.url)
    async with here:
        await here.until("the third sweep", under_way.is_set)
        relay.say("aerial")
        ready = here.station._readiness
        await here.until("the word", lambda: ready.doubtful_since(JOB, "mast", time.monotonic()))
        go_on.set()
        await here.until("two passes", lambda: here.station._jobs[JOB].last_seq >= 12)
    flags = open_archive(here.archive).sweeps(JOB)["flags"]
    aside = np.flatnonzero(flags.values & SweepFlag.SET_ASIDE).tolist()
    assert aside == [2, 3, 4, 5]
    assert 2048 in flags.attrs["flag_masks"]


@pytest.mark.parametrize("what", ["sweep failed", "sweeper lost", "exception", "stopped"])
async def test_however_a_pass_ends_the_world_is_put_back(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
    monkeypatch: pytest.MonkeyPatch,
    what: str,
) -> None:
    """A sweep that fails, a cable that is pulled, a fault of ours, a level near the damage."""
    broker = bench.broker()
    relay = relays(broker.port)
    during: list[str] = []

    class Fails(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            during.append(relay.words[-1])
            if len(during) == 2 and what == "sweeper lost":
                raise TransportClosed("the cable was pulled")
            if len(during) == 2 and what == "sweep failed":
                raise ValueError("nonsense")
            trace = super().next_trace(request, context)
            if len(during) == 2 and what == "stopped":
                trace.level[:] = 15.0
            return trace

    tables = [job_table(JOB, when='every = "400 ms", burst = 3'), around(JOB)]
    more = 'absolute_max = "20 dBm"'
    here = inside({"mast": Fails()}, tables, broker=broker.url, sweeper_more=more)
    if what == "exception":
        from acqd.station.passes import PassTaker

        async def fails(self: Any, job: Any, taken: Any) -> None:
            raise RuntimeError("a fault")

        monkeypatch.setattr(PassTaker, "_too_strong", fails)
        with pytest.raises(BaseExceptionGroup):
            async with here:
                await here.until("nothing", lambda: False)
    else:
        async with here:
            await here.until("the failure", lambda: len(during) >= 2)
            await here.until("put back", lambda: relay.words[-1] == "aerial")
            if what != "stopped":
                await here.until("more", lambda: here.station._jobs[JOB].last_seq >= 4)
    assert set(during) == {"bridge"}
    assert relay.words[-1] == "aerial"


async def test_a_stop_in_the_middle_of_a_pass_puts_it_back_in_its_time(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """With the source off first, and within the two seconds of a stop."""
    under_way = threading.Event()
    off_first: list[bool] = []

    class Long(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            under_way.set()
            context.cancel.wait(20.0) if hasattr(context, "cancel") else time.sleep(0.3)
            return super().next_trace(request, context)

    driver = Long(estimate_s=10.0)
    broker = bench.broker()

    def answer(word: str) -> Sequence[tuple[float, str]]:
        if word == "aerial" and under_way.is_set():
            off_first.append(not driver.source_on)
        return ((0.0, word),)

    relay = relays(broker.port, answer)
    here = inside({"mast": driver}, [job_table(JOB), around(JOB)], broker=broker.url)
    async with here:
        await here.until("a sweep", under_way.is_set)
        assert relay.words[-1] == "bridge"
        assert await here.stop() < 2.0
        assert relay.words[-1] == "aerial" and all(off_first) and off_first
    assert "not_put_back" not in words_of(here.archive, JOB)


async def test_a_broker_that_dies_between_before_and_after_is_waited_for(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """Told as not put back; what the other job sweeps meanwhile is set aside; put back at last."""
    under_way, go_on = threading.Event(), threading.Event()

    class Waits(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            if request.points == 101 and not go_on.is_set():
                under_way.set()
                assert go_on.wait(20.0)
            return super().next_trace(request, context)

    broker = bench.broker()
    relay = relays(broker.port)
    other = job_table("aerial", when=RHYTHM).replace("points = 101", "points = 51")
    tables = [job_table(JOB, when='every = "1 s"'), around(JOB, within="500 ms"), other]
    here = inside({"mast": Waits(estimate_s=10.0)}, tables, broker=broker.url)
    async with here:
        await here.until("a sweep", under_way.is_set)
        broker.end()
        go_on.set()
        await here.until("not put back", lambda: here.events("not_put_back", job=JOB))
        seq = here.station._jobs["aerial"].last_seq
        await here.until("the other", lambda: here.station._jobs["aerial"].last_seq >= seq + 2)
        count = len(relay.words)
        broker.start()
        # The job itself may be the first to ask again, and be put back after its pass.
        await here.until("put back", lambda: "aerial" in relay.words[count:], limit_s=60.0)
        await here.until("told", lambda: "ready_again" in _told(here))
        seq = here.station._jobs["aerial"].last_seq
        await here.until("the other", lambda: here.station._jobs["aerial"].last_seq >= seq + 3)
    words = words_of(here.archive, JOB)
    assert words[0] == "not_put_back" and words.count("not_put_back") == 1
    flags = open_archive(here.archive).sweeps("aerial")["flags"].values & SweepFlag.SET_ASIDE
    assert flags.any() and not flags[-1]


def _told(here: Any) -> list[str]:
    return [one["what"] for one in here.events("finding")]


async def test_jobs_of_one_relay_take_turns_on_two_sweepers(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """Each sweeps with the relay where it wants it, and the other waits meanwhile."""
    broker = bench.broker()
    relay = relays(broker.port)
    at: list[tuple[str, str]] = []

    class Looks(ScriptedDriver):
        def __init__(self, name: str) -> None:
            super().__init__(estimate_s=1.0)
            self.name = name

        def next_trace(self, request: Any, context: Any) -> Any:
            first = relay.words[-1]
            time.sleep(0.05)
            at.append((self.name, first))
            at.append((self.name, relay.words[-1]))
            return super().next_trace(request, context)

    load = around("load").replace('"bridge"', '"load"')
    tables = [
        *(job_table(JOB, "mast", when=RHYTHM), around(JOB)),
        *(job_table("load", "hut", when=RHYTHM), load),
    ]
    here = inside({"mast": Looks("bridge"), "hut": Looks("load")}, tables, broker=broker.url)
    async with here:
        for name in (JOB, "load"):
            await here.until(name, lambda name=name: here.station._jobs[name].last_seq >= 4)
    assert set(at) == {("bridge", "bridge"), ("load", "load")}


async def test_a_deaf_broker_costs_that_job_alone(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """Its process stands still: the other job goes on, and a stop takes no longer than it may."""
    broker = bench.broker()
    relays(broker.port)
    other = job_table("aerial", when=RHYTHM).replace("points = 101", "points = 51")
    tables = [job_table(JOB, when=RHYTHM), around(JOB, within="300 ms"), other]
    here = inside({"mast": ScriptedDriver()}, tables, broker=broker.url)
    async with here:
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= 2)
        assert broker.process is not None
        os.kill(broker.process.pid, signal.SIGSTOP)
        await here.until("not ready", lambda: here.events("not_ready"))
        seq = here.station._jobs["aerial"].last_seq
        await here.until("the other", lambda: here.station._jobs["aerial"].last_seq >= seq + 3)
        assert await here.stop() < 2.0
    texts = [one.text for one in open_archive(here.archive).findings(JOB)]
    assert any("did not acknowledge 'bridge' to ledge/relay/set within 0.3 s" in t for t in texts)


def test_a_killed_station_puts_back_first(
    bench: Any, job_table: Callable[..., str], relays: Callable[..., Relay]
) -> None:
    """kill -9 with the relay at the bridge; the next start puts it back before anything sweeps."""
    broker = bench.broker()
    relay = relays(broker.port)
    sim = bench.sim()
    config = bench.config(
        sim.addresses,
        [job_table(JOB, when='every = "300 ms", burst = 20'), around(JOB)],
        broker=broker.url,
    )
    run = bench.run(config)
    run.until("asked", payload="bridge")
    bench.wait_for("the relay to move", lambda: relay.words[-1] == "bridge")
    run.kill()
    before = len(relay.words)
    assert relay.words[-1] == "bridge"
    again = bench.run(config)
    bench.wait_for("a pass", lambda: len(relay.words) >= before + 3)
    again.stop()
    assert relay.words[before : before + 3] == ["aerial", "bridge", "aerial"]
    assert relay.words[-1] == "aerial"
    assert any(isinstance(one, SweepRecord) for one in open_archive(bench.archive).events(JOB))


async def test_what_a_source_feeds_is_changed_only_while_it_is_off(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """Whenever the relay is asked, the sweeper's source is off: at the start, before and after."""
    broker = bench.broker()
    driver = ScriptedDriver()
    on: list[tuple[str, bool]] = []

    def answer(word: str) -> Sequence[tuple[float, str]]:
        on.append((word, driver.source_on))
        return ((0.0, word),)

    relays(broker.port, answer)
    job = job_table(JOB, when=RHYTHM, more='source = { level = "-20 dBm" }')
    job = job.replace('kind = "band"', 'kind = "transmission"').replace(
        'band = { margin = "10 dB" }', ""
    )
    more = 'absolute_max = "20 dBm"'
    here = inside({"mast": driver}, [job, around(JOB)], broker=broker.url, sweeper_more=more)
    async with here:
        await here.until("asked", lambda: [word for word, _ in on].count("bridge") >= 3)
    assert [word for word, _ in on[:2]] == ["aerial", "bridge"]
    assert not any(is_on for _, is_on in on)
    assert any(request.source is not None for request in driver.swept)


async def test_a_source_that_may_be_on_keeps_the_world_as_it_is(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """The cable is pulled with the source on: put back when the sweeper is there again."""
    broker = bench.broker()
    relay = relays(broker.port)
    driver = ScriptedDriver()
    job = job_table(JOB, when=RHYTHM, more='source = { level = "-20 dBm" }')
    job = job.replace('kind = "band"', 'kind = "transmission"').replace(
        'band = { margin = "10 dB" }', ""
    )
    more = 'absolute_max = "20 dBm"'
    here = inside({"mast": driver}, [job, around(JOB)], broker=broker.url, sweeper_more=more)
    async with here:
        await here.until("a pass", lambda: relay.words[:3] == ["aerial", "bridge", "aerial"])
        await here.until("the bridge", lambda: relay.words[-1] == "bridge")
        driver.is_unplugged = True
        await here.until("the loss", lambda: here.events("not_put_back") or _at_rest(here, relay))
        driver.is_unplugged = False
        await here.until("put back", lambda: relay.words[-1] == "aerial")
    for one in open_archive(here.archive).findings(JOB):
        if one.what == "not_put_back":
            assert "nobody knows whether its source is off" in one.text


def _at_rest(here: Any, relay: Relay) -> bool:
    return bool(here.events("sweeper_lost")) and relay.words[-1] == "aerial"
