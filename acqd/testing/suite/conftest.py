"""The bench of the suite: opened once, used by all its tests, its remarks kept for the summary."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from acqd.testing.bench import Bench
from acqd.testing.suite.making import AtBench, at_bench
from acqd.testing.suite.told import Told

__all__ = ["bench", "standing"]


@pytest.fixture(scope="session")
def standing(pytestconfig: pytest.Config) -> Iterator[AtBench]:
    """The sweeper that the command line names, with a relay in front of it where one fits."""
    told = Told.of(pytestconfig)
    assert told is not None
    with at_bench(told) as made:
        yield made


@pytest.fixture
def bench(standing: AtBench, request: pytest.FixtureRequest) -> Bench:
    """The bench; what a check says goes along with its report."""
    kept = request.node.user_properties
    kept.append(("acqd_who", standing.who))
    kept.extend(("acqd_remark", remark) for remark in standing.remarks)
    return replace(standing.bench, say=lambda text: kept.append(("acqd_remark", text)))
