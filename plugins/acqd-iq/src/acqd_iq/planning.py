"""From a request to what is taken of each tuning: which points, how long the segments, how many."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acqd.errors import RequestRefused
from acqd.sweep import SweepRequest
from acqd_iq.options import IqOptions
from acqd_iq.recordings import Tuning
from acqd_iq.welch import Bins, Cells, Segments

__all__ = ["GAUSSIAN_ENB", "Limits", "Part", "limits_of", "noise_bandwidth_ratio", "plan"]

Float = NDArray[np.float64]

GAUSSIAN_ENB = 0.5 * math.sqrt(math.pi / math.log(2.0))
"""Noise bandwidth of a Gaussian filter over its 3 dB width: 1.06447."""

LENGTH_LEAST = 64
"""Shortest segment: below it a whole number of samples meets an RBW within 1 % no more."""
LENGTH_MOST = 1 << 20
TRANSFORM_MOST = 1 << 22
LOOK_AROUND = 0.002
"""How far the length may be moved, as a share, to one that is transformed faster."""
CANDIDATES = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What can be asked of some tunings."""

    start_hz: float
    stop_hz: float
    rbw_min_hz: float
    rbw_max_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What one tuning contributes to a sweep."""

    number: int
    """Of the tuning."""
    segments: Segments
    bins: Bins
    runs: list[Cells]

    @property
    def transforms(self) -> int:
        """Samples that go through transforms, zeros included; for how long it takes."""
        return self.segments.groups * self.segments.count * self.segments.transform


def noise_bandwidth_ratio(options: IqOptions) -> float:
    """Noise bandwidth over what is called RBW."""
    return GAUSSIAN_ENB if options.rbw == "gaussian" else 1.0


def limits_of(tunings: Sequence[Tuning], options: IqOptions) -> Limits:
    """Range and RBW that all ``tunings`` can do."""
    bands_hz = [tuning.band_hz(options.usable) for tuning in tunings]
    per_hz = options.window.enbw_bins / noise_bandwidth_ratio(options)
    return Limits(
        start_hz=min(low for low, _ in bands_hz),
        stop_hz=max(high for _, high in bands_hz),
        rbw_min_hz=max(per_hz * one.rate_hz / min(one.longest, LENGTH_MOST) for one in tunings),
        rbw_max_hz=min(per_hz * one.rate_hz / LENGTH_LEAST for one in tunings),
    )


def reported_rbw_hz(part: Part, rate_hz: float, options: IqOptions) -> float:
    """RBW of a part, as the options want it told."""
    return part.segments.enbw_hz(rate_hz) / noise_bandwidth_ratio(options)


def plan(request: SweepRequest, tunings: Sequence[Tuning], options: IqOptions) -> list[Part]:
    """The parts of a sweep, by rising number of the tuning.

    Raises:
        RequestRefused: a setting that there is not, or a range that no tuning covers.
    """
    _refuse_settings(request)
    frequency_hz = request.frequencies_hz()
    owner = _owners(frequency_hz, tunings, options.usable)
    if not (owner >= 0).any():
        bands = "; ".join(_band_text(one.band_hz(options.usable)) for one in tunings[:8])
        raise RequestRefused(
            setting="range", asked=_band_text((request.start_hz, request.stop_hz)), limit=bands
        )
    rbw_hz = request.rbw_hz
    if rbw_hz is None:
        used = [tunings[number] for number in np.unique(owner[owner >= 0])]
        rbw_hz = _usual_rbw_hz(request, limits_of(used, options), options)
    return [
        _part(int(number), tunings[number], owner, frequency_hz, request, rbw_hz, options)
        for number in np.unique(owner[owner >= 0])
    ]


def _band_text(band_hz: tuple[float, float]) -> str:
    return f"{band_hz[0] / 1e6:.9g} to {band_hz[1] / 1e6:.9g} MHz"


def _refuse_settings(request: SweepRequest) -> None:
    """Samples have been through the receiver: what it was set to is not ours to change."""
    why = "none: that is set at the receiver whose samples these are"
    for setting, value, unit, limit in (
        ("vbw", request.vbw_hz, "Hz", "none: there is no video filter; take more sweep time"),
        ("attenuation", request.attenuation_db, "dB", why),
        ("reference level", request.reference_level_dbm, "dBm", why),
    ):
        if value is not None:
            raise RequestRefused(setting=setting, asked=f"{value:g} {unit}", limit=limit)
    if request.points < 2 or request.span_hz <= 0:
        limit = "a span above 0 with two points or more"
        raise RequestRefused(setting="span", asked=f"{request.span_hz:g} Hz", limit=limit)


def _owners(frequency_hz: Float, tunings: Sequence[Tuning], usable: float) -> NDArray[np.intp]:
    """(points,) number of the tuning with the nearest middle among those that cover a point.

    −1 where none does. The middle is that of the usable band, so real samples are treated alike.
    """
    owner = np.full(frequency_hz.size, -1, dtype=np.intp)
    nearest_hz = np.full(frequency_hz.size, np.inf)
    for number, tuning in enumerate(tunings):
        low_hz, high_hz = tuning.band_hz(usable)
        slack_hz = 1e-9 * high_hz
        inside = (frequency_hz >= low_hz - slack_hz) & (frequency_hz <= high_hz + slack_hz)
        away_hz = np.abs(frequency_hz - (low_hz + high_hz) / 2.0)
        taken = inside & (away_hz < nearest_hz)
        owner[taken], nearest_hz[taken] = number, away_hz[taken]
    return owner


def _usual_rbw_hz(request: SweepRequest, limits: Limits, options: IqOptions) -> float:
    """The RBW whose bins are as far apart as the points, within the limits."""
    wanted_hz = request.step_hz * options.window.enbw_bins / noise_bandwidth_ratio(options)
    return min(max(wanted_hz, limits.rbw_min_hz), limits.rbw_max_hz)


def _part(
    number: int,
    tuning: Tuning,
    owner: NDArray[np.intp],
    frequency_hz: Float,
    request: SweepRequest,
    rbw_hz: float,
    options: IqOptions,
) -> Part:
    wanted = options.window.enbw_bins * tuning.rate_hz / (rbw_hz * noise_bandwidth_ratio(options))
    length = min(_quick_length(wanted), tuning.longest)
    dense = math.ceil(tuning.rate_hz / length / request.step_hz * (1 - 1e-9))
    pad = max(options.pad, dense)
    if length * pad > TRANSFORM_MOST:
        # Points closer than that would need a transform without end.
        least_hz = tuning.rate_hz / (TRANSFORM_MOST // length * length)
        raise RequestRefused(
            setting="points",
            asked=f"{request.step_hz:.6g} Hz apart",
            limit=f"{least_hz:.6g} Hz apart at this RBW and rate",
        )
    mine = np.flatnonzero(owner == number)
    segments = _segments(length, pad, tuning, mine.size / owner.size, request, options)
    bins = _bins(segments, tuning, options)
    starts = np.flatnonzero(np.diff(mine, prepend=-2) > 1)
    stops = np.append(starts[1:], mine.size)
    runs = []
    for first, stop in zip(starts, stops, strict=True):
        points = slice(int(mine[first]), int(mine[stop - 1]) + 1)
        runs.append(Cells.of(points, frequency_hz[points], request.step_hz, bins))
    return Part(number=number, segments=segments, bins=bins, runs=runs)


def _segments(
    length: int,
    pad: int,
    tuning: Tuning,
    share: float,
    request: SweepRequest,
    options: IqOptions,
) -> Segments:
    """So many segments as the sweep time asked for holds, or as the options say and there are."""
    hop = max(1, round(length * (1.0 - options.overlap_share)))
    groups = request.averages or 1
    segments = Segments(
        window=options.window, length=length, hop=hop, count=1, pad=pad, groups=groups
    )
    if request.sweep_time_s is None:
        room = (tuning.longest // groups - length) // hop + 1
        return replace(segments, count=max(1, min(options.segments, room)))
    samples = max(length, round(request.sweep_time_s * share * tuning.rate_hz))
    count = 1 + math.ceil((samples - length) / hop)
    if count > 1:
        # Closer together by a little, so that the last one ends with the sweep.
        hop = (samples - length) // (count - 1)
    return replace(segments, hop=hop, count=count, group_samples=samples)


def _bins(segments: Segments, tuning: Tuning, options: IqOptions) -> Bins:
    """The bins of the transform, with what is to be done about those around the centre."""
    bins = Bins.of(
        segments,
        centre_hz=tuning.centre_hz,
        rate_hz=tuning.rate_hz,
        is_complex=tuning.type.is_complex,
    )
    if options.dc == "keep":
        return bins
    lobe_hz = options.window.half_lobe_bins * tuning.rate_hz / segments.length
    half_hz = lobe_hz if options.dc_width is None else options.dc_width / 2.0
    around = np.abs(bins.frequency_hz - tuning.centre_hz) <= half_hz * (1 + 1e-9)
    if options.dc == "leave-out":
        return replace(bins, keep=~around)
    found = np.flatnonzero(around)
    return replace(bins, bridge=(int(found[0]), int(found[-1])))


def _quick_length(wanted: float) -> int:
    """A whole number near ``wanted`` with small prime factors: those are transformed fastest."""
    middle = max(2, round(wanted))
    reach = min(CANDIDATES, int(middle * LOOK_AROUND))
    return min(
        range(middle - reach, middle + reach + 1),
        key=lambda one: (_largest_factor(one), abs(one - wanted)),
    )


def _largest_factor(number: int) -> int:
    largest, divisor = 1, 2
    while divisor * divisor <= number:
        while number % divisor == 0:
            largest, number = divisor, number // divisor
        divisor += 1
    return max(largest, number) if number > 1 else largest
