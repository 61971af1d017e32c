"""A run of the tool: legs of faults, each leg on a bench and an archive of its own, with the checks
after every fault and the whole of them at a leg's end."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from acqd.archive.reader import Archive
from faults_parts import checks
from faults_parts.bench import JOBS, FaultBench, Job
from faults_parts.registry import BROKERS, Fault

__all__ = ["Done", "Leg", "Outcome", "plan_legs", "run_leg"]

LEG_MOST = 24
"""Faults on one archive: the checks after each look through its files."""
SINCE_SLACK_S = 8.0
"""A sweep that is told of began at most this long before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """Faults for one bench, in order; two in one place are done at once."""

    number: int
    broker: str
    faults: tuple[tuple[Fault, ...], ...]
    seed: int


@dataclass(slots=True, kw_only=True)
class Outcome:
    """What a fault, single or mixed, came to. ``names`` has one name or two."""

    names: tuple[str, ...]
    broker: str
    took_s: float = 0.0
    published: int = 0
    """Messages about sweeps since the fault before, each held against the archive."""
    wrong: list[str] = field(default_factory=list)


@dataclass(slots=True, kw_only=True)
class Done:
    """What a leg came to; counts are of its whole archive."""

    leg: Leg
    outcomes: list[Outcome] = field(default_factory=list)
    due: int = 0
    stored: int = 0
    missed: dict[str, int] = field(default_factory=dict)
    published: int = 0
    """Different sweeps that were told of."""
    files: int = 0
    starts: int = 0
    findings: checks.Delivered = field(default_factory=checks.Delivered)
    wrong: list[str] = field(default_factory=list)
    """From the checks at the end, of no single fault."""


# -- planning ------------------------------------------------------------------------------------


def plan_legs(
    faults: Mapping[str, Fault], *, seed: int, full: bool, kills: int, only: Sequence[str] = ()
) -> list[Leg]:
    """Which fault is done how often, where, and mixed with which, all of it from the seed."""
    chance = random.Random(seed)
    chosen = [fault for name, fault in faults.items() if not only or name in only]
    singles = list(_singles(chosen, full=full, kills=kills))
    chance.shuffle(singles)
    by_broker: dict[str, list[tuple[Fault, ...]]] = {broker: [] for broker in BROKERS}
    for at, fault in enumerate(singles):
        # Kills go mostly where a tap tells what the broker acknowledged.
        weights = [4 if one == "own" else 1 for one in fault.brokers]
        broker = (
            chance.choices(fault.brokers, weights)[0]
            if fault.is_kill
            else fault.brokers[at % len(fault.brokers)]
        )
        by_broker[broker].append((fault,))
    mixed = 0 if only else (30 if full else 3)
    for _ in range(mixed):
        by_broker["own"].insert(chance.randrange(len(by_broker["own"]) + 1), _pair(chosen, chance))
    legs = []
    for broker, steps in by_broker.items():
        for first in range(0, len(steps), LEG_MOST):
            legs.append(
                Leg(
                    number=len(legs) + 1,
                    broker=broker,
                    faults=tuple(steps[first : first + LEG_MOST]),
                    seed=chance.randrange(1 << 30),
                )
            )
    return legs


def _singles(chosen: Sequence[Fault], *, full: bool, kills: int) -> Iterator[Fault]:
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
            yield from [fault] * max(fault.times[full], 0)


def _pair(chosen: Sequence[Fault], chance: random.Random) -> tuple[Fault, Fault]:
    able = [fault for fault in chosen if "own" in fault.brokers and max(fault.times) > 0]
    first = chance.choice(able)
    others = [one for one in able if _apart(one.strikes, first.strikes)]
    return first, chance.choice(others)


def _apart(one: str, other: str) -> bool:
    return one.split()[0] != other.split()[0]


# -- doing ---------------------------------------------------------------------------------------


class Watch:
    """What was checked already on one bench, so that each check looks at what is new."""

    def __init__(self, bench: FaultBench) -> None:
        self._bench = bench
        self._heard = self._sent = 0
        self._since_s = bench.began_s
        self._spans = {job.name: checks.Spans() for job in JOBS}
        self._dumped: set[Path] = set()

    def new(self) -> tuple[int, list[str]]:
        """Check what came since this was last asked: how many messages, and what is wrong."""
        bench, record = self._bench, self._bench.record
        heard, sent, now_s = len(record.heard), len(record.sent), time.time()
        messages = [
            *record.of("summary", "trace", since=self._heard),
            *record.sent_of("summary", "trace", since=self._sent),
        ]
        if not (bench.archive / "ledger.sqlite").exists():
            return 0, [] if not messages else ["messages and no archive"]
        # Messages first: what they tell of was committed before.
        archive = checks.open_kept(bench.archive)
        wrong = []
        kept = {}
        for job in JOBS:
            spans = self._spans[job.name]
            if spans.first is None and archive.plans():
                spans.first = checks.began(archive, job)
            since_s = min(self._since_s, self._accounted_s(job.name, job.every_s))
            kept[job.name] = checks.read_kept(archive, job.name, since_s)
            wrong += checks.accounts(kept[job.name], job, spans, whole=False)
            wrong += [f"{job.name}: {n} is there twice" for n in kept[job.name].twice]
        wrong += checks.published(messages, kept)
        findings = checks.read_findings(archive, JOBS)
        wrong += checks.numbered(findings)
        marks = checks.read_marks(bench.archive)
        wrong += checks.delivered(record, findings, marks, settled=False).wrong
        wrong += checks.readable(bench.archive, self._dumped)
        self._heard, self._sent = heard, sent
        self._since_s = now_s - SINCE_SLACK_S
        return len(messages), wrong

    def _accounted_s(self, name: str, every_s: float) -> float:
        number = self._spans[name].number
        # Half a step after the last one that is whole: its own gaps and sweeps began before.
        return self._bench.began_s - 1.0 if number is None else (number + 0.5) * every_s

    @property
    def files(self) -> int:
        return len(self._dumped)

    def finish(self, done: Done) -> None:
        """The whole of the checks, on an archive that nobody writes any more."""
        bench, record = self._bench, self._bench.record
        archive = checks.open_kept(bench.archive)
        told = [*record.of("summary", "trace"), *record.sent_of("summary", "trace")]
        kept = {job.name: checks.read_kept(archive, job.name, 0.0) for job in JOBS}
        wrong = checks.published(told, kept)
        wrong += checks.unique(bench.archive, told, JOBS)
        for job in JOBS:
            spans = checks.Spans(first=checks.began(archive, job))
            # The last stop may have cut a pass short; the start that accounts for it never came.
            wrong += checks.accounts(kept[job.name], job, spans, whole=False)
            wrong += self._whole(archive, job, kept[job.name], spans, done)
        findings = checks.read_findings(archive, JOBS)
        done.findings = checks.delivered(
            record, findings, checks.read_marks(bench.archive), settled=True
        )
        wrong += checks.numbered(findings) + done.findings.wrong
        wrong += checks.readable(bench.archive, self._dumped)
        wrong += checks.ended(record.said) + bench.ended
        done.published = len({(job, message["seq"]) for job, message, _ in told})
        done.files, done.starts = self.files, bench.starts
        done.wrong += wrong

    def _whole(
        self, archive: Archive, job: Job, kept: checks.Kept, spans: checks.Spans, done: Done
    ) -> list[str]:
        """The reader's own count agrees, and the account reaches beyond the last start."""
        coverage = archive.coverage(job.name)
        done.due += coverage.due
        done.stored += coverage.stored
        for reason, count in coverage.missed.items():
            done.missed[reason] = done.missed.get(reason, 0) + count
        counted = sum(checks.by_number(kept, job)[0].values())
        if spans.first is None or spans.number is None:
            return [f"{job.name}: nothing is accounted for"]
        due = (spans.number - spans.first + 1) * job.burst
        wrong = []
        if coverage.due != counted:
            wrong.append(f"{job.name}: {counted} are accounted for, the reader says {coverage.due}")
        if not due <= counted <= due + job.burst:
            wrong.append(f"{job.name}: {due} sweeps were due, and {counted} are accounted for")
        if (spans.number + 1) * job.every_s < self._bench.last_start_s:
            wrong.append(f"{job.name}: the account ends before the last start")
        return wrong


def run_leg(
    leg: Leg, folder: Path, *, say: Callable[[str], None] = lambda line: None, keep: bool = False
) -> Done:
    """Do a leg's faults one after the other and check after each."""
    done = Done(leg=leg)
    with ExitStack() as stack:
        bench = FaultBench(folder, stack, broker=leg.broker, seed=leg.seed)
        try:
            _through(leg, bench, done, say)
        except AssertionError as exc:
            done.wrong.append(f"not up: {exc}")
        if keep:
            bench.record.save(folder / "heard.jsonl")
    return done


def _through(leg: Leg, bench: FaultBench, done: Done, say: Callable[[str], None]) -> None:
    watch = Watch(bench)
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
    bench.subscriber.end()
    watch.finish(done)


def _do(bench: FaultBench, watch: Watch, step: tuple[Fault, ...]) -> Outcome:
    outcome = Outcome(names=tuple(one.name for one in step), broker=bench.broker_kind)
    began_s = time.monotonic()
    try:
        _inject(bench, step)
        # While the station starts again there is time to look at what it left.
        bench.put_up()
        outcome.published, outcome.wrong = watch.new()
        bench.mend()
    except AssertionError as exc:
        outcome.wrong.append(f"not up again: {exc}")
    outcome.took_s = time.monotonic() - began_s
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
    if problems:
        raise problems[0]


def _line(leg: Leg, outcome: Outcome) -> str:
    words = " + ".join(outcome.names)
    text = f"{leg.number}: {words} ({outcome.broker}), {outcome.took_s:.1f} s"
    return "\n".join([text, *(f"   WRONG {line}" for line in outcome.wrong[:5])])
