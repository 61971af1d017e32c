"""What the sweeps of one closer look show: pure functions from levels to figures and a sentence.

The sweeps of a look are averaged in power before a line is sought in them, so that a peak is not
the luckiest of several. A signal that was gone by then leaves "nothing stood out", which is a
result: what was seen did not last until the look.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandwidth import occupied_bandwidth, x_db_bandwidth
from acqd.measure.bursts import Bursts, find_bursts
from acqd.measure.carrier_look import (
    CarrierLook,
    CarrierSettings,
    averages_of,
    look_for_carrier,
    noise_spread,
)
from acqd.measure.carrier_summary import expanded
from acqd.measure.closerlook_settings import Follows, LookSettings
from acqd.measure.floor import floor_flat
from acqd.measure.linearity import Origin, OverloadTest, overload_test
from acqd.measure.meter import Figure, SetupChanged
from acqd.measure.peaks import Bound
from acqd.measure.report import rounded
from acqd.measure.statistics import DB_PER_NEPER, threshold_over_mean_db
from acqd.measure.widths import Bandwidth
from acqd.measure.words import (
    duration_text,
    frequency_text,
    level_text,
    number_text,
    unit_suffix,
)
from acqd.units import db_from_ratio, ratio_from_db

__all__ = ["Shown", "attenuation_shown", "line_shown", "time_shown"]

Float = NDArray[np.float64]

OVER_FLOOR_DB = 6.0
"""A line that stands less above the floor of the averaged trace is not told of as one."""

NOISE_ALARM = 0.001
"""Probability that the highest point of mere noise passes for a line, of a whole look."""

X_DB = 26.0
SHARE = 0.99

APART_DB = 6.0
"""Levels of a frequency over time that lie less apart show neither on nor off, but one state."""

GONE_DB = 6.0
"""One state is off where it lies so far below the level that the finding had."""

SCATTER_DB = 3.0
"""Sweeps under the same settings that differ by more show a signal that came and went."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What a look shows, as figures and as the end of a sentence."""

    text: str
    figures: dict[str, Figure]


def _mean(levels: Sequence[Float]) -> Float:
    """Mean power of sweeps on one grid, in dB; NaN where any has no level."""
    if len(levels) == 1:
        return np.asarray(levels[0], dtype=np.float64)
    stack = np.stack(levels)
    top = np.max(stack, axis=0)
    return np.asarray(top + db_from_ratio(np.mean(ratio_from_db(stack - top), axis=0)))


def _averages(setup: SetupChanged, levels: Sequence[Float]) -> float:
    """N of the noise in the mean of these sweeps."""
    return averages_of(setup, noise_spread(levels[0], setup.resolution)) * len(levels)


# -- zoom and finer RBW ------------------------------------------------------------------------


def line_shown(
    look: LookSettings,
    follows: Follows,
    setup: SetupChanged,
    levels: Sequence[Float],
    *,
    started_s: float,
    took_s: float,
) -> Shown:
    """The strongest line of the range, or of where the finding was: place, level, widths.

    Args:
        levels: (points,) each, in dB of the setup's unit, one at least.
    """
    mean, averages = _mean(levels), _averages(setup, levels)
    noise_db = threshold_over_mean_db(NOISE_ALARM / setup.grid.points, averages)
    settings = CarrierSettings(
        expected_hz=follows.at_hz,
        window_hz=_window_hz(follows, setup),
        least_over_floor_db=round(max(OVER_FLOOR_DB, noise_db), 1),
        plane=look.plane,
    )
    found = look_for_carrier(
        settings, setup, mean, averages=averages, started_s=started_s, took_s=took_s
    )
    suffix = unit_suffix(setup.unit)
    figures: dict[str, Figure] = {
        f"floor_{suffix}": rounded(found.floor, 2),
        "averages": rounded(averages, 2),
    }
    if found.heard is None:
        figures[f"strongest_{suffix}"] = rounded(found.strongest, 3)
        return Shown(text=f"nothing stands out there now: {found.reason}", figures=figures)
    widths = _widths(setup, mean, found, averages)
    is_line = not widths or widths[-1][1].below_rbw
    text, line = _line(look, setup, found, suffix, is_line=is_line)
    figures |= line
    power = widths[0][1].power if widths else None
    if power is not None and math.isfinite(power):
        figures[f"power_{suffix}"] = rounded(power, 3)
        text += "" if is_line else f"; {level_text(power, setup.unit)} in all"
    for name, width in widths:
        words, told = _width(name, width)
        text += words
        figures |= told
    return Shown(text=text, figures=figures)


def _window_hz(follows: Follows, setup: SetupChanged) -> float | None:
    """How far from its frequency the finding's line is sought; in a span made for it, anywhere."""
    grid = setup.grid.frequency_hz
    span_hz = float(grid[-1] - grid[0])
    if follows.at_hz is None or not grid[0] <= follows.at_hz <= grid[-1]:
        return None
    return span_hz / 2.0


def _line(
    look: LookSettings, setup: SetupChanged, found: CarrierLook, suffix: str, *, is_line: bool
) -> tuple[str, dict[str, Figure]]:
    """A lone line has a place; of a modulated signal the highest point says little of its own."""
    heard = found.heard
    assert heard is not None
    off_hz, off_db = expanded(heard.frequency), expanded(heard.level)
    place = frequency_text(heard.peak.frequency_hz, resolution_hz=10.0)
    place += "" if math.isnan(off_hz) else f" ± {number_text(off_hz, 0)} Hz"
    level = level_text(heard.peak.level_db, setup.unit)
    level += "" if math.isnan(off_db) else f" ± {number_text(off_db, 1)} dB"
    text = (
        f"{'a lone carrier' if is_line else 'strongest'} at {place}, {level} at {look.plane}, "
        f"{number_text(heard.over_floor_db, 1)} dB above the floor"
    )
    return text, {
        "peak_hz": rounded(heard.peak.frequency_hz, 3),
        "peak_expanded_hz": rounded(off_hz, 3),
        f"peak_{suffix}": rounded(heard.peak.level_db, 3),
        "peak_expanded_db": rounded(off_db, 3),
        "over_floor_db": rounded(heard.over_floor_db, 2),
    }


def _widths(
    setup: SetupChanged, mean: Float, found: CarrierLook, averages: float
) -> list[tuple[str, Bandwidth]]:
    if setup.grid.points < 3:
        return []
    grid = setup.grid.frequency_hz
    occupied = occupied_bandwidth(
        grid, mean, rbw_hz=setup.rbw_hz, share=SHARE, floor_dbm=found.floor, averages=averages
    )
    x_db = x_db_bandwidth(
        grid, mean, rbw_hz=setup.rbw_hz, x_db=X_DB, floor_dbm=found.floor, averages=averages
    )
    return [("occupied", occupied), ("x26", x_db)]


def _width(name: str, width: Bandwidth) -> tuple[str, dict[str, Figure]]:
    figures: dict[str, Figure] = {
        f"{name}_hz": rounded(width.width_hz, 1),
        f"{name}_u_hz": rounded(width.u_hz, 1),
        f"{name}_bound": width.bound.value,
        f"{name}_reason": width.reason,
    }
    if width.width_hz is None:
        return "", figures
    most = {Bound.AT_MOST: "at most ", Bound.AT_LEAST: "at least "}.get(width.bound, "")
    what = "99 % of the power in" if name == "occupied" else f"{X_DB:g} dB down in"
    return f"; {what} {most}{_hz(width.width_hz)}", figures


def _hz(width_hz: float) -> str:
    if width_hz >= 1e6:
        return f"{number_text(width_hz / 1e6, 2)} MHz"
    return f"{number_text(width_hz / 1e3, 2)} kHz" if width_hz >= 1e3 else f"{width_hz:.0f} Hz"


# -- more attenuation --------------------------------------------------------------------------


def attenuation_shown(
    follows: Follows,
    setup: SetupChanged,
    first: Sequence[Float],
    second: Sequence[Float],
    *,
    added_db: float,
) -> Shown:
    """Whether levels moved with ``added_db`` more attenuation, at the finding's frequency or, of a
    finding without one, those of the floor.

    What comes from outside stays where it was. What the sweeper makes itself falls by the order of
    the product less one times what was added, and its own noise rises by what was added
    (:func:`~acqd.measure.linearity.overload_test`).
    """
    averages = _averages(setup, first)
    floors = [floor_flat(_mean(levels), averages=averages).level for levels in (first, second)]
    suffix = unit_suffix(setup.unit)
    figures: dict[str, Figure] = {
        "added_db": added_db,
        f"floor_{suffix}": rounded(floors[0], 2),
        f"floor_again_{suffix}": rounded(floors[1], 2),
    }
    if follows.at_hz is None:
        return _floor_shown(figures, floors, added_db)
    before, after = (_tops(setup, levels, follows.at_hz) for levels in (first, second))
    if not before or not after:
        return Shown(text="the finding's frequency has no level there", figures=figures)
    scatter_db = max(max(before) - min(before), max(after) - min(after))
    one, other = _power_mean(before), _power_mean(after)
    figures |= {
        "peak_hz": rounded(follows.at_hz, 1),
        f"peak_{suffix}": rounded(one, 3),
        f"peak_again_{suffix}": rounded(other, 3),
        "scatter_db": rounded(scatter_db, 2),
    }
    if scatter_db > SCATTER_DB:
        figures["origin"] = str(Origin.CANNOT_TELL)
        text = (
            "whether it is made inside cannot be told: under the same settings it moved by "
            f"{number_text(scatter_db, 1)} dB"
        )
        return Shown(text=text, figures=figures)
    test = overload_test(
        one,
        other,
        added_db,
        u_first_db=_scatter_db(one - floors[0], averages),
        u_second_db=_scatter_db(other - floors[1], averages),
        first_floor_dbm=floors[0],
        second_floor_dbm=floors[1],
    )
    figures |= {"fall_db": rounded(test.fall_db, 3), "origin": str(test.origin)}
    figures["order"] = test.order
    return Shown(text=_origin_text(test, added_db), figures=figures)


def _tops(setup: SetupChanged, levels: Sequence[Float], at_hz: float) -> list[float]:
    """The highest level near a frequency, of each sweep that has one."""
    grid = setup.grid.frequency_hz
    step_hz = float(grid[-1] - grid[0]) / max(1, grid.size - 1)
    near = np.abs(grid - at_hz) <= max(1.5 * step_hz, setup.rbw_hz or 0.0)
    found = [level[near & np.isfinite(level)] for level in levels]
    return [float(one.max()) for one in found if one.size]


def _power_mean(levels: Sequence[float]) -> float:
    return float(db_from_ratio(np.mean(ratio_from_db(np.asarray(levels)))))


def _scatter_db(over_db: float, averages: float) -> float:
    """Of a steady carrier's reading in noise, over its power: √((2s + 1)/N)/(s + 1)."""
    s = max(0.0, float(ratio_from_db(over_db)) - 1.0)
    return DB_PER_NEPER * math.sqrt((2.0 * s + 1.0) / averages) / (s + 1.0)


def _origin_text(test: OverloadTest, added_db: float) -> str:
    way = "fell" if test.fall_db > 0 else "rose"
    moved = f"{number_text(abs(test.fall_db), 1)} dB with {added_db:g} dB more attenuation"
    said = {
        Origin.REAL: "it comes from outside",
        Origin.INSIDE: "it is made inside the sweeper",
        Origin.MIXED: "part of it may be made inside the sweeper",
        Origin.FLOOR: "what is there is the sweeper's own noise",
        Origin.CANNOT_TELL: "whether it is made inside cannot be told",
    }[test.origin]
    if test.origin is Origin.REAL:
        return f"{said}: it changed by {moved}"
    return f"{said}: it {way} by {moved} ({test.reason})"


def _floor_shown(figures: dict[str, Figure], floors: Sequence[float], added_db: float) -> Shown:
    """Whose the floor is: the sweeper's own rises by all that is added."""
    rise_db = floors[1] - floors[0]
    if not math.isfinite(rise_db):
        return Shown(text="there is no floor to compare", figures=figures)
    figures["rise_db"] = rounded(rise_db, 3)
    share = rise_db / added_db
    if share > 0.8:
        said, origin = "the floor is the sweeper's own noise", Origin.FLOOR
    elif share < 0.2:
        said, origin = "the floor is noise from outside", Origin.REAL
    else:
        said, origin = "the floor is noise from outside and the sweeper's own", Origin.MIXED
    figures["origin"] = str(origin)
    way = "rose" if rise_db >= 0 else "fell"
    moved = f"{number_text(abs(rise_db), 1)} dB with {added_db:g} dB more attenuation"
    return Shown(text=f"{said}: it {way} by {moved}", figures=figures)


# -- zero span ---------------------------------------------------------------------------------


def time_shown(
    follows: Follows, setup: SetupChanged, levels: Sequence[Float], took_s: Sequence[float]
) -> Shown:
    """When a frequency was on while it was looked at: duty, longest, how often it went on and off.

    The threshold lies halfway between what is low and what is high; where they lie less than 6 dB
    apart there is one state, on where it comes near the level that the finding had. Points are as
    far apart as the sweep took over their number, which an instrument's own dead time makes longer.
    """
    known = np.concatenate([level[np.isfinite(level)] for level in levels])
    suffix = unit_suffix(setup.unit)
    figures: dict[str, Figure] = {
        "frequency_hz": float(setup.grid.frequency_hz[0]),
        "watched_s": rounded(sum(took_s), 4),
    }
    if not known.size:
        return Shown(text="there is no level at that frequency", figures=figures)
    low, high = (float(one) for one in np.quantile(known, (0.05, 0.95)))
    # Bursts of less than a twentieth of the time must show as well.
    top = float(known.max())
    high = max(high, top) if top - low >= APART_DB + 2.0 * (high - low) else high
    figures |= {f"low_{suffix}": rounded(low, 2), f"high_{suffix}": rounded(high, 2)}
    if high - low < APART_DB:
        return _one_state(follows, setup, figures, float(np.median(known)))
    threshold = (low + high) / 2.0
    found = [
        find_bursts(
            level,
            step_s=took / max(1, level.size),
            threshold=threshold,
            closing=threshold - 1.0,
            rbw_hz=setup.rbw_hz,
        )
        for level, took in zip(levels, took_s, strict=True)
        if took > 0
    ]
    return _bursts(figures, found, f"threshold_{suffix}", threshold)


def _one_state(
    follows: Follows, setup: SetupChanged, figures: dict[str, Figure], level: float
) -> Shown:
    is_on = None if follows.level is None else level >= follows.level - GONE_DB
    figures["duty"] = None if is_on is None else float(is_on)
    state = {None: "one state", True: "on", False: "off"}[is_on]
    text = f"{state} all the time that it was looked at, {level_text(level, setup.unit)}"
    return Shown(text=text, figures=figures)


def _bursts(
    figures: dict[str, Figure], found: Sequence[Bursts], name: str, threshold: float
) -> Shown:
    bursts = [burst for one in found for burst in one.bursts]
    watched_s = sum(one.length_s for one in found)
    on_s = sum(one.duty * one.length_s for one in found)
    edges = sum((not one.cut_at_start) + (not one.cut_at_end) for one in bursts)
    longest = max(bursts, key=lambda one: one.length_s, default=None)
    figures |= {
        name: rounded(threshold, 2),
        "duty": rounded(on_s / watched_s if watched_s else None, 4),
        "bursts": len(bursts),
        "edges": edges,
        "longest_s": None if longest is None else rounded(longest.length_s, 5),
        "longest_is_whole": None if longest is None else longest.is_whole,
        "resolution_s": rounded(max((one.step_s for one in found), default=None), 6),
        "shortest_told_s": rounded(max((one.shortest_s for one in found), default=None), 6),
    }
    if longest is None or not watched_s:
        return Shown(text="nothing came on while it was looked at", figures=figures)
    least = "" if longest.is_whole else "at least "
    text = (
        f"on for {100 * on_s / watched_s:.0f} % of {duration_text(watched_s)}, the longest time "
        f"{least}{_seconds(longest.length_s)}; it came on or went off {edges} times"
    )
    return Shown(text=text, figures=figures)


def _seconds(length_s: float) -> str:
    return duration_text(length_s) if length_s >= 1.0 else f"{number_text(1e3 * length_s, 1)} ms"
