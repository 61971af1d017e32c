"""Looking for sweepers: every driver is asked, none can hold the others up."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from acqd.drivers.contract import Candidate, Certainty, Driver, FindContext, SerialPort
from acqd.drivers.finding import find_all, look_for, serial_ports, usb_location
from acqd.drivers.registry import DriverEntry, Registry
from acqd.errors import PortBusy, SweeperError

PORTS = [SerialPort(device="/dev/ttyACM0"), SerialPort(device="/dev/ttyACM1")]
Find = Callable[[FindContext], Iterable[Any]]


def registry_of(**finds: Find) -> Registry:
    """Drivers that look by the functions given."""

    def entry(name: str, find: Find) -> DriverEntry:
        class Looking(Driver):
            def open(self, context: Any) -> Any:
                raise SweeperError("not opened in these tests")

            def find(self, context: FindContext) -> Iterable[Candidate]:
                return find(context)

        return DriverEntry(name=name, distribution=f"acqd-{name}", version="1.0", factory=Looking)

    return Registry(drivers={name: entry(name, find) for name, find in finds.items()})


def candidate(driver: str, address: str, certainty: Certainty) -> Candidate:
    return Candidate(driver=driver, address=address, what="a sweeper", certainty=certainty)


def test_candidates_come_the_surest_first() -> None:
    """Answered before listed before likely before busy."""

    def find(context: FindContext) -> Iterable[Candidate]:
        for number, certainty in enumerate(reversed(Certainty)):
            yield candidate("a", f"tcp://host:{number + 1}", certainty)

    found = find_all(registry_of(a=find), list_serial=list)
    assert [one.certainty for one in found] == list(Certainty)


def test_addresses_go_to_the_driver_they_are_named_for() -> None:
    """A mapping names drivers; a plain list goes to all."""
    seen: dict[str, tuple[str, ...]] = {}

    def looking(name: str) -> Find:
        def find(context: FindContext) -> Iterable[Candidate]:
            seen[name] = tuple(context.addresses)
            return ()

        return find

    registry = registry_of(a=looking("a"), b=looking("b"))
    find_all(registry, addresses={"a": ["tcp://x:1"]}, list_serial=list)
    assert seen == {"a": ("tcp://x:1",), "b": ()}
    find_all(registry, addresses=["tcp://y:2"], list_serial=list)
    assert seen == {"a": ("tcp://y:2",), "b": ("tcp://y:2",)}


def test_a_port_that_answered_is_not_shown_to_the_next_driver() -> None:
    """One port, one sweeper."""
    shown: list[str] = []

    def first(context: FindContext) -> Iterable[Candidate]:
        yield candidate("a", "serial:/dev/ttyACM0", Certainty.ANSWERED)

    def second(context: FindContext) -> Iterable[Candidate]:
        shown.extend(port.device for port in context.serial_ports())
        return ()

    find_all(registry_of(a=first, b=second), probe=True, list_serial=lambda: PORTS)
    assert shown == ["/dev/ttyACM1"]


def test_a_driver_that_raises_is_named_and_its_candidates_so_far_are_kept() -> None:
    """The others are asked all the same."""

    def bad(context: FindContext) -> Iterable[Candidate]:
        yield candidate("bad", "tcp://x:1", Certainty.LIKELY)
        raise RuntimeError("lost")

    def good(context: FindContext) -> Iterable[Candidate]:
        return [candidate("good", "tcp://y:1", Certainty.LISTED)]

    result = look_for(registry_of(bad=bad, good=good), list_serial=list)
    assert [one.driver for one in result.candidates] == ["good", "bad"]
    assert result.problems == (
        "driver 'bad' of acqd-bad 1.0 raised RuntimeError while looking: lost",
    )


def test_a_driver_that_returns_something_else_is_named() -> None:
    """A text is no candidate."""
    result = look_for(registry_of(bad=lambda context: ["x"]), list_serial=list)
    assert result.candidates == () and "found a str" in result.problems[0]


@pytest.mark.slow
def test_a_driver_that_hangs_is_stopped_and_its_link_closed(terminal: Any) -> None:
    """The next driver gets the port that the hung one held."""
    let_go = threading.Event()

    def hung(context: FindContext) -> Iterable[Candidate]:
        context.connect(f"serial:{terminal.path}")
        let_go.wait(20)
        yield candidate("hung", "tcp://late:1", Certainty.ANSWERED)

    def next_one(context: FindContext) -> Iterable[Candidate]:
        context.connect(f"serial:{terminal.path}")
        yield candidate("next", f"serial:{terminal.path}", Certainty.ANSWERED)

    begun_s = time.monotonic()
    result = look_for(registry_of(hung=hung, next=next_one), list_serial=list, timeout_s=0.05)
    assert time.monotonic() - begun_s < 2
    assert [one.driver for one in result.candidates] == ["next"]
    assert "still looking" in result.problems[0]
    let_go.set()


def test_a_busy_port_is_told_to_the_driver(terminal: Any) -> None:
    """connect() raises PortBusy where somebody else holds it."""
    from acqd.drivers.transport import open_transport

    held = open_transport(f"serial:{terminal.path}")

    def find(context: FindContext) -> Iterable[Candidate]:
        with pytest.raises(PortBusy):
            context.connect(f"serial:{terminal.path}")
        yield candidate("a", f"serial:{terminal.path}", Certainty.BUSY)

    (found,) = find_all(registry_of(a=find), probe=True, list_serial=list)
    assert found.certainty is Certainty.BUSY
    held.close()


def test_a_driver_that_finds_without_end_is_cut() -> None:
    """Two hundred candidates of one driver are enough."""

    def endless(context: FindContext) -> Iterable[Candidate]:
        number = 0
        while True:
            number += 1
            yield candidate("a", f"tcp://h:{number}", Certainty.LIKELY)

    assert len(find_all(registry_of(a=endless), list_serial=list)) == 200


def test_ports_that_cannot_be_listed_are_a_problem_not_an_end() -> None:
    """Drivers that need no serial port still look."""

    def broken() -> list[SerialPort]:
        raise OSError("no sysfs")

    result = look_for(
        registry_of(a=lambda context: [candidate("a", "tcp://x:1", Certainty.LISTED)]),
        list_serial=broken,
    )
    assert len(result.candidates) == 1 and "cannot be listed: no sysfs" in result.problems[0]


def test_this_machines_ports_can_be_listed() -> None:
    """Whatever is plugged in here, each port has a device."""
    assert all(port.device for port in serial_ports())


def test_a_port_without_usb_has_no_location(terminal: Any) -> None:
    """A pseudo-terminal is plugged in nowhere; a USB port's link leads to its location."""
    assert usb_location(terminal.path) == ""


def test_a_link_leads_to_the_usb_location(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names under /dev/serial are links."""
    device = tmp_path / "ttyACM0"
    device.touch()
    link = tmp_path / "by-id"
    link.symlink_to(device)
    ports = [SerialPort(device=str(device), location="1-2.3")]
    monkeypatch.setattr("acqd.drivers.usbports.serial_ports", lambda: ports)
    assert usb_location(str(link)) == "1-2.3"


@pytest.mark.parametrize("probe", [False, True])
def test_drivers_guess_last_and_at_what_nobody_knows(probe: bool) -> None:
    """Only where ports may be asked; not at what answered, and not at what somebody holds."""
    turns: list[tuple[str, tuple[str, ...], list[str]]] = []

    class Guessing(Driver):
        def open(self, context: Any) -> Any:
            raise SweeperError("not opened in these tests")

        def find(self, context: FindContext) -> Iterable[Candidate]:
            turns.append(("find", tuple(context.addresses), []))
            return ()

        def guess(self, context: FindContext) -> Iterable[Candidate]:
            ports = [port.device for port in context.serial_ports()]
            turns.append(("guess", tuple(context.addresses), ports))
            yield candidate("a", "tcp://x:3", Certainty.ANSWERED)

    def standard(context: FindContext) -> Iterable[Candidate]:
        turns.append(("standard", (), []))
        yield candidate("b", "tcp://x:1", Certainty.ANSWERED)
        yield candidate("b", "tcp://x:2", Certainty.BUSY)
        yield candidate("b", "tcp://x:3", Certainty.LISTED)
        yield candidate("b", "serial:/dev/ttyACM0", Certainty.ANSWERED)

    entry = DriverEntry(name="a", distribution="acqd-a", version="1.0", factory=Guessing)
    registry = Registry(drivers={"a": entry, **registry_of(b=standard).drivers})
    named = ["tcp://x:1", "tcp://x:2", "tcp://x:3"]
    found = find_all(registry, addresses=named, probe=probe, list_serial=lambda: PORTS)
    assert turns[:2] == [("find", tuple(named), []), ("standard", (), [])]
    assert turns[2:] == ([("guess", ("tcp://x:3",), ["/dev/ttyACM1"])] if probe else [])
    # What was asked in vain by one and answered the other is no second way in.
    at_third = [(one.driver, one.certainty) for one in found if one.address == "tcp://x:3"]
    assert at_third == [("a", Certainty.ANSWERED) if probe else ("b", Certainty.LISTED)]
