"""When it is dark: civil dusk to civil dawn for a position.

Dark is when the centre of the sun is 6° or more below the horizon, without refraction (civil
twilight as the nautical almanacs define it). The sun's elevation comes from astral; the crossing
is found by halving, to the second, between solar noon and solar midnight. So there is no date line
to trip over, and the polar days and nights need no special case:

* where the sun does not sink to −6° there is no dark time that night;
* where it does not rise to −6° it is dark from one solar noon to the next, without a break.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache

from acqd.plan.walltime import DAY_S

__all__ = ["CIVIL_DEPRESSION_DEG", "dark_s", "night_number"]

CIVIL_DEPRESSION_DEG = 6.0
NEAR_POLE_DEG = 89.8
"""astral reckons no nearer to a pole; 0.2° are 22 km."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def night_number(longitude_deg: float, local_noon_s: float) -> int:
    """The night that begins at the solar noon nearest to noon on the wall (UTC seconds)."""
    return round((local_noon_s - DAY_S / 2 + 240.0 * longitude_deg) / DAY_S)


@lru_cache(maxsize=8192)
def dark_s(latitude_deg: float, longitude_deg: float, night: int) -> tuple[int, int] | None:
    """Dusk and dawn of a night in whole UTC seconds, or None where it does not get dark."""
    noon_s, next_noon_s = (
        _solar_noon_s(longitude_deg, night),
        _solar_noon_s(longitude_deg, night + 1),
    )
    midnight_s = (noon_s + next_noon_s) // 2
    place = (latitude_deg, longitude_deg)
    if not _is_dark(place, midnight_s):
        return None
    dusk_s = noon_s if _is_dark(place, noon_s) else _turn_s(place, noon_s, midnight_s)
    # Where it stays dark there is no turn to find, and the search ends at the next noon.
    return dusk_s, _turn_s(place, midnight_s, next_noon_s)


def _turn_s(place: tuple[float, float], low_s: int, high_s: int) -> int:
    """The second in (low, high] at which light turns to dark or dark to light; else ``high_s``."""
    dark_at_first = _is_dark(place, low_s)
    while high_s - low_s > 1:
        middle_s = (low_s + high_s) // 2
        if _is_dark(place, middle_s) == dark_at_first:
            low_s = middle_s
        else:
            high_s = middle_s
    return high_s


def _is_dark(place: tuple[float, float], utc_s: int) -> bool:
    from astral import Observer
    from astral.sun import elevation

    latitude_deg = max(-NEAR_POLE_DEG, min(NEAR_POLE_DEG, place[0]))
    moment = EPOCH + timedelta(seconds=utc_s)
    observer = Observer(latitude_deg, place[1], 0.0)
    return elevation(observer, moment, with_refraction=False) <= -CIVIL_DEPRESSION_DEG


def _solar_noon_s(longitude_deg: float, night: int) -> int:
    """Solar noon of a day counted from 1970-01-01, at a longitude; UTC seconds."""
    from astral.julian import julianday, julianday_to_juliancentury
    from astral.sun import eq_of_time

    mean_s = night * DAY_S + DAY_S / 2 - 240.0 * longitude_deg
    century = julianday_to_juliancentury(julianday(EPOCH + timedelta(seconds=round(mean_s))))
    return round(mean_s - 60.0 * eq_of_time(century))
