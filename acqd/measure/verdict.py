"""Whether a figure meets its limit: pass, fail, cannot tell, incomplete.

The decision rule (guard bands as in JCGM 106:2012, clause 8; numbers from memory, the rule ours).
With U the expanded uncertainty at k = 2 and a guard band w = guard · U on both sides of the limit:

    inside the limit by w or more     pass
    outside it by w or more           fail
    else                              cannot tell

With guard = 1, the default, a thing that lies exactly on its limit passes with a probability of
2.3 %, and fails with the same (normal distribution). 0.82 makes that 5 %; 0 is simple acceptance,
where it is 50 % and whoever relies on the verdict shares the risk.

A figure may be a bound ("at least 45 dB" where the floor hides the rest). A bound decides where it
suffices; where it does not, or points the other way, the answer is "cannot tell".
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from acqd.measure.budget import decimals_for, figure_text

__all__ = [
    "Bound",
    "Judgement",
    "Side",
    "Verdict",
    "combine",
    "judge",
    "reads",
    "rule_text",
    "stands",
]

Side = Literal["below", "above"]
"""On which side of the limit a figure has to be; on the limit itself counts as there."""

Bound = Literal["at least", "at most"]
"""What a figure is a bound of: the true one is at least, or at most, this."""

LAST_BIT = 1e-9
"""Margins that miss the guard band by no more than this meet it: 53.0 − 51.1 is not quite 1.9.

Above a limit of 1000 (frequencies in Hz) it is 1e−12 of the limit.
"""


class Verdict(StrEnum):
    """What can be said of a figure, or of a whole run, against its limits."""

    PASS = "pass"
    FAIL = "fail"
    CANNOT_TELL = "cannot tell"
    """Measured, and the uncertainty does not allow an answer."""
    INCOMPLETE = "incomplete"
    """Not measured, or not to the end: going on may give an answer."""


_WORST_FIRST = (Verdict.FAIL, Verdict.INCOMPLETE, Verdict.CANNOT_TELL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A verdict and what it rests on, all in ``unit``.

    ``margin`` is how far inside the limit the figure lies, below 0 outside it; None without one.
    ``guard_band`` is w of the rule. ``text`` is one line for people.
    """

    verdict: Verdict
    value: float | None
    limit: float
    side: Side
    bound: Bound | None
    margin: float | None
    expanded: float | None
    guard_band: float | None
    unit: str
    text: str


def judge(
    value: float | None,
    *,
    limit: float,
    expanded: float | None,
    side: Side = "below",
    guard: float = 1.0,
    bound: Bound | None = None,
    unit: str = "dB",
) -> Judgement:
    """Judge one figure against one limit by the rule above.

    Args:
        value: the figure, in the unit of the limit; None, NaN or infinite: no figure, which gives
            "cannot tell".
        expanded: U at k = 2 of value (and limit, where that is measured too); None or NaN: nobody
            knows, which gives "cannot tell". 0 is taken as it is.
        side: where the figure has to be: "below" for an emission, "above" for a suppression.
        guard: guard band as a multiple of U; 0 for simple acceptance.
        bound: the true figure is "at least" or "at most" ``value``.

    Raises:
        ValueError: a limit that is not finite, an expanded uncertainty or a guard below 0.
    """
    if not math.isfinite(limit):
        raise ValueError(f"a limit must be finite, got {limit}")
    if not (guard >= 0 and math.isfinite(guard)):
        raise ValueError(f"guard must be finite and not below 0, got {guard}")
    if expanded is not None and expanded < 0:
        raise ValueError(f"expanded must not be below 0, got {expanded}")
    known = value if value is not None and math.isfinite(value) else None
    u = expanded if expanded is not None and not math.isnan(expanded) else None
    margin = None if known is None else (limit - known if side == "below" else known - limit)
    # 0 · ∞ would be NaN; an infinite U needs an infinite guard band whatever the guard is.
    band = None if u is None else (u if math.isinf(u) else guard * u)
    slack = LAST_BIT * max(1.0, abs(limit) / 1e3)
    verdict, why = _decide(margin, band, slack, side, bound)
    text = f"{reads(known, limit, u, unit, bound=bound)}: {verdict.value}{why}"
    return Judgement(
        verdict=verdict,
        value=known,
        limit=limit,
        side=side,
        bound=bound,
        margin=margin,
        expanded=u,
        guard_band=band,
        unit=unit,
        text=text,
    )


def _decide(
    margin: float | None, band: float | None, slack: float, side: Side, bound: Bound | None
) -> tuple[Verdict, str]:
    """The verdict, and why it is no better where it is neither pass nor fail."""
    if margin is None:
        return Verdict.CANNOT_TELL, ""
    if band is None:
        return Verdict.CANNOT_TELL, ", the uncertainty is not known"
    # "At most" leaves the true figure room downwards, "at least" upwards: one of the two answers
    # it can prove, the other it cannot.
    may_pass = bound is None or (bound == "at most") == (side == "below")
    may_fail = bound is None or not may_pass
    if may_pass and margin >= band - slack:
        return Verdict.PASS, ""
    if may_fail and margin <= -band + slack and margin < 0:
        return Verdict.FAIL, ""
    if abs(margin) < band - slack:
        return Verdict.CANNOT_TELL, ", the limit lies within the uncertainty"
    return Verdict.CANNOT_TELL, ", more cannot be seen"


def reads(
    value: float | None,
    limit: float,
    expanded: float | None,
    unit: str = "dB",
    *,
    bound: Bound | None = None,
) -> str:
    """51.2 of 53.0 dB ± 1.9: the figure, its limit and U at k = 2, with no false digits.

    An unknown U leaves the ± away; no figure reads "no reading, limit 53.0 dB".
    """
    decimals = decimals_for(0.0 if expanded is None else expanded, unit)
    goal = f"{figure_text(limit, decimals)} {unit}"
    if value is None or not math.isfinite(value):
        return f"no reading, limit {goal}"
    start = f"{bound} " if bound else ""
    told = f"{start}{figure_text(value, decimals)} of {goal}"
    if expanded is None or math.isnan(expanded):
        return told
    return f"{told} ± {'∞' if math.isinf(expanded) else figure_text(expanded, decimals)}"


def stands(verdict: Verdict, *, limit: str, edition: str, side: Side = "below") -> str:
    """Where the thing stands towards a named limit: "below limit X, edition Y".

    ``side`` is where a reader looks for a pass: an emission is below its limit, also where the
    figure is a suppression that is above its own.
    """
    name = f"limit {limit}, edition {edition}"
    other = "above" if side == "below" else "below"
    return {
        Verdict.PASS: f"{side} {name}",
        Verdict.FAIL: f"{other} {name}",
        Verdict.CANNOT_TELL: f"cannot tell whether {side} {name}",
        Verdict.INCOMPLETE: f"not measured to the end against {name}",
    }[verdict]


def rule_text(guard: float = 1.0) -> str:
    """The decision rule in one sentence, to stand beside verdicts."""
    if guard == 0:
        return "pass on the right side of the limit, else fail; the uncertainty is not counted"
    band = "U" if guard == 1 else f"{guard:g}·U"
    return (
        f"pass where the figure is inside the limit by {band} or more, fail where it is outside "
        f"by {band} or more, else cannot tell (U: expanded uncertainty, k = 2)"
    )


def combine(judgements: Iterable[Judgement | Verdict]) -> Verdict:
    """One verdict for many: fail, else incomplete, else cannot tell, else pass (definition ours).

    One failure settles it, whatever is still to come. Incomplete goes before cannot tell, since
    what is missing may yet fail. Nothing at all is incomplete.
    """
    found = {x.verdict if isinstance(x, Judgement) else x for x in judgements}
    if not found:
        return Verdict.INCOMPLETE
    return next((verdict for verdict in _WORST_FIRST if verdict in found), Verdict.PASS)
