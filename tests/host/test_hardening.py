"""What the unit lets a station do: judged by systemd, and lived under by a real station."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from acqd.host.hardening import EVERYWHERE, ROOTS_RIGHTS, hardening
from acqd.host.unit import ServicePlan, unit_text

PLAN = ServicePlan(
    station="lookout",
    title="Gannet Ledge Lookout",
    program=("/bin/true",),
    config=Path("/etc/acqd/station.toml"),
    archive=Path("/var/lib/acqd/lookout"),
    is_system=True,
    user="watch",
    groups=("dialout", "plugdev"),
    needs_network=True,
)
LIMIT_S = 60.0


def lines(plan: ServicePlan) -> list[str]:
    return [line for line in unit_text(plan).splitlines() if not line.startswith("#")]


def test_it_writes_its_archive_and_what_the_config_names() -> None:
    """Nothing else of the machine, whose homes it does not even see."""
    text = lines(replace(PLAN, writes=(Path("/etc/acqd/shack 1"),)))
    assert "ProtectSystem=strict" in text
    writes = [line for line in text if line.startswith("ReadWritePaths=")]
    assert writes == [
        "ReadWritePaths=-/var/lib/acqd/lookout",
        'ReadWritePaths=-"/etc/acqd/shack 1"',
    ]
    assert "ProtectHome=yes" in text and "PrivateTmp=yes" in text


@pytest.mark.parametrize(
    "plan",
    [
        replace(PLAN, config=Path("/home/watch/station.toml")),
        replace(PLAN, archive=Path("/home/watch/archive")),
        replace(PLAN, program=("/home/watch/acqd/.venv/bin/acqd",)),
    ],
)
def test_homes_are_seen_where_something_of_it_is_there(plan: ServicePlan) -> None:
    assert "ProtectHome=read-only" in lines(plan)


@pytest.mark.parametrize("place", ["/tmp/acqd", "/var/tmp/acqd"])
def test_a_station_in_tmp_is_not_hidden_from_itself(place: str) -> None:
    for plan in (
        replace(PLAN, program=(f"{place}/.venv/bin/acqd",)),
        replace(PLAN, config=Path(place) / "station.toml"),
        replace(PLAN, archive=Path(place) / "archive"),
    ):
        assert "PrivateTmp=yes" not in lines(plan)


def test_a_socket_that_has_no_room_in_the_archive_is_found_in_tmp() -> None:
    """Else nobody's command would reach the station."""
    text = lines(replace(PLAN, archive=Path("/srv") / ("x" * 120)))
    assert "PrivateTmp=yes" not in text and "ReadWritePaths=/tmp" in text


def test_ports_are_there_for_sweepers_that_need_them_alone() -> None:
    """On the network none; else the kinds that sweepers are at, their modules before them."""
    text = lines(PLAN)
    assert "DevicePolicy=closed" in text and "DeviceAllow=char-ttyUSB rw" in text
    assert any("modprobe@usbserial.service" in line for line in text if line.startswith("After="))
    without = lines(replace(PLAN, has_ports=False))
    assert "PrivateDevices=yes" in without
    assert not any(line.startswith("DeviceAllow") or "modprobe" in line for line in without)


def test_a_users_unit_asks_for_what_its_manager_can_give() -> None:
    """Mounts and device policies are not among that."""
    text = lines(replace(PLAN, is_system=False, user="", groups=()))
    assert "NoNewPrivileges=yes" in text
    assert not any(re.match("Protect|Private|Device|ReadWrite|Capability", line) for line in text)
    given = hardening(
        is_system=False, user="", archive=PLAN.archive, writes=(), reads=(), has_ports=True
    )
    assert given == list(EVERYWHERE)


@pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian: systemd)"
)
@pytest.mark.parametrize(
    ("plan", "tenths_most"),
    [
        (PLAN, 25),
        (replace(PLAN, has_ports=False, groups=()), 22),
        (replace(PLAN, user="", groups=()), 36),
        (replace(PLAN, is_system=False, user="", groups=()), 70),
    ],
    ids=["with ports", "on the network", "as root", "a user's own"],
)
def test_the_exposure_is_what_the_page_says(
    tmp_path: Path, plan: ServicePlan, tenths_most: int
) -> None:
    """By systemd's own judge, of 10; the page states each."""
    unit = tmp_path / "acqd-lookout.service"
    unit.write_text(unit_text(plan))
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(unit)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    found = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)
    if found is None:
        pytest.skip(f"this systemd-analyze judges no file: {done.stderr.strip()[-200:]}")
    assert 10 * float(found[1]) <= tenths_most


# -- lived under -----------------------------------------------------------------------------------

CONFIG = """\
[station]
name = "lookout"
archive = "{folder}/archive"
keep_free = "1 MB"

[mqtt]
broker = "local"
address = "127.0.0.1:{port}"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
isolation = "process"
options = {{ scene = "./scene.toml", time_scale = 0.02 }}

[job.calling]
kind = "band"
sweeper = "mast"
centre = "156.8 MHz"
span = "100 kHz"
points = 51
when = {{ every = "200 ms" }}
band = {{ margin = "10 dB" }}
"""

SCENE = """\
seed = 7

[scene.harbour]

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
sweep_factor = 1.0
"""

CORNER = """\
set -e
mount --make-rprivate /
mount --bind "$FOLDER/archive" "$FOLDER/archive"
awk '{print $2}' /proc/self/mounts | while read -r place; do
    case "$place" in /proc|/proc/*|/dev|/dev/*|/sys|/sys/*|"$FOLDER/archive") continue;; esac
    mount -o remount,bind,ro "$place" 2>/dev/null || true
done
mount -t tmpfs tmpfs /tmp
if touch "$FOLDER/not-mine" /etc/not-mine 2>/dev/null; then echo "not read-only" >&2; exit 9; fi
umask 077
cd "$FOLDER"
exec setpriv --no-new-privs --inh-caps=-all --bounding-set="$RIGHTS" "$@"
"""


def why_not() -> str:
    if Path(sys.executable).is_relative_to("/tmp"):
        return "this Python is below /tmp, which the station has for itself then"
    if os.geteuid() != 0:
        return "only root can mount the machine read-only around a process"
    missing = [one for one in ("unshare", "setpriv", "mosquitto") if not shutil.which(one)]
    if missing:
        return f"needs {', '.join(missing)}"
    tried = subprocess.run(["unshare", "-m", "true"], capture_output=True)
    return "" if tried.returncode == 0 else "no mounts of its own are allowed here"


@pytest.fixture
def place() -> Iterator[Path]:
    """Not below ``/tmp``, which the station has for itself."""
    with tempfile.TemporaryDirectory(prefix="acqd-", dir="/var/tmp") as folder:
        yield Path(folder)


@pytest.mark.slow
@pytest.mark.skipif(bool(why_not()), reason=why_not() or "it can be tried")
def test_a_station_lives_with_what_the_unit_leaves(place: Path) -> None:
    """Everything but its archive read-only, a ``/tmp`` of its own, root's few rights and no way to
    more: the broker runs, the driver's process runs, sweeps are kept, commands reach it, it stops
    well, and what it made is its user's alone."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    (place / "archive").mkdir()
    (place / "station.toml").write_text(CONFIG.format(folder=place, port=port), "utf-8")
    (place / "scene.toml").write_text(SCENE, "utf-8")
    rights = ",".join(["-all", *(f"+{one[4:].lower()}" for one in ROOTS_RIGHTS.split())])
    acqd = [sys.executable, "-c", "from acqd.cli import main; main()"]
    with (place / "log").open("wb") as log:
        station = subprocess.Popen(
            ["unshare", "-m", "sh", "-c", CORNER, "-", *acqd, "run", "station.toml"],
            env={**os.environ, "FOLDER": str(place), "RIGHTS": rights},
            stdout=log,
            stderr=log,
        )
    try:
        told = {}
        ends_s = time.monotonic() + LIMIT_S
        while not told.get("health", {}).get("sweeps") or told["health"]["broker"] != "connected":
            assert station.poll() is None, (place / "log").read_text()
            assert time.monotonic() < ends_s, (place / "log").read_text()
            done = subprocess.run(
                [*acqd, "status", "station.toml", "--json"],
                cwd=place,
                capture_output=True,
                text=True,
                timeout=LIMIT_S,
            )
            told = json.loads(done.stdout) if done.stdout.startswith("{") else {}
            told = told if told.get("runs") else {}
        assert told["sweepers"][0]["state"] == "present"
    finally:
        station.send_signal(signal.SIGTERM)
        code = station.wait(LIMIT_S)
    said = (place / "log").read_text()
    assert code == 0, said
    assert "Read-only file system" not in said and "ermission denied" not in said, said
    made = [path for path in (place / "archive").rglob("*") if path.is_file()]
    assert made and not any(path.stat().st_mode & 0o077 for path in made)
    assert {path.name for path in place.iterdir()} == {
        "archive",
        "log",
        "scene.toml",
        "station.toml",
    }
