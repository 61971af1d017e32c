"""All that an archive knows of one job in a range of time, read once and shared by its parts.

    source = JobSource(archive, "marine-vhf", start_s=..., stop_s=..., zone="Europe/London")
    for block in source.blocks():
        block.level.max(axis=0)

Sweeps are given with their levels at the reference plane, a block at a time, so that a night of any
length fits into memory. Everything else is read when it is first asked for.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from acqd.archive.coverage import due_within
from acqd.archive.damage import Damage
from acqd.archive.index import Wanted
from acqd.archive.kept import KeptRows
from acqd.archive.ledger import Overlay
from acqd.archive.reader import Archive
from acqd.archive.records import CONTEXT, FindingRecord, GapRecord, HourlyRecord, SetupRecord
from acqd.measure.budget import Component
from acqd.measure.closerlook_settings import is_look
from acqd.report.blocks import Block, SweepIndex, SweepReader
from acqd.report.shapes import (
    CoverageShown,
    FindingShown,
    GapShown,
    NoteShown,
    Spell,
    SweepRange,
)
from acqd.report.spells import deaf_mask, spells_of
from acqd.report.words import gap_text
from acqd.sweep import SweepFlag

__all__ = ["HOUR_S", "STATION", "JobSource", "finding_shown"]

REMOVED = "removed by retention"
DAMAGED = "in damaged files"
"""Why sweeps that were kept are not here, among the reasons of those that were not."""

HOUR_S = 3600.0

CORRECTED_WITHIN_S = 49 * HOUR_S
"""An hour is corrected by one that begins no later after its own end than this."""

STATION = "station"
"""Findings of the station itself are kept under this name, which no job may have."""

Progress = Callable[[int, int, str], None]


class JobSource:
    """One job in [start_s, stop_s). ``zone`` is what times in its texts are told in.

    Steps: what is due is step 0; kinds that sweep on after it have more (:attr:`steps`).
    """

    def __init__(
        self,
        archive: Archive,
        job: str,
        *,
        start_s: float,
        stop_s: float,
        zone: str = "UTC",
        progress: Progress | None = None,
    ) -> None:
        self.archive, self.job = archive, job
        self.start_s, self.stop_s, self.zone = start_s, stop_s, zone
        self.progress = progress
        self._readers: dict[int, SweepReader] = {}

    # -- what the job is -------------------------------------------------------------------------

    @cached_property
    def all_setups(self) -> tuple[SetupRecord, ...]:
        """Setups of all times and steps, in the order of their first use as far as it is known."""
        return tuple(self.archive.setups(self.job))

    @cached_property
    def setup(self) -> SetupRecord | None:
        """The setup of the last sweep of step 0 in the range; without one the job's last that is
        known, of whatever time. None where the archive has none."""
        index = self.sweeps()
        if len(index):
            return index.setups[int(index.setup[-1])]
        due = [one for one in self.all_setups if one.step == 0]
        known = due or list(self.all_setups)
        return known[-1] if known else None

    @property
    def details(self) -> Mapping[str, Any]:
        """Details of :attr:`setup`: config, asked, reported, identity, measuring, software."""
        return {} if self.setup is None else self.setup.details

    @property
    def config(self) -> Mapping[str, Any]:
        """The job's config as it was recorded; empty where it was not."""
        return self.details.get("config") or {}

    @property
    def kind(self) -> str:
        """``band`` and so on; empty where nobody knows."""
        return "" if self.setup is None else self.setup.kind

    @property
    def sweeper(self) -> str:
        return "" if self.setup is None else self.setup.sweeper

    @property
    def is_soak(self) -> bool:
        return bool(self.config.get("soak"))

    @property
    def is_rehearsed(self) -> bool:
        """Whether sweeps of the range, or without any the job, come from a rehearsal."""
        setups = self.sweeps().setups or self.all_setups
        return any("rehearsal" in (one.details.get("software") or {}) for one in setups)

    @property
    def unit(self) -> str:
        return "" if self.setup is None else self.setup.unit

    @property
    def plane(self) -> str:
        """Where levels are meant, in words."""
        return str(self.details.get("plane") or "the sweeper's input")

    @cached_property
    def steps(self) -> tuple[int, ...]:
        """Steps of the job's own passes."""
        own = {one.step for one in self.all_setups if not is_look(one.step)}
        return tuple(sorted(own | {0}))

    @cached_property
    def look_steps(self) -> tuple[int, ...]:
        """Steps of closer looks, which are in no figure of the job."""
        return tuple(sorted({one.step for one in self.all_setups if is_look(one.step)}))

    @property
    def interval_s(self) -> float:
        """From one due time to the next, as planned, else the median of what came; NaN where
        neither says."""
        planned = (self.details.get("measuring") or {}).get("interval_s")
        if planned:
            return float(planned)
        steps = np.diff(self.sweeps().due_s)
        steps = steps[steps > 0]
        return float(np.median(steps)) if steps.size else math.nan

    def level_u(self, setup: SetupRecord | None = None) -> float | None:
        """Expanded uncertainty (k = 2) of a level at the plane in dB, from the accuracy that
        sweeper and chain state, taken as limits; None where levels are no decibels or nobody says.

        The noise on a reading close to the floor comes on top; see docs/uncertainty.md.
        """
        setup = setup or self.setup
        told = {} if setup is None else setup.details.get("measuring") or {}
        accuracy_db = told.get("level_accuracy_db")
        if setup is None or accuracy_db is None or not setup.unit.startswith("dB"):
            return None
        return 2.0 * Component.from_limits("level", float(accuracy_db)).u

    # -- sweeps ----------------------------------------------------------------------------------

    def sweeps(self, step: int = 0) -> SweepIndex:
        """All sweeps of a step but for their levels."""
        return self._reader(step).index

    def blocks(
        self, step: int = 0, *, only: Collection[int] | None = None, quiet: bool = False
    ) -> Iterator[Block]:
        """Sweeps with levels at the plane, setup by setup, within each by rising number.

        Args:
            only: these sequence numbers and no others.
            quiet: progress is not told.
        """
        told = None if quiet else self.progress
        return self._reader(step).blocks(only=only, progress=told)

    def sweep(self, seq: int, step: int = 0) -> Block | None:
        """One sweep, as a block of one; None where it is not in the range."""
        return next(self.blocks(step, only=(seq,), quiet=True), None)

    def summary(self, seq: int, step: int = 0) -> Mapping[str, Any] | None:
        """The summary of a sweep; None where there is no such sweep, or it has none."""
        found = self.sweep(seq, step)
        return None if found is None else found.summary(0)

    @cached_property
    def last_summary(self) -> Mapping[str, Any] | None:
        """Of the last sweep of step 0 in the range that has one; a few are tried."""
        for seq in self.sweeps().seq[:-9:-1].tolist():
            found = self.summary(seq)
            if found is not None:
                return found
        return None

    def context(self, step: int = 0) -> Mapping[str, np.ndarray[Any, Any]]:
        """Context columns by name, (sweeps,), NaN where not known: temperature, keyed …"""
        columns = self.sweeps(step).columns
        return {
            name.removeprefix(CONTEXT): values
            for name, values in sorted(columns.items())
            if name.startswith(CONTEXT)
        }

    def range_of(self, index: SweepIndex | None = None) -> SweepRange | None:
        """The sweeps of an index, step 0 without one, as figures and tables name them."""
        index = self.sweeps() if index is None else index
        if not len(index):
            return None
        return SweepRange(
            job=self.job,
            first_seq=int(index.seq[0]),
            last_seq=int(index.seq[-1]),
            count=len(index),
            step=index.step,
        )

    def files(self, step: int = 0) -> list[tuple[Path, bool]]:
        """Files with sweeps of the range, and whether each is a journal."""
        return self._reader(step).files()

    def _reader(self, step: int) -> SweepReader:
        if step not in self._readers:
            # Sweeps of blocks that are found damaged here are in no answer of the reader's.
            _ = self.damage
            wanted = Wanted(
                root=self.archive.root,
                job=self.job,
                start_s=self.start_s,
                stop_s=self.stop_s,
                step=step,
                amendments=self.archive.amendments(self.job),
                again=self.archive.again(self.job),
                times=self.archive.times(),
            )
            self._readers[step] = SweepReader(wanted)
        return self._readers[step]

    # -- what was due and got --------------------------------------------------------------------

    @cached_property
    def gap_records(self) -> tuple[GapRecord, ...]:
        """Gaps that have a share in the range, whole, also such as began before it."""
        return tuple(
            gap for gap in self.archive.gaps(self.job) if due_within(gap, self.start_s, self.stop_s)
        )

    @cached_property
    def gaps(self) -> tuple[GapShown, ...]:
        """Gaps cut to the range, in order of time; those of one reason between which no sweep was
        taken are one. They end where the next sweep was due, or began."""
        started_s = np.sort(self.sweeps().started_s)
        found: list[GapShown] = []
        for gap in sorted(self.gap_records, key=lambda one: one.from_s):
            count = due_within(gap, self.start_s, self.stop_s)
            from_s = max(gap.from_s, self.start_s)
            to_s = self._gap_end_s(gap, started_s)
            before = found[-1] if found else None
            if before is not None and before.reason == gap.reason:
                between = np.searchsorted(started_s, [before.from_s, from_s])
                if between[0] == between[1]:
                    from_s, count = before.from_s, before.count + count
                    to_s = max(to_s, before.to_s)
                    found.pop()
            text = gap_text(gap.reason, to_s - from_s, count, sweeper=self.sweeper)
            found.append(
                GapShown(from_s=from_s, to_s=to_s, count=count, reason=gap.reason, text=text)
            )
        return tuple(found)

    def _gap_end_s(self, gap: GapRecord, started_s: np.ndarray[Any, Any]) -> float:
        every_s = self.interval_s
        if gap.count > 1 and gap.to_s > gap.from_s:
            every_s = (gap.to_s - gap.from_s) / (gap.count - 1)
        end_s = gap.to_s + (0.0 if math.isnan(every_s) else every_s)
        after = np.searchsorted(started_s, gap.to_s)
        if after < started_s.size:
            end_s = min(end_s, float(started_s[after]))
        return max(min(end_s, self.stop_s), max(gap.from_s, self.start_s))

    @cached_property
    def removed(self) -> tuple[KeptRows, ...]:
        """What is left of sweeps of the range that retention removed."""
        return tuple(self.archive.removed(self.job, self.start_s, self.stop_s))

    @cached_property
    def damage(self) -> tuple[Damage, ...]:
        """What of the range cannot be read; every byte is looked at, before anything is drawn."""
        return tuple(self.archive.damage(self.job, self.start_s, self.stop_s, thorough=True))

    @cached_property
    def coverage(self) -> CoverageShown:
        """Due are the sweeps of step 0: of a burst each one."""
        index = self.sweeps()
        missed: dict[str, int] = {}
        for gap in self.gap_records:
            count = due_within(gap, self.start_s, self.stop_s)
            missed[gap.reason] = missed.get(gap.reason, 0) + count
        gone = sum(
            kept.within(self.start_s, self.stop_s) for kept in self.removed if kept.step == 0
        )
        if gone:
            missed[REMOVED] = gone
        damaged = sum(one.within(self.start_s, self.stop_s) for one in self.damage if one.step == 0)
        if damaged:
            missed[DAMAGED] = damaged
        flagged = {
            str(flag.name).lower(): int(np.count_nonzero(index.flags & int(flag)))
            for flag in SweepFlag
        }
        return CoverageShown(
            due=len(index) + sum(missed.values()),
            stored=len(index),
            listened=int(np.count_nonzero(~self.deaf)),
            missed=missed,
            flagged={name: count for name, count in flagged.items() if count},
        )

    @cached_property
    def deaf(self) -> np.ndarray[Any, np.dtype[np.bool_]]:
        """(sweeps of step 0,) True where it was swept and not listened: own transmitter keyed,
        overloaded, the same bits again, or the meter says so (``listening`` in the summaries)."""
        return deaf_mask(self)

    @cached_property
    def spells(self) -> tuple[Spell, ...]:
        """Times that were swept and have to be known about, in order."""
        return spells_of(self)

    # -- what was told ---------------------------------------------------------------------------

    @cached_property
    def finding_records(self) -> tuple[FindingRecord, ...]:
        """Findings about the range, in order of time, then of their number."""
        found = self.archive.findings(self.job, self.start_s, self.stop_s)
        return tuple(sorted(found, key=lambda one: (one.at_s, one.number)))

    @cached_property
    def findings(self) -> tuple[FindingShown, ...]:
        return tuple(finding_shown(one) for one in self.finding_records)

    @cached_property
    def verdict_findings(self) -> tuple[FindingRecord, ...]:
        """Verdicts of a soak that were told in the range: ``figures`` has ``verdict`` and
        ``coverage``, the text its reason. What a soak stood at is ``last_summary["soak"]``."""
        return tuple(one for one in self.finding_records if one.what == "soak_verdict")

    @cached_property
    def hours(self) -> tuple[HourlyRecord, ...]:
        """Figures of the clock hours (UTC) that have a part in the range, by their start."""
        first_s = math.floor(self.start_s / HOUR_S) * HOUR_S
        told = self.archive.hourly(self.job, first_s, self.stop_s + CORRECTED_WITHIN_S)
        found = {one.hour_start_s: one for one in told}
        for one in told:
            # Of hours in which nobody heard, as it turned out after they had been told.
            for corrected in one.figures.get("corrects", ()):
                at_s, figures = float(corrected["hour_start_s"]), corrected["figures"]
                if at_s in found:
                    found[at_s] = replace(found[at_s], figures=figures)
        return tuple(found[at_s] for at_s in sorted(found) if at_s < self.stop_s)

    @cached_property
    def overlays(self) -> tuple[Overlay, ...]:
        """What people said later about the job or about all, of whatever time."""
        return tuple(self.archive.overlays(self.job))

    @cached_property
    def notes(self) -> tuple[NoteShown, ...]:
        """Remarks about the range, in order of time."""
        notes = [
            NoteShown(
                at_s=one.at_s if one.from_s is None else one.from_s,
                text=str(one.body.get("text", "")),
                who=one.who,
            )
            for one in self.overlays
            if one.kind == "note"
        ]
        here = [one for one in notes if self.start_s <= one.at_s < self.stop_s]
        return tuple(sorted(here, key=lambda one: one.at_s))

    @cached_property
    def references(self) -> tuple[Overlay, ...]:
        """References that held in the range: the newest of each role before it, and those taken in
        it. ``body`` has ``role``, ``at_s``, ``sweeps`` and the levels."""
        taken = sorted(
            (one for one in self.overlays if one.kind == "reference"),
            key=lambda one: one.body.get("at_s", one.at_s),
        )
        before: dict[str, Overlay] = {}
        during = []
        for one in taken:
            at_s = float(one.body.get("at_s", one.at_s))
            if at_s < self.start_s:
                before[str(one.body.get("role"))] = one
            elif at_s < self.stop_s:
                during.append(one)
        return (*before.values(), *during)


FREQUENCIES = ("peak_hz", "frequency_hz", "centre_hz", "at_hz")
"""Figures of a finding that say where in frequency it is, the first that is there. What is about a
whole range (``start_hz`` to ``stop_hz``) is at no one frequency."""


def finding_shown(one: FindingRecord) -> FindingShown:
    """A finding as the archive has it, with no place on a sheet yet."""
    figures = dict(one.figures)
    where = next((figures[name] for name in FREQUENCIES if _is_number(figures.get(name))), None)
    return FindingShown(
        job=one.job,
        number=one.number,
        what=one.what,
        at_s=one.at_s,
        text=one.text,
        seq=one.seq,
        place=None,
        frequency_hz=None if where is None else float(where),
        figures=json.loads(json.dumps(figures)),
    )


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
