"""The file that is left behind: it loads, says what was answered, and is written over nothing."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

import pytest

from acqd.chain import PartKind
from acqd.config.load import StationConfig, parse_config
from acqd.errors import AcqdError, WrongUsage
from acqd.sweep import Capabilities, Detector
from acqd.tonight.hookup import (
    Hookup,
    Input,
    Near,
    Pad,
    Transmitter,
    parse_between,
    parse_pads,
)
from acqd.tonight.keeping import place_of, put_aside, refuse_unwritable_folder, write_new
from acqd.tonight.ranges import wanted_ranges
from acqd.tonight.settings import possible_settings
from acqd.tonight.writing import Draft, config_text, station_name

SWEEPER = Capabilities(
    start_hz=100e3,
    stop_hz=960e6,
    rbw_steps_hz=(1e3, 3e3, 10e3, 30e3),
    detectors=(Detector.SAMPLE,),
)
SETTINGS = tuple(
    possible_settings(one, SWEEPER)[0]
    for one in wanted_ranges(["marine VHF", "2 m", "433.05MHz..434.79MHz"], folder=Path("/"))
)
DRAFT = Draft(
    station="gannet-ledge",
    zone="Europe/London",
    sweeper="mast",
    sweeper_lines=[
        "[sweeper.mast]",
        'driver = "scpi"',
        'address = "tcp://192.0.2.17:5025"',
        'serial_number = "GL0017"',
    ],
    simulated=False,
    hookup=Hookup(),
    settings=SETTINGS,
    every_s=2.0,
    window="21:00..07:00",
    region=1,
    written_s=1781469600.0,
)


def read(draft: Draft, tmp_path: Path) -> StationConfig:
    return parse_config(config_text(draft), tmp_path / "station.toml")


def test_the_file_loads_and_asks_for_just_these_sweeps(tmp_path: Path) -> None:
    """Request by request; a report each morning, in the window."""
    config = read(DRAFT, tmp_path)
    assert [config.jobs[one.wanted.name].request() for one in SETTINGS] == [
        one.request for one in SETTINGS
    ]
    marine = config.jobs["marine-vhf"]
    assert marine.band.channels == "marine-vhf" and marine.report is not None
    assert marine.when.window == ("21:00..07:00",) and marine.when.every_s == 2.0
    assert config.station.time_zone == "Europe/London"
    assert config.channel_plans.keys() == {"marine-vhf", "amateur-2m-r1"}
    assert not [note for note in config.notes() if "no job" in note or "unused" in note]


def test_it_is_written_as_a_person_would(tmp_path: Path) -> None:
    """What to do with it stands on top; frequencies in megahertz; no line is endless."""
    text = config_text(DRAFT)
    assert text.startswith("# Written by `acqd tonight` on 14 June 2026, 21:40.")
    assert "acqd run" in text.partition("[station]")[0]
    assert 'start = "155.99 MHz"' in text and 'step = "5 kHz"' in text
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "SIMULATED" not in text
    assert "SIMULATED" in config_text(replace(DRAFT, simulated=True))


def test_findings_are_what_several_sweeps_running_heard(tmp_path: Path) -> None:
    """By the rhythm of the sweeps; where they come seldom one is enough."""
    for every_s, least_s in ((2.0, 3.0), (10.0, 5.0), (60.0, 0.0)):
        config = read(replace(DRAFT, every_s=every_s), tmp_path)
        assert config.jobs["marine-vhf"].band.min_duration_s == least_s
    bare = replace(SETTINGS[0], wanted=replace(SETTINGS[0].wanted, plan=None))
    config = read(replace(DRAFT, settings=[bare]), tmp_path)
    assert config.jobs["marine-vhf"].band.min_duration_s == 3.0


def test_examples_in_remarks_work_when_the_marks_are_taken_off(tmp_path: Path) -> None:
    """A witness for each job, and the live page."""
    draft = replace(DRAFT, broker="local")
    text = re.sub(
        r"(?m)^# (?=\[\[?(?:job|dash)|(?:address|channel|frequency|within) =)",
        "",
        config_text(draft),
    )
    config = parse_config(text, tmp_path / "station.toml")
    assert config.dash is not None
    assert all(len(job.witness) == 1 for job in config.jobs.values())
    (witness,) = config.jobs["marine-vhf"].witness
    assert (witness.channel, witness.within_s) == ("AIS 1", 1800.0)


def test_an_aerial_alone_is_a_chain_that_waits_for_its_cables_loss(tmp_path: Path) -> None:
    """Levels are those at its socket, and somebody can put the loss there later."""
    chain = read(DRAFT, tmp_path).chain("marine-vhf")
    assert chain is not None
    assert [part.kind for part in chain.parts] == [PartKind.CABLE]
    assert float(chain.gain_db(156.8e6)) == 0.0 and chain.uncertainty_db == 2.0


def test_preamplifier_and_pads_stand_in_the_chain(tmp_path: Path) -> None:
    """With their ratings, in their order."""
    amplified = replace(DRAFT, hookup=Hookup(input=Input.PREAMPLIFIER, gain_db=18.5))
    chain = read(amplified, tmp_path).chain("marine-vhf")
    assert chain is not None and float(chain.gain_db(156.8e6)) == 18.5
    pads = parse_pads("20 dB 10 W + 10 dB")
    assert pads == (Pad(loss_db=20.0, rated_w=10.0), Pad(loss_db=10.0))
    padded = replace(DRAFT, hookup=Hookup(input=Input.PADS, pads=pads))
    chain = read(padded, tmp_path).chain("marine-vhf")
    assert chain is not None and float(chain.gain_db(156.8e6)) == -30.0
    assert [part.rated_w for part in chain.parts] == [None, 10.0, None]


@pytest.mark.parametrize(
    "near",
    [
        Transmitter(where=Near.NEAR, power_w=25.0, isolation_db=40.0),
        Transmitter(where=Near.NEAR, power_w=25.0, distance_m=12.0),
        Transmitter(where=Near.NEAR, power_w=25.0),
    ],
)
def test_a_transmitter_near_by_is_in_the_file(near: Transmitter, tmp_path: Path) -> None:
    """For every job, since all listen with that aerial."""
    hookup = Hookup(transmitter=near, absolute_max_dbm=10.0)
    config = read(replace(DRAFT, hookup=hookup), tmp_path)
    told = config.transmitters["near"]
    assert (told.power_w, told.isolation_db, told.distance_m) == (
        25.0,
        near.isolation_db,
        near.distance_m,
    )
    assert told.start_hz <= 143.993e6 and told.stop_hz >= 434.79e6
    assert config.sweepers["mast"].absolute_max_dbm == 10.0


def test_a_transmitter_on_the_aerial_is_each_jobs_own(tmp_path: Path) -> None:
    """It comes down the cable, whatever is swept."""
    on = Transmitter(where=Near.ON, power_w=5.0)
    hookup = Hookup(input=Input.PADS, pads=(Pad(loss_db=60.0),), transmitter=on)
    config = read(replace(DRAFT, hookup=hookup), tmp_path)
    assert not config.transmitters
    assert all(
        job.transmitter is not None and job.transmitter.power_w == 5.0
        for job in config.jobs.values()
    )


def test_no_window_region_and_broker_are_written_where_they_are(tmp_path: Path) -> None:
    """A night of two days has no window."""
    draft = replace(DRAFT, window=None, region=2, broker="local", broker_address="127.0.0.1:1884")
    config = read(draft, tmp_path)
    assert config.jobs["marine-vhf"].when.window == ()
    assert config.jobs["marine-vhf"].band.region == 2
    assert str(config.mqtt.endpoint).endswith("127.0.0.1:1884")


def test_the_stations_name_is_fit_for_a_topic(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the machine is called."""
    for host, name in {"Pier.example": "pier", "Møle 7": "m-le-7", "--": "station"}.items():
        monkeypatch.setattr("socket.gethostname", lambda host=host: host)
        assert station_name() == name


@pytest.mark.parametrize("text", ["", "30", "dB", "-3 dB", "0 dB", "20 dB 5", "3 dB + x"])
def test_pads_that_are_none_are_refused(text: str) -> None:
    """With what is expected."""
    with pytest.raises(WrongUsage, match="20 dB 10 W"):
        parse_pads(text)


def test_what_lies_between_is_an_isolation_or_a_distance() -> None:
    """Nothing is nothing."""
    assert parse_between("40 dB") == (40.0, None)
    assert parse_between("12 m") == (None, 12.0)
    assert parse_between(" ") == (None, None)
    with pytest.raises(WrongUsage, match="neither"):
        parse_between("far")


# --- the file on the disk -------------------------------------------------------------------------


def test_where_the_file_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Named, or by its folder, or here."""
    monkeypatch.chdir(tmp_path)
    assert place_of("night.toml", None) == Path("night.toml")
    assert place_of(str(tmp_path), None) == tmp_path / "station.toml"
    assert place_of(None, "pier") == Path("pier/station.toml")
    assert place_of(None, None) == Path("station.toml")


def test_a_file_is_written_whole_and_over_nothing(tmp_path: Path) -> None:
    """Nothing half-written stays; an old one gets another name each time."""
    path = tmp_path / "station.toml"
    write_new(path, "a = 1\n")
    with pytest.raises(AcqdError, match="left alone"):
        write_new(path, "a = 2\n")
    assert path.read_text() == "a = 1\n"
    asides = set()
    for _ in range(2):
        asides.add(put_aside(path, zone="Europe/London"))
        write_new(path, "a = 3\n")
    assert len(asides) == 2 and all(one.is_file() for one in asides)
    assert sorted(tmp_path.iterdir()) == sorted([path, *asides])


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write in any folder")
def test_a_folder_of_somebody_elses_is_refused(tmp_path: Path) -> None:
    """Before anything is asked."""
    tmp_path.chmod(0o500)
    with pytest.raises(AcqdError, match="--folder"):
        refuse_unwritable_folder(tmp_path / "station.toml")


def test_a_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    """Also for root."""
    (tmp_path / "pier").write_text("")
    with pytest.raises(AcqdError, match="cannot be written to"):
        refuse_unwritable_folder(tmp_path / "pier" / "station.toml")
