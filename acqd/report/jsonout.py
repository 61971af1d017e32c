"""All numbers of a report as JSON: the objects of :mod:`acqd.report.shapes`, name for name."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from math import isfinite
from typing import Any

import numpy as np

from acqd.report.shapes import (
    BarChart,
    CoverageShown,
    CurveChart,
    HeatChart,
    Report,
    Sheet,
    SpectrumChart,
    TrendChart,
)

__all__ = ["VERSION", "as_json", "plain"]

VERSION = 1
"""Of the form: it rises when a name goes or means something else, not when one comes."""

TIMES = frozenset({"at_s", "from_s", "to_s", "start_s", "stop_s", "made_at_s"})
"""Fields that have an ISO text beside them."""

CHARTS = {
    Sheet: "sheet",
    SpectrumChart: "spectrum",
    HeatChart: "heat",
    CurveChart: "curve",
    TrendChart: "trend",
    BarChart: "bars",
}


def as_json(report: Report, *, with_picture: bool = False) -> str:
    """The report as indented JSON in one order, with a newline at its end.

    NaN and infinities are null, times in seconds have an ISO text beside them (``start_s`` and
    ``start``). The levels of a sheet, its cells, are null without ``with_picture``: they are
    hundreds of thousands of numbers that one looks at rather than reads.
    """
    told = {"is": "report", "version": VERSION, "report": plain(report, with_picture=with_picture)}
    return "".join(_texts(told, "\n")) + "\n"


def _texts(value: Any, line: str) -> Iterator[str]:
    """Objects line by line, lists of bare numbers and texts in one line each."""
    nested = isinstance(value, list) and any(isinstance(one, list | dict) for one in value)
    if not value or not (nested or isinstance(value, dict)):
        yield json.dumps(value, ensure_ascii=False, allow_nan=False)
        return
    begin, end = ("{", "}") if isinstance(value, dict) else ("[", "]")
    parts = value.items() if isinstance(value, dict) else ((None, one) for one in value)
    yield begin
    for at, (key, one) in enumerate(parts):
        yield ("," if at else "") + line + " "
        if key is not None:
            yield f"{json.dumps(key, ensure_ascii=False)}: "
        yield from _texts(one, line + " ")
    yield line + end


def plain(value: Any, *, with_picture: bool = False) -> Any:
    """A value of a report as mappings, lists, numbers, texts and None.

    Raises:
        TypeError: a report has no such value.
    """
    if is_dataclass(value) and not isinstance(value, type):
        return _object(value, with_picture)
    if isinstance(value, Mapping):
        return {str(key): plain(one, with_picture=with_picture) for key, one in value.items()}
    if isinstance(value, np.ndarray):
        return _array(value)
    if isinstance(value, tuple | list):
        return [plain(one, with_picture=with_picture) for one in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    raise TypeError(f"a report holds no {type(value).__name__}")


def _object(value: Any, with_picture: bool) -> dict[str, Any]:
    made: dict[str, Any] = {}
    if type(value) in CHARTS:
        made["is"] = CHARTS[type(value)]
    for one in fields(value):
        part = getattr(value, one.name)
        if isinstance(value, Sheet) and one.name == "level" and not with_picture:
            part = None
        made[one.name] = plain(part, with_picture=with_picture)
        if one.name in TIMES and isinstance(part, float) and isfinite(part):
            made[one.name.removesuffix("_s")] = _utc(part)
    if isinstance(value, CoverageShown):
        made["fraction"] = plain(value.fraction)
    return made


def _array(values: np.ndarray[Any, Any]) -> Any:
    if values.dtype.kind == "f":
        if values.dtype.itemsize == 4:
            # As short as it can be read back, not as the float64 that it equals.
            values = values.astype(str).astype(np.float64)
        numbers = values.astype(object)
        numbers[~np.isfinite(values)] = None
        return numbers.tolist()
    return values.tolist()


def _utc(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"
