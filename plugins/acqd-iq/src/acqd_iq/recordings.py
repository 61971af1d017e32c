"""Recordings as something to sweep: stretches of samples, and which comes next.

All stretches of one centre, rate and type are one *tuning*. A sweep takes samples that follow each
other without a gap within one stretch; what is left of a stretch that is too short for it is
passed over. Files are read a block at a time, never mapped: a file that is cut short while it is
read is an error here and would be the end of the process there.
"""

from __future__ import annotations

import glob
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from acqd.drivers.contract import CancelToken
from acqd.errors import RequestRefused, SweepInvalid, TransportClosed, TransportError
from acqd_iq.datatypes import Decoded, SampleType
from acqd_iq.options import IqOptions
from acqd_iq.sigmf import (
    DATA_SUFFIX,
    META_SUFFIX,
    SigmfRecording,
    check_sha512,
    frames_of,
    read_sigmf,
)

__all__ = [
    "FORMS",
    "SCHEME",
    "Player",
    "Recording",
    "Stretch",
    "Tuning",
    "described",
    "open_recording",
    "paths_of",
]

SCHEME: Final = "iq:"
FORMS: Final = (
    "iq:NAME.sigmf-meta, iq:FOLDER or iq:PATTERN of SigMF recordings, iq:FILE of raw samples with "
    "the options type, rate and centre, or tcp://host:port with the same"
)
FILES_MOST: Final = 10_000
PATH_MOST: Final = 4000
NAME_MOST: Final = 255
"""Longest path and name in bytes, of Linux and others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Samples that were taken one after the other at one tuning."""

    file: Path
    first: int
    count: int
    started_s: float | None
    begins_s: float = 0.0
    """When it begins on the line of time by which recordings are played as recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """One centre, rate and type, and all stretches of it in their order."""

    centre_hz: float
    rate_hz: float
    type: SampleType
    stretches: tuple[Stretch, ...]

    @property
    def longest(self) -> int:
        """Samples of the longest stretch."""
        return max(stretch.count for stretch in self.stretches)

    def band_hz(self, usable: float) -> tuple[float, float]:
        """The frequencies that a filter before the converter leaves whole: ``usable`` of all.

        Complex samples reach half the rate to both sides of the centre; real ones from the centre,
        which is their 0 Hz, up to half the rate.
        """
        reach_hz = usable * self.rate_hz / 2.0
        low_hz = self.centre_hz - reach_hz if self.type.is_complex else self.centre_hz
        return max(0.0, low_hz), self.centre_hz + reach_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """All that an address names: its tunings by frequency, and what it is called."""

    tunings: tuple[Tuning, ...]
    hardware: str = ""
    length_s: float = 0.0
    """Of the line of time, for one round of it."""

    @property
    def has_times(self) -> bool:
        """Whether every stretch says when it was taken."""
        return all(one.started_s is not None for tuning in self.tunings for one in tuning.stretches)


def paths_of(address: str) -> list[Path]:
    """The files that an ``iq:`` address names: metadata of SigMF recordings, or one raw file.

    Raises:
        RequestRefused: nothing that could be played, or too much.
    """
    text = address.removeprefix(SCHEME)
    path = Path(text)
    if not text or "\0" in text:
        raise RequestRefused(setting="address", asked=address, limit=FORMS)
    sizes = [len(part.encode("utf-8", "surrogatepass")) for part in path.parts]
    if len(text) > PATH_MOST or max(sizes, default=0) > NAME_MOST:
        # The system would not even look whether it is there.
        shown = f"{address[:60]}… of {len(text)} letters"
        raise RequestRefused(setting="address", asked=shown, limit="a shorter path")
    if path.is_dir():
        found = sorted(path.glob(f"*{META_SUFFIX}"))
        accepted = f"a folder with NAME{META_SUFFIX} in it"
    elif any(sign in text for sign in "*?[") and not path.exists():
        found = sorted(Path(one) for one in glob.glob(text) if one.endswith(META_SUFFIX))
        accepted = f"a pattern that NAME{META_SUFFIX} fits"
    elif path.name.endswith(DATA_SUFFIX):
        return [path.with_name(path.name.removesuffix(DATA_SUFFIX) + META_SUFFIX)]
    elif path.suffix == ".sigmf":
        accepted = f"an archive taken apart: NAME{META_SUFFIX} beside NAME{DATA_SUFFIX}"
        raise RequestRefused(setting="address", asked=address, limit=accepted)
    else:
        return [path]
    if not 1 <= len(found) <= FILES_MOST:
        accepted += "" if not found else f", {FILES_MOST} at most"
        raise RequestRefused(setting="address", asked=address, limit=accepted)
    return found


def open_recording(address: str, options: IqOptions, cancel: CancelToken) -> Recording:
    """Read what ``address`` names.

    Raises:
        RequestRefused: not playable; says what is wrong where, and what would do.
        TransportError: a file that is not there or cannot be read.
    """
    paths = paths_of(address)
    rows: list[_Row] = []
    hardware = ""
    for path in paths:
        if cancel.is_set():
            raise TransportClosed(f"{address}: cancelled while it was opened")
        if path.name.endswith(META_SUFFIX):
            recording = read_sigmf(path)
            if options.check_sha512:
                check_sha512(recording, cancel)
            hardware = hardware or recording.hardware
            rows += _rows_of(recording, options)
        else:
            rows.append(_raw_row(path, options))
    return _joined(rows, hardware=hardware, skip_s=options.skip, address=address)


@dataclass(frozen=True, slots=True)
class _Row:
    """One stretch with its tuning, not yet sorted."""

    centre_hz: float
    rate_hz: float
    type: SampleType
    stretch: Stretch


def _rows_of(recording: SigmfRecording, options: IqOptions) -> list[_Row]:
    found = []
    for number, capture in enumerate(recording.captures):
        rate_hz = options.rate if capture.rate_hz is None else capture.rate_hz
        centre_hz = options.centre if capture.centre_hz is None else capture.centre_hz
        if centre_hz is None and not recording.type.is_complex:
            centre_hz = 0.0
        for key, value, option in (
            ("core:sample_rate", rate_hz, "rate"),
            ("core:frequency", centre_hz, "centre"),
        ):
            if value is None:
                what = f"{recording.meta}: capture {number} has no {key}"
                raise RequestRefused(setting="address", asked=what, limit=f"the option {option}")
        assert rate_hz is not None
        assert centre_hz is not None
        stretch = Stretch(
            file=recording.data,
            first=capture.first,
            count=capture.count,
            started_s=capture.started_s,
        )
        found.append(_Row(centre_hz, rate_hz, recording.type, stretch))
    return found


def described(what: str, options: IqOptions) -> tuple[SampleType, float, float]:
    """Type, rate and centre of bare samples: nothing but the options says them.

    Raises:
        RequestRefused: one is missing; ``what`` is what needs them.
    """
    kind, rate_hz, centre_hz = options.type, options.rate, options.centre
    if kind is None or rate_hz is None or centre_hz is None:
        missing = [key for key in ("type", "rate", "centre") if getattr(options, key) is None]
        asked = f"{what} without {' or '.join(missing)}"
        raise RequestRefused(setting="address", asked=asked, limit=FORMS)
    return kind, rate_hz, centre_hz


def _raw_row(path: Path, options: IqOptions) -> _Row:
    kind, rate_hz, centre_hz = described(f"{path} (raw samples)", options)
    stretch = Stretch(file=path, first=0, count=frames_of(path, kind), started_s=None)
    return _Row(centre_hz, rate_hz, kind, stretch)


def _joined(rows: Sequence[_Row], *, hardware: str, skip_s: float, address: str) -> Recording:
    """Tunings of all rows; a line of time from their stamps, or one after the other."""
    stamps_s = [row.stretch.started_s for row in rows]
    placed: list[_Row] = []
    after_s = 0.0
    known = [at_s for at_s in stamps_s if at_s is not None]
    origin_s = min(known) if len(known) == len(rows) else None
    ordered = list(rows)
    if origin_s is not None:
        ordered.sort(key=lambda row: row.stretch.started_s or 0.0)
    for row in ordered:
        one = row.stretch
        at_s = after_s if origin_s is None else (one.started_s or 0.0) - origin_s
        kept = _after(one, at_s, skip_s, row.rate_hz)
        if kept is not None:
            placed.append(_Row(row.centre_hz, row.rate_hz, row.type, kept))
        after_s = at_s + one.count / row.rate_hz
    if not placed:
        asked, limit = f"{skip_s:g} s", f"less than the {after_s:.6g} s that {address} lasts"
        raise RequestRefused(setting="option skip", asked=asked, limit=limit)
    groups: dict[tuple[float, float, str], list[_Row]] = {}
    for row in placed:
        groups.setdefault((row.centre_hz, row.rate_hz, row.type.name), []).append(row)
    tunings = tuple(
        Tuning(
            centre_hz=key[0],
            rate_hz=key[1],
            type=groups[key][0].type,
            stretches=tuple(row.stretch for row in groups[key]),
        )
        for key in sorted(groups)
    )
    ends_s = [row.stretch.begins_s + row.stretch.count / row.rate_hz for row in placed]
    return Recording(tunings=tunings, hardware=hardware, length_s=max(ends_s))


def _after(one: Stretch, at_s: float, skip_s: float, rate_hz: float) -> Stretch | None:
    """What of a stretch at ``at_s`` lies after ``skip_s``, on a line of time that begins there."""
    cut = min(one.count, max(0, int(np.ceil((skip_s - at_s) * rate_hz))))
    if cut == one.count:
        return None
    return Stretch(
        file=one.file,
        first=one.first + cut,
        count=one.count - cut,
        started_s=None if one.started_s is None else one.started_s + cut / rate_hz,
        begins_s=at_s + cut / rate_hz - skip_s,
    )


@dataclass(slots=True)
class _Place:
    """Where a tuning is to go on."""

    stretch: int = 0
    sample: int = 0


@dataclass(frozen=True, slots=True)
class Taken:
    """Samples for one sweep of one tuning: where they are, and how to read them."""

    read: Callable[[int, int], Decoded]
    started_s: float | None


@dataclass(kw_only=True)
class Player:
    """Hands out the stretches of a recording, sweep by sweep."""

    recording: Recording
    loop: bool
    as_recorded: bool
    full_scale_count: float | None
    cancel: CancelToken
    now_s: Callable[[], float]
    """Steady time, in which what is played as recorded passes."""
    _places: list[_Place] = field(init=False)
    _opened_s: float = field(init=False)

    def __post_init__(self) -> None:
        self._places = [_Place() for _ in self.recording.tunings]
        self._opened_s = self.now_s()

    def take(self, wanted: Sequence[tuple[int, int]]) -> list[Taken]:
        """The next samples of some tunings: (number of the tuning, samples) each. All or none.

        Raises:
            RequestRefused: the recording has ended, or no stretch is as long.
            TransportClosed: cancelled while waiting for what is played as recorded.
        """
        places = [self._next(number, samples) for number, samples in wanted]
        taken = []
        for (number, samples), place in zip(wanted, places, strict=True):
            tuning = self.recording.tunings[number]
            stretch = tuning.stretches[place.stretch]
            self._places[number] = _Place(place.stretch, place.sample + samples)
            began_s = stretch.started_s
            taken.append(
                Taken(
                    read=self._reader(tuning, stretch, place.sample),
                    started_s=None if began_s is None else began_s + place.sample / tuning.rate_hz,
                )
            )
        return taken

    def wait_s(self, number: int) -> float:
        """The longest that a sweep of a tuning may have to wait for its samples to be due."""
        if not self.as_recorded:
            return 0.0
        tuning = self.recording.tunings[number]
        ends_s = [0.0, *(one.begins_s + one.count / tuning.rate_hz for one in tuning.stretches)]
        begins_s = [*(one.begins_s for one in tuning.stretches), self.recording.length_s]
        gaps_s = [after - before for before, after in zip(ends_s, begins_s, strict=True)]
        return max(0.0, *gaps_s)

    def _next(self, number: int, samples: int) -> _Place:
        tuning = self.recording.tunings[number]
        if samples > tuning.longest:
            longest_s = tuning.longest / tuning.rate_hz
            raise RequestRefused(
                setting="sweep time",
                asked=f"{samples / tuning.rate_hz:.6g} s at {tuning.centre_hz / 1e6:.9g} MHz",
                limit=f"{longest_s:.6g} s, the longest stretch without a gap that was recorded",
            )
        if self.as_recorded:
            return self._due(tuning, samples)
        place = self._places[number]
        found = _fitting(tuning, place, samples)
        if found is None and self.loop:
            found = _fitting(tuning, _Place(), samples)
        if found is None:
            left = _left(tuning, place) / tuning.rate_hz
            raise self._ended(samples / tuning.rate_hz, f"the {left:.6g} s that are left")
        return found

    def _ended(self, asked_s: float, left: str) -> RequestRefused:
        how = 'it starts over with play = "loop", or when the sweeper is opened anew'
        return RequestRefused(
            setting="the recording has ended", asked=f"{asked_s:.6g} s more", limit=f"{left}; {how}"
        )

    def _due(self, tuning: Tuning, samples: int) -> _Place:
        """The samples that were taken as long after the start as it is since the opening."""
        passed_s, length_s = self.now_s() - self._opened_s, self.recording.length_s
        rounds = int(passed_s // length_s) if self.loop else 0
        for turn in (rounds, rounds + 1) if self.loop else (0,):
            at_s = passed_s - turn * length_s
            for number, stretch in enumerate(tuning.stretches):
                sample = max(0, round((at_s - stretch.begins_s) * tuning.rate_hz))
                if sample + samples <= stretch.count:
                    done_s = stretch.begins_s + (sample + samples) / tuning.rate_hz
                    self._wait(done_s - at_s)
                    return _Place(number, sample)
        raise self._ended(samples / tuning.rate_hz, f"{length_s:.6g} s in all")

    def _wait(self, seconds: float) -> None:
        if seconds > 0 and self.cancel.wait(seconds):
            raise TransportClosed("the sweep was cancelled")

    def _reader(
        self, tuning: Tuning, stretch: Stretch, begin: int
    ) -> Callable[[int, int], Decoded]:
        kind = tuning.type

        def read(first: int, count: int) -> Decoded:
            if self.cancel.is_set():
                raise TransportClosed("the sweep was cancelled")
            place = stretch.first + begin + first
            try:
                raw = np.fromfile(
                    stretch.file,
                    dtype=kind.number,
                    count=count * kind.components,
                    offset=place * kind.frame_bytes,
                )
            except OSError as exc:
                why = exc.strerror or exc
                raise TransportError(f"{stretch.file}: cannot be read: {why}") from exc
            if raw.size != count * kind.components:
                raise TransportError(f"{stretch.file}: it has become shorter since it was opened")
            try:
                return kind.decode(raw, self.full_scale_count)
            except ValueError as exc:
                at = f"samples {place} to {place + count - 1}"
                raise SweepInvalid(f"{stretch.file}: {at}: {exc}") from exc

        return read


def _fitting(tuning: Tuning, place: _Place, samples: int) -> _Place | None:
    """The first place from ``place`` on where so many samples follow each other."""
    sample = place.sample
    for number in range(place.stretch, len(tuning.stretches)):
        if sample + samples <= tuning.stretches[number].count:
            return _Place(number, sample)
        sample = 0
    return None


def _left(tuning: Tuning, place: _Place) -> int:
    """Samples of the longest stretch that is left."""
    rest = [one.count for one in tuning.stretches[place.stretch + 1 :]]
    return max([tuning.stretches[place.stretch].count - place.sample, *rest])
