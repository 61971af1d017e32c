"""Wall times as seconds since the epoch, for tests that think in local time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest


def _at(text: str, zone: str = "UTC", *, fold: int = 0) -> float:
    wall = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone), fold=fold)
    return wall.astimezone(UTC).timestamp()


@pytest.fixture(scope="session")
def at() -> Callable[..., float]:
    """``at("2026-10-24 21:00", "Europe/London")``: that wall time in seconds since the epoch."""
    return _at
