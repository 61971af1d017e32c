"""What alerts say of jobs, sweepers, channels and ways: these are there, and can bring them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any
from urllib.parse import urlsplit

from acqd.config.alerts import AlertTable, WayTable
from acqd.config.jobs import JobTable
from acqd.config.problems import Text, near_miss
from acqd.config.whole import StationConfig
from acqd.errors import ConfigProblem
from acqd.measure.channels import ChannelPlan
from acqd.measure.finding_words import FINDING_WORDS

__all__ = ["alert_notes", "alert_problems"]

HEARS_CARRIERS = ("band", "carrier")
HAS_FLOOR = ("band", "carrier")


def alert_problems(
    data: Mapping[str, Any],
    places: Text,
    *,
    alerts: Mapping[str, AlertTable],
    jobs: Mapping[str, JobTable],
    plans: Mapping[str, ChannelPlan],
) -> Iterator[ConfigProblem]:
    """Whatever an alert names and the config does not have, or that cannot bring it.

    Args:
        data: the whole file, also its faulty tables: a reference to one of them is no new problem.
        alerts, jobs, plans: the tables that are right, and the channel plans of jobs.
    """
    for name, alert in alerts.items():
        place = ("alert", name)
        families = (("job", alert.job), ("sweeper", alert.sweeper), ("to", alert.to))
        for key, wanted in families:
            family = "way" if key == "to" else key
            yield from _unknown(data, places, (*place, key), family, wanted)
        yield from _kinds(alert, place, jobs, places)
        yield from _channels(alert, place, jobs, plans, places)
        yield from _frequency(alert, place, jobs, places)
        yield from _words(alert, place, jobs, places)
        if not _names(data, "way"):
            yield places.problem(
                place,
                "there is no way to tell anybody",
                accepted='a table [way.NAME], such as [way.bell] with command = ["./ring"]',
            )


def _names(data: Mapping[str, Any], family: str) -> list[str]:
    named = data.get(family)
    return list(named) if isinstance(named, Mapping) else []


def _unknown(
    data: Mapping[str, Any],
    places: Text,
    place: tuple[str, ...],
    family: str,
    wanted: Iterable[str],
) -> Iterator[ConfigProblem]:
    known = _names(data, family)
    listed = ", ".join(f"`{each}`" for each in known)
    for one in wanted:
        if one not in known:
            yield places.problem(
                place,
                f"there is no {family} `{one}`{near_miss(one, known)}",
                accepted=f"of {listed}" if listed else f"a table [{family}.{one}] beside it",
            )


def _kinds(
    alert: AlertTable, place: tuple[str, ...], jobs: Mapping[str, JobTable], places: Text
) -> Iterator[ConfigProblem]:
    """Jobs of a kind that knows nothing of what is asked."""
    kinds = {
        "channel busy": ("band",),
        "carrier present": HEARS_CARRIERS,
        "carrier absent": HEARS_CARRIERS,
        "floor up": HAS_FLOOR,
    }.get(alert.on)
    for name in alert.job if kinds is not None else ():
        job = jobs.get(name)
        if job is not None and kinds is not None and job.kind not in kinds:
            yield places.problem(
                (*place, "job"),
                f"job `{name}` is of kind {job.kind}, which cannot tell `{alert.on}`",
                accepted="a job of kind " + " or ".join(kinds),
            )


def _channels(
    alert: AlertTable,
    place: tuple[str, ...],
    jobs: Mapping[str, JobTable],
    plans: Mapping[str, ChannelPlan],
    places: Text,
) -> Iterator[ConfigProblem]:
    concerned = alert.job or tuple(name for name in jobs if name in plans)
    if any(name not in jobs for name in alert.job):
        return
    known = [one.name for name in concerned if name in plans for one in plans[name].channels]
    if alert.on == "channel busy" or alert.channel:
        for name in alert.job:
            if jobs[name].kind == "band" and name not in plans and not jobs[name].band.channels:
                yield places.problem(
                    (*place, "job"),
                    f"job `{name}` has no channel plan, so it knows no channels",
                    accepted='`channels` in its band, such as channels = "marine-vhf"',
                )
    for channel in alert.channel if known else ():
        if channel not in known:
            listed = ", ".join(dict.fromkeys(known[:12])) + (", …" if len(known) > 12 else "")
            yield places.problem(
                (*place, "channel"),
                f"no channel of the plan has the name `{channel}`{near_miss(channel, known)}",
                accepted=f"names as the plan has them: {listed}",
            )


def _frequency(
    alert: AlertTable, place: tuple[str, ...], jobs: Mapping[str, JobTable], places: Text
) -> Iterator[ConfigProblem]:
    if alert.on not in ("carrier present", "carrier absent") or len(alert.job) != 1:
        return
    job = jobs.get(alert.job[0])
    if job is None:
        return
    named = bool(alert.channel) or alert.frequency_hz is not None
    if job.kind == "carrier" and named:
        key = "channel" if alert.channel else "frequency"
        yield places.problem(
            (*place, key),
            f"job `{alert.job[0]}` is of kind carrier and hears one carrier alone",
            accepted="neither `channel` nor `frequency`",
        )
    elif job.kind == "band" and not named:
        yield places.problem(
            place,
            "nothing says which carrier of the band is meant",
            accepted="`channel` or `frequency`",
        )
    low_hz, high_hz = job.range_hz
    if alert.frequency_hz is not None and not low_hz <= alert.frequency_hz <= high_hz:
        yield places.problem(
            (*place, "frequency"),
            f"job `{alert.job[0]}` does not sweep it",
            accepted=f"{low_hz / 1e6:.10g} MHz to {high_hz / 1e6:.10g} MHz",
        )


def _words(
    alert: AlertTable, place: tuple[str, ...], jobs: Mapping[str, JobTable], places: Text
) -> Iterator[ConfigProblem]:
    """Words of one kind for a job of another: they would never come."""
    of_kinds = {word for words in FINDING_WORDS.values() for word in words}
    kinds = [jobs[name].kind for name in alert.job if name in jobs]
    if not kinds or len(kinds) < len(alert.job):
        return
    told = {word for kind in kinds for word in FINDING_WORDS.get(kind, ())}
    for word in alert.what:
        if word in of_kinds and word not in told and word not in _SHARED:
            yield places.problem(
                (*place, "what"),
                f"jobs of kind {' or '.join(dict.fromkeys(kinds))} have no finding `{word}`",
                accepted="of " + ", ".join(f"`{one}`" for one in sorted(told)),
            )


_SHARED = ("reference_wanted",)
"""Words that a soak tells as well, whatever the kind within it."""


def alert_notes(config: StationConfig) -> Iterator[tuple[tuple[str, ...], str]]:
    """What is no error, and would leave somebody untold: where, and the sentence."""
    used = {way for alert in _enabled(config.alerts) for way in alert.to or config.ways}
    for name, way in config.ways.items():
        if name not in used:
            yield ("way", name), "no alert goes this way"
        yield from _of_way(name, way)
    for name, alert in config.alerts.items():
        place = ("alert", name)
        if not alert.enabled:
            continue
        asleep = [one for one in alert.job if one not in config.enabled_jobs]
        if alert.job and len(asleep) == len(alert.job):
            yield (*place, "job"), "can never come: no job of these is enabled"
        if alert.sweeper and not any(config.sweepers[one].enabled for one in alert.sweeper):
            yield (*place, "sweeper"), "can never come: no sweeper of these is enabled"
        if not any(config.ways[one].enabled for one in alert.to or config.ways):
            yield (*place, "to"), "reaches nobody: no way of these is enabled"
        yield from _never(config, name, alert)


def _enabled(alerts: Mapping[str, AlertTable]) -> list[AlertTable]:
    return [alert for alert in alerts.values() if alert.enabled]


def _of_way(name: str, way: WayTable) -> Iterator[tuple[tuple[str, ...], str]]:
    plain = None if way.post is None else way.post.plain
    has_secret = any(value.plain is None for value in way.headers.values())
    host = "" if plain is None else urlsplit(plain).hostname or ""
    is_near = host == "localhost" or host.startswith("127.") or host == "::1"
    if plain is not None and plain.startswith("http://") and has_secret and not is_near:
        yield (
            ("way", name, "post"),
            "its headers go over the network readable for all; use https://",
        )


def _never(
    config: StationConfig, name: str, alert: AlertTable
) -> Iterator[tuple[tuple[str, ...], str]]:
    """Alerts that nothing in this config can bring."""
    place, jobs = ("alert", name), config.enabled_jobs
    concerned = {key: job for key, job in jobs.items() if not alert.job or key in alert.job}
    if alert.on == "channel busy" and not any(key in config.channel_plans for key in concerned):
        yield place, "can never come: no job has a channel plan"
    if alert.on == "floor up" and not any(job.kind in HAS_FLOOR for job in concerned.values()):
        yield place, "can never come: no job of kind band or carrier is enabled"
    judged = ("emission", "transmission", "reflection")
    if alert.on == "verdict" and not any(
        job.soak is not None or job.kind in judged for job in concerned.values()
    ):
        yield place, "can never come: no job here gives a verdict"
    if alert.on == "disk" and alert.below_bytes <= config.station.keep_free_bytes:
        yield (
            (*place, "below"),
            "is not above `keep_free`: it is told when sweeping has stopped already",
        )
    window = [job.when.window for job in concerned.values()]
    if alert.on == "carrier absent" and any(window):
        yield (*place, "hold_off"), "counts only while the job listens, not outside its window"
