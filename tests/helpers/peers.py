"""A real mosquitto for tests that speak to one, and waiting for what peers do."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import pytest

from acqd.errors import BrokerError
from acqd.publish.broker import find_mosquitto
from acqd.publish.child import free_port
from acqd.publish.link import round_trip
from acqd.publish.settings import BrokerSettings, Endpoint, MqttVersion

__all__ = ["Mosquitto", "WaitedInVain", "mosquittos", "skip_without_mosquitto", "wait_for"]


LIMIT_S = 60.0
"""For everything that is waited for; far above what is needed on an idle machine."""


class WaitedInVain(AssertionError):
    """What was waited for did not come."""


def wait_for(
    what: str,
    condition: Callable[[], Any],
    limit_s: float = LIMIT_S,
    *,
    said: Callable[[], str] = str,
) -> Any:
    """The first true value of ``condition``, asked every 10 ms; else a
    :class:`WaitedInVain` with what was ``said``."""
    ends_s = time.monotonic() + limit_s
    while not (value := condition()):
        if time.monotonic() > ends_s:
            raise WaitedInVain(f"waited {limit_s:g} s in vain for {what}\n{said()}")
        time.sleep(0.01)
    return value


class Mosquitto:
    """A mosquitto on a free port that a test may kill, freeze and start again.

    ``extra``: lines for its configuration. Where none of them says who may come in, all may.
    """

    def __init__(self, folder: Path, *extra: str) -> None:
        self.endpoint = Endpoint(host="127.0.0.1", port=free_port("127.0.0.1"))
        self.config = folder / f"mosquitto-{self.endpoint.port}.conf"
        is_said = any(line.startswith("allow_anonymous") for line in extra)
        lines = [
            f"listener {self.endpoint.port} 127.0.0.1",
            *([] if is_said else ["allow_anonymous true"]),
            "set_tcp_nodelay true",
            "max_queued_messages 10000",
            "log_dest none",
            *(["user root"] if os.geteuid() == 0 else []),
            *extra,
        ]
        self.config.write_text("\n".join(lines) + "\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.process = subprocess.Popen(
            [str(find_mosquitto()), "-c", str(self.config)], stderr=subprocess.DEVNULL
        )

    async def up(self, settings: BrokerSettings | None = None) -> None:
        """Start it, unless it runs, and wait until it answers."""
        if self.process is None:
            self.start()
        for _ in range(300):
            try:
                await round_trip(self.endpoint, MqttVersion.V5, 1.0, settings=settings)
                return
            except BrokerError:
                await asyncio.sleep(0.02)
        raise AssertionError("mosquitto did not come up")

    def freeze(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


def skip_without_mosquitto(*clients: str) -> None:
    """Skip the test where it or one of its ``clients`` is not; with ``CI`` that is an error."""
    try:
        find_mosquitto()
        missing = [name for name in clients if not shutil.which(name)]
        if missing:
            raise BrokerError(f"{missing[0]} is not installed: `apt install mosquitto-clients`")
    except BrokerError as exc:
        if os.environ.get("CI"):
            raise
        pytest.skip(str(exc))


OneMosquitto = TypeVar("OneMosquitto", bound=Mosquitto)


@contextmanager
def mosquittos(
    folder: Path, kind: type[OneMosquitto] = Mosquitto
) -> Iterator[Callable[..., OneMosquitto]]:
    """Makes some, not started, with lines of configuration of the test's own; kills them after."""
    made: list[OneMosquitto] = []

    def make(*extra: str) -> OneMosquitto:
        made.append(kind(folder, *extra))
        return made[-1]

    yield make
    for one in made:
        one.kill()
