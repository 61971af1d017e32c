"""What passes ask of the world is put back in every way out, and never while a source is on."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Coroutine, Generator, Iterator, Sequence
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from acqd.clock import SystemClock
from acqd.errors import ArchiveFull
from acqd.station.asks import Around, Ask, Confirm
from acqd.station.conditions import Condition
from acqd.station.context import ContextSpec, ContextStore
from acqd.station.keeping import Keeper
from acqd.station.passes import PassTaker
from acqd.station.readiness import Readiness
from acqd.testing.sweepers import ScriptedDriver
from relay import Answer, Relay, around, at_once

JOB = "bridge"
EVERY = 'every = "500 ms"'
STANDS = 'absolute_max = "20 dBm"'

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


def fed(table: str) -> str:
    """A job's table with a source that is on while it sweeps."""
    band = 'band = { margin = "10 dB" }'
    assert band in table and 'kind = "band"' in table
    table = table.replace('kind = "band"', 'kind = "transmission"')
    return table.replace(band, 'source = { level = "-20 dBm" }')


class Looked:
    """A relay's answers that look whether a source is on whenever it is asked."""

    def __init__(self, driver: ScriptedDriver, answer: Answer = at_once) -> None:
        self.driver = driver
        self.answer = answer
        self.asked_with: list[tuple[str, bool]] = []

    def __call__(self, word: str) -> Sequence[tuple[float, str]]:
        self.asked_with.append((word, self.driver.source_on))
        return self.answer(word)


class StopsAt:
    """Awaits a coroutine, and has ``stop`` called and itself cancelled where it waits for the
    ``at``-th time: as by a stop of the station that comes at just that moment."""

    def __init__(self, work: Coroutine[Any, Any, Any], at: int, stop: Callable[[], None]) -> None:
        self.work = work
        self.at = at
        self.stop = stop

    def __await__(self) -> Generator[Any, Any, Any]:
        count, thrown = 0, None
        while True:
            try:
                waits = self.work.send(None) if thrown is None else self.work.throw(thrown)
            except StopIteration as done:
                return done.value
            if count == self.at:
                self.stop()
                task = asyncio.current_task()
                assert task is not None
                task.cancel()
            count, thrown = count + 1, None
            try:
                yield waits
            except BaseException as exc:
                thrown = exc


async def test_cancelled_wherever_it_waits_a_pass_leaves_the_world_at_rest(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
    check_accounts: Callable[..., list[int]],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Any,
) -> None:
    """Each of the waits of a pass with before, after and two sweeps, one after the other, until it
    ends before it was cancelled."""
    take, broker = PassTaker.take, bench.broker()
    for at in range(200):
        driver = ScriptedDriver(estimate_s=1.0)
        looked = Looked(driver)
        relay = relays(broker.port, looked)
        state = {"passes": 0, "cut": False}
        table = fed(job_table(JOB, when='every = "400 ms", burst = 2'))
        here = inside(
            {"mast": driver}, [table, around(JOB)], broker=broker.url, sweeper_more=STANDS
        )

        async def cut(
            self: Any, job: Any, due: Any, *, here: Any = here, state: Any = state, at: int = at
        ) -> Any:
            state["passes"] += 1
            if state["passes"] != 2:
                return await take(self, job, due)

            def stop() -> None:
                state["cut"] = True
                here.station.stop()

            return await StopsAt(take(self, job, due), at, stop)

        monkeypatch.setattr(PassTaker, "take", cut)
        async with here:
            await here.until("the cut", lambda: state["cut"] or state["passes"] > 2)  # noqa: B023 (awaited here)
        told = {one.what for one in open_archive(here.archive).findings(JOB)}
        assert relay.words[-1] == "aerial" or "not_put_back" in told, (at, relay.words)
        assert not any(is_on for _, is_on in looked.asked_with), (at, looked.asked_with)
        assert not driver.source_on
        relay.end()
        if not state["cut"]:
            break
        check_accounts(open_archive(here.archive), JOB, every_s=0.4, burst=2)
    assert 8 <= at < 199


@pytest.mark.parametrize("what", ["generator", "keeper", "disk full"])
async def test_a_fault_in_the_middle_of_a_pass_puts_the_world_back(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
    monkeypatch: pytest.MonkeyPatch,
    what: str,
) -> None:
    """What asks for the sweeps, what keeps them, and a disk that has no room."""
    broker, driver = bench.broker(), ScriptedDriver()
    looked = Looked(driver)
    relay = relays(broker.port, looked)
    table = fed(job_table(JOB, when='every = "400 ms", burst = 2'))
    here = inside({"mast": driver}, [table, around(JOB)], broker=broker.url, sweeper_more=STANDS)
    fault = ArchiveFull("no room") if what == "disk full" else RuntimeError("a fault")

    async def cannot(self: Any, job: Any, taken: Any) -> None:
        raise fault

    def broken(self: Any, job: Any, due: Any) -> Any:
        raise fault
        yield

    if what == "generator":
        monkeypatch.setattr(PassTaker, "_series", broken)
        async with here:
            await here.until("twice", lambda: len(here.events("pass_failed", job=JOB)) >= 2)
    else:
        monkeypatch.setattr(Keeper, "keep", cannot)
        with pytest.raises(BaseExceptionGroup):
            async with here:
                await here.until("nothing", lambda: False)
    assert "bridge" in relay.words and relay.words[-1] == "aerial"
    assert not any(is_on for _, is_on in looked.asked_with)
    assert not driver.source_on


async def test_what_is_owed_is_put_back_between_passes_with_the_source_off(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """The broker is away in the middle of a pass; when it is back another job's source is on nearly
    all the time, and the relay moves in one of the pauses."""
    under_way, go_on = threading.Event(), threading.Event()

    class Waits(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            if request.points == 101 and not go_on.is_set():
                under_way.set()
                assert go_on.wait(20.0)
            if request.points == 51:
                time.sleep(0.3)
            return super().next_trace(request, context)

    driver, broker = Waits(estimate_s=10.0), bench.broker()
    looked = Looked(driver)
    relay = relays(broker.port, looked)
    other = fed(job_table("aerial", when="back_to_back = true"))
    other = other.replace("points = 101", "points = 51")
    own = fed(job_table(JOB, when='every = "2 s"', more="priority = 1"))
    tables = [own, around(JOB, within="500 ms"), other]
    here = inside({"mast": driver}, tables, broker=broker.url, sweeper_more=STANDS)
    async with here:
        await here.until("a sweep", under_way.is_set)
        broker.end()
        go_on.set()
        await here.until("not put back", lambda: here.events("not_put_back", job=JOB))
        here.station._sweepers[0].hold(JOB, "somebody wants to see the other alone")
        seq = here.station._jobs["aerial"].last_seq
        await here.until("the other", lambda: here.station._jobs["aerial"].last_seq >= seq + 2)
        count = len(relay.words)
        broker.start()
        # Station and relay find the broker again by themselves, each after a pause of its own.
        await here.until("put back", lambda: "aerial" in relay.words[count:], limit_s=150.0)
        seq = here.station._jobs["aerial"].last_seq
        await here.until("more", lambda: here.station._jobs["aerial"].last_seq >= seq + 3)
    assert not any(is_on for _, is_on in looked.asked_with), looked.asked_with
    flags = open_archive(here.archive).sweeps("aerial")["flags"].values & 2048
    assert flags.any() and not flags[-1]


async def test_a_driver_that_hangs_at_a_stop_leaves_the_relay_where_it_is(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """Nobody knows whether its source went off, so nothing is connected to it; it is told."""
    under_way = threading.Event()

    class Hangs(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            under_way.set()
            time.sleep(6.0)
            return super().next_trace(request, context)

    broker, driver = bench.broker(), Hangs(estimate_s=20.0)
    looked = Looked(driver)
    relay = relays(broker.port, looked)
    tables = [fed(job_table(JOB, when=EVERY)), around(JOB)]
    here = inside({"mast": driver}, tables, broker=broker.url, sweeper_more=STANDS)
    async with here:
        await here.until("a sweep", under_way.is_set)
        assert await here.stop() < 4.0
    assert relay.words[-1] == "bridge"
    (told,) = [one for one in open_archive(here.archive).findings(JOB) if one.what != "ready_again"]
    assert told.what == "not_put_back" and "source is off" in told.text


async def test_a_fault_beside_the_passes_ends_the_station_loudly(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What puts back must not die unseen."""

    async def fails(self: Any) -> None:
        raise RuntimeError("a fault of ours")

    monkeypatch.setattr(Readiness, "_keep_putting_back", fails)
    broker = bench.broker()
    relays(broker.port)
    tables = [job_table(JOB, when=EVERY), around(JOB)]
    here = inside({"mast": ScriptedDriver()}, tables, broker=broker.url)
    with pytest.raises(BaseExceptionGroup) as raised:
        async with here:
            await here.until("nothing", lambda: False)
    assert raised.group_contains(RuntimeError, match="a fault of ours")


async def test_two_jobs_of_one_sweeper_each_have_the_world_that_they_ask_for(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    relays: Callable[..., Relay],
) -> None:
    """One relay, one sweeper, two places: neither sweeps with the relay at the other's."""
    at: list[tuple[int, str]] = []

    class Looks(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            at.append((request.points, relay.words[-1]))
            return super().next_trace(request, context)

    broker = bench.broker()
    relay = relays(broker.port)
    load = around("load").replace('"bridge"', '"load"')
    second = job_table("load", when=EVERY).replace("points = 101", "points = 51")
    tables = [job_table(JOB, when=EVERY), around(JOB), second, load]
    here = inside({"mast": Looks()}, tables, broker=broker.url)
    async with here:
        for name in (JOB, "load"):
            await here.until(name, lambda name=name: here.station._jobs[name].last_seq >= 4)
    assert set(at) == {(101, "bridge"), (51, "load")}
    assert relay.words[-1] == "aerial"
    for name in (JOB, "load"):
        sweeps = open_archive(here.archive).sweeps(name)
        assert not (sweeps["flags"].values & 2048).any()


# -- the rules, at a line whose other end the test is ----------------------------------------------


class Line:
    """A connection whose far end is the test itself."""

    def __init__(self, heard: Callable[[str, bytes, bool], None], came_up: Callable[[], None]):
        self.heard, self.came_up = heard, came_up
        self.is_up, self.why_away, self.deaf_to = True, "", {}
        self.task = None
        self.sent: list[str] = []
        self.answer: Callable[[str], Sequence[str]] = lambda word: (word,)

    async def put(
        self, topic: str, payload: bytes, *, retain: bool, sending: Callable[[], None]
    ) -> None:
        sending()
        word = payload.decode()
        self.sent.append(word)
        for says in self.answer(word):
            self.heard("ledge/relay", says.encode(), False)


def ready_with(
    arounds: dict[str, Around], *, sweepers: dict[str, str], specs: Sequence[ContextSpec] = ()
) -> tuple[Readiness, Line, list[tuple[str, str]]]:
    lines: list[Line] = []
    told: list[tuple[str, str]] = []

    async def tell(what: str, text: str, job: str) -> None:
        told.append((what, job))

    def line(heard: Any, came_up: Any) -> Any:
        lines.append(Line(heard, came_up))
        return lines[-1]

    clock = SystemClock()
    ready = Readiness(
        arounds,
        sweeper_of=sweepers,
        line=line,
        contexts=ContextStore(specs, clock),
        tell=tell,
        clock=clock,
    )
    return ready, lines[0], told


def ask(word: str, *, settle_s: float = 0.0, within_s: float = 0.3) -> Ask:
    confirm = Confirm(topic="ledge/relay", word=word)
    topic = "ledge/relay/set"
    return Ask(
        topic=topic, payload=word.encode(), confirm=confirm, settle_s=settle_s, within_s=within_s
    )


async def test_who_waited_for_a_topic_first_puts_back_what_is_owed_since() -> None:
    """The one before could not put back while the other waited for its turn."""
    arounds = {
        "one": Around(before=ask("bridge"), after=ask("aerial")),
        "other": Around(before=ask("load", within_s=3.0), after=ask("aerial")),
    }
    ready, line, told = ready_with(arounds, sweepers={"one": "mast", "other": "hut"})
    for job in arounds:
        assert await ready.put_back(job)
    assert await ready.make_ready("one") is None
    waiting = asyncio.create_task(ready.make_ready("other"))
    await asyncio.sleep(0.01)
    line.answer = lambda word: ()
    assert not await ready.put_back("one")
    line.answer = lambda word: (word,)
    assert await waiting is None
    assert line.sent[-3:] == ["aerial", "aerial", "load"]
    assert told == [("not_put_back", "one"), ("ready_again", "one")]


async def test_two_words_in_one_moment_are_no_settling() -> None:
    """A relay that fell and came back before anybody looked has to stand anew."""
    arounds = {"one": Around(before=ask("bridge", settle_s=0.2))}
    ready, line, _ = ready_with(arounds, sweepers={"one": "mast"})
    loop = asyncio.get_running_loop()
    broke_s: list[float] = []

    def flap() -> None:
        broke_s.append(time.monotonic())
        line.heard("ledge/relay", b"aerial", False)
        line.heard("ledge/relay", b"bridge", False)

    loop.call_later(0.15, flap)
    assert await ready.make_ready("one") is None
    assert time.monotonic() - broke_s[0] >= 0.19


async def test_a_sweep_that_began_before_another_was_put_back_is_doubtful() -> None:
    """The relay moved in the middle of it."""
    arounds = {"one": Around(before=ask("bridge"), after=ask("aerial"))}
    ready, line, _ = ready_with(arounds, sweepers={"one": "mast"})
    began_s = time.monotonic()
    assert ready.doubtful_since("plain", "mast", began_s)
    assert await ready.put_back("one")
    assert ready.doubtful_since("plain", "mast", began_s)
    assert not ready.doubtful_since("plain", "mast", time.monotonic() + 0.01)
    assert not ready.doubtful_since("plain", "hut", began_s)
    assert line.sent == ["aerial"]


@pytest.mark.parametrize(("max_age_s", "is_ready"), [(60.0, True), (0.05, False)])
async def test_a_standing_value_that_is_too_old_confirms_nothing(
    max_age_s: float, is_ready: bool
) -> None:
    """What stands holds as long as the context's values do."""
    spec = ContextSpec(name="volts", topic="ledge/relay", max_age_s=max_age_s)
    confirm = Confirm(condition=Condition(context="volts", at_least=11.0), standing=True)
    before = Ask(topic="ledge/relay/set", payload=b"bridge", confirm=confirm, within_s=0.1)
    ready, line, _ = ready_with(
        {"one": Around(before=before)}, sweepers={"one": "mast"}, specs=[spec]
    )
    line.answer = lambda word: ()
    line.heard("ledge/relay", b"12.1", False)
    await asyncio.sleep(0.1)
    assert (await ready.make_ready("one") is None) is is_ready
