"""The command line: ``acqd COMMAND``. Each command lives in a file of its own and is loaded alone.

Exit codes: 0 done, 1 failed, 2 wrong usage or config. Results go to standard output, everything
else to standard error.
"""

from __future__ import annotations

import codecs
import importlib
import io
import os
import sys
import warnings
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint
    from types import TracebackType

__all__ = ["main"]

COMMANDS = {
    "alert": "When somebody is told of something: list the alerts, send a test.",
    "chain": "The chain that was recorded: show it, or put it right afterwards.",
    "check": "What a station would do: sweepers, jobs, times, disk and messages.",
    "clock": "Times that a wrong clock gave: show what it showed, or say what time it was.",
    "confirm": "Another instrument answers and it is meant: jobs that wait go on.",
    "contract": "Print the AsyncAPI document of all messages.",
    "dash": "A live page of one or several stations, fed by MQTT alone.",
    "driver": "Begin a driver of your own: acqd driver new NAME.",
    "export": "Sweeps of an archive as CSV, netCDF, Parquet or Touchstone.",
    "find": "List attached sweepers.",
    "ingest": "Bring sweeps from text logs into an archive, by a map of how they are written.",
    "join": "Use the broker of another station, with the line that acqd share printed there.",
    "note": 'Put a remark on the sheet: acqd note 21:05 "lamp off".',
    "notes": "List what people said later: remarks, amendments, pins; take one back.",
    "once": "One pass of a job, or of a plain range such as 144MHz..146MHz.",
    "pause": "A job of the running station waits until it is resumed.",
    "pin": 'Keep a night for good: acqd pin "last night".',
    "plot": "A picture of a job: the night sheet, a range, single sweeps, one channel.",
    "reference": "Take a reference of a job (through, open, short, load, quiet, ambient).",
    "rehearse": "A night of a config on a clock of its own, in minutes: what it will come to.",
    "replay": "Measure an archive's sweeps again, and compare with what was published.",
    "report": "What an archive holds of a night, as one page to read and to send.",
    "resume": "A job that was paused goes on.",
    "retention": "Which old sweeps would be removed now, and why; lists, removes nothing.",
    "run": "Run the station until Ctrl-C, SIGTERM or SIGHUP.",
    "service": "The station as a service: it starts with the machine, and again when it ends.",
    "share": "Let other stations, and viewers, use the broker of this station.",
    "status": "How the station stands: sweepers, jobs, what they kept and found last.",
    "sweep": "A pass of a job is taken now, as if it were due.",
    "tonight": "From what is plugged in to a watched night and its report, in one command.",
    "verify": "Is an archive as it was written? What is wrong with which file.",
}
"""Kept here so that the help text needs no command's module; a test compares the two."""

PLUGIN_COMMANDS = "acqd.commands"
"""Entry-point group of commands that drivers' distributions bring, such as a check of their files.
Core commands win over one of the same name."""

SUMMARY_MOST = 120
"""Letters of what a distribution says of itself, beside its command: two lines or so."""


class _NobodyReads(Exception):
    """Whoever read standard output went away (head, say): nothing is wrong, and nobody listens."""


class LazyGroup(click.Group):
    """A group that imports a command when it is used, not when it is listed."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            value = super().invoke(ctx)
            sys.stdout.flush()
        except BrokenPipeError as exc:
            # click itself would end with 1 for this.
            raise _NobodyReads from exc
        return value

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted({*COMMANDS, *_brought()})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in COMMANDS:
            command = importlib.import_module(f"acqd.cli.{cmd_name}").command
        elif (point := _brought().get(cmd_name)) is not None:
            command = _loaded(point)
        else:
            return None
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            names = self.list_commands(ctx)
            if args[0] in names:
                return super().resolve_command(ctx, args)
            near = difflib.get_close_matches(args[0], names, n=1)
            hint = f"; did you mean '{near[0]}'?" if near else ""
            ctx.fail(f"no command '{args[0]}'{hint} ('acqd --help' lists them)")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            brought = {name: _of_whom(point) for name, point in _brought().items()}
            formatter.write_dl(sorted({**brought, **COMMANDS}.items()))


def _brought() -> dict[str, EntryPoint]:
    """The commands that installed distributions bring, by name."""
    from importlib.metadata import entry_points

    return {
        point.name: point
        for point in entry_points(group=PLUGIN_COMMANDS)
        if point.name not in COMMANDS
    }


def _of_whom(point: EntryPoint) -> str:
    """The distribution that brings a command, and what that says of itself: no module of it is
    imported to be listed."""
    if point.dist is None:
        return f"Of {point.value}."
    about = point.dist.metadata
    summary = str(about["Summary"]) if "Summary" in about else ""
    summary = " ".join(summary.split()).removesuffix(".").removesuffix(", for acqd")
    if len(summary) > SUMMARY_MOST:
        cut = summary[:SUMMARY_MOST]
        return f"Of {point.dist.name}: {cut.rpartition(' ')[0] or cut} …"
    return f"Of {point.dist.name}: {summary}." if summary else f"Of {point.dist.name}."


def _loaded(point: EntryPoint) -> Any:
    """The command of a distribution; a broken one costs this command alone."""
    owner = f"{point.dist.name} {point.dist.version}" if point.dist else point.value
    try:
        command = point.load()
    except (Exception, SystemExit) as exc:
        raise click.ClickException(
            f"the command '{point.name}' of {owner} cannot be loaded: "
            f"{type(exc).__name__}: {exc}; install that distribution anew"
        ) from exc
    if not isinstance(command, click.Command):
        raise click.ClickException(f"the command '{point.name}' of {owner} is no click command")
    return command


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="acqd", prog_name="acqd", message="%(prog)s %(version)s")
def cli() -> None:
    """acqd leaves sweepers running and keeps what they find.

    A CONFIG that is not given is looked for as station.toml here, then in the user's and the
    system's config folders.
    """


def main(args: list[str] | None = None) -> None:
    """Run the command line; errors that acqd raises on purpose become lines, not tracebacks."""
    _write_what_can_be_written()
    warnings.showwarning = _warn
    try:
        cli.main(args, prog_name="acqd", standalone_mode=False)
    except click.exceptions.Exit as exc:
        sys.exit(exc.exit_code)
    except click.UsageError as exc:
        exc.show()
        sys.exit(2)
    except click.Abort:
        sys.exit(130)
    except click.ClickException as exc:
        exc.show()
        sys.exit(exc.exit_code)
    except _NobodyReads:
        # What is still in the buffer must not fail once more when the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as exc:
        sys.exit(_told(exc))


def _write_what_can_be_written() -> None:
    """A letter that the output's encoding does not have is no reason to end: a minus sign becomes
    a hyphen, anything else its number, so that nothing is lost."""

    def instead(exc: UnicodeError) -> tuple[str | bytes, int]:
        if isinstance(exc, UnicodeEncodeError) and exc.object[exc.start] in "\u2212\u2013":
            return "-", exc.start + 1
        return codecs.backslashreplace_errors(exc)

    codecs.register_error("acqd", instead)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors in ("strict", "backslashreplace"):
            stream.reconfigure(errors="acqd")


def _warn(message: Warning | str, *about: Any, **named: Any) -> None:
    """A warning is a line, as an error is."""
    from acqd.config.problems import printable

    click.echo(printable(f"acqd: {message}"), err=True)


def _crash(kind: type[BaseException], exc: BaseException, trace: TracebackType | None) -> None:
    """The traceback of a fault of ours, without any secret that an exception may repeat."""
    import traceback

    from acqd.hidden import masked

    sys.stderr.write(masked("".join(traceback.format_exception(kind, exc, trace))))


def _told(exc: Exception) -> int:
    from acqd.errors import AcqdError, ConfigError, WrongUsage

    if not isinstance(exc, AcqdError):
        sys.excepthook = _crash
        raise exc
    from acqd.config.problems import printable
    from acqd.hidden import masked

    said = masked(str(exc) if isinstance(exc, ConfigError) else f"acqd: {exc}")
    # Names of files and answers of sweepers are in it, which must not steer a terminal.
    click.echo("\n".join(printable(line) for line in said.split("\n")), err=True)
    return 2 if isinstance(exc, ConfigError | WrongUsage) else 1
