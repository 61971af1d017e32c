"""Word of what is plugged in, from the kernel itself where this machine lets us have it."""

from __future__ import annotations

import errno
import select
import subprocess
import sys
from pathlib import Path

import pytest

from acqd.drivers.plugged import Machine, _Udev, udev_events

UEVENT = Path("/sys/class/tty/ttyS0/uevent")


def test_where_udev_does_not_run_nobody_tells(tmp_path: Path) -> None:
    """As in most containers: then somebody looks now and then."""
    assert udev_events(runs=tmp_path / "control") is None


def test_where_the_library_is_missing_nobody_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No error, no word."""
    monkeypatch.setitem(sys.modules, "pyudev", None)
    assert udev_events(runs=tmp_path) is None


def test_an_event_of_a_serial_port_is_told(tmp_path: Path) -> None:
    """The kernel is asked to say again that a port is there; the file of the events can be read."""
    events = udev_events(runs=tmp_path, source="kernel")
    if events is None:
        pytest.skip("no libudev here, or no netlink sockets for us")
    assert not events.drain()
    try:
        UEVENT.write_text("change")
    except OSError as exc:
        pytest.skip(f"the kernel cannot be asked for an event here: {exc}")
    assert select.select([events.fileno()], [], [], 5.0)[0]
    assert events.drain() and not events.drain()
    events.close()


def test_a_machine_is_only_looked_at_when_it_is_asked() -> None:
    """Making one lists nothing and loads no library."""
    code = (
        "import sys; from acqd.drivers.plugged import Machine; Machine(); "
        "sys.exit(any(name in sys.modules for name in ('pyudev', 'serial', 'zeroconf')))"
    )
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0
    assert Machine(serial_ports=list).serial_ports() == []


def test_more_events_than_the_kernel_keeps_are_a_change_and_no_error(tmp_path: Path) -> None:
    """A hub full of ports that come and go: what was lost is made up for by looking."""
    events = udev_events(runs=tmp_path, source="kernel")
    if events is None:
        pytest.skip("no libudev here, or no netlink sockets for us")
    try:
        for _ in range(3000):
            UEVENT.write_text("change")
    except OSError as exc:
        pytest.skip(f"the kernel cannot be asked for an event here: {exc}")
    assert select.select([events.fileno()], [], [], 5.0)[0]
    told = [events.drain() for _ in range(20)]
    assert told[0] and not told[-1]
    events.close()


class Lost:
    """A monitor whose buffer ran over, as the library says it."""

    def poll(self, timeout: float) -> None:
        raise OSError(errno.ENOBUFS, "No buffer space available")


def test_a_buffer_that_ran_over_is_a_change() -> None:
    """Not an error for the event loop to log again and again."""
    assert _Udev(Lost()).drain()
