"""What an amended chain changes of what was found: two replays of one job, side by side.

One measures with the chain as it was recorded, which gives what was published (G4), the other with
the chain as it was amended. Both are told the same events, so what differs is the chain's doing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from acqd.archive.records import SweepRecord
from acqd.measure.meter import FindingDraft
from acqd.station.replay import Replay, Told, at_s_of
from acqd.station.tell import one_line

__all__ = ["CHANGES_MOST", "Change", "Changes", "both"]

CHANGES_MOST = 100
"""Changes that are kept to be shown; all are counted."""

Kind = Literal["gone", "new", "other", "verdict"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that is otherwise with the amended chain.

    ``gone``: a finding that would not have been; ``new``: one that would have been; ``other``: one
    of other figures; ``verdict``: one that turns. ``then`` and ``now`` are sentences or words.
    """

    kind: Kind
    at_s: float
    what: str
    seq: int | None
    then: str = ""
    now: str = ""


@dataclass(slots=True, kw_only=True)
class Changes:
    """Takes both replays event by event."""

    counts: dict[Kind, int] = field(
        default_factory=lambda: {"gone": 0, "new": 0, "other": 0, "verdict": 0}
    )
    shown: list[Change] = field(default_factory=list)

    @property
    def any(self) -> bool:
        return any(self.counts.values())

    def take(self, then: Told, now: Told) -> None:
        """What both made of one event."""
        self._verdict(then, now)
        found_then, found_now = _found(then), _found(now)
        for draft in found_then:
            fellow = _fellow(draft, found_now)
            if fellow is None:
                self._add(_of("gone", draft, then=one_line(draft.text)))
                continue
            found_now.remove(fellow)
            told = one_line(draft.text), one_line(fellow.text)
            if told[0] != told[1] or dict(draft.figures) != dict(fellow.figures):
                self._add(_of("other", draft, then=told[0], now=told[1]))
        for draft in found_now:
            self._add(_of("new", draft, now=one_line(draft.text)))

    def _verdict(self, then: Told, now: Told) -> None:
        was, is_ = _verdict_of(then), _verdict_of(now)
        if was == is_ or now.event is None:
            return
        seq = now.event.seq if isinstance(now.event, SweepRecord) else None
        self._add(
            Change(
                kind="verdict",
                at_s=at_s_of(now.event),
                what="verdict",
                seq=seq,
                then=was or "none",
                now=is_ or "none",
            )
        )

    def _add(self, change: Change) -> None:
        self.counts[change.kind] += 1
        if len(self.shown) < CHANGES_MOST:
            self.shown.append(change)


def both(recorded: Replay, amended: Replay) -> Iterator[tuple[Told, Told]]:
    """Each event as both replays were told it.

    Raises:
        ArchiveError: as :meth:`~acqd.station.replay.Replay.run`.
    """
    yield from zip(recorded.run(), amended.run(), strict=True)


def _found(told: Told) -> list[FindingDraft]:
    return [draft for output in told.outputs for draft in output.findings]


def _fellow(draft: FindingDraft, among: Iterable[FindingDraft]) -> FindingDraft | None:
    return next(
        (
            one
            for one in among
            if (one.what, one.seq, one.at_s) == (draft.what, draft.seq, draft.at_s)
        ),
        None,
    )


def _verdict_of(told: Told) -> str | None:
    verdicts: list[Mapping[str, Any]] = [
        output.verdict for output in told.outputs if output.verdict is not None
    ]
    return str(verdicts[-1]["verdict"]) if verdicts else None


def _of(kind: Kind, draft: FindingDraft, *, then: str = "", now: str = "") -> Change:
    return Change(kind=kind, at_s=draft.at_s, what=draft.what, seq=draft.seq, then=then, now=now)
