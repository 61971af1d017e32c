"""Times as logs write them, and the seconds since 1970 that they mean; to the microsecond.

What a zone's clock showed twice (the hour that comes again when it is put back) is ambiguous, and
what it never showed (the hour that is left out when it is put forward) is no time at all. The
latter is always refused; the former as the map says. Times that bring their own offset are neither.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal, InvalidOperation
from zoneinfo import ZoneInfo

from acqd.ingest.bad import BadRow, shown
from acqd.ingest.tables import TimeTable

__all__ = ["US", "Moments", "later_of", "seconds_text"]

US = 1_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
EPOCH_UNITS_US = {"epoch s": US, "epoch ms": 1000, "epoch us": 1}
AFTER_UNITS_US = {"us": 1, "ms": 1000, "s": US, "min": 60 * US, "h": 3600 * US}
DAY_ZERO = datetime(1899, 12, 30)
"""Day 0 of the day numbers of spreadsheets, so that day 61 is 1900-03-01; what is before it differs
between programs and is refused."""
FIRST_DAY, LAST_DAY = 61, 2_958_465
LONGEST = 64


class Moments:
    """Reads the times of one map.

    Args:
        table: how they are written.
        now_s: later ones are refused.
    """

    def __init__(self, table: TimeTable, *, now_s: float) -> None:
        self._format = table.format
        self._zone = ZoneInfo(table.zone)
        self._zone_name = table.zone
        self._ambiguous = table.ambiguous
        self._now_us = round(now_s * US)
        self._read: Callable[[str], datetime | int] = self._reader()

    def read(self, text: str, *, before_us: int | None = None, is_later: bool | None = None) -> int:
        """Microseconds since 1970-01-01T00:00:00Z.

        Args:
            before_us: the time before it in the same file, which tells the two of an ambiguous
                one apart where the map says so.
            is_later: which of the two it is, where what it was found in tells that.

        Raises:
            BadRow: it cannot be read, means no time, or is before 1970 or in the future.
        """
        text = text.strip()
        if not text or len(text) > LONGEST:
            raise BadRow("no time" if not text else f"{shown(text)} is no time", self.expected)
        found = self._read(text)
        at_us = found if isinstance(found, int) else self._of_zone(found, text, before_us, is_later)
        return self.checked(at_us, text)

    def checked(self, at_us: int, text: str) -> int:
        """``at_us``, where it is a time at which a sweep can have been taken."""
        if at_us < 0:
            raise BadRow(f"{shown(text)} is before 1970", "a time of a sweep")
        if at_us > self._now_us:
            raise BadRow(
                f"{shown(text)} is in the future (zone {self._zone_name})",
                "a time that has passed; see `zone` and `format` in [time]",
            )
        return at_us

    @property
    def expected(self) -> str:
        """How times are written, in words."""
        if self._format == "iso":
            return "a time in ISO 8601, such as 2026-03-14T21:05:07"
        if self._format in EPOCH_UNITS_US:
            return f"a number of {self._format.split()[1]} since 1970"
        if self._format == "day number":
            return "days since 1899-12-30, such as 46095.878"
        return f"a time such as {datetime(2026, 3, 14, 21, 5, 7).strftime(self._format)}"

    # -- inside ----------------------------------------------------------------------------------

    def _reader(self) -> Callable[[str], datetime | int]:
        if self._format == "iso":
            return self._iso
        if self._format in EPOCH_UNITS_US:
            return self._epoch
        if self._format == "day number":
            return self._day_number
        return self._fields

    def _iso(self, text: str) -> datetime:
        try:
            return datetime.fromisoformat(text)
        except ValueError:
            raise BadRow(f"{shown(text)} is no time", self.expected) from None

    def _fields(self, text: str) -> datetime:
        try:
            return datetime.strptime(text, self._format)
        except ValueError:
            raise BadRow(f"{shown(text)} is no time", self.expected) from None

    def _epoch(self, text: str) -> int:
        return _whole(text, EPOCH_UNITS_US[self._format], self.expected)

    def _day_number(self, text: str) -> datetime:
        """To the millisecond: a day number in float64 holds little more."""
        ms = _whole(text, 86_400_000, self.expected)
        if not FIRST_DAY * 86_400_000 <= ms < (LAST_DAY + 1) * 86_400_000:
            raise BadRow(f"{shown(text)} is no day number", self.expected)
        return DAY_ZERO + timedelta(milliseconds=ms)

    def _of_zone(
        self, found: datetime, text: str, before_us: int | None, is_later: bool | None
    ) -> int:
        """What a time means, by its own offset or by the zone's clock."""
        if found.tzinfo is not None:
            return _us_of(found)
        early = found.replace(tzinfo=self._zone, fold=0)
        late = found.replace(tzinfo=self._zone, fold=1)
        early_us, late_us = _us_of(early), _us_of(late)
        if early_us == late_us:
            return early_us
        if early_us > late_us:
            raise BadRow(
                f"{shown(text)}: the clock of {self._zone_name} was put forward over it",
                "a time that it showed",
            )
        if is_later is not None:
            return late_us if is_later else early_us
        if self._ambiguous == "refuse":
            raise BadRow(
                f"{shown(text)}: the clock of {self._zone_name} showed it twice",
                "a time with its offset, or `ambiguous` in [time] that says which is meant",
            )
        if self._ambiguous == "order":
            return early_us if before_us is None or before_us <= early_us else late_us
        return early_us if self._ambiguous == "earlier" else late_us


def later_of(match: re.Match[str]) -> bool | None:
    """Which of two equal times is meant, by a pattern's group ``later``; None without it."""
    return bool(match["later"]) if "later" in match.re.groupindex else None


def _us_of(at: datetime) -> int:
    try:
        return (at - EPOCH) // timedelta(microseconds=1)
    except OverflowError:
        raise BadRow(f"the year {at.year} is out of all bounds", "a time of a sweep") from None


def _whole(text: str, factor: int, expected: str) -> int:
    """A decimal number times ``factor``, rounded to a whole one."""
    try:
        number = Decimal(text.replace(",", "."))
        if not number.is_finite() or abs(number.adjusted()) > 20:
            raise InvalidOperation
        return int((number * factor).to_integral_value())
    except InvalidOperation:
        raise BadRow(f"{shown(text)} is no number", expected) from None


def seconds_text(text: str, unit: str) -> int:
    """Microseconds of a number of ``unit`` of :data:`AFTER_UNITS_US`.

    Raises:
        BadRow: it is no number.
    """
    return _whole(text.strip(), AFTER_UNITS_US[unit], f"a number of {unit}")
