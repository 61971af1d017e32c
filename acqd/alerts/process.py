"""One run of another program, in a thread: fed, read, limited in time, killed with all it began.

Not by the event loop's own processes: their end is only seen once everybody has let go of their
pipes, and one that is cancelled while it starts is waited for without end.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
import subprocess
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import IO

__all__ = ["Ended", "run_program"]

NICENESS = 10
LOOK_S = 0.02
"""So often it is seen whether it has ended, or is to end."""
LAST_WORDS_S = 0.2
"""Of what it wrote before it ended; somebody whom it started may hold the pipe for ever."""
CHUNK_BYTES = 65536


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How it ended. ``code`` is None where it was killed; a signal is negative."""

    code: int | None
    said: bytes


def run_program(
    words: Sequence[str],
    given: bytes,
    *,
    environ: Mapping[str, str],
    limit_s: float,
    keep_bytes: int,
    errors: bool,
    folder: str | None = None,
    enough: threading.Event | None = None,
) -> Ended:
    """Run ``words`` without a shell, at low priority, in a session of its own.

    Args:
        given: what it may read on standard input; it need not.
        limit_s: after that it is killed, and all of its session.
        keep_bytes: so much of the end of what it says is kept; the rest is read and thrown away.
        errors: keep what it says on standard error, else on standard output; the other is lost.
        enough: set by another thread where nobody waits any more: it is killed then.

    Raises:
        OSError: it cannot be started.
    """
    nowhere, pipe = subprocess.DEVNULL, subprocess.PIPE
    process = subprocess.Popen(
        words,
        stdin=pipe,
        stdout=nowhere if errors else pipe,
        stderr=pipe if errors else nowhere,
        env=dict(environ),
        cwd=folder,
        start_new_session=True,
    )
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, process.pid, NICENESS)
    reader = process.stderr if errors else process.stdout
    assert process.stdin is not None
    assert reader is not None
    kept = bytearray()
    try:
        code = _attended(process, given, reader, kept, keep_bytes, limit_s, enough)
    finally:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        with contextlib.suppress(OSError):
            process.stdin.close()
        reader.close()
    return Ended(code=code, said=bytes(kept))


def _attended(
    process: subprocess.Popen[bytes],
    given: bytes,
    reader: IO[bytes],
    kept: bytearray,
    keep_bytes: int,
    limit_s: float,
    enough: threading.Event | None,
) -> int | None:
    """Feed it and hear it until it ends; None where its time is over, or nobody waits."""
    assert process.stdin is not None
    feed, ends_s = memoryview(given), time.monotonic() + limit_s
    with selectors.DefaultSelector() as selector:
        for stream, event in (
            (process.stdin, selectors.EVENT_WRITE),
            (reader, selectors.EVENT_READ),
        ):
            os.set_blocking(stream.fileno(), False)
            selector.register(stream, event)
        while process.poll() is None:
            if time.monotonic() >= ends_s or (enough is not None and enough.is_set()):
                return None
            feed = _turn(selector, process.stdin, feed, reader, kept, keep_bytes)
        last_s = time.monotonic() + LAST_WORDS_S
        while reader in {key.fileobj for key in selector.get_map().values()}:
            before = len(kept)
            _turn(selector, process.stdin, feed, reader, kept, keep_bytes)
            if time.monotonic() >= last_s or (len(kept) == before and not selector.select(0.0)):
                break
    return process.returncode


def _turn(
    selector: selectors.BaseSelector,
    stdin: IO[bytes],
    feed: memoryview,
    reader: IO[bytes],
    kept: bytearray,
    keep_bytes: int,
) -> memoryview:
    """One look at both pipes; what is still to be fed."""
    ready = selector.select(LOOK_S)
    if not ready:
        return feed
    for key, _ in ready:
        if key.fileobj is stdin:
            feed = _fed(selector, stdin, feed)
            continue
        try:
            chunk = os.read(reader.fileno(), CHUNK_BYTES)
        except BlockingIOError:
            continue
        except OSError:
            chunk = b""
        if not chunk:
            selector.unregister(reader)
        kept += chunk
        del kept[:-keep_bytes]
    if len(selector.get_map()) == 0:
        # Nothing to wait for but its end.
        time.sleep(LOOK_S)
    return feed


def _fed(selector: selectors.BaseSelector, stdin: IO[bytes], feed: memoryview) -> memoryview:
    """Give it some more; that it does not want it is no fault."""
    try:
        feed = feed[os.write(stdin.fileno(), feed[:CHUNK_BYTES]) :]
    except BlockingIOError:
        return feed
    except OSError:
        feed = feed[:0]
    if not feed:
        selector.unregister(stdin)
        with contextlib.suppress(OSError):
            stdin.close()
    return feed
