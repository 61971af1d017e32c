"""``acqd verify``: is an archive as it was written, and if not, what is wrong with which file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.progress import ProgressLine

if TYPE_CHECKING:
    from acqd.archive.verified import Verified

__all__ = ["command"]

WRONG = 3
"""Exit code where something is wrong."""


@click.command("verify")
@click.argument("place", required=False, type=click.Path(), metavar="[ARCHIVE|CONFIG]")
@click.option("--config", type=click.Path(), help="The archive of this config.")
@click.option("--job", help="Only this job.")
@click.option("--deep", is_flag=True, help="Measure all sweeps again too, and compare.")
@click.option("--json", "as_json", is_flag=True, help="As one JSON object.")
@click.option("--set-aside", is_flag=True, help="Move damaged files to the archive's set-aside.")
@click.option("--relist", is_flag=True, help="List files anew that are whole and not listed so.")
@click.option("--rebuild-ledger", is_flag=True, help="First make the ledger anew from the files.")
def command(
    place: str | None,
    config: str | None,
    job: str | None,
    deep: bool,
    as_json: bool,
    set_aside: bool,
    relist: bool,
    rebuild_ledger: bool,
) -> None:
    """Read all of an archive and say whether it is as it was written; changes nothing.

    Also beside a running station, and on a medium that cannot be written. A line for each thing
    that is wrong: where, what, what was expected, what to do. Exit code 0 where all is as it was
    written, 3 where something is wrong. With --set-aside, --relist or --rebuild-ledger, and only
    then, and never beside a station, it changes the archive.
    """
    from acqd.archive.verify import verify_archive

    root = _root(place, config)
    done: list[str] = []
    if rebuild_ledger:
        done.append(_rebuilt(root))
    found = _with_progress(verify_archive, root, job)
    if set_aside or relist:
        mended = _mended(root, found, aside=set_aside, lists=relist)
        if mended:
            done += mended
            found = _with_progress(verify_archive, root, job)
    if deep:
        _replayed(root, job, found)
    if as_json:
        _write_json(root, found, done)
    else:
        _write(found, done)
    if not found.is_whole:
        sys.exit(WRONG)


def _root(place: str | None, config: str | None) -> Path:
    """The archive that is meant: a folder that is one, else that of a config."""
    from acqd.archive.reader import open_archive
    from acqd.config.load import find_config, load_config
    from acqd.errors import ArchiveError

    if place is not None and config is not None:
        raise click.UsageError(f"which one: {place}, or the archive of {config}? give one of them")
    if place is not None and Path(place).is_dir() and not (Path(place) / "station.toml").is_file():
        return open_archive(place).root
    if place is not None and not Path(place).exists():
        raise ArchiveError(
            f"{place}: there is no such file or folder; expected an archive's folder, or a config"
        )
    return open_archive(load_config(find_config(place or config)).archive).root


def _with_progress(verify: Any, root: Path, job: str | None) -> Verified:
    with ProgressLine() as line:

        def show(done: int, total: int, text: str) -> None:
            line.show(done / total if total else 0.0, f"{done >> 20} of {total >> 20} MiB, {text}")

        found: Verified = verify(root, job=job, progress=show)
    return found


# -- mending ---------------------------------------------------------------------------------------


def _rebuilt(root: Path) -> str:
    from acqd.archive.mending import new_ledger
    from acqd.clock import SystemClock

    return new_ledger(root, now_s=SystemClock().wall_s())


def _mended(root: Path, found: Verified, *, aside: bool, lists: bool) -> list[str]:
    """What was done, a line each; empty where there was nothing to do."""
    from acqd.archive.mending import put_aside, relist
    from acqd.clock import SystemClock

    now_s = SystemClock().wall_s()
    done: list[str] = []
    if aside and any(one.can_be_set_aside for one in found.wrong):
        done += put_aside(root, found.wrong, now_s=now_s)
    if lists and any(one.to_list for one in found.wrong):
        done += relist(root, found.wrong, now_s=now_s)
    return done


# -- replaying -------------------------------------------------------------------------------------


def _replayed(root: Path, job: str | None, found: Verified) -> None:
    """Measure each job again and compare with what was published; differences go to ``found``."""
    from acqd.archive.reader import open_archive
    from acqd.errors import AcqdError

    archive = open_archive(root, amended=False)
    for name in sorted(found.jobs) if job is None else [job]:
        with ProgressLine() as line:
            try:
                _replay_one(archive, name, found, line)
            except AcqdError as exc:
                found.add_note(where=f"sweeps/{name}", what=f"is not replayed: {exc}", job=name)


def _replay_one(archive: Any, name: str, found: Verified, line: ProgressLine) -> None:
    import warnings

    from acqd.archive.damage import DamageWarning
    from acqd.archive.verified import counted
    from acqd.station.replay import Replay
    from acqd.station.replay_check import Check, is_same_place
    from acqd.station.software import software_here

    replay = Replay(
        archive=archive, job=name, config=None, start_s=float("-inf"), stop_s=float("inf")
    )
    if not replay.starts_fresh():
        found.add_note(
            where=f"sweeps/{name}",
            what="is not replayed: its first sweeps are gone, and figures hang on them",
            job=name,
        )
        return
    check = Check(same_place=is_same_place(archive.software(name), software_here()))
    with warnings.catch_warnings():
        # What cannot be read has been said already.
        warnings.simplefilter("ignore", DamageWarning)
        for told in replay.run():
            check.take(told)
            if check.sweeps % 100 == 0:
                line.say(f"{name}: {counted(check.sweeps, 'sweep')} measured again")
    if check.differences:
        first = check.differences[0]
        found.add_wrong(
            where=f"sweeps/{name}",
            what=f"measured again: {counted(check.differ, 'difference')} to what was published, "
            f"the first at {first.where}: {first.text}",
            expected="the same figures and findings",
            advice=f"acqd replay {archive.root} {name} --check tells more",
            job=name,
        )
    how = "bit for bit" if check.same_place else "within the tolerance for another machine"
    if check.is_equal:
        text = (
            f"{counted(check.sweeps, 'sweep')} measured again: equal to what was published, {how}"
        )
        found.add_note(where=f"sweeps/{name}", what=text, job=name)


# -- saying it -------------------------------------------------------------------------------------


def _write(found: Verified, done: list[str]) -> None:
    from acqd.archive.verified import counted

    for text in done:
        click.echo(text)
    click.echo(found.headline())
    for one in found.wrong:
        click.echo(str(one))
    if found.wrongs > len(found.wrong):
        click.echo(f"and {counted(found.wrongs - len(found.wrong), 'more thing')}")
    for one in found.notes:
        click.echo(f"note: {one}")
    if found.noted > len(found.notes):
        click.echo(f"and {counted(found.noted - len(found.notes), 'more note')}")
    if found.holder is not None:
        click.echo(f"note: {found.holder} writes it meanwhile")


def _write_json(root: Path, found: Verified, done: list[str]) -> None:
    import json

    body = {
        "archive": str(root),
        "whole": found.is_whole,
        "headline": found.headline(),
        "files": found.files,
        "sweeps": found.sweeps,
        "jobs": sorted(found.jobs),
        "bytes": found.size_bytes,
        "written_by": found.holder,
        "done": done,
        "wrongs": found.wrongs,
        "wrong": [one.to_json() for one in found.wrong],
        "noted": found.noted,
        "notes": [one.to_json() for one in found.notes],
    }
    click.echo(json.dumps(body, indent=1, ensure_ascii=False))
