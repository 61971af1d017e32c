"""Times of the clock: what happens at an hour of every day, over midnight, or once."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from acqd_sim.emissions import Warming
from acqd_sim.hours import Zone
from acqd_sim.keying import Bursts, Keying
from acqd_sim.receiver import Receiver
from acqd_sim.scene import Scene
from acqd_sim.scenefile import World, world_from_text
from acqd_sim.server import Served, SimServer
from acqd_sim.spells import Daily, Fixed, Spells, Within

from acqd.errors import ConfigError
from acqd.sweep import SweepRequest

LONDON = Zone("Europe/London")
DAY_S = 86_400.0
HEAD = 'seed = 1\ntime_zone = "Europe/London"\n[instrument.one]\nscene = "air"\n[scene.air]\n'


def at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def night(start_h: float, stop_h: float, **more: Any) -> Spells:
    spell = Daily(start_s=start_h * 3600.0, stop_s=stop_h * 3600.0)
    return Spells(daily=(spell,), zone=LONDON, **more)


def is_on(keying: Keying, text: str) -> bool:
    return bool(keying.gain(np.array([at(text)]))[0])


def test_a_spell_over_midnight_is_on_every_night() -> None:
    spells = night(22.0, 6.0)
    for day in ("2026-01-10", "2026-07-10"):
        offset = "+00:00" if day < "2026-04" else "+01:00"
        for hour, on in {"05:59:59": True, "06:00": False, "21:59": False, "22:00": True}.items():
            assert is_on(spells, f"{day}T{hour}{offset}") is on


def test_the_clock_that_is_put_on_or_back_makes_the_night_shorter_or_longer() -> None:
    """29 March and 25 October 2026 in London: 22:00 to 06:00 is 7 and 9 hours then, else 8."""
    spells = night(22.0, 6.0)
    lengths = {}
    for day in ("2026-03-28", "2026-03-29", "2026-10-24", "2026-10-25"):
        (on,) = spells.intervals(at(f"{day}T18:00Z"), at(f"{day}T18:00Z") + 16 * 3600.0)
        lengths[day] = (on.stop_s - on.start_s) / 3600.0
    assert list(lengths.values()) == [7.0, 8.0, 9.0, 8.0]
    assert spells.longest_s >= 9.0 * 3600.0


def test_an_hour_that_is_left_out_or_comes_twice() -> None:
    """01:30 in London on the nights when the clock changes."""
    once = Spells(daily=(Daily(start_s=5400.0, lasts_s=60.0),), zone=LONDON)
    (spring,) = once.intervals(at("2026-03-29T00:00Z"), at("2026-03-29T12:00Z"))
    assert spring.start_s == at("2026-03-29T02:30+01:00")
    (autumn,) = once.intervals(at("2026-10-25T00:00Z"), at("2026-10-25T12:00Z"))
    assert autumn.start_s == at("2026-10-25T01:30+01:00")


def test_hours_of_the_zone_are_those_of_its_clock() -> None:
    """Against the standard library, over the change of a clock, in one question."""
    at_s = at("2026-10-24T20:00Z") + np.arange(0.0, 12 * 3600.0, 1000.0)
    for name in ("Europe/London", "Asia/Kathmandu", "UTC"):
        clocks = [datetime.fromtimestamp(one, ZoneInfo(name)) for one in at_s]
        expected = [one.hour + one.minute / 60 + one.second / 3600 for one in clocks]
        assert Zone(name).hour(at_s) == pytest.approx(expected)
    kathmandu = Zone("Asia/Kathmandu")
    assert kathmandu.hour(np.array([at("2026-06-01T00:00Z")]))[0] == 5.75
    assert LONDON.hour(at_s[[0, -1]]) == pytest.approx([21.0, 7.0 + 56.0 / 60.0 + 40.0 / 3600.0])


KEYINGS: dict[str, Keying] = {
    "night": night(22.0, 6.0, key=3, spread_db=2.0),
    "events": Spells(
        daily=tuple(Daily(start_s=s, lasts_s=40.0) for s in (100.0, 120.0, 70_000.0)), zone=LONDON
    ),
    "once": Spells(fixed=(Fixed(start_s=at("2026-06-14T21:52Z"), stop_s=np.inf),)),
    "within": Within(
        inner=Bursts(key=11, mean_on_s=50.0, mean_off_s=200.0, spread_db=4.0),
        spells=night(22.0, 6.0),
    ),
}


@pytest.mark.parametrize("keying", KEYINGS.values(), ids=KEYINGS)
def test_gain_agrees_with_the_intervals_and_with_itself(keying: Keying) -> None:
    """On exactly where the list says so, and as strong; one by one or all at once."""
    start_s = at("2026-06-14T08:00Z")
    at_s = start_s + np.linspace(0.013, 2 * DAY_S, 12_001)
    listed = np.zeros_like(at_s)
    found = keying.intervals(start_s, start_s + 3 * DAY_S)
    for on in found:
        inside = (at_s >= on.start_s) & (at_s < on.stop_s)
        listed[inside] = 10.0 ** (on.gain_db / 10.0)
    assert found
    assert keying.gain(at_s) == pytest.approx(listed, rel=1e-9)
    picked = slice(0, None, 97)
    alone = [keying.gain(at_s[i : i + 1])[0] for i in range(at_s.size)[picked]]
    assert np.array_equal(keying.gain(at_s)[picked], alone)
    on_s = at_s[listed > 0]
    assert (keying.since(on_s) <= keying.longest_s).all()


def test_events_that_touch_are_one() -> None:
    found = KEYINGS["events"].intervals(at("2026-06-14T00:00+01:00"), at("2026-06-14T01:00+01:00"))
    assert [on.stop_s - on.start_s for on in found] == [60.0]


def test_a_burst_that_a_spell_cuts_counts_from_the_cut() -> None:
    within = KEYINGS["within"]
    start_s = at("2026-06-14T22:00+01:00")
    assert isinstance(within, Within)
    days = start_s + DAY_S * np.arange(100)
    cut = [s for s in days if within.inner.gain(np.array([s]))[0] > 0]
    assert cut
    assert within.since(np.array(cut) + 0.5) == pytest.approx(0.5)


def scene(body: str) -> Scene:
    return world_from_text(HEAD + body).scenes["air"]


def test_a_scene_says_its_times_in_several_ways() -> None:
    """Hours with and without seconds, a moment with and without an offset, TOML's own."""
    for said in ('"22:52"', '"22:52:00"', "22:52:00", '["22:52", "23:00"]'):
        body = "[[scene.air.voice]]\nname = 'v'\nfrequency = '156.8 MHz'\npower = '-70 dBm'\n"
        truth = scene(f"{body}at = {said}\nfor = '14 s'\n").truth(
            at("2026-06-14T12:00Z"), at("2026-06-15T12:00Z")
        )
        assert truth[0].start_s == at("2026-06-14T22:52+01:00")
        assert truth[0].stop_s - truth[0].start_s == 14.0
    for said in ('"2026-06-14T22:52:10"', '"2026-06-14T21:52:10Z"', "2026-06-14T22:52:10"):
        body = "[[scene.air.carrier]]\nname = 'c'\nfrequency = '158 MHz'\npower = '-90 dBm'\n"
        truth = scene(f"{body}from = {said}\n").truth(
            at("2026-06-14T12:00Z"), at("2026-06-20T12:00Z")
        )
        assert [one.start_s for one in truth] == [at("2026-06-14T22:52:10+01:00")]
        assert truth[0].stop_s == at("2026-06-20T12:00Z")


def test_a_carrier_creeps_and_warms_from_when_it_went_on() -> None:
    tone = scene(
        "[[scene.air.carrier]]\nname = 'c'\nfrequency = '158.4 MHz'\npower = '-90 dBm'\n"
        "from = '20:00'\nuntil = '08:00'\ncreep = '3 kHz'\ncreep_down = true\n"
        "warm = { shift = '12 kHz', time = '25 min' }\n"
    ).tones[0]
    hours = np.array([0.0, 1.0, 10.0])
    expected = 158.4e6 - 3e3 * hours + 12e3 * (1.0 - np.exp(-hours * 60.0 / 25.0))
    for evening in ("2026-06-14T20:00+01:00", "2026-12-14T20:00Z"):
        assert tone.carrier_hz(at(evening) + 3600.0 * hours) == pytest.approx(expected, abs=1e-3)
        assert (abs(expected - 158.4e6) <= tone.reach_hz).all()
    assert isinstance(tone.warming, Warming)


def test_a_receiver_finds_a_carrier_that_crept_away(receiver_of: Any) -> None:
    """The line is drawn where the creep took it, 30 kHz from where it began."""
    air = scene(
        "[[scene.air.carrier]]\nname = 'c'\nfrequency = '158.4 MHz'\npower = '-60 dBm'\n"
        "from = '20:00'\nuntil = '08:00'\ncreep = '3 kHz'\n"
    )
    receiver: Receiver = receiver_of(air, frequency_accuracy_ppm=0.0)
    request = SweepRequest(start_hz=158.35e6, stop_hz=158.45e6, points=1001, rbw_hz=1e3)
    reading = receiver.sweep(
        receiver.model.settings(request), start_s=at("2026-06-15T06:00+01:00"), counter=0
    )
    top_hz = 158.35e6 + 100.0 * int(np.argmax(reading.level_dbm))
    assert top_hz == pytest.approx(158.43e6, abs=300.0)


def test_the_noise_floor_drifts_and_follows_the_local_clock() -> None:
    """The course's top lies at the hour of the zone; the drift stays within its swing."""
    said = "noise = { c = '60 dB', d = '20 dB', course = '6 dB', peak = '17:00'"
    plain, drifting = (
        scene(f"{said}{more} }}\n").floor
        for more in ("", ", drift = { swing = '2 dB', period = '5 h' }")
    )
    assert plain is not None
    assert drifting is not None
    at_s = at("2026-06-14T00:00+01:00") + 600.0 * np.arange(144)
    where_hz = np.full_like(at_s, 157e6)
    level = plain.density_dbm_per_hz(where_hz, at_s)
    assert at_s[np.argmax(level)] == at("2026-06-14T17:00+01:00")
    moved = drifting.density_dbm_per_hz(where_hz, at_s) - level
    assert 1.0 < np.ptp(moved) <= 4.0


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("at = '22:52'", "without"),
        ("at = '25:00'\nfor = '3 s'", "not a time of the clock"),
        ("at = '2026-06-14'\nfor = '3 s'", "not a time of the clock"),
        ("from = '22:00'", "every day from then on"),
        ("until = '22:00'", "`until` without `from`"),
        ("from = '22:00'\nuntil = '22:00'", "the same as `from`"),
        ("from = '22:00'\nuntil = '2026-06-14T22:00'", "of another kind than `from`"),
        ("from = '22:00'\nuntil = '23:00'\nat = '22:10'\nfor = '3 s'", "exclude each other"),
        ("at = '22:10'\nfor = '3 s'\non = '1 s'\noff = '2 s'", "exclude each other"),
        ("creep = '2 kHz'", "without an end"),
        ("creep = '2 kHz'\nfrom = '2026-06-14T22:00'", "without an end"),
    ],
)
def test_what_makes_no_time_is_refused(body: str, words: str) -> None:
    emission = "[[scene.air.carrier]]\nname = 'c'\nfrequency = '158 MHz'\npower = '-90 dBm'\n"
    with pytest.raises(ConfigError, match=words):
        scene(emission + body)


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(ConfigError, match="unknown time zone"):
        world_from_text(HEAD.replace("London", "Londinium"))


def away_world(seconds: float, *, begins_s: float = 0.0) -> World:
    """One instrument that is unplugged for ``seconds`` of scene time from now on."""
    start = datetime.now(UTC) + timedelta(seconds=begins_s)
    stop = start + timedelta(seconds=seconds)
    return world_from_text(
        f"seed = 1\n[instrument.one]\n"
        f"away = [{{ from = '{start.isoformat()}', until = '{stop.isoformat()}' }}]\n"
    )


def until(what: Any, limit_s: float = 10.0) -> bool:
    end_s = time.monotonic() + limit_s
    while time.monotonic() < end_s:
        if what():
            return True
        time.sleep(0.02)
    return False


@pytest.fixture
def away_server() -> Iterator[SimServer]:
    """Away from the start for 1.5 s."""
    served = Served(tcp={"one": ("127.0.0.1", 0)})
    with SimServer(away_world(1.5), served) as server:
        yield server


def test_a_served_instrument_is_gone_and_comes_back(away_server: SimServer) -> None:
    """Nobody listens at first; then somebody does, on the same port."""
    host, port = away_server.address("one").removeprefix("tcp://").split(":")

    def answers() -> bool:
        with suppress(OSError), socket.create_connection((host, int(port)), 1.0) as link:
            link.settimeout(2.0)
            link.sendall(b"*IDN?\n")
            return link.recv(100).startswith(b"GANNET")
        return False

    assert not answers()
    assert until(answers)


def test_a_served_instrument_hangs_up_when_it_is_unplugged(tmp_path: Path) -> None:
    """An open conversation ends, and the terminal's link is gone."""
    link = tmp_path / "one.tty"
    served = Served(tcp={"one": ("127.0.0.1", 0)}, pty={"one": str(link)})
    with SimServer(away_world(3600.0, begins_s=1.5), served) as server:
        host, port = server.address("one").removeprefix("tcp://").split(":")
        with socket.create_connection((host, int(port)), 5.0) as talk:
            assert link.is_symlink()
            talk.settimeout(10.0)
            with suppress(ConnectionResetError):
                assert talk.recv(1) == b""
        assert until(lambda: not link.is_symlink())
