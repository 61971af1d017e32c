"""Plain tables: columns line up, numbers to the right, no colour and no frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["number", "quantity", "spectrum", "swept", "table", "when"]


def table(head: Sequence[str], rows: Sequence[Sequence[str]], *, right: Sequence[int] = ()) -> str:
    """Rows under their heads. ``right`` are the columns that line up on the right."""
    from acqd.config.problems import printable

    # What sweepers and the network say of themselves is among them.
    rows = [[printable(cell) for cell in row] for row in rows]
    widths = [max(len(cell) for cell in column) for column in zip(head, *rows, strict=True)]
    lines = []
    for row in (head, *rows):
        cells = [
            cell.rjust(width) if at in right else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def number(value: float | None, digits: int = 1) -> str:
    """A number with a real minus sign; a dash where there is none."""
    if value is None or value != value:
        return "–"
    return f"{value:.{digits}f}".replace("-", "−")


def swept(record: Mapping[str, Any]) -> str:
    """The instrument, and what it swept how, of a pass that was looked at and not kept."""
    rbw = quantity(record["rbw_hz"], "Hz")
    if record["rbw_is_assumed"] and record["rbw_hz"] is not None:
        rbw += " (assumed)"
    return (
        f"{record['identity']}\n"
        f"{quantity(record['start_hz'], 'Hz')} to {quantity(record['stop_hz'], 'Hz')}, "
        f"{record['points']} points, RBW {rbw}, took {quantity(record['took_s'], 's')}"
    )


def spectrum(
    frequency_hz: Any,
    level: Any,
    *,
    unit: str,
    threshold: float | None = None,
    upside_down: bool = False,
) -> None:
    """A small plot of a sweep on standard output; nothing of one point, ratios or no level."""
    import shutil
    import sys

    import click

    from acqd.look.textplot import can_show, spectrum_lines

    if len(frequency_hz) < 2 or getattr(level, "dtype", None) is None or level.dtype.kind == "c":
        return
    lines = spectrum_lines(
        frequency_hz,
        level,
        min(shutil.get_terminal_size((80, 24)).columns, 100),
        8,
        unit=unit,
        threshold=threshold,
        upside_down=upside_down,
        ascii_only=not can_show(sys.stdout),
    )
    for line in lines:
        click.echo(line)


def quantity(value: float | None, unit: str) -> str:
    """A value with the prefix that people would use: 156.025 MHz, 250 ms, 1.4 GB."""
    if value is None or value != value:
        return "–"
    if value == 0:
        return f"0 {unit}"
    size = abs(value)
    for factor, prefix in ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ")):
        if size >= factor * 0.9999999 and not (unit == "s" and factor > 1):
            digits = 9 if unit == "Hz" else 4
            return f"{value / factor:.{digits}g} {prefix}{unit}"
    return f"{value:.3g} {unit}"


def when(at_s: float, zone: str, *, tenths: bool = False) -> str:
    """A time in a zone, to the second or to its tenth (cut off, as clocks do)."""
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    local = datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(zone))
    return local.strftime("%a %H:%M:%S") + (f".{local.microsecond // 100_000}" if tenths else "")
