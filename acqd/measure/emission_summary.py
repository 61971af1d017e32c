"""An emission check as plain data: summary, verdict, bare figures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from acqd.measure.adjacent import Neighbour
from acqd.measure.bandwidth import Bandwidth
from acqd.measure.emission_limits import Beside, against, no_limit_words
from acqd.measure.emission_origin import Classed
from acqd.measure.emission_outcome import Found, Missing, Outcome
from acqd.measure.emission_proof import intercepts_of, proof_of
from acqd.measure.emission_search import SearchedRange
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.linearity import Origin
from acqd.measure.peaks import Bound
from acqd.measure.report import judgement_row, pass_verdict, rounded
from acqd.measure.verdict import Verdict, combine, rule_text, stands
from acqd.measure.words import frequency_text, number_text
from acqd.units import watt_from_dbm

__all__ = ["COLUMNS", "columns_of", "plain_outcome", "values_of", "verdict_of", "worst_margin_db"]

COLUMNS = (
    "keyed",
    "fundamental_dbm",
    "fundamental_hz",
    "power_w",
    "occupied_hz",
    "x_db_hz",
    "worst_margin_db",
    "worst_dbc",
    "products",
)
"""Names of the columns that each pass leaves in the archive."""

JUDGEMENTS_MOST = 200
NOTES_MOST = 16
POWER_DIFFERS_DB = 1.0
WORST_FIRST = (Verdict.FAIL, Verdict.INCOMPLETE, Verdict.CANNOT_TELL, Verdict.PASS)


def _round(value: float | None, digits: int = 4) -> float | None:
    return rounded(value, digits)


# --- pieces ---------------------------------------------------------------------------------------


def _rank(beside: Beside) -> tuple[int, float]:
    return WORST_FIRST.index(beside.comparison.verdict), beside.margin


def _worst_of(besides: tuple[Beside, ...]) -> Beside | None:
    return min(besides, key=_rank, default=None)


def _origin_word(classed: Classed) -> str:
    return "not looked into" if classed.origin is None else str(classed.origin)


def _product(one: Found) -> dict[str, Any]:
    product, worst = one.product, _worst_of(one.beside)
    judged = None if worst is None else worst.comparison.judgement
    return {
        "name": product.name,
        "order": product.order,
        "frequency_hz": _round(product.frequency_hz, 1),
        "level_dbm": _round(one.level_dbm),
        "level_w": _round(float(watt_from_dbm(one.level_dbm)), 18),
        "dbc": _round(one.dbc),
        "bound": "at most" if one.at_most else None,
        "kind": str(product.kind),
        "origin": _origin_word(one.classed),
        "origin_order": one.classed.order,
        "origin_reason": one.classed.reason,
        "over_floor_db": _round(product.over_floor_db, 2),
        "expanded_db": _round(one.budget.expanded),
        "below_expanded_db": None if one.below is None else _round(one.below.expanded),
        "figure": None if judged is None else _round(judged.value),
        "limit": None if judged is None else _round(judged.limit),
        "limit_unit": None if judged is None else judged.unit,
        "margin_db": None if judged is None else _round(judged.margin),
        "verdict": None if judged is None else str(judged.verdict),
        "text": _product_text(one, worst),
        "seq": product.seq,
    }


def _product_text(one: Found, worst: Beside | None) -> str:
    bound = "at most " if one.at_most else ""
    level = f"{bound}{number_text(one.level_dbm, 1)} dBm ± {number_text(one.budget.expanded, 1)}"
    start = f"{one.product.name} at {frequency_text(one.product.frequency_hz)}, {level}"
    if one.product.order is None:
        start = f"{one.product.name}, {level}"
    return start if worst is None else f"{start}: {worst.comparison.text}"


def _width(found: Bandwidth | None, what: str) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "what": what,
        "width_hz": _round(found.width_hz, 2),
        "low_hz": _round(found.low_hz, 2),
        "high_hz": _round(found.high_hz, 2),
        "expanded_hz": None if found.u_hz is None else _round(2.0 * found.u_hz, 2),
        "bound": None if found.bound is Bound.VALUE else str(found.bound),
        "limited_by_noise": found.limited_by_noise,
        "reason": found.reason,
        "notes": list(found.notes),
    }


def _neighbour(one: Neighbour, worse: bool) -> dict[str, Any]:
    return {
        "place": one.place,
        "start_hz": _round(one.channel.start_hz, 1),
        "stop_hz": _round(one.channel.stop_hz, 1),
        "power_dbm": _round(one.channel.level),
        "ratio_db": _round(one.ratio_db),
        "expanded_db": None if one.u_db is None else _round(2.0 * one.u_db),
        "bound": None if one.bound is Bound.VALUE else str(one.bound),
        "worse": worse,
        "reason": one.reason,
    }


def _range(one: SearchedRange) -> dict[str, Any]:
    worst = _worst_of(one.beside)
    below = f"nothing else above {number_text(one.most_dbm, 1)} dBm ± "
    text = f"{below}{number_text(one.expanded_db, 1)}"
    return {
        "start_hz": _round(one.start_hz, 1),
        "stop_hz": _round(one.stop_hz, 1),
        "most_dbm": _round(one.most_dbm),
        "at_hz": _round(one.at_hz, 1),
        "expanded_db": _round(one.expanded_db),
        "least_margin_db": _round(one.least_margin_db),
        "products": one.products,
        "missing_hz": _round(one.missing_hz, 1),
        "verdict": None if worst is None else str(worst.comparison.verdict),
        "text": text if worst is None else f"{text}: {worst.comparison.text}",
        "seq": one.seq,
    }


def _fundamental(settings: EmissionSettings, outcome: Outcome) -> dict[str, Any] | None:
    look = outcome.look
    if look is None or look.fundamental is None or outcome.fundamental is None:
        return None
    found, level = look.fundamental, outcome.fundamental_dbm
    assert level is not None
    assert outcome.frequency is not None
    off_hz = None if settings.expected_hz is None else found.centre_hz - settings.expected_hz
    change_db = None
    if outcome.last is not None and outcome.last.fundamental is not None:
        change_db = outcome.last.fundamental.level_dbm - found.level_dbm
    return {
        "frequency_hz": _round(found.centre_hz, 2),
        "frequency_expanded_hz": _round(outcome.frequency.expanded, 2),
        "off_hz": _round(off_hz, 2),
        "level_dbm": _round(level),
        "power_w": _round(float(watt_from_dbm(level)), 9),
        "expanded_db": _round(outcome.fundamental.expanded),
        "level_from": found.level_from,
        "over_floor_db": _round(found.over_floor_db, 2),
        "change_db": _round(change_db),
        "notes": list(found.notes),
        "seq": None if outcome.first is None else outcome.first.sweep.seq,
    }


def _intercepts(settings: EmissionSettings, outcome: Outcome) -> list[dict[str, Any]]:
    return [
        {"order": order, "intercept_dbm": _round(one.value_dbm, 2), "known": str(one.known)}
        for order, one in sorted(intercepts_of(settings, outcome).items())
    ]


def _budget(outcome: Outcome) -> dict[str, Any] | None:
    """The budget of what is nearest to its limit; of the fundamental where there is no limit."""
    judged = [(beside, one) for one in outcome.products for beside in one.beside]
    if judged:
        beside, one = min(judged, key=lambda pair: _rank(pair[0]))
        budget = one.below if beside.relative and one.below is not None else one.budget
        figure = f"{one.product.name}, " + ("below the carrier" if beside.relative else "level")
    elif outcome.fundamental is not None:
        budget, figure = outcome.fundamental, "fundamental, level"
    else:
        return None
    lines = [
        {
            key: _round(value, 6) if isinstance(value, float) else value
            for key, value in line.items()
        }
        for line in budget.lines()
    ]
    return {"figure": figure, "sentence": budget.sentence(), "lines": lines[:32]}


# --- the whole ------------------------------------------------------------------------------------


def plain_outcome(
    settings: EmissionSettings, outcome: Outcome, verdict: Mapping[str, Any] | None
) -> dict[str, Any]:
    """The summary, without the counts of the hour."""
    look = outcome.look
    state, said = _state(settings, outcome)
    adjacent = outcome.adjacent
    worse = () if adjacent is None else adjacent.worse
    occupied = f"{100.0 * settings.occupied_share:g} % of the power"
    return {
        "plane": settings.plane,
        "state": state,
        "said": said,
        "complete": outcome.complete,
        "external_pad_db": outcome.pad_db or None,
        "threshold_dbm": None if look is None else _round(look.threshold_dbm),
        "strongest_dbm": None if look is None else _round(look.strongest_dbm),
        "fundamental": _fundamental(settings, outcome),
        "products": [_product(one) for one in outcome.products],
        "products_dropped": outcome.dropped,
        "searched": [_range(one) for one in outcome.searched],
        "not_measured": [{"what": one.what, "why": one.why} for one in outcome.missing],
        "occupied": _width(outcome.occupied, occupied),
        "x_db": _width(outcome.x_db, f"−{settings.x_db:g} dB"),
        "adjacent": []
        if adjacent is None
        else [_neighbour(one, one in worse) for one in adjacent.neighbours],
        "intercepts": _intercepts(settings, outcome),
        "proof": list(proof_of(settings, outcome)),
        "budget": _budget(outcome),
        "up_to_hz": _round(outcome.up_to_hz, 1),
        "against": list(against(settings)),
        "rule": rule_text(settings.guard) if settings.limits else None,
        "prevails": settings.limits[0].prevails if settings.limits else None,
        "verdict": None if verdict is None else verdict["verdict"],
        "text": None if verdict is None else verdict["text"],
        "worst_margin_db": _round(worst_margin_db(outcome)),
        "notes": _notes(settings, outcome)[:NOTES_MOST],
    }


def _state(settings: EmissionSettings, outcome: Outcome) -> tuple[str, str]:
    """One of the stated words, and a sentence with what to do."""
    look = outcome.look
    if look is None:
        return "no key", "a thing without a carrier: its ranges were looked through"
    if look.keyed is None:
        return "cannot see", f"cannot see whether it is keyed: {look.reason}"
    if not look.keyed:
        return "not keyed", f"{look.reason}; key the transmitter for a measurement"
    if outcome.released:
        return "released", "the key was released before all was measured: key longer"
    if outcome.last is None:
        return "cut short", "the pass was cut short"
    if not outcome.complete:
        return "keyed", "measured, but not all that was asked for"
    return "keyed", "measured"


def _notes(settings: EmissionSettings, outcome: Outcome) -> list[str]:
    notes: list[str] = []
    level, look = outcome.fundamental_dbm, outcome.look
    if level is not None and look is not None and look.fundamental is not None:
        assert outcome.fundamental is not None
        least_db = outcome.fundamental.expanded + POWER_DIFFERS_DB
        for power_dbm, what in _stated_powers(settings):
            if abs(level - power_dbm) > least_db:
                notes.append(
                    f"the carrier reads {number_text(level, 1)} dBm, {what} is "
                    f"{number_text(power_dbm, 1)} dBm: limits that hang on it go by what is stated"
                )
        if look.fundamental.level_from == "peak":
            notes.append(
                "the carrier's level is that of its peak: where it is modulated wider than the "
                f"RBW it reads low ({look.fundamental.level_reason or 'step'})"
            )
    for one in outcome.products:
        if not one.beside:
            words = no_limit_words(settings, one.product.frequency_hz, _carrier_hz(outcome))
            notes += [word for word in words if word not in notes]
        for beside in one.beside:
            notes += [word for word in beside.limit.notes if word not in notes]
    return notes


def _stated_powers(settings: EmissionSettings) -> list[tuple[float, str]]:
    found = {}
    for profile in settings.limits:
        power_w = settings.limit_power_w(profile)
        if power_w is not None:
            dbm = 10.0 * math.log10(power_w) + 30.0
            found[dbm] = f"the stated {profile.power_kind} power"
    return list(found.items())[:2]


def _carrier_hz(outcome: Outcome) -> float | None:
    look = outcome.look
    return None if look is None or look.fundamental is None else look.fundamental.centre_hz


# --- the verdict ----------------------------------------------------------------------------------


def verdict_of(settings: EmissionSettings, outcome: Outcome) -> dict[str, Any] | None:
    """The verdict of a pass in which it was keyed; None without limits, or where it was not."""
    look, first = outcome.look, outcome.first
    if not settings.limits or first is None or (look is not None and not look.keyed):
        return None
    judgements = [*_judgements(outcome)]
    missing = [one for one in outcome.missing if one.is_wanted]
    word = combine(
        [*(one["_verdict"] for one in judgements), *(Verdict.INCOMPLETE for _ in missing)]
    )
    judgements.sort(key=lambda one: (WORST_FIRST.index(one["_verdict"]), one["_margin"]))
    text = _verdict_text(settings, outcome, word, judgements, missing)
    rows = [_missing_row(one) for one in missing] + [
        {key: value for key, value in one.items() if not key.startswith("_")} for one in judgements
    ]
    return pass_verdict(
        word,
        text,
        rows[:JUDGEMENTS_MOST],
        sweeps=[one.sweep for one in (outcome.seen_of or {0: first}).values()],
        against=against(settings),
    )


def _judgements(outcome: Outcome) -> list[dict[str, Any]]:
    found = [
        _judgement(one.product.name, beside, one.product.seq)
        for one in outcome.products
        for beside in one.beside
    ]
    for one in outcome.searched:
        name = f"search at {frequency_text(one.at_hz)}"
        found += [_judgement(name, beside, one.seq) for beside in one.beside]
    return found


def _judgement(name: str, beside: Beside, seq: int) -> dict[str, Any]:
    judged = beside.comparison.judgement
    return {
        **judgement_row(name, judged, seq=seq, text=beside.comparison.text),
        "limit": _round(judged.limit),
        "_verdict": judged.verdict,
        "_margin": beside.margin,
    }


def _missing_row(one: Missing) -> dict[str, Any]:
    return {
        "figure": one.what,
        "value": None,
        "unit": "dB",
        "bound": None,
        "limit": None,
        "side": None,
        "expanded": None,
        "verdict": str(Verdict.INCOMPLETE),
        "text": f"not measured: {one.why}",
        "seq": None,
    }


def _verdict_text(
    settings: EmissionSettings,
    outcome: Outcome,
    word: Verdict,
    judgements: list[dict[str, Any]],
    missing: list[Missing],
) -> str:
    """One line: where it stands towards each limit, what decided it, how far it reaches."""
    stand = " and ".join(
        stands(word, limit=one.title, edition=one.edition) for one in settings.limits
    )
    if word is Verdict.INCOMPLETE and missing:
        rest = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        return f"{stand}: {missing[0].what} not measured, {missing[0].why}{rest}"
    if not judgements:
        words = list(no_limit_words(settings, 2.0 * (_carrier_hz(outcome) or 1.0), None))
        why = words[0] if words else "nothing was found that it limits"
        return f"{stand}: {why}"
    worst = judgements[0]
    told = worst["text"].partition(":")[0]
    nearest = f"{worst['figure']}, {told}"
    if word is Verdict.PASS:
        reach = outcome.up_to_hz
        up_to = "" if reach is None else f", up to {frequency_text(reach)}"
        return f"{stand}{up_to}; nearest: {nearest}"
    advice = _advice(settings, outcome, worst["figure"]) if word is Verdict.CANNOT_TELL else ""
    return f"{stand}: {nearest}{advice}"


def _advice(settings: EmissionSettings, outcome: Outcome, figure: str) -> str:
    one = next((found for found in outcome.products if found.product.name == figure), None)
    if one is None or not one.at_most:
        return ""
    if one.classed.origin is Origin.FLOOR:
        return "; it is no more than the floor: less loss, a narrower RBW or more averages would do"
    proof = next((text for text in proof_of(settings, outcome) if text.startswith(figure)), "")
    said = f"; {one.classed.reason}"
    return f"{said}; {proof.partition(': ')[2]}" if proof else said


# --- bare figures ---------------------------------------------------------------------------------


def worst_margin_db(outcome: Outcome) -> float | None:
    """The least margin to any limit of what was found, below 0 beyond it; None without limits.

    Where something fails, the least of what fails: a bound may lie further out and prove nothing.
    """
    besides = [beside for one in outcome.products for beside in one.beside]
    besides += [beside for one in outcome.searched for beside in one.beside]
    known = [one for one in besides if math.isfinite(one.margin)]
    failed = [one for one in known if one.comparison.verdict is Verdict.FAIL]
    return min((one.margin for one in failed or known), default=None)


def columns_of(outcome: Outcome) -> dict[str, float]:
    """The columns of a pass, NaN where there is no figure."""
    look = outcome.look
    figures: dict[str, float | None] = dict.fromkeys(COLUMNS)
    figures["keyed"] = float(look is None or bool(look.keyed))
    figures["products"] = float(len(outcome.products))
    figures["worst_margin_db"] = worst_margin_db(outcome)
    figures["worst_dbc"] = max(
        (one.dbc for one in outcome.products if one.dbc is not None), default=None
    )
    level = outcome.fundamental_dbm
    if level is not None:
        figures["fundamental_dbm"] = level
        figures["fundamental_hz"] = _carrier_hz(outcome)
        figures["power_w"] = float(watt_from_dbm(level))
        figures["occupied_hz"] = None if outcome.occupied is None else outcome.occupied.width_hz
        figures["x_db_hz"] = None if outcome.x_db is None else outcome.x_db.width_hz
    return {name: math.nan if value is None else value for name, value in figures.items()}


def values_of(columns: Mapping[str, float]) -> dict[str, float]:
    """The bare figures for topics of their own."""
    digits = {
        "fundamental_dbm": 3,
        "fundamental_hz": 1,
        "power_w": 9,
        "occupied_hz": 1,
        "worst_margin_db": 3,
    }
    return {
        name: round(columns[name], places)
        for name, places in digits.items()
        if math.isfinite(columns[name])
    }
