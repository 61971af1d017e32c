"""Sweeps of an amended chain measured again, for what shows an archive: report, plot, export.

The figures that are kept were made with the chain as it was recorded. From the first sweep of a
range on whose chain was amended, a replay makes them again; what came before stays as it was told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from acqd.archive.again import FiguresAgain
from acqd.archive.amendments import AMENDED
from acqd.archive.index import Wanted, find_pieces
from acqd.archive.reader import Archive
from acqd.archive.records import FindingRecord, HourlyRecord, SweepRecord
from acqd.measure.meter import FindingDraft
from acqd.station.feed import CONFIG_CHANGED, HOUR_S, hour_start_s
from acqd.station.replay import Replay, Told, at_s_of
from acqd.station.tell import one_line

__all__ = ["WARM_S", "measure_again"]

WARM_S = 6 * 3600.0
"""So long before the first amended sweep a meter begins that need not know what was before: long
enough for a learnt floor, and for signals that were up for hours. Definition ours."""

TOLD_EVERY = 64

Progress = Callable[[int, int, str], None]


@dataclass(slots=True)
class _Found:
    """A finding of the replay: at which ordinal it is told, and what it says."""

    event: int
    draft: FindingDraft


@dataclass(slots=True)
class _Gathered:
    now: list[_Found] = field(default_factory=list)
    then: list[FindingRecord] = field(default_factory=list)


def measure_again(
    archive: Archive, job: str, start_s: float, stop_s: float, progress: Progress | None = None
) -> FiguresAgain | None:
    """Let ``archive`` show figures of ``job`` in a range as they are with the amended chain.

    Returns: those figures; None where no sweep in the range has another chain than was recorded,
    and all stays as it is.

    Raises:
        ArchiveError: the archive cannot be read, or a recorded config not by this acqd.
    """
    archive.show_again(job, None)
    amendments = archive.amendments(job)
    if not amendments or not amendments.reach(start_s, stop_s):
        return None
    first_s, ordinals = _amended_in(archive, job, start_s, stop_s)
    if math.isinf(first_s):
        return None
    begin_s, is_warm = _begin(archive, job, first_s)
    replay = Replay(archive=archive, job=job, start_s=begin_s, stop_s=stop_s)
    again = FiguresAgain(job, from_s=first_s)
    gathered = _Gathered()
    total = len(ordinals)
    for done, told in enumerate(_run(replay, again, gathered, ordinals)):
        if progress is not None and done % TOLD_EVERY == 0:
            progress(min(done, total), total, "measuring again with the amended chain")
        del told
    _pair(archive, job, again, gathered)
    again.limits = tuple(_limits(again, begin_s if is_warm else None))
    archive.show_again(job, again)
    return again


def _amended_in(
    archive: Archive, job: str, start_s: float, stop_s: float
) -> tuple[float, dict[int, int]]:
    """When the first amended sweep of a range began, infinite for none; and the ordinals of all
    sweeps by their numbers."""
    first_s = math.inf
    ordinals: dict[int, int] = {}
    for step in sorted({one.step for one in archive.setups(job)}):
        wanted = Wanted(
            root=archive.root,
            job=job,
            step=step,
            start_s=start_s,
            stop_s=stop_s,
            amendments=archive.amendments(job),
            times=archive.times(),
        )
        for piece in find_pieces(wanted):
            ordinals.update(zip(piece.sequence.tolist(), piece.core["event"].tolist(), strict=True))
            if AMENDED in piece.setup.details:
                first_s = min(first_s, float(np.min(piece.core["time"])))
    return first_s, ordinals


def _begin(archive: Archive, job: str, first_s: float) -> tuple[float, bool]:
    """Where the replay begins, and whether the meter had seen something before that live.

    A soak counts from its beginning, which is where the config changed last.
    """
    marks = [
        gap.from_s
        for gap in archive.gaps(job)
        if gap.reason == CONFIG_CHANGED and gap.from_s <= first_s
    ]
    mark_s = max(marks, default=-math.inf)
    soaks = any((one.details.get("config") or {}).get("soak") for one in archive.setups(job))
    warm_s = hour_start_s(first_s - WARM_S)
    if soaks or mark_s >= warm_s:
        return mark_s, False
    before = next(iter(archive.events(job, stop=warm_s)), None)
    return (warm_s, True) if before is not None else (mark_s, False)


def _run(
    replay: Replay, again: FiguresAgain, gathered: _Gathered, ordinals: dict[int, int]
) -> Iterator[Told]:
    """The replay, with what it brings put where it belongs."""
    event = 0
    for told in replay.run():
        gathered.then += [one for one in told.found_then if one.at_s >= again.from_s]
        if isinstance(told.event, SweepRecord):
            event = ordinals.get(told.event.seq, event)
        if told.event is not None and told.is_measured and at_s_of(told.event) >= _hour_of(again):
            _put(again, told)
        gathered.now += [
            _Found(event, draft)
            for output in told.outputs
            for draft in output.findings
            if draft.at_s >= again.from_s
        ]
        yield told


def _hour_of(again: FiguresAgain) -> float:
    """The hour that holds the first amended sweep has other figures too."""
    return again.from_s - again.from_s % HOUR_S


def _put(again: FiguresAgain, told: Told) -> None:
    if isinstance(told.event, SweepRecord):
        if told.event.started_s < again.from_s:
            return
        summary = next((o.summary for o in reversed(told.outputs) if o.summary is not None), None)
        again.put(told.event.seq, told.outputs[-1].columns, summary)
    elif isinstance(told.event, HourlyRecord):
        made = [hour for output in told.outputs for hour in output.hourly]
        again.hours[told.event.hour_start_s] = dict(made[0].figures) if made else {}


def _pair(archive: Archive, job: str, again: FiguresAgain, gathered: _Gathered) -> None:
    """A finding that was told then keeps its number; one that was not has one after all others."""
    left = list(gathered.then)
    number = max((one.number for one in archive.findings(job)), default=0)
    again.replaced = {one.number for one in left}
    for found in gathered.now:
        fellow = next((one for one in left if _is_fellow(one, found.draft)), None)
        if fellow is None:
            number += 1
            record = _record(job, number, found.draft)
            again.new.append(record)
        else:
            left.remove(fellow)
            draft = found.draft
            record = replace(fellow, text=one_line(draft.text), figures=dict(draft.figures))
        again.findings.append((found.event, record))
    again.gone = left


def _is_fellow(then: FindingRecord, now: FindingDraft) -> bool:
    return (then.what, then.seq, then.at_s) == (now.what, now.seq, now.at_s)


def _record(job: str, number: int, draft: FindingDraft) -> FindingRecord:
    figures: dict[str, Any] = dict(draft.figures)
    return FindingRecord(
        job=job,
        number=number,
        what=draft.what,
        at_s=draft.at_s,
        seq=draft.seq,
        text=one_line(draft.text),
        figures=figures,
        message=b"",
    )


def _limits(again: FiguresAgain, warm_s: float | None) -> Iterator[str]:
    """How the figures differ from those that were told, in sentences."""
    said = []
    if again.gone:
        numbers = _listed([one.number for one in again.gone])
        said.append(f"{_count(len(again.gone))} told then would not have been ({numbers})")
    if again.new:
        numbers = _listed([one.number for one in again.new])
        said.append(
            f"{_count(len(again.new))} would have been that nobody was told of (here {numbers}, "
            f"which are no numbers of the archive)"
        )
    yield (
        "Figures and findings here are measured again with the amended chain"
        + (f": {' and '.join(said)}." if said else ", and the same things were found.")
    )
    if warm_s is not None:
        yield (
            "They were measured again from some hours before the first amended sweep on: what "
            "hangs on earlier times, such as since when a signal was up, may be otherwise."
        )


def _count(number: int) -> str:
    return "1 finding" if number == 1 else f"{number} findings"


def _listed(numbers: list[int]) -> str:
    shown = ", ".join(str(number) for number in numbers[:12])
    return f"{shown} and {len(numbers) - 12} more" if len(numbers) > 12 else shown
