"""Which findings are numbered on the sheet: all, or of many those that tell most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from acqd.report.shapes import FindingShown

__all__ = ["PLACES_MOST", "placed"]

PLACES_MOST = 16
"""Numbers that the sheet has room for."""

ORDINARY = ("signal_appeared", "signal_ended", "signals_appeared", "signals_ended")
"""What any night has many of."""


def placed(findings: Sequence[FindingShown], most: int = PLACES_MOST) -> tuple[FindingShown, ...]:
    """The findings, in order of time, with places from 1 for at most ``most`` of them.

    First come those that are no signal coming or going, then signals outside the channel plan, then
    the strongest. A signal that came up and ended has its place where it ended, which tells both.
    """
    ordered = sorted(findings, key=lambda one: (one.at_s, one.number))
    ended = {_since(one) for one in ordered if one.what == "signal_ended"}

    def rank(one: FindingShown) -> tuple[int, float]:
        if one.what not in ORDINARY:
            return 0, 0.0
        if one.what == "signal_appeared" and _since(one) in ended:
            return 3, -_peak(one)
        return (2 if one.figures.get("channel") else 1), -_peak(one)

    chosen = sorted(ordered, key=rank)[:most]
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


def _since(one: FindingShown) -> tuple[object, object]:
    return one.figures.get("since_s"), one.figures.get("channel")


def _peak(one: FindingShown) -> float:
    peaks = [value for name, value in one.figures.items() if name.startswith("peak_d")]
    return float(peaks[0]) if peaks and isinstance(peaks[0], int | float) else float("-inf")
