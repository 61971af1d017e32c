"""``acqd join``: use the broker of another station, with the line that `acqd share` printed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acqd.config.whole import StationConfig
    from acqd.publish.settings import BrokerSettings
    from acqd.publish.sharing_line import JoinLine

__all__ = ["command"]

FOLDER = "shack"
"""Beside the config: the password, and the certificate to trust."""
REPLACED = ("user_env", "password_env", "address", "websocket")
"""Keys of [mqtt] that make no sense beside the new ones."""


@click.command("join")
@click.argument("line", required=False)
@click.option("--config", type=click.Path(), help="The config of the station that joins.")
@click.option("--yes", is_flag=True, help="Change the config without asking.")
def command(line: str | None, config: str | None, yes: bool) -> None:
    """Join the broker of another station, with the LINE that `acqd share` printed there.

    Without LINE it is asked for, which is better: others on this machine can see what stands on a
    command line. "-" reads it from standard input. The account is tried first; then [mqtt] of this
    station's config is changed, and nothing else of it. Other lines than a station's change none:
    name, password and certificate are put into files, and how to look is told.
    """
    from acqd.publish.sharing_line import JoinLine

    joined = JoinLine.parse(_given(line))
    if joined.kind != "station":
        _join_viewer(joined)
        return
    _join_station(joined, config, yes=yes)


def _given(line: str | None) -> str:
    import sys

    from acqd.errors import WrongUsage
    from acqd.publish.sharing_line import LINE_MOST

    if line is not None and line != "-":
        return line
    if line is None and sys.stdin.isatty():
        return str(click.prompt("The line (it is not shown)", hide_input=True, err=True))
    text = sys.stdin.readline(LINE_MOST + 2)
    if not text.strip():
        raise WrongUsage("no line came; paste the one that `acqd share` printed")
    return text


def _join_station(joined: JoinLine, config: str | None, *, yes: bool) -> None:
    from acqd.cli.join_files import write_secrets
    from acqd.config.load import find_config, load_config, parse_config

    path = find_config(config)
    loaded = load_config(path)
    _refuse_misfit(joined, loaded)
    _try(joined, loaded)
    text = _changed(joined, loaded)
    # What cannot be read afterwards is not written.
    parse_config(text, path)
    _show(loaded, text)
    if not yes and not click.confirm(f"Change {path}?", default=True, err=True):
        raise click.Abort
    write_secrets(joined, loaded.folder / FOLDER)
    _write(path, text)
    click.echo(f"{path}: joined. It holds from the next start: acqd run")


def _refuse_misfit(joined: JoinLine, loaded: StationConfig) -> None:
    from acqd.errors import WrongUsage

    name = loaded.station.name
    if joined.user is not None and joined.user != name:
        raise WrongUsage(
            f"the line is for a station called {joined.user}, and this one is {name} "
            f"({loaded.path}); get a line with `acqd share station {name}` there, or change `name` "
            "in [station] here"
        )
    if name == joined.of:
        raise WrongUsage(
            f"both stations are called {name}, and two at one broker need two names: change `name` "
            f"in [station] of {loaded.path}"
        )
    if loaded.mqtt.serve is not None:
        raise WrongUsage(
            f"{loaded.path}: this station serves a broker itself; take [mqtt.serve] out first, or "
            "let the other one join this one"
        )


def _settings(joined: JoinLine, ca_file: Path | None) -> BrokerSettings:
    from acqd.publish.settings import BrokerSettings

    return BrokerSettings(
        address=joined.address,
        user=joined.user,
        password=joined.password,
        ca_file=ca_file,
        topic_root=joined.root,
    )


def _try(joined: JoinLine, loaded: StationConfig | None) -> None:
    """Try the account, and say what it may do.

    Raises:
        BrokerError: it does not work.
        WrongUsage: another station of this name is there.
    """
    import asyncio
    import tempfile

    from acqd.errors import BrokerError, WrongUsage
    from acqd.publish.sharing_trial import try_account

    name = joined.user or "viewer" if loaded is None else loaded.station.name
    with tempfile.TemporaryDirectory(prefix="acqd-") as folder:
        ca_file = None
        if joined.authority is not None:
            ca_file = Path(folder) / "authority.pem"
            ca_file.write_text(joined.authority, "ascii")
        tried = asyncio.run(try_account(_settings(joined, ca_file), name, of=joined.of))
    if loaded is not None and tried.online_run not in (None, _own_run(loaded)):
        raise WrongUsage(
            f"a station called {name} is online at the broker of {joined.of} already, and two need "
            f"two names: change `name` in [station] of {loaded.path}, and get a line for it there"
        )
    how = "with TLS" if joined.address.tls else "without TLS: all can be read on the network"
    click.echo(f"broker    {joined.of}, {joined.address}, {how}")
    if joined.user is None:
        click.echo("login     none is asked for: anybody on that network may read and write all")
        return
    click.echo(f"login     {joined.user}, taken")
    if loaded is None:
        nothing = "nothing" if joined.kind == "viewer" else f"commands, {joined.root}/+/command"
        writes = f"more than a {joined.kind} should" if tried.may_write_own else nothing
        click.echo(f"writes    {writes}")
        return
    if not tried.may_write_own:
        raise BrokerError(
            f"the broker of {joined.of} does not let {name} write its own topics, {joined.root}/"
            f"{name}/#; make the account anew there: acqd share station {name} --again"
        )
    others = "also others' topics" if tried.may_write_others else "no other station's"
    click.echo(f"writes    {joined.root}/{name}/#, {others}")


def _own_run(loaded: StationConfig) -> str | None:
    """The run of this very station, where it runs."""
    from acqd.errors import AcqdError
    from acqd.station.standing import standing

    try:
        told = standing(loaded.archive)
    except AcqdError:
        return None
    return None if told is None else str(told.get("run_id"))


def _changed(joined: JoinLine, loaded: StationConfig) -> str:
    """The config's text with the broker of the line."""
    from acqd.cli.join_files import ca_name, password_name
    from acqd.config.edit import with_keys
    from acqd.publish.topics import DEFAULT_ROOT

    keys = {"broker": joined.url}
    if joined.user is not None:
        keys["user"] = joined.user
        keys["password_file"] = f"{FOLDER}/{password_name(joined)}"
    if joined.authority is not None:
        keys["ca_file"] = f"{FOLDER}/{ca_name(joined)}"
    if joined.root != DEFAULT_ROOT:
        keys["topic_root"] = joined.root
    gone = (*REPLACED, "user", "password_file", "ca_file", "topic_root")
    return with_keys(loaded.text, "mqtt", keys, without=gone)


def _show(loaded: StationConfig, text: str) -> None:
    import difflib

    if text == loaded.text:
        click.echo(f"\n{loaded.path} says so already; the password is kept anew")
        return
    lines = difflib.unified_diff(loaded.text.splitlines(), text.splitlines(), lineterm="", n=1)
    click.echo(f"\n{loaded.path} will change so:")
    for line in list(lines)[2:]:
        click.echo(f"  {line}" if not line.startswith("@@") else "  …")
    click.echo()


def _write(path: Path, text: str) -> None:
    """Put the text in the place of the file, with its rights, whole or not at all."""
    import os
    import shutil

    from acqd.errors import WrongUsage
    from acqd.publish.sharing import write_private

    real = Path(os.path.realpath(path))
    other = real.with_name(f".{real.name}.joining")
    try:
        # On the disk before it takes the config's place, and never wider open than that.
        write_private(other, text)
        shutil.copystat(real, other)
        other.replace(real)
    except OSError as exc:
        raise WrongUsage(f"{path} cannot be written: {exc.strerror or exc}") from exc
    finally:
        other.unlink(missing_ok=True)


def _join_viewer(joined: JoinLine) -> None:
    import shlex

    from acqd.cli.join_files import write_secrets

    _try(joined, None)
    password, ca_file = write_secrets(joined, Path.cwd() / FOLDER)
    words = ["acqd", "dash", "--broker", joined.url]
    if joined.user is not None and password is not None:
        words += ["--user", joined.user, "--password-file", str(password)]
    if ca_file is not None:
        words += ["--ca-file", str(ca_file)]
    if joined.root != "acqd":
        words += ["--root", joined.root]
    click.echo("\nlook with\n\n    " + " ".join(map(shlex.quote, words)))
