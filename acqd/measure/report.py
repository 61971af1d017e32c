"""What meters tell in one form: numbers of a message, findings on a sweep, the verdict of a pass.

The keys are those of a verdict message (:class:`acqd.publish.messages.Verdict`, but for what the
station adds), so that a kind that judges need not know them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from acqd.measure.meter import Figure, FindingDraft, SweepSeen
from acqd.measure.verdict import Judgement, Verdict

__all__ = [
    "end_s",
    "finding_on",
    "judgement_row",
    "limit_finding",
    "pass_verdict",
    "reference_accepted",
    "reference_old",
    "reference_refused",
    "rounded",
]

DECIMALS = 4
"""Of the figures of a judgement."""

OF_A_LIMIT = ("figure", "value", "unit", "bound", "limit", "side", "expanded")
"""What a finding about a limit takes from the row of the judgement."""


def end_s(sweep: SweepSeen) -> float:
    """When a sweep ended."""
    return sweep.started_s + sweep.took_s


def rounded(value: float | None, digits: int) -> float | None:
    """A number for a message; None for what is not known or not finite."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def finding_on(
    sweep: SweepSeen, what: str, text: str, figures: Mapping[str, Figure] | None = None
) -> FindingDraft:
    """A finding that one sweep brought, of the moment when it began."""
    return FindingDraft(
        what=what, at_s=sweep.started_s, text=text, seq=sweep.seq, figures=figures or {}
    )


def limit_finding(
    row: Mapping[str, Any],
    text: str,
    *,
    at_s: float,
    seq: int | None,
    figures: Mapping[str, Figure] | None = None,
) -> FindingDraft:
    """That a limit is exceeded now, or met again, whichever side of it is the good one.

    Args:
        row: of :func:`judgement_row`; its verdict is pass or fail, and another one than was told
            last. A first pass is nothing to tell.
        figures: what else is worth telling of it.
    """
    return FindingDraft(
        what="limit_exceeded" if row["verdict"] == Verdict.FAIL.value else "limit_met",
        at_s=at_s,
        text=text,
        seq=seq,
        figures={**{key: row[key] for key in OF_A_LIMIT}, **(figures or {})},
    )


def reference_refused(sweep: SweepSeen, text: str) -> FindingDraft:
    """That there are no figures for want of a reference that fits; told once for each reason."""
    return finding_on(sweep, "reference_refused", text)


def reference_accepted(sweep: SweepSeen, text: str) -> FindingDraft:
    """That there are figures again after a reference was refused."""
    return finding_on(sweep, "reference_accepted", text)


def reference_old(sweep: SweepSeen, text: str) -> FindingDraft:
    """That a reference in use is older than it should be; told once for each reference."""
    return finding_on(sweep, "reference_old", text)


def judgement_row(
    figure: str, judgement: Judgement, *, seq: int | None, text: str | None = None
) -> dict[str, Any]:
    """One judgement of a verdict. ``text`` stands for the judgement's own where it is given."""
    return {
        "figure": figure,
        "value": rounded(judgement.value, DECIMALS),
        "unit": judgement.unit,
        "bound": judgement.bound,
        "limit": judgement.limit,
        "side": judgement.side,
        "expanded": rounded(judgement.expanded, DECIMALS),
        "verdict": judgement.verdict.value,
        "text": judgement.text if text is None else text,
        "seq": seq,
    }


def pass_verdict(
    verdict: Verdict,
    text: str,
    judgements: Sequence[Mapping[str, Any]],
    *,
    sweeps: Sequence[SweepSeen],
    against: Sequence[str] = (),
) -> dict[str, Any]:
    """The verdict of a pass that rests on ``sweeps``, one at least.

    It is of the time from the start of the first of them to the end of the last.
    """
    seqs = [one.seq for one in sweeps]
    return {
        "of": "pass",
        "verdict": verdict.value,
        "text": text,
        "at_s": max(end_s(one) for one in sweeps),
        "since_s": min(one.started_s for one in sweeps),
        "first_seq": min(seqs),
        "last_seq": max(seqs),
        "coverage": None,
        "against": list(against),
        "judgements": list(judgements),
    }
