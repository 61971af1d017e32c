"""What of a summary is shown as numbers: a kind's chosen figures, its computed points, its limits.

A summary holds hundreds of numbers; the page has room for a handful. What is chosen here stands in
the order of its weight, so that the first is the big number of a tuning view. Summaries come from
the wire, so each number is looked at before it is believed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from acqd.dash.reading import CurveRead, number, text

__all__ = ["FIGURES_MOST", "MARKS_MOST", "figures_of", "level_of", "marks_of", "mask_of"]

FIGURES_MOST = 12
MARKS_MOST = 48

UNITS = {"dbm": "dBm", "dbuv": "dBµV", "dbfs": "dBFS", "digit": "digit", "ratio": "1", "db": "dB"}

JUDGED = ("loss at", "rejection at", "rejection in", "SWR at")
JUDGED_AS = {
    "passband": ("largest loss in the passband",),
    "ripple": ("ripple of the passband",),
    "range": ("worst SWR in the range",),
}
"""What judgements call the limits of a curve."""

Part = Mapping[str, Any]
Figure = dict[str, Any]


def figures_of(kind: str, part: Part) -> list[Figure]:
    """The chosen figures of a summary's part, the most important first; those without a value are
    left out, but for the first."""
    makers = {
        "band": _band,
        "carrier": _carrier,
        "emission": _emission,
        "transmission": _transmission,
        "reflection": _reflection,
    }
    maker = makers.get(kind)
    return [] if maker is None else list(maker(part))[:FIGURES_MOST]


def level_of(part: Part, name: str) -> tuple[float | None, str]:
    """The level called ``name`` with its unit, whichever that is."""
    for suffix, unit in UNITS.items():
        value = number(part, f"{name}_{suffix}")
        if value is not None:
            return value, unit
    return None, ""


def marks_of(kind: str, part: Part) -> list[dict[str, Any]]:
    """Points of the curve that were computed, to be named at it."""
    makers = {
        "band": _signals,
        "transmission": _transmission_points,
        "reflection": _reflection_points,
        "emission": _emission_points,
    }
    maker = makers.get(kind)
    return [] if maker is None else list(maker(part))[:MARKS_MOST]


def mask_of(curve: CurveRead, verdict: Part | None) -> list[dict[str, Any]]:
    """The limits on a curve, named as they were judged last, with what came of it.

    A judgement names its figure in words, with the place behind it in brackets.
    """
    rows = () if verdict is None else _rows(verdict, "judgements")
    judged = {text(row, "figure").partition(" (")[0]: row for row in rows}
    return [_limit(one, judged) for one in curve.mask]


def _limit(one: Part, judged: Mapping[str, Part]) -> dict[str, Any]:
    name = one["name"]
    words = JUDGED_AS.get(name, tuple(f"{what} {name}" for what in JUDGED))
    label = next((what for what in words if what in judged), "")
    row = judged.get(label, {})
    limit = number(row, "limit")
    # A limit on SWR stands at the curve as the return loss that it asks for.
    known = "" if limit is None or text(row, "unit", 16) == one["unit"] else f", {limit:g}"
    return {
        "start_hz": one["start_hz"],
        "stop_hz": one["stop_hz"],
        "at_most": one["limit"] if one["side"] == "below" else None,
        "at_least": one["limit"] if one["side"] == "above" else None,
        "unit": one["unit"],
        "label": f"{label or name}{known}"[:80],
        "verdict": text(row, "verdict", 16),
    }


def _figure(
    key: str,
    label: str,
    value: float | None,
    unit: str,
    *,
    expanded: float | None = None,
    bound: str | None = None,
    at_hz: float | None = None,
    verdict: str | None = None,
) -> Figure:
    return {
        "key": key,
        "label": label[:48],
        "value": value,
        "unit": unit,
        "expanded": expanded,
        "low": None,
        "high": None,
        "bound": bound,
        "at_hz": at_hz,
        "verdict": verdict,
    }


def _rows(part: Part, key: str) -> list[Part]:
    rows = part.get(key)
    if not isinstance(rows, Sequence) or isinstance(rows, str):
        return []
    return [row for row in rows[:256] if isinstance(row, Mapping)]


def _object(part: Part, key: str) -> Part:
    found = part.get(key)
    return found if isinstance(found, Mapping) else {}


def _at_least(part: Part) -> str | None:
    return "at least" if part.get("at_least") is True else None


def _kept(figures: Iterator[Figure]) -> Iterator[Figure]:
    for place, figure in enumerate(figures):
        if place == 0 or figure["value"] is not None:
            yield figure


def _band(part: Part) -> Iterator[Figure]:
    return _kept(_band_all(part))


def _band_all(part: Part) -> Iterator[Figure]:
    floor, unit = level_of(part, "floor")
    half, _ = level_of(part, "floor_u")
    expanded = None if half is None else 2.0 * half
    yield _figure("floor", "floor", floor, unit, expanded=expanded)
    peak, unit = level_of(part, "peak")
    yield _figure("peak", "highest", peak, unit, at_hz=number(part, "peak_hz"))
    yield _figure("signals", "signals", number(part, "signals_count"), "")
    yield _figure("busy", "busy channels", number(part, "busy_count"), "")
    level, unit = level_of(part, "weakest_level_seen")
    yield _figure("weakest", "weakest surely seen", level, unit)
    yield _figure("caught", "shortest surely caught", number(part, "shortest_surely_caught_s"), "s")


def _carrier(part: Part) -> Iterator[Figure]:
    return _kept(_carrier_all(part))


def _carrier_all(part: Part) -> Iterator[Figure]:
    expanded = number(part, "frequency_expanded_hz")
    at_hz = number(part, "frequency_hz")
    offset = number(part, "offset_hz")
    yield _figure("offset", "off its frequency", offset, "Hz", expanded=expanded, at_hz=at_hz)
    level, unit = level_of(part, "level")
    yield _figure("level", "level", level, unit, expanded=number(part, "level_expanded_db"))
    yield _figure("over_floor", "over the floor", number(part, "over_floor_db"), "dB")
    drift = _object(part, "drift")
    yield _figure("drift", "drift", number(drift, "hz_per_h"), "Hz/h")
    yield _figure("steps", "steps", number(part, "steps"), "")


def _emission(part: Part) -> Iterator[Figure]:
    return _kept(_emission_all(part))


def _emission_all(part: Part) -> Iterator[Figure]:
    margin, verdict = number(part, "worst_margin_db"), text(part, "verdict", 16) or None
    yield _figure("margin", "worst margin to its limit", margin, "dB", verdict=verdict)
    main = _object(part, "fundamental")
    at_hz = number(main, "frequency_hz")
    yield _figure(
        "fundamental",
        "fundamental",
        number(main, "level_dbm"),
        "dBm",
        expanded=number(main, "expanded_db"),
        at_hz=at_hz,
    )
    yield _figure("power", "power", number(main, "power_w"), "W")
    expanded = number(main, "frequency_expanded_hz")
    yield _figure("off", "off its frequency", number(main, "off_hz"), "Hz", expanded=expanded)
    for row in _rows(part, "products"):
        yield _figure(
            "product",
            text(row, "name", 40),
            number(row, "level_dbm"),
            "dBm",
            expanded=number(row, "expanded_db"),
            bound=text(row, "bound", 8) or None,
            at_hz=number(row, "frequency_hz"),
            verdict=text(row, "verdict", 16) or None,
        )


def _transmission(part: Part) -> Iterator[Figure]:
    return _kept(_transmission_all(part))


def _transmission_all(part: Part) -> Iterator[Figure]:
    for row in _rows(part, "named"):
        stop = text(row, "role", 8) == "stop" and number(row, "rejection_db") is not None
        what = "rejection" if stop else "loss"
        yield _figure(
            what,
            f"{what} at {text(row, 'name', 36)}",
            number(row, f"{what}_db"),
            "dB",
            expanded=number(row, f"{what}_expanded_db"),
            bound=_at_least(row),
            at_hz=number(row, "frequency_hz"),
        )
    stated = _object(part, "passband")
    expanded = number(stated, "largest_loss_expanded_db")
    value, at_hz = number(stated, "largest_loss_db"), number(stated, "largest_loss_hz")
    bound = _at_least(stated)
    yield _figure("loss", "largest loss", value, "dB", expanded=expanded, at_hz=at_hz, bound=bound)
    value, expanded = number(stated, "ripple_db"), number(stated, "ripple_expanded_db")
    yield _figure("ripple", "ripple", value, "dB", expanded=expanded)
    for row in _rows(part, "stopbands"):
        yield _figure(
            "rejection",
            f"rejection in {text(row, 'name', 34)}",
            number(row, "rejection_db"),
            "dB",
            expanded=number(row, "rejection_expanded_db"),
            bound=_at_least(row),
            at_hz=number(row, "at_hz"),
        )
    yield from _found_bands(part)


def _found_bands(part: Part) -> Iterator[Figure]:
    pad = _object(part, "pad")
    value, expanded = number(pad, "value_db"), number(pad, "value_expanded_db")
    yield _figure("pad", "pad", value, "dB", expanded=expanded, bound=_at_least(pad))
    for row in _rows(part, "passbands"):
        value, expanded = number(row, "least_loss_db"), number(row, "least_loss_expanded_db")
        at_hz = number(row, "least_loss_hz")
        yield _figure("least", "least loss", value, "dB", expanded=expanded, at_hz=at_hz)
    for row in _rows(part, "notches"):
        value, expanded = number(row, "depth_db"), number(row, "depth_expanded_db")
        at_hz, bound = number(row, "deepest_hz"), _at_least(row)
        yield _figure("notch", "notch", value, "dB", expanded=expanded, at_hz=at_hz, bound=bound)


def _reflection(part: Part) -> Iterator[Figure]:
    return _kept(_reflection_all(part))


def _reflection_all(part: Part) -> Iterator[Figure]:
    best = _object(part, "best")
    yield _between("swr", "SWR at the best match", best, "swr")
    yield _between("return_loss", "return loss there", best, "return_loss", "dB")
    for row in _rows(part, "named"):
        yield _between("swr", f"SWR at {text(row, 'name', 40)}", row, "swr")
    yield _between("worst", "worst SWR", _object(part, "worst"), "swr")


def _between(key: str, label: str, row: Part, name: str, unit: str = "") -> Figure:
    """A figure whose interval is not even about it: U is the longer side. Without an upper end the
    lower one is all that is known."""
    suffix = f"_{unit.lower()}" if unit else ""
    value, low, high = (number(row, f"{name}{end}{suffix}") for end in ("", "_low", "_high"))
    at_hz = number(row, "frequency_hz")
    if low is None:
        return _figure(key, label, value, unit, at_hz=at_hz)
    if value is None or high is None:
        return _figure(key, label, low, unit, bound="at least", at_hz=at_hz)
    expanded = max(value - low, high - value)
    figure = _figure(key, label, value, unit, expanded=expanded, at_hz=at_hz)
    return figure | {"low": low, "high": high}


def _mark(
    at_hz: float | None,
    value: float | None,
    unit: str,
    label: str,
    expanded: float | None = None,
    bound: str | None = None,
) -> Iterator[dict[str, Any]]:
    if at_hz is not None:
        yield {
            "at_hz": at_hz,
            "value": value,
            "unit": unit,
            "label": label[:48],
            "expanded": expanded,
            "bound": bound,
        }


def _signals(part: Part) -> Iterator[dict[str, Any]]:
    for row in _rows(part, "signals"):
        level, unit = level_of(row, "peak")
        yield from _mark(number(row, "peak_hz"), level, unit, text(row, "channel", 40))


def _transmission_points(part: Part) -> Iterator[dict[str, Any]]:
    for figure in _transmission_all(part):
        yield from _mark(
            figure["at_hz"],
            figure["value"],
            figure["unit"],
            figure["label"],
            figure["expanded"],
            figure["bound"],
        )
    for band in (*_rows(part, "passbands"), *_rows(part, "notches")):
        for row in _rows(band, "edges"):
            below = number(row, "below_db")
            label = "edge" if below is None else f"{below:g} dB edge"
            for side in ("lower", "upper"):
                yield from _mark(number(row, f"{side}_hz"), below, "dB", label)


def _reflection_points(part: Part) -> Iterator[dict[str, Any]]:
    for label, row in (
        *(("dip", row) for row in _rows(part, "resonances")),
        *((text(row, "name", 40), row) for row in _rows(part, "named")),
    ):
        yield from _mark(number(row, "frequency_hz"), number(row, "return_loss_db"), "dB", label)


def _emission_points(part: Part) -> Iterator[dict[str, Any]]:
    main = _object(part, "fundamental")
    level = number(main, "level_dbm")
    yield from _mark(number(main, "frequency_hz"), level, "dBm", "fundamental")
    for row in _rows(part, "products"):
        yield from _mark(
            number(row, "frequency_hz"),
            number(row, "level_dbm"),
            "dBm",
            text(row, "name", 40),
            number(row, "expanded_db"),
            text(row, "bound", 8) or None,
        )
