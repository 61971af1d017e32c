"""Holds the machine awake while a station runs, and lets it go.

    login manager on the system's bus (D-Bus)  ─► an open file is the inhibitor
      └─ none, or refused ─► a helper program of the system that holds one round a child
            └─ none ─► said once; asked again every minute, since a bus may come up later

All of it happens in a thread of its own: a station starts and sweeps whether or not anybody
answers. What is lost, because the bus or the login manager starts anew, is taken again. When the
process ends, also by ``kill -9``, the kernel closes file and pipe, and the inhibitor is gone.
"""

from __future__ import annotations

import os
import select
import selectors
import shutil
import subprocess
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Final, Protocol, Self

from acqd.host.loginmanager import WANTED, LoginBus, NotHeld, take
from acqd.publish.settings import EventLog

__all__ = ["AwakeTimings", "KeepAwake"]

HELPERS: Final = ("systemd-inhibit", "elogind-inhibit")
"""Programs that hold an inhibitor while a child of theirs runs, with the same options."""

IN_WORDS: Final = {"sleep": "sleep", "idle": "idle suspend", "handle-lid-switch": "the lid"}


@dataclass(frozen=True, slots=True, kw_only=True)
class AwakeTimings:
    """How long is waited for whom; tests are quicker."""

    helper_s: float = 5.0
    """For a helper program to say that it holds."""
    again_first_s: float = 1.0
    again_most_s: float = 60.0
    """Before trying again: doubled each time."""
    release_s: float = 0.2
    """At most so long :meth:`KeepAwake.stop` waits for its thread."""


class _Held(Protocol):
    """Something that holds the machine awake until it is closed."""

    by: str
    what: str

    def wait(self, wake: int) -> bool:
        """Until it may be lost (False), or until ``wake`` can be read (True)."""
        ...

    def still_holds(self) -> bool: ...

    def close(self) -> None: ...


class KeepAwake:
    """Keeps the machine awake from :meth:`start` to :meth:`stop`, as far as the system lets it.

    Args:
        why: for people who ask who keeps the machine awake.
        log: one line when it holds, one when nobody does; nothing more until that changes.
        timings: how long is waited.
        environ: where the helper is looked for, and what it gets; that of the process by default.
    """

    def __init__(
        self,
        *,
        why: str,
        log: EventLog,
        who: str = "acqd",
        timings: AwakeTimings | None = None,
        environ: Mapping[str, str] | None = None,
    ) -> None:
        self._who, self._why, self._log = who, why, log
        self._timings = timings or AwakeTimings()
        self._environ = dict(os.environ if environ is None else environ)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._wake: tuple[int, int] | None = None
        self._held: _Held | None = None
        self._said: str | None = None
        self.settled = threading.Event()
        """Set once it is known whether anybody holds the machine awake."""

    @property
    def held(self) -> str:
        """What is held off, as ``sleep:idle:handle-lid-switch``; empty where nothing is."""
        held = self._held
        return "" if held is None else held.what

    def start(self) -> None:
        """Begin; returns at once."""
        read, write = os.pipe()
        os.set_blocking(write, False)
        self._wake = (read, write)
        # A daemon: what hangs in a bus must not hold up the end of the process.
        self._thread = threading.Thread(target=self._run, args=(read,), name="awake", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Let the machine sleep again. Waits 0.2 s at the most; the second call does nothing."""
        thread, self._thread = self._thread, None
        if thread is None or self._wake is None:
            return
        self._stop.set()
        with suppress(OSError):
            os.write(self._wake[1], b"x")
        thread.join(self._timings.release_s)
        if not thread.is_alive():
            for end in self._wake:
                os.close(end)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.stop()

    # --- the thread ---------------------------------------------------------------------------

    def _run(self, wake: int) -> None:
        again_s = self._timings.again_first_s
        try:
            while not self._stop.is_set():
                try:
                    held = self._by_whom_can()
                except (NotHeld, OSError) as exc:
                    # A bus that starts anew takes nothing away: the old one holds until it breaks.
                    if self._held is None or not self._held.still_holds():
                        self._replace(None)
                        if not self._stop.is_set():
                            self._say_nobody(exc)
                else:
                    self._replace(held)
                    if not self._stop.is_set():
                        self._say(held)
                    again_s = self._timings.again_first_s
                    if held.wait(wake):
                        return
                self._stop.wait(again_s)
                again_s = min(2.0 * again_s, self._timings.again_most_s)
        finally:
            self._replace(None)

    def _replace(self, held: _Held | None) -> None:
        old, self._held = self._held, held
        if old is not None:
            old.close()

    def _by_whom_can(self) -> _Held:
        """The bus, unless only a helper can hold off sleep as well.

        Raises:
            NotHeld: nobody; says why, of the bus first.
        """
        try:
            on_bus = _OnBus(who=self._who, why=self._why)
        except NotHeld as exc:
            refused = exc
        else:
            return on_bus
        try:
            return _Helper(
                who=self._who,
                why=self._why,
                environ=self._environ,
                within_s=self._timings.helper_s,
                stop=self._stop,
            )
        except NotHeld as exc:
            raise NotHeld(f"{refused}; {exc}") from exc

    def _say(self, held: _Held) -> None:
        said = f"{held.by} {held.what}"
        if said != self._said:
            off = ", ".join(IN_WORDS.get(one, one) for one in held.what.split(":"))
            if "sleep" in held.what.split(":"):
                self._log.info("kept_awake", by=held.by, held_off=off)
            else:
                text = "only that; sleep that somebody asks for is not: see acqd check --host"
                self._log.warning("kept_awake", by=held.by, held_off=off, text=text)
        self._said = said
        self.settled.set()

    def _say_nobody(self, why: Exception) -> None:
        if self._said != "":
            text = "nothing keeps this machine awake; acqd check --host says what to do"
            self._log.warning("not_kept_awake", text=text, problem=str(why))
        self._said = ""
        self.settled.set()


class _OnBus:
    """An inhibitor of the login manager's, and the bus that tells when it starts anew."""

    by = "the login manager"

    def __init__(self, *, who: str, why: str) -> None:
        self._bus = LoginBus()
        try:
            self._handle, self.what = take(self._bus, who=who, why=why)
        except NotHeld:
            self._bus.close()
            raise

    def wait(self, wake: int) -> bool:
        with selectors.DefaultSelector() as selector:
            selector.register(wake, selectors.EVENT_READ)
            selector.register(self._bus.fileno(), selectors.EVENT_READ)
            # Never readable for us; but the kernel says when nobody holds its other end any more.
            selector.register(self._handle, selectors.EVENT_READ)
            while True:
                ready = {key.fd for key, _ in selector.select()}
                if wake in ready:
                    return True
                if self._handle in ready:
                    return False
                try:
                    if self._bus.news():
                        return False
                except NotHeld:
                    return False

    def still_holds(self) -> bool:
        look = select.poll()
        look.register(self._handle, 0)
        return not look.poll(0)

    def close(self) -> None:
        with suppress(OSError):
            os.close(self._handle)
        self._bus.close()


class _Helper:
    """A helper program, with a child that ends when this process does: it reads a pipe of ours."""

    def __init__(
        self,
        *,
        who: str,
        why: str,
        environ: Mapping[str, str],
        within_s: float,
        stop: threading.Event,
    ) -> None:
        path = environ.get("PATH", os.defpath)
        program = next((found for one in HELPERS if (found := shutil.which(one, path=path))), None)
        if program is None:
            raise NotHeld("and no helper program for it is installed")
        self.by = os.path.basename(program)
        problems = []
        for self.what in WANTED:
            words = [program, f"--what={self.what}", f"--who={who}", f"--why={why}", "--mode=block"]
            try:
                self._process = _started(words, environ)
            except OSError as exc:
                raise NotHeld(f"{self.by} cannot be started: {exc.strerror or exc}") from exc
            if self._says_that_it_holds(within_s, stop):
                return
            problems.append(self._last_words())
            self.close()
            if stop.is_set():
                break
        raise NotHeld(f"{self.by}: {problems[0] or 'it does not hold'}")

    def _says_that_it_holds(self, within_s: float, stop: threading.Event) -> bool:
        """The child is started when the inhibitor is held, and says so."""
        assert self._process.stdout is not None
        with selectors.DefaultSelector() as selector:
            selector.register(self._process.stdout, selectors.EVENT_READ)
            left_s = within_s
            while left_s > 0 and not stop.is_set():
                if selector.select(min(0.1, left_s)):
                    return self._process.stdout.read(1) == b"!"
                left_s -= 0.1
        return False

    def _last_words(self) -> str:
        """What a helper that has ended said; nothing of one that hangs."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(0.5)
        if self._process.poll() is None or self._process.stderr is None:
            return ""
        said = self._process.stderr.read(2000).decode("utf-8", "replace").split("\n")[0]
        return "".join(letter if letter.isprintable() else " " for letter in said)[:200]

    def wait(self, wake: int) -> bool:
        assert self._process.stdout is not None
        with selectors.DefaultSelector() as selector:
            selector.register(wake, selectors.EVENT_READ)
            # Its child says nothing more: what can be read is the end of both.
            selector.register(self._process.stdout, selectors.EVENT_READ)
            ready = {key.fd for key, _ in selector.select()}
        return wake in ready

    def still_holds(self) -> bool:
        return self._process.poll() is None

    def close(self) -> None:
        process = self._process
        for stream in (process.stdin, process.stdout, process.stderr):
            if stream is not None:
                with suppress(OSError):
                    stream.close()
        try:
            process.wait(0.2)
        except subprocess.TimeoutExpired:
            process.kill()
            with suppress(subprocess.TimeoutExpired):
                process.wait(1.0)


def _started(words: list[str], environ: Mapping[str, str]) -> subprocess.Popen[bytes]:
    """The helper round a child that says "!" and then waits for the end of its input."""
    return subprocess.Popen(
        [*words, "sh", "-c", "printf '!'; exec cat >&2"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=dict(environ),
        # A Ctrl-C in the terminal is the station's affair: it lets go when it has ended.
        start_new_session=True,
    )
