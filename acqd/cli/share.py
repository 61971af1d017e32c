"""``acqd share``: accounts for other stations and for viewers, on the station that serves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acqd.config.whole import StationConfig
    from acqd.publish.sharing import AccountKind
    from acqd.publish.sharing_served import Serve

__all__ = ["command"]

TAKEN_AFTER_S, TAKEN_WITHIN_S = 1.5, 8.0
"""A running broker is told of a new account within a second or two; sooner it would refuse it, and
its station warn of that."""

_config = click.option("--config", type=click.Path(), help="The config of the station that serves.")
_host = click.option(
    "--host", metavar="NAME", help="By what name or address the other one reaches this machine."
)
_again = click.option("--again", is_flag=True, help="A new password for an account that there is.")
_reads = click.option(
    "--reads",
    multiple=True,
    metavar="TOPIC",
    help="What it may hear beside all that stations say, such as shack/#.",
)


@click.group("share")
def command() -> None:
    """Let other stations, and viewers, use the broker of this station ([mqtt.serve])."""


@command.command("station")
@click.argument("name")
@_config
@_host
@_reads
@click.option(
    "--writes",
    multiple=True,
    metavar="TOPIC",
    help="What it may write beside its own, such as shack/relay/set.",
)
@_again
def station(
    name: str,
    config: str | None,
    host: str | None,
    reads: tuple[str, ...],
    writes: tuple[str, ...],
    again: bool,
) -> None:
    """Make an account for the station NAME, and the line that it joins with.

    NAME is the `name` in the [station] of the other one's config. It may write below that name
    and nowhere else, but for --writes.
    """
    _make(name, "station", config, host=host, reads=reads, writes=writes, again=again)


@command.command("viewer")
@click.argument("name")
@_config
@_host
@_reads
@_again
def viewer(
    name: str, config: str | None, host: str | None, reads: tuple[str, ...], again: bool
) -> None:
    """Make an account that only reads, for a screen, a program or a person called NAME."""
    _make(name, "viewer", config, host=host, reads=reads, writes=(), again=again)


@command.command("administrator")
@click.argument("name")
@_config
@_host
@_reads
@_again
def administrator(
    name: str, config: str | None, host: str | None, reads: tuple[str, ...], again: bool
) -> None:
    """Make an account that reads, and may command the stations that take commands ([commands])."""
    _make(name, "administrator", config, host=host, reads=reads, writes=(), again=again)


@command.command("list")
@_config
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def listed(config: str | None, as_json: bool) -> None:
    """Who has an account."""
    import json

    from acqd.cli.tables import table, when
    from acqd.publish.sharing import read_accounts

    loaded, serve = _served(config)
    accounts = read_accounts(serve.folder)
    if as_json:
        told = [
            {
                "name": one.name,
                "kind": one.kind,
                "made_s": one.made_s,
                "reads": one.reads,
                "writes": one.writes,
            }
            for one in accounts
        ]
        click.echo(json.dumps(told, indent=2))
        return
    if not accounts:
        click.echo(
            "nobody yet: acqd share station NAME, acqd share viewer NAME, "
            "acqd share administrator NAME"
        )
        return
    rows = [
        (
            one.name,
            one.kind,
            when(one.made_s, loaded.station.time_zone),
            ", ".join(one.reads) or "–",
            ", ".join(one.writes) or "–",
        )
        for one in accounts
    ]
    click.echo(table(("name", "what", "made", "reads besides", "writes besides"), rows))


@command.command("remove")
@click.argument("name")
@_config
def remove(name: str, config: str | None) -> None:
    """Take the account NAME away; who is in with it is put out."""
    from acqd.errors import WrongUsage
    from acqd.publish.sharing import changing_accounts

    _, serve = _served(config)
    with changing_accounts(serve.folder) as accounts:
        if name not in accounts:
            raise WrongUsage(
                f"there is no account {name!r}; there is {', '.join(accounts) or 'none'}"
            )
        del accounts[name]
    click.echo(f"{name} is removed; a running broker puts it out within two seconds")


@command.command("page")
@_config
@click.option("--qr", is_flag=True, help="Show the address as a code for a phone.")
def page(config: str | None, qr: bool) -> None:
    """The address of the live page of [dash], with the token that lets its reader in."""
    from urllib.parse import quote

    from acqd.config.load import find_config, load_config
    from acqd.errors import WrongUsage
    from acqd.publish.sharing_served import joinable
    from acqd.station.livepage import PageSpec, page_token

    loaded = load_config(find_config(config))
    if loaded.dash is None:
        raise WrongUsage(f"{loaded.path}: there is no [dash], so no page is served by `acqd run`")
    endpoint = loaded.dash.endpoint
    spec = PageSpec(
        address=endpoint,
        token_file=None
        if loaded.dash.token_file is None
        else loaded.resolved(loaded.dash.token_file),
    )
    token, _ = page_token(spec, loaded.archive)
    host = joinable(endpoint.host)
    name = f"[{host}]" if ":" in host else host
    url = f"http://{name}:{endpoint.port}/" + (f"?token={quote(token, safe='')}" if token else "")
    click.echo(url)
    if qr:
        import io

        import segno

        out = io.StringIO()
        segno.make(url, error="l", micro=False).terminal(out, compact=True)
        click.echo(out.getvalue())


def _served(config: str | None) -> tuple[StationConfig, Serve]:
    from acqd.config.load import find_config, load_config
    from acqd.errors import WrongUsage
    from acqd.station.build import serve_of

    loaded = load_config(find_config(config))
    serve = serve_of(loaded)
    if serve is None:
        raise WrongUsage(
            f"{loaded.path}: this station serves no broker for others; write a table [mqtt.serve] "
            'with address = "0.0.0.0:8883" into it, and start the station anew'
        )
    return loaded, serve


def _make(
    name: str,
    kind: AccountKind,
    config: str | None,
    *,
    host: str | None,
    reads: tuple[str, ...],
    writes: tuple[str, ...],
    again: bool,
) -> None:
    """Make the account and say what to do with it: the line alone goes to standard output."""
    import time

    from acqd.publish.sharing import changing_accounts, new_account

    loaded, serve = _served(config)
    if not serve.open:
        with changing_accounts(serve.folder) as accounts:
            kept = accounts.get(name)
            _refuse_taken(name, kind, loaded, kept, again=again)
            if kept is not None:
                reads, writes = reads or kept.reads, writes or kept.writes
            account, password = new_account(
                *(name, kind), now_s=time.time(), reads=reads, writes=writes, root=serve.topic_root
            )
            accounts[name] = account
    for warning in serve.warnings():
        click.echo(f"caution: {warning}", err=True)
    line = _line(serve, loaded, name, kind, None if serve.open else password, host)
    click.echo(_how(name, kind), err=True)
    click.echo(line)
    if not serve.open:
        click.echo(_whether_taken(serve, name, password), err=True)


def _how(name: str, kind: AccountKind) -> str:
    what = {
        "viewer": f"{name} may look, and write nothing. On its machine run",
        "administrator": f"{name} may look, and command every station that takes commands. On its "
        "machine run",
        "station": f"{name} may join. On its machine, where its station.toml is, run",
    }[kind]
    return (
        f"\n{what}\n\n    acqd join\n\nand paste this one line when it asks. Whoever has the line "
        f"is {name}:\n"
    )


def _refuse_taken(name: str, kind: str, loaded: StationConfig, kept: Any, *, again: bool) -> None:
    from acqd.errors import WrongUsage

    if name == loaded.station.name:
        raise WrongUsage(
            f"{name} is this station itself; two stations at one broker need two names: change "
            "`name` in [station] of the other one"
        )
    if kept is not None and kept.kind != kind:
        raise WrongUsage(
            f"there is a{'n' if kept.kind[0] == 'a' else ''} {kept.kind} called {name}: "
            f"take another name, or remove that one first (acqd share remove {name})"
        )
    if kept is not None and not again:
        raise WrongUsage(
            f"there is an account {name} already, and its password is kept nowhere: "
            f"`acqd share {kind} {name} --again` makes a new one, which ends the old"
        )
    if kept is None and again:
        raise WrongUsage(f"there is no account {name} to make anew; leave --again out")


def _line(
    serve: Serve,
    loaded: StationConfig,
    name: str,
    kind: AccountKind,
    password: str | None,
    host: str | None,
) -> str:
    import time
    from dataclasses import replace

    from acqd.errors import WrongUsage
    from acqd.publish.sharing_certificate import AUTHORITY, ensure_certificates, names_of_host
    from acqd.publish.sharing_line import JoinLine
    from acqd.publish.sharing_served import joinable

    reached = host or next(iter(serve.names), None) or joinable(serve.address.host)
    authority = None
    if serve.address.tls:
        wanted = names_of_host((*serve.names, *serve.own_host()))
        certificate, _ = ensure_certificates(
            serve.folder, station=serve.station, names=wanted, now_s=time.time()
        )
        if reached.lower() not in certificate.names:
            raise WrongUsage(
                f"--host {reached}: the broker's certificate is not for it; add it to `names` in "
                f"[mqtt.serve] of {loaded.path} and start the station anew"
            )
        authority = (serve.folder / AUTHORITY).read_text("ascii")
    line = JoinLine(
        address=replace(serve.address, host=reached),
        of=serve.station,
        user=None if password is None else name,
        password=password,
        kind=kind,
        root=serve.topic_root,
        authority=authority,
    )
    return line.text()


def _whether_taken(serve: Serve, name: str, password: str) -> str:
    """Whether the running broker lets the account in by now: it is simply tried."""
    import asyncio
    import time

    from acqd.errors import BrokerError
    from acqd.publish.settings import BrokerSettings
    from acqd.publish.sharing_certificate import AUTHORITY
    from acqd.publish.sharing_trial import try_account

    near = serve.near
    settings = BrokerSettings(
        address=near,
        user=name,
        password=password,
        ca_file=serve.folder / AUTHORITY if near.tls else None,
        topic_root=serve.topic_root,
        timeout_s=3.0,
    )
    ends_s = time.monotonic() + TAKEN_WITHIN_S
    time.sleep(TAKEN_AFTER_S)
    while True:
        try:
            asyncio.run(try_account(settings, name))
        except BrokerError as exc:
            if "cannot be reached" in str(exc):
                return f"\nNothing answers on {near} now: start the station with acqd run first."
            if time.monotonic() > ends_s:
                return f"\nThe broker on {near} does not take it yet: {exc}"
            time.sleep(0.5)
        else:
            return "\nThe running broker knows it already."
