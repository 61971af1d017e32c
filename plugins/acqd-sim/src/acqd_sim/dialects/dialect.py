"""What the invented languages share: commands in, answers with their parts out, no I/O."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from acqd.errors import RequestRefused
from acqd_sim.instrument import Instrument

__all__ = ["Answer", "Dialect", "Refusal", "Steps", "numbers", "whole"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One answer in its parts, so that a fault can take one of them away or spoil it."""

    body: bytes = b""
    check: bytes = b""
    """What proves ``body``: a sum or a CRC with what frames it."""
    wrong_check: bytes = b""
    """The same with another sum."""
    end: bytes = b""
    """What marks the end: a line end, an end line, a prompt."""
    is_trace: bool = False


class Refusal(Exception):
    """A command that is not carried out."""

    def __init__(self, number: int, text: str) -> None:
        self.number = number
        self.text = text
        super().__init__(number, text)


Steps = Generator[float | Answer, None, None]
"""Yields steady times to wait for, and answers to send."""

Values = Generator[float, None, Float]


class Dialect(ABC):
    """A language: how commands are cut out of bytes, carried out and answered."""

    name: ClassVar[str]
    boot_s: ClassVar[float] = 0.0
    """How long it hears nothing after somebody opened the port; 0: it does not start anew."""
    abort: ClassVar[int | None] = None
    """The character that ends a sweep under way."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument

    @abstractmethod
    def take(self, data: bytes) -> tuple[bytes, list[bytes]]:
        """What is echoed of ``data``, and the commands that are whole now."""

    @abstractmethod
    def refused(self, refusal: Refusal) -> Answer:
        """How it says no."""

    @abstractmethod
    def commands(self) -> Mapping[str, Callable[[list[str]], Steps]]:
        """Its words, each with what carries it out; words in capitals where case is nothing."""

    def banner(self) -> bytes:
        """What it says when it has started."""
        return b""

    def aborted(self) -> Answer:
        """What it says after the abort character."""
        return Answer()

    def key(self, word: str) -> str:
        """The word as :meth:`commands` has it."""
        return word

    def carry_out(self, line: bytes) -> Steps:
        """Carry out one command."""
        try:
            words = line.decode("ascii").split()
            if not words:
                yield from self.nothing()
                return
            act = self.commands().get(self.key(words[0]))
            if act is None:
                raise Refusal(11, f"unknown: {words[0][:20]}")
            self.instrument.settle()
            yield from act(words[1:])
        except UnicodeDecodeError:
            yield self.refused(Refusal(10, "not a letter"))
        except Refusal as refusal:
            yield self.refused(refusal)
        except RequestRefused as exc:
            yield self.refused(Refusal(21, f"{exc.setting} beyond {exc.limit}"))

    def nothing(self) -> Steps:
        """An empty line."""
        yield from ()

    def change(self, **settings: Any) -> None:
        """Change settings of the panel; RequestRefused where one is beyond a limit."""
        self.instrument.sweeping.change(**settings)

    def sweep(self) -> Values:
        """Take one sweep; the levels in dBm, as the faults leave them."""
        sweeping, faults = self.instrument.sweeping, self.instrument.faults
        sweeping.set_continuous(False)
        sweeping.initiate()
        while sweeping.busy:
            due_s = sweeping.due_s()
            if due_s is not None:
                yield due_s
        level_dbm = sweeping.collect()
        if level_dbm is None:
            raise Refusal(31, "settings were changed under the sweep")
        if faults.takes("other_length"):
            level_dbm = np.resize(level_dbm, max(1, level_dbm.size + faults.points_off))
        if faults.takes("not_a_number"):
            level_dbm = level_dbm.copy()
            level_dbm[::10] = np.nan
        return level_dbm


def numbers(words: list[str], count: int, what: str) -> list[float]:
    """``count`` plain decimal numbers.

    Raises:
        Refusal: there are more, fewer, or other words.
    """
    try:
        values = [float(word) for word in words]
    except ValueError:
        values = []
    if len(values) != count or not all(np.isfinite(values)):
        raise Refusal(12, f"expected {what}")
    return values


def whole(value: float, what: str) -> int:
    """``value`` as a whole number.

    Raises:
        Refusal: it is none.
    """
    if value != int(value):
        raise Refusal(12, f"expected a whole number of {what}")
    return int(value)
