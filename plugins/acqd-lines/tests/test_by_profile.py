"""The walk of docs/new-driver.md without code, from a sweeper nobody knows to one that sweeps."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from .conftest import Peer, Serve
from .puffin import Puffin

PAGE = (Path(__file__).parents[3] / "docs" / "new-driver.md").read_text(encoding="utf-8")
PORT = "serial:/dev/ttyACM0"
"""The port of the page."""
QUICK = {
    "acqd profile learn": ("--pause", "100ms", "--wait", "300ms"),
    "pytest --pyargs": ("--sweeps", "50", "--endurance", "5", "-p", "no:cacheprovider"),
}
"""What keeps the test short and changes nothing else."""


def block(name: str) -> str:
    """The block of the page behind the comment ``name``."""
    found = re.search(rf"<!-- {name} -->\n```\w*\n(.*?)```\n", PAGE, re.DOTALL)
    assert found is not None, name
    return found[1]


def commands(name: str, address: str) -> list[list[str]]:
    """The commands of a block, on ``address``, as this Python runs them."""
    made = []
    for line in block(name).replace("\\\n", " ").splitlines():
        words = shlex.split(line.replace(PORT, address))
        for begin, more in QUICK.items():
            words += more if line.startswith(begin) else ()
        module = "pytest" if words[0] == "pytest" else "acqd"
        made.append([sys.executable, "-m", module, *words[1:]])
    return made


def run(words: list[str], folder: Path) -> str:
    """What a command says; it must end well."""
    done = subprocess.run(
        words, cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, f"{' '.join(words)}\n{done.stdout}\n{done.stderr}"
    return done.stdout + done.stderr


@pytest.mark.slow
def test_the_walk_of_the_page(serve: Serve, tmp_path: Path) -> None:
    """Learn, edit, check, suite and one sweep as the page has them, on a sweeper at a terminal; the
    source is off at the end, and the carriers are where they are."""
    device = Puffin()
    address = serve(Peer(device.answer), "serial").address
    (learn,) = commands("learn", address)
    assert "it matches" in run(learn, tmp_path)
    path = tmp_path / "puffin.toml"
    learnt = path.read_text(encoding="utf-8")
    kept, count = re.subn(r"\[timing\]\n.*?\n\n", "", learnt, flags=re.DOTALL)
    assert count == 1
    path.write_text(kept + block("edit"), encoding="utf-8")
    holds, check, suite, once = commands("check", address)
    assert "with a source" in run(holds, tmp_path)
    assert "it matches" in run(check, tmp_path)
    said = run(suite, tmp_path)
    assert "keeps the contract as far as could be looked" in said
    assert device.source_dbm is None
    seen = run(once, tmp_path)
    assert re.search(r"156\.8 MHz +−40\.\d", seen)
    assert re.search(r"158\.3 MHz +−6[12]\.\d", seen)
