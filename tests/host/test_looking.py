"""All checks together, on this machine and on invented ones."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import acqd.host
from acqd.host import Here, HostCheck, Needs, State, look, short_lines
from acqd.host.looking import _looked

Machine = Callable[..., Here]


def test_this_machine_is_looked_at(tmp_path: Path) -> None:
    """Every check says something, and what there is to do says how."""
    checks = look(Needs(archive=tmp_path))
    assert len({one.name for one in checks}) == len(checks) == 15
    for one in checks:
        assert one.found
        assert "\n" not in one.found + one.do
        assert one.do if one.state is State.TO_DO else True
    assert not list(tmp_path.iterdir())


def test_a_machine_without_anything_is_no_error(machine: Machine) -> None:
    """Neither /proc nor /sys nor /etc: nothing is known, and nothing raised."""
    checks = look(here=machine({}))
    assert {one.state for one in checks} >= {State.CANNOT_TELL, State.GOOD}
    assert all(one.found for one in checks)


def test_files_full_of_nonsense_are_no_error(machine: Machine) -> None:
    """Whatever stands where something is looked for."""
    junk = '\x00\udcff = [ { " \n' * 50
    names = (
        *("/etc/group", "/proc/self/mountinfo", "/proc/200/comm", "/proc/cpuinfo"),
        *("/etc/systemd/logind.conf", "/etc/apt/apt.conf.d/10x", "/etc/timezone"),
        *("/sys/class/rtc/rtc0/since_epoch", "/sys/class/thermal/thermal_zone0/temp"),
        *("/sys/class/power_supply/BAT0/type", "/proc/bus/input/devices", "/sys/power/state"),
    )
    here = machine({})
    for name in names:
        path = here.root / name.lstrip("/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(junk.encode("utf-8", "surrogateescape"))
    for one in look(here=here):
        assert one.found.isprintable(), one


def test_what_the_system_denies_is_not_known() -> None:
    """One check that cannot be made leaves the others."""

    def denied() -> HostCheck:
        raise PermissionError(13, "Permission denied")

    check = _looked("free space", denied)
    assert check.state is State.CANNOT_TELL
    assert "Permission denied" in check.found


def some(state: State, number: int) -> list[HostCheck]:
    return [HostCheck(name=f"n{at}", state=state, found="f", do="d") for at in range(number)]


@pytest.mark.parametrize(("number", "lines"), [(0, 0), (3, 3), (6, 6), (7, 6), (20, 6)])
def test_short_lines_are_few(number: int, lines: int) -> None:
    """What there is to do, no more than fits before a night's questions."""
    checks = [*some(State.GOOD, 2), *some(State.TO_DO, number), *some(State.CANNOT_TELL, 2)]
    short = short_lines(checks)
    assert len(short) == lines
    if number:
        assert short[0] == "n0: f; d"
    if number > lines:
        assert short[-1] == f"and {number - 5} more: `acqd check --host`"


def test_nothing_is_imported_before_it_is_asked_for() -> None:
    """Neither by the package nor by what holds the machine awake: that asks in a thread."""
    code = (
        "import sys, acqd.host\n"
        "assert 'acqd.host.looking' not in sys.modules\n"
        "from acqd.host import KeepAwake\n"
        "assert not {'jeepney', 'h5py', 'acqd.host.looking'} & set(sys.modules), sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
    with pytest.raises(AttributeError, match="no attribute"):
        getattr(acqd.host, "nothing")  # noqa: B009 - it is not to be there
