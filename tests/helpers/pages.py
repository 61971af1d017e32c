"""Walks a page of docs/ as its reader does: writes its files, runs its commands, compares.

In a page

- a block of ``toml`` below ``<!-- NAME -->`` is written to that file, below
  ``<!-- more of NAME -->`` put at its end;
- a block of ``sh`` is run in bash, below ``<!-- in a terminal of its own -->`` in the background
  until the walk ends;
- a block of ``text`` right below one of ``sh`` is what that shows. ``…`` stands for any text in a
  line, as a line of its own for any lines. Dates, times and digests are free, numbers hold within a
  tolerance, and every other character is as it stands.
"""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
LIMIT_S = 900.0
READY_S = 60.0

_BLOCK = re.compile(r"(?ms)^(?:<!-- ([^\n]*) -->\n)?```(sh|text|toml)\n(.*?)^```$")
_FREE = re.compile(
    r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d)?Z?)?|\d\d?:\d\d(?::\d\d)?"
    r"|\b\d{1,2} [A-Z][a-z]+ \d{4}|\b[0-9a-f]{16,}\b|127\.0\.0\.1:\d+"
)
_NUMBER = re.compile(r"[−-]?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One block of a page: its language, the remark above it, its text; whether it stands right
    below a block of ``sh``."""

    language: str
    remark: str
    text: str
    is_shown: bool = False


def blocks_of(page: str) -> list[Block]:
    """The blocks that are walked, in order."""
    blocks: list[Block] = []
    end = 0
    for found in _BLOCK.finditer(page):
        is_below = (
            bool(blocks) and blocks[-1].language == "sh" and not page[end : found.start()].strip()
        )
        blocks.append(
            Block(
                language=found[2],
                remark=found[1] or "",
                text=found[3],
                is_shown=is_below and found[2] == "text",
            )
        )
        end = found.end()
    return blocks


def _split(line: str) -> tuple[str, list[float]]:
    """A line without what is free and without its numbers, and these."""
    line = _FREE.sub("@", " ".join(line.split()))
    numbers = [float(text.replace("−", "-")) for text in _NUMBER.findall(line)]
    # How many characters of a rule or a plot there are hangs on the numbers beside it.
    return re.sub(r"[─▁▂▃▄▅▆▇█┤ ]+", " ", _NUMBER.sub("#", line)).strip(), numbers


def is_same(shown: str, line: str, *, within: float) -> bool:
    """Whether a line is the one that is shown: its words, and its numbers as near as asked.

    ``within`` is absolute; 3 % of a number are allowed in any case.
    """
    if "…" in shown:
        parts = [re.escape(_split(part)[0]) for part in shown.split("…")]
        return re.fullmatch(".*".join(parts), _split(line)[0]) is not None
    (words, wanted), (seen, found) = _split(shown), _split(line)
    return words == seen and all(
        abs(one - other) <= max(within, 0.03 * abs(one))
        for one, other in zip(wanted, found, strict=True)
    )


def missing(shown: Sequence[str], lines: Sequence[str], *, within: float) -> str | None:
    """The first shown line that is not where it should be among ``lines``; None where all are."""
    left = [line for line in lines if line.strip()]
    may_skip = False
    for wanted in (line for line in shown if line.strip()):
        if wanted.strip() == "…":
            may_skip = True
            continue
        while left and not is_same(wanted, left[0], within=within):
            if not may_skip:
                return wanted
            left.pop(0)
        if not left:
            return wanted
        left.pop(0)
        may_skip = False
    return None if may_skip or not left else f"(the end, before {left[0]!r})"


def _free_port() -> int:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


class Walk:
    """One reader, in an empty folder, with a home of their own in which acqd is checked out."""

    def __init__(self, folder: Path, home: Path, hurry: Sequence[tuple[str, str]] = ()) -> None:
        self.folder = folder
        self._hurry = hurry
        self._hurried: set[str] = set()
        self._ports: dict[str, str] = {}
        self._beside: list[subprocess.Popen[bytes]] = []
        home.mkdir(parents=True, exist_ok=True)
        (home / "acqd").symlink_to(ROOT)
        bin_folder = Path(sys.executable).parent
        self._env = {
            **os.environ,
            "HOME": str(home),
            "PATH": f"{bin_folder}:{os.environ['PATH']}:/usr/sbin",
            "ACQD_LOG": "text",
            "NO_COLOR": "1",
            "COLUMNS": "240",
            "TZ": "Europe/London",
        }

    def _text(self, text: str) -> str:
        """As the reader has it, but for ports that may be taken and what is hurried."""
        for old, new in self._hurry:
            text, times = re.subn(old, new, text)
            if times:
                self._hurried.add(old)
        for port in re.findall(r"127\.0\.0\.1:(\d{5})", text):
            self._ports.setdefault(port, str(_free_port()))
        for old, new in self._ports.items():
            text = text.replace(f"127.0.0.1:{old}", f"127.0.0.1:{new}")
        return text

    def do(self, block: Block) -> list[str]:
        """Do what the block asks for; the lines that it showed."""
        text = self._text(block.text)
        if block.language == "toml" and block.remark:
            name = block.remark.removeprefix("more of ")
            with (self.folder / name).open("a" if name != block.remark else "w") as file:
                file.write(text if name == block.remark else "\n" + text)
            return []
        if block.language != "sh":
            return []
        if block.remark == "in a terminal of its own":
            return self._start(text)
        done = subprocess.run(
            ["bash", "-c", text],
            cwd=self.folder,
            env=self._env,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=LIMIT_S,
            check=False,
        )
        return done.stdout.decode("utf-8").splitlines()

    def _start(self, text: str) -> list[str]:
        log = self.folder / f".terminal-{len(self._beside)}"
        with log.open("wb") as file:
            process = subprocess.Popen(
                ["bash", "-c", f"exec {text.strip()}"],
                cwd=self.folder,
                env=self._env,
                stdin=subprocess.DEVNULL,
                stdout=file,
                stderr=subprocess.STDOUT,
            )
        self._beside.append(process)
        ends_s = time.monotonic() + READY_S
        ready = "control is at" if "serve" in text else "sweeper_present"
        while ready not in log.read_text("utf-8"):
            assert process.poll() is None and time.monotonic() < ends_s, log.read_text("utf-8")
            time.sleep(0.05)
        return log.read_text("utf-8").splitlines()

    def end(self) -> None:
        """Close the other terminals."""
        for process in reversed(self._beside):
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
        for process in self._beside:
            process.wait(20)

    @property
    def idle_hurries(self) -> list[str]:
        """What was to be hurried and is not on the page."""
        return [old for old, _ in self._hurry if old not in self._hurried]


def walk(name: str, walker: Walk, *, within: float = 1.0) -> list[str]:
    """Walk a page; each difference as a text. A page without commands is a difference."""
    blocks = blocks_of((DOCS / name).read_text("utf-8"))
    wrong: list[str] = []
    seen: list[str] = []
    asked = ""
    try:
        for block in blocks:
            if block.is_shown:
                absent = missing(block.text.splitlines(), seen, within=within)
                if absent is not None:
                    wrong.append(f"{asked}\nshows {absent}\nbut came\n" + "\n".join(seen))
            elif block.language != "text":
                seen = walker.do(block)
                asked = block.text.strip() if block.language == "sh" else asked
    finally:
        walker.end()
    return wrong if asked else ["the page runs nothing"]
