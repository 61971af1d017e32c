"""Words for the service manager that started us: ready, how it goes, still alive, stopping.

    READY=1 ─► STATUS=… WATCHDOG=1 WATCHDOG=1 … ─► STOPPING=1

One datagram a message to the Unix socket that the manager named in ``NOTIFY_SOCKET``; a name that
begins with ``@`` is of the abstract kind. Nobody answers, and nothing here waits or raises: a
manager that does not listen costs nothing.

Source: sd_notify(3) and systemd.service(5), from memory; tests have a real manager.
"""

from __future__ import annotations

import os
import socket
from collections.abc import MutableMapping

__all__ = ["Notifier"]

SOCKET = "NOTIFY_SOCKET"
WATCHDOG_US = "WATCHDOG_USEC"
WATCHDOG_PID = "WATCHDOG_PID"
PATH_MOST_BYTES = 107
"""What a socket's name may hold on Linux."""
STATUS_MOST = 200
"""Characters of a status: it is one line of what people look at."""
SHORTEST_S = 0.1
"""A watchdog of less is none that anybody means."""


class Notifier:
    """Speaks to the manager at ``path``.

    Args:
        path: the socket's name as the manager gave it.
        watchdog_s: how long the manager waits for a sign of life; None where it does not.
    """

    def __init__(self, path: str, *, watchdog_s: float | None = None) -> None:
        self._address = os.fsencode(path)
        if self._address.startswith(b"@"):
            self._address = b"\0" + self._address[1:]
        self.watchdog_s = watchdog_s

    @classmethod
    def taken_from(
        cls, environ: MutableMapping[str, str], *, pid: int | None = None
    ) -> Notifier | None:
        """The manager that ``environ`` names, None where it names none that can be spoken to.

        Its variables are taken out: they are meant for this process, and what it starts must not
        speak in its name.
        """
        path = environ.pop(SOCKET, "")
        watchdog = environ.pop(WATCHDOG_US, "")
        meant = environ.pop(WATCHDOG_PID, "")
        if not path.startswith(("/", "@")) or not 1 < len(os.fsencode(path)) <= PATH_MOST_BYTES:
            return None
        is_ours = meant in ("", str(os.getpid() if pid is None else pid))
        return cls(path, watchdog_s=_watchdog_s(watchdog) if is_ours else None)

    def ready(self, status: str) -> None:
        """The start is over."""
        self._send("READY=1", _status(status))

    def status(self, text: str) -> None:
        """How it goes, for people."""
        self._send(_status(text))

    def alive(self) -> None:
        """The watchdog need not bite."""
        self._send("WATCHDOG=1")

    def stopping(self, status: str) -> None:
        """The stop has begun."""
        self._send("STOPPING=1", _status(status))

    def extend(self, seconds: float) -> None:
        """The start or stop under way takes longer: so much more from now on."""
        self._send(f"EXTEND_TIMEOUT_USEC={round(seconds * 1e6)}")

    def _send(self, *lines: str) -> bool:
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as mouth:
                mouth.setblocking(False)
                mouth.sendto("\n".join(lines).encode("utf-8", "replace"), self._address)
        except OSError:
            return False
        return True


def _status(text: str) -> str:
    """One line: a line of its own would be another word to the manager."""
    line = " ".join("".join(one if one.isprintable() else " " for one in text).split())
    return f"STATUS={line[:STATUS_MOST]}"


def _watchdog_s(text: str) -> float | None:
    if not (text.isascii() and text.isdigit()) or len(text) > 15:
        return None
    seconds = int(text) / 1e6
    return seconds if seconds >= SHORTEST_S else None
