"""Who plays the sweepers in a rehearsal: simulated ones, and in words what is taken for granted.

A sweeper that the config simulates anyway plays itself. Any other is played by the scene's
instrument of its name, where that can do what the jobs ask, else by one of wide range. Where the
config's archive has sweeps of the real one, the one that stands in has no more points than it, and
its sweeps take as long as the last real ones did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from acqd.archive.reader import open_archive
from acqd.archive.records import SetupRecord
from acqd.clock import Clock, SystemClock
from acqd.drivers.contract import CancelToken, Driver, Sweeper, Transport
from acqd.drivers.hops import plan_hops
from acqd.drivers.registry import Registry
from acqd.drivers.worker import Cancel, OpenLink
from acqd.errors import AcqdError, ArchiveError, RequestRefused, WrongUsage
from acqd.rehearsal.inline import CallClock, InlineWorker
from acqd.station.build import Built, SweeperSpec
from acqd.station.forecast import last_sweep_times
from acqd.station.job import JobSpec
from acqd.sweep import SweepRequest

__all__ = ["Cast", "RealPace", "cast"]

DRIVER = "sim"
ANY = "sim:any"
TRIED_HOURS = (0.0, 1.3, 5.1, 9.7, 17.2)
"""An instrument that its scene unplugs at one of these is there at another."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cast:
    """The sweepers of a rehearsal, and a sentence for each of what it takes for granted."""

    sweepers: tuple[SweeperSpec, ...]
    assumed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the config's archive knows of the real sweepers."""

    points_max: Mapping[str, int]
    took_s: Mapping[str, float]


def cast(
    built: Built,
    registry: Registry,
    *,
    clock: Clock,
    scene: Path | None = None,
    seed: int | None = None,
) -> Cast:
    """Find who plays which sweeper.

    Args:
        built: the station as the config has it.
        clock: the rehearsal's.
        scene: a scene file for all of them; else that of the config's simulated sweepers, else
            the simulator's own.
        seed: of everything that is left to chance; else the scene's own.

    Raises:
        WrongUsage: there is no simulator, or the scene cannot be used.
    """
    if DRIVER not in registry.drivers:
        raise WrongUsage(
            "a rehearsal needs the driver `sim`, which is not installed: "
            "install the simulator, acqd-sim"
        )
    more: dict[str, Any] = {} if seed is None else {"seed": seed}
    if scene is not None:
        more["scene"] = str(scene)
    shared = next((one.options["scene"] for one in built.sweepers if "scene" in one.options), None)
    seen = _look_into(built)
    sweepers, assumed = [], []
    for spec in built.sweepers:
        jobs = [job for job in built.jobs if job.sweeper == spec.name]
        if not jobs:
            continue
        driver = registry.make(DRIVER)
        if spec.driver_name == DRIVER:
            kept = {key: one for key, one in spec.options.items() if key != "time_scale"}
            part = _itself(spec, jobs, driver, {**kept, **more}, clock)
        else:
            there = more if "scene" in more or shared is None else {**more, "scene": shared}
            part = _another(spec, jobs, driver, there, seen, clock)
        sweepers.append(part[0])
        assumed.append(part[1])
    return Cast(sweepers=tuple(sweepers), assumed=tuple(assumed))


def _itself(
    spec: SweeperSpec,
    jobs: Sequence[JobSpec],
    driver: Driver,
    options: Mapping[str, Any],
    clock: Clock,
) -> tuple[SweeperSpec, str]:
    """A sweeper that the config simulates, on the rehearsal's clock."""
    try:
        _opened(driver, spec.address, options, clock)
    except RequestRefused as exc:
        if exc.setting != "address":
            raise WrongUsage(f"sweeper {spec.name}: {exc}") from exc
        # With another scene there may be none of its name.
        return _another(spec, jobs, driver, options, _Seen({}, {}), clock)
    expected = spec.expected if options.get("scene") == spec.options.get("scene") else None
    played = replace(
        spec, driver=driver, options=options, expected=expected, make_worker=InlineWorker
    )
    return played, f"{spec.name} is simulated by the config itself ({spec.address})"


def _another(
    spec: SweeperSpec,
    jobs: Sequence[JobSpec],
    driver: Driver,
    options: Mapping[str, Any],
    seen: _Seen,
    clock: Clock,
) -> tuple[SweeperSpec, str]:
    """The scene's instrument of the sweeper's name, or one of wide range."""
    address, sweeper = f"{DRIVER}:{spec.name}", None
    try:
        sweeper = _opened(driver, address, options, clock)
        why = _beyond(sweeper, jobs)
    except RequestRefused as exc:
        why = f"the scene has no instrument `{spec.name}`"
        if exc.setting != "address":
            raise WrongUsage(f"sweeper {spec.name}: {exc}") from exc
    if sweeper is None or why:
        address, options = ANY, {**options, **_limits_of(jobs, seen)}
        sweeper = _opened(driver, address, options, clock)
    pace = RealPace(jobs, sweeper, seen.took_s)
    played = replace(
        spec,
        driver_name=DRIVER,
        driver=driver,
        address=address,
        options=dict(options),
        expected=None,
        make_worker=partial(_paced, pace),
    )
    told = f"{spec.name} ({spec.driver_name} at {spec.address}) is played by "
    if address == ANY:
        told += f"a receiver of wide range, because {why}"
        known = options.get("points_max")
        told += (
            f"; {known} points at most, as it has" if known else "; any number of points at once"
        )
    else:
        told += f"the scene's instrument `{spec.name}`"
    return played, f"{told}; {pace.describe()}"


def _paced(
    pace: RealPace, *, name: str, driver: Driver, clock: Clock, open_link: OpenLink
) -> InlineWorker:
    return InlineWorker(name=name, driver=driver, clock=clock, open_link=open_link, pace=pace)


class RealPace:
    """How long a sweep really takes, in simulated ones: by the job that asks for it.

    Called with a request it gives the factor; a hop of a job's sweep has that of the whole, and 1
    is that of a request of which nothing is known.

    Args:
        jobs: those of the sweeper.
        sweeper: the one that stands in.
        took_s: how long the last real sweep of a job took, by name.
    """

    def __init__(
        self, jobs: Sequence[JobSpec], sweeper: Sweeper, took_s: Mapping[str, float]
    ) -> None:
        self._known: list[tuple[SweepRequest, float]] = []
        self._from_archive: list[str] = []
        self._simulated: list[str] = []
        for job in jobs:
            real_s, as_simulated_s = took_s.get(job.name), _estimate_s(sweeper, job.request)
            if real_s and as_simulated_s:
                self._known.append((job.request, real_s / as_simulated_s))
                self._from_archive.append(job.name)
            else:
                self._simulated.append(job.name)

    def __call__(self, request: SweepRequest) -> float:
        for whole, pace in self._known:
            if (
                (request.rbw_hz, request.vbw_hz) == (whole.rbw_hz, whole.vbw_hz)
                and (request.detector, request.averages) == (whole.detector, whole.averages)
                and whole.start_hz <= request.start_hz
                and request.stop_hz <= whole.stop_hz
            ):
                return pace
        return 1.0

    def describe(self) -> str:
        parts = []
        if self._from_archive:
            parts.append(
                f"sweeps of {', '.join(self._from_archive)} take as long as the last real one"
            )
        if self._simulated:
            parts.append(
                f"sweeps of {', '.join(self._simulated)} take as long as their filter needs to "
                "settle, or their `sweep_time`: nobody has timed a real one"
            )
        return ", ".join(parts)


def _estimate_s(sweeper: Sweeper, request: SweepRequest) -> float | None:
    hops = plan_hops(request, sweeper.capabilities())
    found = [sweeper.estimate_s(hop.request) for hop in hops]
    return None if None in found else sum(one for one in found if one is not None)


def _beyond(sweeper: Sweeper, jobs: Sequence[JobSpec]) -> str:
    """What of the jobs is beyond it; empty where nothing is."""
    for job in jobs:
        try:
            plan_hops(job.request, sweeper.capabilities())
        except RequestRefused as exc:
            return f"the scene's instrument of its name cannot do the job {job.name} ({exc})"
    return ""


def _limits_of(jobs: Sequence[JobSpec], seen: _Seen) -> dict[str, Any]:
    """Options for the receiver of wide range, so that it can do what the real one does."""
    bandwidths = {job.request.rbw_hz for job in jobs if job.request.rbw_hz is not None}
    limits: dict[str, Any] = {"rbw_hz": sorted(bandwidths)}
    points = [seen.points_max[job.name] for job in jobs if job.name in seen.points_max]
    if points:
        limits["points_max"] = max(points)
    return limits


def _look_into(built: Built) -> _Seen:
    """What the archive of the config knows; nothing, where there is none."""
    points: dict[str, int] = {}
    try:
        with open_archive(built.archive) as archive:
            for job in built.jobs:
                last = next(reversed(archive.setups(job.name)), None)
                if last is not None and (most := _points_max(last)) is not None:
                    points[job.name] = most
    except ArchiveError:
        return _Seen({}, {})
    return _Seen(points, last_sweep_times(built, SystemClock().wall_s()))


def _points_max(setup: SetupRecord) -> int | None:
    known = setup.details.get("capabilities", {}).get("points_max")
    return known if isinstance(known, int) and known > 0 else None


class _Trial:
    """What a driver is opened with to see what it makes of an address; there is no link."""

    def __init__(self, address: str, options: Mapping[str, Any]) -> None:
        self.name = "rehearsal"
        self.address = address
        self.options = options
        self.cancel: CancelToken = Cancel()

    def connect(self, defaults: Mapping[str, Any] | None = None) -> Transport:
        raise WrongUsage(f"{self.address}: a rehearsal opens no link")


def _opened(driver: Driver, address: str, options: Mapping[str, Any], clock: Clock) -> Sweeper:
    """A sweeper to ask what it can do; one that is unplugged at that hour answers all the same.

    Raises:
        RequestRefused: no such instrument.
        WrongUsage: the scene cannot be used.
    """
    problem: AcqdError | None = None
    for hours in TRIED_HOURS:
        at_hand = CallClock(clock)
        at_hand.waited_s = 3600.0 * hours
        try:
            return driver.open(_Trial(address, {**options, "clock": at_hand}))
        except RequestRefused:
            raise
        except AcqdError as exc:
            problem = problem or exc
    raise WrongUsage(f"the scene cannot be used: {problem}")
