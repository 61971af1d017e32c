"""``acqd dash``: the live page of one or several stations, fed by MQTT alone."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acqd.cli.options import takes_config

if TYPE_CHECKING:
    from acqd.dash.service import Dashboard, DashSettings
    from acqd.publish.settings import BrokerSettings

__all__ = ["command"]


@click.command("dash")
@takes_config
@click.option("--broker", metavar="URL", help="mqtt://HOST:PORT or mqtts://HOST:PORT.")
@click.option("--station", "stations", multiple=True, metavar="NAME", help="Only this station.")
@click.option(
    "--listen",
    default="127.0.0.1:8471",
    metavar="HOST:PORT",
    help="Where to serve; others than this machine need a token. Default 127.0.0.1:8471.",
)
@click.option("--token", help="What a viewer has to know; at least 16 characters.")
@click.option("--token-file", type=click.Path(path_type=Path), help="A file that holds it.")
@click.option(
    "--archive",
    "archives",
    multiple=True,
    type=click.Path(path_type=Path),
    help="An archive at hand: the sheet begins with its hours, and its reports are linked.",
)
@click.option("--root", help="What all topics begin with; 'acqd' where nothing is said.")
@click.option("--user", metavar="NAME", help="The name to log in with at the broker.")
@click.option("--user-env", metavar="NAME", help="The variable that holds the broker's user.")
@click.option("--password-env", metavar="NAME", help="The variable that holds the password.")
@click.option("--password-file", type=click.Path(path_type=Path), help="A file that holds it.")
@click.option("--ca-file", type=click.Path(path_type=Path), help="Certificates to trust, PEM.")
@click.option("--zone", help="Time zone of the page, such as Europe/London; else the browser's.")
@click.option("--name", "names", multiple=True, help="A host name that a proxy calls the page by.")
@click.option(
    "--silent-after",
    type=click.FloatRange(min=1.0),
    default=150.0,
    metavar="SECONDS",
    help="When an online station that says nothing counts as silent. Default 150.",
)
@click.option("--wall", is_flag=True, help="Print the address of the page for a wall's screen.")
@click.option("--qr", is_flag=True, help="Show the address as a code for a phone.")
@click.option("-v", "--verbose", is_flag=True, help="Log details as well.")
def command(
    config: str | None,
    broker: str | None,
    stations: tuple[str, ...],
    listen: str,
    token: str | None,
    token_file: Path | None,
    archives: tuple[Path, ...],
    root: str | None,
    user: str | None,
    user_env: str | None,
    password_env: str | None,
    password_file: Path | None,
    ca_file: Path | None,
    zone: str | None,
    names: tuple[str, ...],
    silent_after: float,
    wall: bool,
    qr: bool,
    verbose: bool,
) -> None:
    """Serve a page that shows live what stations say, until Ctrl-C or SIGTERM.

    The broker is the one of --broker, or of the CONFIG of a station on this machine. The page can
    only look.
    """
    import asyncio
    import os

    from acqd.cli.logs import set_up_logs
    from acqd.dash.service import DashSettings

    secrets_of = {
        "user": user,
        "user_env": user_env,
        "password_env": password_env,
        "password_file": password_file,
        "ca_file": ca_file,
    }
    if broker is not None:
        settings = _broker_of(broker, root or "acqd", secrets_of, os.environ)
        near: tuple[str, Path] | None = None
    else:
        settings, near, of_config = _broker_of_config(config, secrets_of, root, os.environ)
        zone = zone or of_config
    host, port = _address(listen)
    wanted = DashSettings(
        broker=settings,
        stations=_checked_stations(stations),
        host=host,
        port=port,
        token=_token(token, token_file, host),
        names=names,
        archives=archives,
        own_archive=None if archives else near,
        zone=_checked_zone(zone),
        wall=wall,
        silent_after_s=silent_after,
    )
    set_up_logs(verbose=verbose)
    asyncio.run(_serve(wanted, qr=qr))


async def _serve(settings: DashSettings, *, qr: bool) -> None:
    import asyncio
    import signal

    import structlog

    from acqd.clock import SystemClock
    from acqd.dash.service import Dashboard

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    dashboard = Dashboard(settings, clock=SystemClock(), log=structlog.get_logger())
    await dashboard.start()
    _say(dashboard, qr=qr)
    await dashboard.run_until(stop)


def _say(dashboard: Dashboard, *, qr: bool) -> None:
    url = dashboard.server.url()
    click.echo(url)
    if qr:
        import io

        import segno

        out = io.StringIO()
        segno.make(url, error="l", micro=False).terminal(out, compact=True)
        click.echo(out.getvalue())


def _broker_of(
    url: str, root: str, given: Mapping[str, object], environ: Mapping[str, str]
) -> BrokerSettings:
    """The settings for a URL, held to the rules of a config's table [mqtt]."""
    from pydantic import ValidationError

    from acqd.config.mqtt import MqttTable
    from acqd.errors import WrongUsage

    if "://" not in url:
        raise WrongUsage(f"--broker {url}: expected mqtt://HOST:PORT or mqtts://HOST:PORT")
    texts = {key: str(value) for key, value in given.items() if value is not None}
    try:
        table = MqttTable.model_validate({"broker": url, "topic_root": root, **texts})
    except ValidationError as exc:
        first = exc.errors()[0]
        where = str(first["loc"][0]) if first["loc"] else "broker"
        option = {"topic_root": "root"}.get(where, where).replace("_", "-")
        problem = first["msg"].removeprefix("Value error, ")
        if option == "broker":
            problem += "; expected mqtt://HOST:PORT or mqtts://HOST:PORT"
        raise WrongUsage(f"--{option}: {problem}") from exc
    except ValueError as exc:
        raise WrongUsage(f"--broker {url}: {exc}") from exc
    for misfit in table.misfits():
        option = misfit.key.replace("_", "-")
        raise WrongUsage(f"--{option}: {misfit.problem}; accepted: {misfit.accepted}")
    return _settings(table, given, environ)


def _broker_of_config(
    config: str | None,
    given: Mapping[str, object],
    root: str | None,
    environ: Mapping[str, str],
) -> tuple[BrokerSettings, tuple[str, Path], str]:
    """The broker of a station's config, where its archive is, and its zone."""
    from acqd.config.load import find_config, load_config
    from acqd.errors import WrongUsage

    loaded = load_config(find_config(config))
    if loaded.mqtt.endpoint is None:
        raise WrongUsage(
            f"{loaded.path}: the station has no broker, so there is nothing to show; give it one "
            f"in [mqtt], or name another with --broker"
        )
    merged: dict[str, object] = {
        "user": loaded.mqtt.user,
        "user_env": loaded.mqtt.user_env,
        "password_env": loaded.mqtt.password_env,
        "password_file": loaded.password_file,
        "ca_file": loaded.ca_file,
    }
    told = {key: value for key, value in given.items() if value is not None}
    for key in [key for one, key in _EITHER if one in told]:
        merged[key] = None  # what is said here stands in for the other way to say it
    merged |= told
    table = loaded.mqtt.model_copy(update={"topic_root": root or loaded.mqtt.topic_root})
    near = (loaded.station.name, loaded.archive)
    return _settings(table, merged, environ), near, loaded.station.time_zone


_EITHER = (
    ("user", "user_env"),
    ("user_env", "user"),
    ("password_env", "password_file"),
    ("password_file", "password_env"),
)


def _settings(
    table: object, given: Mapping[str, object], environ: Mapping[str, str]
) -> BrokerSettings:
    from acqd.config.mqtt import MqttTable
    from acqd.errors import WrongUsage
    from acqd.publish.settings import BrokerSettings, MqttVersion, is_loopback

    assert isinstance(table, MqttTable)
    endpoint = table.endpoint
    assert endpoint is not None
    if not _may_be_host(endpoint.host):
        raise WrongUsage(f"broker {endpoint.host!r}: no name or address of a machine")
    ca_file, password_file = given.get("ca_file"), given.get("password_file")
    user = None if given.get("user") is None else str(given["user"])
    password = _variable(given.get("password_env"), environ)
    if password_file is not None:
        password = _content(Path(str(password_file)), "--password-file")
    if password is not None and not endpoint.tls and not is_loopback(endpoint):
        click.echo("note: the password goes to the broker in clear; mqtts:// hides it", err=True)
    return BrokerSettings(
        address=endpoint,
        version=MqttVersion(table.version),
        user=user or _variable(given.get("user_env"), environ),
        password=password,
        ca_file=None if ca_file is None else Path(str(ca_file)),
        topic_root=table.topic_root,
        keep_alive_s=10,
    )


def _variable(name: object, environ: Mapping[str, str]) -> str | None:
    from acqd.errors import WrongUsage

    if name is None:
        return None
    if str(name) not in environ:
        raise WrongUsage(f"the environment variable {name} is not set")
    return environ[str(name)]


def _content(path: Path, option: str) -> str:
    from acqd.config.secretfile import read_secret_file
    from acqd.errors import WrongUsage

    try:
        return read_secret_file(path)
    except (OSError, UnicodeDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else "not UTF-8"
        raise WrongUsage(f"{option} {path}: cannot be read: {reason}") from exc


def _address(text: str) -> tuple[str, int]:
    from acqd.errors import WrongUsage

    host, _, port = text.strip().rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    is_port = port.isascii() and port.isdigit() and int(port) <= 65535
    if not is_port or not host or host == "*" or not _may_be_host(host):
        raise WrongUsage(f"--listen {text}: expected HOST:PORT, such as 0.0.0.0:8471")
    return host, int(port)


def _may_be_host(name: str) -> bool:
    """Whether the system may be asked for it at all; of some names Python raises."""
    try:
        return name.isprintable() and " " not in name and bool(name.encode("idna"))
    except UnicodeError:
        return False


def _token(given: str | None, file: Path | None, host: str) -> str | None:
    """The token: given, or made where others than this machine may come."""
    import secrets

    from acqd.dash.access import TOKEN_LEAST, is_loopback_host
    from acqd.errors import WrongUsage

    if given is not None and file is not None:
        raise WrongUsage("--token and --token-file: one of both is enough")
    token = given if file is None else _content(file, "--token-file")
    if token is None:
        return None if is_loopback_host(host) else secrets.token_urlsafe(16)
    if len(token) < TOKEN_LEAST:
        raise WrongUsage(
            f"the token has {len(token)} characters, which can be guessed; expected at least "
            f"{TOKEN_LEAST}, or leave it out where one shall be made"
        )
    return token


def _checked_stations(names: tuple[str, ...]) -> tuple[str, ...]:
    from acqd.errors import WrongUsage
    from acqd.publish.topics import checked_level

    for name in names:
        try:
            checked_level(name)
        except ValueError as exc:
            raise WrongUsage(f"--station {name}: {exc}") from exc
    return names


def _checked_zone(zone: str | None) -> str | None:
    from zoneinfo import ZoneInfo

    from acqd.errors import WrongUsage

    if zone is not None:
        try:
            ZoneInfo(zone)
        except (KeyError, ValueError, OSError) as exc:
            raise WrongUsage(
                f"--zone {zone}: no such zone; expected a name such as UTC or Europe/London"
            ) from exc
    return zone
