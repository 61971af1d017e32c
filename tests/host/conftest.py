"""Invented machines, and a system bus of a test's own."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from acqd.host.here import Here
from login_manager import Bus


class StandingClock:
    """A clock that says what it is told to."""

    boot_id = "invented"

    def __init__(self, *, wall_s: float = 1.8e9, synchronised: bool | None = True) -> None:
        self._wall_s, self._synchronised = wall_s, synchronised

    def wall_s(self) -> float:
        return self._wall_s

    def monotonic_s(self) -> float:
        return 0.0

    def boottime_s(self) -> float:
        return 0.0

    def synchronised(self) -> bool | None:
        return self._synchronised


@pytest.fixture
def machine(tmp_path: Path) -> Callable[..., Here]:
    """Builds a machine of files: paths and their texts; a text that begins with "->" is a link, and
    a path that ends in "/" a folder."""

    def build(
        files: dict[str, str] | None = None,
        *,
        uid: int = 1000,
        user: str = "watch",
        groups: tuple[int, ...] = (1000,),
        environ: dict[str, str] | None = None,
        **clock: Any,
    ) -> Here:
        root = Path(tempfile.mkdtemp(dir=tmp_path))
        for name, text in (files or {}).items():
            path = root / name.lstrip("/")
            path.parent.mkdir(parents=True, exist_ok=True)
            if name.endswith("/"):
                path.mkdir(exist_ok=True)
            elif text.startswith("->"):
                path.symlink_to(text.removeprefix("->"))
            else:
                path.write_text(text)
        return Here(
            root=root,
            uid=uid,
            user=user,
            groups=frozenset(groups),
            environ=environ or {},
            clock=StandingClock(**clock),
        )

    return build


@pytest.fixture
def bus(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bus]:
    """A system bus that runs, and that this process takes for the machine's."""
    if shutil.which("dbus-daemon") is None:
        pytest.skip("needs dbus-daemon (Debian package dbus-daemon), which is not here")
    # A socket's path has room for some hundred letters, fewer than pytest's folders may take.
    with tempfile.TemporaryDirectory(prefix="acqd-bus-") as folder, Bus(Path(folder)) as running:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", running.address)
        yield running


@pytest.fixture
def no_bus(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """There is no system bus."""
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/nobody")


@pytest.fixture
def bare_path(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A folder that is put on the PATH where ``sh`` and ``cat`` are and no helper program is."""
    folder = tmp_path / "programs"
    folder.mkdir()
    for name in ("sh", "cat", "sleep"):
        program = shutil.which(name)
        assert program is not None
        (folder / name).symlink_to(program)
    monkeypatch.setenv("PATH", os.fspath(folder))
    return folder
