"""Amending a chain: from what a person says to changes, and what follows from them.

The raw sweeps and the chain as it was recorded stay. What is worked out here is said to the person:
what the chain comes to now, whether a transmitter's headroom (G7) held with it, and whether the
config still describes the chain wrongly, so that what is checked before the next sweep is still
checked with the wrong figure. An amendment loosens nothing: jobs go by the config alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

import numpy as np

from acqd.archive.amendments import (
    AddPart,
    ChainAmendment,
    ChainAmendments,
    Change,
    PartTable,
    RemovePart,
    SetPart,
    WholeChain,
    chain_of,
    table_of,
)
from acqd.archive.index import Wanted, find_pieces
from acqd.archive.ledger import Overlay
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import SetupRecord
from acqd.chain import Chain, ChainPart
from acqd.config.recorded import recorded_config
from acqd.config.whole import StationConfig
from acqd.errors import AcqdError, ArchiveError, WrongUsage
from acqd.station.build import safety_of
from acqd.station.inputs import InputSafety

__all__ = [
    "POINTS_MOST",
    "Described",
    "Wish",
    "changes_of",
    "described",
    "described_wrongly",
    "headroom_lines",
    "middle_gain_db",
    "part_names_of",
    "signed_db",
    "still_described",
    "still_described_by",
]

POINTS_MOST = 1000
"""Rows of a table of losses that are kept of an amendment."""

PLACE = re.compile(r"(?P<name>.*\S)\s*#(?P<nth>[1-9]\d?)", re.DOTALL)

RECENT_S, ENDED_S = 30 * 86400.0, 2 * 86400.0
"""So long the config is held against amendments: those without an end, those with one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """One chain that sweeps in a range were recorded with, and how many of them.

    ``setup`` is one of its setups, as it was recorded.
    """

    setup: SetupRecord
    sweeps: int
    first_s: float
    last_s: float

    @property
    def chain(self) -> Chain | None:
        return chain_of(self.setup)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is to be amended, in figures: one of the four forms."""

    part: str | None = None
    remove: str | None = None
    add: ChainPart | None = None
    whole: Chain | None = None
    table: PartTable | None = None
    """Of ``part``: its frequencies and gains."""
    uncertainty_db: float | None = None


def described(
    archive: Archive, job: str, from_s: float = -np.inf, to_s: float = np.inf
) -> list[Described]:
    """The chains that the sweeps of a job in a range were recorded with, in order of time.

    Raises:
        WrongUsage: there is no such job, or no sweep of it in that time.
    """
    setups = archive.setups(job)
    if not setups:
        jobs = archive.jobs()
        raise WrongUsage(f"{archive.root}: no job {job!r} with sweeps here{_near(job, jobs)}")
    found: list[Described] = []
    for step in sorted({one.step for one in setups}):
        wanted = Wanted(root=archive.root, job=job, step=step, start_s=from_s, stop_s=to_s)
        for piece in find_pieces(wanted):
            begun_s = piece.core["time"]
            one = Described(
                setup=piece.setup,
                sweeps=int(begun_s.size),
                first_s=float(begun_s.min()),
                last_s=float(begun_s.max()),
            )
            _add(found, one)
    if not found:
        raise WrongUsage(f"job {job} has no sweep in that time; see acqd chain show {job}")
    return sorted(found, key=lambda one: one.first_s)


def _add(found: list[Described], one: Described) -> None:
    for at, known in enumerate(found):
        if known.chain == one.chain:
            found[at] = replace(
                known if known.setup.step <= one.setup.step else one,
                sweeps=known.sweeps + one.sweeps,
                first_s=min(known.first_s, one.first_s),
                last_s=max(known.last_s, one.last_s),
            )
            return
    found.append(one)


def _near(name: str, known: Sequence[str]) -> str:
    near = get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    return f"; there is {', '.join(known) or 'none'}{hint}"


# -- from words to changes -------------------------------------------------------------------------


def changes_of(
    wish: Wish, chains: Sequence[Described], stand: ChainAmendments | None
) -> tuple[Change, ...]:
    """The changes that make a wish come true for chains as they were described.

    Raises:
        WrongUsage: there is no such part, it is so already, or the table is too long.
    """
    recorded = tuple(dict.fromkeys(None if c is None else c.parts for c in _chains(chains)))
    if wish.whole is not None:
        for part in wish.whole.parts:
            _refuse_long(table_of(part))
        return (WholeChain(parts=wish.whole.parts, chains=recorded),)
    if wish.add is not None:
        _refuse_long(table_of(wish.add))
        return (AddPart(part=wish.add, chains=recorded),)
    name, nth = _place(str(wish.part or wish.remove), chains, stand)
    was = tuple(dict.fromkeys(_tables(name, nth, chains)))
    if wish.remove is not None:
        return (RemovePart(part=name, nth=nth, was=was),)
    assert wish.table is not None
    _refuse_long(wish.table)
    _refuse_same(name, was, wish)
    return (
        SetPart(
            part=name,
            nth=nth,
            was=was,
            frequency_hz=wish.table[0],
            gain_db=wish.table[1],
            uncertainty_db=wish.uncertainty_db,
        ),
    )


def _chains(chains: Iterable[Described]) -> list[Chain | None]:
    return [one.chain for one in chains]


def _parts(chains: Iterable[Described]) -> list[ChainPart]:
    return [part for one in _chains(chains) if one is not None for part in one.parts]


def _tables(name: str, nth: int, chains: Sequence[Described]) -> Iterable[PartTable]:
    for one in _chains(chains):
        named = [] if one is None else [part for part in one.parts if part.name == name]
        if len(named) >= nth:
            yield table_of(named[nth - 1])


def _place(
    text: str, chains: Sequence[Described], stand: ChainAmendments | None
) -> tuple[str, int]:
    """A part's name and which of its name it is."""
    names = [part.name for part in _parts(chains)]
    names += [name for one in (stand.made if stand else ()) for name in part_names_of(one)]
    most = {
        name: max((_count(name, chain) for chain in _chains(chains)), default=0) for name in names
    }
    if text in most:
        if most[text] > 1:
            each = ", ".join(f'"{text} #{number}"' for number in range(1, most[text] + 1))
            raise WrongUsage(
                f"there are {most[text]} parts called {text!r}; say which, counted from the far "
                f"end: {each}"
            )
        return text, 1
    match = PLACE.fullmatch(text)
    if match and match["name"] in most and int(match["nth"]) <= max(1, most[match["name"]]):
        return match["name"], int(match["nth"])
    known = list(dict.fromkeys(names))
    there = ", ".join(repr(one) for one in known) or "no part at all"
    near = get_close_matches(text, known, n=1)
    near = near or [one for one in known if text.casefold() in one.casefold()][:1]
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise WrongUsage(f"no part {text!r} in the chain; it has {there}{hint}")


def _count(name: str, chain: Chain | None) -> int:
    return 0 if chain is None else sum(part.name == name for part in chain.parts)


def part_names_of(one: ChainAmendment) -> list[str]:
    """Names of parts that an amendment brought into a chain."""
    found = []
    for change in one.changes:
        if isinstance(change, AddPart):
            found.append(change.part.name)
        elif isinstance(change, WholeChain):
            found += [part.name for part in change.parts]
    return found


def _refuse_long(table: PartTable) -> None:
    if len(table[0]) > POINTS_MOST:
        raise WrongUsage(
            f"the table has {len(table[0])} rows; at most {POINTS_MOST} are kept: leave rows out "
            f"where the curve is straight"
        )


def _refuse_same(name: str, was: Sequence[PartTable], wish: Wish) -> None:
    if was and wish.uncertainty_db is None and all(table == wish.table for table in was):
        raise WrongUsage(f"{name!r} was described so in that time: there is nothing to amend")


# -- what follows ----------------------------------------------------------------------------------


def middle_gain_db(setup: SetupRecord, chain: Chain | None) -> tuple[float, float]:
    """The middle of a setup's range in Hz, and the gain of a chain there; 0 without one."""
    middle_hz = float((setup.frequency_hz.min() + setup.frequency_hz.max()) / 2.0)
    return middle_hz, 0.0 if chain is None else float(chain.gain_db(middle_hz))


def signed_db(gain_db: float) -> str:
    """``−20.00 dB``."""
    return f"{gain_db + 0.0:.2f} dB".replace("-", "−")


def headroom_lines(
    one: Described, chain: Chain | None, config: StationConfig | None
) -> tuple[str, ...]:
    """What G7 says of a job with another chain than was described; nothing where neither
    transmitter nor source is there. The first line says plainly where it did not hold.

    Transmitters of the job itself are those that were recorded with it, transmitters nearby those
    of ``config``, where there is one.
    """
    job = one.setup.job
    safety = _recorded_safety(one, config)
    if not safety.is_concerned:
        return ()
    most_dbm = (one.setup.details.get("measuring") or {}).get("absolute_max_dbm")
    before = replace(safety, chain=one.chain).refusal(most_dbm)
    after = replace(safety, chain=chain).refusal(most_dbm)
    if after is None:
        held = "holds" if before is None else "holds, which it did not with the chain as described"
        return (f"headroom of {job}: it {held}",)
    if before is None:
        return (
            f"HEADROOM OF {job} DID NOT HOLD: {after}",
            "the job went by the wrong figure: correct the chain in the config before anything is "
            "keyed again, and look whether the sweeper's input has suffered (docs/safety.md)",
        )
    return (f"headroom of {job} does not hold: {after}",)


def _recorded_safety(one: Described, config: StationConfig | None) -> InputSafety:
    job = one.setup.job
    try:
        recorded = recorded_config(job, one.setup.details.get("config") or {})
    except AcqdError:
        # Of another acqd: the present config says it, where there is one.
        known = config is not None and job in config.jobs
        return safety_of(config, job) if config is not None and known else InputSafety()
    name = recorded.jobs[job].chain
    nearby = {} if config is None or name is None else dict(config.transmitters)
    return safety_of(replace(recorded, transmitters=nearby), job)


def still_described(
    overlays: Iterable[Overlay], job: str, chain: Chain | None, *, now_s: float | None = None
) -> list[str]:
    """What a config's chain still has that an amendment corrected, a sentence each.

    With ``now_s`` only of amendments that were made in the last 30 days, in the last two where
    their range has an end: somebody may have known better since.
    """
    made = [
        one
        for one in ChainAmendments.among(overlays, job).made
        if now_s is None or one.at_s >= now_s - (RECENT_S if one.to_s is None else ENDED_S)
    ]
    return still_described_by(made, job, chain)


def described_wrongly(config: StationConfig, *, now_s: float) -> list[str]:
    """The same for all jobs of a config, by its archive; nothing where that cannot be read."""
    try:
        overlays = open_archive(config.archive).overlays()
        return [
            text
            for job in config.jobs
            for text in still_described(overlays, job, config.chain(job), now_s=now_s)
        ]
    except ArchiveError:
        return []


def still_described_by(made: Iterable[ChainAmendment], job: str, chain: Chain | None) -> list[str]:
    """The same for these amendments."""
    said = []
    parts = () if chain is None else chain.parts
    for one in made:
        ended = "" if one.to_s is None else "; its range has ended, so look what is so now"
        for change in one.changes:
            wrong = _still_wrong(change, parts, chain)
            if wrong is not None:
                said.append(
                    f"the config of job {job} still has {wrong}, which amendment {one.number} "
                    f"corrected: levels are measured, and headroom is checked, with that until the "
                    f"config is corrected too{ended}"
                )
    return said


def _still_wrong(change: Change, parts: Sequence[ChainPart], chain: Chain | None) -> str | None:
    if isinstance(change, SetPart | RemovePart):
        named = [part for part in parts if part.name == change.part]
        if len(named) < change.nth or table_of(named[change.nth - 1]) not in change.was:
            return None
        if isinstance(change, SetPart):
            same = table_of(named[change.nth - 1]) == (change.frequency_hz, change.gain_db)
            return None if same else f"the old figure of {change.part!r}"
        return f"the part {change.part!r}"
    if (None if chain is None else chain.parts) not in change.chains:
        return None
    if isinstance(change, AddPart):
        return f"no part {change.part.name!r}"
    return None if tuple(change.parts) == tuple(parts) else "the old chain"
