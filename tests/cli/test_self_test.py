"""``acqd once --self-test`` over TCP: what passes, what fails, what is kept, and what is drawn."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from acqd_sim.scenefile import world_from_text
from acqd_sim.server import Served, SimServer

from acqd.archive.reader import open_archive
from acqd.archive.selftests import StoredTest, stored_tests
from acqd.archive.views import levels_from_json
from acqd.config.load import parse_config
from acqd.errors import ConfigError, SweeperError, WrongUsage
from acqd.station.control import ask_station

ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")
LIMIT_S = 60.0

SCENE = """\
seed = 11

[scene.bench]

[[scene.bench.carrier]]
name = "oscillator"
frequency = "100 MHz"
power = "-40 dBm"

[device.lead]
kind = "cable"
loss = "0.4 dB"
at = "100 MHz"

[device.pad]
kind = "pad"
loss = "20 dB"

[instrument.mast]
scene = "bench"
serial_number = "GL0017"
start = "100 kHz"
stop = "960 MHz"
source_path = ["lead"]
source_min = "-40 dBm"
source_max = "0 dBm"
accuracy = "1.5 dB"
sweep_factor = 1.0
"""

TESTS = """
[[sweeper.mast.self_test.noise]]
range = "150 MHz..400 MHz"
danl = "-148 dBm"
danl_is = "density"

[sweeper.mast.self_test.source]
level = "-30 dBm"
at = ["200 MHz", "300 MHz"]
loss_at = [["100 MHz", "0.4 dB"], ["400 MHz", "0.8 dB"]]
loss_uncertainty = "0.2 dB"
accuracy = "1 dB"

[[sweeper.mast.self_test.carrier]]
frequency = "100 MHz"
what = "the oscillator"
level = "-40 dBm"
level_uncertainty = "0.2 dB"
level_tolerance = "2.5 dB"
uncertainty = "0.1 ppm"
"""

CONFIG = """\
[station]
name = "lookout"
title = "Gannet Ledge Lookout"
archive = "archive"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "scpi"
address = "{address}"
absolute_max = "20 dBm"
level_accuracy = "1.5 dB"
frequency_accuracy = "2.5 ppm"
{tests}
[job.watch]
kind = "band"
sweeper = "mast"
start = "150 MHz"
stop = "160 MHz"
points = 101
when = {{ every = "200 ms" }}
"""


@dataclass
class Peer:
    sim: SimServer
    folder: Path

    def tests(self) -> list[StoredTest]:
        return stored_tests(open_archive(self.folder / "archive").overlays())

    def write(self, tests: str = TESTS, **change: str) -> Path:
        text = CONFIG.format(address=self.sim.address("mast"), tests=tests)
        for was, is_ in change.items():
            assert was in text
            text = text.replace(was, is_)
        path = self.folder / "station.toml"
        path.write_text(text)
        return path


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    """A sweeper with a source on a TCP port, and a config that says what it should be."""
    served = Served(tcp={"mast": ("127.0.0.1", 0)}, time_scale=0.02)
    with SimServer(world_from_text(SCENE), served) as sim:
        found = Peer(sim, tmp_path)
        found.write()
        yield found


def test_a_healthy_sweeper_passes_every_part(acqd: Any, peer: Peer) -> None:
    """Told part by part; kept with identity, settings, raw sweeps and who took it."""
    answer = acqd("once", "--self-test", "mast", "--yes", folder=peer.folder)
    assert answer.code == 0, answer.out + answer.err
    notes = [line for line in answer.out.splitlines() if "nobody says its noise bandwidth" in line]
    assert len(notes) == 1
    lines = [line for line in answer.out.splitlines() if line not in notes]
    assert re.fullmatch(
        r"Noise, 150\.000 MHz to 400\.000 MHz: −14\d\.\d+ dBm/Hz ± 0\.\d+ dB, stated −148\.\d+ "
        r"dBm/Hz, at most 1\.5 dB more: pass",
        lines[0],
    )
    assert [line.rpartition(": ")[2] for line in lines[:5]] == ["pass"] * 5
    assert "200.000 MHz" in lines[1] and "300.000 MHz" in lines[2]
    assert lines[3].startswith("Frequency of a known carrier, 100.000 MHz")
    assert lines[5] == "pass (kept in the archive)"
    asked = [answer.err.index(f"\n{part}: Take off") for part in ("noise", "source", "carrier")]
    assert asked == sorted(asked)
    assert "50 ohm termination" in answer.err and "0.5 to 0.7 dB" in answer.err
    assert "connect the oscillator at 100.000 MHz, at most −40.0 dBm" in answer.err
    assert "no aerial and no amplifier" in answer.err

    tests = peer.tests()
    assert [one.part for one in tests] == ["noise", "source", "carrier"]
    assert len({one.test_s for one in tests}) == 1
    assert {one.identity.serial_number for one in tests} == {"GL0017"}
    assert all(one.who and not one.moved for one in tests)
    (noise, *_) = open_archive(peer.folder / "archive").overlays()
    assert noise.body["settings"]["detector"] == "rms"
    sweeps = noise.body["sweeps"]
    level = levels_from_json(sweeps[0]["level"])
    assert len(sweeps) == 5 and level is not None and level.size == 401
    assert not peer.sim.instrument("mast").sweeping.panel.source_on


BROKEN = {
    "reads 6 dB too high": (("level-error 6",), {"noise", "loop", "level"}),
    "a pad in the way": (("source-path pad",), {"loop"}),
    "detuned": (("frequency-error 20",), {"frequency"}),
}


@pytest.mark.parametrize(("orders", "fails"), BROKEN.values(), ids=BROKEN)
def test_a_sweeper_that_is_off_fails_where_it_is(
    acqd: Any, peer: Peer, orders: tuple[str, ...], fails: set[str]
) -> None:
    """Exit code 3; the other parts pass."""
    for order in orders:
        peer.sim.tell(f"mast {order}")
    answer = acqd("once", "--self-test", "mast", "-y", "--json", folder=peer.folder)
    assert answer.code == 3
    told = answer.json
    assert told["verdict"] == "fail" and told["kept"]
    failed = {
        figure["key"].split()[0]
        for part in told["parts"]
        for figure in part["figures"]
        if figure["verdict"] == "fail"
    }
    assert failed == fails


def test_nothing_joined_is_incomplete_and_no_failure(acqd: Any, peer: Peer) -> None:
    """A forgotten cable is no broken sweeper; one part alone can be chosen."""
    peer.sim.tell("mast source-path pad, pad, pad, pad")
    answer = acqd("once", "--self-test", "mast", "-y", "--part", "source", folder=peer.folder)
    assert answer.code == 5
    assert answer.out.count("is the cable joined") == 2
    assert [one.part for one in peer.tests()] == ["source"]


def test_an_address_needs_no_config_and_keeps_nothing(
    acqd: Any, peer: Peer, tmp_path: Path
) -> None:
    """Without a file of what is expected the noise stands for itself."""
    address = peer.sim.address("mast")
    bare = acqd("once", "--self-test", address, "--yes", folder=tmp_path)
    assert bare.code == 4
    assert "nobody says what it should be" in bare.out and "not kept: no config" in bare.out
    file = tmp_path / "expected.toml"
    file.write_text('[[noise]]\nrange = "150 MHz..400 MHz"\ndanl = "-148 dBm"\ndanl_is = "power"\n')
    told = acqd("once", "--self-test", address, "--yes", "--expect", str(file), folder=tmp_path)
    assert told.code == 0, told.out
    assert not (tmp_path / "archive").exists()
    file.write_text('[[noise]]\nrange = "150 MHz"\ndanI = "-148 dBm"\n')
    wrong = acqd("once", "--self-test", address, "--expect", str(file), folder=tmp_path)
    assert wrong.code == 2
    assert "expected.toml:2:" in wrong.err and "expected.toml:3:" in wrong.err


@pytest.mark.parametrize("words", [("156.4MHz..156.6MHz", "--sweeper"), ("--self-test",)], ids=len)
def test_an_address_names_its_driver(acqd: Any, tmp_path: Path, words: tuple[str, ...]) -> None:
    """One of a recording is for samples, for a look at a range as for a self-test."""
    answer = acqd("once", *words, "iq:nothing-here.sigmf-meta", folder=tmp_path)
    assert answer.code == 1
    assert answer.err == (
        "acqd: nothing-here.sigmf-meta: cannot be read: No such file or directory\n"
    )


def test_a_moved_figure_is_noticed(acqd: Any, peer: Peer) -> None:
    """By 1 dB within its tolerance: it passes, and it is told that it is not where it was."""
    for _ in range(2):
        first = acqd("once", "--self-test", "mast", "-y", "--part", "source", folder=peer.folder)
        assert first.code == 0 and "moved" not in first.out
    peer.sim.tell("mast level-error -1")
    answer = acqd("once", "--self-test", "mast", "-y", "--part", "source", folder=peer.folder)
    assert "moved by −1." in answer.out and "against the 2 tests before" in answer.out
    last = peer.tests()[-1]
    assert set(last.moved) == {"loop 200000000", "loop 300000000"}
    # Another instrument is told of by its name, and compared with its own tests alone.
    peer.sim.tell("mast identity GANNET,LOOKOUT 1,GL0099,1.0")
    other = acqd("once", "--self-test", "mast", "-y", "--part", "source", folder=peer.folder)
    assert "moved" not in other.out and "GL0099" in other.err


UNSAFE = {
    "no maximum": ('absolute_max = "20 dBm"\n', "", "what the input stands is unknown"),
    "too strong": ('level = "-30 dBm"', 'level = "0 dBm"', "at most 0.0 dBm is allowed"),
    "without its pad": (
        'level = "-30 dBm"\nat = ["200 MHz", "300 MHz"]\n'
        'loss_at = [["100 MHz", "0.4 dB"], ["400 MHz", "0.8 dB"]]',
        'level = "18 dBm"\nat = "200 MHz"\nloss = "40 dB"',
        "without the loss between them the source would bring 18.0 dBm",
    ),
}


@pytest.mark.parametrize(("was", "now", "says"), UNSAFE.values(), ids=UNSAFE)
def test_a_loop_without_headroom_is_refused_before_anything_is_connected(
    acqd: Any, peer: Peer, was: str, now: str, says: str
) -> None:
    peer.write(**{was: now})
    answer = acqd("once", "--self-test", "mast", "-y", "--part", "source", folder=peer.folder)
    assert answer.code == 1
    assert says in answer.err.splitlines()[-1]
    assert "Take off" not in answer.err and not peer.tests()


def test_a_carrier_that_is_too_strong_is_refused(acqd: Any, peer: Peer) -> None:
    peer.write(**{'level = "-40 dBm"\n': 'level = "-40 dBm"\nmost = "10 dBm"\n'})
    answer = acqd("once", "--self-test", "mast", "-y", "--part", "carrier", folder=peer.folder)
    assert answer.code == 1 and "the oscillator can bring 13.0 dBm" in answer.err


@pytest.mark.parametrize(("typed", "code"), [("\n", 0), ("", 2)], ids=["Enter", "nobody"])
def test_it_waits_until_all_is_connected(
    acqd: Any, peer: Peer, monkeypatch: pytest.MonkeyPatch, typed: str, code: int
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    answer = acqd("once", "--self-test", "mast", "--part", "noise", folder=peer.folder)
    assert answer.code == code
    assert ("give --yes" in answer.err) is (code == 2)
    assert len(peer.tests()) == (code == 0)


WRONG = {
    "no such sweeper": (("--self-test", "shack"), "no enabled sweeper 'shack'; there is mast"),
    "no such part": (("--self-test", "mast", "--part", "mirror"), "noise, source, carrier"),
    "a job with it": (("watch", "--self-test", "mast"), "--self-test takes no WHAT"),
    "a file for a known one": (("--self-test", "mast", "--expect", "x"), "x"),
    "nothing": ((), "a job, a range such as 144MHz..146MHz, or --self-test"),
    "parts of a pass": (("watch", "--part", "noise"), "--part, --expect and --yes are for"),
}


@pytest.mark.parametrize(("words", "says"), WRONG.values(), ids=WRONG)
def test_words_that_cannot_be_meant(
    acqd: Any, peer: Peer, words: tuple[str, ...], says: str
) -> None:
    answer = acqd("once", *words, folder=peer.folder)
    assert answer.code == 2 and says in answer.err
    assert not peer.folder.joinpath("archive").exists() or not peer.tests()


def test_a_config_is_refused_where_its_tests_cannot_be() -> None:
    """Every slip at its line, also in tables within tables."""
    tests = (
        TESTS.replace('danl_is = "density"', 'danl_is = "loud"')
        .replace('accuracy = "1 dB"', 'gain = "3 dB"')
        .replace('what = "the oscillator"', 'most = "-50 dBm"')
    )
    with pytest.raises(ConfigError) as caught:
        parse_config(CONFIG.format(address="tcp://127.0.0.1:1", tests=tests), "station.toml")
    told = "\n".join(str(one) for one in caught.value.problems)
    assert '"log", "power", "density"' in told
    assert "no known loss" in told and "less than the level that the carrier has" in told
    lines = tests.splitlines()
    for slip in ('danl_is = "loud"', 'gain = "3 dB"', 'most = "-50 dBm"'):
        number = lines.index(slip) + CONFIG.split("{tests}")[0].count("\n") + 1
        assert f"station.toml:{number}:" in told, told


# -- beside a station that runs, and in its report -------------------------------------------------


class Running:
    """A station in a process of its own."""

    def __init__(self, config: Path) -> None:
        self.process = subprocess.Popen(
            [*ACQD, "run", str(config)], stderr=subprocess.PIPE, text=True
        )
        self.archive = config.parent / "archive"

    def wait_for(self, what: str, holds: Any) -> None:
        until_s = time.monotonic() + LIMIT_S
        while not holds():
            assert self.process.poll() is None, self.process.stderr and self.process.stderr.read()
            assert time.monotonic() < until_s, what
            time.sleep(0.05)

    def sweeps(self) -> int:
        try:
            return int(open_archive(self.archive).coverage("watch").sweeps)
        except Exception:
            return 0

    def stop(self) -> str:
        self.process.terminate()
        return str(self.process.communicate(timeout=LIMIT_S)[1])


def test_a_running_station_lets_its_jobs_wait(acqd: Any, peer: Peer) -> None:
    """And keeps the result, tells what failed, and goes on."""
    config = peer.write()
    run = Running(config)
    try:
        run.wait_for("sweeps", lambda: run.sweeps() > 2)
        peer.sim.tell("mast level-error 9")
        answer = acqd("once", "--self-test", "mast", "-y", "--part", "noise", folder=peer.folder)
        assert answer.code == 3, answer.err
        assert "by the running station lookout; jobs of mast wait meanwhile" in answer.err
        assert "noise, sweep 5 of 5" in answer.err
        wrong = acqd("once", "--self-test", "mast", "-y", "--part", "mirror", folder=peer.folder)
        assert wrong.code == 2
        before = run.sweeps()
        run.wait_for("sweeps again", lambda: run.sweeps() > before + 2)
        status = acqd("status", str(config), folder=peer.folder)
        assert re.search(r"self-test .*: fail: Noise", status.out), status.out
    finally:
        text = run.stop()
    assert "Traceback" not in text
    archive = open_archive(run.archive)
    (found,) = [one for one in archive.findings("station") if one.what == "self_test_failed"]
    assert found.figures["sweeper"] == "mast" and "self-test of mast: Noise" in found.text
    assert peer.tests()[0].told


def test_a_running_station_compares_with_tests_that_stand(acqd: Any, peer: Peer) -> None:
    """One that was taken back while it runs is out of comparisons, and one brought back is in."""
    config = peer.write()
    source = ("once", "--self-test", "mast", "-y", "--part", "source")
    for _ in range(2):
        assert acqd(*source, folder=peer.folder).code == 0
    run = Running(config)
    try:
        run.wait_for("sweeps", lambda: run.sweeps() > 1)
        for number in ("1", "2"):
            assert acqd("notes", "undo", number, folder=peer.folder).code == 0
        peer.sim.tell("mast level-error -1")
        alone = acqd(*source, folder=peer.folder)
        assert alone.code == 0 and "moved" not in alone.out, alone.err
        for number in ("3", "5"):
            assert acqd("notes", "undo", number, folder=peer.folder).code == 0
        again = acqd(*source, folder=peer.folder)
        assert "against the one test before" in again.out, again.out + again.err
    finally:
        run.stop()


def test_what_failed_without_the_station_is_told_when_it_starts(acqd: Any, peer: Peer) -> None:
    """Once: the next start has nothing to add."""
    config = peer.write()
    peer.sim.tell("mast level-error 9")
    acqd("once", "--self-test", "mast", "-y", "--part", "noise", folder=peer.folder)
    peer.sim.tell("mast heal")
    for _ in range(2):
        run = Running(config)
        try:
            run.wait_for("sweeps", lambda run=run: run.sweeps() > 1)
        finally:
            run.stop()
    words = [one.what for one in open_archive(run.archive).findings("station")]
    assert words.count("self_test_failed") == 1


def test_the_report_draws_tests_over_time_without_any_sweep(acqd: Any, peer: Peer) -> None:
    """Limits, the swap and the failure are marked; JSON and bundle have the numbers."""
    for order in ("heal", "heal", "identity GANNET,LOOKOUT 1,GL0099,1.0", "level-error 8"):
        peer.sim.tell(f"mast {order}")
        acqd("once", "--self-test", "mast", "-y", folder=peer.folder)
    archive = str(peer.folder / "archive")
    page = peer.folder / "report.html"
    data = peer.folder / "report.json"
    bundle = peer.folder / "report.zip"
    words = ("report", archive, "-o", str(page), "--json", str(data), "--bundle", str(bundle))
    answer = acqd(*words, folder=peer.folder)
    assert answer.code == 0, answer.err
    html = page.read_text("utf-8")
    assert "Self-tests of mast" in html and "4 tests of mast" in html
    assert "2 identities answered over time" in html and "GL0099" in html
    told = json.loads(data.read_text("utf-8"))["report"]
    (sweeper,) = told["sweepers"]
    (section,) = sweeper["sections"]
    noise, *_ = section["charts"]
    assert len(noise["lines"][0]["y"]) == 4 and noise["limits"][0]["level"] == -146.5
    marks = [mark["text"] for chart in section["charts"] for mark in chart["marks"]]
    assert any("GL0099" in mark for mark in marks) and any("fail" in mark for mark in marks)
    import zipfile

    names = zipfile.ZipFile(bundle).namelist()
    assert "sweepers/mast/all-self-tests.csv" in names
    status = acqd("status", str(peer.write()), folder=peer.folder)
    assert status.code == 1 and "self-test" in status.out


def test_jobs_wait_from_the_beginning_of_a_test_to_its_end(acqd: Any, peer: Peer) -> None:
    """For the one who began it; accounted for as paused."""
    config = peer.write()
    run = Running(config)

    def ask(step: str, test_s: float | None = None, **more: Any) -> dict[str, Any]:
        request = {"do": "self-test", "sweeper": "mast", "step": step, "test_s": test_s, **more}
        told = ask_station(run.archive, request)
        assert told is not None
        return told

    try:
        run.wait_for("sweeps", lambda: run.sweeps() > 2)
        test_s = ask("begin")["test_s"]
        held = run.sweeps()
        with pytest.raises(SweeperError, match="somebody tests it already"):
            ask("begin")
        with pytest.raises(SweeperError, match="this self-test is over"):
            ask("end", 1.0)
        with pytest.raises(WrongUsage, match="no part 'mirror'; it has noise, source, carrier"):
            ask("part", test_s, part="mirror")
        time.sleep(1.2)  # Some due times of the job must pass.
        assert run.sweeps() <= held + 1
        status = acqd("status", str(config), folder=peer.folder)
        assert "paused, mast is being tested" in status.out
        assert "50 ohm" in ask("check", test_s, part="noise")["instruction"]
        ask("end", test_s)
        run.wait_for("sweeps again", lambda: run.sweeps() > held + 3)
        with pytest.raises(SweeperError, match="this self-test is over"):
            ask("check", test_s, part="noise")
    finally:
        text = run.stop()
    assert "Traceback" not in text
    (gap,) = [one for one in open_archive(run.archive).gaps("watch") if one.reason == "paused"]
    assert gap.count >= 4 and gap.detail == "mast is being tested"
