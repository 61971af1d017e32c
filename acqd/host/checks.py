"""What one look at the machine came to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["HostCheck", "State", "good", "to_do", "unknown"]


class State(StrEnum):
    """What follows from a check."""

    GOOD = "good"
    TO_DO = "to do"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class HostCheck:
    """One check: ``found`` is a sentence, ``do`` what to do about it, empty where nothing is."""

    name: str
    state: State
    found: str
    do: str = ""


def good(name: str, found: str) -> HostCheck:
    """Nothing to do."""
    return HostCheck(name=name, state=State.GOOD, found=found)


def to_do(name: str, found: str, do: str) -> HostCheck:
    """Something that costs sweeps, or may cost a night."""
    return HostCheck(name=name, state=State.TO_DO, found=found, do=do)


def unknown(name: str, found: str, do: str = "") -> HostCheck:
    """This machine does not say."""
    return HostCheck(name=name, state=State.CANNOT_TELL, found=found, do=do)
