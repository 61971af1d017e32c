"""One pass without a station: opened, swept, measured, closed; nothing is kept."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from acqd.archive.lock import holder_of
from acqd.archive.records import SweepRecord
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
from acqd.errors import ConfigError, PortBusy, RequestRefused, SweeperError, WrongUsage
from acqd.measure.band import BandMeter, BandSettings, band_pass
from acqd.plan.jobs import PlannedJob
from acqd.plan.schedule import Schedule
from acqd.station.build import Built, SweeperSpec, build
from acqd.station.feed import Feed, SetupView
from acqd.station.job import JobSpec
from acqd.station.setup import SetupFacts, SetupMaker
from acqd.sweep import Sweep, SweepRequest

__all__ = ["one_of_job", "one_of_range", "take_one"]

POINTS = 401
"""Points of a plain range, where nobody says how many."""


def one_of_job(name: str, *, config: str | None) -> tuple[SweeperHost, JobSpec]:
    """A job of a config and the host of its sweeper.

    Raises:
        ConfigError: the config.
        WrongUsage: no such job in it.
        PortBusy: its station is running.
    """
    loaded = load_config(find_config(config))
    built = build(loaded, load_drivers(), broker="none")
    spec = next((job for job in built.jobs if job.name == name), None)
    if spec is None:
        have = ", ".join(job.name for job in built.jobs) or "none"
        raise WrongUsage(f"{loaded.path}: no enabled job {name!r}; there is {have}")
    sweeper = next(one for one in built.sweepers if one.name == spec.sweeper)
    _refuse_held(built, sweeper)
    return _host(sweeper), spec


def one_of_range(
    text: str,
    *,
    config: str | None,
    sweeper: str | None,
    driver: str | None,
    points: int | None,
    rbw: str | None,
    margin: str,
) -> tuple[SweeperHost, JobSpec]:
    """A plain frequency range on a sweeper of the config, or at an address.

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
    spec = _sweeper(registry, config=config, sweeper=sweeper, driver=driver)
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
    return _host(spec), JobSpec(
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
    registry: Registry, *, config: str | None, sweeper: str | None, driver: str | None
) -> SweeperSpec:
    if sweeper is not None and ":" in sweeper:
        name = driver or ("sim" if sweeper.startswith("sim:") else "scpi")
        return SweeperSpec(
            name="sweeper",
            driver_name=name,
            driver=registry.make(name),
            address=sweeper,
            options={},
            expected=None,
            deadline_s=30.0,
        )
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


def _host(spec: SweeperSpec) -> SweeperHost:
    return SweeperHost(
        name=spec.name,
        driver=spec.driver,
        address=spec.address,
        options=spec.options,
        clock=SystemClock(),
        expected=spec.expected,
        deadline_s=spec.deadline_s,
    )


async def take_one(host: SweeperHost, spec: JobSpec) -> tuple[dict[str, Any], Mapping[str, Any]]:
    """What was swept, as plain data, and the summary of the pass's last sweep.

    Raises:
        SweeperError: it cannot be opened, or no sweep came.
    """
    try:
        opened = await host.open()
        sweeps = spec.planned.schedule.burst
        sweep = await _last_of_pass(host, spec, sweeps)
        capabilities = opened.capabilities
        setup = SetupMaker(spec.facts).setup_of(sweep, capabilities, step=0)
        view = SetupView.of(setup, sweep.started_s)
        record = _record(spec, sweep, setup.setup)
        _, outputs = spec.feed.sweep(spec.feed.start(), record, view)
    finally:
        await asyncio.shield(host.close())
    summary = next(out.summary for out in reversed(outputs) if out.summary is not None)
    told = {
        "identity": str(sweep.identity),
        "started_s": sweep.started_s,
        "took_s": sweep.took_s,
        "start_hz": float(view.grid.frequency_hz[0]),
        "stop_hz": float(view.grid.frequency_hz[-1]),
        "points": view.grid.points,
        "rbw_hz": view.event.rbw_hz,
        "rbw_is_assumed": sweep.reported.rbw_hz is None or "rbw_hz" in sweep.reported.assumed,
        "unit": str(sweep.unit),
        "suffix": _suffix(summary),
    }
    return told, summary


async def _last_of_pass(host: SweeperHost, spec: JobSpec, sweeps: int) -> Sweep:
    series = spec.make_pass(spec.request, sweeps)
    request: SweepRequest | None = next(series)
    sweep: Sweep | None = None
    while request is not None:
        try:
            sweep = await host.sweep(request)
        except RequestRefused as exc:
            raise SweeperError(f"{host.name} cannot do this: {exc}") from exc
        try:
            request = series.send(None)
        except StopIteration:
            request = None
    assert sweep is not None
    return sweep


def _record(spec: JobSpec, sweep: Sweep, setup: str) -> SweepRecord:
    return SweepRecord(
        job=spec.name,
        step=0,
        setup=setup,
        seq=1,
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


def _suffix(summary: Mapping[str, Any]) -> str:
    return next(key.removeprefix("threshold_") for key in summary if key.startswith("threshold_"))
