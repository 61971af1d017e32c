"""A stream of samples over a link: nothing but samples, from the first byte on.

A sweep is of now. What came between two sweeps is dropped before the next one: bytes are read and
thrown away until no more come than the rate says. Then the samples of the whole sweep are read in
one go, and only then worked on, so that nothing is lost between the first and the last on this
side. Whether the sender left any out cannot be seen in a stream of bare samples; what can be seen
is how long they took to come. A sweep whose samples took a tenth and a grace longer than the rate
says is refused.
"""

from __future__ import annotations

import time
from typing import Final

import numpy as np
from numpy.typing import NDArray

from acqd.drivers.contract import Transport
from acqd.errors import RequestRefused, SweepInvalid, TransportTimeout
from acqd_iq.datatypes import SampleType

__all__ = ["SWEEP_MOST_BYTES", "Stream"]

SWEEP_MOST_BYTES: Final = 256 << 20
"""Most that one sweep holds: 33 s at 2 MS/s of ci16."""
READ_BYTES: Final = 1 << 20
WINDOW_S: Final = 0.05
"""How long the stream is watched at a time to see whether it comes as fast as it is sent."""
CATCH_UP_S: Final = 5.0
"""Longest that old samples are thrown away for; a link that is as slow as the stream never ends."""
TOO_FAST: Final = 1.5
TOO_SLOW: Final = 1.1


class Stream:
    """Takes stretches of samples from a link. Used by one thread.

    Args:
        stall_s: how long nothing may come before the link is given up; a quarter of it is the
            grace that samples have to come late.
    """

    def __init__(
        self, link: Transport, kind: SampleType, *, rate_hz: float, name: str, stall_s: float
    ) -> None:
        self._link = link
        self._kind = kind
        self._rate_hz = rate_hz
        self._name = name
        self._stall_s = stall_s
        self._odd_bytes = 0
        """Of a sample whose rest has not come yet, at the end of what was read."""

    @property
    def samples_most(self) -> int:
        """Samples that one sweep may take."""
        return SWEEP_MOST_BYTES // self._kind.frame_bytes

    @property
    def settle_s(self) -> float:
        """How long a sweep waits at least before its first sample."""
        return WINDOW_S

    def take(self, samples: int) -> NDArray[np.generic]:
        """The next samples from now on, as components of the stream's type.

        Raises:
            RequestRefused: more than one sweep may take.
            SweepInvalid: they came too slowly to be all that were sent.
            TransportTimeout: nothing came any more.
            TransportClosed: the other end closed the link.
        """
        if samples > self.samples_most:
            raise RequestRefused(
                setting="sweep time",
                asked=f"{samples / self._rate_hz:.6g} s",
                limit=f"{self.samples_most / self._rate_hz:.6g} s at this rate and type",
            )
        self._catch_up()
        self._align()
        begun_s = time.monotonic()
        wanted = samples * self._kind.frame_bytes
        held = bytearray(wanted)
        view, filled = memoryview(held), 0
        while filled < wanted:
            data = self._read(wanted - filled)
            view[filled : filled + len(data)] = data
            filled += len(data)
        self._check_pace(samples, time.monotonic() - begun_s)
        return np.frombuffer(held, dtype=self._kind.number)

    def _read(self, most: int) -> bytes:
        try:
            return self._link.read(min(most, READ_BYTES), timeout_s=self._stall_s)
        except TransportTimeout as exc:
            raise TransportTimeout(
                f"{self._name}: no samples for {self._stall_s:g} s; does whatever sends them run?"
            ) from exc

    def _align(self) -> None:
        """Drop the rest of a sample that was cut in two."""
        while self._odd_bytes:
            data = self._read(self._kind.frame_bytes - self._odd_bytes)
            self._odd_bytes = (self._odd_bytes + len(data)) % self._kind.frame_bytes

    def _catch_up(self) -> None:
        """Throw away what has come, until it comes no faster than it is sent."""
        until_s = time.monotonic() + CATCH_UP_S
        byte_rate = self._rate_hz * self._kind.frame_bytes
        # A sender sends in blocks: one more of a window's length is no sign of a backlog.
        usual = WINDOW_S * byte_rate * (TOO_FAST + 1.0) + READ_BYTES / 16
        while True:
            begun_s = time.monotonic()
            got = 0
            while (left_s := begun_s + WINDOW_S - time.monotonic()) > 0:
                try:
                    got += len(self._link.read(READ_BYTES, timeout_s=left_s))
                except TransportTimeout:
                    break
            self._odd_bytes = (self._odd_bytes + got) % self._kind.frame_bytes
            if got <= usual:
                return
            if time.monotonic() > until_s:
                raise SweepInvalid(
                    f"{self._name}: old samples kept coming for {CATCH_UP_S:g} s, faster than "
                    f"{self._rate_hz:g} a second: is the option rate right?"
                )

    def _check_pace(self, samples: int, took_s: float) -> None:
        lasts_s = samples / self._rate_hz
        if took_s > TOO_SLOW * lasts_s + self._stall_s / 4.0:
            raise SweepInvalid(
                f"{self._name}: {samples} samples took {took_s:.3g} s, at the stated rate they "
                f"last {lasts_s:.3g} s: some may be missing; is the option rate right, is the link "
                f"fast enough?"
            )
