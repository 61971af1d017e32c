"""A replay beside what was committed and published: equal bit for bit, or where not (G4).

On the machine that measured, with the same versions of the libraries, every figure must have the
same bits. Elsewhere sums may be taken in another order, so figures may differ by
:data:`TOLERANCE`, and a finding may be missing whose quantity lies within that of its threshold;
each of those is named.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from acqd.archive.records import FindingRecord, GapRecord, HourlyRecord, SweepRecord
from acqd.archive.tables import text_of
from acqd.measure.meter import FindingDraft, Output
from acqd.station.feed import CONTEXT
from acqd.station.replay import Told
from acqd.station.tell import one_line

__all__ = [
    "MUST_BE_ALIKE",
    "SHOWN_MOST",
    "TIME_TOLERANCE_S",
    "TOLERANCE",
    "Check",
    "Difference",
    "is_same_place",
]

TOLERANCE = 1e-9
"""Elsewhere a figure may differ by this part of itself, or by this much where it is below 1.
Definition ours: a float64 holds 1e-16 of itself, and sums over a night of a thousand points lose
less than six digits of that; no instrument has nine good digits of a level."""

TIME_TOLERANCE_S = 1e-6
"""Elsewhere figures in seconds may differ by this much: they may be times since 1970."""

SHOWN_MOST = 20
"""Differences that are kept to be shown; all are counted."""

SWEEPS_REMEMBERED = 256

MUST_BE_ALIKE = ("acqd", "numpy", "python", "machine")
"""What must be known and equal for figures to be held to the same bits."""

_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One thing that is not as it was. ``seq`` is the sweep's number where it is about one."""

    where: str
    seq: int | None
    text: str


def is_same_place(then: Iterable[Mapping[str, str]], here: Mapping[str, str]) -> bool:
    """Whether all that measured then is what would measure here: versions and machine.

    What was not recorded is not known to be the same.
    """
    return all(
        all(one.get(name) is not None and one.get(name) == here.get(name) for name in MUST_BE_ALIKE)
        for one in then
    )


@dataclass(slots=True, kw_only=True)
class Check:
    """Takes a replay event by event and gathers what differs."""

    same_place: bool
    """Whether every bit must be equal; else figures may differ by the tolerances."""
    sweeps: int = 0
    hours: int = 0
    findings: int = 0
    """Findings compared, those that are in both."""
    unmeasured: int = 0
    """Sweeps that were not measured then, and could not be compared."""
    bits_differ: int = 0
    """Records with figures of other bits, all within the tolerances."""
    differences: list[Difference] = field(default_factory=list)
    """The first :data:`SHOWN_MOST`."""
    differ: int = 0
    near: list[Difference] = field(default_factory=list)
    """Findings on one side only whose quantity lies within the tolerance of its threshold; the
    first :data:`SHOWN_MOST`."""
    _drafts: list[FindingDraft] = field(default_factory=list)
    """Findings made again whose fellows have not come yet."""
    _figures: dict[int, Mapping[str, Any]] = field(default_factory=dict)
    """Figures of the last sweeps by their numbers, for what findings were held against."""

    @property
    def is_equal(self) -> bool:
        return self.differ == 0

    @property
    def is_exact(self) -> bool:
        return self.is_equal and not self.bits_differ and not self.near

    def take(self, told: Told) -> None:
        """Compare one event and the findings that were committed before it."""
        for found in told.found_then:
            self._find(found)
        match told.event:
            case SweepRecord() as record:
                self._sweep(record, told)
            case HourlyRecord() as record if told.is_measured:
                self._hour(record, told.outputs)
            case GapRecord() | HourlyRecord():
                pass
            case None:
                self._end()
        for output in told.outputs:
            self._drafts += output.findings

    # -- sweeps and hours -----------------------------------------------------------------------

    def _sweep(self, record: SweepRecord, told: Told) -> None:
        if not told.is_measured:
            self.unmeasured += 1
            return
        self.sweeps += 1
        summary = next((o.summary for o in reversed(told.outputs) if o.summary is not None), None)
        columns = told.outputs[-1].columns
        where = f"sweep {record.seq}"
        then = {
            "summary": record.summary,
            "columns": _sorted(
                (k, v) for k, v in record.columns.items() if not k.startswith(CONTEXT)
            ),
        }
        now = {
            "summary": summary,
            # NaN in a column is kept as no such column.
            "columns": _sorted((k, float(v)) for k, v in columns.items() if v == v),
        }
        self._compare(where, record.seq, then, now)
        self._figures[record.seq] = {**(record.summary or {}), **record.columns}
        if len(self._figures) > SWEEPS_REMEMBERED:
            del self._figures[next(iter(self._figures))]

    def _hour(self, record: HourlyRecord, outputs: tuple[Output, ...]) -> None:
        self.hours += 1
        made = [hour for output in outputs for hour in output.hourly]
        now = dict(made[0].figures) if made else {}
        self._compare(f"hour {_utc(record.hour_start_s)}", None, dict(record.figures), now)

    def _compare(self, where: str, seq: int | None, then: Any, now: Any) -> None:
        if text_of(then) == text_of(now):
            return
        # Through JSON, so that tuples, and what is not finite, are as they are kept.
        kept, made = json.loads(text_of(then)), json.loads(text_of(now))
        found = list(_differing(kept, made, tolerant=False))
        if not found:
            return  # only in the order of keys
        if not self.same_place:
            found = list(_differing(kept, made, tolerant=True))
        if found:
            self._differs(where, seq, _listed(found))
        else:
            self.bits_differ += 1

    # -- findings -------------------------------------------------------------------------------

    def _find(self, kept: FindingRecord) -> None:
        """A finding that was committed: it was made again before, with its event."""
        self._compare_message(kept)
        at = next(
            (at for at, draft in enumerate(self._drafts) if self._is_fellow(kept, draft)), None
        )
        if at is None:
            self._one_sided(kept, f"finding {kept.number}", "was found then and is not now")
            return
        for extra in self._drafts[:at]:
            self._extra(extra)
        draft = self._drafts[at]
        del self._drafts[: at + 1]
        self.findings += 1
        then = {"at_s": kept.at_s, "text": kept.text, "figures": dict(kept.figures)}
        now = {"at_s": draft.at_s, "text": one_line(draft.text), "figures": dict(draft.figures)}
        self._compare(f"finding {kept.number} ({kept.what})", kept.seq, then, now)

    def _is_fellow(self, kept: FindingRecord, draft: FindingDraft) -> bool:
        if (kept.what, kept.seq) != (draft.what, draft.seq):
            return False
        return abs(kept.at_s - draft.at_s) <= (0.0 if self.same_place else TIME_TOLERANCE_S)

    def _compare_message(self, kept: FindingRecord) -> None:
        """What was published of a finding is what was committed of it."""
        sent = json.loads(kept.message)
        then = [sent.get(key) for key in ("number", "what", "at_s", "seq", "text", "figures")]
        now = [kept.number, kept.what, kept.at_s, kept.seq, kept.text, dict(kept.figures)]
        if text_of(then) != text_of(now):
            text = "what was published of it is not what was committed"
            self._differs(f"finding {kept.number}", kept.seq, text)

    def _extra(self, draft: FindingDraft) -> None:
        self._one_sided(draft, "a finding", "is found now and was not then")

    def _one_sided(self, one: FindingRecord | FindingDraft, where: str, text: str) -> None:
        said = f"{one.what} of {_utc(one.at_s)}, “{one_line(one.text)}”, {text}"
        figures = {} if one.seq is None else self._figures.get(one.seq, {})
        near = None if self.same_place else _threshold_at(one.figures, figures)
        if near is None:
            self._differs(where, one.seq, said)
        elif len(self.near) < SHOWN_MOST:
            about = f"{said}: {near}"
            self.near.append(Difference(where=where, seq=one.seq, text=about))

    def _end(self) -> None:
        for draft in self._drafts:
            self._extra(draft)
        self._drafts.clear()

    def _differs(self, where: str, seq: int | None, text: str) -> None:
        self.differ += 1
        if len(self.differences) < SHOWN_MOST:
            self.differences.append(Difference(where=where, seq=seq, text=text))


def _sorted(columns: Iterable[tuple[str, float]]) -> dict[str, float]:
    """In one order: a file keeps another than a meter gives."""
    return dict(sorted(columns))


def _utc(at_s: float) -> str:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"


def _differing(then: Any, now: Any, *, tolerant: bool, path: str = "") -> Iterator[str]:
    """What differs, a phrase each, by the path of its key."""
    if isinstance(then, dict) and isinstance(now, dict):
        for key in (*then, *(key for key in now if key not in then)):
            inner = f"{path}.{key}" if path else str(key)
            if key not in now:
                yield f"{inner} is missing now"
            elif key not in then:
                yield f"{inner} was missing then"
            else:
                yield from _differing(then[key], now[key], tolerant=tolerant, path=inner)
    elif isinstance(then, list) and isinstance(now, list):
        if len(then) != len(now):
            yield f"{path} had {len(then)} entries, has {len(now)}"
            return
        for number, (a, b) in enumerate(zip(then, now, strict=True)):
            yield from _differing(a, b, tolerant=tolerant, path=f"{path}[{number}]")
    elif not (_is_near(then, now, path) if tolerant else _is_bit_equal(then, now)):
        yield f"{path} was {_shown(then)}, is {_shown(now)}"


def _is_bit_equal(then: Any, now: Any) -> bool:
    return text_of(then) == text_of(now)


def _is_near(then: Any, now: Any, path: str) -> bool:
    if isinstance(then, str) and isinstance(now, str):
        return _texts_are_near(then, now)
    numbers = (int, float)
    if isinstance(then, bool | None) or isinstance(now, bool | None):
        return then is now
    if isinstance(then, numbers) and isinstance(now, numbers):
        if isinstance(then, int) and isinstance(now, int):
            return then == now
        if path.endswith("_s"):
            return abs(then - now) <= TIME_TOLERANCE_S
        return abs(then - now) <= TOLERANCE * max(1.0, abs(then), abs(now))
    return bool(then == now)


def _texts_are_near(then: str, now: str) -> bool:
    """Whether two sentences differ at most by one in the last place of numbers: what lies within
    the tolerance of each other may be rounded to two sides."""
    if then == now:
        return True
    if _NUMBER.sub("#", then) != _NUMBER.sub("#", now):
        return False
    return all(
        abs(float(a) - float(b)) <= 1.000001 * 10.0 ** -_decimals(a) and "." in a
        if a != b
        else True
        for a, b in zip(_NUMBER.findall(then), _NUMBER.findall(now), strict=True)
    )


def _decimals(number: str) -> int:
    return len(number.partition(".")[2])


def _threshold_at(figures: Mapping[str, Any], of_sweep: Mapping[str, Any]) -> str | None:
    """Which figure of a finding lies within the tolerance of which threshold, or None.

    Thresholds are figures called ``threshold_…``, ``limit_…`` or ``bound_…``, of the finding or of
    its sweep; a figure is held against those that end in the same unit.
    """
    bounds = {
        name: value
        for name, value in {**of_sweep, **figures}.items()
        if name.split("_")[0] in ("threshold", "limit", "bound") and _is_number(value)
    }
    for name, value in figures.items():
        if name in bounds or not _is_number(value):
            continue
        for bound, at in bounds.items():
            same_unit = bound.rpartition("_")[2] == name.rpartition("_")[2]
            if same_unit and _is_near(float(value), float(at), name):
                return f"its {name} lies within {TOLERANCE:g} of {bound}"
    return None


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _shown(value: Any) -> str:
    text = repr(value) if isinstance(value, float) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:60]}…"


def _listed(found: list[str]) -> str:
    more = f" and {len(found) - 3} more" if len(found) > 3 else ""
    return "; ".join(found[:3]) + more
