"""``acqd service``: the station as a service of the machine, so that a power cut is followed by a
start."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acqd.cli.options import takes_config

if TYPE_CHECKING:
    from acqd.config.whole import StationConfig
    from acqd.host.service import Seen
    from acqd.host.udev import Named
    from acqd.host.unit import ServicePlan

__all__ = ["command"]

ASK_WITHIN_S = 30.0


@click.group("service")
def command() -> None:
    """The station as a service: it starts with the machine, and again when it ends by itself.

    As root the service is the system's, and runs as --as says; as anybody else it is that user's
    own. Without systemd nothing is written, and it is said what to do instead.
    """


def _as_user(wanted: Callable[..., None]) -> Callable[..., None]:
    return click.option(
        "--as",
        "user",
        metavar="USER",
        help="As root: whom the station runs as; by default who called sudo, or whose the config "
        "is.",
    )(wanted)


@command.command("install")
@takes_config
@_as_user
@click.option("--yes", is_flag=True, help="Replace a unit that differs, without being asked.")
@click.option("--no-start", is_flag=True, help="Do not start it now, only with the machine.")
def install(config: str | None, user: str | None, yes: bool, no_start: bool) -> None:
    """Write, enable and start the service of CONFIG. A second time changes nothing.

    The config is checked first, as `acqd check --offline` does. A unit that is there and differs is
    shown as a diff and replaced if that is wanted. Exit code 1 where something is left to do.
    """
    from acqd.host import service
    from acqd.host.systemd import Manager, is_booted

    loaded = _loaded(config)
    plan = _plan(loaded, user)
    if not is_booted():
        _tell_without_systemd(plan)
        raise SystemExit(1)
    _refuse_strange_user(plan)
    done = service.install(
        Manager(is_system=plan.is_system),
        plan,
        may_replace=lambda difference: _may_replace(difference, yes=yes),
        start=not no_start,
        say=click.echo,
    )
    _tell_of_secrets(loaded, plan)
    _tell_of_sleep(plan)
    raise SystemExit(int(not done.is_right))


@command.command("show")
@takes_config
@_as_user
def show(config: str | None, user: str | None) -> None:
    """Print the unit that `install` would write."""
    from acqd.host.systemd import Manager, is_booted
    from acqd.host.unit import unit_name, unit_text

    plan = _plan(_loaded(config), user)
    click.echo(unit_text(plan), nl=False)
    if is_booted():
        file = Manager(is_system=plan.is_system).folder / unit_name(plan.station)
        click.echo(f"it would be {file}", err=True)
    else:
        click.echo("systemd does not run this machine; `acqd service install` says more", err=True)


@command.command("udev")
@takes_config
@click.option(
    "--group", metavar="GROUP", help="Who may open the sweepers; by default the group of ports."
)
def udev(config: str | None, group: str | None) -> None:
    """Print rules for udev: a name that lasts, and a group, for each sweeper of CONFIG on USB.

    Known are those that the config names by what they are (`usb:…`), and those at a serial port
    that are plugged in now. Nothing is written; the head of the rules says what to do with them.
    Exit code 1 where there is none to make.
    """
    from acqd.config.load import find_config, load_config
    from acqd.host.udev import rules_text

    loaded = load_config(find_config(config))
    named, unknown = _on_usb(loaded)
    for name, why in unknown:
        click.echo(f"{name}: {why}", err=True)
    if not named:
        click.echo("no sweeper of this config is known to be on USB: no rules", err=True)
        raise SystemExit(1)
    wanted = group or next(iter(_port_groups()), "dialout")
    click.echo(rules_text(named, station=loaded.station.name, group=wanted), nl=False)


@command.command("status")
@takes_config
@click.option("--name", metavar="STATION", help="The station's name, where its config is gone.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def status(config: str | None, name: str | None, as_json: bool) -> None:
    """How the service stands.

    Exit code 0 where it is there, as `install` would write it, enabled and running, else 1.
    """
    import json
    from dataclasses import asdict

    from acqd.host import service
    from acqd.host.systemd import Manager

    plan = None if name is not None else _plan(_loaded(config, whole=False), None)
    station = _station(name or (plan.station if plan is not None else ""))
    _refuse_without_systemd()
    seen = service.see(Manager(is_system=os.geteuid() == 0), station, plan=plan)
    if as_json:
        click.echo(json.dumps({**asdict(seen), "is_right": seen.is_right}, indent=2))
    else:
        _show(seen)
    raise SystemExit(int(not seen.is_right))


@command.command("remove")
@takes_config
@click.option("--name", metavar="STATION", help="The station's name, where its config is gone.")
@click.option("--yes", is_flag=True, help="Without being asked.")
def remove(config: str | None, name: str | None, yes: bool) -> None:
    """Stop the service and remove its unit.

    Archive and config stay.
    """
    from acqd.host import service
    from acqd.host.systemd import Manager

    station = _station(name or _loaded(config, whole=False).station.name)
    _refuse_without_systemd()
    if not yes:
        _confirm(f"stop and remove the service of {station}?")
    service.remove(Manager(is_system=os.geteuid() == 0), station, say=click.echo)


def _on_usb(config: StationConfig) -> tuple[list[Named], list[tuple[str, str]]]:
    """The sweepers that are known on USB, and of others at ports why they are not."""
    from acqd.drivers.usbports import UsbIdentity, is_usb_address, port_at, serial_ports
    from acqd.host.udev import Named

    named, unknown = [], []
    for name, table in config.sweepers.items():
        address = config.address(name)
        scheme, _, path = address.partition(":")
        if not table.enabled:
            continue
        if is_usb_address(address):
            named.append(Named(name=name, identity=UsbIdentity.parse(address)))
        elif scheme.casefold() == "serial":
            port = port_at(path, serial_ports())
            identity = None if port is None else UsbIdentity.of(port)
            if identity is None:
                unknown.append((name, f"{path} is not there now, or not on USB: no rule"))
            else:
                named.append(Named(name=name, identity=identity.lasting))
    return named, unknown


# -- what is to run --------------------------------------------------------------------------------


def _loaded(config: str | None, *, whole: bool = True) -> StationConfig:
    """The config; ``whole``: refused also where a station of it could not work."""
    from acqd.config.environment import secrets_named
    from acqd.config.load import find_config, load_config
    from acqd.errors import HostError

    loaded = load_config(find_config(config))
    if not whole:
        return loaded
    import asyncio

    from acqd.clock import SystemClock
    from acqd.drivers.registry import load_drivers
    from acqd.station.build import build
    from acqd.station.forecast import forecast

    # The service gets them from a file of its own; here they may be missing.
    environ = {**dict.fromkeys(secrets_named(loaded), "of the service"), **os.environ}
    built = build(loaded, load_drivers(), environ=environ)
    seen = asyncio.run(forecast(built, clock=SystemClock(), ask=False))
    problems = [
        seen.archive_problem,
        *(f"{job.name}: {job.problem}" for job in seen.jobs if job.problem),
        *(f"{one.name}: {one.state}" for one in seen.sweepers if one.is_wrong),
    ]
    first = next(filter(None, problems), None)
    if first is not None:
        raise HostError(f"{loaded.path}: a station of it could not work: {first}; `acqd check`")
    return loaded


def _plan(config: StationConfig, user: str | None) -> ServicePlan:
    from acqd.host.needs import Needs
    from acqd.host.unit import ServicePlan

    is_system = os.geteuid() == 0
    station = config.station.name
    runs_as = _runs_as(config.path, user, station) if is_system else _refuse_other(user)
    has_ports = Needs.of_config(config).ports != ()
    return ServicePlan(
        station=station,
        title=config.station.title or config.station.name,
        program=_program(),
        config=config.path,
        archive=config.archive,
        is_system=is_system,
        user=runs_as,
        groups=_port_groups() if runs_as and has_ports else (),
        ends=bool(config.enabled_jobs) and all(job.soak for job in config.enabled_jobs.values()),
        needs_network=_needs_network(config),
        has_ports=has_ports,
        writes=_writes(config),
    )


def _writes(config: StationConfig) -> tuple[Path, ...]:
    """Folders that the station writes besides its archive: accounts and certificates."""
    serve = config.mqtt.serve
    return () if serve is None else (config.resolved(serve.folder),)


def _program() -> tuple[str, ...]:
    """This acqd by its absolute path: the script beside this Python, else the module."""
    script = Path(sys.executable).with_name("acqd")
    if os.access(script, os.X_OK):
        return (str(script),)
    return (sys.executable, "-P", "-m", "acqd")


def _runs_as(path: Path, user: str | None, station: str) -> str:
    """Whom a system unit runs as, "" as root: who is asked for, whom an installed one runs as, who
    called sudo, whose the config is."""
    import pwd

    from acqd.errors import WrongUsage
    from acqd.host.service import installed_user
    from acqd.host.systemd import Manager

    wanted = user or installed_user(Manager(is_system=True), station)
    if wanted is None:
        wanted = os.environ.get("SUDO_USER", "")
    if not wanted:
        try:
            wanted = path.owner()
        except (KeyError, OSError):
            wanted = "root"
    try:
        pwd.getpwnam(wanted)
    except KeyError as exc:
        raise WrongUsage(f"--as {wanted}: this machine has no such user") from exc
    return "" if wanted == "root" else wanted


def _refuse_other(user: str | None) -> str:
    import getpass

    from acqd.errors import WrongUsage

    if user is not None and user != getpass.getuser():
        raise WrongUsage(
            f"--as {user}: only root makes a service that runs as somebody else; with sudo it does"
        )
    return ""


def _port_groups() -> tuple[str, ...]:
    from acqd.host.here import Here
    from acqd.host.ports import PORT_GROUPS, parse_groups

    there = {group.name for group in parse_groups(Here().text("/etc/group") or "").values()}
    return tuple(name for name in PORT_GROUPS if name in there)


def _needs_network(config: StationConfig) -> bool:
    """Whether a sweeper or the broker is at another machine."""
    from acqd.publish.settings import is_loopback

    endpoint = config.mqtt.endpoint
    if endpoint is not None and not is_loopback(endpoint):
        return True
    addresses = [config.address(name).casefold() for name in config.sweepers]
    return any("://" in one or one.startswith("tcpip") for one in addresses)


def _refuse_strange_user(plan: ServicePlan) -> None:
    """Refuse a user who cannot start acqd, read the config or write the archive: tried as them."""
    import pwd
    import subprocess

    from acqd.errors import HostError

    if not plan.user:
        return
    entry = pwd.getpwnam(plan.user)
    folder = plan.archive
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    made = plan.archive.is_relative_to("/var/lib") and not plan.archive.exists()
    tries = [
        ([*plan.program, "--version"], f"cannot start {plan.program[0]}"),
        (["/bin/sh", "-c", 'test -r "$1"', "-", str(plan.config)], f"cannot read {plan.config}"),
    ]
    if not made:  # systemd makes that for them
        may_write = ["/bin/sh", "-c", 'test -w "$1" && test -x "$1"', "-", str(folder)]
        tries.append((may_write, f"cannot write in {folder}"))
    for words, problem in tries:
        try:
            subprocess.run(
                words,
                cwd="/",
                user=entry.pw_uid,
                group=entry.pw_gid,
                extra_groups=os.getgrouplist(entry.pw_name, entry.pw_gid),
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=ASK_WITHIN_S,
                check=True,
            )
        except (OSError, subprocess.SubprocessError) as exc:
            raise HostError(
                f"{plan.user}, whom the service would run as, {problem}; give it to them, or say "
                f"with --as who may"
            ) from exc


# -- telling ---------------------------------------------------------------------------------------


def _may_replace(difference: str, *, yes: bool) -> bool:
    from acqd.config.problems import printable

    click.echo("\n".join(printable(line) for line in difference.split("\n")))
    if not yes:
        _confirm("replace it?")
    return True


def _confirm(question: str) -> None:
    from acqd.errors import WrongUsage

    if not sys.stdin.isatty():
        raise WrongUsage(f"{question} nobody is here to say so; --yes does")
    if not click.confirm(question, err=True):
        raise click.Abort


def _refuse_without_systemd() -> None:
    from acqd.errors import HostError
    from acqd.host.systemd import is_booted, pid_one

    if not is_booted():
        first = pid_one()
        raise HostError(
            "systemd does not run this machine"
            + (f" ({first} does)" if first else "")
            + "; there is no service of acqd's"
        )


def _tell_without_systemd(plan: ServicePlan) -> None:
    import shlex

    from acqd.host.systemd import pid_one
    from acqd.host.unit import cron_line

    first = pid_one()
    by = f" ({first} does)" if first else ""
    edit = f"sudo crontab -u {plan.user} -e" if plan.user else "crontab -e"
    run = shlex.join([*plan.program, "run", str(plan.config)])
    click.echo(
        f"systemd does not run this machine{by}, so nothing was written. One of these instead:\n"
        f"\n"
        f"where cron runs, a line in `{edit}`; the log grows beside the config:\n"
        f"\n"
        f"{cron_line(plan)}\n"
        f"\n"
        f"or a service in the way of this machine's own init system, which has to\n"
        f"  start    {run}\n"
        f"  as       {plan.user or _me()}, in {plan.config.parent}\n"
        f"  again    10 s after it ends, unless its exit code is 0, 3, 4 or 5\n"
        f"  stop     by SIGTERM to that process alone, and wait 30 s\n"
        f"or, in a container, that command as the container's own, with a restart policy and the\n"
        f"archive on a volume."
    )


def _me() -> str:
    import getpass

    return getpass.getuser()


def _tell_of_secrets(config: StationConfig, plan: ServicePlan) -> None:
    from acqd.config.environment import secrets_named
    from acqd.host.unit import environment_file

    names = secrets_named(config)
    if names:
        file = environment_file(plan).replace("%h", str(Path.home()))
        click.echo(
            f"the config names {', '.join(names)}: put NAME=VALUE lines into {file}, "
            f"for its owner alone to read (chmod 600), and start it anew"
        )


def _tell_of_sleep(plan: ServicePlan) -> None:
    """A service of somebody who is not logged in is refused an inhibitor by most systems."""
    from acqd.host.here import Here
    from acqd.host.sleeping import MASK, never_sleeps

    if (plan.user or not plan.is_system) and not never_sleeps(Here()):
        click.echo(
            f"a service that is not root's may not hold off sleep on most systems; on a machine "
            f"that need not sleep: {MASK}"
        )


def _station(name: str) -> str:
    from acqd.config.models import is_topic_level
    from acqd.errors import WrongUsage

    if not is_topic_level(name):
        raise WrongUsage(f"--name {name}: a station's name has 1 to 32 of a-z 0-9 _ -")
    return name


def _show(seen: Seen) -> None:
    from acqd.config.problems import printable

    if not seen.is_there:
        click.echo(f"{seen.file} is not there; `acqd service install` writes it")
        return
    differs = "; it differs from what `acqd service install` would write now"
    click.echo(f"unit      {seen.file}{differs if seen.written is False else ''}")
    when = "with the machine" if seen.lingers is not False else "when its user logs in"
    if seen.enabled != "enabled":
        when = f"not by itself ({seen.enabled})"
    also = ""
    if seen.lingers is False:
        also = "; `loginctl enable-linger` lets it start with the machine"
    click.echo(f"starts    {when}{also}")
    since = f" since {printable(seen.since)}" if seen.since and seen.active == "active" else ""
    process = f", process {seen.pid}" if seen.pid else f", last exit code {seen.last_exit}"
    click.echo(f"running   {seen.active}{since}{process}")
    click.echo(f"restarts  {seen.restarts}")
