"""Passes of several sweeps that do not come to their end: nothing is counted twice or lost (G5),
the meter is told in the right order, and a replay of what is kept gives the same (G4)."""

from __future__ import annotations

import asyncio
import itertools
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import acqd.station.passes
from acqd.archive.reader import open_archive
from acqd.archive.records import GapRecord, SweepRecord
from acqd.drivers.contract import OpenContext, Trace
from acqd.errors import SweeperReported, TransportTimeout
from acqd.measure.emission_layout import LAST, LOOK
from acqd.measure.meter import PASS_CUT_SHORT, Answer, Pass, PassStep
from acqd.station.replay import Replay
from acqd.station.replay_check import Check
from acqd.sweep import SweepRequest
from acqd.testing.sweepers import ScriptedDriver, trace_of

EVERY_S = 0.5
MAXIMUM = 'absolute_max = "10 dBm"'

HAND_HELD = f"""\
[chain.load]
[[chain.load.part]]
kind = "pad"
name = "power pad"
loss = "50 dB"
rated = "10 W"

[job.hand-held]
kind = "emission"
sweeper = "bench"
chain = "load"
centre = "156.8 MHz"
span = "200 kHz"
points = 201
rbw = "3 kHz"
when = {{ every = "{EVERY_S:g} s" }}
transmitter = {{ power = "5 W", margin = "20 dB" }}

[job.hand-held.emission]
expected = "156.8 MHz"
harmonics = 3
limits = "europe-transmit"
keyed_most = "10 s"
"""

CARRIER_HZ = 156.8e6


def keyed(request: SweepRequest, rng: np.random.Generator) -> Trace:
    """A hand-held of 5 W behind 50 dB, its harmonics 70 dB down."""
    frequency = request.frequencies_hz()
    level = rng.normal(-105.0, 2.0, request.points)
    for order in range(1, 5):
        off = (frequency - order * CARRIER_HZ) / (request.rbw_hz or 3e3)
        level = np.maximum(level, (-13.0 if order == 1 else -83.0) - 12.0 * off**2)
    return trace_of(np.round(np.maximum(level, -150.0), 2), request)


class HandHeld(ScriptedDriver):
    """What is to happen at a harmonic, one after the other; None: nothing."""

    def __init__(self, what: tuple[Any, ...] = (), slow_s: float = 0.0) -> None:
        super().__init__()
        self.what: Iterator[Any] = iter(what)
        self.slow_s = slow_s
        self.rng = np.random.default_rng(3)

    def next_trace(self, request: SweepRequest, context: OpenContext) -> Trace:
        self.swept.append(request)
        context.cancel.wait(self.slow_s)
        if 1.5 * CARRIER_HZ < request.start_hz < 2.5 * CARRIER_HZ:
            happens = next(self.what, None)
            if happens == "unplug":
                self.is_unplugged = True
                self.raise_if_unplugged()
            if isinstance(happens, BaseException):
                raise happens
        return keyed(request, self.rng)


def kept_steps(archive: Any) -> list[list[int]]:
    """Steps of each pass, and −1 where it was said to be cut short."""
    passes: list[list[int]] = []
    for event in archive.events("hand-held"):
        if isinstance(event, SweepRecord):
            if event.step == LOOK:
                passes.append([])
            passes[-1].append(event.step)
        elif isinstance(event, GapRecord) and event.reason == PASS_CUT_SHORT:
            passes[-1].append(-1)
    return passes


def check_replay(archive: Any) -> None:
    """The same to the bit."""
    found = Check(same_place=True)
    for told in Replay(archive=archive, job="hand-held").run():
        found.take(told)
    assert found.sweeps
    assert found.is_exact, found


@pytest.mark.slow
async def test_steps_that_fail_cost_their_pass_and_nothing_else(
    inside: Any, check_accounts: Callable[..., list[int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """By an error, a broken link, a plug that is pulled; every due time is there once, a pass that
    was cut short is told of right after its sweeps, and the replay of it all agrees."""
    monkeypatch.setattr(acqd.station.sweepers, "BACKOFF_FIRST_S", 0.05)
    driver = HandHeld(
        (None, SweeperReported(((-230, "busy"),)), None, TransportTimeout("no"), None, "unplug")
    )
    async with inside({"bench": driver}, [HAND_HELD], sweeper_more=MAXIMUM) as station:
        await station.until("unplugged", lambda: driver.is_unplugged)
        await asyncio.sleep(1.2)
        driver.is_unplugged = False
        count = len(driver.swept)
        await station.until("two more passes", lambda: len(driver.swept) > count + 12)
        await station.stop()
    archive = open_archive(station.archive)
    check_accounts(archive, "hand-held", every_s=EVERY_S)
    passes = kept_steps(archive)
    short = [one for one in passes if LAST not in one]
    assert 3 <= len(short) <= 4, passes
    # But for one that the stop of the station met: the next start takes it for what it is.
    told = [one for one in short if one is not passes[-1]]
    assert all(one[-1] == -1 and one.count(-1) == 1 for one in told), passes
    assert all(-1 not in one for one in passes if LAST in one), passes
    reasons = {gap.reason for gap in archive.gaps("hand-held")}
    assert {PASS_CUT_SHORT, "sweeper lost"} <= reasons
    check_replay(archive)


@pytest.mark.slow
async def test_a_stop_in_the_middle_of_a_pass_leaves_it_cut_short(
    inside: Any, check_accounts: Callable[..., list[int]]
) -> None:
    driver = HandHeld(slow_s=0.05)
    async with inside({"bench": driver}, [HAND_HELD], sweeper_more=MAXIMUM) as station:
        await station.until("a pass and a half", lambda: len(driver.swept) == 8)
        assert await station.stop() < 2.0
    archive = open_archive(station.archive)
    check_accounts(archive, "hand-held", every_s=EVERY_S)
    assert kept_steps(archive)[-1][0] == LOOK
    assert kept_steps(archive)[-1][-1] == -1
    check_replay(archive)


class Broken:
    """A pass that fails at what it sees."""

    def __init__(self) -> None:
        self.begun = itertools.count()

    def __call__(self, request: SweepRequest, sweeps: int) -> Pass:
        answer: Callable[[], Answer] = yield PassStep(request=request)
        if next(self.begun) % 2:
            raise ArithmeticError("nobody thought of that")
        assert answer().sweep.level.size
        yield PassStep(request=request, step=1)


@pytest.mark.slow
async def test_a_pass_that_fails_at_what_it_sees_costs_that_pass_alone(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """As a meter that fails: the sweep is kept, the station goes on."""
    driver = ScriptedDriver()
    station = inside({"mast": driver}, [job_table("watch")])
    (spec,) = station.station._built.jobs
    built = replace(station.station._built, jobs=(replace(spec, make_pass=Broken()),))
    station.station._built = built
    async with station:
        await station.until("some passes", lambda: len(driver.swept) > 12)
        await station.stop()
        assert station.events("pass_failed")
    archive = open_archive(station.archive)
    check_accounts(archive, "watch", every_s=0.1)
    steps = [event.step for event in archive.events("watch") if isinstance(event, SweepRecord)]
    assert steps[:6] == [0, 1, 0, 0, 1, 0]
    details = [gap.detail for gap in archive.gaps("watch") if gap.reason == PASS_CUT_SHORT]
    assert "sweep failed: the pass could not go on: nobody thought of that" in details


# ---- kill -9 in the middle -----------------------------------------------------------------------

KILLS = 8
SLOW_S = 0.04
"""Of one sweep; a pass of six takes half of the time between two."""

DRIVER = f"""\
import sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
import test_passes

class Slow(test_passes.HandHeld):
    def __init__(self, *more):
        super().__init__(slow_s={SLOW_S})

import acqd.drivers.registry
acqd.drivers.registry.Registry.make = lambda self, name: Slow()
"""


@pytest.mark.slow
@pytest.mark.timeout(60 + 10 * KILLS)
def test_killed_in_the_middle_of_passes_it_says_nothing_that_is_not_kept(
    bench: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Each verdict that was heard rests on sweeps that are stored; all due times are there once;
    and the replay of it all agrees."""
    broker = bench.broker()
    ear = bench.ear(broker.port)
    config = bench.config(
        {"bench": "sim:bench"}, [HAND_HELD], broker=broker.url, sweeper_more=MAXIMUM
    )
    chance = random.Random(20260615)
    for _ in range(KILLS):
        run = bench.run(config, first=DRIVER)
        run.until("sweeper_present")
        time.sleep(chance.uniform(0.2, 1.6))
        run.kill()
        archive = open_archive(bench.archive)
        events = archive.events("hand-held")
        stored = {event.seq for event in events if isinstance(event, SweepRecord)}
        for told in ear.heard("/hand-held/verdict"):
            assert set(range(told["first_seq"], told["last_seq"] + 1)) <= stored
        for told in ear.heard("/hand-held/summary"):
            assert told["seq"] in stored
    heard = len(ear.heard("/hand-held/verdict"))
    run = bench.run(config, first=DRIVER)
    run.until("station_started")
    ear.until("/hand-held/verdict", heard + 2)
    run.stop()

    archive = open_archive(bench.archive)
    check_accounts(archive, "hand-held", every_s=EVERY_S)
    passes = kept_steps(archive)
    assert sum(LAST in one for one in passes) > KILLS
    check_replay(archive)


AWAY = """
from acqd.errors import PortBusy
def away(self, context):
    raise PortBusy("somebody else has it")
Slow.open = away
"""


@pytest.mark.slow
def test_the_last_verdict_is_retained_again_on_a_broker_that_knows_nothing(bench: Any) -> None:
    """After a restart, though nothing can be swept, and after the broker lost its memory."""
    first, second = bench.broker(), bench.broker()
    for broker, driver in ((first, DRIVER), (second, f"{DRIVER}\n{AWAY}")):
        ear = bench.ear(broker.port)
        config = bench.config(
            {"bench": "sim:bench"}, [HAND_HELD], broker=broker.url, sweeper_more=MAXIMUM
        )
        run = bench.run(config, first=driver)
        ear.until("/hand-held/verdict", 1)
        if broker is first:
            run.stop()
            told = ear.heard("/hand-held/verdict")[-1]
    again = ear.heard("/hand-held/verdict")[-1]
    assert {**again, "run_id": ""} == {**told, "run_id": ""}
    broker.end()
    broker.start()
    third = bench.ear(broker.port)
    third.until("/hand-held/verdict", 1)
    assert third.heard("/hand-held/verdict")[-1] == again
    run.stop()
