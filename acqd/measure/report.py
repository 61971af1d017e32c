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

__all__ = ["finding_on", "judgement_row", "pass_verdict", "rounded"]

DECIMALS = 4
"""Of the figures of a judgement."""


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
    at_s: float,
    since_s: float,
    seqs: Sequence[int],
    against: Sequence[str] = (),
) -> dict[str, Any]:
    """The verdict of a pass: ``at_s`` when it was given, ``seqs`` the sweeps that it rests on."""
    return {
        "of": "pass",
        "verdict": verdict.value,
        "text": text,
        "at_s": at_s,
        "since_s": since_s,
        "first_seq": min(seqs),
        "last_seq": max(seqs),
        "coverage": None,
        "against": list(against),
        "judgements": list(judgements),
    }
