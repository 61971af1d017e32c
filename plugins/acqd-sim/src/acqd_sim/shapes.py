"""The shapes that most commands have: a number with limits, a switch, a choice, an event."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, replace

from acqd_sim.grammar import NO_UNITS, ScpiError, boolean_of, choice_of, numeric_of, short_form
from acqd_sim.instrument import Instrument

__all__ = [
    "Action",
    "Command",
    "Numeric",
    "Parameters",
    "at_once",
    "choice",
    "event",
    "flag",
    "no_parameter",
    "numeric",
    "one_parameter",
    "plain",
    "reading",
    "register",
]

ROUNDING = 1e-12
"""A limit that comes back as text may be off by its last digit."""

Parameters = tuple[str, ...]
Action = Callable[[Instrument, Parameters], Generator[float, None, bytes | None]]
"""Carries out a command or a query; yields steady times to wait for."""
Quick = Callable[[Instrument, Parameters], str | bytes | None]
"""The same where there is nothing to wait for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One header: what it does, and what its query answers."""

    pattern: str
    setter: Action | None = None
    query: Action | None = None
    indefinite: bool = False
    """The answer has no end of its own, so no query may follow it in a message."""

    def action(self, *, query: bool) -> Action | None:
        return self.query if query else self.setter


def at_once(quick: Quick) -> Action:
    """An action that never waits."""

    def action(
        instrument: Instrument, parameters: Parameters
    ) -> Generator[float, None, bytes | None]:
        answer = quick(instrument, parameters)
        return answer.encode("ascii") if isinstance(answer, str) else answer
        yield  # never reached: makes this a generator

    return action


def plain(
    pattern: str,
    *,
    setter: Quick | None = None,
    query: Quick | None = None,
    indefinite: bool = False,
) -> Command:
    return Command(
        pattern=pattern,
        setter=None if setter is None else at_once(setter),
        query=None if query is None else at_once(query),
        indefinite=indefinite,
    )


def no_parameter(parameters: Parameters) -> None:
    if parameters:
        raise ScpiError(-108, parameters[0][:40])


def one_parameter(parameters: Parameters) -> str:
    if not parameters:
        raise ScpiError(-109)
    no_parameter(parameters[1:])
    return parameters[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Numeric:
    """A numeric setting with limits, which MINimum, MAXimum and DEFault stand for."""

    get: Callable[[Instrument], float]
    put: Callable[[Instrument, float], None]
    limits: Callable[[Instrument], tuple[float, float, float]]
    """Least, most and default value."""
    units: Mapping[str, float]
    whole: bool = False

    def _word(self, instrument: Instrument, text: str) -> float | None:
        least, most, default = self.limits(instrument)
        words = {"MINimum": least, "MAXimum": most, "DEFault": default}
        try:
            return words[choice_of(text, tuple(words))]
        except ScpiError:
            return None

    def _write(self, value: float) -> str:
        return f"{round(value):d}" if self.whole else f"{value:.9E}"

    def set(self, instrument: Instrument, parameters: Parameters) -> None:
        text = one_parameter(parameters)
        value = self._word(instrument, text)
        value = numeric_of(text, self.units) if value is None else value
        least, most, _ = self.limits(instrument)
        slack = ROUNDING * max(abs(least), abs(most), 1.0)
        if not least - slack <= value <= most + slack:
            raise ScpiError(-222, f"{value:g} is not within {least:g} to {most:g}")
        self.put(instrument, float(round(value)) if self.whole else value)

    def ask(self, instrument: Instrument, parameters: Parameters) -> str:
        if not parameters:
            return self._write(self.get(instrument))
        value = self._word(instrument, one_parameter(parameters))
        if value is None:
            raise ScpiError(-141, parameters[0][:40])
        return self._write(value)


def numeric(pattern: str, numeric: Numeric) -> Command:
    return plain(pattern, setter=numeric.set, query=numeric.ask)


def flag(
    pattern: str,
    get: Callable[[Instrument], bool],
    put: Callable[[Instrument, bool], None],
) -> Command:
    def setter(instrument: Instrument, parameters: Parameters) -> None:
        put(instrument, boolean_of(one_parameter(parameters)))

    def query(instrument: Instrument, parameters: Parameters) -> str:
        no_parameter(parameters)
        return str(int(get(instrument)))

    return plain(pattern, setter=setter, query=query)


def register(
    pattern: str, get: Callable[[Instrument], int], put: Callable[[Instrument, int], None]
) -> Command:
    """An enable mask of 8 or 16 bits."""
    mask = Numeric(
        get=lambda i: float(get(i)),
        put=lambda i, value: put(i, int(value)),
        limits=lambda i: (0.0, 255.0 if pattern.startswith("*") else 65535.0, 0.0),
        units=NO_UNITS,
        whole=True,
    )
    return numeric(pattern, mask)


def reading(
    pattern: str, get: Callable[[Instrument], object], *, indefinite: bool = False
) -> Command:
    """Something that can only be asked."""

    def query(instrument: Instrument, parameters: Parameters) -> str:
        no_parameter(parameters)
        return str(get(instrument))

    return plain(pattern, query=query, indefinite=indefinite)


def choice(
    pattern: str,
    words: Sequence[str],
    get: Callable[[Instrument], str],
    put: Callable[[Instrument, str], None],
) -> Command:
    """One of some words, answered in its short form."""

    def setter(instrument: Instrument, parameters: Parameters) -> None:
        put(instrument, choice_of(one_parameter(parameters), words))

    return replace(reading(pattern, lambda i: short_form(get(i))), setter=at_once(setter))


def event(pattern: str, act: Callable[[Instrument], None]) -> Command:
    """Something that is only done."""

    def setter(instrument: Instrument, parameters: Parameters) -> None:
        no_parameter(parameters)
        act(instrument)

    return plain(pattern, setter=setter)
