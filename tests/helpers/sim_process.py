"""The simulator as a process of its own, so that it can be stopped, killed and told what to do."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys

__all__ = ["SimProcess"]

STOP_LIMIT_S = 10.0


class SimProcess:
    """A running ``acqd-sim serve`` with a control port, twenty times as fast as in life.

    ``said`` are names with their addresses, as it said them; ``addresses`` the same by kind, what
    stands before the first colon: ``tcp``, ``serial``. ``arguments`` are those of the command.
    """

    def __init__(self, *arguments: str) -> None:
        command = [sys.executable, "-m", "acqd_sim.serve", "serve", *arguments]
        command += ["--time-scale", "0.05", "--control", "127.0.0.1:0"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self.said: list[tuple[str, str]] = []
        self.addresses: dict[tuple[str, str], str] = {}
        assert self.process.stdout is not None
        while ("control", "tcp") not in self.addresses:
            line = self.process.stdout.readline()
            found = re.match(r"(\S+) is at (\S+)", line)
            assert found, f"unexpected {line!r}"
            self.said.append((found[1], found[2]))
            self.addresses[found[1], found[2].partition(":")[0]] = found[2]
        host, _, port = self.addresses["control", "tcp"].removeprefix("tcp://").rpartition(":")
        self._control = socket.create_connection((host, int(port)), 5)
        self._answers = self._control.makefile("r")

    def tell(self, order: str) -> str:
        """Give an order over the control port; what is answered behind the ``ok``."""
        self._control.sendall(f"{order}\n".encode())
        answer = self._answers.readline().strip()
        assert answer.startswith("ok"), answer
        return answer.removeprefix("ok").strip()

    def stop(self) -> None:
        """End it, whatever state it is in."""
        self._answers.close()
        self._control.close()
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
        self.process.wait(STOP_LIMIT_S)
        assert self.process.stdout is not None
        self.process.stdout.close()
