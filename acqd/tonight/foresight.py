"""What a night with these settings will and will not catch, from one real sweep of each range.

Every figure is from that sweep's own summary, as the station would publish it, or follows from it
by a stated relation: what is always caught by the revisit time (:mod:`acqd.measure.sweeptime`),
the S reading by IARU Region 1 R.1, and what a preamplifier would gain by Friis' rule.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from acqd.measure.bandpower import enb_hz
from acqd.measure.radionoise import (
    Environment,
    figure_from_level_db,
    median,
    system_figure_db,
)
from acqd.measure.smeter import DB_PER_STEP, SReading, s9_dbm
from acqd.measure.sweeptime import caught_share
from acqd.measure.words import duration_text, frequency_text, level_text, number_text, range_text
from acqd.sweep import Detector, LevelUnit
from acqd.tonight.settings import Settings, sweeps_told

__all__ = [
    "PREAMPLIFIER_FIGURE_DB",
    "PREAMPLIFIER_GAIN_DB",
    "Gained",
    "RangeSeen",
    "preamplifier_gain",
    "range_seen",
    "s_text",
    "surely_caught_s",
    "surely_told_s",
    "words_of",
]

PREAMPLIFIER_GAIN_DB = 20.0
PREAMPLIFIER_FIGURE_DB = 3.0
"""What is taken for a usual preamplifier at the aerial (practice)."""

HARDLY_DB = 1.0
"""A gain in sensitivity below this is none worth a preamplifier."""

S_FROM_HZ = 30e6
"""Below, R.1 has another S9; bands are told apart by names that people use."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeSeen:
    """One range as one real sweep showed it. Levels are at the aerial's socket; None is unknown."""

    settings: Settings
    took_s: float
    hops: int
    rbw_hz: float | None
    unit: str
    floor: float | None
    weakest: float | None
    accuracy_db: float
    accuracy_assumed: bool
    detector: Detector | None
    signals: int
    strongest: str
    """The strongest signal of that one sweep in words; empty where there was none."""
    gained: Gained | None
    """What a preamplifier would bring; None where nobody can tell, or where there is one."""
    resolution: float | None = None

    @property
    def title(self) -> str:
        return self.settings.wanted.title

    @property
    def took_what_was_asked(self) -> bool:
        """Whether it swept with the RBW that was asked for, or does not say with which."""
        asked_hz = self.settings.rbw_hz
        if asked_hz is None or self.rbw_hz is None:
            return True
        return math.isclose(asked_hz, self.rbw_hz, rel_tol=0.01)

    @property
    def is_dbm(self) -> bool:
        return self.unit == LevelUnit.DBM


@dataclass(frozen=True, slots=True, kw_only=True)
class Gained:
    """What a preamplifier right at the aerial would bring, in dB of weakest level seen.

    ``external_db`` is the external noise figure taken, ``system_db`` the one measured, both as the
    aerial's socket sees them. ``external_known``: by P.372's rural median, else none is taken.
    """

    gain_db: float
    system_db: float
    external_db: float
    external_known: bool


def preamplifier_gain(
    *,
    floor_dbm: float,
    noise_bandwidth_hz: float,
    frequency_hz: float,
    gain_db: float = PREAMPLIFIER_GAIN_DB,
    figure_db: float = PREAMPLIFIER_FIGURE_DB,
) -> Gained:
    """By how much a preamplifier at the aerial lowers the floor, referred to the aerial.

    The floor, over k·T0·b, is f_a − 1 + f_r (P.372): external noise and the receiver with its
    cable. With an amplifier of g and f_p ahead it becomes f_a − 1 + f_p + (f_r − 1)/g (Friis).
    How much of the floor is external nobody has measured yet: P.372's median of rural places is
    taken, at most what the floor leaves, and none where that curve does not hold (above 250 MHz).
    Strong signals that overload the amplifier are not in it.

    Args:
        floor_dbm: mean power of the noise in ``noise_bandwidth_hz``, at the aerial's socket.
        frequency_hz: in the middle of the range.

    Raises:
        ValueError: a bandwidth or a frequency that is not above 0.

    Source: Friis' cascade (textbooks); P.372-17 by :mod:`acqd.measure.radionoise`.
    """
    system_db = float(figure_from_level_db(floor_dbm, noise_bandwidth_hz))
    expected = median(Environment.RURAL, frequency_hz).figure_db
    # A receiver makes noise itself, and its input is no colder than 290 K here: f_a − 1 + 1 = f.
    external_db = max(0.0, min(0.0 if expected is None else expected, system_db))
    receiver = max(1.0, _ratio(system_db) - _ratio(external_db) + 1.0)
    behind = 10.0 * math.log10(_ratio(figure_db) + (receiver - 1.0) / _ratio(gain_db))
    after_db = float(system_figure_db(external_db, behind))
    return Gained(
        gain_db=system_db - after_db,
        system_db=system_db,
        external_db=external_db,
        external_known=expected is not None,
    )


def _ratio(level_db: float) -> float:
    return float(10.0 ** (level_db / 10.0))


def s_text(level_dbm: float, frequency_hz: float) -> str:
    """``S8 on VHF``: as a meter by IARU Region 1 R.1 would show it, whose band it is or not."""
    over_db = level_dbm - s9_dbm(frequency_hz)
    reading = SReading(level_dbm=level_dbm, steps=9.0 + over_db / DB_PER_STEP, over_s9_db=over_db)
    below_hz = ((S_FROM_HZ, "HF"), (300e6, "VHF"), (3e9, "UHF"))
    band = next((name for top_hz, name in below_hz if frequency_hz < top_hz), "SHF")
    return f"{reading} on {band}"


def range_seen(
    settings: Settings,
    told: Mapping[str, Any],
    summary: Mapping[str, Any],
    *,
    hops: int,
    has_preamplifier: bool,
    noise_bandwidth_ratio: float | None,
    resolution: float | None,
) -> RangeSeen:
    """From what :func:`acqd.station.single.take_one` brought of a job of kind band.

    Args:
        told: :attr:`One.told`.
        summary: :attr:`One.summary`.
    """
    unit = str(summary["unit"])
    suffix = _suffix(summary)
    floor = summary.get(f"floor_{suffix}")
    rbw_hz = told.get("rbw_hz")
    middle_hz = (settings.start_hz + settings.stop_hz) / 2.0
    is_true = summary.get("floor_trusted") and "displayed" not in str(summary.get("noise", ""))
    gained = None
    if unit == LevelUnit.DBM and floor is not None and rbw_hz and is_true and not has_preamplifier:
        gained = preamplifier_gain(
            floor_dbm=float(floor),
            noise_bandwidth_hz=enb_hz(rbw_hz, enb_per_rbw=noise_bandwidth_ratio),
            frequency_hz=middle_hz,
        )
    return RangeSeen(
        settings=settings,
        took_s=float(told["took_s"]),
        hops=hops,
        rbw_hz=rbw_hz,
        unit=unit,
        floor=floor,
        weakest=summary.get(f"weakest_level_seen_{suffix}"),
        accuracy_db=float(summary["level_accuracy_db"]),
        accuracy_assumed="level_accuracy_db" in summary["assumed"],
        detector=settings.detector,
        signals=int(summary["signals_count"]),
        strongest=_strongest(summary, suffix, unit),
        gained=gained,
        resolution=resolution,
    )


def _suffix(summary: Mapping[str, Any]) -> str:
    return next(key.removeprefix("threshold_") for key in summary if key.startswith("threshold_"))


def _strongest(summary: Mapping[str, Any], suffix: str, unit: str) -> str:
    one = summary.get("strongest")
    if not one:
        return ""
    where = frequency_text(float(one["peak_hz"]))
    channel = one.get("channel")
    if channel:
        named = f"channel {channel}" if str(channel)[:1].isdigit() else str(channel)
        where = f"{named} ({where})"
    return f"{level_text(float(one[f'peak_{suffix}']), LevelUnit(unit))} on {where}"


# --- words ----------------------------------------------------------------------------------------


def surely_caught_s(seen: RangeSeen, *, every_s: float, round_s: float) -> float:
    """The shortest transmission that is always caught: a revisit and a sweep, in seconds.

    Due times are ``every_s`` apart. Where ranges share the sweeper, others may be swept before this
    one at one due time and after it at the next: a revisit is that much longer at most.

    Args:
        round_s: all sweeps of one due time together.
    """
    return every_s + max(round_s, seen.took_s)


def surely_told_s(seen: RangeSeen, *, every_s: float, round_s: float) -> float:
    """The shortest transmission that is always a finding of its own, in seconds: in so many sweeps
    running as :func:`~acqd.tonight.settings.sweeps_told` asks for."""
    return surely_caught_s(seen, every_s=every_s, round_s=round_s) + every_s * (
        sweeps_told(every_s) - 1
    )


def words_of(seen: RangeSeen, *, every_s: float, round_s: float, plane: str) -> tuple[str, ...]:
    """A range in sentences: how it is swept, what is caught, what is not."""
    return tuple(
        sentence
        for sentence in (
            _swept(seen, every_s),
            _caught(seen, every_s, round_s),
            _told(seen, every_s, round_s),
            _weakest(seen, plane),
            _preamplifier(seen),
            _heard(seen),
        )
        if sentence
    )


def _swept(seen: RangeSeen, every_s: float) -> str:
    settings = seen.settings
    rbw = "" if seen.rbw_hz is None else f", RBW {_short_hz(seen.rbw_hz)}"
    hops = f" in {seen.hops} hops" if seen.hops > 1 else ""
    return (
        f"{range_text(settings.start_hz, settings.stop_hz)}{rbw}, {settings.points} points{hops}; "
        f"a sweep took {_tenths(seen.took_s)}, one is due every {duration_text(every_s)}"
    )


def _caught(seen: RangeSeen, every_s: float, round_s: float) -> str:
    surely_s = surely_caught_s(seen, every_s=every_s, round_s=round_s)
    half_s = every_s / 2.0
    share = caught_share(half_s, every_s)
    return (
        f"a transmission of {_up(surely_s)} or more is always caught, one of {_tenths(half_s)} "
        f"with a chance of {number_text(100.0 * share, 0)} %"
    )


def _told(seen: RangeSeen, every_s: float, round_s: float) -> str:
    """What of that is told one by one, and what only counts."""
    count = sweeps_told(every_s)
    if count == 1:
        return "whatever a single sweep heard gets a finding of its own"
    surely_s = surely_told_s(seen, every_s=every_s, round_s=round_s)
    never_s = (count - 1) * every_s
    return (
        f"whatever a sweep heard counts in the occupancy; a finding of its own gets what {count} "
        f"sweeps running heard: {_up(surely_s)} or more always, less than {duration_text(never_s)} "
        "hardly ever, or ignition and switches would fill the page"
    )


def _weakest(seen: RangeSeen, plane: str) -> str:
    if seen.weakest is None:
        return "how weak a signal may be nobody can tell from this sweep"
    level = f"about {number_text(seen.weakest, 0)} {seen.unit}"
    middle_hz = (seen.settings.start_hz + seen.settings.stop_hz) / 2.0
    if seen.is_dbm:
        level += f" at {plane}, {s_text(seen.weakest, middle_hz)}"
    accuracy = f"± {number_text(seen.accuracy_db, 1)} dB"
    accuracy += ", assumed" if seen.accuracy_assumed else ""
    return f"weakest level seen {level} ({accuracy}; a steady carrier, in 95 % of the sweeps)"


def _preamplifier(seen: RangeSeen) -> str:
    gained = seen.gained
    if gained is None:
        return ""
    usual = f"a {PREAMPLIFIER_GAIN_DB:g} dB preamplifier at the aerial"
    basis = (
        "with the usual noise of a rural place"
        if gained.external_known
        else "if the aerial brings no noise of its own"
    )
    if gained.gain_db < HARDLY_DB:
        return f"{usual} would gain hardly anything, {basis}: the floor is what the aerial brings"
    return f"{usual} would gain about {number_text(gained.gain_db, 0)} dB, {basis}"


def _heard(seen: RangeSeen) -> str:
    if not seen.signals:
        return "in this one sweep nothing stood out of the noise"
    count = "1 signal" if seen.signals == 1 else f"{seen.signals} signals"
    which = "" if seen.signals == 1 else "the strongest "
    return f"in this one sweep {count} stood out: {which}{seen.strongest}"


def _short_hz(hz: float) -> str:
    return f"{hz / 1e3:g} kHz" if hz >= 1e3 else f"{hz:g} Hz"


def _tenths(seconds: float) -> str:
    return f"{seconds:.2g} s" if seconds < 1.0 else duration_text(seconds)


def _up(seconds: float) -> str:
    """Rounded up, so that "always" holds: to a tenth below 10 s, else to a second."""
    step = 0.1 if seconds < 10.0 else 1.0
    up_s = math.ceil(seconds / step - 1e-9) * step
    return f"{up_s:.1f} s" if seconds < 10.0 else duration_text(up_s)
