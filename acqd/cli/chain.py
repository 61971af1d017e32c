"""``acqd chain``: what stood before the sweeper when it swept, and putting right what was said."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acqd.archive.amendments import ChainAmendment, ChainAmendments
    from acqd.archive.reader import Archive
    from acqd.chain import Chain
    from acqd.cli.place import Place
    from acqd.station.amending import Described

__all__ = ["command"]


@click.group("chain")
def command() -> None:
    """The chain before the sweeper as it was recorded: show it, or put it right afterwards.

    Raw sweeps stay as they are, and what was recorded of the chain stays beside them.
    """


@command.command("show")
@click.argument("job")
@click.option("--at", "moment", metavar="WHEN", help="As it was at this time; else the newest.")
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--archive", type=click.Path(), help="An archive, in place of the config's.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def show(
    job: str, moment: str | None, config: str | None, archive: str | None, as_json: bool
) -> None:
    """Show the chain that sweeps of JOB were recorded with, and what was amended."""
    from acqd.archive.reader import open_archive
    from acqd.cli.place import job_in, place_of
    from acqd.station.amending import described

    place = place_of(config, archive)
    opened = open_archive(place.folder)
    job_in(job, place.jobs)
    found = described(opened, job)
    at_s = found[-1].last_s if moment is None else _moment(moment, place)
    one = next((one for one in reversed(found) if one.first_s <= at_s), found[0])
    if as_json:
        click.echo(_as_json(one, opened.amendments(job), at_s))
        return
    for line in _shown(one, opened.amendments(job), at_s, place):
        click.echo(line)


@command.command("amend")
@click.argument("job")
@click.argument("reason", required=False)
@click.option("--from", "start", metavar="WHEN", help="Begin; without it, the first sweep.")
@click.option("--to", "stop", metavar="WHEN", help="End, not included; without it, open.")
@click.option("--part", help="The part that was another than described, by its name.")
@click.option("--loss", help='What it lost: "10 dB".')
@click.option("--gain", help='What it gained: "18.5 dB".')
@click.option("--loss-at", "losses", type=click.Path(), help="Its losses: frequency, loss a line.")
@click.option("--remove", metavar="PART", help="A part that was not there.")
@click.option("--add", metavar="NAME", help="A part that nobody described; with --loss or --gain.")
@click.option("--chain", "chain_file", type=click.Path(), help="Another chain altogether: a TOML.")
@click.option("--uncertainty", help='How well the figure is known: "0.5 dB".')
@click.option("--dry-run", is_flag=True, help="Say what it would change, and store nothing.")
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--archive", type=click.Path(), help="An archive, in place of the config's.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def amend(job: str, reason: str | None, **options: Any) -> None:
    """That pad was 10, not 20 dB: reports, exports and replays of JOB go by it from now on.

    WHEN is a time of the station's clock (the last such time), last night 21:05, or ISO 8601.
    REASON says why, for whoever reads it later. See acqd chain show JOB first.
    """
    from acqd.archive.amendments import KIND, changes_to_json
    from acqd.archive.reader import open_archive
    from acqd.cli.amend_words import wish_of
    from acqd.cli.place import job_in, place_of, put
    from acqd.station.amending import changes_of, described
    from acqd.station.noting import note_text

    wish = wish_of(options)
    place = place_of(options["config"], options["archive"])
    job_in(job, place.jobs)
    from_s, to_s = _range(options["start"], options["stop"], place)
    opened = open_archive(place.folder)
    found = described(
        opened, job, -math.inf if from_s is None else from_s, math.inf if to_s is None else to_s
    )
    changes = changes_of(wish, found, opened.amendments(job))
    reason = note_text(_reason(reason, dry=options["dry_run"]))
    body = {"reason": reason, "changes": changes_to_json(changes)}
    number, said = None, []
    if not options["dry_run"]:
        kept = put(place, KIND, body, job=job, from_s=from_s, to_s=to_s)
        number, said = kept.number, list(kept.said)
    made = _trial(opened, job, number, body, (from_s, to_s))
    lines = list(_outcome(found, made, place))
    lines += said or _config_still(made, place, job)
    if options["as_json"]:
        import json

        told = {"number": number, "job": job, "from_s": from_s, "to_s": to_s, **body}
        click.echo(json.dumps({**told, "said": lines}, ensure_ascii=False, indent=2))
        return
    _tell(job, number, made, place, (from_s, to_s), lines)


def _moment(text: str, place: Place) -> float:
    from acqd.clock import SystemClock
    from acqd.errors import WrongUsage
    from acqd.look.nights import when_of

    try:
        return when_of(text, place.zone, now_s=SystemClock().wall_s())
    except ValueError as exc:
        raise WrongUsage(str(exc)) from exc


def _range(start: str | None, stop: str | None, place: Place) -> tuple[float | None, float | None]:
    from acqd.clock import SystemClock
    from acqd.errors import WrongUsage
    from acqd.report.range import moment_in

    from_s = None if start is None else _moment(start, place)
    to_s = None
    if stop is not None:
        is_clock = ":" in stop and len(stop) <= len("21:05:30")
        to_s = (
            moment_in(stop, place.zone, SystemClock().wall_s(), after_s=from_s)
            if is_clock and from_s is not None
            else _moment(stop, place)
        )
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise WrongUsage(f"--to {stop} is not after --from {start}; an amendment has a length")
    return from_s, to_s


def _reason(reason: str | None, *, dry: bool) -> str:
    """What was given, else what the person at the terminal says."""
    from acqd.errors import WrongUsage

    if reason is not None:
        return reason
    if dry:
        return "not said"
    if not sys.stdin.isatty():
        raise WrongUsage(
            'say why, for whoever reads it later: acqd chain amend … "it is marked 10 dB"'
        )
    click.echo("Why, for whoever reads it later: ", nl=False, err=True)
    return sys.stdin.readline()


def _trial(
    opened: Archive,
    job: str,
    number: int | None,
    body: dict[str, Any],
    when: tuple[float | None, float | None],
) -> ChainAmendments:
    """What stands with this one, whether it was stored or not."""
    from acqd.archive.amendments import KIND, ChainAmendments
    from acqd.archive.ledger import Overlay

    stand = [one for one in opened.overlays(job) if one.id != number]
    last = max((one.id for one in opened.overlays(undone=True)), default=0)
    mine = Overlay(
        id=last + 1 if number is None else number,
        kind=KIND,
        job=job,
        from_s=when[0],
        to_s=when[1],
        body=body,
        who="",
        at_s=0.0,
    )
    return ChainAmendments.among([*stand, mine], job)


def _outcome(found: list[Described], made: ChainAmendments, place: Place) -> list[str]:
    """What it comes to for each chain that was recorded in the range, and the headroom."""
    from acqd.station.amending import headroom_lines

    lines = []
    mine = made.made[-1]
    for one in found:
        at_s = one.first_s
        if mine.from_s is not None:
            at_s = max(at_s, mine.from_s)
        chain, numbers = made.chain_at(one.setup, at_s)
        if mine.number not in numbers:
            lines.append(
                f"{_sweeps(one.sweeps)} in that time have a chain without that part and stay as "
                f"they are"
            )
            continue
        lines.append(_gains(one, one.chain, chain))
        lines += headroom_lines(one, chain, place.config)
    lines += [
        f"amendment {one.number} ({one.text}) reaches into that time too: both hold, the later one "
        f"where they are about the same part"
        for one in made.made[:-1]
        if one.reaches(
            -math.inf if mine.from_s is None else mine.from_s,
            math.inf if mine.to_s is None else mine.to_s,
        )
    ]
    return lines


def _gains(one: Described, before: Chain | None, after: Chain | None) -> str:
    from acqd.measure.words import frequency_text
    from acqd.station.amending import middle_gain_db, signed_db

    middle_hz, was_db = middle_gain_db(one.setup, before)
    _, is_db = middle_gain_db(one.setup, after)
    by_db = was_db - is_db
    way = "as they were" if by_db == 0 else f"{abs(by_db):.2f} dB {'up' if by_db > 0 else 'down'}"
    return (
        f"{_sweeps(one.sweeps)}: the chain gives {signed_db(is_db)} in the middle of the range "
        f"({frequency_text(middle_hz)}), was {signed_db(was_db)}; levels at its far end go {way}"
    )


def _sweeps(count: int) -> str:
    return "1 sweep" if count == 1 else f"{count:,} sweeps".replace(",", " ")


def _config_still(made: ChainAmendments, place: Place, job: str) -> list[str]:
    """Whether the config, where it is at hand, still says what was just corrected."""
    from acqd.station.amending import still_described_by

    if place.config is None or job not in place.config.jobs:
        return []
    return still_described_by(made.made[-1:], job, place.config.chain(job))


def _tell(
    job: str,
    number: int | None,
    made: ChainAmendments,
    place: Place,
    when: tuple[float | None, float | None],
    lines: list[str],
) -> None:
    mine = made.made[-1]
    head = "would amend" if number is None else f"amendment {number} of"
    click.echo(f"{head} {job}, {_when(when, place.zone)} ({place.zone}): {mine.text}")
    for line in lines:
        click.echo(line)
    if number is not None:
        click.echo(f"acqd notes undo {number} takes it back")
    else:
        click.echo("nothing was stored")


def _when(when: tuple[float | None, float | None], zone: str) -> str:
    from acqd.look.nights import span_text

    return span_text(*when, zone)


# -- show ------------------------------------------------------------------------------------------


def _shown(
    one: Described, amendments: ChainAmendments | None, at_s: float, place: Place
) -> list[str]:
    from acqd.archive.amendments import ChainAmendments
    from acqd.cli.tables import table
    from acqd.look.times import clock, date
    from acqd.measure.words import frequency_text
    from acqd.station.amending import headroom_lines, middle_gain_db, signed_db

    amendments = amendments or ChainAmendments(())
    now, numbers = amendments.chain_at(one.setup, at_s)
    middle_hz, _ = middle_gain_db(one.setup, one.chain)
    lines = [
        f"{one.setup.job}, {date(at_s, place.zone)}, {clock(at_s, place.zone, seconds=True)} "
        f"({place.zone}); figures at {frequency_text(middle_hz)}, the middle of its range"
    ]
    for head, chain in (("as recorded", one.chain), ("as amended", now)):
        if head == "as amended" and not numbers:
            continue
        lines.append(f"\n{head}, from the far end to the sweeper's input")
        rows = [
            (part.name, part.kind.value, signed_db(float(part.gain_at_db(middle_hz))),
             f"±{part.uncertainty_db:g} dB")
            for part in (chain.parts if chain is not None else ())
        ]  # fmt: skip
        _, total_db = middle_gain_db(one.setup, chain)
        total_u = 0.0 if chain is None else chain.uncertainty_db
        rows.append(("together", "", signed_db(total_db), f"±{total_u:.2g} dB"))
        none = "no part: levels are those at the input"
        lines.append(table(("part", "kind", "gain", "good for"), rows) if len(rows) > 1 else none)
    lines += [_of(each, place) for each in amendments.named(numbers)]
    more = headroom_lines(one, now, place.config)
    return [*lines, *(["", *more] if more else [])]


def _of(one: ChainAmendment, place: Place) -> str:
    from acqd.look.times import clock, date

    return (
        f"amendment {one.number}, {_when((one.from_s, one.to_s), place.zone)}: {one.text}; made "
        f"{date(one.at_s, place.zone)}, {clock(one.at_s, place.zone)} by {one.who}: {one.reason}"
    )


def _as_json(one: Described, amendments: ChainAmendments | None, at_s: float) -> str:
    import json

    from acqd.archive.amendments import ChainAmendments, amendment_text

    amendments = amendments or ChainAmendments(())
    now, numbers = amendments.chain_at(one.setup, at_s)
    told = {
        "job": one.setup.job,
        "at_s": at_s,
        "recorded": None if one.chain is None else one.chain.to_json(),
        "amended": None if now is None else now.to_json(),
        "amendments": [
            {"number": each.number, "text": amendment_text(each)}
            for each in amendments.named(numbers)
        ],
    }
    return json.dumps(told, indent=2, ensure_ascii=False)
