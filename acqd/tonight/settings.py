"""RBW and points for a range, from its channels and from what the sweeper can do.

The RBW is the widest that the sweeper has of 2/5 of a channel's width or less, so that a channel is
seen apart from its neighbours and still holds several points; points lie half an RBW apart, as
powers of bands need. A bare range takes a four-hundredth of its span. Where that makes a sweep too
slow, wider ones are tried up to 3/5 of a channel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from acqd.errors import RequestRefused, WrongUsage
from acqd.measure.words import frequency_text, range_text
from acqd.sweep import Capabilities, Detector, SweepRequest
from acqd.tonight.ranges import Wanted

__all__ = [
    "EVERY_S",
    "Settings",
    "every_for_s",
    "least_told_s",
    "possible_settings",
    "sweeps_told",
    "with_rbw",
]

RBW_PER_CHANNEL = 0.4
RBW_PER_CHANNEL_MOST = 0.6
RBW_PER_SPAN = 1.0 / 400.0
LEAST_RBW_HZ, MOST_RBW_HZ = 300.0, 100e3
"""Of what is chosen here; an edit of the file may take any."""

USUAL = (1.0, 2.0, 3.0, 5.0)
"""Steps of a decade, for a sweeper that takes any RBW."""

POINTS_MOST = 50_000
"""Beyond this a wider RBW is taken: a night of so long sweeps would fill disks and tell little."""

EVERY_S = (1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0)
SPARE = 1.2
"""So much more time than all the sweeps took is between their due times: they do not always take
the same, and somebody may want a sweep of their own."""

DETECTORS = (Detector.SAMPLE, Detector.RMS)
"""What noise is read rightly with, the one that hears short bursts best first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How one range is swept: an even grid of ``points`` a ``step_hz`` apart."""

    wanted: Wanted
    start_hz: float
    stop_hz: float
    step_hz: float
    rbw_hz: float | None
    detector: Detector | None

    @property
    def points(self) -> int:
        return round((self.stop_hz - self.start_hz) / self.step_hz) + 1

    @property
    def request(self) -> SweepRequest:
        return SweepRequest(
            start_hz=self.start_hz,
            stop_hz=self.stop_hz,
            points=self.points,
            rbw_hz=self.rbw_hz,
            detector=self.detector,
        )


def possible_settings(wanted: Wanted, capabilities: Capabilities) -> tuple[Settings, ...]:
    """The settings for a range, the best first and quicker ones after it; at least one.

    Raises:
        RequestRefused: the range lies outside what the sweeper covers, in whole or in part.
        WrongUsage: it is too wide for a night's watch with this sweeper.
    """
    _refuse_outside(wanted, capabilities)
    detector = next((one for one in DETECTORS if one in capabilities.detectors), None)
    found = []
    for rbw_hz in _bandwidths(wanted, capabilities):
        one = _on_grid(wanted, capabilities, rbw_hz, detector)
        if one.points <= POINTS_MOST:
            found.append(one)
    if not found:
        raise WrongUsage(
            f"{wanted.title}: {frequency_text(wanted.span_hz)} in one sweep is more than "
            f"{POINTS_MOST} points; name a narrower range"
        )
    return tuple(found)


def with_rbw(settings: Settings, capabilities: Capabilities, rbw_hz: float) -> Settings:
    """The same range with another RBW: the one that a sweeper took in place of what was asked.

    As asked where its points would be more than :data:`POINTS_MOST`.
    """
    other = _on_grid(settings.wanted, capabilities, rbw_hz, settings.detector)
    return other if other.points <= POINTS_MOST else settings


def _refuse_outside(wanted: Wanted, capabilities: Capabilities) -> None:
    if capabilities.start_hz <= wanted.start_hz and wanted.stop_hz <= capabilities.stop_hz:
        return
    raise RequestRefused(
        setting=f"range of {wanted.title}",
        asked=range_text(wanted.start_hz, wanted.stop_hz),
        limit=f"{range_text(capabilities.start_hz, capabilities.stop_hz)}: name a range within it",
    )


def _bandwidths(wanted: Wanted, capabilities: Capabilities) -> list[float]:
    """What to try, the one that fits the channels first, then wider ones."""
    if wanted.spacing_hz is None:
        target_hz = wanted.span_hz * RBW_PER_SPAN
        most_hz = 4.0 * target_hz
    else:
        target_hz = wanted.spacing_hz * RBW_PER_CHANNEL
        most_hz = wanted.spacing_hz * RBW_PER_CHANNEL_MOST
    target_hz = min(max(target_hz, LEAST_RBW_HZ), MOST_RBW_HZ)
    steps = _steps(capabilities)
    below = [one for one in steps if one <= target_hz * (1.0 + 1e-9)]
    first_hz = below[-1] if below else steps[0]
    return [first_hz, *(one for one in steps if first_hz < one <= most_hz)]


def _steps(capabilities: Capabilities) -> Sequence[float]:
    """The RBWs that the sweeper has, rising."""
    if capabilities.rbw_steps_hz:
        return sorted(capabilities.rbw_steps_hz)
    least_hz, most_hz = capabilities.rbw_min_hz or 1.0, capabilities.rbw_max_hz or 10e6
    usual = [unit * 10.0**decade for decade in range(8) for unit in USUAL]
    kept = [one for one in usual if least_hz <= one <= most_hz]
    return kept or [least_hz]


def _on_grid(
    wanted: Wanted, capabilities: Capabilities, rbw_hz: float, detector: Detector | None
) -> Settings:
    """An even grid that reaches a little beyond the edges, as far as the sweeper does."""
    step_hz = rbw_hz / 2.0
    beyond_hz = max(2.0 * rbw_hz, (wanted.spacing_hz or 0.0) / 2.0)
    beyond_hz = min(beyond_hz, 0.05 * wanted.span_hz + 2.0 * rbw_hz)
    first = math.floor((wanted.start_hz - beyond_hz) / step_hz)
    last = math.ceil((wanted.stop_hz + beyond_hz) / step_hz)
    least, most = (
        max(0, math.ceil(capabilities.start_hz / step_hz)),
        math.floor(capabilities.stop_hz / step_hz),
    )
    first, last = max(first, least), min(last, most)
    # A sweeper that has a least number of points gets it by sweeping further, not more finely.
    missing = capabilities.points_min - (last - first + 1)
    if missing > 0:
        last = min(last + missing, most)
        first = max(least, min(first, last - capabilities.points_min + 1))
    return Settings(
        wanted=wanted,
        start_hz=first * step_hz,
        stop_hz=last * step_hz,
        step_hz=step_hz,
        rbw_hz=rbw_hz,
        detector=detector,
    )


def every_for_s(took_s: Sequence[float]) -> float:
    """A round time between due sweeps in which all sweeps of one sweeper fit, with some to spare.

    Raises:
        WrongUsage: they take longer than an hour.
    """
    needed_s = SPARE * math.fsum(took_s)
    for every_s in EVERY_S:
        if every_s >= needed_s:
            return every_s
    raise WrongUsage(
        f"one round of sweeps takes {needed_s / SPARE:.0f} s, more than an hour with some to "
        "spare: name fewer or narrower ranges"
    )


TOLD_AFTER = ((5.0, 3), (30.0, 2))
"""Due times up to so far apart, and how many sweeps running have to hear a signal for a finding.

Ignition, thunder and what switches hit many frequencies in one sweep, other ones in the next. Where
sweeps come seldom, few transmissions would be in two of them, and few clicks come in an hour.
"""


def sweeps_told(every_s: float) -> int:
    """How many sweeps running have to hear a signal before it is a finding."""
    return next((count for most_s, count in TOLD_AFTER if every_s <= most_s), 1)


def least_told_s(every_s: float) -> float:
    """``min_duration`` for :func:`sweeps_told`: half a step less than lies between the first and
    the last of them, since sweeps do not begin to the moment; 0 where one is enough."""
    count = sweeps_told(every_s)
    return 0.0 if count == 1 else (count - 1.5) * every_s
