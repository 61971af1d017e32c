"""Ingests of small logs in this process."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.reader import Archive, open_archive
from acqd.ingest.maps import LogMap, parse_map
from acqd.ingest.run import Ingested, Task, ingest
from acqd.ingest.scan import find_files
from logbooks import WIDE, Now


@pytest.fixture
def map_of(tmp_path: Path) -> Callable[..., LogMap]:
    """A map from its text."""
    return lambda text=WIDE: parse_map(text, tmp_path / "map.toml")


@pytest.fixture
def run(tmp_path: Path) -> Callable[..., Ingested]:
    """Ingest files into the archive of this test, at the beginning of June 2026."""

    def go(*files: Path, text: str = WIDE, job: str | None = None, **options: Any) -> Ingested:
        told = parse_map(text, tmp_path / "map.toml")
        on_bad = options.pop("on_bad", None)
        task = Task(
            told=told,
            paths=find_files([str(one) for one in files], told.file.files),
            archive=options.pop("archive", tmp_path / "archive"),
            job=told.job(job),
            **options,
        )
        return ingest(task, clock=Now(), on_bad=on_bad)

    return go


@pytest.fixture
def archive(tmp_path: Path) -> Callable[[], Archive]:
    """The archive of this test, open for reading."""
    return lambda: open_archive(tmp_path / "archive")
