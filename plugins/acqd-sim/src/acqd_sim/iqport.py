"""A port that sends a receiver's samples in real time, and nothing else.

Each connection gets a stream of its own from the instant it was made. A client that does not read
costs it samples, not this server its memory: while more than :data:`UNSENT_S` of them wait to be
sent, whole blocks are left out. So are blocks that come too late because the machine has no time.

What a client sends is thrown away. One that closes its side, or half of it, is taken to be gone.
"""

from __future__ import annotations

import asyncio
from typing import ClassVar, Final

from acqd_sim.instrument import Instrument
from acqd_sim.iq import IqSettings, IqSource
from acqd_sim.ports import READ_BYTES, PortTaken, SocketPort
from acqd_sim.simclock import SceneClock

__all__ = ["IqPort"]

BLOCK_S: Final = 0.02
BLOCK_SAMPLES: Final = (256, 1 << 18)
UNSENT_S: Final = 0.1
LATE_S: Final = 1.0
"""So far behind real time blocks are still made up for; further, they are left out."""


class IqPort(SocketPort):
    """Samples for each connection."""

    connections_max: ClassVar[int] = 4

    def __init__(
        self, instrument: Instrument, host: str, port: int, settings: IqSettings, clock: SceneClock
    ) -> None:
        super().__init__(instrument, host, port)
        if clock.scale != 1.0:
            raise PortTaken("samples are sent in real time: leave the time scale at 1")
        self.settings = settings
        self.left_out = 0
        """Blocks that were not sent, of all connections."""
        self._clock = clock

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.TaskGroup() as group:
                sending = group.create_task(self._send(writer))
                # Its place is wanted at once, and a write would tell only some blocks later.
                while await reader.read(READ_BYTES):
                    pass
                sending.cancel()
        except* OSError:
            pass  # it broke off

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
