"""The table that tools/bench prints."""

from __future__ import annotations

import math

from bench_parts.figures import Figure, Report, Samples

__all__ = ["lines_of"]

HEAD = ("figure", "median", "middle half", "baseline", "ratio", "middle half", "target", "")


def lines_of(report: Report) -> list[str]:
    """The figures in columns, what each is, what was skipped, and how many targets were met."""
    rows = [HEAD, *(_row(figure) for figure in report.figures)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEAD))]
    lines = []
    for number, row in enumerate(rows):
        cells = [
            cell.ljust(width) if column in (0, 6, 7) else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
        if number == 0:
            lines.append("  ".join("-" * width for width in widths))
    lines.append("")
    lines += [_explained(figure) for figure in report.figures]
    lines += [f"note: {note}" for note in report.notes]
    lines += [f"SKIPPED {name}: {why}" for name, why in report.skipped.items()]
    lines += [f"FAILED {name}: {why}" for name, why in report.failed.items()]
    lines.append(_score(report))
    return lines


def _row(figure: Figure) -> tuple[str, ...]:
    ratio = figure.ratio
    return (
        figure.name,
        f"{_short(figure.samples.median)} {figure.unit}",
        _spread(figure.samples),
        "" if figure.base is None else f"{_short(figure.base.median)} {figure.unit}",
        "" if ratio is None else f"{ratio.median:.2f}x",
        "" if ratio is None else _spread(ratio),
        ", ".join(str(target) for target in figure.targets),
        ", ".join(
            {True: "met", False: "missed", None: "?"}[target.met(figure)]
            for target in figure.targets
        ),
    )


def _explained(figure: Figure) -> str:
    against = f"; baseline: {figure.baseline}" if figure.baseline else ""
    return f"{figure.name}: {figure.what}{against}"


def _score(report: Report) -> str:
    verdicts = [target.met(figure) for figure in report.figures for target in figure.targets]
    return f"targets: {verdicts.count(True)} met, {verdicts.count(False)} missed"


def _spread(samples: Samples) -> str:
    if len(samples.values) < 2:
        return ""
    low, high = samples.middle_half
    return f"{_short(low)}..{_short(high)}"


def _short(value: float) -> str:
    """Three digits that count."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{digits}f}"
