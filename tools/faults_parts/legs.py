"""A run of the tool: legs of faults, each leg on a bench and an archive of its own, with the checks
after every fault and the whole of them at a leg's end."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path

from faults_parts.bench import FaultBench, NotHere
from faults_parts.kits import make_bench
from faults_parts.registry import BROKERS, KITS, Fault
from faults_parts.watching import Stretch, Watch, Whole, whole
from peers import WaitedInVain

__all__ = ["Done", "Leg", "Outcome", "plan_legs", "run_leg", "through"]

LEG_MOST = 24
"""Faults on one archive: the checks after each look through its files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """Faults for one bench, in order; two in one place are done at once."""

    number: int
    broker: str
    kit: str = "plain"
    faults: tuple[tuple[Fault, ...], ...]
    seed: int


@dataclass(slots=True, kw_only=True)
class Outcome:
    """What a fault, single or mixed, came to. ``names`` has one name or two."""

    names: tuple[str, ...]
    broker: str
    took_s: float = 0.0
    until_s: float = 0.0
    """Wall time when everything was up again."""
    seen: Stretch = field(default_factory=Stretch)
    wrong: list[str] = field(default_factory=list)
    not_here: str | None = None
    """Why this machine cannot do it."""


@dataclass(slots=True, kw_only=True)
class Done:
    """What a leg came to. ``wrong`` is of no single fault."""

    leg: Leg
    outcomes: list[Outcome] = field(default_factory=list)
    whole: Whole = field(default_factory=lambda: Whole(stretches=[Stretch()]))
    starts: int = 0
    wrong: list[str] = field(default_factory=list)


# -- planning ------------------------------------------------------------------------------------


def plan_legs(
    faults: Mapping[str, Fault], *, seed: int, full: bool, kills: int, only: Sequence[str] = ()
) -> list[Leg]:
    """Which fault is done how often, where, and mixed with which, all of it from the seed."""
    chance = random.Random(seed)
    chosen = [fault for name, fault in faults.items() if not only or name in only]
    singles = list(_singles(chosen, full=full, kills=kills, least=bool(only)))
    chance.shuffle(singles)
    benches = [(KITS[0], broker) for broker in BROKERS] + [(kit, BROKERS[0]) for kit in KITS[1:]]
    by_bench: dict[tuple[str, str], list[tuple[Fault, ...]]] = {bench: [] for bench in benches}
    for at, fault in enumerate(singles):
        # Kills go mostly where a tap tells what the broker acknowledged.
        weights = [4 if one == "own" else 1 for one in fault.brokers]
        broker = (
            chance.choices(fault.brokers, weights)[0]
            if fault.is_kill
            else fault.brokers[at % len(fault.brokers)]
        )
        by_bench[fault.kit, broker].append((fault,))
    mixed = 0 if only else (30 if full else 3)
    for _ in range(mixed):
        pair = _pair(chosen, chance)
        # The kit of the one that needs one.
        steps = by_bench[max(pair, key=lambda one: KITS.index(one.kit)).kit, BROKERS[0]]
        steps.insert(chance.randrange(len(steps) + 1), pair)
    legs: list[Leg] = []
    for (kit, broker), steps in by_bench.items():
        for first in range(0, len(steps), LEG_MOST):
            legs.append(
                Leg(
                    number=len(legs) + 1,
                    broker=broker,
                    kit=kit,
                    faults=tuple(steps[first : first + LEG_MOST]),
                    seed=chance.randrange(1 << 30),
                )
            )
    return legs


def _singles(chosen: Sequence[Fault], *, full: bool, kills: int, least: bool) -> Iterator[Fault]:
    """``least``: each at least once, as somebody named it."""
    killing = [fault for fault in chosen if fault.is_kill]
    shares = sum(fault.share for fault in killing)
    given = 0
    for at, fault in enumerate(killing):
        last = at == len(killing) - 1
        count = kills - given if last else round(kills * fault.share / shares)
        given += count
        yield from [fault] * count
    for fault in chosen:
        if not fault.is_kill:
            yield from [fault] * max(fault.times[full], int(least))


def _pair(chosen: Sequence[Fault], chance: random.Random) -> tuple[Fault, Fault]:
    able = [one for one in chosen if "own" in one.brokers and one.mixes and max(one.times) > 0]
    first = chance.choice(able)
    others = [one for one in able if _apart(one, first)]
    return first, chance.choice(others)


def _apart(one: Fault, other: Fault) -> bool:
    """Whether two can be done at once: to different things, on one bench."""
    kits = {one.kit, other.kit} - {KITS[0]}
    return one.strikes.split()[0] != other.strikes.split()[0] and len(kits) < 2


# -- doing ---------------------------------------------------------------------------------------


def run_leg(
    leg: Leg, folder: Path, *, say: Callable[[str], None] = lambda line: None, keep: bool = False
) -> Done:
    """Do a leg's faults one after the other and check after each."""
    with ExitStack() as stack:
        try:
            bench = make_bench(leg.kit, folder, stack, broker=leg.broker, seed=leg.seed)
        except NotHere as exc:
            return _not_here(leg, str(exc), say)
        done = through(leg, bench, say)
        if keep:
            bench.record.save(folder / "heard.jsonl")
    return done


def _not_here(leg: Leg, why: str, say: Callable[[str], None]) -> Done:
    done = Done(leg=leg)
    for step in leg.faults:
        names = tuple(one.name for one in step)
        done.outcomes.append(Outcome(names=names, broker=leg.broker, not_here=why))
        say(_line(leg, done.outcomes[-1]))
    return done


def through(leg: Leg, bench: FaultBench, say: Callable[[str], None] = lambda line: None) -> Done:
    """The same on a bench that is there, and for the caller to look at afterwards."""
    done = Done(leg=leg)
    watch = Watch(bench)
    try:
        bench.mend()
        for step in leg.faults:
            outcome = _do(bench, watch, step)
            done.outcomes.append(outcome)
            say(_line(leg, outcome))
        # A clean end, and one start more: what the end cut short is accounted for there.
        bench.mend()
        bench.stop()
        bench.mend()
        bench.last_start_s = bench.start().started_s
        bench.stop()
    except AssertionError as exc:
        done.wrong.append(f"not up: {exc}")
    bench.subscriber.end()
    done.whole = whole(
        bench.archive,
        bench.record,
        last_start_s=bench.last_start_s,
        ends_s=[one.until_s for one in done.outcomes],
        guests=bench.guests,
        clock=bench.clock,
        firsts=watch.firsts,
    )
    for outcome, stretch in zip(done.outcomes, done.whole.stretches, strict=False):
        outcome.seen = stretch
    done.wrong += bench.ended
    done.starts = bench.starts
    return done


def _do(bench: FaultBench, watch: Watch, step: tuple[Fault, ...]) -> Outcome:
    outcome = Outcome(names=tuple(one.name for one in step), broker=bench.broker_kind)
    began_s = time.monotonic()
    try:
        try:
            _inject(bench, step)
        except NotHere as exc:
            outcome.not_here = str(exc)
        # While the station starts again there is time to look at what it left.
        bench.put_up()
        outcome.wrong += watch.new()
        bench.mend()
    except AssertionError as exc:
        outcome.wrong.append(f"not up again: {exc}")
        # What comes after is to be told of itself.
        with suppress(AssertionError):
            bench.mend()
    outcome.wrong += bench.wrong
    bench.wrong = []
    outcome.took_s, outcome.until_s = time.monotonic() - began_s, time.time()
    return outcome


def _inject(bench: FaultBench, step: tuple[Fault, ...]) -> None:
    problems: list[Exception] = []
    seeds = {fault.name: bench.chance.randrange(1 << 30) for fault in step}

    def one(fault: Fault) -> None:
        bench.draw_from(seeds[fault.name])
        try:
            fault.inject(bench)
        except Exception as exc:
            problems.append(exc)

    threads = [threading.Thread(target=one, args=(fault,), daemon=True) for fault in step[1:]]
    for thread in threads:
        thread.start()
    one(step[0])
    for thread in threads:
        thread.join()
    station = bench.station
    if len(step) > 1 and station is not None and station.was_killed:
        # One of the two has killed what the other waited to hear of; it is checked all the same.
        problems = [one for one in problems if not isinstance(one, WaitedInVain)]
    if problems:
        raise problems[0]


def _line(leg: Leg, outcome: Outcome) -> str:
    words = " + ".join(outcome.names)
    text = f"{leg.number}: {words} ({outcome.broker}), {outcome.took_s:.1f} s"
    if outcome.not_here is not None:
        text += f", not tried here: {outcome.not_here}"
    return "\n".join([text, *(f"   WRONG {line}" for line in outcome.wrong[:5])])
