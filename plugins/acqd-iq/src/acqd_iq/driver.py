"""The driver ``iq``: sweeps worked out from samples, recorded or streamed. See docs/iq.md."""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from acqd.drivers.contract import (
    Candidate,
    Certainty,
    Driver,
    FindContext,
    Named,
    OpenContext,
    Sweeper,
    Trace,
)
from acqd.errors import RequestRefused, SweeperError, SweepInvalid, TransportClosed
from acqd.sweep import (
    NO_FLAGS,
    Capabilities,
    Detector,
    Identity,
    LevelUnit,
    Reported,
    SweepFlag,
    SweepRequest,
)
from acqd_iq.datatypes import Decoded, Samples
from acqd_iq.options import IqOptions
from acqd_iq.planning import (
    Part,
    limits_of,
    noise_bandwidth_ratio,
    plan,
    reported_rbw_hz,
)
from acqd_iq.recordings import (
    FORMS,
    SCHEME,
    Player,
    Recording,
    Stretch,
    Tuning,
    described,
    open_recording,
    paths_of,
)
from acqd_iq.stream import Stream
from acqd_iq.welch import estimate

__all__ = ["IqDriver", "IqSweeper"]

POINTS_MOST: Final = 100_001
AVERAGES_MOST: Final = 1000
STEP_DB: Final = 0.01
"""Levels are rounded to it, far below what they are good for: an archive of a third of the size."""
LEAST_DBM: Final = -249.0
"""A stretch of nothing but zeros reads no less, so that it is still a level."""
ACCURACY_DB: Final = 2.0
"""Assumed where full scale is stated in dBm: how well people know it. A config can say better."""
SECONDS_PER_SAMPLE: Final = 6e-8
"""Of work for each sample that goes through a transform, with some to spare on a slow machine."""


@dataclass(frozen=True, slots=True)
class Supply:
    """Samples for one part of a sweep, and when they were taken, where that is known."""

    read: Callable[[int, int], Decoded]
    started_s: float | None


class Source(ABC):
    """Where the samples of a sweeper come from."""

    tunings: Sequence[Tuning]
    gives_time: bool = False

    @abstractmethod
    def take(self, parts: Sequence[Part]) -> list[Supply]:
        """Samples for each part, in its order."""

    @abstractmethod
    def wait_s(self, part: Part) -> float:
        """The longest that ``take`` may have to wait for the samples of a part."""


class RecordedSource(Source):
    """Recordings, played as the options say."""

    def __init__(self, recording: Recording, options: IqOptions, context: OpenContext) -> None:
        self.tunings = recording.tunings
        self.gives_time = recording.has_times
        self._as_recorded = options.pace == "as-recorded"
        self._player = Player(
            recording=recording,
            loop=options.play == "loop",
            as_recorded=self._as_recorded,
            full_scale_count=options.full_scale_count,
            cancel=context.cancel,
            now_s=time.monotonic,
        )

    def take(self, parts: Sequence[Part]) -> list[Supply]:
        taken = self._player.take([(part.number, part.segments.samples) for part in parts])
        return [Supply(one.read, one.started_s) for one in taken]

    def wait_s(self, part: Part) -> float:
        if not self._as_recorded:
            return 0.0
        lasts_s = part.segments.samples / self.tunings[part.number].rate_hz
        return lasts_s + self._player.wait_s(part.number)


class StreamedSource(Source):
    """A stream over a link."""

    def __init__(self, context: OpenContext, options: IqOptions) -> None:
        kind, rate_hz, centre_hz = described(context.address, options)
        self._kind, self._full_scale_count = kind, options.full_scale_count
        self._rate_hz, self._cancel = rate_hz, context.cancel
        self._stream = Stream(
            context.connect(), kind, rate_hz=rate_hz, name=context.address, stall_s=options.stall
        )
        endless = Stretch(file=Path(), first=0, count=self._stream.samples_most, started_s=None)
        self.tunings = (
            Tuning(centre_hz=centre_hz, rate_hz=rate_hz, type=kind, stretches=(endless,)),
        )

    def take(self, parts: Sequence[Part]) -> list[Supply]:
        supplies = []
        for part in parts:
            raw, each = self._stream.take(part.segments.samples), self._kind.components

            def read(
                first: int, count: int, raw: NDArray[np.generic] = raw, each: int = each
            ) -> Decoded:
                if self._cancel.is_set():
                    raise TransportClosed("the sweep was cancelled")
                try:
                    return self._kind.decode(
                        raw[first * each : (first + count) * each], self._full_scale_count
                    )
                except ValueError as exc:
                    raise SweepInvalid(f"the stream: {exc}; is the option type right?") from exc

            supplies.append(Supply(read, None))
        return supplies

    def wait_s(self, part: Part) -> float:
        return self._stream.settle_s + part.segments.samples / self._rate_hz


class IqSweeper(Sweeper):
    """Sweeps from the samples of one source."""

    def __init__(self, source: Source, options: IqOptions, identity: Identity) -> None:
        self._source = source
        self._options = options
        self._identity = identity

    def identify(self) -> Identity:
        return self._identity

    def capabilities(self) -> Capabilities:
        limits = limits_of(self._source.tunings, self._options)
        in_dbm = self._options.unit is LevelUnit.DBM
        return Capabilities(
            start_hz=limits.start_hz,
            stop_hz=limits.stop_hz,
            points_min=2,
            points_max=POINTS_MOST,
            rbw_min_hz=min(limits.rbw_min_hz, limits.rbw_max_hz),
            rbw_max_hz=limits.rbw_max_hz,
            noise_bandwidth_ratio=noise_bandwidth_ratio(self._options),
            detectors=tuple(Detector),
            averages_max=AVERAGES_MOST,
            unit=self._options.unit,
            resolution=STEP_DB,
            level_accuracy_db=ACCURACY_DB if in_dbm else None,
            gives_time=self._source.gives_time,
            assumed=("level_accuracy_db",) if in_dbm else (),
        )

    def estimate_s(self, request: SweepRequest) -> float | None:
        parts = plan(request, self._source.tunings, self._options)
        work_s = SECONDS_PER_SAMPLE * sum(part.transforms for part in parts)
        return 0.02 + work_s + sum(self._source.wait_s(part) for part in parts)

    def sweep(self, request: SweepRequest) -> Trace:
        options, tunings = self._options, self._source.tunings
        parts = plan(request, tunings, options)
        supplies = self._source.take(parts)
        # A sweep of an instrument without a detector of its own to name shows the mean power.
        detector = request.detector or Detector.RMS
        level = np.full(request.points, np.nan)
        over = False

        def reading(supply: Supply) -> Callable[[int, int], Samples]:
            def read(first: int, count: int) -> Samples:
                nonlocal over
                decoded = supply.read(first, count)
                over |= decoded.at_full_scale
                return decoded.samples

            return read

        for part, supply in zip(parts, supplies, strict=True):
            found = estimate(reading(supply), part.segments, part.bins, part.runs, detector)
            for run, values in zip(part.runs, found, strict=True):
                level[run.points] = values
        if options.full_scale is not None:
            level += options.full_scale.at(request.frequencies_hz())
            level = np.maximum(level, LEAST_DBM)
        return Trace(
            level=np.round(level / STEP_DB) * STEP_DB,
            unit=options.unit,
            resolution=STEP_DB,
            reported=self._reported(parts, detector, request),
            sweeper_time_s=supplies[0].started_s,
            flags=SweepFlag.OVERLOAD if over else NO_FLAGS,
        )

    def _reported(
        self, parts: Sequence[Part], detector: Detector, request: SweepRequest
    ) -> Reported:
        """Rates that differ between tunings give RBWs that differ by a rounding: the widest."""
        rates_hz = [self._source.tunings[part.number].rate_hz for part in parts]
        both = list(zip(parts, rates_hz, strict=True))
        groups = parts[0].segments.groups
        return Reported(
            rbw_hz=max(reported_rbw_hz(part, rate_hz, self._options) for part, rate_hz in both),
            detector=detector,
            sweep_time_s=sum(part.segments.samples / groups / rate_hz for part, rate_hz in both),
            averages=groups,
        )

    def close(self) -> None:
        """Nothing is on that would have to go off; the host closes the link."""


class IqDriver(Driver):
    """Sweeps from recordings and streams of samples."""

    def open(self, context: OpenContext) -> IqSweeper:
        """Open it.

        Raises:
            RequestRefused: an option or a recording that does not fit; says what would.
            TransportError: a file or a link that is not there.
        """
        options = IqOptions.from_options(context.options)
        source: Source
        if context.address.startswith(SCHEME):
            recording = open_recording(context.address, options, context.cancel)
            source = RecordedSource(recording, options, context)
            identity = _identity(options, recording.hardware or "IQ recording")
        elif "://" in context.address:
            source = StreamedSource(context, options)
            identity = _identity(options, "IQ stream")
        else:
            raise RequestRefused(setting="address", asked=context.address, limit=FORMS)
        return IqSweeper(source, options, identity)

    def find(self, context: FindContext) -> Iterable[Candidate]:
        """Addresses that the user named, and the recordings in folders that they named.

        No file is opened without ``probe``; with it the metadata of what was named are read, to say
        what it is. No stream is ever opened.
        """
        for named in context.named:
            if named.address.startswith(SCHEME):
                yield from _recorded(named, probe=context.probe)
            elif "://" in named.address and "type" in named.options:
                yield Candidate(
                    driver="iq",
                    address=named.address,
                    what=f"a stream of {named.options['type']} samples, named by the user",
                    certainty=Certainty.LISTED,
                    options=named.options,
                )


def _identity(options: IqOptions, model: str) -> Identity:
    """Who the samples are from, as far as anybody says.

    Samples bring no serial number, so there is none but that of the options: an address or a
    file's name would make another instrument of the same receiver at another port.
    """
    shown = "".join(sign if sign.isprintable() else "�" for sign in model)[:200]
    return Identity(
        maker=options.maker,
        model=options.model or shown,
        serial_number=options.serial_number,
    )


class _Never:
    """A cancel token that nobody sets."""

    def is_set(self) -> bool:
        return False

    def wait(self, seconds: float) -> bool:
        time.sleep(seconds)
        return False


def _recorded(named: Named, *, probe: bool) -> Iterable[Candidate]:
    address, options = named.address, named.options
    try:
        paths = paths_of(address)
    except SweeperError as exc:
        yield _listed(address, f"cannot be played: {exc}", options)
        return
    several = [f"{SCHEME}{path}" for path in paths] if len(paths) > 1 else []
    for one in (address, *several):
        if probe:
            what = _described(one, options)
        elif one == address and several:
            what = f"{len(several)} recordings, named by the user"
        elif all(path.is_file() for path in paths_of(one)):
            what = "recording, named by the user"
        else:
            what = f"there is no {one.removeprefix(SCHEME)}"
        yield _listed(one, what, options)


def _described(address: str, given: Mapping[str, Any]) -> str:
    try:
        # The sum of 10 GB is not worked out to show a line of a table.
        options = IqOptions.from_options({**given, "check_sha512": False})
        recording = open_recording(address, options, _Never())
    except SweeperError as exc:
        return f"cannot be played: {exc}"
    limits = limits_of(recording.tunings, options)
    tunings = len(recording.tunings)
    first = recording.tunings[0]
    return (
        f"recording, {first.type.name}, {first.rate_hz / 1e6:.6g} MS/s, "
        f"{limits.start_hz / 1e6:.6g} to {limits.stop_hz / 1e6:.6g} MHz"
        f"{'' if tunings == 1 else f', {tunings} tunings'}, {recording.length_s:.3g} s"
    )


def _listed(address: str, what: str, options: Mapping[str, Any]) -> Candidate:
    return Candidate(
        driver="iq", address=address, what=what, certainty=Certainty.LISTED, options=options
    )
