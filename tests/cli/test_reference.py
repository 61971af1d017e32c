"""``acqd reference``: at the bench, with a station and without one."""

from __future__ import annotations

import io
import json
import re
import sys
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.lock import WriterLock
from acqd.archive.reader import open_archive
from acqd.station.feed import SetupView
from acqd.station.references import stored_references

JOB = "marine-vhf"


def kept(folder: Path) -> dict[str, Any]:
    return dict(stored_references(folder / "archive").get(JOB, {}))


def results(answer: Any) -> list[str]:
    """Without what is said of the clock of the machine that tests run on."""
    assert answer.code == 0, answer.err
    return [line for line in answer.out.splitlines() if "clock" not in line]


def test_a_reference_is_taken_stored_and_told(acqd: Any, folder: Path) -> None:
    """Who, when, how, the level, that it is the first; what to connect goes to standard error."""
    answer = acqd("reference", JOB, "quiet", "--yes", "--temperature", "21.5", folder=folder)
    lines = results(answer)
    assert lines[0] == "GANNET LOOKOUT 1, serial number GL0017, firmware 1.0"
    assert re.fullmatch(
        r"quiet of marine-vhf stored, \d{4}-\d\d-\d\d \d\d:\d\d: 5 sweeps at 21\.5 °C", lines[1]
    )
    assert lines[2].startswith("156 MHz to 157 MHz, 101 points, RBW 10 kHz, ")
    assert re.fullmatch(
        r"level −1\d\d\.\d to −61\.\d dBm, median −10\d\.\d dBm; one reading repeats within "
        r"\d\.\d\d dB",
        lines[3],
    )
    assert lines[4] == "the first quiet of this job"
    assert lines[5].startswith("warning: 1 response stands") and "156.800 MHz" in lines[5]
    assert "Terminate the sweeper's input with 50 ohm" in answer.err
    assert "Key no transmitter" in answer.err and "sweep 5 of 5" in answer.err
    record = kept(folder)["quiet"]
    assert record.sweeps == 5 and record.temperature_c == 21.5
    assert record.identity["serial_number"] == "GL0017"
    (overlay,) = open_archive(folder / "archive").overlays(JOB)
    assert overlay.kind == "reference" and overlay.who


def test_a_second_one_is_shown_beside_the_first(acqd: Any, folder: Path) -> None:
    acqd("reference", JOB, "ambient", "--yes", "--sweeps", "1", folder=folder)
    lines = results(acqd("reference", JOB, "ambient", "-y", "--sweeps", "1", folder=folder))
    assert ": 1 sweep" in lines[1] and "repeats" not in lines[3]
    assert re.fullmatch(
        r"beside the one of .*: [+−]\d+\.\d\d dB in the mean, at most [+−]\d+\.\d\d dB, "
        r"at 15(6\.\d+|7) MHz",
        lines[4],
    )


def test_after_a_change_of_the_rbw_it_does_not_fit_and_is_not_compared(
    acqd: Any, folder: Path
) -> None:
    """The list says so without a sweep; so does the next one that is taken."""
    acqd("reference", JOB, "quiet", "--yes", folder=folder)
    assert "  yes" in acqd("reference", JOB, folder=folder).out
    config = folder / "station.toml"
    config.write_text(config.read_text().replace('rbw = "10 kHz"', 'rbw = "3 kHz"'))
    listed = acqd("reference", JOB, folder=folder)
    assert listed.code == 0
    assert "the RBW was 10 kHz and is 3 kHz" in listed.out
    found = acqd("reference", JOB, "--json", folder=folder).json
    assert found["references"][0]["differs"] == ["the RBW was 10 kHz and is 3 kHz"]
    (line,) = [
        one
        for one in results(acqd("reference", JOB, "quiet", "--yes", folder=folder))
        if one.startswith("not to be compared")
    ]
    assert "the RBW was 10 kHz and is 3 kHz" in line
    assert acqd("reference", JOB, "--json", folder=folder).json["references"][0]["differs"] == []


def test_the_list_says_what_there_is_and_what_is_missing(acqd: Any, folder: Path) -> None:
    assert acqd("reference", JOB, folder=folder).out.splitlines() == [
        "no quiet: take one with `acqd reference marine-vhf quiet`",
        "no ambient: take one with `acqd reference marine-vhf ambient`",
    ]
    assert not (folder / "archive").exists()
    acqd("reference", JOB, "quiet", "--yes", "--temperature", "-3.25", folder=folder)
    head, row, missing = acqd("reference", JOB, folder=folder).out.splitlines()
    assert head.split()[:2] == ["role", "taken"] and head.endswith("fits the job")
    assert row.startswith("quiet") and "−3.2 °C" in row and "LOOKOUT 1" in row
    assert row.endswith("yes") and "ambient" in missing
    told = acqd("reference", JOB, "--json", folder=folder).json
    assert told["job"] == JOB and told["missing"] == ["ambient"]
    (one,) = told["references"]
    assert one["role"] == "quiet" and one["temperature_c"] == -3.25 and one["points"] == 101
    assert 0.0 <= one["age_s"] < 60.0 and one["settings"]["rbw_hz"] == 10e3


@pytest.mark.parametrize(("typed", "code"), [("\n", 0), ("", 2)], ids=["Enter", "nobody"])
def test_it_waits_for_enter(
    acqd: Any, folder: Path, monkeypatch: pytest.MonkeyPatch, typed: str, code: int
) -> None:
    """Where nobody can press it nothing is swept and nothing stored."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    answer = acqd("reference", JOB, "ambient", folder=folder)
    assert answer.code == code
    assert answer.err.index("Switch the thing under test off") < answer.err.index("press Enter")
    assert set(kept(folder)) == ({"ambient"} if code == 0 else set())
    assert ("give --yes" in answer.err) is (code == 2)


WRONG: dict[str, tuple[tuple[str, ...], str]] = {
    "no such job": (("nobody", "quiet"), "no enabled job 'nobody'; there is marine-vhf, calling"),
    "no such role": ((JOB, "thru"), "there is: quiet, ambient"),
    "a role of another kind": ((JOB, "through"), "kind band; what fits: quiet, ambient"),
    "no temperature": ((JOB, "quiet", "--temperature", "nan"), "a temperature in °C"),
    "below all cold": ((JOB, "quiet", "--temperature", "-300"), "a temperature in °C"),
}


@pytest.mark.parametrize(("words", "says"), WRONG.values(), ids=WRONG)
def test_words_that_cannot_be_meant(
    acqd: Any, folder: Path, words: tuple[str, ...], says: str
) -> None:
    """Exit code 2 and one line, before anything is opened or made."""
    answer = acqd("reference", *words, folder=folder)
    assert answer.code == 2
    assert answer.complaint.startswith("acqd: ") and says in answer.complaint
    assert not (folder / "archive").exists()


@pytest.mark.parametrize("count", ["0", "101", "many"])
def test_a_number_of_sweeps_has_bounds(acqd: Any, folder: Path, count: str) -> None:
    answer = acqd("reference", JOB, "quiet", "--sweeps", count, folder=folder)
    assert answer.code == 2 and "--sweeps" in answer.err


def changed(folder: Path, old: str, new: str) -> None:
    config = folder / "station.toml"
    text = config.read_text()
    assert old in text
    config.write_text(text.replace(old, new, 1))


def test_what_could_harm_the_input_is_refused_before_anything_is_connected(
    acqd: Any, folder: Path
) -> None:
    """5 W and a cable of 1.5 dB: exit code 1, the pad that is missing, no instruction (G7)."""
    changed(folder, 'rbw = "10 kHz"', 'rbw = "10 kHz"\ntransmitter = { power = "5 W" }')
    answer = acqd("reference", JOB, "quiet", "--yes", folder=folder)
    assert answer.code == 1
    assert "the transmitter can bring" in answer.complaint and "pad" in answer.complaint
    assert kept(folder) == {}


def test_a_sweeper_that_is_not_there_is_one_line(acqd: Any, folder: Path) -> None:
    changed(
        folder,
        'driver = "sim"\naddress = "sim:mast"',
        'driver = "scpi"\naddress = "tcp://127.0.0.1:1"',
    )
    changed(folder, 'options = { scene = "./scene.toml", time_scale = 0.02 }', "")
    answer = acqd("reference", JOB, "quiet", "--yes", folder=folder)
    assert answer.code == 1 and "tcp://127.0.0.1:1" in answer.complaint
    assert kept(folder) == {}


def test_beyond_the_sweeper_names_the_limit(acqd: Any, folder: Path) -> None:
    """Before anybody connects anything."""
    changed(folder, 'stop = "157 MHz"', 'stop = "2 GHz"')
    answer = acqd("reference", JOB, "quiet", "--yes", folder=folder)
    assert answer.code == 1 and "960 MHz" in answer.complaint


def test_an_archive_that_somebody_holds_who_takes_no_requests(acqd: Any, folder: Path) -> None:
    """Says who, exit code 1."""
    (folder / "archive").mkdir()
    held = WriterLock(folder / "archive", station="lookout", since_s=0.0)
    try:
        answer = acqd("reference", JOB, "quiet", "--yes", folder=folder)
    finally:
        held.release()
    assert answer.code == 1
    assert "process" in answer.complaint and "takes no requests" in answer.complaint


@pytest.mark.slow
def test_a_running_station_takes_it_and_uses_it(acqd: Any, start: Any, folder: Path) -> None:
    """From a process of its own, over its socket; afterwards it is used without the station too."""
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    while JOB not in (archive := open_archive(folder / "archive")).jobs() or (
        archive.coverage(JOB).sweeps < 1
    ):
        assert station.process.poll() is None
    told = acqd("reference", JOB, "quiet", "--yes", "--json", folder=folder)
    assert told.code == 0, told.err
    assert "by the running station lookout, between its passes" in told.err
    assert "sweep 5 of 5" in told.err
    assert told.json["role"] == "quiet" and told.json["sweeps"] == 5
    refused = acqd("reference", JOB, "short", "--yes", folder=folder)
    assert refused.code == 2 and "what fits: quiet, ambient" in refused.complaint
    listed = acqd("reference", JOB, "--json", folder=folder).json
    assert [one["at_s"] for one in listed["references"]] == [told.json["at_s"]]
    station.until("reference_stored")
    seq = open_archive(folder / "archive").coverage(JOB).sweeps
    while open_archive(folder / "archive").coverage(JOB).sweeps < seq + 3:
        assert station.process.poll() is None
    assert station.stop() == 0
    setups = [SetupView.of(one, 0.0).event for one in open_archive(folder / "archive").setups(JOB)]
    assert [set(one.references) for one in setups] == [set(), {"quiet"}]
    assert setups[1].references["quiet"].at_s == told.json["at_s"]
    assert not (folder / "archive" / "control.sock").exists()
    again = results(acqd("reference", JOB, "quiet", "--yes", folder=folder))
    assert again[4].startswith("beside the one of ")


@pytest.mark.slow
def test_a_config_that_the_station_does_not_run_yet_is_said(
    acqd: Any, start: Any, folder: Path
) -> None:
    """A job that was written into the config after the station began."""
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    config = folder / "station.toml"
    text = config.read_text()
    config.write_text(text + text[text.index("[job.calling]") :].replace("calling", "new-job"))
    answer = acqd("reference", "new-job", "quiet", "--yes", folder=folder)
    assert answer.code == 2
    assert "the running station lookout has no job 'new-job'" in answer.complaint
    assert station.stop() == 0


def test_json_is_all_of_it(acqd: Any, folder: Path) -> None:
    """One object on standard output, plain numbers."""
    answer = acqd("reference", JOB, "ambient", "--yes", "--json", folder=folder)
    told = json.loads(answer.out)
    assert told["unit"] == "dBm" and told["number"] == 1 and told["last"] is None
    assert told["lowest"] <= told["median"] <= told["highest"]


FILTERS = """\
seed = 7

[scene.bench]

[device.through]
kind = "cable"
loss = "0.2 dB"
at = "100 MHz"

[device.low-pass]
kind = "low-pass"
edge = "200 MHz"
order = 5

[device.nothing]
kind = "pad"
loss = "95 dB"

[instrument.shack]
scene = "bench"
source_path = ["through"]
serial_number = "GL0103"
start = "100 kHz"
stop = "960 MHz"
source_min = "-40 dBm"
source_max = "0 dBm"
absolute_max = "20 dBm"
"""

LOW_PASS = """\
[station]
name = "lookout"
archive = "archive"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.shack]
driver = "sim"
address = "sim:shack"
options = { scene = "./bench.toml", source_path = ["through"], time_scale = 0.02 }

[job.low-pass]
kind = "transmission"
sweeper = "shack"
start = "50 MHz"
stop = "450 MHz"
points = 201
rbw = "100 kHz"
source = { level = "-20 dBm" }
when = { every = "1 min" }
transmission = {}
"""


@pytest.fixture
def filters(tmp_path: Path) -> Path:
    """A folder with a station that looks at a filter, the through connected."""
    (tmp_path / "bench.toml").write_text(FILTERS)
    (tmp_path / "station.toml").write_text(LOW_PASS)
    return tmp_path


def test_a_through_makes_a_loss_of_what_comes_after_it(acqd: Any, filters: Path) -> None:
    """Refused without it, with the command that helps; then the filter's loss is over it."""
    refused = acqd("once", "low-pass", "--json", folder=filters).json["transmission"]["refused"]
    assert "acqd reference low-pass through" in refused
    answer = acqd("reference", "low-pass", "through", "--yes", folder=filters)
    lines = results(answer)
    assert "no aerial" in answer.err and "a sweep with the source off" in answer.err
    assert "source −20.0 dBm" in lines[2] and "dB above the floor" in lines[3]
    assert lines[4:] == ["the first through of this job"]
    changed(filters, '["through"]', '["low-pass"]')
    told = acqd("once", "low-pass", "--json", folder=filters).json["transmission"]
    assert not told["refused"]


def test_a_through_that_is_not_connected_is_stored_with_a_warning(acqd: Any, filters: Path) -> None:
    changed(filters, '["through"]', '["nothing"]')
    lines = results(acqd("reference", "low-pass", "through", "--yes", folder=filters))
    assert any("is the through connected" in one for one in lines[5:])
