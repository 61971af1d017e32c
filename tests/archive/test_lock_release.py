"""A lock is let go of also where its file cannot be written any more."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from acqd.archive import lock


def test_a_lock_on_a_disk_that_turned_read_only_is_let_go_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No error, and the next one has it."""
    held = lock.WriterLock(tmp_path, station="lookout", since_s=0.0)

    def refuse(handle: int, size: int) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as patch:
        patch.setattr(os, "ftruncate", refuse)
        held.release()
    assert lock.holder_of(tmp_path) is None
    lock.WriterLock(tmp_path, station="lookout", since_s=0.0).release()
