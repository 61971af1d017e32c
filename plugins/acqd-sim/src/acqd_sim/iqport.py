"""A port that sends a receiver's samples in real time, and nothing else.

Each connection gets a stream of its own from the instant it was made. A client that does not read
costs it samples, not this server its memory: while more than :data:`UNSENT_S` of them wait to be
sent, whole blocks are left out. So are blocks that come too late because the machine has no time.
"""

from __future__ import annotations

import asyncio
import errno
from typing import Final

from acqd_sim.instrument import Instrument
from acqd_sim.iq import IqSettings, IqSource
from acqd_sim.ports import LOOPBACK, Port, PortTaken
from acqd_sim.simclock import SceneClock

__all__ = ["IqPort"]

CLIENTS_MAX: Final = 4
BLOCK_S: Final = 0.02
BLOCK_SAMPLES: Final = (256, 1 << 18)
UNSENT_S: Final = 0.1
LATE_S: Final = 1.0
"""So far behind real time blocks are still made up for; further, they are left out."""


class IqPort(Port):
    """A listening socket on loopback. Port 0 takes a free one, and keeps it over a replug."""

    def __init__(
        self, instrument: Instrument, host: str, port: int, settings: IqSettings, clock: SceneClock
    ) -> None:
        if host not in LOOPBACK:
            raise PortTaken(f"{host}: the simulator listens on loopback only, such as 127.0.0.1")
        if clock.scale != 1.0:
            raise PortTaken("samples are sent in real time: leave the time scale at 1")
        self.instrument = instrument
        self.settings = settings
        self.host = host
        self.port = port
        self.left_out = 0
        """Blocks that were not sent, of all connections."""
        self._clock = clock
        self._server: asyncio.Server | None = None
        self._tasks: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    @property
    def address(self) -> str:
        return f"tcp://{self.host}:{self.port}"

    async def open(self) -> None:
        try:
            server = await asyncio.start_server(self._serve, self.host, self.port)
        except OSError as exc:
            reason = "it is taken" if exc.errno == errno.EADDRINUSE else exc.strerror
            raise PortTaken(f"cannot listen on {self.host}:{self.port}: {reason}") from exc
        self._server = server
        self.port = server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        self.hang_up()
        if self._tasks:
            await asyncio.wait(list(self._tasks), timeout=1.0)

    def hang_up(self) -> None:
        for task, writer in list(self._tasks.items()):
            writer.transport.abort()
            task.cancel()

    async def _serve(self, _reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None or len(self._tasks) >= CLIENTS_MAX:
            writer.transport.abort()
            return
        self._tasks[task] = writer
        try:
            await self._send(writer)
        except (OSError, asyncio.CancelledError):
            pass  # the client went away, or the server is closing: either way it is over
        finally:
            del self._tasks[task]
            writer.transport.abort()

    async def _send(self, writer: asyncio.StreamWriter) -> None:
        settings, clock = self.settings, self._clock
        least, most = BLOCK_SAMPLES
        size = min(most, max(least, round(BLOCK_S * settings.rate_hz)))
        unsent_most = max(UNSENT_S * settings.rate_hz, size) * settings.frame_bytes
        receiver = self.instrument.sweeping.receiver
        source = IqSource(receiver, settings, start_s=clock.now_s())
        begun_s, sent = clock.steady_s(), 0
        while not writer.transport.is_closing():
            sent += size
            wait_s = begun_s + sent / settings.rate_hz - clock.steady_s()
            if wait_s < -LATE_S or writer.transport.get_write_buffer_size() > unsent_most:
                source.skip(size)
                self.left_out += 1
            else:
                # In a thread: a block takes longer to make than other instruments like to wait.
                writer.write(await asyncio.to_thread(source.block, size))
            wait_s = begun_s + sent / settings.rate_hz - clock.steady_s()
            await asyncio.sleep(max(0.0, wait_s))
