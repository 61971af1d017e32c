"""``acqd replay``: an archive's job measured again, and compared with what was published."""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.moments import moment

if TYPE_CHECKING:
    from acqd.measure.meter import FindingDraft
    from acqd.station.replay import Replay, Told
    from acqd.station.replay_changes import Changes
    from acqd.station.replay_check import Check

__all__ = ["command"]

PROGRESS_EVERY_S = 10.0


@click.command("replay")
@click.argument("archive", type=click.Path())
@click.argument("job")
@click.option("--config", type=click.Path(), help="The job of this config, not as it was recorded.")
@click.option("--from", "start", callback=moment, help="First moment, ISO 8601 with a zone.")
@click.option("--to", "stop", callback=moment, help="End of the range, not included.")
@click.option("--check", is_flag=True, help="Compare with what was published.")
@click.option("--json", "as_json", is_flag=True, help="A line of JSON each.")
def command(
    archive: str,
    job: str,
    config: str | None,
    start: datetime | None,
    stop: datetime | None,
    check: bool,
    as_json: bool,
) -> None:
    """Measure the sweeps of a JOB in ARCHIVE again, with the code that measures live.

    Shows the findings and counts what was replayed. The config is the one that was recorded with
    the sweeps, where it changed each stretch's own; no config file is needed. Where the chain was
    amended it is the amended one that is measured with, and what that changes is said; --check
    goes by the chain as it was recorded. Exit code with --check: 0 equal, 1 different.
    """
    from acqd.archive.reader import open_archive
    from acqd.config.load import load_config
    from acqd.station.replay import Replay

    # Times as they were recorded: they turned the hours, and those are what was published.
    with open_archive(archive, amended=not check, true_times=False) as opened:
        asked: dict[str, Any] = {
            "job": job,
            "config": None if config is None else load_config(config),
            "start_s": float("-inf") if start is None else start.timestamp(),
            "stop_s": float("inf") if stop is None else stop.timestamp(),
        }
        replay = Replay(archive=opened, **asked)
        _say_removed(replay, check=check)
        amendments = opened.amendments(job)
        if amendments and amendments.reach(replay.start_s, replay.stop_s):
            recorded = Replay(archive=open_archive(archive, amended=False), **asked)
            _shown_amended(replay, recorded, as_json=as_json)
            code = 0
        elif check:
            _refuse_unequal(replay)
            code = _checked(replay, as_json=as_json)
        else:
            _shown(replay, as_json=as_json)
            code = 0
    if code:
        sys.exit(code)


def _say_removed(replay: Replay, *, check: bool) -> None:
    """Sweeps that retention removed cannot be measured again."""
    from acqd.archive.kept import removed_text

    gone = removed_text(replay.archive.removed(replay.job, replay.start_s, replay.stop_s))
    if gone and check:
        raise click.UsageError(
            f"--check cannot compare: {gone}; take a range without them (--from, --to)"
        )
    if gone:
        replay.notes.append(f"not all is replayed: {gone}")


def _refuse_unequal(replay: Replay) -> None:
    """What cannot be compared with what was published, since another meter measured it."""
    feed = replay.feed_of_config()
    if feed is not None and replay.digests != (feed.config,):
        raise click.UsageError(
            f"--check compares with what was published, and job {replay.job} was measured with "
            f"another config than that of --config; leave one of the two out"
        )
    if not replay.starts_fresh():
        raise click.UsageError(
            f"--check cannot begin at {_utc(replay.start_s)}: the meter had seen something before, "
            f"and its figures hang on that; leave --from out, or begin where the job's config "
            f"changed (acqd export --what gaps tells where)"
        )


def _told(replay: Replay) -> Iterator[Told]:
    """The replay, with a word on standard error now and then."""
    yield from _watched(replay.run())


def _watched(run: Iterator[Told]) -> Iterator[Told]:
    from acqd.archive.records import SweepRecord

    sweeps, last_s = 0, time.monotonic()
    for told in run:
        yield told
        if isinstance(told.event, SweepRecord):
            sweeps += 1
            if time.monotonic() - last_s >= PROGRESS_EVERY_S:
                last_s = time.monotonic()
                at = _utc(told.event.started_s)
                click.echo(f"{_count(sweeps, 'sweep')}, as far as {at}", err=True)


def _shown_amended(replay: Replay, recorded: Replay, *, as_json: bool) -> None:
    """The findings with the amended chain, and what is otherwise than with the recorded one."""
    from acqd.archive.amendments import amendment_text
    from acqd.station.replay_changes import Changes, both

    changes = Changes()

    def side_by_side() -> Iterator[Told]:
        for then, now in both(recorded, replay):
            changes.take(then, now)
            yield now

    amendments = replay.archive.amendments(replay.job)
    for one in amendments.reach(replay.start_s, replay.stop_s) if amendments else ():
        replay.notes.append(amendment_text(one))
    _shown(replay, as_json=as_json, run=side_by_side())
    _show_changes(changes, replay.job, as_json=as_json)


def _show_changes(changes: Changes, job: str, *, as_json: bool) -> None:
    from dataclasses import asdict

    if as_json:
        for one in changes.shown:
            _write({"is": "change", "job": job, "at": _utc(one.at_s), **asdict(one)})
        _write(
            {
                "is": "changes",
                "job": job,
                **{str(kind): count for kind, count in changes.counts.items()},
            }
        )
        return
    if not changes.any:
        _write("nothing was found otherwise than with the chain as recorded")
        return
    counts = changes.counts
    _write(
        f"against the chain as recorded: {_count(counts['gone'], 'finding')} would not have been, "
        f"{counts['new']} would have been, {counts['other']} of other figures; "
        f"{_count(counts['verdict'], 'verdict')} of another outcome"
    )
    heads = {"gone": "would not have been", "new": "would have been", "other": "is otherwise"}
    for one in changes.shown:
        at = f"{_utc(one.at_s)}  "
        if one.kind == "verdict":
            where = "" if one.seq is None else f" of sweep {one.seq}"
            _write(f"{at}verdict{where} was {one.then}, is {one.now}")
        elif one.kind == "other":
            _write(f"{at}{heads[one.kind]}: {one.what}  {one.now} (was: {one.then})")
        else:
            _write(f"{at}{heads[one.kind]}: {one.what}  {one.then or one.now}")
    more = sum(counts.values()) - len(changes.shown)
    if more > 0:
        _write(f"and {_count(more, 'more change')}")


def _shown(replay: Replay, *, as_json: bool, run: Iterator[Told] | None = None) -> None:
    """Findings as they come, then the counts."""
    from acqd.archive.records import HourlyRecord, SweepRecord

    counts: Counter[str] = Counter()
    words: Counter[str] = Counter()
    for told in _told(replay) if run is None else _watched(run):
        if isinstance(told.event, SweepRecord):
            counts["sweeps" if told.is_measured else "unmeasured"] += 1
        if isinstance(told.event, HourlyRecord):
            counts["hours"] += 1
        for output in told.outputs:
            for finding in output.findings:
                words[finding.what] += 1
                _write(_finding_of(finding) if as_json else _line_of(finding))
            if as_json:
                for hour in output.hourly:
                    _write(_hour_of(hour))
    total = {
        "is": "total",
        "job": replay.job,
        "sweeps": counts["sweeps"],
        "hours": counts["hours"],
        "findings": words.total(),
        "unmeasured_sweeps": counts["unmeasured"],
        "notes": _notes(replay),
    }
    if as_json:
        _write(total)
        return
    listed = ", ".join(f"{count} {what}" for what, count in sorted(words.items()))
    _write(_counted(total) + (f" ({listed})" if listed else ""))
    _write_notes(total)


def _checked(replay: Replay, *, as_json: bool) -> int:
    """The verdict, then what differs; the exit code."""
    from acqd.archive.amendments import ChainAmendments
    from acqd.station.replay_check import SHOWN_MOST, Check, is_same_place
    from acqd.station.software import software_here

    then, here = replay.archive.software(replay.job), software_here()
    check = Check(same_place=is_same_place(then, here))
    for told in _told(replay):
        check.take(told)
    notes = _notes(replay)
    later = ChainAmendments.among(replay.archive.overlays(replay.job), replay.job)
    if reach := later.reach(replay.start_s, replay.stop_s):
        came = _count(len(reach), "amendment")
        notes.append(f"compared by the chain as it was recorded; {came} came later")
    if not check.same_place:
        notes.append(_elsewhere(then, here))
    verdict = {
        "is": "verdict",
        "job": replay.job,
        "equal": check.is_equal,
        "bit_for_bit": check.is_exact,
        "sweeps": check.sweeps,
        "hours": check.hours,
        "findings": check.findings,
        "unmeasured_sweeps": check.unmeasured,
        "differences": check.differ,
        "notes": notes,
    }
    if as_json:
        _write(verdict)
        for name, listed in (("difference", check.differences), ("near", check.near)):
            for one in listed:
                about = {"where": one.where, "seq": one.seq, "text": one.text}
                _write({"is": name, "job": replay.job, **about})
        return 0 if check.is_equal else 1
    _write(f"{_counted(verdict)}: {_verdict_of(check)}")
    for one in check.differences:
        _write(f"{replay.job}, {one.where}: {one.text}")
    if check.differ > SHOWN_MOST:
        _write(f"and {_count(check.differ - SHOWN_MOST, 'more difference')}")
    for one in check.near:
        _write(f"{replay.job}, {one.where}: {one.text}")
    _write_notes(verdict)
    return 0 if check.is_equal else 1


def _verdict_of(check: Check) -> str:
    from acqd.station.replay_check import TOLERANCE

    if check.is_exact:
        return "equal bit for bit"
    if check.is_equal:
        near = (
            f", but for {_count(len(check.near), 'finding')} at a threshold" if check.near else ""
        )
        return f"equal within {TOLERANCE:g}{near}"
    return _count(check.differ, "difference")


def _elsewhere(then: list[dict[str, str]], here: Any) -> str:
    """How the machine or the libraries differ from those that measured."""
    from acqd.station.replay_check import MUST_BE_ALIKE

    for one in then:
        for name in MUST_BE_ALIKE:
            if one.get(name) != here.get(name):
                was = f"{name} {one[name]}" if one.get(name) else f"a {name} that is not recorded"
                return f"measured with {was}, replayed with {name} {here.get(name)}"
    return "it is not recorded what measured"


def _notes(replay: Replay) -> list[str]:
    notes = list(replay.notes)
    if replay.not_replayed:
        findings = _count(replay.not_replayed, "finding")
        notes.append(f"{findings} of a config of which there is no sweep are not replayed")
    if not replay.starts_fresh():
        notes.append(
            f"the meter was a fresh one at {_utc(replay.start_s)}: figures that hang on what was "
            f"before (signals that were up, a floor that was learnt, the hour's counts) are others "
            f"than those published"
        )
    return notes


def _write_notes(total: dict[str, Any]) -> None:
    for note in total["notes"]:
        _write(f"note: {note}")


def _counted(total: dict[str, Any]) -> str:
    text = ", ".join(_count(total[f"{name}s"], name) for name in ("sweep", "hour", "finding"))
    if total["unmeasured_sweeps"]:
        text += f" ({_count(total['unmeasured_sweeps'], 'sweep')} not measured)"
    return text


def _count(number: int, what: str) -> str:
    """1 sweep; 86 400 sweeps."""
    return f"{number:,}".replace(",", " ") + f" {what}{'' if number == 1 else 's'}"


def _utc(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"


def _line_of(finding: FindingDraft) -> str:
    from acqd.station.tell import one_line

    return f"{_utc(finding.at_s)}  {finding.what}  {one_line(finding.text)}"


def _finding_of(finding: FindingDraft) -> dict[str, Any]:
    from acqd.station.tell import one_line

    return {
        "is": "finding",
        "at": _utc(finding.at_s),
        "at_s": finding.at_s,
        "what": finding.what,
        "seq": finding.seq,
        "text": one_line(finding.text),
        "figures": dict(finding.figures),
    }


def _hour_of(hour: Any) -> dict[str, Any]:
    return {
        "is": "hour",
        "at": _utc(hour.hour_start_s),
        "hour_start_s": hour.hour_start_s,
        "figures": dict(hour.figures),
    }


def _write(line: str | dict[str, Any]) -> None:
    from acqd.archive.tables import text_of

    sys.stdout.write((line if isinstance(line, str) else text_of(line)) + "\n")
