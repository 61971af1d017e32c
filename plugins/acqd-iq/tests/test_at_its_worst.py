"""Paths and options at their worst: one clear line, at once."""

from __future__ import annotations

import os
import threading
from pathlib import Path
from typing import Any

import pytest
from acqd_iq.options import IqOptions
from acqd_iq.recordings import paths_of
from acqd_iq.sigmf import read_sigmf

from acqd.errors import RequestRefused, SweeperError


def test_metadata_that_are_no_plain_file_are_not_waited_for(tmp_path: Path) -> None:
    """A pipe that nobody writes to holds its reader, and a device gives without end."""
    os.mkfifo(tmp_path / "pipe.sigmf-meta")
    (tmp_path / "zeros.sigmf-meta").symlink_to("/dev/zero")
    for name in ("pipe", "zeros"):
        said: list[str] = []

        def read(name: str = name, said: list[str] = said) -> None:
            try:
                read_sigmf(tmp_path / f"{name}.sigmf-meta")
            except SweeperError as error:
                said.append(str(error))

        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        reader.join(5.0)
        assert said == [f"{tmp_path}/{name}.sigmf-meta: cannot be read: it is no plain file"]


@pytest.mark.parametrize("name", ["a" * 300, "a" * 300 + "*", "a/" * 3000, "µ" * 200])
def test_a_path_that_no_file_can_have_is_refused(name: str) -> None:
    """The system's own error is none of ours."""
    with pytest.raises(RequestRefused, match="accepted: a shorter path"):
        paths_of(f"iq:{name}")


@pytest.mark.parametrize(("key", "value"), [("segments", 10**400), ("overlap", -(10**400))])
def test_a_number_beyond_all_floats_is_refused(key: str, value: Any) -> None:
    """TOML has whole numbers of any length."""
    with pytest.raises(RequestRefused, match=f"option {key}: .*accepted: a"):
        IqOptions.from_options({key: value})


def test_a_wrong_offset_is_what_is_named(folder: Any, opened: Any) -> None:
    """Not the capture's start, which may be right."""
    with pytest.raises(RequestRefused, match=r"core:offset 1\.5"):
        opened(folder.write(**{"core:offset": 1.5}))
