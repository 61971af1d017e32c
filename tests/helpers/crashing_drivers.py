"""Drivers that do to their process what no thread survives, for the invented sweeper of
:mod:`bad_drivers`.

The option ``does`` says what, ``at`` in which call ("open", "sweep" which is the default, "close"),
``first`` from which sweep of a session on (1 by default). ``notes`` names a file in which each
driver writes its process, and what it started.
"""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from acqd.drivers.contract import OpenContext, Sweeper, Trace
from acqd.sweep import SweepRequest
from bad_drivers import Good, GoodDriver

__all__ = ["DOES", "CrashingDriver", "running"]

FOR_EVER_S = 600


def running(pid: int | str) -> bool:
    """Whether a process is there and is no mere remainder of one."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def segfault(sweeper: Crashing) -> None:
    """Read at address 0."""
    ctypes.string_at(0)


def leave(sweeper: Crashing) -> None:
    """End the process in the middle of it."""
    os._exit(7)


def hold(sweeper: Crashing) -> None:
    """Never let the interpreter go."""
    ctypes.PyDLL(None).sleep(FOR_EVER_S)


def sleep(sweeper: Crashing) -> None:
    """Let it go, and never come back."""
    time.sleep(FOR_EVER_S)


def stop(sweeper: Crashing) -> None:
    """Freeze the whole process."""
    os.kill(os.getpid(), signal.SIGSTOP)
    time.sleep(FOR_EVER_S)


def leak(sweeper: Crashing) -> None:
    """Take memory, and more."""
    while True:
        sweeper.kept.append(bytearray(os.urandom(1 << 16)) * 256)
        time.sleep(0.001)


def fork(sweeper: Crashing) -> None:
    """Leave a copy behind that holds all that this process holds, then crash."""
    pid = os.fork()
    if pid == 0:
        time.sleep(FOR_EVER_S)
        os._exit(0)
    sweeper.note(f"forked {pid}")
    os.abort()


def start(sweeper: Crashing) -> None:
    """Start another program, and leave it."""
    code = f"import time; time.sleep({FOR_EVER_S})"
    sweeper.note(f"started {subprocess.Popen([sys.executable, '-c', code]).pid}")


def flood(sweeper: Crashing) -> None:
    """Print and print, beside the sweeps."""

    def run() -> None:
        while True:
            os.write(1, b"one more line of no use to anybody, and of no end\n" * 200)

    if not sweeper.flooding:
        sweeper.flooding = True
        threading.Thread(target=run, daemon=True).start()


def speak(sweeper: Crashing) -> None:
    """Say a word on either stream."""
    sys.stdout.write("the needle sticks\n")
    sys.stderr.write("and it sticks again\n")


def hang_up(sweeper: Crashing) -> None:
    """Close every file there is, the line to the station with them."""
    os.closerange(3, 256)
    time.sleep(FOR_EVER_S)


def babble(sweeper: Crashing) -> None:
    """Write what is no message into every socket."""
    for fd in range(3, 64):
        try:
            os.write(fd, b"cposix\nsystem\n(S'true'\ntR.")
        except OSError:
            continue


def garble(sweeper: Crashing) -> None:
    """Answer with one of the station's own classes made of no table of its fields."""
    _answer('{"o":["Reply",[1,2]]}')


def accuse(sweeper: Crashing) -> None:
    """Answer with a failure whose parts are of no kind that they should be."""
    _answer(
        '{"o":["Reply",{"failure":{"o":["Failure",{"kind":[],"args":1,"facts":"x","trace":5}]}}]}'
    )


def _answer(value: str) -> None:
    """Answer the call under way in the place of the program around the driver, and live on."""
    at: Any = sys._getframe()
    while "frame" not in at.f_locals:
        at = at.f_back
    text = f'["reply",{at.f_locals["frame"].number},{value},null]'.encode()
    os.write(int(sys.argv[1]), b"AQW1" + len(text).to_bytes(4) + bytes(4) + text)
    time.sleep(FOR_EVER_S)


def look(sweeper: Crashing) -> None:
    """Note which files and which environment there are."""
    names = []
    for fd in os.listdir("/proc/self/fd"):
        try:
            names.append(os.readlink(f"/proc/self/fd/{fd}"))
        except OSError:
            continue
    sweeper.note("files " + " ".join(names))
    sweeper.note("environment " + " ".join(sorted(os.environ)))
    sweeper.note("modules " + " ".join(sorted(sys.modules)))


def nothing(sweeper: Crashing) -> None:
    """Keep the contract."""


DOES: dict[str, Callable[[Crashing], None]] = {
    made.__name__: made
    for made in (
        segfault,
        leave,
        hold,
        sleep,
        stop,
        leak,
        fork,
        start,
        flood,
        speak,
        hang_up,
        babble,
        garble,
        accuse,
        look,
        nothing,
    )
}


class Crashing(Good):
    """Keeps the contract but for what its options say."""

    def __init__(self, context: OpenContext) -> None:
        super().__init__(context)
        self.kept: list[bytearray] = []
        self.swept = 0
        self.flooding = False
        self.note(f"process {os.getpid()}")
        self.do("open")

    def sweep(self, request: SweepRequest) -> Trace:
        self.swept += 1
        if self.swept >= self.context.options.get("first", 1):
            self.do("sweep")
        return super().sweep(request)

    def close(self) -> None:
        self.do("close")
        super().close()

    def do(self, at: str) -> None:
        if at == self.context.options.get("at", "sweep"):
            DOES[self.context.options.get("does", "nothing")](self)

    def note(self, text: str) -> None:
        notes = self.context.options.get("notes")
        if notes:
            with Path(notes).open("a") as file:
                file.write(text + "\n")


class CrashingDriver(GoodDriver):
    """Its sweepers are :class:`Crashing`; it may crash before there is one."""

    def open(self, context: OpenContext) -> Sweeper:
        return Crashing(context)
