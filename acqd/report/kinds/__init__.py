"""What a report says of each kind; the module of a kind is imported where one is reported."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from types import ModuleType
from typing import TYPE_CHECKING

from acqd.report.shapes import Fact, Section, VerdictShown

if TYPE_CHECKING:
    from acqd.report.source import JobSource

__all__ = ["KINDS", "KindParts", "parts_of"]

KINDS = ("band", "carrier", "emission", "reflection", "soak", "transmission")


@dataclass(frozen=True, slots=True, kw_only=True)
class KindParts:
    """What a kind adds to the report of a job; the rest is the same for all kinds.

    ``limits`` are what it cannot say, in sentences.
    """

    headline: str
    asked: tuple[Fact, ...] = ()
    sections: tuple[Section, ...] = ()
    verdict: VerdictShown | None = None
    limits: tuple[str, ...] = ()


def parts_of(source: JobSource) -> KindParts:
    """The parts of a job by its kind; a soak's around those of the kind that it wraps.

    Each module ``acqd.report.kinds.<kind>`` has ``parts(source) -> KindParts``, and that of
    ``soak`` has ``parts(source, inner) -> KindParts``. A kind that nobody here knows is told of
    plainly.
    """
    from acqd.report.kinds.plain import parts as plain

    if source.kind not in KINDS or source.kind == "soak":
        return plain(source)
    module = _module(source.kind)
    inner: KindParts = plain(source) if module is None else module.parts(source)
    if not source.is_soak:
        return inner
    soak = _module("soak")
    wrapped: KindParts = inner if soak is None else soak.parts(source, inner)
    return wrapped


def _module(kind: str) -> ModuleType | None:
    name = f"{__name__}.{kind}"
    return None if find_spec(name) is None else import_module(name)
