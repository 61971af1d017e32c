"""What tests of several folders share."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def reports() -> ModuleType:
    """The module of invented reports, tests/report/reports.py: ``reports.sample_report()``."""
    path = Path(__file__).parent / "report" / "reports.py"
    spec = importlib.util.spec_from_file_location("acqd_test_reports", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
