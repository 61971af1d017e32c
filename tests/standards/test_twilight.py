"""Civil dusk and dawn against another library's sun, and against an almanac's figures."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from acqd.plan.schedule import DuskToDawn, Schedule

PLACES = [
    pytest.param((50.1, -5.7), id="50N"),
    pytest.param((-36.8, 174.8), id="37S-175E"),
    pytest.param((64.1, -21.9), id="64N"),
    pytest.param((1.3, 103.8), id="equator"),
]


def night_of(position: tuple[float, float], moment: datetime) -> tuple[float, float]:
    schedule = Schedule(every_s=60.0, windows=(DuskToDawn(),), position=position)
    noon_s = moment.timestamp() - 240.0 * position[1]  # noon by the mean sun of the place
    dusk_s = schedule.next_open(noon_s)
    assert dusk_s is not None
    dawn_s = schedule.open_until(dusk_s)
    assert dawn_s is not None
    return dusk_s, dawn_s


@pytest.mark.source("astropy's ephemeris", "compared")
@pytest.mark.slow
@pytest.mark.parametrize("position", PLACES)
def test_sun_stands_six_degrees_under_at_dusk_and_dawn(position: tuple[float, float]) -> None:
    """By astropy's ephemeris, within 0.05° (12 s to half a minute of time at these places)."""
    from astropy import units
    from astropy.coordinates import AltAz, EarthLocation, get_sun
    from astropy.time import Time
    from astropy.utils import iers

    place = EarthLocation(lat=position[0] * units.deg, lon=position[1] * units.deg)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        for month in (1, 4, 9, 11):
            for edge_s in night_of(position, datetime(2024, month, 15, 12, tzinfo=UTC)):
                moment = Time(edge_s, format="unix")
                # Without pressure astropy reckons no refraction, as the definition asks.
                frame = AltAz(obstime=moment, location=place, pressure=0 * units.hPa)
                altitude_deg = get_sun(moment).transform_to(frame).alt.deg
                assert altitude_deg == pytest.approx(-6.0, abs=0.05)


@pytest.mark.source("almanac of Greenwich", "from memory")
@pytest.mark.parametrize(
    ("day", "dusk", "dawn"),
    [
        pytest.param("2024-03-20", "18:47", "05:29", id="equinox"),
        pytest.param("2024-12-21", "16:33", "07:24", id="winter"),
    ],
)
def test_greenwich_twilight_is_the_almanacs(day: str, dusk: str, dawn: str) -> None:
    """Civil twilight at Greenwich as printed tables give it (from memory), within 3 minutes."""
    dusk_s, dawn_s = night_of((51.48, 0.0), datetime.fromisoformat(f"{day} 12:00+00:00"))
    for edge_s, printed in ((dusk_s, dusk), (dawn_s, dawn)):
        moment = datetime.fromtimestamp(edge_s, UTC)
        hour, minute = map(int, printed.split(":"))
        assert abs(moment.hour * 60 + moment.minute - hour * 60 - minute) <= 3
