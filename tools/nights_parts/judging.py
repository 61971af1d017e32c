"""What the archive of the nights says, against what is known of them.

The truth is the scene's, the same file with the same seed, and what was drawn; of the station only
what it kept is read.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from acqd_sim.scenefile import load_world
from numpy.typing import NDArray

from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import FindingRecord
from acqd.sweep import SweepFlag
from nights_parts.drawing import DEAF, NIGHT_S, Kind, Trouble, night_s

__all__ = ["JobJudged", "Judged", "Occupancy", "Seen", "judge"]

CHANNEL_HZ = 156.8e6
HALF_HZ = 12.5e3
LATER_S = 900.0
"""So long after a trouble's end what is told may still be of it."""
SPOILT = SweepFlag.TRANSMITTING | SweepFlag.REPEATED | SweepFlag.SET_ASIDE

Float = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was told of one trouble by one job; None for what was not told.

    ``late_s`` from its beginning to the notice, ``back_s`` from when it surely heard last, as it
    says, to its beginning, ``again_s`` from its end to `hears_again`. ``missed`` are due sweeps of
    that night by the reason that is given for them. ``under`` are sweeps during which the own
    transmitter was on the air, ``flagged`` those of them that say so, ``beyond`` others that do.
    """

    trouble: Trouble
    by: str | None = None
    late_s: float | None = None
    back_s: float | None = None
    again_s: float | None = None
    missed: Mapping[str, int] = field(default_factory=dict)
    under: int = 0
    flagged: int = 0
    beyond: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupancy:
    """Of channel 16 over some nights, in numbers of sweeps.

    Of ``swept`` it was really on the air in ``on``; of those that ``listened`` in ``on_listened``.
    The figures of the hours tell ``hits`` of ``visits``; ``heard_deaf`` is how often something was
    seen there in those that did not listen.
    """

    swept: int
    listened: int
    on: int
    on_listened: int
    hits: int
    visits: int
    heard_deaf: int

    @property
    def shares(self) -> dict[str, float]:
        """Of the time: as it was, as it was while it listened, as it is told, and as it would be
        told if every sweep counted."""
        return {
            "true": self.on / self.swept,
            "true_listened": self.on_listened / self.listened,
            "told": self.hits / self.visits,
            "unmasked": (self.hits + self.heard_deaf) / self.swept,
        }

    def __add__(self, other: Occupancy) -> Occupancy:
        names = self.__dataclass_fields__
        return Occupancy(**{name: getattr(self, name) + getattr(other, name) for name in names})


@dataclass(frozen=True, slots=True, kw_only=True)
class JobJudged:
    """One job in all of the nights. ``calm_h`` are hours in which it could hear, and
    ``for_nothing`` what was told in them; ``unaccounted`` are due times that are neither stored nor
    missed for a reason, or more than once; but for ``again``, those of a time that came twice, as a
    clock was set back."""

    job: str
    seen: tuple[Seen, ...]
    due: int
    stored: int
    missed: Mapping[str, int]
    unaccounted: int
    again: int
    calm_h: float
    for_nothing: tuple[FindingRecord, ...]
    occupancy: Mapping[str, Occupancy]

    def __add__(self, other: JobJudged) -> JobJudged:
        occupancy = dict(self.occupancy)
        for kind, one in other.occupancy.items():
            occupancy[kind] = occupancy[kind] + one if kind in occupancy else one
        return JobJudged(
            job=self.job,
            seen=self.seen + other.seen,
            due=self.due + other.due,
            stored=self.stored + other.stored,
            missed=Counter(self.missed) + Counter(other.missed),
            unaccounted=self.unaccounted + other.unaccounted,
            again=self.again + other.again,
            calm_h=self.calm_h + other.calm_h,
            for_nothing=self.for_nothing + other.for_nothing,
            occupancy=occupancy,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """All jobs, and what the station itself told for nothing."""

    jobs: tuple[JobJudged, ...]
    for_nothing: tuple[FindingRecord, ...]

    def __add__(self, other: Judged) -> Judged:
        return Judged(
            jobs=tuple(a + b for a, b in zip(self.jobs, other.jobs, strict=True)),
            for_nothing=self.for_nothing + other.for_nothing,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Night:
    """What is asked of: the archive, what was drawn, and the interval of sweeps."""

    archive: Archive
    scene: Path
    troubles: Sequence[Trouble]
    nights: range
    every_s: float


def judge(
    folder: Path,
    *,
    nights: range,
    every_s: float,
    troubles: Mapping[int, Trouble],
    jobs: Sequence[str],
) -> Judged:
    """Judge the nights in ``folder``."""
    with open_archive(folder / "archive") as archive:
        night = _Night(
            archive=archive,
            scene=folder / "scene.toml",
            troubles=[troubles[number] for number in sorted(troubles)],
            nights=nights,
            every_s=every_s,
        )
        station = archive.findings("station")
        judged = tuple(_job(night, job, station) for job in jobs)
    told = [one for one in station if one.what in ("clock_stepped", "host_asleep", "ptt_lost")]
    nothing = tuple(one for one in told if not any(_is_of(one.at_s, t) for t in night.troubles))
    return Judged(jobs=judged, for_nothing=nothing)


def _job(night: _Night, job: str, station: Sequence[FindingRecord]) -> JobJudged:
    findings = night.archive.findings(job)
    sweeps = _Sweeps(night, job, findings)
    deaf = [one for one in findings if one.what == "deaf"]
    deafnesses = [one for one in night.troubles if one.kind in DEAF]
    nothing = tuple(
        one
        for one in deaf
        if not any(_is_of(float(one.figures["noticed_s"]), each) for each in deafnesses)
    )
    wanted = np.concatenate([_due_numbers(night, number) for number in night.nights])
    wrong, again = _wrong_accounts(night, _accounts(night, job), wanted)
    coverage = night.archive.coverage(job)
    return JobJudged(
        job=job,
        seen=tuple(_seen(night, job, one, findings, station, sweeps) for one in night.troubles),
        due=wanted.size,
        stored=coverage.stored,
        missed=coverage.missed,
        unaccounted=wrong,
        again=again,
        calm_h=float(sweeps.calm.sum()) * night.every_s / 3600.0,
        for_nothing=nothing,
        occupancy=sweeps.occupancies(),
    )


def _is_of(at_s: float, trouble: Trouble) -> bool:
    """Whether what was told then may be of a trouble; a clock that is set is wrong meanwhile."""
    return trouble.from_s - abs(trouble.by_s) <= at_s <= trouble.to_s + LATER_S


def _due_numbers(night: _Night, number: int) -> NDArray[np.int64]:
    first = math.ceil(night_s(number) / night.every_s)
    last = math.ceil((night_s(number) + NIGHT_S) / night.every_s)
    return np.arange(first, last)


def _accounts(night: _Night, job: str) -> Counter[int]:
    """How often each due time of the grid is stored or accounted for."""
    found: Counter[int] = Counter()
    due = night.archive.sweeps(job)["due"].to_numpy().astype("datetime64[us]").astype(np.int64)
    found.update(np.round(due / 1e6 / night.every_s).astype(np.int64).tolist())
    for gap in night.archive.gaps(job):
        if gap.count:
            first = round(gap.from_s / night.every_s)
            found.update(range(first, first + gap.count))
    return found


def _wrong_accounts(
    night: _Night, found: Counter[int], wanted: NDArray[np.int64]
) -> tuple[int, int]:
    """Due times without an account, and those that came twice and have two."""
    wrong = again = 0
    for number in found.keys() | set(wanted.tolist()):
        count = found[number]
        if number in wanted and count == 1:
            continue
        if count == 2 and any(_comes_twice(one, number * night.every_s) for one in night.troubles):
            again += 1
        else:
            wrong += 1
    return wrong, again


def _comes_twice(trouble: Trouble, due_s: float) -> bool:
    """Whether a time of the clock came twice, as it was set back."""
    if trouble.by_s < 0.0:
        return trouble.from_s + trouble.by_s <= due_s <= trouble.from_s
    return trouble.by_s > 0.0 and trouble.to_s <= due_s <= trouble.to_s + trouble.by_s


# --- one trouble ----------------------------------------------------------------------------------


def _seen(
    night: _Night,
    job: str,
    trouble: Trouble,
    findings: Sequence[FindingRecord],
    station: Sequence[FindingRecord],
    sweeps: _Sweeps,
) -> Seen:
    begins_s = night_s(trouble.night)
    missed = dict(night.archive.coverage(job, begins_s, begins_s + NIGHT_S).missed)
    if trouble.kind is Kind.KEYED:
        return _keyed(trouble, station, sweeps, missed)
    if trouble.kind not in DEAF:
        word = "clock_stepped" if trouble.kind is Kind.STEPPED else "host_asleep"
        told = [one for one in station if one.what == word and _is_of(one.at_s, trouble)]
        if not told:
            return Seen(trouble=trouble, missed=missed)
        late_s = told[0].at_s - trouble.from_s - trouble.by_s
        if trouble.kind is Kind.ASLEEP:
            late_s = told[0].at_s - trouble.to_s
        again_s = told[-1].at_s - trouble.to_s if len(told) > 1 else None
        return Seen(trouble=trouble, by=word, late_s=late_s, again_s=again_s, missed=missed)
    for one in findings:
        noticed_s = float(one.figures.get("noticed_s", math.nan))
        if one.what != "deaf" or not _is_of(noticed_s, trouble):
            continue
        back = next((b for b in findings if b.what == "hears_again" and b.at_s >= noticed_s), None)
        cause = str(one.figures["cause"])
        return Seen(
            trouble=trouble,
            by=f"learnt {cause}" if one.figures.get("learnt") else cause,
            late_s=noticed_s - trouble.from_s,
            back_s=trouble.from_s - float(one.figures["from_s"]),
            again_s=None if back is None else back.at_s - trouble.to_s,
            missed=missed,
        )
    return Seen(trouble=trouble, missed=missed)


def _keyed(
    trouble: Trouble,
    station: Sequence[FindingRecord],
    sweeps: _Sweeps,
    missed: Mapping[str, int],
) -> Seen:
    """Sweeps beside a keyed transmitter, and how late it is told that its key is lost: from the end
    of the last over."""
    here = sweeps.within(trouble.from_s, trouble.to_s + LATER_S)
    under = np.zeros(here.size, dtype=np.bool_)
    for over in trouble.overs:
        under |= (sweeps.started < over.to_s) & (sweeps.ended > over.from_s)
    flagged = here & ((sweeps.flags & int(SweepFlag.TRANSMITTING)) != 0)
    lost = [one for one in station if one.what == "ptt_lost" and _is_of(one.at_s, trouble)]
    return Seen(
        trouble=trouble,
        by="flag, ptt_lost" if lost else ("flag" if flagged.any() else None),
        late_s=lost[0].at_s - trouble.overs[-1].to_s if lost else None,
        missed=missed,
        under=int(under.sum()),
        flagged=int((under & flagged).sum()),
        beyond=int((flagged & ~under).sum()),
    )


# --- sweeps and occupancy -------------------------------------------------------------------------


class _Sweeps:
    """The sweeps of a job with what is known of each."""

    def __init__(self, night: _Night, job: str, findings: Sequence[FindingRecord]) -> None:
        self._night, self._job = night, job
        data = night.archive.sweeps(job, plane="far end")
        self.started: Float = data["started"].to_numpy()
        took: Float = data["duration"].to_numpy()
        self.ended = self.started + took
        self.flags: NDArray[Any] = data["flags"].to_numpy()
        frequency: Float = data["frequency"].to_numpy()
        at = np.flatnonzero(np.abs(frequency - CHANNEL_HZ) < HALF_HZ)
        levels = data["level"][:, at].to_numpy().max(axis=1)
        self.heard: Mask = levels > data["threshold_dbm"].to_numpy()
        middle = int(np.abs(frequency - CHANNEL_HZ).argmin())
        self.passes = self.started + took * (middle + 0.5) / frequency.size
        self.deaf = self._deaf(findings)
        self.listened: Mask = ~self.deaf & ((self.flags & int(SPOILT)) == 0)
        self.calm: Mask = ~self._troubled()
        self.on = self._truth()

    def within(self, from_s: float, to_s: float) -> Mask:
        return (self.started >= from_s) & (self.started <= to_s)

    def _deaf(self, findings: Sequence[FindingRecord]) -> Mask:
        found = np.zeros(self.started.size, dtype=np.bool_)
        begun_s: float | None = None
        for one in findings:
            if one.what == "deaf":
                begun_s = float(one.figures["from_s"])
            elif one.what == "hears_again" and begun_s is not None:
                found |= (self.started > begun_s) & (self.started < one.at_s)
                begun_s = None
        return found if begun_s is None else found | (self.started > begun_s)

    def _troubled(self) -> Mask:
        found = np.zeros(self.started.size, dtype=np.bool_)
        for one in self._night.troubles:
            if one.kind in DEAF:
                found |= self.within(one.from_s, one.to_s)
        return found

    def _truth(self) -> Mask:
        scene = load_world(str(self._night.scene)).scenes["marine"]
        (tone,) = [one for one in scene.tones if one.name == "channel 16"]
        return np.asarray(tone.keying.gain(self.passes)) > 0.0

    def occupancies(self) -> dict[str, Occupancy]:
        """By the kind of trouble that a night had."""
        nights = {one.night: one.kind for one in self._night.troubles}
        found: dict[str, list[int]] = {}
        for number in self._night.nights:
            kind = nights.get(number)
            found.setdefault("none" if kind is None else str(kind), []).append(number)
        hours = self._hours()
        return {
            kind: one
            for kind, numbers in found.items()
            if (one := self._occupancy(numbers, hours)) is not None
        }

    def _hours(self) -> dict[float, Mapping[str, Any]]:
        """Figures by hour; those that were corrected later as they were corrected."""
        found: dict[float, Mapping[str, Any]] = {}
        for one in self._night.archive.hourly(self._job):
            found[one.hour_start_s] = one.figures
            for again in one.figures.get("corrects", ()):
                found[float(again["hour_start_s"])] = again["figures"]
        return found

    def _occupancy(
        self, numbers: Sequence[int], hours: Mapping[float, Mapping[str, Any]]
    ) -> Occupancy | None:
        here = np.zeros(self.started.size, dtype=np.bool_)
        hits = visits = 0
        for number in numbers:
            begins_s = night_s(number)
            here |= self.within(begins_s, begins_s + NIGHT_S)
            for hour_s, figures in hours.items():
                if begins_s <= hour_s < begins_s + NIGHT_S:
                    (one,) = [c for c in figures["channels"] if c["channel"] == "16"]
                    hits, visits = hits + int(one["hits"]), visits + int(one["visits"])
        listened = here & self.listened
        if not listened.any() or not visits:
            return None
        return Occupancy(
            swept=int(here.sum()),
            listened=int(listened.sum()),
            on=int(self.on[here].sum()),
            on_listened=int(self.on[listened].sum()),
            hits=hits,
            visits=visits,
            heard_deaf=int(self.heard[here & ~self.listened].sum()),
        )
