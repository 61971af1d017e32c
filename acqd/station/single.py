"""One pass without a station: opened, swept, measured, closed; nothing is kept."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.lock import holder_of
from acqd.archive.records import GapRecord, SweepRecord
from acqd.clock import SystemClock
from acqd.config.load import find_config, load_config
from acqd.config.quantity import (
    DIFFERENCE,
    FREQUENCY,
    format_quantity,
    parse_frequency_range,
    parse_quantity,
)
from acqd.config.whole import StationConfig
from acqd.drivers.host import SweeperHost
from acqd.drivers.registry import Registry, load_drivers
from acqd.errors import (
    ConfigError,
    InputUnsafe,
    PortBusy,
    RequestRefused,
    SweeperError,
    WrongUsage,
)
from acqd.measure.band import BandMeter, BandSettings, band_pass
from acqd.measure.meter import (
    PASS_CUT_SHORT,
    Answer,
    FindingDraft,
    Output,
    PassStep,
    Role,
    SweepSeen,
)
from acqd.measure.words import level_text
from acqd.plan.jobs import PlannedJob
from acqd.plan.schedule import Schedule
from acqd.station.bench import Bench
from acqd.station.build import Built, SweeperSpec, at_address, build
from acqd.station.feed import Feed, SetupView, sweep_seen
from acqd.station.inputs import nearing_maximum
from acqd.station.job import JobSpec
from acqd.station.references import ReferenceRecord, stored_references
from acqd.station.setup import SetupFacts, SetupMaker, absolute_max_dbm
from acqd.station.wishes import refuse_unasked
from acqd.sweep import Capabilities, LevelUnit, Sweep, SweepRequest

__all__ = ["One", "one_of_job", "one_of_range", "take_one"]

POINTS = 401
"""Points of a plain range, where nobody says how many."""


def one_of_job(
    name: str, *, config: str | None, as_it_is: bool = False
) -> tuple[SweeperHost, JobSpec, Mapping[str, ReferenceRecord]]:
    """A job of a config, the host of its sweeper, and the references that the archive has of it.

    Raises:
        ConfigError: the config.
        WrongUsage: no such job in it; or it asks something of the world before a pass, and nobody
            says that the world is ``as_it_is`` wanted.
        PortBusy: its station is running.
    """
    bench = Bench.of_job(name, config=config)
    refuse_unasked(bench.spec, as_it_is=as_it_is)
    _refuse_held(bench.built, bench.sweeper)
    references = stored_references(bench.built.archive).get(name, {})
    return bench.sweeper.host(SystemClock()), bench.spec, references


def one_of_range(
    text: str,
    *,
    config: str | None,
    sweeper: str | None,
    driver: str | None,
    points: int | None,
    rbw: str | None,
    margin: str,
    options: Mapping[str, Any] | None = None,
) -> tuple[SweeperHost, JobSpec]:
    """A plain frequency range on a sweeper of the config, or at an address with ``options``.

    Raises:
        WrongUsage: the range or a quantity cannot be read, or it is not clear which sweeper.
        PortBusy: a sweeper of a config whose station is running.
    """
    try:
        start_hz, stop_hz = parse_frequency_range(text)
        rbw_hz = None if rbw is None else float(parse_quantity(rbw, FREQUENCY))
        margin_db = float(parse_quantity(margin, DIFFERENCE))
    except ValueError as exc:
        raise WrongUsage(str(exc)) from exc
    registry = load_drivers()
    spec = _sweeper(registry, config=config, sweeper=sweeper, driver=driver, options=options)
    request = SweepRequest(
        start_hz=start_hz, stop_hz=stop_hz, points=points or POINTS, rbw_hz=rbw_hz
    )
    name = f"{format_quantity(start_hz, FREQUENCY)}..{format_quantity(stop_hz, FREQUENCY)}"
    settings = BandSettings(
        margin_db=margin_db,
        false_alarm=None,
        closing_db=min(2.0, margin_db / 2),
        plane="the sweeper's input",
    )
    meter = BandMeter(settings)
    return spec.host(SystemClock()), JobSpec(
        name=name,
        kind="band",
        sweeper=spec.name,
        request=request,
        planned=PlannedJob(name=name, schedule=Schedule(back_to_back=True)),
        feed=Feed(meter=meter, version=meter.version, config=""),
        facts=SetupFacts(
            job=name,
            kind="band",
            sweeper=spec.name,
            plane="the sweeper's input",
            config={},
            config_digest="",
            interval_s=None,
            chain=None,
            level_accuracy_db=None,
            frequency_accuracy_ppm=None,
            detector=None,
            averages=None,
            software={},
        ),
        make_pass=band_pass,
    )


def _sweeper(
    registry: Registry,
    *,
    config: str | None,
    sweeper: str | None,
    driver: str | None,
    options: Mapping[str, Any] | None,
) -> SweeperSpec:
    if sweeper is not None and ":" in sweeper:
        return at_address(registry, sweeper, driver=driver, options=options)
    if options:
        raise WrongUsage("--option is for an address; the config says the options of a sweeper")
    try:
        loaded: StationConfig = load_config(find_config(config))
    except ConfigError as exc:
        if config is not None or sweeper is not None:
            raise
        raise WrongUsage(
            "which sweeper? give --sweeper with an address ('acqd find' lists what is attached; "
            "sim:mast is a simulated one), or a config"
        ) from exc
    built = build(loaded, registry, broker="none")
    specs = [one for one in built.sweepers if sweeper is None or one.name == sweeper]
    if len(specs) != 1:
        have = ", ".join(one.name for one in built.sweepers) or "none"
        raise WrongUsage(f"{loaded.path}: which sweeper? give --sweeper with one of: {have}")
    _refuse_held(built, specs[0])
    return specs[0]


def _refuse_held(built: Built, sweeper: SweeperSpec) -> None:
    """Leave the sweepers of a running station alone: one that talks to two loses its place."""
    holder = holder_of(built.archive)
    if holder is not None:
        raise PortBusy(
            f"{sweeper.name}: in use by {holder}; stop that station first, or read what it sweeps "
            f"(acqd export {built.archive})"
        )


async def take_one(
    host: SweeperHost,
    spec: JobSpec,
    *,
    references: Mapping[str, ReferenceRecord] | None = None,
    say: Callable[[str], None] = lambda text: None,
) -> One:
    """One pass of a job; ``say`` is told what the person at the bench is to do.

    Raises:
        SweeperError: it cannot be opened, what can arrive at its input is too much, or no sweep
            came.
        UnitMismatch: the kind cannot measure what the sweeper gives.
    """
    try:
        opened = await host.open()
        most_dbm = absolute_max_dbm(spec.facts.absolute_max_dbm, opened.capabilities)
        problem = spec.safety.refusal(most_dbm)
        if problem is not None:
            raise InputUnsafe(problem)
        bench = _Bench(host, spec, opened.capabilities, references, say)
        try:
            return await bench.take(most_dbm)
        except SweeperError:
            if any(one.is_joined for one in spec.safety.arriving):
                # A hand may be holding the key down, waiting for a word.
                say("Release the key NOW: the measurement has ended early.")
            raise
    finally:
        await asyncio.shield(host.close())


@dataclass(frozen=True, slots=True, kw_only=True)
class One:
    """What one pass brought: its last sweep as plain data, the summary, verdict and findings."""

    told: Mapping[str, Any]
    summary: Mapping[str, Any]
    verdict: Mapping[str, Any] | None
    findings: tuple[FindingDraft, ...]
    frequency_hz: NDArray[np.float64]
    level: NDArray[Any]
    """(points,) of the last sweep at the reference plane, rising."""
    through: NDArray[Any] | None
    """The job's reference of a through on the same points, where it can be used."""


class _Bench:
    """Takes a pass and measures it as a station would, and keeps nothing."""

    def __init__(
        self,
        host: SweeperHost,
        spec: JobSpec,
        capabilities: Capabilities,
        references: Mapping[str, ReferenceRecord] | None,
        say: Callable[[str], None],
    ) -> None:
        self._host = host
        self._spec = spec
        self._capabilities = capabilities
        self._setups = SetupMaker(spec.facts, references=references)
        self._say = say
        self._state = spec.feed.start()
        self._outputs: list[Output] = []
        self._seq = 0

    async def take(self, most_dbm: float | None) -> One:
        spec = self._spec
        make_pass = spec.guided_pass or spec.make_pass
        series = make_pass(spec.request, spec.planned.schedule.burst)
        step: PassStep | None = next(series, None)
        last: tuple[Sweep, SetupView, SweepSeen] | None = None
        while step is not None:
            if step.say:
                self._say(step.say)
            sweep = await self._sweep(step.request)
            view, record = self._measured(sweep, step.step)
            seen = sweep_seen(record, view)
            last = (sweep, view, seen)
            level_dbm = nearing_maximum(sweep, most_dbm)
            if level_dbm is not None:
                level = level_text(level_dbm, LevelUnit.DBM)
                raise InputUnsafe(
                    f"{level} at the sweeper's input, too near to what it stands "
                    f"({most_dbm:g} dBm): stopped; look at the chain first"
                )
            answer = Answer(setup=view.event, sweep=seen)
            try:
                step = series.send(partial(_itself, answer))
            except StopIteration:
                step = None
        if last is None:
            raise SweeperError(f"{self._host.name}: the pass asked for no sweep")
        return self._one(*last)

    async def _sweep(self, request: SweepRequest) -> Sweep:
        try:
            return await self._host.sweep(request)
        except RequestRefused as exc:
            raise SweeperError(f"{self._host.name} cannot do this: {exc}") from exc

    def _measured(self, sweep: Sweep, step: int) -> tuple[SetupView, SweepRecord]:
        self._seq += 1
        setup = self._setups.setup_of(sweep, self._capabilities, step=step)
        view = SetupView.of(setup, sweep.started_s)
        record = _record(self._spec, sweep, setup.setup, seq=self._seq, step=step)
        self._state, outputs = self._spec.feed.sweep(self._state, record, view)
        self._outputs += outputs
        return view, record

    def _one(self, sweep: Sweep, view: SetupView, seen: SweepSeen) -> One:
        summaries = [out.summary for out in self._outputs if out.summary is not None]
        if not summaries:
            cut = GapRecord(
                job=self._spec.name,
                from_s=sweep.started_s,
                to_s=sweep.started_s,
                count=0,
                reason=PASS_CUT_SHORT,
            )
            self._state, output = self._spec.feed.gap(self._state, cut)
            self._outputs.append(output)
            summaries = [out.summary for out in self._outputs if out.summary is not None]
        verdicts = [out.verdict for out in self._outputs if out.verdict is not None]
        told = {
            "identity": str(sweep.identity),
            "started_s": sweep.started_s,
            "took_s": sweep.took_s,
            "sweeps": self._seq,
            "start_hz": float(view.grid.frequency_hz[0]),
            "stop_hz": float(view.grid.frequency_hz[-1]),
            "points": view.grid.points,
            "rbw_hz": view.event.rbw_hz,
            "rbw_is_assumed": sweep.reported.rbw_hz is None or "rbw_hz" in sweep.reported.assumed,
            "unit": str(sweep.unit),
        }
        through = view.event.references.get(str(Role.THROUGH))
        return One(
            frequency_hz=np.asarray(view.grid.frequency_hz, dtype=np.float64),
            level=seen.level,
            through=through.level if through is not None and through.is_usable else None,
            told=told,
            summary=summaries[-1] if summaries else {},
            verdict=verdicts[-1] if verdicts else None,
            findings=tuple(finding for out in self._outputs for finding in out.findings),
        )


def _itself(answer: Answer) -> Answer:
    return answer


def _record(spec: JobSpec, sweep: Sweep, setup: str, *, seq: int, step: int) -> SweepRecord:
    return SweepRecord(
        job=spec.name,
        step=step,
        setup=setup,
        seq=seq,
        pass_id=1,
        run_id="once",
        due_s=sweep.started_s,
        started_s=sweep.started_s,
        monotonic_s=sweep.monotonic_s,
        took_s=sweep.took_s,
        boot_id=sweep.boot_id,
        sweeper_time_s=sweep.sweeper_time_s,
        flags=sweep.flags,
        level=sweep.level,
    )
