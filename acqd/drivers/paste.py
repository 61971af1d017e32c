"""Lines for a config, ready to paste, of what was found: TOML that the config's reader takes."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from acqd.drivers.contract import Certainty, SerialPort
from acqd.drivers.found import Found
from acqd.drivers.usbports import UsbIdentity
from acqd.errors import RequestRefused
from acqd.hidden import without_secrets

__all__ = ["address_of", "name_of", "sweeper_lines", "toml_value"]

NAME_MAX: Final = 24
"""Of the 32 letters of a name, so that a number can stand behind it."""


def sweeper_lines(found: Found, name: str, ports: Sequence[SerialPort] = ()) -> list[str]:
    """The table ``[sweeper.NAME]`` of something found.

    Args:
        found: what a driver takes for a sweeper.
        name: what to call it.
        ports: all ports that are listed, to tell whether an identity on USB is the only one.
    """
    address = address_of(found, ports)
    where = f"    # {found.address} today" if address != found.address else ""
    lines = [
        f"[sweeper.{name}]",
        f"driver = {toml_value(found.driver)}",
        f"address = {toml_value(address)}{where}",
    ]
    # What a config gave under the name of a secret stays in that config.
    if options := without_secrets(found.options):
        lines.append(f"options = {toml_value(options)}")
    identity = found.identity
    if found.certainty is not Certainty.ANSWERED or identity is None:
        return lines
    if not identity.is_doubtful:
        lines.append(f"serial_number = {toml_value(identity.serial_number)}")
    elif identity.location and address == found.address:
        lines.append(f"location = {toml_value(identity.location)}")
    return lines


def address_of(found: Found, ports: Sequence[SerialPort] = ()) -> str:
    """By what it is on USB, where it is a serial port that can be told from all others so."""
    if found.port is None or not found.address.lower().startswith("serial:"):
        return found.address
    known = UsbIdentity.of(found.port)
    if known is None:
        return found.address
    device, _, _ = found.port.location.partition(":")
    lasting = known.lasting
    tries = (
        UsbIdentity(vid=known.vid, pid=known.pid, serial_number=lasting.serial_number),
        lasting,
        UsbIdentity(vid=known.vid, pid=known.pid, location=device),
        UsbIdentity(vid=known.vid, pid=known.pid, location=found.port.location),
    )
    for one in tries:
        is_named = bool(one.serial_number or one.location)
        if is_named and [port for port in ports if one.fits(port)] == [found.port]:
            # What a device says of itself may not be of the form; then its port stands.
            try:
                if UsbIdentity.parse(one.address) == one:
                    return one.address
            except RequestRefused:
                continue
    return found.address


def name_of(found: Found, taken: Collection[str]) -> str:
    """A name that a config takes and that none of ``taken`` is."""
    identity = found.identity
    texts = [
        "" if identity is None else f"{identity.maker} {identity.model}",
        "" if found.port is None else f"{found.port.manufacturer} {found.port.product}",
        "" if found.usb is None else f"{found.usb.manufacturer} {found.usb.product}",
        "" if found.service is None else found.service.name,
        found.driver,
    ]
    slugs = [re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") for text in texts]
    name = next((slug[:NAME_MAX].strip("-") for slug in slugs if slug), "sweeper")
    number, tried = 1, name
    while tried in taken:
        number += 1
        tried = f"{name}-{number}"
    return tried


def toml_value(value: Any) -> str:
    """A value of a config as TOML 1.0 writes it; None and what TOML has no word for as a text."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        pairs = [f"{_key(str(key))} = {toml_value(one)}" for key, one in value.items()]
        return "{ " + ", ".join(pairs) + " }" if pairs else "{}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(one) for one in value) + "]"
    return '"' + "".join(_letter(letter) for letter in str(value)) + '"'


def _key(text: str) -> str:
    return text if re.fullmatch(r"[A-Za-z0-9_-]+", text) else toml_value(text)


def _letter(letter: str) -> str:
    if letter in '"\\':
        return f"\\{letter}"
    code = ord(letter)
    if 0xD800 <= code < 0xE000:
        return "\\uFFFD"
    return (
        letter if letter.isprintable() else f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"
    )
