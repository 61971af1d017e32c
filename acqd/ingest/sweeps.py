"""From a logged sweep to one as a station takes it: the same checks, flags and canonical levels."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acqd.canonical import finest_step
from acqd.drivers.checks import NOT_A_NUMBER, check_trace
from acqd.drivers.contract import Trace
from acqd.errors import DriverFault, SweepInvalid
from acqd.ingest.bad import BadRow
from acqd.ingest.logged import Logged
from acqd.station.job import Taken
from acqd.sweep import Capabilities, Identity, LevelUnit, Sweep, SweepFlag, SweepRequest

__all__ = ["BOOT_ID", "SweepMaker", "resolution_of"]

BOOT_ID = "files"
"""Stands for the boot that monotonic seconds belong to; here they are seconds since 1970."""
REQUESTS_KEPT = 64

Float = NDArray[np.float64]


class SweepMaker:
    """Makes sweeps of one job.

    Args:
        request: what the job asks for; start, stop and points are each sweep's own.
        unit, resolution: of the levels.
        capabilities: what is taken for the sweeper's.
        synchronised: whether the log's clock was kept right, as the map says.
    """

    def __init__(
        self,
        *,
        request: SweepRequest,
        unit: LevelUnit,
        resolution: float | None,
        capabilities: Capabilities,
        identity: Identity,
        synchronised: bool,
    ) -> None:
        self._request = request
        self._unit, self._resolution = unit, resolution
        self._capabilities = capabilities
        self._identity = identity
        self._synchronised = synchronised
        self._requests: OrderedDict[tuple[float, float, int], SweepRequest] = OrderedDict()
        self._last: dict[SweepRequest, bytes] = {}

    def taken(self, logged: Logged) -> Taken:
        """The sweep, ready to be measured and kept; due when it began.

        Raises:
            BadRow: it cannot be a sweep.
        """
        request = self._request_of(logged.frequency_hz)
        reported = logged.reported
        if reported.sweep_time_s is None:
            reported = replace(reported, assumed=("sweep_time",))
        trace = Trace(
            level=logged.level,
            unit=self._unit,
            reported=reported,
            frequency_hz=logged.frequency_hz,
            resolution=self._resolution,
        )
        try:
            checked = check_trace(trace, request, self._capabilities)
        except (SweepInvalid, DriverFault) as exc:
            raise BadRow(str(exc), "a sweep") from None
        flags = checked.flags
        if not self._synchronised:
            flags |= SweepFlag.CLOCK_UNSYNCHRONISED
        digest = hashlib.blake2b(checked.level.tobytes(), digest_size=16).digest()
        if self._last.get(request) == digest:
            flags |= SweepFlag.REPEATED
        self._last[request] = digest
        sweep = Sweep(
            request=request,
            reported=checked.reported,
            frequency_hz=checked.frequency_hz,
            level=checked.level,
            unit=self._unit,
            resolution=checked.resolution,
            started_s=logged.started_s,
            monotonic_s=logged.started_s,
            took_s=logged.reported.sweep_time_s or 0.0,
            boot_id=BOOT_ID,
            clock_synchronised=self._synchronised,
            identity=self._identity,
            flags=flags,
        )
        return Taken(
            sweep=sweep,
            capabilities=self._capabilities,
            step=0,
            due_s=logged.started_s,
            first_of_pass=True,
            context=logged.context,
        )

    def _request_of(self, axis_hz: Float) -> SweepRequest:
        """What must have been asked for, for this axis to come back."""
        key = (float(axis_hz.min()), float(axis_hz.max()), axis_hz.size)
        request = self._requests.get(key)
        if request is None:
            request = replace(self._request, start_hz=key[0], stop_hz=key[1], points=key[2])
            self._requests[key] = request
            if len(self._requests) > REQUESTS_KEPT:
                self._last.pop(self._requests.popitem(last=False)[1], None)
        return request


def resolution_of(levels: Sequence[Float]) -> float | None:
    """The coarsest step of 1 to 0.001 that all levels of some sweeps lie on; None for none."""
    if not levels:
        return None
    together = np.concatenate(levels)
    together = np.where(np.abs(together) < NOT_A_NUMBER, together, np.nan)
    return finest_step(together) if np.isfinite(together).any() else None
