"""What a transmission job's limits say of the figures of one pass."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from acqd.measure.losscurve import Role
from acqd.measure.transmission_settings import TransmissionSettings
from acqd.measure.verdict import Bound, Judgement, Side, Verdict, combine, judge
from acqd.measure.words import frequency_text, number_text, range_text

__all__ = ["Judged", "judged", "verdict_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One figure against its limit; ``figure`` is what it is, ``name`` a short name of it."""

    name: str
    figure: str
    judgement: Judgement


def judged(
    figures: Mapping[str, Any], settings: TransmissionSettings, *, spoilt: str | None = None
) -> tuple[Judged, ...]:
    """Every limit of the settings, judged with U; a figure that is not there cannot be told.

    ``spoilt`` is why nothing of the sweep counts; no limit is kept or passed then.
    """
    found = _judged(figures, settings)
    if spoilt is None:
        return found
    return tuple(
        replace(
            one,
            judgement=replace(one.judgement, verdict=Verdict.INCOMPLETE, text=spoilt),
        )
        for one in found
    )


def _judged(figures: Mapping[str, Any], settings: TransmissionSettings) -> tuple[Judged, ...]:
    return tuple(
        Judged(name=name, figure=figure, judgement=judgement)
        for name, figure, judgement in (
            *_named(figures, settings),
            *_stopbands(figures, settings),
            *_passband(figures, settings),
            *_pad(figures, settings),
        )
    )


Found = tuple[str, str, Judgement]


def _judge(
    value: float | None,
    expanded: float | None,
    limit: float,
    side: Side,
    settings: TransmissionSettings,
    *,
    at_least: bool = False,
) -> Judgement:
    bound: Bound | None = "at least" if at_least and value is not None else None
    return judge(
        value, limit=limit, expanded=expanded, side=side, guard=settings.guard, bound=bound
    )


def _named(figures: Mapping[str, Any], settings: TransmissionSettings) -> Iterator[Found]:
    for aim, one in zip(settings.named, figures["named"], strict=True):
        place = f"{aim.name} ({frequency_text(aim.frequency_hz)})"
        if aim.at_most_db is not None and aim.role is Role.PASS:
            found = _judge(
                one["loss_db"],
                one["loss_expanded_db"],
                aim.at_most_db,
                "below",
                settings,
                at_least=one["at_least"],
            )
            yield f"loss_{aim.name}", f"loss at {place}", found
        if aim.at_least_db is not None and aim.role is Role.STOP:
            found = _judge(
                one["rejection_db"],
                one["rejection_expanded_db"],
                aim.at_least_db,
                "above",
                settings,
                at_least=one["at_least"],
            )
            yield f"rejection_{aim.name}", f"rejection at {place}", found


def _stopbands(figures: Mapping[str, Any], settings: TransmissionSettings) -> Iterator[Found]:
    by_name = {one["name"]: one for one in figures["stopbands"]}
    for aim in settings.stopbands:
        if aim.at_least_db is None:
            continue
        one = by_name.get(aim.name, {})
        whole = (one.get("covered") or 0.0) > 1.0 - 1e-6
        found = _judge(
            one.get("rejection_db") if whole else None,
            one.get("rejection_expanded_db"),
            aim.at_least_db,
            "above",
            settings,
            at_least=bool(one.get("at_least")),
        )
        place = range_text(aim.start_hz, aim.stop_hz)
        yield f"rejection_{aim.name}", f"rejection in {aim.name} ({place})", found


def _passband(figures: Mapping[str, Any], settings: TransmissionSettings) -> Iterator[Found]:
    aim, one = settings.passband, figures["passband"] or {}
    if aim is None:
        return
    place = range_text(aim.start_hz, aim.stop_hz)
    whole = (one.get("covered") or 0.0) > 1.0 - 1e-6
    limits = (
        ("largest_loss", "largest loss in the passband", aim.loss_at_most_db),
        ("ripple", "ripple of the passband", aim.ripple_at_most_db),
    )
    for name, what, limit in limits:
        if limit is None:
            continue
        found = _judge(
            one.get(f"{name}_db") if whole else None,
            one.get(f"{name}_expanded_db"),
            limit,
            "below",
            settings,
            at_least=bool(one.get("at_least")),
        )
        yield name, f"{what} ({place})", found


def _pad(figures: Mapping[str, Any], settings: TransmissionSettings) -> Iterator[Found]:
    aim, one = settings.pad, figures["pad"] or {}
    if aim is None:
        return
    at_least = bool(one.get("at_least"))
    whole = (one.get("covered") or 0.0) > 1.0 - 1e-6
    if aim.within_db is not None:
        away = one.get("deviation_db") if whole else None
        # Of a pad whose value is a lower limit only a deviation upwards can be told.
        known = away is not None and (not at_least or away > 0.0)
        found = _judge(
            abs(away) if away is not None and known else None,
            one.get("value_expanded_db"),
            aim.within_db,
            "below",
            settings,
            at_least=at_least,
        )
        nominal = number_text(aim.value_db, 1)
        yield "deviation", f"deviation of the pad from {nominal} dB", found
    if aim.flatness_at_most_db is not None:
        found = _judge(
            one.get("flatness_db") if whole else None,
            one.get("flatness_expanded_db"),
            aim.flatness_at_most_db,
            "below",
            settings,
            at_least=at_least,
        )
        yield "flatness", "flatness of the pad", found


def verdict_text(found: tuple[Judged, ...]) -> tuple[Verdict, str]:
    """One verdict for all, and a sentence that names what decides it."""
    whole = combine(one.judgement for one in found)
    deciding = [one for one in found if one.judgement.verdict is whole]
    if whole is Verdict.PASS:
        count = "the limit is" if len(found) == 1 else f"all {len(found)} limits are"
        closest = min(found, key=lambda one: one.judgement.margin or 0.0)
        return whole, f"{count} met, closest {closest.figure}: {closest.judgement.text}"
    first = deciding[0]
    more = f", and {len(deciding) - 1} more" if len(deciding) > 1 else ""
    return whole, f"{first.figure}: {first.judgement.text}{more}"
