"""VISA resource strings as a sweeper's address in a config."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from acqd.config.load import StationConfig
from acqd.errors import ConfigProblem

Read = Callable[[str], StationConfig]
Problems = Callable[[str], tuple[ConfigProblem, ...]]
Edited = Callable[..., str]

RESOURCES = [
    "TCPIP0::mast.local::hislip0::INSTR",
    "tcpip::mast::5025::socket",
    "USB0::0x1209::0x0001::GL0017::INSTR",
    "ASRL/dev/serial/by-id/usb-gannet::INSTR",
    "GPIB0::18::INSTR",
]


@pytest.mark.parametrize("address", RESOURCES)
def test_a_resource_string_is_taken_as_it_is_written(
    edited: Edited, read: Read, small: str, address: str
) -> None:
    """Nothing is resolved, folded or cut in it; opening it is the link's affair."""
    config = read(edited(small, ("sim:mast", address)))
    assert config.sweepers["mast"].address == config.address("mast") == address


def test_a_resource_string_that_names_something_else_is_a_problem_of_its_line(
    edited: Edited, problems: Problems, small: str
) -> None:
    """The place, what stands there, and what was probably meant."""
    (problem,) = problems(edited(small, ("sim:mast", "TCPIP::mast::socket")))
    line = small[: small.index('"sim:mast"')].count("\n") + 1
    assert (problem.where, problem.line) == ("sweeper.mast.address", line)
    assert problem.accepted == "TCPIP0::mast::PORT::SOCKET"


DOUBLES = {
    "two spellings": ("TCPIP::Mast::hislip0", "tcpip0::mast::HISLIP0,4880::INSTR"),
    "two forms of a socket": ("TCPIP::mast::5025::SOCKET", "tcp://mast:5025"),
    "two forms of a port": ("ASRL/dev/ttyACM0::INSTR", "serial:/dev/ttyACM0"),
    "USB ids": ("USB::4617::1::gl0017", "USB0::0x1209::0x0001::GL0017::INSTR"),
}


@pytest.mark.parametrize(("one", "other"), DOUBLES.values(), ids=DOUBLES)
def test_one_instrument_under_two_names_is_noticed_in_any_spelling(
    edited: Edited, problems: Problems, small: str, one: str, other: str
) -> None:
    """Two sweepers at one address would fight over it."""
    second = f'[sweeper.again]\ndriver = "sim"\naddress = "{other}"\n\n[chain.aerial]\n'
    text = edited(small, ("sim:mast", one), ("[chain.aerial]\n", second))
    (problem,) = problems(text)
    assert problem.where == "sweeper.again.address"
    assert "`mast` has this driver and address already" in problem.problem
