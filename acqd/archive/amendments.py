"""Chains that were other than described: what people said later of the parts, applied on reading.

An amendment is an overlay of kind ``chain``. It changes parts of a job's chain for sweeps that
began in its range of time, and nothing on the disk. Those that stand are applied one after the
other in the order in which they were made, so that of two that change the same part the later holds
where it reaches, and an earlier one comes back when the later is undone.

What an amendment says of a part holds only for sweeps that were recorded with the figures it
corrects (``was``). So one without an end goes on holding for what a station still records wrongly,
and stops by itself where the config has been corrected. The sweeps of one pass go by the time at
which the pass began: its later steps are judged against its first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from acqd.archive.ledger import Overlay
from acqd.archive.records import SetupRecord
from acqd.archive.views import levels_from_json, levels_to_json
from acqd.chain import Chain, ChainPart
from acqd.errors import ArchiveDamaged

__all__ = [
    "AMENDED",
    "KIND",
    "AddPart",
    "ChainAmendment",
    "ChainAmendments",
    "Change",
    "PartTable",
    "RemovePart",
    "SetPart",
    "WholeChain",
    "amendment_of",
    "amendment_text",
    "chain_of",
    "changes_to_json",
    "numbers_of",
    "recorded_digest",
    "table_of",
]

KIND = "chain"

AMENDED = "amended"
"""Key of a setup's details that says which amendments are in it; no recorded setup has it."""

PLANE = "the chain's far end"
INPUT_ROLE = "quiet"
"""The reference that is taken with the input terminated: no chain is before it."""

PartTable = tuple[tuple[float, ...], tuple[float, ...]]
"""Frequencies and gains of a part: what an amendment corrects."""


def table_of(part: ChainPart) -> PartTable:
    return part.frequency_hz, part.gain_db


@dataclass(frozen=True, slots=True)
class _Place:
    """A part of a chain under way, and how it was recorded; None where it was added later."""

    part: ChainPart
    recorded: ChainPart | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetPart:
    """Other figures for a part, the ``nth`` (from 1) of its name, where they were among ``was``.

    ``uncertainty_db`` None keeps that of the part.
    """

    DO: ClassVar[str] = "set"
    part: str
    nth: int = 1
    was: tuple[PartTable, ...]
    frequency_hz: tuple[float, ...]
    gain_db: tuple[float, ...]
    uncertainty_db: float | None = None

    def apply(self, places: list[_Place]) -> list[_Place]:
        at = _found(places, self.part, self.nth, self.was)
        if at is None:
            return places
        old = places[at]
        u_db = old.part.uncertainty_db if self.uncertainty_db is None else self.uncertainty_db
        part = replace(
            old.part, frequency_hz=self.frequency_hz, gain_db=self.gain_db, uncertainty_db=u_db
        )
        return [*places[:at], _Place(part, old.recorded), *places[at + 1 :]]

    def texts(self) -> Iterable[str]:
        was = " or ".join(_gain_text(*table) for table in self.was) or "added later"
        yield f"{self.part}: {_gain_text(self.frequency_hz, self.gain_db)}, was {was}"
        if self.uncertainty_db is not None:
            yield f"{self.part}: good for ±{self.uncertainty_db:g} dB"

    def to_json(self) -> dict[str, Any]:
        return {
            "do": self.DO,
            "part": self.part,
            "nth": self.nth,
            "was": [[list(hz), list(db)] for hz, db in self.was],
            "frequency_hz": list(self.frequency_hz),
            "gain_db": list(self.gain_db),
            "uncertainty_db": self.uncertainty_db,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class RemovePart:
    """A part that was not there, where it was described with one of the tables in ``was``."""

    DO: ClassVar[str] = "remove"
    part: str
    nth: int = 1
    was: tuple[PartTable, ...]

    def apply(self, places: list[_Place]) -> list[_Place]:
        at = _found(places, self.part, self.nth, self.was)
        return places if at is None else [*places[:at], *places[at + 1 :]]

    def texts(self) -> Iterable[str]:
        yield f"{self.part}: was not there"

    def to_json(self) -> dict[str, Any]:
        was = [[list(hz), list(db)] for hz, db in self.was]
        return {"do": self.DO, "part": self.part, "nth": self.nth, "was": was}


@dataclass(frozen=True, slots=True, kw_only=True)
class AddPart:
    """A part that nobody described, at the sweeper's end; for setups with a chain of ``chains``."""

    DO: ClassVar[str] = "add"
    part: ChainPart
    chains: tuple[tuple[ChainPart, ...] | None, ...]

    def apply(self, places: list[_Place], recorded: Chain | None) -> list[_Place]:
        return [*places, _Place(self.part, None)] if _among(recorded, self.chains) else places

    def texts(self) -> Iterable[str]:
        yield f"{self.part.name}: {_gain_text(*table_of(self.part))}, was not described"

    def to_json(self) -> dict[str, Any]:
        return {"do": self.DO, "part": self.part.to_json(), "chains": _chains_to_json(self.chains)}


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeChain:
    """Another chain altogether, for setups with a chain of ``chains``."""

    DO: ClassVar[str] = "chain"
    parts: tuple[ChainPart, ...]
    chains: tuple[tuple[ChainPart, ...] | None, ...]

    def apply(self, places: list[_Place], recorded: Chain | None) -> list[_Place]:
        if not _among(recorded, self.chains):
            return places
        return [_Place(part, None) for part in self.parts]

    def texts(self) -> Iterable[str]:
        told = (f"{part.name} {_gain_text(*table_of(part))}" for part in self.parts)
        yield f"the whole chain: {', '.join(told) or 'no part'}"

    def to_json(self) -> dict[str, Any]:
        parts = [part.to_json() for part in self.parts]
        return {"do": self.DO, "parts": parts, "chains": _chains_to_json(self.chains)}


Change = SetPart | RemovePart | AddPart | WholeChain


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainAmendment:
    """One amendment as it is kept: sweeps of ``job`` that began in [from_s, to_s)."""

    number: int
    job: str
    from_s: float | None
    to_s: float | None
    changes: tuple[Change, ...]
    reason: str
    who: str
    at_s: float

    def covers(self, at_s: float) -> bool:
        return (self.from_s is None or at_s >= self.from_s) and (
            self.to_s is None or at_s < self.to_s
        )

    def reaches(self, from_s: float, to_s: float) -> bool:
        """Whether its range has a part in [from_s, to_s)."""
        return (self.from_s is None or self.from_s < to_s) and (
            self.to_s is None or self.to_s > from_s
        )

    @property
    def text(self) -> str:
        """What it changes, in words: "20 dB pad: −10 dB, was −20 dB"."""
        return "; ".join(text for change in self.changes for text in change.texts())


def amendment_text(one: ChainAmendment) -> str:
    """All of an amendment in a line, with its times in UTC, for files and programs."""
    begin = "the beginning" if one.from_s is None else _utc(one.from_s)
    end = "the end" if one.to_s is None else _utc(one.to_s)
    because = f", because: {one.reason}" if one.reason else ""
    return (
        f"amendment {one.number} by {one.who} at {_utc(one.at_s)}, for sweeps from {begin} to "
        f"{end}: {one.text}{because}"
    )


def _utc(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="seconds")[:-6] + "Z"


def changes_to_json(changes: Iterable[Change]) -> list[dict[str, Any]]:
    """Plain JSON data for an overlay's body; :func:`amendment_of` reads it back."""
    return [change.to_json() for change in changes]


def amendment_of(overlay: Overlay) -> ChainAmendment:
    """The amendment of an overlay of kind ``chain``.

    Raises:
        ArchiveDamaged: it was not written by this acqd.
    """
    try:
        return ChainAmendment(
            number=overlay.id,
            job=str(overlay.job or ""),
            from_s=overlay.from_s,
            to_s=overlay.to_s,
            changes=tuple(_change(one) for one in overlay.body["changes"]),
            reason=str(overlay.body.get("reason", "")),
            who=overlay.who,
            at_s=overlay.at_s,
        )
    except (KeyError, TypeError, ValueError) as exc:
        raise ArchiveDamaged(
            f"amendment {overlay.id} cannot be read: {exc!r}; undo it (acqd notes undo "
            f"{overlay.id}), or read the archive as it was recorded (amended=False)"
        ) from exc


def _change(data: Mapping[str, Any]) -> Change:
    match data["do"]:
        case SetPart.DO:
            u_db = data["uncertainty_db"]
            made = SetPart(
                part=str(data["part"]),
                nth=int(data["nth"]),
                was=_tables(data["was"]),
                frequency_hz=tuple(map(float, data["frequency_hz"])),
                gain_db=tuple(map(float, data["gain_db"])),
                uncertainty_db=None if u_db is None else float(u_db),
            )
            # What no part can be is refused here, not when sweeps are read.
            ChainPart.from_json({**_BARE, **data, "uncertainty_db": u_db or 0.0})
            return made
        case RemovePart.DO:
            return RemovePart(
                part=str(data["part"]), nth=int(data["nth"]), was=_tables(data["was"])
            )
        case AddPart.DO:
            part = ChainPart.from_json(data["part"])
            return AddPart(part=part, chains=_chains(data["chains"]))
        case WholeChain.DO:
            parts = Chain.from_json(data["parts"]).parts
            return WholeChain(parts=parts, chains=_chains(data["chains"]))
        case other:
            raise ValueError(f"no such change: {other!r}")


_BARE: dict[str, Any] = {"kind": "other", "name": "", "rated_w": None}


def _tables(data: Any) -> tuple[PartTable, ...]:
    return tuple((tuple(map(float, hz)), tuple(map(float, db))) for hz, db in data)


def _chains(data: Any) -> tuple[tuple[ChainPart, ...] | None, ...]:
    return tuple(None if one is None else Chain.from_json(one).parts for one in data)


def _chains_to_json(chains: Iterable[tuple[ChainPart, ...] | None]) -> list[Any]:
    return [None if one is None else Chain(one).to_json() for one in chains]


def _found(places: list[_Place], name: str, nth: int, was: Sequence[PartTable]) -> int | None:
    """The place of a part, where it is there and was recorded with one of those tables."""
    named = [at for at, place in enumerate(places) if place.part.name == name]
    if len(named) < nth:
        return None
    at = named[nth - 1]
    recorded = places[at].recorded
    return at if recorded is None or table_of(recorded) in was else None


def _among(recorded: Chain | None, chains: Sequence[tuple[ChainPart, ...] | None]) -> bool:
    return (None if recorded is None else recorded.parts) in chains


def _gain_text(frequency_hz: Sequence[float], gain_db: Sequence[float]) -> str:
    if len(frequency_hz) == 1:
        return f"{gain_db[0]:g} dB".replace("-", "−")
    return (
        f"{gain_db[0]:g} dB at {frequency_hz[0] / 1e6:g} MHz to {gain_db[-1]:g} dB at "
        f"{frequency_hz[-1] / 1e6:g} MHz ({len(frequency_hz)} points)"
    ).replace("-", "−")


def chain_of(setup: SetupRecord) -> Chain | None:
    """The chain that a setup was recorded with; None where levels are those at the input."""
    kept = setup.details.get("chain")
    if kept is None:
        kept = (setup.details.get("config") or {}).get("chain_parts")
    return None if kept is None else Chain.from_json(kept)


def recorded_digest(setup: SetupRecord) -> str:
    """The digest that a setup was recorded under, also of one that was amended."""
    amended: Mapping[str, Any] = setup.details.get(AMENDED) or {}
    return str(amended.get("recorded", setup.setup))


def numbers_of(setup: SetupRecord) -> tuple[int, ...]:
    """Numbers of the amendments that are in a setup; none in one as it was recorded."""
    amended: Mapping[str, Any] = setup.details.get(AMENDED) or {}
    return tuple(amended.get("numbers", ()))


class ChainAmendments:
    """The amendments of one job that stand. Can be pickled; asks no archive."""

    def __init__(self, made: Iterable[ChainAmendment]) -> None:
        self.made = tuple(sorted(made, key=lambda one: one.number))
        self._known: dict[tuple[str, int, tuple[int, ...]], SetupRecord] = {}

    @classmethod
    def among(cls, overlays: Iterable[Overlay], job: str) -> ChainAmendments:
        """Those of ``job`` among overlays, all of which stand."""
        return cls(amendment_of(one) for one in overlays if one.kind == KIND and one.job == job)

    def __bool__(self) -> bool:
        return bool(self.made)

    def named(self, numbers: Iterable[int]) -> tuple[ChainAmendment, ...]:
        wanted = set(numbers)
        return tuple(one for one in self.made if one.number in wanted)

    def reach(self, from_s: float, to_s: float) -> tuple[ChainAmendment, ...]:
        """Those whose range has a part in [from_s, to_s)."""
        return tuple(one for one in self.made if one.reaches(from_s, to_s))

    @property
    def is_bounded(self) -> bool:
        """Whether it matters when a sweep began."""
        return any(one.from_s is not None or one.to_s is not None for one in self.made)

    def chain_at(self, setup: SetupRecord, at_s: float) -> tuple[Chain | None, tuple[int, ...]]:
        """The chain of a setup at a moment, and the numbers of what changed it."""
        return self._chain(setup, self._covering(at_s))

    def amended(self, setup: SetupRecord, at_s: float) -> SetupRecord:
        """The setup that sweeps of a pass which began at ``at_s`` are to be read with."""
        covering = self._covering(at_s)
        key = (setup.setup, setup.step, covering)
        if key not in self._known:
            self._known[key] = self._made(setup, covering)
        return self._known[key]

    def split(
        self, setup: SetupRecord, at_s: NDArray[np.float64]
    ) -> list[tuple[SetupRecord, NDArray[np.bool_]]]:
        """The setups of sweeps whose passes began at ``at_s``, each with a mask of its sweeps."""
        edges = sorted(
            edge for one in self.made for edge in (one.from_s, one.to_s) if edge is not None
        )
        # Nothing changes between two edges, so one moment of each stretch stands for all in it.
        stretch = np.searchsorted(np.array(edges), at_s, side="right")
        found: dict[str, tuple[SetupRecord, NDArray[np.bool_]]] = {}
        for number in np.unique(stretch).tolist():
            mask = stretch == number
            made = self.amended(setup, float(at_s[mask][0]))
            before = found.get(made.setup)
            found[made.setup] = (made, mask if before is None else before[1] | mask)
        return list(found.values())

    def _covering(self, at_s: float) -> tuple[int, ...]:
        return tuple(place for place, one in enumerate(self.made) if one.covers(at_s))

    def _chain(
        self, setup: SetupRecord, covering: tuple[int, ...]
    ) -> tuple[Chain | None, tuple[int, ...]]:
        recorded = chain_of(setup)
        parts = () if recorded is None else recorded.parts
        places = [_Place(part, part) for part in parts]
        numbers = []
        for place in covering:
            before = places
            for change in self.made[place].changes:
                if isinstance(change, SetPart | RemovePart):
                    places = change.apply(places)
                else:
                    places = change.apply(places, recorded)
            if places is not before:
                numbers.append(self.made[place].number)
        if not numbers:
            return recorded, ()
        return Chain(tuple(one.part for one in places)), tuple(numbers)

    def _made(self, setup: SetupRecord, covering: tuple[int, ...]) -> SetupRecord:
        chain, numbers = self._chain(setup, covering)
        references, others = self._references(setup, chain)
        if not numbers and references is None:
            return setup
        details = {**setup.details}
        gain_db = setup.chain_gain_db
        if numbers and chain is not None:
            gain_db = chain.gain_db(setup.frequency_hz)
            details |= _chain_details(setup, chain)
        if references is not None:
            details["references"] = references
        suffix = ".".join(map(str, (*numbers, *(f"r{one}" for one in others))))
        details[AMENDED] = {
            "recorded": setup.setup,
            "numbers": sorted({*numbers, *others}),
            "plane": setup.details.get("plane"),
        }
        return replace(
            setup, setup=f"{setup.setup}+{suffix}", chain_gain_db=gain_db, details=details
        )

    def _references(
        self, setup: SetupRecord, chain: Chain | None
    ) -> tuple[list[Any] | None, tuple[int, ...]]:
        """The references with the chain of their own time instead of the sweeps', and whose
        amendments did that; None where all stay as they are."""
        kept = setup.details.get("references")
        if not kept:
            return None, ()
        made, numbers, moved = [], set[int](), False
        for one in kept:
            own, changed = self.chain_at(setup, float(one["at_s"]))
            same = (own or Chain()) == (chain or Chain())
            if same or one["level"] is None or one["role"] == INPUT_ROLE:
                made.append(one)
                continue
            made.append({**one, "level": _moved(one["level"], setup, chain, own)})
            numbers, moved = numbers | set(changed), True
        return (made, tuple(sorted(numbers))) if moved else (None, ())


def _chain_details(setup: SetupRecord, chain: Chain) -> dict[str, Any]:
    """What the details of a setup say of its chain, as they would have been made with this one."""
    details, recorded = setup.details, chain_of(setup)
    config, parts = dict(details.get("config") or {}), chain.to_json()
    config["chain_parts"] = parts
    if config.get("chain") is None:
        config["chain"] = AMENDED
    measuring = dict(details.get("measuring") or {})
    accuracy_db = measuring.get("sweeper_accuracy_db")
    if accuracy_db is None and measuring.get("level_accuracy_db") is not None:
        u_db = 0.0 if recorded is None else recorded.uncertainty_db
        accuracy_db = math.sqrt(max(0.0, measuring["level_accuracy_db"] ** 2 - u_db**2))
    if accuracy_db is not None:
        measuring["level_accuracy_db"] = math.hypot(accuracy_db, chain.uncertainty_db)
    measuring["chain_parts"] = [[part.name, part.uncertainty_db] for part in chain.parts]
    plane = details.get("plane") if recorded is not None else PLANE
    return {"chain": parts, "config": config, "measuring": measuring, "plane": plane}


def _moved(
    kept: Mapping[str, str], setup: SetupRecord, now: Chain | None, then: Chain | None
) -> dict[str, str] | None:
    """Levels of a reference, at the input, as ``now`` has to have them for their plane's levels to
    be those that ``then`` gives."""
    level = levels_from_json(kept)
    assert level is not None
    axis = setup.frequency_hz
    by_db = (now or Chain()).gain_db(axis) - (then or Chain()).gain_db(axis)
    if np.iscomplexobj(level):
        return levels_to_json(level.astype(np.complex128) * 10.0 ** (by_db / 20.0))
    return levels_to_json(level.astype(np.float64) + by_db)
