"""Starts a program that must not outlive the station, as the user it should run as.

``python guard.py kernel|pipe PARENT USER|- CONFIG|- PROGRAM [ARGUMENT…]``: a script by itself, with
nothing but the standard library, run in a fresh interpreter. ``kernel`` (Linux) asks the kernel to
kill the program when the parent goes, in whatever way, and becomes the program. ``pipe`` stays, and
kills the program when its own standard input ends, a pipe that only the parent holds.

The user is changed here and not by the program: a change of user clears what the kernel was asked.
The configuration is opened before that and handed over open, ``@config`` among the arguments being
its place: so a folder that only root may enter does not matter.
"""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
import threading

PR_SET_PDEATHSIG = 1
PARENT_GONE = 3


def main(argv: list[str]) -> int:
    """Become the program, or watch it and return its exit code."""
    mode, parent, user, config, *command = argv
    handed_over: tuple[int, ...] = ()
    if config != "-":
        descriptor = os.open(config, os.O_RDONLY)
        os.set_inheritable(descriptor, True)
        handed_over = (descriptor,)
        command = [f"/dev/fd/{descriptor}" if part == "@config" else part for part in command]
    if user != "-":
        become(user)
    if mode == "kernel":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
        if os.getppid() != int(parent):
            # The parent went before the kernel was asked.
            return PARENT_GONE
        os.execv(command[0], command)
    return watch(command, handed_over)


def become(user: str) -> None:
    """Change to ``user`` for good."""
    import pwd

    entry = pwd.getpwnam(user)
    os.setgroups([])
    os.setgid(entry.pw_gid)
    os.setuid(entry.pw_uid)


def watch(command: list[str], handed_over: tuple[int, ...]) -> int:
    """Run ``command`` until it ends or our standard input does."""
    child = subprocess.Popen(command, stdin=subprocess.DEVNULL, pass_fds=handed_over)
    signal.signal(signal.SIGTERM, lambda *_: child.terminate())
    signal.signal(signal.SIGHUP, lambda *_: child.send_signal(signal.SIGHUP))

    def kill_when_input_ends() -> None:
        while os.read(0, 4096):
            pass
        child.kill()

    threading.Thread(target=kill_when_input_ends, daemon=True).start()
    return child.wait()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
