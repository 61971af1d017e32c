"""What tests of several folders share."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
import structlog


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
