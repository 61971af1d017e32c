"""The suite by its command line: what it finds, skips, refuses, and says at the end."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bad_drivers import LedgePeer

HELPERS = Path(__file__).parents[1] / "helpers"
Suite = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def suite(tmp_path: Path) -> Suite:
    """Runs it in a folder and a process of its own, where the driver `bad` is installed too."""
    information = tmp_path / "bad-1.0.dist-info"
    information.mkdir()
    (information / "METADATA").write_text("Metadata-Version: 2.1\nName: bad\nVersion: 1.0\n")
    (information / "entry_points.txt").write_text("[acqd.drivers]\nbad = bad_drivers:BadDriver\n")

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-p", "no:asyncio"]
        path = os.pathsep.join([str(tmp_path), str(HELPERS)])
        return subprocess.run(
            [*command, "--pyargs", "acqd.testing.suite", *words],
            capture_output=True,
            text=True,
            cwd=tmp_path,
            timeout=110,
            check=False,
            env={**os.environ, "PYTHONPATH": path, "COLUMNS": "200"},
        )

    return run


@pytest.fixture
def peer() -> Iterator[LedgePeer]:
    """A sweeper."""
    made = LedgePeer()
    yield made
    made.stop()


@pytest.mark.slow
def test_without_a_driver_all_is_skipped_and_it_says_so(suite: Suite) -> None:
    """Exit code 0, nothing passed, and a sentence at the end."""
    done = suite()
    assert done.returncode == 0
    assert " skipped in " in done.stdout and "passed" not in done.stdout
    assert "Nothing was tested: no driver was named. Give --driver NAME" in done.stdout


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--driver", "bda", "--address", "x"], "not installed; installed drivers: bad"),
        (["--driver", "bad"], "--driver needs --address ADDRESS as well"),
        (["--address", "tcp://x:1"], "--address needs --driver NAME as well"),
        (["--driver", "bad", "--address", "x", "--start", "156"], "--start and --stop go together"),
        (
            ["--driver", "bad", "--address", "x", "--start", "156", "--stop", "157MHz"],
            "--start: ",
        ),
        (["--driver", "bad", "--address", "x", "--option", "baud"], "expected KEY=VALUE"),
        (["--driver", "bad", "--address", "x", "--options", "no.toml"], "--options no.toml: "),
        (["--driver", "bad", "--address", "x", "--sweeps", "3"], "a whole number from 50 on"),
        (["--driver", "bad", "--address", "x", "--source-dbm", "much"], "expected a level in dBm"),
        (["--driver", "bad", "--address", "x", "--source-dbm", "1e999"], "expected a level in dBm"),
        (["--driver", "bad", "--address", "x", "--source-dbm", "1_0"], "expected a level in dBm"),
        (["--driver", "bad", "--address", "tcp://127.0.0.1:1"], "cannot be opened: Transport"),
    ],
    ids=[
        "driver",
        "no address",
        "no driver",
        "no stop",
        "unit",
        "option",
        "options",
        "sweeps",
        "level",
        "infinite level",
        "digit groups",
        "nobody there",
    ],
)
def test_what_cannot_be_done_ends_it_with_one_line(
    suite: Suite, words: list[str], said: str
) -> None:
    """Before any test is run."""
    done = suite(*words)
    assert done.returncode != 0
    assert said in done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    assert "passed" not in done.stdout


@pytest.mark.slow
def test_a_good_driver_passes_and_is_told_of(suite: Suite, peer: LedgePeer) -> None:
    """Its source is looked at by a command; nothing is skipped, and the summary has its name."""
    look = f"{sys.executable} -c \"print('off')\""
    done = suite(
        "--driver=bad",
        f"--address={peer.address}",
        "--sweeps=60",
        "--start=156MHz",
        "--stop=157MHz",
        "--points=51",
        "--source-dbm=-30",
        f"--source-seen-by={look}",
    )
    # A command that always says off is found out where the source should be on.
    assert done.returncode == 1, done.stdout
    assert "set_source() turns the source on." in done.stdout
    who = f"The driver bad of bad 1.0 at {peer.address} (GANNET LEDGE, serial number GL0201)"
    assert f"{who} does not keep the contract yet: 1 check of " in done.stdout
    assert "first test_source_is_off_after_opening_and_after_closing" in done.stdout
    assert "note: 60 sweeps in a row took " in done.stdout
    assert "no more than the -30 dBm that are allowed was tried" in done.stdout
    assert "not looked at" not in done.stdout


@pytest.mark.slow
def test_a_fault_is_told_with_what_to_do(suite: Suite, peer: LedgePeer) -> None:
    """No traceback of the kit: contract, what the driver did, what to do."""
    where = ["--driver=bad", f"--address={peer.address}", "--option", "fault=ReadsNothing"]
    done = suite(*where, "--sweeps=50", "-k", "levels_are_sane or without_probe")
    assert done.returncode == 1
    assert "contract: Levels are what was swept." in done.stdout
    assert "the driver: all 101 levels are -100 dBm" in done.stdout
    assert "what to do: Read the trace after the sweep is done" in done.stdout
    assert "1 check of 2 failed, first test_levels_are_sane" in done.stdout


@pytest.mark.slow
def test_an_option_can_come_from_a_file(suite: Suite, peer: LedgePeer, tmp_path: Path) -> None:
    """Those given one by one go before it; a relay can be left out."""
    file = tmp_path / "bench.toml"
    file.write_text('fault = "HasNoName"\n')
    where = ["--driver=bad", f"--address={peer.address}", "--options", str(file)]
    few = ["-k", "introduces or falls_silent", "--no-relay"]
    assert "it gave no maker, no model" in suite(*where, *few).stdout
    done = suite(*where, *few, "--option", 'fault=""')
    assert done.returncode == 0, done.stdout
    assert "not looked at (1 check): this bench cannot make the sweeper fall silent" in done.stdout


@pytest.mark.slow
def test_a_driver_can_be_tested_in_a_process_of_its_own(suite: Suite, peer: LedgePeer) -> None:
    """The same checks; a word that is no way to run it is refused in one line."""
    where = ["--driver=bad", f"--address={peer.address}", "-k", "introduces or levels_are_sane"]
    done = suite(*where, "--isolation=process")
    assert done.returncode == 0, done.stdout + done.stderr
    done = suite(*where, "--isolation=box")
    assert done.returncode == pytest.ExitCode.USAGE_ERROR
    assert "--isolation box: expected thread or process" in done.stdout + done.stderr


@pytest.mark.slow
def test_other_runs_of_pytest_are_left_alone(tmp_path: Path) -> None:
    """Another plugin may have an option of the same name, and no line is added."""
    (tmp_path / "conftest.py").write_text(
        "def pytest_addoption(parser):\n    parser.addoption('--driver')\n"
    )
    (tmp_path / "test_one.py").write_text("def test_one(pytestconfig):\n    assert 1\n")
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:asyncio", "--driver", "firefox"]
    done = subprocess.run(
        command, capture_output=True, text=True, cwd=tmp_path, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "acqd" not in done.stdout


def test_the_plugin_imports_nothing_heavy() -> None:
    """It is loaded in every run of pytest."""
    code = (
        "import sys, acqd.testing.plugin\n"
        "sys.exit(len({'numpy', 'pydantic', 'h5py', 'serial', 'asyncio'} & set(sys.modules)))"
    )
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
