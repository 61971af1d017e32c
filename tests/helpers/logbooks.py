"""Logs of the Lookout, made small, for tests that ingest them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

__all__ = ["NOW_S", "POINTS", "START", "WIDE", "Now", "levels_of", "wide_log"]

NOW_S = datetime(2026, 6, 1, tzinfo=UTC).timestamp()
START = datetime(2025, 3, 14, 21, 0, tzinfo=UTC)
POINTS = 11

WIDE = """\
[file]
layout = "wide"

[time]
zone = "UTC"
columns = "time"

[frequency]
unit = "MHz"

[level]
unit = "dBm"

[job.vhf]
band = { margin = "15 dB" }
"""


class Now:
    """A clock that stands at the beginning of June 2026."""

    boot_id = "files"

    def wall_s(self) -> float:
        return NOW_S

    def monotonic_s(self) -> float:
        return 0.0

    def boottime_s(self) -> float:
        return 0.0

    def synchronised(self) -> bool | None:
        return True


def levels_of(number: int, points: int = POINTS) -> list[float]:
    """Levels of one sweep: noise that is no noise, and a signal in every tenth to thirteenth."""
    row = [-110.0 + ((number * 7 + point * 13) % 29) / 10.0 for point in range(points)]
    if number % 40 in (10, 11, 12, 13):
        row[points // 2] = -70.25
    return row


def wide_log(
    count: int,
    *,
    first: int = 0,
    every_s: float = 2.0,
    points: int = POINTS,
    start: datetime = START,
    left_out: Sequence[int] = (),
) -> str:
    """A log of ``count`` sweeps in the wide layout, the text of a file."""
    lines = ["time," + ",".join(f"{156 + at * 0.025:.3f}" for at in range(points))]
    for number in range(first, first + count):
        if number in left_out:
            continue
        at = start.replace(tzinfo=None) + timedelta(seconds=every_s * number)
        lines.append(
            f"{at.isoformat(sep=' ')},"
            + ",".join(f"{one:.2f}" for one in levels_of(number, points))
        )
    return "\n".join(lines) + "\n"
