"""Self-tests as the ledger keeps them: one overlay of kind ``self-test`` for each part.

A part's raw sweeps are in the ledger alone; the copies of it that go into files of sweeps leave
them out, and keep figures, settings and identity.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from acqd.archive.ledger import Overlay
from acqd.measure.selftest import Moved, TestFigure, moved
from acqd.sweep import Identity

__all__ = ["KIND", "StoredTest", "moves_of", "stored_tests"]

KIND = "self-test"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredTest:
    """One part of a self-test. ``test_s``, when the whole began, is the same for all its parts.

    ``moved`` are sentences by the keys of figures that moved against earlier tests.
    """

    sweeper: str
    part: str
    test_s: float
    at_s: float
    identity: Identity
    settings: Mapping[str, Any]
    figures: tuple[TestFigure, ...]
    moved: Mapping[str, str]
    notes: tuple[str, ...]
    who: str
    told: bool
    """Whether its findings were told when it was taken: by a station that ran."""


def stored_tests(overlays: Iterable[Overlay], sweeper: str | None = None) -> list[StoredTest]:
    """The self-tests among overlays, of one sweeper or of all, in order of time.

    Raises:
        KeyError, TypeError, ValueError: one of them was not written by this acqd.
    """
    found = [_stored(one) for one in overlays if one.kind == KIND]
    return sorted(
        (one for one in found if sweeper in (None, one.sweeper)), key=lambda one: one.at_s
    )


def _stored(overlay: Overlay) -> StoredTest:
    body = overlay.body
    return StoredTest(
        sweeper=str(body["sweeper"]),
        part=str(body["part"]),
        test_s=float(body["test_s"]),
        at_s=float(body["at_s"]),
        identity=Identity(**body["identity"]),
        settings=dict(body["settings"]),
        figures=tuple(TestFigure.from_json(one) for one in body["figures"]),
        moved={str(key): str(text) for key, text in body.get("moved", {}).items()},
        notes=tuple(body.get("notes", ())),
        who=overlay.who,
        told=bool(body.get("told", False)),
    )


def moves_of(body: Mapping[str, Any], earlier: Sequence[StoredTest]) -> dict[str, Moved]:
    """What moved in a part that is about to be stored, by the keys of its figures.

    Compared are earlier tests (in order of time) of the same sweeper's name that were swept alike
    and that are of no other instrument by the rule of a job's ``on_change``: one that lost its
    serial number goes on with its row, and one that has another after that does not. Another
    instrument is told of by its name, one that only says that it is the same shows here.
    """
    mine = [one for one in earlier if one.sweeper == body["sweeper"]]
    *known, now = _remembered([*(one.identity for one in mine), Identity(**body["identity"])])
    fit = [
        one
        for one, who in zip(mine, known, strict=True)
        if dict(one.settings) == dict(body["settings"]) and not now.is_other_than(who)
    ]
    found = {}
    for told in body["figures"]:
        figure = TestFigure.from_json(told)
        before = [each for one in fit for each in one.figures if each.key == figure.key]
        move = moved(figure, before)
        if move is not None:
            found[figure.key] = move
    return found


def _remembered(identities: Iterable[Identity]) -> list[Identity]:
    """Each with the serial number that it had before it was lost."""
    found: list[Identity] = []
    for one in identities:
        found.append(one.after(found[-1] if found else None))
    return found
