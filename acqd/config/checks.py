"""What one table says of another: references, doubles, shares, channels within the sweep."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

from acqd.config.around import around_problems
from acqd.config.channels import find_channel_plan, load_channel_plan, not_found
from acqd.config.conditions import condition_problems
from acqd.config.emission import emission_problems
from acqd.config.limits import find_limit_profile, limit_profile_not_found, load_limit_profile
from acqd.config.models import JobTable, MqttTable, StationTable, SweeperTable
from acqd.config.problems import Text, near_miss
from acqd.drivers.transport import address_key
from acqd.drivers.visa_names import looks_like_visa, parse_visa
from acqd.errors import ConfigError, ConfigProblem, RequestRefused
from acqd.measure.channels import ChannelPlan
from acqd.measure.limit_profile import LimitProfile
from acqd.plan.sharing import SHARES_MOST

__all__ = ["CONTEXTS_MOST", "References", "check_references"]

CONTEXTS_MOST = 64
"""Values that go with each sweep."""


@dataclass(frozen=True, slots=True, kw_only=True)
class References:
    """What came of following references. ``elsewhere`` are problems in other files."""

    problems: tuple[ConfigProblem, ...]
    elsewhere: tuple[ConfigProblem, ...]
    channel_plans: Mapping[str, ChannelPlan]
    limit_profiles: Mapping[str, tuple[LimitProfile, ...]]


def check_references(
    data: Mapping[str, Any],
    places: Text,
    *,
    station: StationTable | None,
    sweepers: Mapping[str, SweeperTable],
    jobs: Mapping[str, JobTable],
    folder: FilePath,
) -> References:
    """Follow every reference of a config.

    Args:
        data: the whole file, also its faulty tables: a reference to one of them is no new problem.
        places: where everything stands.
        station, sweepers, jobs: the tables that are right.
        folder: what paths are relative to.
    """
    problems = [
        *_unknown_names(data, places),
        *_unknown_of_transmitters(data, places),
        *_unknown_contexts(data, places),
        *_beyond_sweeps(jobs, places),
        *_wrong_resources(sweepers, places),
        *_doubled_sweepers(sweepers, places),
        *_too_many_contexts(data, places),
        *_shares(jobs, places),
        *condition_problems(jobs, _tables(data, "context"), places),
        *_around(data, jobs, places, station=station),
    ]
    if station is not None:
        problems.extend(_missing_position(station, jobs, places))
    plans: dict[str, ChannelPlan] = {}
    elsewhere: dict[str, ConfigProblem] = {}
    for name, job in jobs.items():
        if job.band.channels is None:
            continue
        place = ("job", name, "band", "channels")
        if find_channel_plan(job.band.channels, folder) is None:
            problem, accepted = not_found(job.band.channels)
            problems.append(places.problem(place, problem, accepted=accepted))
            continue
        try:
            plans[name] = load_channel_plan(job.band.channels, folder)
        except ConfigError as exc:
            elsewhere.update({str(problem): problem for problem in exc.problems})
        else:
            problems.extend(_unheard_plan(plans[name], job, place, places))
    profiles: dict[str, tuple[LimitProfile, ...]] = {}
    for name, job in jobs.items():
        if job.kind == "emission":
            profiles[name] = _limit_profiles(name, job, folder, places, problems, elsewhere)
            aerial = _has_aerial(data, job.chain)
            problems += emission_problems(
                name, job, profiles[name], has_aerial=aerial, places=places
            )
    return References(
        problems=tuple(problems),
        elsewhere=tuple(elsewhere.values()),
        channel_plans=plans,
        limit_profiles={name: found for name, found in profiles.items() if found},
    )


def _limit_profiles(
    name: str,
    job: JobTable,
    folder: FilePath,
    places: Text,
    problems: list[ConfigProblem],
    elsewhere: dict[str, ConfigProblem],
) -> tuple[LimitProfile, ...]:
    """The limit profiles that an emission job names; what is wrong with them is added."""
    found = []
    for wanted in job.emission.limits:
        if find_limit_profile(wanted, folder) is None:
            problem, accepted = limit_profile_not_found(wanted)
            place = ("job", name, "emission", "limits")
            problems.append(places.problem(place, problem, accepted=accepted))
            continue
        try:
            found.append(load_limit_profile(wanted, folder))
        except ConfigError as exc:
            elsewhere.update({str(problem): problem for problem in exc.problems})
    return tuple(found)


def _has_aerial(data: Mapping[str, Any], chain: str | None) -> bool:
    """Whether a chain, right or faulty, has an aerial in it."""
    parts = _tables(data, "chain").get(chain or "", {}).get("part", ())
    if not isinstance(parts, list):
        return False
    return any(isinstance(part, Mapping) and part.get("kind") == "aerial" for part in parts)


def _unknown_names(data: Mapping[str, Any], places: Text) -> Iterator[ConfigProblem]:
    """Sweepers and chains that jobs name and that the file does not have."""
    for name, job in _tables(data, "job").items():
        for key in ("sweeper", "chain"):
            wanted = job.get(key)
            known = list(_tables(data, key))
            if not isinstance(wanted, str) or wanted in known:
                continue
            listed = ", ".join(f"`{each}`" for each in known)
            yield places.problem(
                ("job", name, key),
                f"there is no {key} `{wanted}`{near_miss(wanted, known)}",
                accepted=f"one of {listed}" if listed else f"a table [{key}.{wanted}] beside it",
            )


def _unknown_of_transmitters(data: Mapping[str, Any], places: Text) -> Iterator[ConfigProblem]:
    """Chains and contexts that nearby transmitters name and that the file does not have."""
    for name, one in _tables(data, "transmitter").items():
        for key, family in (("near", "chain"), ("ptt", "context")):
            wanted, known = one.get(key), list(_tables(data, family))
            if not isinstance(wanted, str) or wanted in known:
                continue
            listed = ", ".join(f"`{each}`" for each in known)
            yield places.problem(
                ("transmitter", name, key),
                f"there is no {family} `{wanted}`{near_miss(wanted, known)}",
                accepted=f"one of {listed}" if listed else f"a table [{family}.{wanted}]",
            )


_CONTEXTS_OF_JOBS = (("band", "trial"), ("transmission", "temperature"))
"""Where a job names one context."""


def _unknown_contexts(data: Mapping[str, Any], places: Text) -> Iterator[ConfigProblem]:
    """Contexts that jobs name and that the file does not have."""
    known = list(_tables(data, "context"))
    listed = ", ".join(f"`{each}`" for each in known)
    accepted = f"one of {listed}" if listed else "a table [context.NAME]"
    for name, job in _tables(data, "job").items():
        wanted: list[tuple[tuple[str, ...], object]] = [
            (path, _at(job, path)) for path in _CONTEXTS_OF_JOBS
        ]
        soak = _at(job, ("soak", "context"))
        if isinstance(soak, Mapping):
            wanted += [(("soak", "context", key), key) for key in soak]
        for path, given in wanted:
            if isinstance(given, str) and given not in known:
                yield places.problem(
                    ("job", name, *path),
                    f"there is no context `{given}`{near_miss(given, known)}",
                    accepted=accepted,
                )


def _around(
    data: Mapping[str, Any],
    jobs: Mapping[str, JobTable],
    places: Text,
    *,
    station: StationTable | None,
) -> Iterator[ConfigProblem]:
    """What is wrong with what jobs ask of the world."""
    mqtt = data.get("mqtt", {})
    said: Mapping[str, Any] = mqtt if isinstance(mqtt, Mapping) else {}
    yield from around_problems(
        jobs,
        _tables(data, "context"),
        places,
        station=None if station is None else station.name,
        topic_root=said.get("topic_root", MqttTable.model_fields["topic_root"].default),
        broker=said.get("broker"),
    )


def _at(table: Mapping[str, Any], path: tuple[str, ...]) -> object:
    """What stands at ``path``, None where nothing does."""
    found: object = table
    for key in path:
        found = found.get(key) if isinstance(found, Mapping) else None
    return found


def _beyond_sweeps(jobs: Mapping[str, JobTable], places: Text) -> Iterator[ConfigProblem]:
    """What a job wants to know of frequencies that it does not sweep."""
    for name, job in jobs.items():
        if job.kind != "transmission":
            continue
        for sentence in job.transmission.outside(*job.range_hz):
            yield places.problem(
                ("job", name, "transmission"), sentence, accepted="frequencies within the sweep"
            )


def _too_many_contexts(data: Mapping[str, Any], places: Text) -> Iterator[ConfigProblem]:
    for name in list(_tables(data, "context"))[CONTEXTS_MOST:]:
        yield places.problem(
            ("context", name),
            f"one more than the {CONTEXTS_MOST} that go with each sweep",
            accepted=f"at most {CONTEXTS_MOST} tables [context.NAME]",
        )


def _tables(data: Mapping[str, Any], family: str) -> dict[str, Mapping[str, Any]]:
    """All named tables of a family, right or faulty."""
    named = data.get(family)
    if not isinstance(named, Mapping):
        return {}
    return {name: table for name, table in named.items() if isinstance(table, Mapping)}


def _wrong_resources(sweepers: Mapping[str, SweeperTable], places: Text) -> Iterator[ConfigProblem]:
    """VISA resource strings that name nothing, or something else than was meant."""
    for name, sweeper in sweepers.items():
        if not looks_like_visa(sweeper.address):
            continue
        try:
            parse_visa(sweeper.address)
        except RequestRefused as error:
            yield places.problem(
                ("sweeper", name, "address"),
                "not a VISA resource that can be opened",
                accepted=error.limit,
                given=f'"{sweeper.address}"',
            )


def _doubled_sweepers(
    sweepers: Mapping[str, SweeperTable], places: Text
) -> Iterator[ConfigProblem]:
    """Two names for one instrument: they would fight over its port."""
    first: dict[tuple[str, str], str] = {}
    for name, sweeper in sweepers.items():
        if not sweeper.enabled:
            continue
        before = first.setdefault((sweeper.driver, address_key(sweeper.address)), name)
        if before != name:
            yield places.problem(
                ("sweeper", name, "address"),
                f"sweeper `{before}` has this driver and address already",
                accepted="an address of its own, or enabled = false in one of the two",
                given=f'"{sweeper.address}"',
            )


def _shares(jobs: Mapping[str, JobTable], places: Text) -> Iterator[ConfigProblem]:
    """Shares of one sweeper that were promised and cannot all be kept."""
    promised: dict[str, float] = {}
    for name, job in jobs.items():
        if not job.enabled or "min_share" not in job.model_fields_set:
            continue
        before = promised.get(job.sweeper, 0.0)
        promised[job.sweeper] = before + job.min_share
        if before <= SHARES_MOST + 1e-9 < promised[job.sweeper]:
            yield places.problem(
                ("job", name, "min_share"),
                f"with this the shares of sweeper `{job.sweeper}` come to "
                f"{100 * promised[job.sweeper]:.6g} %",
                accepted=f"at most {100 * max(0.0, SHARES_MOST - before):.6g} % here",
            )


def _missing_position(
    station: StationTable, jobs: Mapping[str, JobTable], places: Text
) -> Iterator[ConfigProblem]:
    if station.latitude_deg is not None:
        return
    for name, job in jobs.items():
        if job.when.needs_position:
            yield places.problem(
                ("job", name, "when", "window"),
                "dusk and dawn depend on where the station is",
                accepted='latitude and longitude in [station], such as "53.3 deg"',
            )


def _unheard_plan(
    plan: ChannelPlan, job: JobTable, place: tuple[str, ...], places: Text
) -> Iterator[ConfigProblem]:
    """A plan of which nothing is swept; that some of it is not is only worth a note."""
    start_hz, stop_hz = job.range_hz
    if any(start_hz <= channel.centre_hz <= stop_hz for channel in plan.channels):
        return
    low_hz = min(channel.centre_hz for channel in plan.channels)
    high_hz = max(channel.centre_hz for channel in plan.channels)
    yield places.problem(
        place,
        f"no channel of this plan lies in the sweep of {start_hz / 1e6:.10g} MHz "
        f"to {stop_hz / 1e6:.10g} MHz",
        accepted=f"a sweep within {low_hz / 1e6:.10g} MHz to {high_hz / 1e6:.10g} MHz, "
        "or another plan",
        given=f'"{job.band.channels}"',
    )
