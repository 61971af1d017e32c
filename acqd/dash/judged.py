"""Reads verdicts and soaks: all that they say, bounded, and what the page shows of it by its type.

A page that is handed a text where it reckons with a number fails as a whole, so what is not what it
should be is as if it were missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acqd.dash.reading import bounded, moment, number, text, whole

__all__ = ["read_soak", "read_verdict"]

ROWS_MOST = 256

Part = Mapping[str, Any]


def read_verdict(data: Part) -> dict[str, Any]:
    """A verdict with its judgements."""
    return {
        **bounded(data),
        **_texts(data, "verdict", "of", "text"),
        **_moments(data, "at_s", "since_s"),
        "judgements": [
            {
                **row,
                **_texts(row, "figure", "unit", "side", "verdict", "text", "bound"),
                **_numbers(row, "value", "limit", "expanded"),
                "seq": whole(row, "seq"),
            }
            for row in _rows(data, "judgements")
        ],
    }


def read_soak(data: Part) -> dict[str, Any]:
    """How far a soak is, and how each of its limits stands."""
    return {
        **bounded(data),
        **_texts(data, "label", "state", "verdict"),
        **_moments(data, "started_s", "ends_s"),
        **_numbers(data, "elapsed_s", "left_s"),
        "limits": [_limit(row) for row in _rows(data, "limits")],
    }


def _limit(row: Part) -> dict[str, Any]:
    outside = row.get("first_outside")
    outside = outside if isinstance(outside, Mapping) else {}
    first = moment(outside, "at_s")
    return {
        **row,
        **_texts(row, "figure", "of", "unit"),
        **_numbers(row, "at_most", "at_least", "drift_at_most", "last", "least", "greatest"),
        "outside": whole(row, "outside"),
        "first_outside": None if first is None else {**outside, "at_s": first},
    }


def _rows(data: Part, key: str) -> list[Part]:
    rows = bounded(data.get(key))
    rows = rows[:ROWS_MOST] if isinstance(rows, list) else []
    return [row for row in rows if isinstance(row, Mapping)]


def _texts(data: Part, *keys: str) -> dict[str, str]:
    return {key: text(data, key) for key in keys}


def _numbers(data: Part, *keys: str) -> dict[str, float | None]:
    return {key: number(data, key) for key in keys}


def _moments(data: Part, *keys: str) -> dict[str, float | None]:
    return {key: moment(data, key) for key in keys}
