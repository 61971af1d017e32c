"""What tests of reports share: nights of known levels, and watches over simulated sweepers."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def _module(name: str) -> ModuleType:
    """A module beside this file, for what it makes; the same one for all tests."""
    full = f"acqd_test_{name}"
    if full not in sys.modules:
        spec = importlib.util.spec_from_file_location(full, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        # Before it runs: dataclasses look their module up.
        sys.modules[full] = module
        spec.loader.exec_module(module)
    return sys.modules[full]


@pytest.fixture(scope="session")
def nights() -> ModuleType:
    """``nights.Night(folder).run(...)``: a band job on levels that the test makes."""
    return _module("nights")


@pytest.fixture(scope="session")
def watches() -> ModuleType:
    """``watches.Watch(folder, scene=..., job=...)``: any job on a simulated sweeper."""
    return _module("watches")
