"""What a report says of each kind; the module of a kind is imported where one is reported."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING

from acqd.report.shapes import Fact, Section, VerdictShown

if TYPE_CHECKING:
    from acqd.report.source import JobSource

__all__ = ["KINDS", "KindParts", "parts_of"]

KINDS = ("band", "carrier", "emission", "reflection", "transmission")


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
    ``soak``, which is no kind, has ``parts(source, inner) -> KindParts``. A kind that nobody here
    knows is told of plainly.
    """
    if source.kind not in KINDS:
        return _told(_module("plain").parts(source))
    inner = _told(_module(source.kind).parts(source))
    return _told(_module("soak").parts(source, inner)) if source.is_soak else inner


def _module(name: str) -> ModuleType:
    return import_module(f"{__name__}.{name}")


def _told(parts: KindParts) -> KindParts:
    """For the types: what a module gives that was imported by its name."""
    return parts
