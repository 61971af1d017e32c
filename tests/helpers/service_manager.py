"""A systemd of a test's own: a user's manager in a corner of this machine that nothing else sees.

Root alone can make the corner: mounts of its own over ``/run`` (so that systemd takes the machine
for one that it runs), over its control groups and over ``/var/lib/systemd``, and a user that is not
root in there, though it may still read what root may. It ends with all that it started.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

__all__ = ["UserManager", "why_not"]

SYSTEMD = Path("/lib/systemd/systemd")
LIMIT_S = 60.0

CORNER = """\
set -e
echo $$ > "$GROUP/cgroup.procs"
exec unshare --mount --cgroup --propagation private sh -c '
set -e
mount -t tmpfs tmpfs /run
mkdir -p /run/systemd/system
mount --bind "$FOLDER/var" /var/lib/systemd
mount -t cgroup2 none /sys/fs/cgroup
exec unshare --user --map-user=1000 --map-group=1000 "$SYSTEMD" --user --unit=basic.target
'
"""


def _groups() -> Path | None:
    """Where the second version of control groups is mounted."""
    for line in Path("/proc/self/mountinfo").read_text().splitlines():
        if " - cgroup2 " in line:
            return Path(line.split()[4])
    return None


def why_not() -> str:
    """Why there can be none here; empty where there can."""
    if os.geteuid() != 0:
        return "only root can make a corner of the machine for a systemd of its own"
    missing = [name for name in ("unshare", "nsenter", "systemctl") if not shutil.which(name)]
    if missing or not SYSTEMD.exists():
        return f"needs systemd and util-linux ({', '.join(missing) or SYSTEMD} is not here)"
    if _groups() is None:
        return "needs control groups, version 2"
    return ""


class UserManager:
    """Runs from entering to leaving. ``home`` is the home of its user."""

    def __init__(self) -> None:
        # A socket's path has room for some hundred letters, fewer than pytest's folders may take.
        self.folder = Path(tempfile.mkdtemp(prefix="acqd-sd-"))
        self.home = self.folder / "home"
        self.linger = self.folder / "var" / "linger"
        for path in (self.home, self.linger, self.folder / "run"):
            path.mkdir(parents=True)
        (self.folder / "run").chmod(0o700)
        groups = _groups()
        assert groups is not None
        self._group = groups / self.folder.name
        self._process: subprocess.Popen[bytes] | None = None
        self.environ = {
            "PATH": os.environ["PATH"],
            "HOME": os.fspath(self.home),
            "USER": "watch",
            "LOGNAME": "watch",
            "XDG_RUNTIME_DIR": os.fspath(self.folder / "run"),
            "LANG": "C.UTF-8",
        }

    def __enter__(self) -> UserManager:
        self._group.mkdir()
        extra = {"GROUP": self._group, "FOLDER": self.folder, "SYSTEMD": SYSTEMD}
        self._process = subprocess.Popen(
            ["sh", "-c", CORNER],
            env={**self.environ, **{key: os.fspath(path) for key, path in extra.items()}},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        ends_s = time.monotonic() + LIMIT_S
        while not (self.folder / "run" / "systemd" / "private").exists():
            assert self._process.poll() is None, "no systemd in its corner"
            assert time.monotonic() < ends_s, "systemd does not come up"
            time.sleep(0.02)
        return self

    def __exit__(self, *exc: object) -> None:
        assert self._process is not None
        for path in [self._group, *self._group.rglob("*")]:
            if path.name == "cgroup.kill" and path.parent == self._group:
                path.write_text("1")
        self._process.kill()
        self._process.wait(LIMIT_S)
        ends_s = time.monotonic() + LIMIT_S
        while self._group.exists() and time.monotonic() < ends_s:
            below = [path for path in self._group.rglob("*") if path.is_dir()]
            try:
                for path in sorted([self._group, *below], reverse=True):
                    path.rmdir()
            except OSError:
                time.sleep(0.02)  # the last of them are ending
        shutil.rmtree(self.folder)

    def run(self, *words: str, **options: Any) -> subprocess.CompletedProcess[str]:
        """Run a command in the corner, as its user."""
        assert self._process is not None
        corner = ["nsenter", "--target", str(self._process.pid), "--user", "--mount", "--cgroup"]
        more = options.pop("env", {})
        return subprocess.run(
            [*corner, "--preserve-credentials", "--wdns=/", *words],
            env={**self.environ, **more},
            capture_output=True,
            text=True,
            timeout=LIMIT_S,
            **options,
        )

    def show(self, unit: str, what: str) -> str:
        """A property of a unit."""
        done = self.run("systemctl", "--user", "show", f"--property={what}", "--value", unit)
        assert done.returncode == 0, done.stderr
        return done.stdout.strip()
