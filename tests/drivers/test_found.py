"""What was found, put together; and the lines that a config needs for it."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from acqd.config.load import parse_config
from acqd.drivers.contract import Candidate, Certainty, SerialPort, Service, UsbDevice
from acqd.drivers.finding import FindResult
from acqd.drivers.found import Found, gather, names_device
from acqd.drivers.paste import name_of, sweeper_lines, toml_value
from acqd.drivers.usbports import Holder
from acqd.sweep import Identity
from gear import MAST

WHO = Identity(maker="GANNET", model="LOOKOUT 1", serial_number="GL0017")
TEXT = {"Manufacturer": "GANNET", "Model": "LOOKOUT 1", "SerialNumber": "GL0017"}
RAW, HISLIP = "tcp://192.0.2.7:5025", "TCPIP0::192.0.2.7::hislip0::INSTR"
PORT = replace(MAST, location="1-2:1.2")
BARE = SerialPort(device="/dev/ttyUSB90", vid=0x1209, pid=0x0002, location="1-4")
TMC = UsbDevice(
    vid=0x1209,
    pid=0x0001,
    serial_number="GL0017",
    location="1-2",
    manufacturer="Gannet",
    product="Lookout",
    interfaces=((0xFE, 0x03, 0x01), (0x02, 0x02, 0x01)),
)
TMC_ADDRESS = "USB0::0x1209::0x0001::GL0017::INSTR"


def candidate(address: str, certainty: Certainty = Certainty.LIKELY, **more: Any) -> Candidate:
    return Candidate(
        **{"driver": "scpi", "address": address, "what": "", "certainty": certainty, **more}
    )


def shown(*candidates: Candidate, **more: Any) -> list[tuple[str, str]]:
    """Addresses in order, each with the one that it is the same as."""
    result = FindResult(candidates=candidates, **more)
    return [(one.address, one.same_as) for one in gather(result)]


def test_one_instrument_by_three_ways_is_one_group() -> None:
    """HiSLIP first; the page for people that LXI announces is no way in beside the others."""
    services = tuple(
        Service(kind=kind, name="mast", host="192.0.2.7", port=port, text=TEXT)
        for kind, port in (("_hislip._tcp", 4880), ("_scpi-raw._tcp", 5025), ("_lxi._tcp", 80))
    )
    found = shown(candidate(RAW), candidate(HISLIP), services=services)
    assert found == [(HISLIP, ""), (RAW, HISLIP)]
    assert shown(services=services[2:]) == [(HISLIP, "")]


def test_the_surest_comes_first() -> None:
    """One that answered before a better way that nobody asked."""
    found = shown(candidate(HISLIP), candidate(RAW, Certainty.ANSWERED, identity=WHO))
    assert found == [(RAW, ""), (HISLIP, RAW)]


def test_the_same_who_at_two_hosts_is_one_instrument() -> None:
    """By name and by number; another serial number is another instrument."""
    other = Identity(maker="GANNET", model="LOOKOUT 1", serial_number="GL0042")
    found = shown(
        candidate("tcp://mast.local:5025", Certainty.ANSWERED, identity=WHO),
        candidate(RAW, Certainty.ANSWERED, identity=WHO),
        candidate("tcp://192.0.2.8:5025", Certainty.ANSWERED, identity=other),
    )
    assert found == [
        ("tcp://192.0.2.7:5025", ""),
        ("tcp://mast.local:5025", "tcp://192.0.2.7:5025"),
        ("tcp://192.0.2.8:5025", ""),
    ]


def test_two_that_say_they_differ_are_not_joined_by_a_third_that_says_nothing() -> None:
    """Two instruments behind one host."""
    other = Identity(maker="GANNET", model="LOOKOUT 1", serial_number="GL0042")
    page = Service(kind="_lxi._tcp", name="page", host="192.0.2.7", port=80)
    found = shown(
        candidate(RAW, Certainty.ANSWERED, identity=WHO),
        candidate(HISLIP, Certainty.ANSWERED, identity=other),
        services=(page,),
    )
    assert [same for _, same in found].count("") == 2


def test_other_ports_of_a_host_are_other_instruments() -> None:
    """Nobody says that they belong together."""
    found = shown(candidate("tcp://192.0.2.7:5026"), candidate("tcp://192.0.2.7:5027"))
    assert [same for _, same in found] == ["", ""]


def test_a_doubtful_serial_number_joins_nothing() -> None:
    """Two sweepers after a bad update are still two."""
    blank = Identity(maker="GANNET", model="LOOKOUT 1", serial_number="0000")
    found = shown(
        candidate("tcp://192.0.2.7:5026", Certainty.ANSWERED, identity=blank),
        candidate("tcp://192.0.2.8:5026", Certainty.ANSWERED, identity=blank),
    )
    assert [same for _, same in found] == ["", ""]


def test_usbtmc_and_serial_of_one_device_are_one_instrument() -> None:
    """By where the device is plugged in."""
    found = shown(
        candidate(f"serial:{PORT.device}"), candidate(TMC_ADDRESS), ports=(PORT,), usb=(TMC,)
    )
    assert found == [(TMC_ADDRESS, ""), (f"serial:{PORT.device}", TMC_ADDRESS)]


def test_two_drivers_that_claim_a_port_are_both_named() -> None:
    """The surer one first, each with the other."""
    address = f"serial:{PORT.device}"
    first, second = gather(
        FindResult(
            candidates=(
                candidate(address, Certainty.LISTED, driver="lines"),
                candidate(address, Certainty.LIKELY),
            ),
            ports=(PORT,),
        )
    )
    assert (first.driver, first.also, second.also) == ("lines", ("scpi",), ("lines",))
    assert second.same_as == address


def test_what_no_driver_took_comes_last_and_says_what_it_is() -> None:
    """Ports, USBTMC devices and services, each by what it says of itself."""
    service = Service(kind="_lxi._tcp", name="page", host="192.0.2.7", port=80, text=TEXT)
    built_in = SerialPort(device="/dev/ttyS0", description="ttyS0")
    found = gather(
        FindResult(
            candidates=(candidate("sim:mast", driver="sim"),),
            ports=(built_in, BARE),
            usb=(TMC,),
            services=(service,),
            held={"serial:/dev/ttyUSB90": Holder(pid=77, command="term")},
        )
    )
    told = {one.address: one for one in found}
    assert found[0].driver == "sim" and all(not one.driver for one in found[1:])
    assert told["serial:/dev/ttyS0"].what == "a serial port of this machine"
    assert told["serial:/dev/ttyUSB90"].held_by == "term, process 77"
    assert told["serial:/dev/ttyUSB90"].certainty is Certainty.BUSY
    assert told[TMC_ADDRESS].what == "Gannet Lookout" and told[TMC_ADDRESS].certainty is None
    assert "GANNET LOOKOUT 1, serial number GL0017 (page), announced as LXI" in {
        one.what for one in found
    }


NAMES = {
    "serial": (f"serial:{PORT.device}", PORT, True),
    "another port": ("serial:/dev/ttyACM91", PORT, False),
    "identity": ("usb:1209:0001/GL0017", PORT, True),
    "another number": ("usb:1209:0001/GL0018", PORT, False),
    "resource string of the port": (f"ASRL{PORT.device}::INSTR", PORT, True),
    "resource string of the device": (TMC_ADDRESS, PORT, True),
    "device by resource string": (TMC_ADDRESS, TMC, True),
    "device by one of its ports": ("usb:1209:0001@1-2:1.2", TMC, True),
    "device by a path": (f"serial:{PORT.device}", TMC, False),
    "a socket": (RAW, PORT, False),
    "nonsense": ("usb:12", PORT, False),
}


@pytest.mark.parametrize(("address", "one", "names"), NAMES.values(), ids=NAMES)
def test_an_address_names_a_device_or_not(
    address: str, one: SerialPort | UsbDevice, names: bool
) -> None:
    """In whatever form the config has it."""
    assert names_device(address, one) is names


# -- lines for a config ---------------------------------------------------------------------------

HEAD = '[station]\nname = "lookout"\narchive = "archive"\n\n[mqtt]\nbroker = "none"\n\n'


def loaded(tmp_path: Path, *tables: list[str]) -> Any:
    """The sweepers of a whole config with these lines in it."""
    text = HEAD + "\n\n".join("\n".join(lines) for lines in tables) + "\n"
    return parse_config(text, tmp_path / "station.toml").sweepers


def test_the_lines_of_an_instrument_that_answered_load_in_a_config(tmp_path: Path) -> None:
    """By what it is on USB, pinned to its serial number, options kept."""
    found = Found(
        address=f"serial:{PORT.device}",
        what="",
        driver="scpi",
        certainty=Certainty.ANSWERED,
        identity=WHO,
        options={"baud": 9600, "terminator": "crlf", "dtr": False},
        port=PORT,
    )
    lines = sweeper_lines(found, name_of(found, ()), [PORT, BARE])
    sweeper = loaded(tmp_path, lines)["gannet-lookout-1"]
    assert sweeper.address == "usb:1209:0001/GL0017" and sweeper.serial_number == "GL0017"
    assert sweeper.options == {"baud": 9600, "terminator": "crlf", "dtr": False}
    assert f"# serial:{PORT.device} today" in lines[2]


def test_the_address_is_as_exact_as_it_must_be() -> None:
    """Two of a kind without numbers: where each is; one device with two ports: which of them."""
    second = SerialPort(device="/dev/ttyUSB91", vid=0x1209, pid=0x0002, location="1-5")
    beside = SerialPort(
        device="/dev/ttyACM91", vid=0x1209, pid=1, serial_number="GL0017", location="1-2:1.4"
    )

    def address(port: SerialPort, *ports: SerialPort) -> str:
        found = Found(address=f"serial:{port.device}", what="", driver="scpi", port=port)
        return sweeper_lines(found, "a", ports)[2].split('"')[1]

    assert address(BARE, BARE, second) == "usb:1209:0002@1-4"
    assert address(PORT, PORT, beside) == "usb:1209:0001/GL0017@:1.2"
    built_in = SerialPort(device="/dev/ttyS0")
    assert address(built_in, built_in) == "serial:/dev/ttyS0"
    hostile = SerialPort(
        device="/dev/ttyACM92", vid=1, pid=2, serial_number="a@1-2", location="1-9"
    )
    assert address(hostile, hostile) == "usb:0001:0002@1-9"


def test_a_doubtful_number_is_not_pinned_but_the_place_is(tmp_path: Path) -> None:
    """Where the address does not say it already."""
    who = Identity(maker="GANNET", model="L", serial_number="0", location="1-9")
    found = Found(
        address="serial:/dev/ttyACM93",
        what="",
        driver="scpi",
        certainty=Certainty.ANSWERED,
        identity=who,
    )
    (sweeper,) = loaded(tmp_path, sweeper_lines(found, "mast")).values()
    assert (sweeper.serial_number, sweeper.location) == ("", "1-9")


def test_names_are_made_of_what_it_is_and_are_not_taken() -> None:
    """Letters that a topic takes; a number where the name is taken; never too long."""
    found = Found(address="x", what="", driver="scpi", identity=WHO)
    assert name_of(found, ()) == "gannet-lookout-1"
    assert name_of(found, ("gannet-lookout-1", "gannet-lookout-1-2")) == "gannet-lookout-1-3"
    long = Found(address="x", what="", identity=Identity(maker="Ü" * 5, model="Möwe " * 20))
    assert name_of(long, ()) == "m-we-m-we-m-we-m-we-m-we"[:24].strip("-")
    assert name_of(Found(address="x", what=""), ()) == "sweeper"


@pytest.mark.parametrize(
    "value",
    ["plain", 'quo"te\\', "tab\tline\nend\x7f\x00", "µ − 😀", 7, -0.5, 1e-30, 1e22, True, [1, [2]],
     {}, {"a b": {"c": ["d"]}}, []],
)  # fmt: skip
def test_values_are_read_as_they_were(value: Any) -> None:
    """By Python's own reader of TOML."""
    assert tomllib.loads(f"x = {toml_value(value)}")["x"] == value


def test_halves_of_pairs_do_not_spoil_the_file() -> None:
    """They cannot be written; something else stands there."""
    assert tomllib.loads(f"x = {toml_value('a' + chr(0xD800))}")["x"] == "a\ufffd"
