"""``acqd tonight`` up to the start of the night: looking, asking, refusing, timing, writing."""

from __future__ import annotations

import io
import json
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_sim.scenefile import world_from_text
from acqd_sim.server import Served, SimServer

from acqd.archive.reader import open_archive
from acqd.config.load import load_config
from acqd.drivers.contract import SerialPort, Service
from acqd.drivers.usbports import Holder
from acqd.errors import ArchiveError

SCENE = """\
seed = 7
[scene.harbour]
[[scene.harbour.carrier]]
name = "beacon"
frequency = "156.8 MHz"
power = "-61.5 dBm"

[instrument.mast]
scene = "harbour"
maker = "GANNET"
model = "LOOKOUT 1"
serial_number = "GL0017"
residuals = 0
sweep_factor = 1.0

[instrument.bench]
scene = "harbour"
maker = "GANNET"
model = "SOAK 30"
serial_number = "GL0042"
residuals = 0
sweep_factor = 1.0
"""
TIMES = 8
QUICK = ("--until", "8 h", "--local", "--no-start")


@pytest.fixture(autouse=True)
def bare_desk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is attached, and nobody announces anything."""
    monkeypatch.setattr("acqd.drivers.usbports.serial_ports", list)
    monkeypatch.setattr("acqd.drivers.usbports.usb_devices", list)
    monkeypatch.setattr("acqd.drivers.mdns.browse", list)


@pytest.fixture(scope="module")
def two() -> Iterator[SimServer]:
    """Two sweepers on TCP ports, as quick as they can be."""
    here = ("127.0.0.1", 0)
    served = Served(tcp={"mast": here, "bench": here}, time_scale=0.02)
    with SimServer(world_from_text(SCENE), served) as server:
        yield server


def answers(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    """Somebody at a terminal types these."""
    keyboard = io.StringIO("".join(f"{line}\n" for line in lines))
    monkeypatch.setattr(keyboard, "isatty", lambda: True)
    monkeypatch.setattr("sys.stdin", keyboard)


def announce(monkeypatch: pytest.MonkeyPatch, server: SimServer) -> None:
    """The network says where they are."""
    found = [
        Service(
            kind="_scpi-raw._tcp",
            name=name,
            host="127.0.0.1",
            port=int(server.address(name).rpartition(":")[2]),
        )
        for name in ("mast", "bench")
    ]
    monkeypatch.setattr("acqd.drivers.mdns.browse", lambda: found)


def nothing_is_left(folder: Path) -> bool:
    return not list(folder.iterdir())


# --- without a terminal ---------------------------------------------------------------------------


def test_flags_alone_make_a_file_that_works(acqd: Any, tmp_path: Path, two: SimServer) -> None:
    """Found at its address, timed, planned, written; ``acqd check`` takes it as it is."""
    address = two.address("mast")
    told = acqd(
        *("tonight", "marine VHF", "2 m", "--yes", *QUICK, "--sweeper", address),
        *("--input", "pads", "--pads", "10 dB 1 W", "--json"),
        folder=tmp_path,
    )
    assert told.code == 0, told.err
    plan = told.json
    assert [one["job"] for one in plan["ranges"]] == ["marine-vhf", "amateur-2m-r1"]
    config = load_config(tmp_path / "station.toml")
    for one in plan["ranges"]:
        request = config.jobs[one["job"]].request()
        assert (request.points, request.rbw_hz) == (one["points"], one["rbw_hz"])
        took_s = [each["took_s"] for each in plan["ranges"]]
        assert one["surely_caught_s"] == pytest.approx(plan["every_s"] + sum(took_s))
        assert one["floor"] < one["weakest_seen"] < -60.0
    marine = plan["ranges"][0]
    assert marine["signals"] == 1, "the beacon is heard in the timed sweep"
    assert plan["taken"] == ["on or near this aerial: no transmitter"] or any(
        "no transmitter" in line for line in plan["taken"]
    )
    assert plan["report"] is None
    (sweeper,) = config.sweepers.values()
    assert (sweeper.address, sweeper.serial_number) == (address, "GL0017")
    checked = acqd("check", "--json", folder=tmp_path)
    assert checked.code == 0, checked.err
    assert not [note for note in checked.json["notes"] if "too fast" in note]
    assert {one["state"] for one in checked.json["sweepers"]} == {plan["sweeper"]}


def test_the_figures_of_the_plan_are_those_of_the_very_sweep(
    acqd: Any, tmp_path: Path, two: SimServer
) -> None:
    """Ten decibels of pads put floor and weakest level ten decibels up.

    Each floor is the median of one sweep of 1215 points with a sample detector, every other point
    of its own: 5.6 dB a point leave 5.6 · 1.25 / √600 = 0.29 dB. Between two means of eight that is
    0.15 dB, and 0.6 dB are four of those.
    """
    means = []
    for pads, more in (("none", ()), ("10", ("--pads", "10 dB"))):
        seen = []
        for number in range(TIMES):
            folder = tmp_path / f"{pads}-{number}"
            folder.mkdir()
            told = acqd(
                *("tonight", "marine VHF", "--yes", *QUICK, "--sweeper", two.address("mast")),
                *(*more, "--json"),
                folder=folder,
            )
            assert told.code == 0, told.err
            one = told.json["ranges"][0]
            seen.append((one["floor"], one["weakest_seen"]))
        means.append(np.mean(seen, axis=0))
    (floor, weakest), (padded_floor, padded_weakest) = means
    assert padded_floor - floor == pytest.approx(10.0, abs=0.6)
    assert padded_weakest - weakest == pytest.approx(10.0, abs=0.6)
    assert padded_weakest - padded_floor == pytest.approx(weakest - floor, abs=0.1)


def test_without_a_terminal_it_says_which_flags_are_missing(acqd: Any, tmp_path: Path) -> None:
    """Instead of hanging at a question that nobody sees."""
    told = acqd("tonight", "marine VHF", folder=tmp_path)
    assert told.code == 2
    assert "--input, --transmitter" in told.complaint and "--yes" in told.complaint
    told = acqd("tonight", "2 m", "--input", "aerial", "--transmitter", "on", folder=tmp_path)
    assert "give --power" in told.complaint
    assert nothing_is_left(tmp_path)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("marin vfh", "--yes"), 'did you mean "marine VHF"'),
        (("--yes",), "what is to be watched"),
        (("2 m", "--yes", "--until", "soon"), "--until 'soon'"),
        (("2 m", "--yes", "--sweeper", "tcp://127.0.0.1:1"), "refused"),
        (("2 m", "--yes", "--sweeper", "x:y", "--driver", "no-such"), "no-such"),
        (("2 m", "--yes"), "no sweeper was found: plug one in"),
        (
            ("3GHz..4GHz", "--yes", "--sweeper", "sim:mast"),
            "is 100.0 kHz to 960.000 MHz: name",
        ),
        (("2 m", "--yes", "--sweeper", "sim:mast", "--until", "0 s"), "give a later --until"),
        (
            ("2 m", "--yes", "--sweeper", "sim:mast", "--power", "5 W", "--between", "10 cm"),
            "nearer than λ/2π = 0.331 m",
        ),
        (
            (
                *("2 m", "--yes", "--sweeper", "sim:mast", "--power", "5 W", "--between", "2 m"),
                *("--sends", "7MHz..7.2MHz"),
            ),
            "nearer than λ/2π",
        ),
        (("2 m", "--yes", "--sweeper", "sim:mast", "--pads", "many"), "pads 'many'"),
    ],
)
def test_what_cannot_be_is_one_line_and_leaves_nothing(
    acqd: Any, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    """A wrong range, no sweeper, nobody at an address, a range beyond the sweeper."""
    told = acqd("tonight", *words, "--local", folder=tmp_path)
    assert told.code in (1, 2)
    assert said in told.err and "Traceback" not in told.err
    assert nothing_is_left(tmp_path)


def test_a_folder_that_cannot_be_written_to_is_said_first(acqd: Any, tmp_path: Path) -> None:
    """Before anything is looked for or asked."""
    (tmp_path / "pier").write_text("a file")
    told = acqd("tonight", "2 m", "--yes", "--folder", "pier", folder=tmp_path)
    assert told.code == 1
    assert "cannot be written to" in told.complaint and "--folder" in told.complaint


def test_a_full_disk_is_said_before_the_night(
    acqd: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not one sweep could be kept: nothing is written, and a file that is there is not begun."""
    usual = shutil.disk_usage
    night = ("tonight", "marine VHF", "--yes", "--until", "1 h", "--local", "--sweeper", "sim:mast")
    small = usual(tmp_path)._replace(free=3_000_000)
    monkeypatch.setattr("shutil.disk_usage", lambda path: small)
    told = acqd(*night, folder=tmp_path)
    assert told.code == 1 and "no sweep could be kept: 3 MB are free" in told.err.splitlines()[-1]
    assert nothing_is_left(tmp_path)


def test_options_that_do_not_go_together_are_refused(acqd: Any, tmp_path: Path) -> None:
    """With what to give instead."""
    both = acqd("tonight", "2 m", "--config", "a.toml", "--folder", "b", folder=tmp_path)
    assert both.code == 2 and "give one of them" in both.err
    alone = acqd("tonight", "2 m", "--driver", "scpi", folder=tmp_path)
    assert alone.code == 2 and "give --sweeper" in alone.err


# --- G7: no start without headroom ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("flags", "said"),
    [
        (("--transmitter", "on", "--power", "5 W"), "add a 40 dB pad, after it a 10 dB pad"),
        (("--transmitter", "near", "--power", "25 W", "--between", "20 dB"), "at most −10.0 dBm"),
        (("--transmitter", "near", "--power", "100 W"), "dB are missing"),
        (
            ("--transmitter", "on", "--power", "5 W", "--pads", "60 dB 1 W"),
            "it may fail and pass everything",
        ),
    ],
)
def test_without_headroom_nothing_is_swept_or_written(
    acqd: Any, tmp_path: Path, two: SimServer, flags: tuple[str, ...], said: str
) -> None:
    """And the line says what would make it safe."""
    told = acqd(
        *("tonight", "marine VHF", "--yes", *QUICK, "--sweeper", two.address("mast"), *flags),
        *("--absolute-max", "10 dBm"),
        folder=tmp_path,
    )
    assert told.code == 1
    assert said in told.err.splitlines()[-1]
    assert "sweeping" not in told.err
    assert nothing_is_left(tmp_path)


def test_with_enough_in_between_it_is_planned_and_told(
    acqd: Any, tmp_path: Path, two: SimServer
) -> None:
    """5 W need 50 dB before an input of +10 dBm (docs/safety.md); heat and failures are said."""
    told = acqd(
        *("tonight", "marine VHF", "--yes", *QUICK, "--sweeper", two.address("mast")),
        *("--transmitter", "on", "--power", "5 W", "--pads", "30 dB 10 W + 30 dB 10 W"),
        *("--absolute-max", "10 dBm"),
        folder=tmp_path,
    )
    assert told.code == 0, told.err
    assert "the transmitter: at most" in told.out and "if 30 dB pad fails" in told.out
    assert load_config(tmp_path / "station.toml").jobs["marine-vhf"].transmitter is not None


def test_a_distance_counts_by_where_the_transmitter_sends(
    acqd: Any, tmp_path: Path, two: SimServer
) -> None:
    """12 m are 20 dB less on 14 MHz than on 144 MHz: ten times the wavelength."""
    missing = []
    for sends in ((), ("--sends", "14.4MHz..14.6MHz")):
        told = acqd(
            *("tonight", "144MHz..146MHz", "--yes", *QUICK, "--sweeper", two.address("mast")),
            *("--power", "100 W", "--between", "12 m", "--absolute-max", "10 dBm", *sends),
            folder=tmp_path,
        )
        assert told.code == 1
        missing.append(float(re.findall(r"([\d.]+) dB are missing", told.err)[0]))
    assert missing[1] - missing[0] == pytest.approx(20.0, abs=0.2)


def test_an_unknown_maximum_is_asked_for_or_refused(
    acqd: Any, tmp_path: Path, two: SimServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sweeper over a bare socket does not say what its input stands."""
    flags = ("tonight", "2 m", *QUICK, "--sweeper", two.address("mast"))
    power = ("--input", "aerial", "--transmitter", "near", "--power", "5 W", "--between", "60 dB")
    told = acqd(*flags, *power, "--yes", folder=tmp_path)
    if told.code == 0:
        pytest.fail("the driver states a maximum of its own; the test needs one that does not")
    assert "--absolute-max" in told.err.splitlines()[-1]
    answers(monkeypatch, "")
    told = acqd(*flags, *power, folder=tmp_path)
    assert told.code == 1 and "--absolute-max" in told.err.splitlines()[-1]
    answers(monkeypatch, "10 dBm", "y")
    told = acqd(*flags, *power, folder=tmp_path)
    assert told.code == 0, told.err
    (sweeper,) = load_config(tmp_path / "station.toml").sweepers.values()
    assert sweeper.absolute_max_dbm == 10.0


# --- looking --------------------------------------------------------------------------------------


def test_no_sweeper_at_a_terminal_offers_the_simulated_one(
    acqd: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Saying plainly that it is simulated; the file says so too."""
    answers(monkeypatch, "", "", "", "")
    told = acqd("tonight", "marine VHF", *QUICK, folder=tmp_path)
    assert told.code == 0, told.err
    assert "There is a SIMULATED one" in told.err and "SIMULATED:" in told.out
    text = (tmp_path / "station.toml").read_text()
    assert "THE SWEEPER IS SIMULATED" in text
    assert tomllib.loads(text)["sweeper"]["gannet-lookout-1"]["options"] == {"path": []}


def test_no_to_the_simulated_one_says_what_to_do(
    acqd: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And leaves nothing."""
    answers(monkeypatch, "n")
    told = acqd("tonight", "marine VHF", *QUICK, folder=tmp_path)
    assert told.code == 1 and "plug one in" in told.err.splitlines()[-1]
    assert nothing_is_left(tmp_path)


def test_of_several_sweepers_one_is_chosen(
    acqd: Any, tmp_path: Path, two: SimServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a number at a terminal; in a script by its address, and the addresses are named."""
    announce(monkeypatch, two)
    flags = [word for word in QUICK if word != "--local"]
    told = acqd("tonight", "2 m", "--yes", *flags, folder=tmp_path)
    assert told.code == 2
    last = told.err.splitlines()[-1]
    assert two.address("mast") in last and two.address("bench") in last
    answers(monkeypatch, "2", "", "", "y")
    told = acqd("tonight", "2 m", *flags, folder=tmp_path)
    assert told.code == 0, told.err
    shown = re.findall(r"(?m)^  ([12])  .*?(tcp://\S+)", told.err)
    (sweeper,) = load_config(tmp_path / "station.toml").sweepers.values()
    assert dict(shown)["2"] == sweeper.address


def test_a_busy_port_is_said_with_who_has_it(
    acqd: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And one that nobody knows, with what would ask it."""
    ports = [SerialPort(device="/dev/ttyACM7"), SerialPort(device="/dev/ttyACM8")]
    held = {"/dev/ttyACM7": Holder(pid=4711, command="gannet-viewer")}
    monkeypatch.setattr("acqd.drivers.usbports.serial_ports", lambda: ports)
    monkeypatch.setattr("acqd.drivers.usbports.holders", lambda paths: held)
    answers(monkeypatch, "n")
    told = acqd("tonight", "2 m", *QUICK, folder=tmp_path)
    assert "serial:/dev/ttyACM7: busy, in use by gannet-viewer" in told.err
    assert "serial:/dev/ttyACM8: nobody knows what that is; --probe" in told.err


# --- asking ---------------------------------------------------------------------------------------


def test_wrong_answers_and_an_end_of_answers_leave_nothing(
    acqd: Any, tmp_path: Path, two: SimServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wrong one is asked again; Ctrl-D in the middle is one line."""
    answers(monkeypatch, "9", "2", "lots")
    told = acqd("tonight", "2 m", *QUICK, "--sweeper", two.address("mast"), folder=tmp_path)
    assert told.code == 2
    assert "'9' is none of them" in told.err and "does not begin with a number" in told.err
    assert told.err.splitlines()[-1].endswith("the input has ended; nothing was written")
    assert nothing_is_left(tmp_path)


def test_ctrl_c_at_a_question_is_one_line(
    acqd: Any, tmp_path: Path, two: SimServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the exit code of an interrupted program."""

    class Interrupted(io.StringIO):
        def isatty(self) -> bool:
            return True

        def readline(self, *_: Any) -> str:
            raise KeyboardInterrupt

    monkeypatch.setattr("sys.stdin", Interrupted())
    told = acqd("tonight", "2 m", *QUICK, "--sweeper", two.address("mast"), folder=tmp_path)
    assert told.code == 130
    assert told.err.splitlines()[-1] == ("acqd: left before the night began; nothing was written")
    assert nothing_is_left(tmp_path)


def test_no_at_the_last_question_writes_nothing(
    acqd: Any, tmp_path: Path, two: SimServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The plan has been shown by then."""
    answers(monkeypatch, "", "", "n")
    told = acqd("tonight", "2 m", *QUICK, "--sweeper", two.address("mast"), folder=tmp_path)
    assert told.code == 0
    assert "is always caught" in told.out and "nothing was written" in told.err
    assert nothing_is_left(tmp_path)


def test_unplugged_between_finding_and_timing_is_one_line(
    acqd: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It answered who it is, and is gone while somebody thinks about the question."""
    here = ("127.0.0.1", 0)
    server = SimServer(world_from_text(SCENE), Served(tcp={"mast": here}, time_scale=0.02))
    server.__enter__()

    class Pulling(io.StringIO):
        """The plug is pulled with the last answer."""

        def isatty(self) -> bool:
            return True

        def readline(self, *given: Any) -> str:
            line = super().readline(*given)
            if not self.read(1):
                server.__exit__(None, None, None)
            else:
                self.seek(self.tell() - 1)
            return line

    monkeypatch.setattr("sys.stdin", Pulling("1\n1\n"))
    told = acqd("tonight", "2 m", *QUICK, "--sweeper", server.address("mast"), folder=tmp_path)
    assert told.code == 1
    assert told.err.splitlines()[-1].startswith("acqd: ") and "Traceback" not in told.err
    assert nothing_is_left(tmp_path)


# --- a file that is there already -----------------------------------------------------------------


def first_evening(acqd: Any, folder: Path, *more: str) -> str:
    told = acqd(
        *("tonight", "marine VHF", "--yes", *QUICK, "--sweeper", "sim:mast", *more), folder=folder
    )
    assert told.code == 0, told.err
    return (folder / "station.toml").read_text()


def test_a_second_evening_goes_on_with_the_file(acqd: Any, tmp_path: Path) -> None:
    """It asks nothing, changes nothing, and says so; what else was said is told to be ignored."""
    before = first_evening(acqd, tmp_path)
    told = acqd("tonight", "2 m", "--no-start", "--json", folder=tmp_path)
    assert told.code == 0, told.err
    assert "station.toml is here: going on with it (Marine VHF)" in told.err
    assert "the ranges are those of the file" in told.err
    assert "GANNET LOOKOUT 1" in told.err
    window = load_config(tmp_path / "station.toml").jobs["marine-vhf"].when.window
    assert told.json["until_s"] > time.time() and len(window) == 1
    assert (tmp_path / "station.toml").read_text() == before


def test_anew_puts_the_old_file_aside(acqd: Any, tmp_path: Path) -> None:
    """Nothing is lost."""
    before = first_evening(acqd, tmp_path)
    first_evening(acqd, tmp_path, "--anew", "--pads", "10 dB")
    asides = list(tmp_path.glob("station-*.toml"))
    assert [path.read_text() for path in asides] == [before]
    assert "10 dB pad" in (tmp_path / "station.toml").read_text()


def test_a_file_with_a_fault_is_told_as_everywhere(acqd: Any, tmp_path: Path) -> None:
    """File, line, what is accepted; it is left as it is."""
    text = first_evening(acqd, tmp_path).replace('rbw = "10 kHz"', 'rbw = "10"')
    (tmp_path / "station.toml").write_text(text)
    told = acqd("tonight", "--yes", folder=tmp_path)
    assert told.code == 2 and "station.toml:" in told.err and "rbw" in told.err
    assert (tmp_path / "station.toml").read_text() == text


# --- the night ------------------------------------------------------------------------------------


def kept(archive: Path) -> int:
    """How many sweeps an archive has, that may not be there yet."""
    try:
        opened = open_archive(archive)
        return sum(int(opened.sweeps(job).sizes["sweep"]) for job in opened.jobs())
    except ArchiveError:
        return 0


def test_ctrl_c_in_the_night_ends_it_with_a_report(tmp_path: Path) -> None:
    """A clean stop, what was swept is kept, the page is made and its path said."""
    program = [sys.executable, "-c", "from acqd.cli import main; main()", "tonight"]
    night = subprocess.Popen(
        [*program, "156MHz..158MHz", "--until", "1 h", "--yes", "--sweeper", "sim:mast"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        ends_s = time.monotonic() + 60.0
        while kept(tmp_path / "archive") < 2:
            assert night.poll() is None and time.monotonic() < ends_s
            time.sleep(0.2)
        night.send_signal(signal.SIGINT)
        out, err = night.communicate(timeout=100)
    finally:
        night.kill()
        night.wait()
    assert night.returncode == 0, err
    assert "ended early; making the report" in err
    page = Path(out.splitlines()[-1].removeprefix("report: "))
    assert page.parent == tmp_path and "</html>" in page.read_text("utf-8")
    assert kept(tmp_path / "archive") >= 2


def test_json_of_a_plan_has_no_word_beside_it(acqd: Any, tmp_path: Path) -> None:
    """Standard output is JSON alone."""
    told = acqd(
        *("tonight", "2 m", "--yes", *QUICK, "--sweeper", "sim:mast", "--json"), folder=tmp_path
    )
    assert json.loads(told.out)["ranges"][0]["unit"] == "dBm"


@pytest.mark.skipif(
    shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") is None,
    reason="the broker that cannot start is mosquitto",
)
def test_a_broker_that_cannot_start_costs_no_night(
    acqd: Any, acqd_child: Any, tmp_path: Path
) -> None:
    """A second evening; somebody has taken the port. It is said, and the report is made."""
    text = first_evening(acqd, tmp_path)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        text = re.sub(
            r"\[mqtt\]\nbroker = .*\n(?:address = .*\n)?",
            f'[mqtt]\nbroker = "local"\naddress = "127.0.0.1:{port}"\n',
            text,
        )
        (tmp_path / "station.toml").write_text(text)
        told = acqd_child("tonight", "--yes", "--until", "4 s", cwd=tmp_path)
    assert told.returncode == 0, told.stderr
    assert "This night goes without messages" in told.stderr
    assert Path(told.stdout.splitlines()[-1].removeprefix("report: ")).is_file()


@pytest.mark.slow
def test_what_is_said_to_be_always_caught_is_by_the_stations_own_plan(
    acqd: Any, tmp_path: Path
) -> None:
    """Ten minutes of the written file on a clock of its own: no visit to a frequency, with its
    sweep, takes longer than the plan said, though two ranges share the sweeper."""
    told = acqd(
        *("tonight", "marine VHF", "2 m", "--yes", *QUICK, "--sweeper", "sim:mast", "--json"),
        folder=tmp_path,
    )
    assert told.code == 0, told.err
    now = [str(path) for path in (tmp_path / "station.toml", tmp_path / "night")]
    rehearsed = acqd(
        *("rehearse", now[0], "--from", "now", "--for", "10min", "--archive", now[1]),
        "--no-report",
        folder=tmp_path,
    )
    assert rehearsed.code == 0, rehearsed.err
    with open_archive(now[1]) as archive:
        for one in told.json["ranges"]:
            sweeps = archive.sweeps(one["job"])
            starts_s = sweeps["time"].values.astype("datetime64[us]").astype("int64") / 1e6
            took_s = float(sweeps["duration"].values.max())
            assert len(starts_s) >= 0.9 * 600.0 / told.json["every_s"]
            assert float(np.diff(starts_s).max()) + took_s <= one["surely_caught_s"] + 0.05
