"""The parent's side of :mod:`acqd.archive.inspecting`: a child that is limited, and replaced."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import selectors
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Any

from acqd.errors import ArchiveError

__all__ = ["MEMORY_BYTES", "Inspector"]

MEMORY_BYTES = 4 << 30
"""Address space of the child: a volume of a night of a million points a sweep takes far less."""

LEAST_S = 30.0
BYTES_A_SECOND = 1 << 20
"""A file has :data:`LEAST_S` and a second more for each so many bytes: slow cards read ten times as
many."""

ANSWER_MOST_BYTES = 1 << 30


class Inspector:
    """Has files looked through. A context manager; the child begins with the first file."""

    def __init__(self, *, least_s: float = LEAST_S, memory_bytes: int = MEMORY_BYTES) -> None:
        self._least_s = least_s
        self._memory_bytes = memory_bytes
        self._child: subprocess.Popen[bytes] | None = None
        self._held = bytearray()

    def __enter__(self) -> Inspector:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end()

    def started_pid(self) -> int:
        """The child's process; it is started where there is none."""
        return self._started().pid

    def inspect(self, path: Path) -> dict[str, Any]:
        """What :func:`~acqd.archive.inspecting.inspect_file` says of a file, with ``sha256`` and
        ``bytes``. Where reading it ended the child, or took too long, that is its ``problem``.

        Raises:
            FileNotFoundError: it is not there (any more).
            ArchiveError: no child can be had.
        """
        size = path.stat().st_size
        until_s = time.monotonic() + self._least_s + size / BYTES_A_SECOND
        child = self._started()
        assert child.stdin is not None
        found: dict[str, Any] = {}
        try:
            child.stdin.write(json.dumps(str(path)).encode() + b"\n")
            child.stdin.flush()
            while "problem" not in found and "gone" not in found:
                found |= self._line(child, until_s)
        except (BrokenPipeError, EOFError):
            found["problem"] = f"reading it ended the reader ({self._how_it_ended()})"
        except TimeoutError:
            self._end()
            found["problem"] = "reading it did not come to an end in time"
        if found.get("gone"):
            raise FileNotFoundError(path)
        return found

    def _started(self) -> subprocess.Popen[bytes]:
        if self._child is None:
            self._held.clear()
            try:
                self._child = subprocess.Popen(
                    [sys.executable, "-P", "-m", "acqd.archive.inspecting"],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                    start_new_session=True,
                )
            except OSError as exc:
                raise ArchiveError(f"no process to read files in: {exc.strerror}") from exc
            with contextlib.suppress(OSError, ValueError):
                limit = (self._memory_bytes, self._memory_bytes)
                resource.prlimit(self._child.pid, resource.RLIMIT_AS, limit)
                resource.prlimit(self._child.pid, resource.RLIMIT_CORE, (0, 0))
        return self._child

    def _line(self, child: subprocess.Popen[bytes], until_s: float) -> dict[str, Any]:
        assert child.stdout is not None
        with selectors.DefaultSelector() as selector:
            selector.register(child.stdout, selectors.EVENT_READ)
            while (end := self._held.find(b"\n")) < 0:
                left_s = until_s - time.monotonic()
                if left_s <= 0 or not selector.select(left_s):
                    raise TimeoutError
                data = os.read(child.stdout.fileno(), 1 << 16)
                if not data or len(self._held) > ANSWER_MOST_BYTES:
                    raise EOFError
                self._held += data
        line = bytes(self._held[:end])
        del self._held[: end + 1]
        answer: dict[str, Any] = json.loads(line)
        return answer

    def _how_it_ended(self) -> str:
        child = self._child
        self._end()
        code = None if child is None else child.returncode
        if code is not None and code < 0:
            return signal.Signals(-code).name
        return f"exit code {code}"

    def _end(self) -> None:
        child, self._child = self._child, None
        if child is None:
            return
        for pipe in (child.stdin, child.stdout):
            with contextlib.suppress(OSError):
                assert pipe is not None
                pipe.close()
        try:
            child.wait(0.5)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
