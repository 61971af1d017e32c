"""``acqd find``: what is attached, and the lines that a config needs for it."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acqd.config.whole import StationConfig
    from acqd.drivers.contract import Candidate, Named
    from acqd.drivers.finding import FindResult
    from acqd.drivers.found import Found
    from acqd.drivers.registry import Registry

__all__ = ["command"]

SURE = {"listed": "named", None: "unknown"}
"""How sure it is, where the driver's word is not the one for a table."""


@click.command("find")
@click.argument("wanted", nargs=-1, metavar="[ADDRESS|HOST]...")
@click.option("--config", type=click.Path(), help="Also ask what the sweepers of this config are.")
@click.option("--probe", is_flag=True, help="Ask what is named, or else every port, who it is.")
@click.option("--local", is_flag=True, help="Do not ask the network what it announces (2 s).")
@click.option("--drivers", is_flag=True, help="List the installed drivers instead.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(
    wanted: tuple[str, ...],
    config: str | None,
    probe: bool,
    local: bool,
    drivers: bool,
    as_json: bool,
) -> None:
    """List sweepers that are attached, announced on the network, or that answer at an ADDRESS.

    An ADDRESS is tcp://HOST:PORT, serial:PORT, usb:VID:PID, a VISA resource string or what else a
    driver documents; of a HOST the registered ports are tried. Without --probe nothing is opened;
    with it, what is named is asked and nothing else, and every port where nothing is.
    The sweepers of a CONFIG whose station runs are left alone.
    """
    from acqd.drivers.found import gather
    from acqd.drivers.registry import load_drivers

    registry = load_drivers()
    for broken in registry.broken:
        _problem(str(broken))
    if drivers:
        _list_drivers(registry)
        return
    loaded = _loaded(config)
    hosts = [word for word in wanted if _is_host(word)]
    addresses = [word for word in wanted if word not in hosts]
    only_named = probe and bool(wanted)
    result = _look(
        registry, addresses, hosts, loaded, probe=probe, only_named=only_named, local=local
    )
    for problem in result.problems:
        _problem(problem)
    found = gather(_without_silent(result, hosts, probe=probe))
    if only_named:
        found = tuple(one for one in found if one.driver)
    lines = _lines(found, result, loaded, probe=probe)
    if as_json:
        _as_json(found, lines)
    else:
        _as_text(found, lines, result, probe=probe)
    for host in hosts:
        _tell_of_host(host, result, probe=probe)
    _refuse_unknown(addresses, found, result)


def _problem(text: str) -> None:
    from acqd.config.problems import printable

    click.echo(f"acqd: {printable(text)}", err=True)


def _list_drivers(registry: Registry) -> None:
    from acqd.cli.tables import table

    rows = [(one.name, one.distribution, one.version) for one in registry.drivers.values()]
    click.echo(table(("driver", "distribution", "version"), rows))


def _loaded(config: str | None) -> StationConfig | None:
    if config is None:
        return None
    from acqd.config.load import find_config, load_config

    return load_config(find_config(config))


# -- looking --------------------------------------------------------------------------------------


def _look(
    registry: Registry,
    addresses: Sequence[str],
    hosts: Sequence[str],
    loaded: StationConfig | None,
    *,
    probe: bool,
    only_named: bool,
    local: bool,
) -> FindResult:
    from acqd.drivers import usbports
    from acqd.drivers.finding import look_for
    from acqd.drivers.mdns import browse, forms_of_host

    forms = [form for host in hosts for form in forms_of_host(host)] if probe else []
    bare: list[str | Named] = [*addresses, *forms]
    named: dict[str, list[str | Named]] = {name: list(bare) for name in registry.drivers}
    held: list[Candidate] = []
    configured: list[tuple[str, Named]] = []
    if loaded is not None:
        configured = _configured(loaded)
        holder = _holder(loaded) if probe else None
        if holder is not None:
            ours = {one.address for _, one in configured}
            named = {name: [one for one in have if one not in ours] for name, have in named.items()}
            held = [_busy(driver, one.address, holder) for driver, one in configured]
            configured = []
        for driver, one in configured:
            named.setdefault(driver, []).append(one)
    result = look_for(
        registry,
        addresses=named,
        probe=probe,
        only_named=only_named,
        list_serial=usbports.serial_ports,
        list_usb=usbports.usb_devices,
        list_services=None if local or only_named else browse,
        find_holders=usbports.holders,
    )
    candidates = _with_held(result.candidates, held, result)
    return replace(result, candidates=_with_configured(candidates, configured, result))


def _configured(loaded: StationConfig) -> list[tuple[str, Named]]:
    """Drivers of a config, with the addresses and options that it gives them."""
    from acqd.drivers.contract import Named

    return [
        (table.driver, Named(address=loaded.address(name), options=loaded.options(name)))
        for name, table in loaded.sweepers.items()
    ]


def _holder(loaded: StationConfig) -> str | None:
    from acqd.archive.lock import holder_of

    return holder_of(loaded.archive)


def _busy(driver: str, address: str, holder: str) -> Candidate:
    from acqd.drivers.contract import Candidate, Certainty

    what = f"in use by {holder}"
    return Candidate(driver=driver, address=address, what=what, certainty=Certainty.BUSY)


def _with_held(
    found: Sequence[Candidate], held: Sequence[Candidate], result: FindResult
) -> tuple[Candidate, ...]:
    """What was found, with what a station holds in place of what drivers made of it."""
    held = [replace(one, address=_at_port(one.address, result)) for one in held]
    taken = {one.address for one in held}
    return (*(one for one in found if one.address not in taken), *held)


def _at_port(address: str, result: FindResult) -> str:
    """Of an identity on USB the port that has it; any other address as it is."""
    from acqd.drivers.usbports import UsbIdentity, is_usb_address

    if not is_usb_address(address):
        return address
    wanted = UsbIdentity.parse(address)
    fitting = [port for port in result.ports if wanted.fits(port)]
    return f"serial:{fitting[0].device}" if len(fitting) == 1 else address


def _with_configured(
    found: Sequence[Candidate], configured: Sequence[tuple[str, Named]], result: FindResult
) -> tuple[Candidate, ...]:
    """What was found, and the sweepers of the config that their driver does not speak of."""
    from acqd.drivers.contract import Candidate, Certainty
    from acqd.drivers.usbports import is_usb_address

    known = {(one.driver, one.address) for one in found}
    more = [
        Candidate(
            driver=driver,
            address=address,
            what="not plugged in" if is_usb_address(address) else "named in the config",
            certainty=Certainty.LISTED,
            options=one.options,
        )
        for driver, one in configured
        if (driver, address := _at_port(one.address, result)) not in known
    ]
    return (*found, *more)


# -- hosts ----------------------------------------------------------------------------------------


def _is_host(word: str) -> bool:
    """Whether a word is the bare name or number of a host, and not a device of this machine."""
    import ipaddress

    try:
        ipaddress.ip_address(word)
    except ValueError:
        is_name = re.fullmatch(r"(?!-)[A-Za-z0-9-]{1,63}(\.[A-Za-z0-9-]{1,63})*\.?", word)
        return is_name is not None and not os.path.exists(f"/dev/{word}")
    return True


def _without_silent(result: FindResult, hosts: Sequence[str], *, probe: bool) -> FindResult:
    """Forms of a host that were only tried and did not answer are no sweepers."""
    from acqd.drivers.contract import Certainty
    from acqd.drivers.mdns import forms_of_host

    tried = {form for host in hosts for form in forms_of_host(host)} if probe else set()
    kept = tuple(
        one
        for one in result.candidates
        if one.address not in tried or one.certainty in (Certainty.ANSWERED, Certainty.BUSY)
    )
    return replace(result, candidates=kept)


def _tell_of_host(host: str, result: FindResult, *, probe: bool) -> None:
    from acqd.drivers.contract import Certainty
    from acqd.drivers.mdns import forms_of_host

    forms = forms_of_host(host)
    if not probe:
        shown = " or ".join(forms)
        _problem(f"{host}: not asked without --probe; addresses to try: {shown}")
        return
    tried = [one for one in result.candidates if one.address in forms]
    if any(one.certainty in (Certainty.ANSWERED, Certainty.BUSY) for one in tried):
        return
    reasons = "; ".join(dict.fromkeys(f"{one.address}: {one.what}" for one in tried))
    _problem(f"{host}: no sweeper answers there ({reasons or 'no driver looked there'})")


# -- telling --------------------------------------------------------------------------------------


def _lines(
    found: Sequence[Found], result: FindResult, loaded: StationConfig | None, *, probe: bool
) -> dict[int, list[str]]:
    """Lines for a config of each usable thing, by its place in ``found``."""
    from acqd.drivers.paste import name_of, sweeper_lines

    names = set() if loaded is None else set(loaded.sweepers)
    had = set() if loaded is None else {one.address for _, one in _configured(loaded)}
    had |= {_at_port(address, result) for address in had}
    told: dict[int, list[str]] = {}
    same = {one.address for one in found if one.address in had}
    for at, one in enumerate(found):
        if not _is_usable(one, probe=probe) or one.address in same or _has_group(one, found, same):
            continue
        name = name_of(one, names)
        names.add(name)
        told[at] = sweeper_lines(one, name, result.ports)
    return told


def _has_group(one: Found, found: Sequence[Found], had: set[str]) -> bool:
    """Whether the config has the same instrument by another way in."""
    return any(each.same_as == one.address and each.address in had for each in found)


def _is_usable(one: Found, *, probe: bool) -> bool:
    from acqd.drivers.contract import Certainty
    from acqd.drivers.transport import check_address
    from acqd.errors import RequestRefused

    if not one.driver or one.same_as or one.certainty in (None, Certainty.BUSY):
        return False
    if one.certainty is not Certainty.LISTED:
        return True
    scheme, _, path = one.address.partition(":")
    if scheme.lower() == "serial" and not os.path.exists(path):
        return False
    try:
        check_address(one.address)
    except RequestRefused:
        return True  # a form of the driver's own, which nobody can ask
    return not probe  # asked, and it did not answer


def _as_text(
    found: Sequence[Found], lines: Mapping[int, list[str]], result: FindResult, *, probe: bool
) -> None:
    from acqd.cli.tables import table

    if not found:
        click.echo("no sweeper found", err=True)
        if not probe:
            click.echo("(--probe also asks serial ports that nobody named)", err=True)
        return
    rows = [(_sure(one), one.driver or "–", one.address, _what(one)) for one in found]
    click.echo(table(("sure", "driver", "address", "what it is"), rows))
    if lines:
        click.echo("\n# for a config:")
    for table_lines in lines.values():
        click.echo("\n" + "\n".join(table_lines))
    for one in found:
        if advice := _advice(one, result, probe=probe):
            _problem(advice)


def _sure(one: Found) -> str:
    word = None if one.certainty is None else str(one.certainty)
    return SURE.get(word) or str(word)


def _what(one: Found) -> str:
    parts = [one.what]
    if one.same_as and one.certainty != "answered":
        parts = [f"same as {one.same_as}"]
    elif one.same_as:
        parts.append(f"same as {one.same_as}")
    if one.bus is not None and not one.same_as:
        parts.append(str(one.bus))
    if one.held_by and one.held_by not in one.what:
        parts.append(f"in use by {one.held_by}")
    if one.also:
        parts.append(f"driver {', '.join(one.also)} takes it for one of its own too")
    return "; ".join(part for part in parts if part)


def _advice(one: Found, result: FindResult, *, probe: bool) -> str:
    """What to do about something that no driver took, or that answered none."""
    learn = f"acqd profile learn --port {one.address}"
    if _is_deaf(one, result):
        why = "no driver and no known profile understands what is there"
        return f"{one.address}: {why}; to teach acqd its language: {learn}"
    if one.driver or one.held_by or one.same_as:
        return ""
    begin = f"{one.address}: no driver knows it"
    if one.port is not None:
        if probe:
            return f"{begin}, and it answered none; teach acqd its language: {learn}"
        return f"{begin}; --probe asks it who it is, and {learn} makes a profile for it"
    if one.service is not None:
        return f"{begin}; acqd find {one.address} --probe asks it"
    return f"{begin}; USBTMC needs the driver scpi (acqd-scpi), and leave to open the device"


def _is_deaf(one: Found, result: FindResult) -> bool:
    """Whether it is a bare line, could be opened and asked, and was understood by no driver."""
    from acqd.drivers.contract import Certainty

    is_line = one.address.partition(":")[0].lower() in ("serial", "tcp")
    is_asked = one.address in result.opened and not one.options
    return is_line and is_asked and one.certainty is Certainty.LISTED and not one.same_as


def _as_json(found: Sequence[Found], lines: Mapping[int, list[str]]) -> None:
    import json

    from acqd.hidden import without_secrets

    shown = [
        {
            "driver": one.driver,
            "address": one.address,
            "what": one.what,
            "certainty": "unknown" if one.certainty is None else str(one.certainty),
            "identity": None if one.identity is None else asdict(one.identity),
            "options": without_secrets(one.options),
            "usb": _usb_json(one),
            "service": None if one.service is None else _service_json(one),
            "held_by": one.held_by,
            "same_as": one.same_as,
            "also": list(one.also),
            "config": "\n".join(lines[at]) + "\n" if at in lines else None,
        }
        for at, one in enumerate(found)
    ]
    click.echo(json.dumps(shown, indent=2, ensure_ascii=False, default=str))


def _usb_json(one: Found) -> dict[str, Any] | None:
    bus = one.bus
    if bus is None:
        return None
    facts = one.port or one.usb
    return {
        **asdict(bus),
        "manufacturer": "" if facts is None else facts.manufacturer,
        "product": "" if facts is None else facts.product,
    }


def _service_json(one: Found) -> dict[str, Any]:
    service = one.service
    assert service is not None
    return {
        "kind": service.kind,
        "name": service.name,
        "host": service.host,
        "port": service.port,
        "text": dict(service.text),
    }


# -- what is no address ---------------------------------------------------------------------------


def _refuse_unknown(addresses: Sequence[str], found: Sequence[Found], result: FindResult) -> None:
    """One line for each address that no driver took, and exit code 2.

    An identity on USB that is not plugged in was told of already, and is no wrong address.
    """
    from acqd.drivers.usbports import UsbIdentity, is_usb_address
    from acqd.errors import RequestRefused

    there = {each.address for each in found}
    wrong = False
    for address in addresses:
        if is_usb_address(address):
            try:
                UsbIdentity.parse(address)
            except RequestRefused:
                wrong = True  # told of among the problems
            continue
        if address not in there:
            _problem(_why_unknown(address))
            wrong = True
    if wrong:
        raise SystemExit(2)


def _why_unknown(address: str) -> str:
    """Why no driver took an address that somebody named."""
    from acqd.drivers.transport import check_address
    from acqd.errors import RequestRefused

    try:
        check_address(address)
    except RequestRefused as exc:
        hint = ""
        if ":" not in address and address.startswith("/dev/"):
            hint = f"; did you mean serial:{address}?"
        elif ":" not in address and os.path.exists(f"/dev/{address}"):
            hint = f"; did you mean serial:/dev/{address}?"
        elif address.rpartition(":")[2].isdigit() and "//" not in address:
            hint = f"; did you mean tcp://{address}?"
        scheme = address.partition(":")[0].lower()
        limit = exc.limit if scheme in ("tcp", "serial") else f"{exc.limit}, or sim:NAME"
        return f"{address}: no address that a driver knows{hint}; accepted: {limit}"
    return f"{address}: no driver looked there"
