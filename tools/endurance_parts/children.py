"""Programs that a run starts, each ended with it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from acqd.publish.broker import find_mosquitto
from acqd.publish.child import free_port

__all__ = ["HOST", "Child", "child_named", "start_broker", "start_simulator", "wait_until"]

HOST = "127.0.0.1"
UP_S = 60.0
END_S = 20.0


class Child:
    """A program whose output goes to a file."""

    def __init__(self, words: list[str], log: Path, **environment: str) -> None:
        self.log = log
        with log.open("ab") as file:
            self.process = subprocess.Popen(
                words,
                stdout=file,
                stderr=file,
                stdin=subprocess.DEVNULL,
                env={**os.environ, **environment},
            )

    @property
    def pid(self) -> int:
        return self.process.pid

    @property
    def runs(self) -> bool:
        return self.process.poll() is None

    def text(self) -> str:
        return self.log.read_text("utf-8", errors="replace")

    def end(self) -> int:
        """Ask it to end, in the end kill it; its exit code."""
        if self.runs:
            self.process.terminate()
            try:
                self.process.wait(END_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
        return self.process.wait()


def wait_until(what: str, condition: Callable[[], Any], limit_s: float = UP_S) -> Any:
    """The first true value of ``condition``.

    Raises:
        RuntimeError: there was none in time.
    """
    ends_s = time.monotonic() + limit_s
    while not (value := condition()):
        if time.monotonic() > ends_s:
            raise RuntimeError(f"waited {limit_s:g} s in vain for {what}")
        time.sleep(0.05)
    return value


def start_simulator(folder: Path, scene: Path, names: list[str], stack: ExitStack) -> list[str]:
    """Sweepers that speak SCPI over TCP, all in one process; their addresses."""
    ports = {name: free_port(HOST) for name in names}
    words = [sys.executable, "-m", "acqd_sim.serve", "serve", str(scene)]
    for name, port in ports.items():
        words += ["--tcp", f"{name}={HOST}:{port}"]
    words += ["--control", f"{HOST}:{free_port(HOST)}"]
    # Or what it prints stays with it until it ends.
    child = Child(words, folder / "simulator.log", PYTHONUNBUFFERED="1")
    stack.callback(child.end)
    wait_until("the simulated sweepers", lambda: "control is at" in _said(child, "simulator"))
    return [f"tcp://{HOST}:{port}" for port in ports.values()]


def start_broker(folder: Path, stack: ExitStack) -> tuple[int, int]:
    """mosquitto on loopback that keeps every message for a slow subscriber; port and process id."""
    port = free_port(HOST)
    config = folder / "mosquitto.conf"
    config.write_text(
        f"listener {port} {HOST}\nallow_anonymous true\nset_tcp_nodelay true\n"
        "max_queued_messages 0\nlog_dest stderr\nlog_type error\nlog_type warning\n"
        + ("user root\n" if os.geteuid() == 0 else ""),
        "utf-8",
    )
    child = Child([str(find_mosquitto()), "-c", str(config)], folder / "mosquitto.log")
    stack.callback(child.end)
    return port, child.pid


def _said(child: Child, what: str) -> str:
    if not child.runs:
        raise RuntimeError(f"the {what} ended: {child.text().strip()}")
    return child.text()


def child_named(pid: int, name: str) -> int | None:
    """A process below ``pid``, at any depth, with this name; None where there is none."""
    parents: dict[int, list[tuple[int, str]]] = {}
    for entry in os.listdir("/proc"):
        if not entry.isdecimal():
            continue
        try:
            stat = Path(f"/proc/{entry}/stat").read_text("utf-8", errors="replace")
        except (FileNotFoundError, ProcessLookupError):
            continue
        called, _, rest = stat.partition("(")[2].rpartition(")")
        parents.setdefault(int(rest.split()[1]), []).append((int(entry), called))
    waiting = [pid]
    while waiting:
        for one, called in parents.get(waiting.pop(), []):
            if called == name:
                return one
            waiting.append(one)
    return None
