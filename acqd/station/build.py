"""From a validated config to objects that can run. Nothing is opened here."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from acqd.alerts.plan import AlertPlan, alert_plan
from acqd.archive.retention import Retention, retention_of
from acqd.chain import MARGIN_DB, Chain, PartKind
from acqd.clock import Clock
from acqd.config.environment import secrets_named
from acqd.config.models import SweeperTable
from acqd.config.problems import in_file_order, near_miss
from acqd.config.secretfile import read_secret_file
from acqd.config.whole import StationConfig
from acqd.drivers.contract import Driver, Named
from acqd.drivers.host import Log, SweeperHost
from acqd.drivers.isolation import Isolation, isolation_of, maker_of
from acqd.drivers.registry import Registry
from acqd.drivers.usbports import ListSerial, serial_ports
from acqd.drivers.worker import MakeWorker
from acqd.errors import BrokerError, ConfigError
from acqd.plan.jobs import PlannedJob
from acqd.plan.rhythm import longest_interval_s
from acqd.publish.broker import EmbeddedBroker, LocalBroker
from acqd.publish.settings import BrokerSettings, MqttVersion
from acqd.publish.sharing_served import Serve
from acqd.station.commanding import command_rules
from acqd.station.context import ContextSpec
from acqd.station.doorkeeper import CommandRules
from acqd.station.feed import Feed
from acqd.station.followed import closer_looks, follow_rules
from acqd.station.identities import OnChange
from acqd.station.inputs import Arriving, InputSafety, source_power_w
from acqd.station.job import JobSpec
from acqd.station.kinds import kind_parts
from acqd.station.livepage import PageSpec
from acqd.station.ptt import PttRule
from acqd.station.reportshelf import ReportRule
from acqd.station.setup import SetupFacts
from acqd.station.software import software_here
from acqd.station.wishes import around_of, flag_while_of, only_while_of
from acqd.sweep import Identity, SweepRequest

__all__ = [
    "Built",
    "SweeperSpec",
    "at_address",
    "broker_settings",
    "build",
    "job_spec",
    "plane_of",
    "safety_of",
    "serve_of",
]

NAMES_ITS_DRIVER = ("sim", "iq")
"""Schemes of addresses that are of one driver. The others are links, over which most speak SCPI."""

OwnBroker = LocalBroker | EmbeddedBroker

ASSUMED_SWEEP_S = 1.0
"""How long a sweep is taken to last before anybody has timed one; the plan learns better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweeperSpec:
    """One sweeper of the config, with a driver of its own."""

    name: str
    driver_name: str
    driver: Driver
    address: str
    options: Mapping[str, Any] = field(repr=False)
    expected: Identity | None
    deadline_s: float
    table: SweeperTable | None = None
    """What the config says of it; None where there is none."""
    make_worker: MakeWorker | None = None
    """Makes who does the driver's calls where no real time passes; else ``isolation`` says who."""
    isolation: Isolation = field(default_factory=partial(isolation_of, None, None))
    """Where the driver runs, and why."""
    hidden: tuple[str, ...] = ()
    """Environment variables with passwords, which are no business of a driver's process."""

    def host(
        self, clock: Clock, *, list_serial: ListSerial = serial_ports, log: Log | None = None
    ) -> SweeperHost:
        """One that opens it; nothing is opened yet."""
        make_worker = self.make_worker or maker_of(self.isolation, log=log, hidden=self.hidden)
        return SweeperHost(
            name=self.name,
            driver=self.driver,
            address=self.address,
            options=self.options,
            clock=clock,
            expected=self.expected,
            deadline_s=self.deadline_s,
            log=log,
            make_worker=make_worker,
            list_serial=list_serial,
        )


def at_address(
    registry: Registry,
    address: str,
    *,
    driver: str | None = None,
    options: Mapping[str, Any] | None = None,
    deadline_s: float = 30.0,
) -> SweeperSpec:
    """A sweeper that no config describes.

    Args:
        driver: its name; None takes that of the address, ``sim:…`` and ``iq:…``, and else "scpi".
        options: the sweeper's; none where nothing is said.

    Raises:
        PluginError: no such driver is installed, or it is broken.
    """
    scheme = address.partition(":")[0].lower()
    name = driver or (scheme if scheme in NAMES_ITS_DRIVER else "scpi")
    made = registry.make(name)
    isolation = isolation_of(registry.drivers.get(name), None)
    return SweeperSpec(
        name="sweeper",
        driver_name=name,
        driver=made,
        isolation=isolation,
        address=address,
        options={} if options is None else options,
        expected=None,
        deadline_s=deadline_s,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """A station, ready to run."""

    name: str
    title: str
    archive: Path
    seal_every_s: float
    commit_within_s: float
    keep_free_bytes: int
    retention: Retention
    software: Mapping[str, str]
    sweepers: tuple[SweeperSpec, ...]
    jobs: tuple[JobSpec, ...]
    contexts: tuple[ContextSpec, ...]
    mqtt: BrokerSettings | None
    broker: Callable[[Callable[[], None]], OwnBroker] | None
    """Makes the station's own broker, which calls what it is given whenever it has come up; None
    where it is somebody else's, or nobody's."""
    broker_text: str
    topic_root: str
    trace_points: int
    time_zone: str
    hot_plug: bool
    """Whether to look for what is plugged in while it runs."""
    configured: Mapping[str, tuple[str, Named]]
    """Driver and address of every sweeper of the config by its name, also where it is disabled."""
    alerts: AlertPlan | None = None
    """Who is told of what; None where nobody is."""
    page: PageSpec | None = None
    """The live page to serve beside the station."""
    commands: CommandRules | None = None
    """What others may tell it over MQTT; None where nothing."""


def build(
    config: StationConfig,
    registry: Registry,
    *,
    broker: str | None = None,
    environ: Mapping[str, str] | None = None,
) -> Built:
    """Everything that ``config`` describes. ``broker`` stands in for the config's, if given.

    Raises:
        ConfigError: drivers that are not installed, each with its line.
        PluginError: a driver that is broken.
        BrokerError: a password that cannot be read.
    """
    _refuse_unknown_drivers(config, registry)
    environ = os.environ if environ is None else environ
    software = software_here()
    enabled = config.enabled_jobs
    sweepers = tuple(
        _sweeper(config, name, registry, environ)
        for name in config.sweepers
        if config.sweepers[name].enabled
    )
    mqtt, make_broker, text = _broker(config, broker, environ)
    return Built(
        name=config.station.name,
        title=config.station.title or config.station.name,
        archive=config.archive,
        seal_every_s=config.station.seal_every_s,
        commit_within_s=config.station.commit_within_s,
        keep_free_bytes=config.station.keep_free_bytes,
        retention=retention_of(config.retention),
        software=software,
        sweepers=sweepers,
        jobs=tuple(job_spec(config, name, software) for name in enabled),
        contexts=_contexts(config),
        mqtt=mqtt,
        broker=make_broker,
        broker_text=text,
        topic_root=config.mqtt.topic_root,
        trace_points=config.mqtt.trace_points,
        time_zone=config.station.time_zone,
        hot_plug=config.station.hot_plug,
        alerts=alert_plan(config, environ),
        configured={
            spec.name: (spec.driver_name, Named(address=spec.address, options=spec.options))
            for spec in sweepers
        }
        | {
            name: (table.driver, Named(address=config.address(name)))
            for name, table in config.sweepers.items()
            if not table.enabled
        },
        page=_page(config),
        commands=command_rules(config),
    )


def _refuse_unknown_drivers(config: StationConfig, registry: Registry) -> None:
    known = sorted({*registry.drivers, *(error.name for error in registry.broken)})
    problems = tuple(
        config.places.problem(
            ("sweeper", name, "driver"),
            f"no driver of this name is installed{near_miss(table.driver, known)}",
            accepted=", ".join(f'"{each}"' for each in known) or "none: no driver is installed",
            given=f'"{table.driver}"',
        )
        for name, table in config.sweepers.items()
        if table.enabled and table.driver not in known
    )
    if problems:
        raise ConfigError(in_file_order(problems))


def plane_of(chain: Chain | None, title: str) -> str:
    """What the reference plane is called in sentences."""
    if chain is None:
        return "the sweeper's input"
    return title or "the chain's far end"


def _sweeper(
    config: StationConfig, name: str, registry: Registry, environ: Mapping[str, str]
) -> SweeperSpec:
    table = config.sweepers[name]
    expected = None
    if table.maker or table.model or table.serial_number or table.location:
        expected = Identity(
            maker=table.maker,
            model=table.model,
            serial_number=table.serial_number,
            location=table.location,
        )
    made = registry.make(table.driver)
    isolation = isolation_of(registry.drivers.get(table.driver), table.isolation)
    return SweeperSpec(
        name=name,
        driver_name=table.driver,
        driver=made,
        isolation=isolation,
        hidden=secrets_named(config),
        address=config.address(name),
        options=config.options(name, environ),
        expected=expected,
        deadline_s=table.deadline_s,
        table=table,
    )


def job_spec(config: StationConfig, name: str, software: Mapping[str, str]) -> JobSpec:
    """One job of ``config``, ready to run; ``software`` is what its setups say measured."""
    table = config.jobs[name]
    sweeper = config.sweepers[table.sweeper]
    chain = config.chain(name)
    title = config.chains[table.chain].title if table.chain is not None else ""
    plane = plane_of(chain, title)
    parts = kind_parts(config, name, plane)
    meter = parts.meter
    schedule = config.schedule(name)
    request: SweepRequest = table.request()
    estimate_s = (table.sweep_time_s or ASSUMED_SWEEP_S) * schedule.burst
    # Another version of the meter is another config: its states mean something else.
    digest = f"{config.job_digest(name)}@{meter.version}"
    return JobSpec(
        name=name,
        kind=table.kind,
        sweeper=table.sweeper,
        request=request,
        planned=PlannedJob(
            name=name,
            schedule=schedule,
            priority=table.priority,
            min_share=table.min_share,
            estimate_s=estimate_s,
            extra_share=max((one.share for one in table.on_finding), default=None),
        ),
        feed=Feed(
            meter=meter,
            version=meter.version,
            config=digest,
            closer=closer_looks(table.on_finding, plane),
        ),
        facts=SetupFacts(
            job=name,
            kind=table.kind,
            sweeper=table.sweeper,
            plane=plane,
            config=config.job_source(name),
            config_digest=digest,
            interval_s=longest_interval_s(schedule),
            chain=chain,
            level_accuracy_db=sweeper.level_accuracy_db,
            frequency_accuracy_ppm=sweeper.frequency_accuracy_ppm,
            detector=None if sweeper.detector is None else str(sweeper.detector),
            averages=sweeper.averages,
            software=software,
            absolute_max_dbm=sweeper.absolute_max_dbm,
            noise_bandwidth_ratio=sweeper.noise_bandwidth_ratio,
            context={
                key: {"unit": one.unit, "title": one.title} for key, one in config.context.items()
            },
        ),
        make_pass=parts.make_pass,
        guided_pass=parts.guided_pass,
        foresee=parts.foresee,
        safety=safety_of(config, name),
        on_change=_on_change(config, name),
        channel_keys=parts.channel_keys,
        follow=follow_rules(table.on_finding, plane),
        carrier_hz=table.carrier.expected_hz if table.kind == "carrier" else None,
        ends=table.soak is not None,
        report=None
        if table.report is None
        else ReportRule(at_s=table.report.at_s, keep=table.report.keep, title=table.title or name),
        ptt=_ptt(config, name),
        flag_while=flag_while_of(config, name),
        only_while=only_while_of(config, name),
        around=around_of(config, name),
    )


def _on_change(config: StationConfig, name: str) -> OnChange:
    """As the config says. Left out, jobs stop whose verdict, or whose input's safety, rests on what
    is known of one instrument."""
    table = config.jobs[name]
    if table.on_change is not None:
        return OnChange(table.on_change)
    rests_on_it = table.soak is not None or table.kind == "emission"
    return OnChange.STOP if rests_on_it or safety_of(config, name).is_concerned else OnChange.GO_ON


def _contexts(config: StationConfig) -> tuple[ContextSpec, ...]:
    return tuple(
        ContextSpec(
            name=name,
            topic=table.topic,
            file=None if table.file is None else config.resolved(table.file),
            key=table.key,
            scale=table.scale,
            words=table.words,
            max_age_s=table.max_age_s,
        )
        for name, table in config.context.items()
    )


def _ptt(config: StationConfig, name: str) -> tuple[PttRule, ...]:
    """The transmitters near the job's aerial that say when they are keyed."""
    chain = config.jobs[name].chain
    return tuple(
        PttRule(transmitter=key, context=near.ptt, hold=near.while_keyed == "hold")
        for key, near in config.transmitters.items()
        if near.ptt is not None and chain is not None and near.near == chain
    )


def safety_of(config: StationConfig, name: str) -> InputSafety:
    """Everything that can bring power to the job's input, and the largest margin asked for."""
    table = config.jobs[name]
    start_hz, stop_hz = table.range_hz
    chain = config.chain(name)
    has_aerial = chain is not None and any(part.kind is PartKind.ANTENNA for part in chain.parts)
    arriving, margins = [], []
    if table.transmitter is not None:
        one = table.transmitter
        arriving.append(
            Arriving(
                name="the transmitter",
                power_w=one.power_w,
                start_hz=start_hz if one.start_hz is None else one.start_hz,
                stop_hz=stop_hz if one.stop_hz is None else one.stop_hz,
                duty=one.duty,
                is_joined=True,
            )
        )
        margins.append(one.margin_db)
    if table.source is not None:
        power_w = source_power_w(table.source.level_dbm, table.source.gain_db)
        source = Arriving(name="the source", power_w=power_w, start_hz=start_hz, stop_hz=stop_hz)
        arriving.append(source)
        margins.append(table.source.margin_db)
    for key, near in config.transmitters.items():
        if table.chain is not None and near.near == table.chain:
            arriving.append(
                Arriving(
                    name=f"the transmitter `{key}`",
                    power_w=near.power_w,
                    start_hz=near.start_hz,
                    stop_hz=near.stop_hz,
                    isolation_db=near.between_db(aerial_in_chain=has_aerial),
                )
            )
            margins.append(near.margin_db)
    return InputSafety(
        arriving=tuple(arriving),
        chain=chain,
        ambient_c=config.chains[table.chain].ambient_c if table.chain is not None else 25.0,
        margin_db=max(margins, default=MARGIN_DB),
    )


def _broker(
    config: StationConfig, instead: str | None, environ: Mapping[str, str]
) -> tuple[BrokerSettings | None, Callable[[Callable[[], None]], OwnBroker] | None, str]:
    mqtt = config.mqtt
    place = instead or mqtt.place
    if place == "none":
        return None, None, "none: nothing is published"
    log = structlog.get_logger()
    settings = broker_settings(config, environ, instead=instead)
    assert settings is not None
    endpoint = settings.address
    if place == "embedded":
        if mqtt.serve is not None:
            raise BrokerError(
                "the embedded broker has no passwords and no TLS, so it cannot serve others: "
                'install mosquitto and leave broker = "local", or take [mqtt.serve] out'
            )
        return settings, lambda on_up: EmbeddedBroker(endpoint, log=log, on_up=on_up), ""
    if place == "local":
        websocket, serve = mqtt.websocket_endpoint, serve_of(config)
        return (
            settings,
            lambda on_up: LocalBroker(
                endpoint, log=log, websocket=websocket, on_up=on_up, serve=serve
            ),
            "",
        )
    return settings, None, str(endpoint)


def broker_settings(
    config: StationConfig, environ: Mapping[str, str], *, instead: str | None = None
) -> BrokerSettings | None:
    """How the station speaks to its broker; None where it has none. ``instead`` stands in for the
    config's `broker`.

    Raises:
        BrokerError: a password that cannot be read.
    """
    mqtt = config.mqtt
    # Not validated again: a table for another one's broker has keys that the own has no use for.
    mqtt = mqtt if instead is None else mqtt.model_copy(update={"broker": instead})
    endpoint = mqtt.endpoint
    if endpoint is None:
        return None
    return BrokerSettings(
        address=endpoint,
        version=MqttVersion(mqtt.version),
        user=mqtt.user or _secret_of(mqtt.user_env, environ),
        password=_password(config, environ),
        ca_file=config.ca_file,
        topic_root=mqtt.topic_root,
        outbox=mqtt.outbox,
    )


def serve_of(config: StationConfig) -> Serve | None:
    """Whom the station's broker is served to; None where it is for this machine alone."""
    table = config.mqtt.serve
    if table is None:
        return None
    return Serve(
        address=table.endpoint,
        folder=config.resolved(table.folder),
        station=config.station.name,
        topic_root=config.mqtt.topic_root,
        names=table.names,
        open=table.open,
    )


def _page(config: StationConfig) -> PageSpec | None:
    table = config.dash
    if table is None:
        return None
    return PageSpec(
        address=table.endpoint,
        token_file=None if table.token_file is None else config.resolved(table.token_file),
        stations=table.stations,
        names=table.names,
    )


def _secret_of(name: str | None, environ: Mapping[str, str]) -> str | None:
    if name is None:
        return None
    if name not in environ:
        raise BrokerError(f"the environment variable {name}, named in [mqtt], is not set")
    return environ[name]


def _password(config: StationConfig, environ: Mapping[str, str]) -> str | None:
    path = config.password_file
    if path is None:
        return _secret_of(config.mqtt.password_env, environ)
    try:
        return read_secret_file(path)
    except (OSError, UnicodeDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else "not UTF-8"
        raise BrokerError(f"password_file {path}: cannot be read: {reason}") from exc
