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

    Compared are earlier tests of the same sweeper's name that were swept alike and whose maker,
    model and serial number are the same: another instrument is told of by its name, one that only
    says that it is the same shows here.
    """
    now = Identity(**body["identity"])
    fit = [
        one
        for one in earlier
        if one.sweeper == body["sweeper"]
        and dict(one.settings) == dict(body["settings"])
        and _who(one.identity) == _who(now)
    ]
    found = {}
    for told in body["figures"]:
        figure = TestFigure.from_json(told)
        before = [each for one in fit for each in one.figures if each.key == figure.key]
        move = moved(figure, before)
        if move is not None:
            found[figure.key] = move
    return found


def _who(identity: Identity) -> tuple[str, str, str]:
    serial = "" if identity.is_doubtful else identity.serial_number
    return identity.maker, identity.model, serial
