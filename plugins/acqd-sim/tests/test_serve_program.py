"""The program acqd-sim, in a process of its own."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from acqd_sim.scenefile import load_world

Start = Callable[..., tuple[subprocess.Popen[str], dict[str, str]]]
PROGRAM = [sys.executable, "-m", "acqd_sim.serve"]


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts ``acqd-sim serve``; gives the process and what its banner says."""
    with ExitStack() as stack:

        def run(*arguments: str, lines: int) -> tuple[subprocess.Popen[str], dict[str, str]]:
            process = subprocess.Popen(
                [*PROGRAM, "serve", "--time-scale", "0.01", *arguments],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            stack.enter_context(process)
            stack.callback(process.kill)
            assert process.stdout is not None
            banner = [process.stdout.readline().strip() for _ in range(lines)]
            return process, dict(line.split(" is at ") for line in banner)

        yield run


def done(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the program to its end."""
    return subprocess.run(
        [*PROGRAM, *arguments], capture_output=True, text=True, timeout=30, check=False
    )


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_says_where_everything_is_and_ends_cleanly(
    start: Start, connect: Callable[[str], Any], tmp_path: Path, number: signal.Signals
) -> None:
    """Banner, an answer, and exit code 0 with nothing left behind on a signal."""
    path = tmp_path / "bench"
    process, found = start("--tcp", "mast=127.0.0.1:0", "--pty", f"bench={path}", lines=2)
    assert found["bench"] == f"serial:{path}"
    assert connect(found["mast"]).ask("*IDN?").startswith("GANNET,LOOKOUT 1")
    process.send_signal(number)
    assert process.wait(5.0) == 0
    assert process.stderr is not None
    assert process.stderr.read() == ""
    assert not path.is_symlink()


@pytest.mark.slow
def test_an_order_is_given_from_the_shell(start: Start, connect: Callable[[str], Any]) -> None:
    """acqd-sim tell: what went well on stdout, what not on stderr with exit code 1."""
    _, found = start("--tcp", "mast=127.0.0.1:0", "--control", "127.0.0.1:0", lines=2)
    control = found["control"].removeprefix("tcp://")
    told = done("tell", control, "mast", "identity", "ACME,OTHER,1,2")
    assert (told.returncode, told.stderr) == (0, "")
    assert connect(found["mast"]).ask("*IDN?") == "ACME,OTHER,1,2"
    refused = done("tell", control, "mast", "dance")
    assert refused.returncode == 1
    assert "no order 'dance'" in refused.stderr


@pytest.mark.slow
def test_a_taken_port_is_one_line(start: Start) -> None:
    """Exit code 1, no traceback."""
    _, found = start("--tcp", "mast=127.0.0.1:0", lines=1)
    port = found["mast"].rsplit(":", 1)[1]
    second = done("serve", "--tcp", f"bench=127.0.0.1:{port}")
    assert second.returncode == 1
    assert second.stderr == f"acqd-sim: cannot listen on 127.0.0.1:{port}: it is taken\n"


@pytest.mark.slow
def test_without_ports_every_instrument_gets_one(start: Start) -> None:
    """Free ports on loopback."""
    _, found = start(lines=len(load_world().models))
    assert list(found) == list(load_world().models)


@pytest.mark.parametrize(
    ("arguments", "code", "problem"),
    [
        (["serve", "/nowhere.toml"], 2, "cannot be read: No such file or directory"),
        (["serve", "--tcp", "mast"], 2, "expected NAME=HOST:PORT"),
        (["serve", "--tcp", "mast=here"], 2, "expected HOST:PORT"),
        (["serve", "--tcp", "boat=127.0.0.1:0"], 1, "there is no instrument 'boat'"),
        (["serve", "--time-scale", "0"], 2, "--time-scale must be above 0"),
        (["tell", "127.0.0.1:1", "list"], 1, "no answer from 127.0.0.1:1"),
        (["truth", "-", "nowhere", "0", "1"], 2, "no scene 'nowhere'"),
    ],
    ids=["scene", "pair", "address", "name", "scale", "nobody", "truth"],
)
def test_what_cannot_be_done_is_one_line(
    capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, problem: str
) -> None:
    """On stderr, with the exit code of its kind."""
    from acqd_sim.serve import main

    try:
        returned: object = main(arguments)
    except SystemExit as exc:
        returned = exc.code
    assert returned == code
    shown = capsys.readouterr()
    assert problem in shown.err
    assert shown.err.count("\n") == 1
    assert shown.out == ""


def test_the_truth_is_a_table(capsys: pytest.CaptureFixture[str]) -> None:
    """Units in the header, one row a stretch, in order of start."""
    from acqd_sim.serve import main

    assert main(["truth", "-", "marine", "1780000000", "1780000060"]) == 0
    header, *rows = capsys.readouterr().out.splitlines()
    assert header.startswith("start [s],stop [s],name,kind,frequency [Hz]")
    assert len(rows) > 300
    starts = [float(row.split(",")[0]) for row in rows]
    assert starts == sorted(starts)
