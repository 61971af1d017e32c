"""What tests of several folders share."""

from __future__ import annotations

import importlib.util
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
import structlog

USUALLY_TAKES_S = {"truth": 15.0, "rehearsal": 2.0, "station": 1.0, "cli": 0.3}


def _takes_s(item: pytest.Item) -> float:
    """About how long a test takes: enough to tell which files are long."""
    usual_s = USUALLY_TAKES_S.get(item.path.parent.name, 0.03)
    return max(usual_s, 3.0) if item.get_closest_marker("slow") else usual_s


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Side by side, the longest files come first: no worker is left alone with one at the end."""
    if not hasattr(config, "workerinput"):
        return
    takes_s: dict[Path, float] = defaultdict(float)
    for item in items:
        takes_s[item.path] += _takes_s(item)
    place = {path: at for at, path in enumerate(sorted(takes_s, key=lambda p: (-takes_s[p], p)))}
    items.sort(key=lambda item: place[item.path])


@pytest.fixture(autouse=True)
def _plain_logs() -> Iterator[None]:
    """Commands set up logs for their whole process; here the next test shares it."""
    structlog.reset_defaults()
    yield
    structlog.reset_defaults()


@pytest.fixture(scope="session")
def reports() -> ModuleType:
    """The module of invented reports, tests/report/reports.py: ``reports.sample_report()``."""
    path = Path(__file__).parent / "report" / "reports.py"
    spec = importlib.util.spec_from_file_location("acqd_test_reports", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
