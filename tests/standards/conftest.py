"""Where each checked value is from, and recordings of real receivers in packages that carry them.

Every test here, in a table every row, names its public source and how that source was come by::

    @pytest.mark.source("47 CFR 97.307(d)", "read")

More than one where a value rests on more than one; where the rows of a table differ, each has its
own by ``pytest.param(..., marks=...)``. The marks are those of :data:`MARKS`. A test without a
source fails, and reports made with ``--junit-xml`` hold the sources of every row.
"""

from __future__ import annotations

import importlib.metadata
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

MARKS = {
    "read": "in the text itself",
    "read elsewhere": "in a text that quotes or restates it",
    "derived": "algebra from a definition, worked out apart from this code",
    "practice": "what the trade does, without a source as such",
    "from memory": "not seen while this was written: no base for a claim of conformance",
    "measured": "real data in a package, its answer computed apart from this code",
    "compared": "what another program makes of the same",
}
"""How a source was come by."""


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known to ``--strict-markers``."""
    config.addinivalue_line(
        "markers", "source(text, mark): public source of the checked values and how it was come by"
    )


def faults_of(sources: Sequence[pytest.Mark]) -> list[str]:
    """What is wrong with the sources of one test; empty where nothing is."""
    if not sources:
        return ["it names no source: add @pytest.mark.source(text, mark)"]
    faults = []
    for source in sources:
        text, mark = (*source.args, "", "")[:2]
        if not text.strip():
            faults.append("a source has no text")
        if mark not in MARKS:
            faults.append(f"{text!r} is marked {mark!r}, expected one of {', '.join(MARKS)}")
    return faults


@pytest.fixture(autouse=True)
def _names_its_source(request: pytest.FixtureRequest) -> None:
    """Fail a test, or a row of a table, that does not say where its values are from."""
    sources = list(request.node.iter_markers("source"))
    faults = faults_of(sources)
    if faults:
        pytest.fail("; ".join(faults), pytrace=False)
    for text, mark in (source.args for source in sources):
        request.node.user_properties.append(("source", f"{text} ({mark})"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """A recorded band: ``level`` (sweeps, points) in the receiver's own order of frequencies."""

    level: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    started_s: NDArray[np.float64]
    """(sweeps,) seconds since 1970-01-01T00:00:00Z."""
    unit: str
    interval_s: float


def _packaged(distribution: str, version: str, name: str) -> Path:
    """A data file inside an installed distribution; skips where that is not installed.

    With CI=true a missing package is an error, so that a check never goes missing unnoticed.
    """
    try:
        found = importlib.metadata.distribution(distribution)
    except importlib.metadata.PackageNotFoundError:
        message = f"{distribution} {version} is not installed (tools/setup installs it)"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    assert found.version == version
    (path,) = (file for file in found.files or () if file.name == name)
    return Path(str(path.locate()))


@pytest.fixture(scope="session")
def recording() -> Recording:
    """A solar event heard by a swept receiver, 2011-06-07 from 06:24:00.213 UT, 15 minutes.

    radiospectra 0.7.0 (BSD licence), radiospectra/tests/data/BIR_20110607_062400_10.fit: 200
    channels from 20.000 to 91.813 MHz every 0.25 s in 8-bit digits of a logarithmic detector. Its
    axis falls, is uneven and holds 20 MHz nine times.
    """
    from astropy.io import fits

    path = _packaged("radiospectra", "0.7.0", "BIR_20110607_062400_10.fit")
    with fits.open(path, memmap=False) as hdus:
        level = np.asarray(hdus[0].data.T, dtype=np.float64)
        time_s = np.asarray(hdus[1].data["TIME"][0], dtype=np.float64)
        frequency_mhz = np.asarray(hdus[1].data["FREQUENCY"][0], dtype=np.float64)
        assert hdus[0].header["TIME-OBS"] == "06:24:00.213"
    return Recording(
        level=level,
        frequency_hz=frequency_mhz * 1e6,
        started_s=1_307_427_840.213 + time_s,
        unit="digit",
        interval_s=0.25,
    )
