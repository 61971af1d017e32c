"""Asking over a link without knowing how answers end: read until it has been quiet for a while."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Final

from acqd.drivers.contract import Transport
from acqd.errors import TransportTimeout
from acqd_lines.learn_guess import Exchange

__all__ = ["CAP_BYTES", "Ear", "Overheard"]

CAP_BYTES: Final = 4 << 20
"""Most that is kept of one answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overheard:
    """What came by itself, how long after the start its last byte, and whether it ended."""

    data: bytes
    last_s: float
    is_quiet: bool


class Ear:
    """Sends and listens. An answer is over when nothing more has come for ``quiet_s``."""

    def __init__(self, link: Transport, *, quiet_s: float) -> None:
        self._link = link
        self._quiet_s = quiet_s

    def listen(self, for_s: float) -> Overheard:
        """All that comes within ``for_s``, without having been asked for."""
        began_s = time.monotonic()
        data, last_s = bytearray(), 0.0
        while (left_s := began_s + for_s - time.monotonic()) > 0:
            try:
                came = self._link.read(timeout_s=left_s)
            except TransportTimeout:
                break
            last_s = time.monotonic() - began_s
            data += came[: CAP_BYTES - len(data)]
        return Overheard(
            data=bytes(data), last_s=last_s, is_quiet=not data or for_s - last_s > self._quiet_s
        )

    def ask(self, data: bytes, *, wait_s: float, quiet_s: float | None = None) -> Exchange:
        """Send ``data``; what came, beginning within ``wait_s`` and lasting at most four times it.

        Where the answer is an echo alone the wait goes on: the rest comes when a sweep is done.
        """
        quiet_s = quiet_s or self._quiet_s
        self._link.discard_input()
        self._link.write(data)
        began_s = time.monotonic()
        received = bytearray()
        while (now_s := time.monotonic()) < began_s + 4.0 * wait_s:
            only_echo = received.strip() == data.strip()
            limit_s = began_s + wait_s - now_s if not received or only_echo else quiet_s
            if limit_s <= 0:
                break
            try:
                came = self._link.read(timeout_s=limit_s)
            except TransportTimeout:
                break
            received += came[: CAP_BYTES - len(received)]
        return Exchange(sent=data, received=bytes(received))
