"""What is no error in a config but may not be what was meant."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches

from acqd.config.alertchecks import alert_notes
from acqd.config.jobs import SOURCE_KINDS, JobTable
from acqd.config.whole import StationConfig
from acqd.hidden import holds_secret
from acqd.measure.bandpower import scallop_db, step_too_wide
from acqd.measure.sweeptime import fast_sweep, least_sweep_s
from acqd.plan.schedule import ClockWindow
from acqd.plan.sharing import SHARES_MOST

__all__ = ["notes_of"]

Note = tuple[tuple[str, ...], str]
"""Where, and the sentence."""


def notes_of(config: StationConfig) -> tuple[str, ...]:
    """Notes on ``config`` in file order: ``file:line: where: sentence``."""
    notes = [*_of_mqtt(config), *_of_station(config), *_unused(config), *_of_shares(config)]
    notes.extend(_of_context(config))
    notes.extend(_of_options(config))
    notes.extend(alert_notes(config))
    notes.extend(_of_retention(config))
    for name in config.jobs:
        notes.extend(_of_job(config, name))
    problems = (
        (config.places.line(*place), config.places.problem(place, text, accepted=""))
        for place, text in notes
    )
    ordered = sorted(problems, key=lambda pair: pair[0])
    return tuple(f"{each.file}:{line}: {each.where}: {each.problem}" for line, each in ordered)


def _of_mqtt(config: StationConfig) -> Iterator[Note]:
    mqtt = config.mqtt
    if mqtt.place in ("url", "none") and "address" in mqtt.model_fields_set:
        yield ("mqtt", "address"), f'has no effect with broker = "{mqtt.broker}"'
    if mqtt.sends_secrets_in_clear:
        yield (
            ("mqtt", "broker"),
            "the password goes over the network readable for all; use mqtts://",
        )
    has_login = mqtt.user or mqtt.user_env or mqtt.password_env or mqtt.password_file
    if mqtt.place != "url" and has_login:
        yield ("mqtt", "broker"), "the station's own broker asks for no user and no password"
    if config.dash is not None and mqtt.place == "none":
        yield ("dash",), 'with broker = "none" there is nothing to show, so no page is served'


def _of_options(config: StationConfig) -> Iterator[Note]:
    for name, sweeper in config.sweepers.items():
        for key, value in sweeper.options.items():
            if holds_secret(key) and isinstance(value, str):
                yield (
                    ("sweeper", name, "options", key),
                    "looks like a secret, which had better not stand in the text of a config: "
                    f'{key} = {{ env = "NAME" }} or {{ file = "PATH" }} keeps it out',
                )


def _of_context(config: StationConfig) -> Iterator[Note]:
    for name, context in config.context.items():
        if context.topic is not None and config.mqtt.place == "none":
            yield (
                ("context", name, "topic"),
                'nothing is heard of it with broker = "none": its value stays unknown',
            )
    for name, transmitter in config.transmitters.items():
        heard = config.context.get(transmitter.ptt or "")
        if heard is not None and heard.file is not None:
            yield (
                ("transmitter", name, "ptt"),
                "comes from a file, which is read every 5 s: a shorter key is not seen",
            )


def _of_station(config: StationConfig) -> Iterator[Note]:
    if "time_zone" not in config.station.model_fields_set:
        for name, job in config.jobs.items():
            if any(isinstance(window, ClockWindow) for window in job.when.windows) or job.when.cron:
                yield ("job", name, "when"), "its times are UTC, as [station] has no time_zone"
    if not config.enabled_jobs:
        yield ("station",), "there is no job to run"


def _of_retention(config: StationConfig) -> Iterator[Note]:
    table = config.retention
    if table.model_fields_set and not table.removes_anything:
        yield (
            ("retention",),
            "nothing is ever removed: it names no `keep`, no `archive_at_most`, and no "
            "make_room = true",
        )
    for name in table.job:
        if name not in config.jobs:
            near = get_close_matches(name, config.jobs, n=1)
            hint = f" (was `{near[0]}` meant?)" if near else ""
            yield (
                ("retention", "job", name),
                f"no job of this config is called so{hint}; it goes for what the archive has of "
                "such a job",
            )


def _unused(config: StationConfig) -> Iterator[Note]:
    used_chains = {job.chain for job in config.jobs.values()}
    used_sweepers = {job.sweeper for job in config.jobs.values()}
    for name in config.chains:
        if name not in used_chains:
            yield ("chain", name), "no job uses this chain"
    for name, sweeper in config.sweepers.items():
        if sweeper.enabled and name not in used_sweepers:
            yield ("sweeper", name), "no job uses this sweeper"


def _of_shares(config: StationConfig) -> Iterator[Note]:
    wanted: dict[str, float] = {}
    for job in config.enabled_jobs.values():
        wanted[job.sweeper] = wanted.get(job.sweeper, 0.0) + job.min_share
    for name, share in wanted.items():
        if share > SHARES_MOST + 1e-9:
            yield (
                ("sweeper", name),
                f"the shares of its jobs come to {100 * share:.3g} %; they are all made smaller "
                f"to come to {100 * SHARES_MOST:.3g} %",
            )


def _of_job(config: StationConfig, name: str) -> Iterator[Note]:
    job, place = config.jobs[name], ("job", name)
    if job.enabled and not config.sweepers[job.sweeper].enabled:
        yield (*place, "sweeper"), f"does not run: sweeper `{job.sweeper}` is not enabled"
    yield from _of_resolution(job, place)
    yield from _of_sweep_time(job, place)
    yield from _of_rhythm(job, place)
    yield from _of_channels(config, name)
    chain = config.chain(name)
    if chain is not None:
        outside = chain.extrapolated(job.request().frequencies_hz())
        if outside > 0:
            yield (
                (*place, "chain"),
                f"a table of the chain does not reach {100 * outside:.3g} % of the sweep; "
                "the value at its end is taken there",
            )
    if job.kind == "band" and job.band.floor == "flat" and "learn_s" in job.band.model_fields_set:
        yield (*place, "band", "learn"), 'has no effect without floor = "learnt"'


def _of_resolution(job: JobTable, place: tuple[str, ...]) -> Iterator[Note]:
    step_hz = job.request().step_hz
    if job.kind in SOURCE_KINDS:
        # The source is wherever the sweep is: nothing falls between two points.
        return
    if job.rbw_hz is None or step_hz <= job.rbw_hz * (1 + 1e-9):
        return
    loss_db = -scallop_db(step_hz, job.rbw_hz)
    reads = f"reads {loss_db:.1f} dB low" if loss_db < 60 else "is not seen"
    yield (
        (*place, "rbw"),
        f"the points are {step_hz / job.rbw_hz:.3g} RBW apart: on a sweeper that steps, a carrier "
        f"midway between two of them {reads}",
    )


def _of_sweep_time(job: JobTable, place: tuple[str, ...]) -> Iterator[Note]:
    """A sweep that the RBW filter cannot follow, where both are stated."""
    span_hz = job.request().span_hz
    if job.sweep_time_s is None or job.rbw_hz is None or span_hz <= 0:
        return
    least_s = least_sweep_s(span_hz, job.rbw_hz, vbw_hz=job.vbw_hz)
    if job.sweep_time_s >= least_s:
        return
    seen = fast_sweep(span_hz, job.rbw_hz, sweep_s=job.sweep_time_s)
    yield (
        (*place, "sweep_time"),
        f"a swept filter of this RBW wants {least_s:.3g} s; at this pace a carrier reads "
        f"{seen.loss_db:.2g} dB low and {seen.widened:.3g} times as wide (a sweeper that works "
        "by FFT does not mind)",
    )


def _of_rhythm(job: JobTable, place: tuple[str, ...]) -> Iterator[Note]:
    when, band = job.when, job.band
    if when.every_s is None:
        return
    if job.sweep_time_s is not None and job.sweep_time_s * when.burst > when.every_s:
        yield (
            (*place, "when", "every"),
            f"sweeping takes {job.sweep_time_s * when.burst:g} s, longer than "
            f"{when.every_s:g} s: due times will be missed",
        )
    if job.kind == "band" and 0 < band.flapping_s < when.every_s:
        yield (
            (*place, "band", "flapping"),
            f"shorter than the {when.every_s:g} s between due times: it joins nothing",
        )


def _of_channels(config: StationConfig, name: str) -> Iterator[Note]:
    plan, job = config.channel_plans.get(name), config.jobs[name]
    if plan is None:
        return
    place = ("job", name, "band", "channels")
    start_hz, stop_hz = job.range_hz
    heard = [c for c in plan.channels if c.start_hz >= start_hz and c.stop_hz <= stop_hz]
    if len(heard) < len(plan.channels):
        left = len(plan.channels) - len(heard)
        yield place, f"{left} of {len(plan.channels)} channels do not lie whole in the sweep"
    narrowest_hz = min((channel.width_hz for channel in heard), default=float("inf"))
    if job.request().step_hz > narrowest_hz:
        yield place, "there are channels narrower than the step, which no point may fall in"
    if job.rbw_hz is not None and step_too_wide(job.request().step_hz, job.rbw_hz):
        yield place, "powers of channels are not given: the step is more than half the RBW"
    if job.rbw_hz is not None and job.rbw_hz > narrowest_hz:
        yield place, "there are channels narrower than the RBW: neighbours will be heard in them"
