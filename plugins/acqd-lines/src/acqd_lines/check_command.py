"""What ``acqd profile check`` does with its options: reads, connects, prints, judges."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from acqd.config.problems import Text
from acqd.config.quantity import QuantityError, parse_frequency_range
from acqd.config.reading import parse_toml, read_text
from acqd.drivers.contract import Transport
from acqd.drivers.transport import TRANSPORT_OPTIONS, check_address, open_transport
from acqd.errors import ConfigError, PortBusy, RequestRefused, TransportError, WrongUsage
from acqd_lines.check import Check, default_request
from acqd_lines.check_show import as_values, step_lines
from acqd_lines.check_steps import Outcome, Step
from acqd_lines.profile import Profile, find_profile, parse_profile

__all__ = ["address_of", "link_options", "read_profile", "run_check"]


def run_check(
    file: str,
    *,
    port: str | None,
    swept: str | None,
    options: Sequence[str],
    whole: bool,
    as_json: bool,
) -> int:
    """The command; its exit code.

    Raises:
        ConfigError: the profile has problems.
        WrongUsage: an option that cannot be read.
    """
    try:
        path = find_profile(file)
    except RequestRefused as exc:
        raise WrongUsage(f"{file}: no such profile; accepted: {exc.limit}") from exc
    try:
        profile, places = read_profile(path)
    except ConfigError as exc:
        if as_json:
            problems = [str(problem) for problem in exc.problems]
            _print_json({"profile": str(path), "ok": False, "problems": problems})
            return 2
        raise
    request = _request(profile, swept)
    if port is None:
        if as_json:
            _print_json({"profile": str(path), "ok": True, "problems": []})
        else:
            click.echo(f"{path}: {profile.title}\n{_summary(profile)}")
            click.echo("(--port ADDRESS tries it on the sweeper)", err=True)
        return 0
    address = address_of(port)
    given = {**profile.link.as_options(), **link_options(options)}
    return _tried(
        Check(profile, places, request, lambda: connected(address, given)),
        heading=f"{path}: {profile.title}\nat {address}",
        told={"profile": str(path), "address": address},
        whole=whole,
        as_json=as_json,
    )


def read_profile(path: Path) -> tuple[Profile, Text]:
    """The profile in a file, and where its keys stand.

    Raises:
        ConfigError: with every problem.
    """
    text = read_text(path)
    profile = parse_profile(text, str(path))
    _, places = parse_toml(str(path), text)
    return profile, places


def _summary(profile: Profile) -> str:
    limits, values = profile.limits, profile.sweep.values
    parts = [
        f"{limits.start_hz / 1e6:g} to {limits.stop_hz / 1e6:g} MHz",
        f"{limits.points_min} to {limits.points_max} points",
        f"levels as {values.type} in {values.unit}",
        f"frequencies from the {profile.axis_source}",
        f"sets {', '.join(profile.setting.given()) or 'nothing'}",
        "with a source" if profile.source is not None else "without a source",
    ]
    return "it holds together: " + "; ".join(parts)


def _request(profile: Profile, swept: str | None) -> Any:
    if swept is None:
        return default_request(profile)
    try:
        start_hz, stop_hz = parse_frequency_range(swept)
    except QuantityError as exc:
        raise WrongUsage(f"--range: {exc}") from exc
    limits = profile.limits
    if start_hz < limits.start_hz or stop_hz > limits.stop_hz:
        raise WrongUsage(
            f"--range: {swept} is beyond the profile's limits, {limits.start_hz / 1e6:g} to "
            f"{limits.stop_hz / 1e6:g} MHz"
        )
    return default_request(profile, start_hz, stop_hz)


def _tried(
    check: Check, *, heading: str, told: Mapping[str, Any], whole: bool, as_json: bool
) -> int:
    steps: list[Step] = []
    if not as_json:
        click.echo(heading)
    for step in check.run():
        steps.append(step)
        if not as_json:
            click.echo("\n".join(step_lines(step, whole=whole)))
    wrong = [step for step in steps if step.outcome is Outcome.DIFFERS]
    if as_json:
        _print_json({**told, "ok": not wrong, "steps": [as_values(step) for step in steps]})
    elif wrong:
        click.echo(f"it does not match: {wrong[0].name}")
    else:
        tried = sum(1 for step in steps if step.outcome is Outcome.FITS)
        click.echo(f"it matches: {tried} steps tried")
    return 1 if wrong else 0


def _print_json(told: Mapping[str, Any]) -> None:
    click.echo(json.dumps(told, indent=2, ensure_ascii=False))


# --- ports ----------------------------------------------------------------------------------------


def address_of(port: str) -> str:
    """``port`` as an address: a bare path of a port is a serial one.

    Raises:
        WrongUsage: it is no address.
    """
    bare = port.startswith(("/", "./", "../", "~"))
    address = f"serial:{Path(os.path.expanduser(port)).absolute()}" if bare else port
    try:
        check_address(address)
    except RequestRefused as exc:
        raise WrongUsage(f"--port: {exc}") from exc
    return address


def link_options(texts: Sequence[str]) -> dict[str, Any]:
    """Options of the link from texts such as ``baud=9600``; values as in TOML, or plain words.

    Raises:
        WrongUsage: one of them cannot be read.
    """
    found: dict[str, Any] = {}
    for text in texts:
        key, equals, value = text.partition("=")
        key = key.strip().replace("-", "_")
        if not equals or key not in TRANSPORT_OPTIONS:
            known = ", ".join(TRANSPORT_OPTIONS)
            raise WrongUsage(f"--option: expected KEY=VALUE with one of {known}, got {text!r}")
        try:
            found[key] = tomllib.loads(f"value = {value}")["value"]
        except tomllib.TOMLDecodeError:
            found[key] = value.strip()
    return found


def connected(
    address: str, options: Mapping[str, Any], opened: Callable[..., Any] = open_transport
) -> Transport:
    """The link to ``address``.

    Raises:
        TransportError: it cannot be opened; one that is busy says what to do about it.
        WrongUsage: an option that the link does not take.
    """
    try:
        link: Transport = opened(address, options)
    except PortBusy as exc:
        raise TransportError(
            f"{exc}; stop the station or program that uses it, or wait until it is done"
        ) from exc
    except RequestRefused as exc:
        raise WrongUsage(str(exc)) from exc
    return link
