"""What a sweeper or its driver does wrong costs its own sweeps, each accounted for (G5, G6)."""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import acqd.station.sweepers
from acqd.archive.reader import Archive, open_archive
from acqd.drivers.contract import OpenContext, Trace
from acqd.errors import PortBusy, ProtocolViolation, SweeperReported, SweepInvalid
from acqd.sweep import Capabilities, Identity, LevelUnit, Reported, SweepRequest
from acqd.testing.sweepers import ScriptedDriver, hang, trace_of


def _check_numbers(archive: Archive, job: str) -> list[str]:
    """Findings are numbered from 1 without a gap; gives back their words."""
    findings = archive.findings(job)
    assert [one.number for one in findings] == list(range(1, len(findings) + 1))
    return [one.what for one in findings]


# ---- instruments that misbehave, over a socket and a serial port -------------------------------

FAULTS = {
    "cuts a block short": ("cut-block",),
    "hangs up": ("drop",),
    "answers bytes that mean nothing": ("garbage",),
    "stops answering": ("stop-answering",),
    "answers late": ("late", "4"),
    "is unplugged": ("unplug",),
}


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_an_instrument_that_misbehaves_costs_its_own_sweeps_and_comes_back(
    bench: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Every fault, on a socket and a pseudo-terminal at once; a third sweeper misses nothing."""
    terminal = str(bench.folder / "bench.tty")
    sim = bench.sim({"mast": "tcp", "bench": terminal})
    jobs = [bench.job(f"{name}-job", name) for name in ("mast", "bench", "shack")]
    config = bench.config({**sim.addresses, "shack": "sim:shack"}, jobs)
    run = bench.run(config)
    for name in ("mast", "bench", "shack"):
        run.until("sweeper_present", sweeper=name)
    for number, order in enumerate(FAULTS.values(), 1):
        for name in ("mast", "bench"):
            sim.tell(name, *order)
        for name in ("mast", "bench"):
            run.until("sweeper_lost", number, sweeper=name)
        for name in ("mast", "bench"):
            sim.tell(name, "replug" if order == ("unplug",) else "heal")
        for name in ("mast", "bench"):
            run.until("sweeper_present", number + 1, sweeper=name)
    seen = open_archive(bench.archive).sweeps("mast-job").sizes["sweep"]
    bench.wait_for(
        "more sweeps",
        lambda: open_archive(bench.archive).sweeps("mast-job").sizes["sweep"] > seen + 5,
    )
    assert run.stop() < 2.0

    archive = open_archive(bench.archive)
    for name in ("mast", "bench", "shack"):
        check_accounts(archive, f"{name}-job", every_s=0.1)
    for name in ("mast", "bench"):
        reasons = {gap.reason for gap in archive.gaps(f"{name}-job")}
        assert {"sweeper lost", "sweep failed"} <= reasons
    # Nothing of this was the third one's business.
    late = {gap.reason for gap in archive.gaps("shack-job")} - {"sweeper lost", "station down"}
    lost = sum(gap.count for gap in archive.gaps("shack-job") if gap.reason == "sweeper lost")
    assert late <= {"overrun"} and lost <= 5
    words = _check_numbers(archive, "station")
    assert words.count("sweeper_lost") == words.count("sweeper_back") == 2 * len(FAULTS)


@pytest.mark.slow
def test_another_instrument_at_the_address_is_noticed(bench: Any) -> None:
    """Where the config names nobody it is used and told of; where it names one it is not used."""
    sim = bench.sim({"mast": "tcp", "bench": "tcp"})
    config = bench.config(sim.addresses, [bench.job("one"), bench.job("two", "bench")])
    text = config.read_text()
    assert "[sweeper.bench]\n" in text
    config.write_text(
        text.replace("[sweeper.bench]\n", '[sweeper.bench]\nserial_number = "GL0042"\n')
    )
    run = bench.run(config)
    for name in ("mast", "bench"):
        run.until("sweeper_present", sweeper=name)
        sim.tell(name, "identity", "ACME,CLONE,12345,9.9")
        sim.tell(name, "hang-up")
    run.until(
        "sweeper_present",
        sweeper="mast",
        identity="ACME CLONE, serial number 12345, firmware 9.9",
    )
    run.until("sweeper_is_another", sweeper="bench")
    sim.tell("bench", "heal")
    run.until("sweeper_present", 2, sweeper="bench")
    run.stop()

    archive = open_archive(bench.archive)
    findings = archive.findings("station")
    assert [one.number for one in findings] == list(range(1, len(findings) + 1))
    by_sweeper = {
        name: [one.what for one in findings if one.figures["sweeper"] == name]
        for name in ("mast", "bench")
    }
    assert by_sweeper["mast"] == ["sweeper_lost", "sweeper_back", "identity_changed"]
    assert by_sweeper["bench"] == ["sweeper_lost", "identity_changed", "sweeper_back"]
    # Each identity has a setup of its own, and none has the clone's under the named sweeper.
    serials = [
        [setup.details["identity"]["serial_number"] for setup in archive.setups(job)]
        for job in ("one", "two")
    ]
    assert serials == [["GL0017", "12345"], ["GL0042"]]


@pytest.mark.slow
def test_an_instrument_that_was_changed_while_the_station_was_down_is_told(bench: Any) -> None:
    """The archive knows who swept last; the same one again is no news."""
    sim = bench.sim()
    config = bench.config(sim.addresses, [bench.job("marine-vhf")])

    def words(*, again: bool = True) -> list[str]:
        stored = open_archive(bench.archive).coverage("marine-vhf").sweeps if again else 0
        run = bench.run(config)
        run.until("sweeper_present")
        bench.wait_for(
            "sweeps",
            lambda: open_archive(bench.archive).coverage("marine-vhf").sweeps > stored + 2,
        )
        run.stop()
        return [one.what for one in open_archive(bench.archive).findings("station")]

    assert words(again=False) == []
    assert words() == []
    sim.tell("mast", "identity", "GANNET,LOOKOUT 1,GL0017,1.1")
    assert words() == ["identity_changed"]


# ---- drivers that misbehave ----------------------------------------------------------------------


class Odd(Exception):
    """Cannot even say what is wrong."""

    def __str__(self) -> str:
        raise RuntimeError("no words")


def returns(value: Any) -> Callable[[SweepRequest, OpenContext], Any]:
    return lambda request, context: value


def raises(error: BaseException) -> Callable[[SweepRequest, OpenContext], Any]:
    def step(request: SweepRequest, context: OpenContext) -> Any:
        raise error

    return step


def changed(**changes: Any) -> Callable[[SweepRequest, OpenContext], Trace]:
    """An ordinary trace but for some fields."""

    def step(request: SweepRequest, context: OpenContext) -> Trace:
        level = np.random.default_rng(5).normal(-100, 2, request.points)
        return replace(trace_of(level, request), **changes)

    return step


def reports(**fields: Any) -> Callable[[SweepRequest, OpenContext], Trace]:
    return changed(reported=Reported(**fields))


class Shy(np.ndarray):
    """An array that raises whatever is asked of it."""

    def __array_ufunc__(self, *args: Any, **kwargs: Any) -> Any:
        raise RuntimeError("do not look at me")

    def __array_function__(self, *args: Any, **kwargs: Any) -> Any:
        raise RuntimeError("do not look at me")


class Cyclic(list):
    """Holds itself."""

    def __init__(self) -> None:
        super().__init__([self])


NONSENSE: dict[str, Any] = {
    "a long story": raises(ValueError("x" * 100_000)),
    "half a surrogate": raises(RuntimeError("\ud800 \x00 \x1b[31m\n\nred")),
    "no words at all": raises(Odd()),
    "its own exit": raises(SystemExit(3)),
    "a keyboard interrupt": raises(KeyboardInterrupt()),
    "a recursion": raises(RecursionError("deep")),
    "no memory": raises(MemoryError()),
    "end of iteration": raises(StopIteration()),
    "another's port": raises(PortBusy("port in use")),
    "broken protocol": raises(ProtocolViolation(expected="a block", got=b"\xff" * 5000)),
    "error queue": raises(SweeperReported(tuple((-310, "system error") for _ in range(500)))),
    "not a sweep": raises(SweepInvalid("\udcff" * 3000)),
    "nothing": returns(None),
    "a text": returns("-100,-101"),
    "the class": returns(Trace),
    "no levels": changed(level=np.empty(0)),
    "too many levels": changed(level=np.zeros(100_000)),
    "levels in a list": changed(level=[-100.0] * 101),
    "levels as texts": changed(level=np.array(["-100"] * 101)),
    "levels as objects": changed(level=np.array([None] * 101, dtype=object)),
    "levels as times": changed(level=np.zeros(101, dtype="datetime64[s]")),
    "a square of levels": changed(level=np.zeros((101, 101))),
    "complex levels": changed(level=np.ones(101, dtype=complex)),
    "only NaN": changed(level=np.full(101, np.nan)),
    "levels beyond all": changed(level=np.full(101, 1e30)),
    "another unit": changed(unit=LevelUnit.DBFS),
    "a unit as text": changed(unit="dBm"),
    "no report": changed(reported=None),
    "an RBW as text": reports(rbw_hz="10 kHz"),
    "an RBW as an array": reports(rbw_hz=np.array([1e4, 1e5])),
    "an RBW of NaN": reports(rbw_hz=float("nan")),
    "an RBW below zero": reports(rbw_hz=-1e4),
    "an RBW of a numpy kind": reports(rbw_hz=np.float32(1e4)),
    "an RBW of a large integer": reports(rbw_hz=10**400),
    "a detector as text": reports(detector="sample"),
    "a detector of its own": reports(detector="eyes"),
    "a detector that holds itself": reports(detector=Cyclic()),
    "averages below zero": reports(averages=-3),
    "averages as text": reports(averages="many"),
    "an endless sweep time": reports(sweep_time_s=float("inf")),
    "a sweep time below zero": reports(sweep_time_s=-5.0),
    "assumptions as one text": reports(assumed="all"),
    "assumptions of objects": reports(assumed=(object(),)),
    "an axis of another length": changed(frequency_hz=np.linspace(156e6, 157e6, 7)),
    "an axis of texts": changed(frequency_hz=np.array(["156 MHz"] * 101)),
    "an axis elsewhere": changed(frequency_hz=np.linspace(1e6, 2e6, 101)),
    "an axis of NaN": changed(frequency_hz=np.full(101, np.nan)),
    "an axis in a list": changed(frequency_hz=np.linspace(156e6, 157e6, 101).tolist()),
    "levels that do not want to be looked at": changed(level=np.zeros(101).view(Shy)),
    "a resolution of nothing": changed(resolution=0.0),
    "a resolution as text": changed(resolution="0.01"),
    "a resolution of a numpy kind": changed(resolution=np.float32(0.01)),
    "a resolution too coarse": changed(resolution=1e9),
    "a time as text": changed(sweeper_time_s="noon"),
    "a time of NaN": changed(sweeper_time_s=float("nan")),
    "a time of a numpy kind": changed(sweeper_time_s=np.float64(1.0)),
    "a time at the end of time": changed(sweeper_time_s=1e300),
    "flags as a number": changed(flags=1),
    "flags as text": changed(flags="overload"),
}


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A lost sweeper is opened again after hundredths of a second, however often it was lost."""
    monkeypatch.setattr(acqd.station.sweepers, "BACKOFF_FIRST_S", 0.01)
    monkeypatch.setattr(acqd.station.sweepers, "BACKOFF_MOST_S", 0.05)
    monkeypatch.setattr(acqd.station.sweepers, "FAILED_PAUSE_S", 0.01)


@pytest.mark.slow
@pytest.mark.parametrize("burst", [1, 3])
@pytest.mark.usefixtures("quick")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
async def test_a_driver_that_talks_nonsense_costs_its_own_sweeps(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]], burst: int
) -> None:
    """All of it in one run; after each piece ordinary sweeps come again, the neighbour's always."""
    script: list[Any] = []
    for step in NONSENSE.values():
        script += [step, None]
    bad, good = ScriptedDriver(script, seed=1), ScriptedDriver(seed=2)
    every = 0.025
    jobs = [
        job_table("bad-job", "bad", f'every = "25 ms", burst = {burst}'),
        job_table("good-job", "good", 'every = "25 ms"'),
    ]
    async with inside({"bad": bad, "good": good}, jobs) as station:
        await station.until("all nonsense", lambda: len(bad.swept) >= len(script) + 20, 60.0)
        assert await station.stop() < 2.0
    archive = open_archive(station.archive)
    check_accounts(archive, "bad-job", every_s=every, burst=burst)
    numbers = check_accounts(archive, "good-job", every_s=every)
    stored = archive.sweeps("good-job").sizes["sweep"]
    others = [gap for gap in archive.gaps("good-job") if gap.reason == "sweep failed"]
    assert others == []
    assert stored > 0.8 * len(numbers)
    assert archive.sweeps("bad-job").sizes["sweep"] > 20
    words = _check_numbers(archive, "station")
    assert words.count("sweeper_lost") == words.count("sweeper_back") > 5


IDENTITIES: dict[str, Any] = {
    "nobody": None,
    "a text": "ACME",
    "a long story": Identity(maker="x" * 100_000, serial_number="1"),
    "half a surrogate": Identity(maker="\ud800", model="M", serial_number="1"),
    "control characters": Identity(maker="a\x00b\x1b[2J", model="\n", serial_number="1"),
    "numbers": Identity(maker=1, model=2, serial_number=3),
}

CAPABILITIES: dict[str, Any] = {
    "none": None,
    "a text": "all",
    "endless": Capabilities(start_hz=float("-inf"), stop_hz=float("inf")),
    "upside down": Capabilities(start_hz=1e9, stop_hz=1e6),
    "NaN": Capabilities(start_hz=float("nan"), stop_hz=1e9),
    "no points": Capabilities(start_hz=0.0, stop_hz=1e9, points_min=0, points_max=0),
    "half a point": Capabilities(start_hz=0.0, stop_hz=1e9, points_max=10.5),
    "texts": Capabilities(start_hz="0", stop_hz="1e9"),
    "steps as text": Capabilities(start_hz=0.0, stop_hz=1e9, rbw_steps_hz="10 kHz"),
    "accuracy as text": Capabilities(start_hz=0.0, stop_hz=1e9, level_accuracy_db="good"),
    "detectors as text": Capabilities(start_hz=0.0, stop_hz=1e9, detectors=("eyes",)),
    "a resolution of NaN": Capabilities(start_hz=0.0, stop_hz=1e9, resolution=float("nan")),
    "objects": Capabilities(start_hz=0.0, stop_hz=1e9, assumed=(object(),)),
}

ESTIMATES: dict[str, Any] = {
    "NaN": float("nan"),
    "below zero": -5.0,
    "endless": float("inf"),
    "a text": "soon",
    "a numpy kind": np.float32(0.01),
    "an error": RuntimeError("who knows"),
}


class Impostor(ScriptedDriver):
    """Introduces itself wrongly a number of times, then rightly."""

    def __init__(
        self, identities: Sequence[Any], capabilities: Sequence[Any], estimates: Sequence[Any]
    ) -> None:
        super().__init__(seed=3)
        self.right = (self.identity, self.capabilities, self.estimate_s)
        self._todo: Iterator[tuple[Any, Any, Any]] = iter(
            [(one, self.capabilities, 0.0) for one in identities]
            + [(self.identity, one, 0.0) for one in capabilities]
            + [(self.identity, self.capabilities, one) for one in estimates]
        )
        self.done = False

    def open(self, context: OpenContext) -> Any:
        told = next(self._todo, None)
        self.done = told is None
        self.identity, self.capabilities, estimate = told or self.right
        sweeper = super().open(context)
        if not self.done:

            def estimate_s(request: SweepRequest) -> Any:
                if isinstance(estimate, Exception):
                    raise estimate
                return estimate

            sweeper.estimate_s = estimate_s
        return sweeper

    def next_trace(self, request: SweepRequest, context: OpenContext) -> Trace:
        if not self.done and len(self.swept) % 4 == 3:
            self.swept.append(request)
            raise ConnectionError("so that it is opened anew")
        return super().next_trace(request, context)


@pytest.mark.slow
@pytest.mark.usefixtures("quick")
async def test_a_driver_that_introduces_itself_with_nonsense_is_asked_again(
    inside: Any,
    job_table: Any,
    check_accounts: Callable[..., list[int]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Identities, capabilities and estimates that cannot be; in the end the right ones."""
    monkeypatch.setattr(acqd.station.sweepers, "BACKOFF_MOST_S", 0.02)
    bad = Impostor(list(IDENTITIES.values()), list(CAPABILITIES.values()), list(ESTIMATES.values()))
    jobs = [
        job_table("bad-job", "bad", 'every = "50 ms"'),
        job_table("good-job", "good", 'every = "50 ms"'),
    ]
    async with inside({"bad": bad, "good": ScriptedDriver(seed=2)}, jobs) as station:
        await station.until("the right ones", lambda: bad.done, 60.0)
        seen = len(bad.swept)
        await station.until("sweeps", lambda: len(bad.swept) > seen + 5)
        await station.stop()
    archive = open_archive(station.archive)
    for job in ("bad-job", "good-job"):
        check_accounts(archive, job, every_s=0.05)
    assert archive.sweeps("bad-job").sizes["sweep"] >= 5
    _check_numbers(archive, "station")


@pytest.mark.slow
@pytest.mark.usefixtures("quick")
async def test_a_driver_that_hangs_for_ever_is_left_behind(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """It ignores its token and its link; the next opening gets a thread of its own. A stop while it
    hangs takes no longer than any other."""
    bad = ScriptedDriver([None, None, hang(40.0), None, None, None, hang(40.0)])
    jobs = [
        job_table("bad-job", "bad", 'every = "100 ms"'),
        job_table("good-job", "good", 'every = "100 ms"'),
    ]
    async with inside({"bad": bad, "good": ScriptedDriver(seed=2)}, jobs) as station:
        await station.until("its return", lambda: len(bad.swept) >= 5, 20.0)
        await station.until("the second hang", lambda: len(bad.swept) >= 7)
        await asyncio.sleep(0.1)
        assert await station.stop() < 2.0
    archive = open_archive(station.archive)
    for job in ("bad-job", "good-job"):
        check_accounts(archive, job, every_s=0.1)
    lost = [gap for gap in archive.gaps("bad-job") if gap.reason == "sweep failed"]
    assert "did not come back" in lost[0].detail
    assert archive.sweeps("bad-job").sizes["sweep"] == 5
    (stuck,) = (one for one in archive.findings("station") if one.what == "driver_stuck")
    assert stuck.text.endswith(
        "it was abandoned; a thread hangs now, and with 3 it is out until the station is restarted"
    )
    assert stuck.figures == {"sweeper": "bad", "doing": "sweep", "stuck": 1, "hanging": 1}
    assert not [
        gap
        for gap in archive.gaps("good-job")
        if gap.reason not in ("station down", "sweeper lost")
    ]


@pytest.mark.slow
def test_a_stop_while_an_instrument_does_not_answer_is_quick(bench: Any) -> None:
    """SIGTERM in the middle of a wait for an answer that will not come."""
    sim = bench.sim()
    run = bench.run(bench.config(sim.addresses, [bench.job("marine-vhf")]))
    run.until("sweeper_present")
    sim.tell("mast", "stop-answering")
    time.sleep(0.5)
    assert run.stop(signal.SIGTERM) < 2.0


@pytest.mark.slow
async def test_a_stop_in_the_middle_of_a_pass_keeps_what_was_swept_of_it(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Two of four sweeps have come: they are stored, the other two say station down."""
    driver = ScriptedDriver()
    when, more = 'every = "1 s", burst = 4', 'sweep_time = "150 ms"'
    async with inside({"mast": driver}, [job_table("calling", when=when, more=more)]) as station:
        await station.until("half a pass", lambda: len(driver.swept) % 4 == 2)
        await asyncio.sleep(0.05)
        assert await station.stop() < 2.0
    archive = open_archive(station.archive)
    check_accounts(archive, "calling", every_s=1.0, burst=4)
    assert archive.sweeps("calling").sizes["sweep"] == len(driver.swept)
    last = archive.gaps("calling")[-1]
    assert (last.count, last.reason) == (2, "station down")


@pytest.mark.slow
async def test_a_request_beyond_the_limits_is_refused_and_told_once(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Its due times are gaps with that reason; the job beside it on the same sweeper goes on."""
    jobs = [
        job_table("right", "mast", 'every = "100 ms"'),
        job_table("wrong", "mast", 'every = "100 ms"').replace('"157 MHz"', '"9 GHz"'),
    ]
    async with inside({"mast": ScriptedDriver()}, jobs) as station:
        await station.until("a dozen", lambda: station.station._jobs["right"].last_seq >= 12)
        await station.stop()
    archive = open_archive(station.archive)
    assert [one.what for one in archive.findings("wrong")] == ["refused"]
    assert "9" in archive.findings("wrong")[0].text
    assert "refused" in {gap.reason for gap in archive.gaps("wrong")}
    for job in ("right", "wrong"):
        check_accounts(archive, job, every_s=0.1)
    assert archive.findings("station") == []


@pytest.mark.slow
async def test_the_clock_of_a_sweeper_that_wanders_is_told_as_it_doubles(
    inside: Any, job_table: Any
) -> None:
    """Its stamps are stored beside the station's; a drift of 2 s, then 4 s is a finding."""
    driver = ScriptedDriver()
    plain = driver.next_trace

    def stamped(request: SweepRequest, context: OpenContext) -> Trace:
        gained = 0.5 * len(driver.swept)
        return replace(plain(request, context), sweeper_time_s=time.time() + gained)

    driver.next_trace = stamped
    async with inside({"mast": driver}, [job_table("marine-vhf")]) as station:
        await station.until("a dozen", lambda: len(driver.swept) >= 12)
        await station.stop()
    archive = open_archive(station.archive)
    drifts = [
        one.figures["drift_s"]
        for one in archive.findings("station")
        if one.what == "sweeper_clock_drift"
    ]
    assert drifts == [pytest.approx(2.25, abs=0.3), pytest.approx(4.25, abs=0.3)]
    stamps = [
        e.sweeper_time_s for e in archive.events("marine-vhf") if hasattr(e, "sweeper_time_s")
    ]
    assert all(stamp is not None for stamp in stamps)
