"""Which findings are numbered on the sheet: all, or of many those that tell most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from acqd.report.shapes import FindingShown

__all__ = ["PLACES_MOST", "placed"]

PLACES_MOST = 16
"""Numbers that the sheet has room for."""

LIKE_HZ = 25e3
"""Signals outside the plan that lie about so close are taken for one place here."""

SAME_MOST = 3
"""Of one place at most so many signals are numbered: a busy channel would fill the sheet alone."""

LOOKED = "looked_closer"

ORDINARY = ("signal_appeared", "signal_ended", "signals_appeared", "signals_ended")
"""What any night has many of."""


def placed(
    findings: Sequence[FindingShown], most: int = PLACES_MOST, *, first: int | None = None
) -> tuple[FindingShown, ...]:
    """The findings, in order of time, with places from 1 for at most ``most`` of them.

    Before all comes the one with number ``first``; then those that are no signal coming or going;
    then of signals the strongest of each channel, those outside the plan before; then the second
    strongest of each, and a third one. A signal that came up and ended has its place where it
    ended, which tells both. A closer look has none, and follows the finding that asked for it.
    """
    at = {one.number: one.at_s for one in findings}
    ordered = sorted(findings, key=lambda one: _order(one, at))
    ended = {_since(one) for one in ordered if one.what == "signal_ended"}
    before: dict[object, int] = {}
    ranks: dict[int, tuple[int, int, int, float]] = {}
    for one in sorted(ordered, key=lambda one: -_peak(one)):
        channel = one.figures.get("channel")
        if one.number == first:
            ranks[id(one)] = -2, 0, 0, 0.0
        elif one.what == LOOKED:
            continue
        elif one.what not in ORDINARY:
            ranks[id(one)] = -1, 0, 0, 0.0
        elif one.what != "signal_appeared" or _since(one) not in ended:
            place = channel or round((one.frequency_hz or 0.0) / LIKE_HZ)
            nth = before[place] = before.get(place, -1) + 1
            if nth < SAME_MOST:
                ranks[id(one)] = 0, nth, 1 if channel else 0, -_peak(one)
    chosen = sorted((one for one in ordered if id(one) in ranks), key=lambda one: ranks[id(one)])
    chosen = chosen[:most]
    numbers = {(one.job, one.number) for one in chosen}
    place = 0
    found = []
    for one in ordered:
        if (one.job, one.number) in numbers:
            place += 1
            found.append(replace(one, place=place))
        else:
            found.append(one)
    return tuple(found)


def _order(one: FindingShown, at: Mapping[int, float]) -> tuple[float, int, int]:
    asked_by = one.figures.get("finding") if one.what == LOOKED else None
    if isinstance(asked_by, int) and asked_by in at:
        return at[asked_by], asked_by, one.number
    return one.at_s, one.number, 0


def _since(one: FindingShown) -> tuple[object, object]:
    return one.figures.get("since_s"), one.figures.get("channel")


def _peak(one: FindingShown) -> float:
    peaks = [value for name, value in one.figures.items() if name.startswith("peak_d")]
    return float(peaks[0]) if peaks and isinstance(peaks[0], int | float) else float("-inf")
