"""``acqd clock``: what the station's clock showed in each boot, and saying what time it was."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acqd.archive.boots import Boot, Stretch
    from acqd.archive.reader import Archive
    from acqd.archive.timing import TimeCorrection, TimeCorrections
    from acqd.cli.place import Place

__all__ = ["command"]

SURE_S = 1.0
"""How well a person's word is taken to be good, where they do not say."""

LEAST_S = 0.001

SHIFT = re.compile(r"(?P<sign>[-+\u2212])\s*(?P<parts>\d.*)", re.DOTALL)
PART = re.compile(r"\d+(?:\.\d+)?\s*[a-z]+")


@click.group("clock")
def command() -> None:
    """Times of sweeps that a wrong clock gave: show what it showed, or say what time it was.

    Recorded times stay as they are; reports, exports and readers go by the corrected ones.
    """


@command.command("show")
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--archive", type=click.Path(), help="An archive, in place of the config's.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def show(config: str | None, archive: str | None, as_json: bool) -> None:
    """List the boots with sweeps, the stretches between two steps of the clock, and corrections.

    Reads every file of the archive, but no levels.
    """
    from acqd.archive.boots import boots_of
    from acqd.archive.reader import open_archive
    from acqd.cli.place import place_of
    from acqd.cli.tables import table

    place = place_of(config, archive)
    opened = open_archive(place.folder)
    rows = list(_rows(boots_of(opened), opened.times(), place))
    if as_json:
        import json

        click.echo(json.dumps(rows, indent=2, ensure_ascii=False))
        return
    if not rows:
        click.echo("no sweep is in this archive yet")
        return
    heads = ("boot", "stretch", "sweeps", "the clock showed", "synchronised", "corrected")
    click.echo(table(heads, [tuple(str(row[head]) for head in heads) for row in rows], right=(1,)))
    for one in () if (times := opened.times()) is None else times.made:
        click.echo(_said(one))
    click.echo(f"times are those of {place.zone}; acqd clock amend --help says how to correct them")


@command.command("amend")
@click.argument("reason", required=False)
@click.option("--boot", help="The boot, by the beginning of its name, as acqd clock show has it.")
@click.option("--stretch", type=int, help="Of a boot whose clock was set: which stretch of it.")
@click.option("--shift", help='How far it was behind: "+1 h", "+8 h 12 min"; or ahead: "-90 s".')
@click.option(
    "--at-sweep", nargs=2, metavar="JOB/NUMBER WHEN", help="When this sweep began in truth."
)
@click.option("--uncertainty", help='How well that is known: "1 s", which is also the default.')
@click.option("--dry-run", is_flag=True, help="Say what it would change, and store nothing.")
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--archive", type=click.Path(), help="An archive, in place of the config's.")
def amend(reason: str | None, **options: Any) -> None:
    """The clock was wrong: give the sweeps of a boot, or of a stretch of it, their true times.

    WHEN is a time of the station's clock (the last such time) or ISO 8601. A shift is from the
    times that the sweeps have now, corrections that stand included. REASON is for later readers.
    """
    from acqd.archive.boots import boots_of
    from acqd.archive.reader import open_archive
    from acqd.archive.timing import KIND
    from acqd.cli.place import place_of, put
    from acqd.errors import WrongUsage

    if (options["shift"] is None) == (options["at_sweep"] is None):
        raise WrongUsage(
            'say how far the clock was off, --shift "+1 h", or when a sweep was, --at-sweep '
            f"JOB/NUMBER WHEN; {'not both' if options['shift'] else 'acqd clock show lists boots'}"
        )
    place = place_of(options["config"], options["archive"])
    opened = open_archive(place.folder)
    boots = boots_of(opened)
    boot, chosen, by_s = _meant(options, boots, opened, place)
    made = _correction(boot, chosen, by_s, opened, _uncertainty(options["uncertainty"]), reason)
    _refuse_absurd(made, chosen, place)
    for line in _outcome(made, chosen, by_s, opened, place):
        click.echo(line)
    if options["dry_run"]:
        click.echo("nothing was stored (--dry-run)")
        return
    low_s, high_s = made.span_s
    kept = put(place, KIND, made.to_body(), job=None, from_s=low_s, to_s=high_s)
    for line in kept.said:
        click.echo(line)
    click.echo(f"acqd clock undo {kept.number} takes it back")


@command.command("undo")
@click.argument("number", type=int)
@click.argument("reason", required=False)
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--archive", type=click.Path(), help="An archive, in place of the config's.")
def undo(number: int, reason: str | None, config: str | None, archive: str | None) -> None:
    """Take correction NUMBER back: times are those of the one before it, or as recorded."""
    from acqd.archive.ledger import UNDO
    from acqd.archive.reader import open_archive
    from acqd.archive.timing import KIND
    from acqd.cli.place import place_of, put
    from acqd.errors import WrongUsage
    from acqd.station.noting import note_text, to_undo

    place = place_of(config, archive)
    one = to_undo(open_archive(place.folder).overlays(undone=True), number)
    if one.kind != KIND:
        raise WrongUsage(f"number {number} is a {one.kind}, no correction of a clock; acqd notes")
    body = {"undoes": number, "reason": "" if reason is None else note_text(reason)}
    kept = put(place, UNDO, body, job=None)
    click.echo(f"correction {number} taken back; acqd notes undo {kept.number} brings it back")


# -- what is meant ---------------------------------------------------------------------------------


def _meant(
    options: dict[str, Any], boots: list[Boot], opened: Archive, place: Place
) -> tuple[Boot, tuple[Stretch, ...], float]:
    """The boot, its stretches, and by how much they are to be moved."""
    from acqd.errors import WrongUsage

    if options["at_sweep"] is None:
        if options["boot"] is None:
            raise WrongUsage("--shift is of a boot: name it with --boot; acqd clock show has them")
        boot = _boot(options["boot"], boots)
        return boot, (_stretch(boot, options["stretch"]),), _seconds(options["shift"])
    which, when = options["at_sweep"]
    job, seq, at_s = _sweep_words(which, when, opened, place)
    found = _sweep_at(opened, job, seq)
    boot = next(one for one in boots if one.boot == found[0])
    if options["boot"] is not None and _boot(options["boot"], boots) is not boot:
        raise WrongUsage(f"sweep {job}/{seq} is of boot {boot.boot}, not of {options['boot']}")
    mine = next(one for one in boot.stretches if found[1] <= one.to_monotonic_s)
    if options["stretch"] is not None and _stretch(boot, options["stretch"]) is not mine:
        number = boot.stretches.index(mine) + 1
        raise WrongUsage(f"sweep {job}/{seq} is in stretch {number}, not in {options['stretch']}")
    return boot, (mine,), at_s - found[2]


def _boot(text: str, boots: list[Boot]) -> Boot:
    from acqd.errors import WrongUsage

    known = [one for one in boots if one.boot.startswith(text)]
    if len(known) != 1:
        fits = "fits several boots" if known else "is no boot of this archive"
        there = ", ".join(one.boot for one in known or boots) or "none"
        raise WrongUsage(f"--boot {text} {fits}; there is {there}")
    return known[0]


def _stretch(boot: Boot, number: int | None) -> Stretch:
    from acqd.errors import WrongUsage

    count = len(boot.stretches)
    if number is None and count > 1:
        raise WrongUsage(
            f"the clock of boot {boot.boot} was set, or the host slept, between its sweeps: say "
            f"which stretch is meant, --stretch 1 to {count} (acqd clock show)"
        )
    if number is not None and not 1 <= number <= count:
        raise WrongUsage(f"--stretch {number}: boot {boot.boot} has {count}, counted from 1")
    return boot.stretches[0 if number is None else number - 1]


def _seconds(text: str) -> float:
    """A shift as people write it, ``+8 h 12 min``."""
    from acqd.config.quantity import DURATION, parse_quantity
    from acqd.errors import WrongUsage

    match = SHIFT.fullmatch(text.strip())
    parts = PART.findall(match["parts"]) if match else []
    left = PART.sub("", match["parts"]).strip(" ,") if match else text
    if match is None or not parts or left:
        raise WrongUsage(
            f'--shift {text!r}: expected a sign and a duration: "+1 h" where the clock was an hour '
            f'behind, "-90 s" where it was ahead'
        )
    try:
        seconds = sum(parse_quantity(part, DURATION) for part in parts)
    except ValueError as exc:
        raise WrongUsage(
            f"--shift {text!r}: {exc}; for more than a year say when a sweep was, --at-sweep"
        ) from exc
    if seconds < LEAST_S:
        raise WrongUsage(f"--shift {text!r} changes nothing")
    return seconds if match["sign"] == "+" else -seconds


def _uncertainty(text: str | None) -> float:
    from acqd.config.quantity import DURATION, parse_quantity
    from acqd.errors import WrongUsage

    if text is None:
        return SURE_S
    try:
        return parse_quantity(text, DURATION)
    except ValueError as exc:
        raise WrongUsage(f"--uncertainty: {exc}") from exc


def _sweep_words(which: str, when: str, opened: Archive, place: Place) -> tuple[str, int, float]:
    from acqd.cli.place import job_in
    from acqd.clock import SystemClock
    from acqd.errors import WrongUsage
    from acqd.look.nights import when_of

    job, _, number = which.rpartition("/")
    if not job or not number.isdecimal() or len(number) > 15:
        raise WrongUsage(f"--at-sweep {which}: expected a job and a number, marine-vhf/812")
    job_in(job, opened.jobs())
    try:
        return job, int(number), when_of(when, place.zone, now_s=SystemClock().wall_s())
    except ValueError as exc:
        raise WrongUsage(f"--at-sweep {which}: {exc}") from exc


def _sweep_at(opened: Archive, job: str, seq: int) -> tuple[str, float, float]:
    """Boot, monotonic time, and the time that a sweep has now."""
    import numpy as np

    from acqd.archive.index import Wanted, find_pieces
    from acqd.errors import WrongUsage

    last = 0
    for step in sorted({one.step for one in opened.setups(job)}):
        wanted = Wanted(root=opened.root, job=job, step=step, times=opened.times())
        for piece in find_pieces(wanted):
            last = max(last, int(piece.sequence.max()))
            for at in np.flatnonzero(piece.sequence == seq).tolist():
                core = piece.core
                return str(piece.boot[at]), float(core["monotonic"][at]), float(core["time"][at])
    raise WrongUsage(f"job {job} has no sweep {seq}; its last is {last}")


# -- what it comes to ------------------------------------------------------------------------------


def _correction(
    boot: Boot,
    chosen: tuple[Stretch, ...],
    by_s: float,
    opened: Archive,
    uncertainty_s: float,
    reason: str | None,
) -> TimeCorrection:
    from acqd.archive.boots import pieces_for
    from acqd.archive.timing import BY_WORD, TimeCorrection
    from acqd.clock import SystemClock
    from acqd.errors import WrongUsage
    from acqd.station.noting import note_text, user_name

    clock = SystemClock()
    if abs(by_s) < LEAST_S:
        raise WrongUsage("the sweep has that time already: nothing is to be corrected")
    goes_on = boot.boot == clock.boot_id
    pieces = pieces_for(
        boot,
        chosen,
        by_s,
        times=opened.times(),
        # Later sweeps of this boot are taken with a clock that may be right by then.
        until_monotonic_s=clock.monotonic_s() if goes_on else None,
    )
    return TimeCorrection(
        number=0,
        boot=boot.boot,
        pieces=pieces,
        uncertainty_s=uncertainty_s,
        how=BY_WORD,
        reason="" if reason is None else note_text(reason),
        who=user_name(),
        at_s=clock.wall_s(),
    )


def _refuse_absurd(made: TimeCorrection, chosen: tuple[Stretch, ...], place: Place) -> None:
    """Times that no station can have swept at."""
    from acqd.clock import EARLIEST_S, SystemClock
    from acqd.errors import WrongUsage
    from acqd.look.times import clock, date

    now_s = SystemClock().wall_s()
    for one, piece in zip(chosen, made.pieces, strict=True):
        first_s = one.from_monotonic_s + piece.offset_s
        last_s = one.to_monotonic_s + piece.offset_s
        if first_s < EARLIEST_S or last_s > now_s + 1.0:
            told = f"{date(first_s, place.zone)}, {clock(first_s, place.zone)}"
            why = "is yet to come" if last_s > now_s + 1.0 else "is before there were stations"
            raise WrongUsage(
                f"with that the sweeps would begin on {told}, which {why}; a clock that was behind "
                f'has a shift with a plus, "+1 h", one that was ahead with a minus'
            )


def _outcome(
    made: TimeCorrection,
    chosen: tuple[Stretch, ...],
    by_s: float,
    opened: Archive,
    place: Place,
) -> Iterator[str]:
    from acqd.archive.timing import shift_text
    from acqd.look.nights import span_text

    way = "later" if by_s > 0 else "earlier"
    for one, piece in zip(chosen, made.pieces, strict=True):
        span = span_text(
            one.from_monotonic_s + piece.offset_s, one.to_monotonic_s + piece.offset_s, place.zone
        )
        yield (
            f"boot {made.boot[:8]}, {_sweeps_text(one)}: {shift_text(by_s)} {way} than until now, "
            f"so {span} ({place.zone}), good for ±{made.uncertainty_s:g} s"
        )
        if one.free == 0:
            yield "the clock said in all of these sweeps that it was synchronised: are you sure?"
        yield from _out_of_order(one, piece.offset_s, opened)


def _out_of_order(one: Stretch, offset_s: float, opened: Archive) -> Iterator[str]:
    """What contradicts the numbers of the sweeps, which never go back."""
    import numpy as np

    first_s, last_s = one.from_monotonic_s + offset_s, one.to_monotonic_s + offset_s
    for job, (first, last) in one.seqs.items():
        data = opened.sweeps(job, step=min(record.step for record in opened.setups(job)))
        seq, at_s = data.sequence.values, data.started.values
        before, after = at_s[seq < first], at_s[seq > last]
        if before.size and float(np.max(before)) > first_s:
            yield f"but sweeps of {job} with lower numbers have later times: is one of both wrong?"
        if after.size and float(np.min(after)) < last_s:
            yield f"but sweeps of {job} with higher numbers have earlier times: is one wrong?"


# -- what is listed --------------------------------------------------------------------------------


def _rows(boots: list[Boot], times: TimeCorrections | None, place: Place) -> Iterator[Any]:
    from acqd.look.nights import span_text

    for boot in boots:
        for number, one in enumerate(boot.stretches, 1):
            corrected = _corrected(boot, one, times)
            span = "–" if corrected is None else span_text(*corrected, place.zone)
            kept = "yes" if not one.free else "no"
            if 0 < one.free < one.sweeps:
                kept = f"not in {one.free} of {one.sweeps}"
            yield {
                "boot": boot.boot[:8],
                "stretch": number,
                "sweeps": _sweeps_text(one),
                "the clock showed": span_text(*one.shown_s, place.zone),
                "synchronised": kept,
                "corrected": span,
                "boot_id": boot.boot,
                "shown_s": list(one.shown_s),
                "corrected_s": None if corrected is None else list(corrected),
                "seqs": {job: list(span) for job, span in one.seqs.items()},
            }


def _corrected(
    boot: Boot, one: Stretch, times: TimeCorrections | None
) -> tuple[float, float] | None:
    """When its sweeps were in truth, where that is another time than was shown."""
    import numpy as np

    if times is None:
        return None
    monotonic_s = np.array([one.from_monotonic_s, one.to_monotonic_s])
    shown_s = monotonic_s + one.shows_s
    moved = times.of_sweeps(np.array([boot.boot] * 2, dtype=object), monotonic_s, shown_s)
    if moved is None:
        return None
    first_s, last_s = (shown_s + moved.shift_s).tolist()
    return first_s, last_s


def _sweeps_text(one: Stretch) -> str:
    return ", ".join(
        f"{job} {first}" if first == last else f"{job} {first} to {last}"
        for job, (first, last) in one.seqs.items()
    )


def _said(one: TimeCorrection) -> str:
    from acqd.archive.timing import correction_text

    return correction_text(one)
