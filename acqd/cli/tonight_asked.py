"""The words of ``acqd tonight``, and its questions about what is on the input."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acqd.sweep import Capabilities
    from acqd.tonight.asking import Asker
    from acqd.tonight.hookup import Hookup, Input, Near, Transmitter

__all__ = ["Given", "Questions"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """The words of the command."""

    ranges: tuple[str, ...]
    until: str | None
    config: str | None
    folder: str | None
    sweeper: str | None
    driver: str | None
    options: tuple[str, ...]
    probe: bool
    local: bool
    on_input: str | None
    gain: str | None
    pads: str | None
    transmitter: str | None
    power: str | None
    between: str | None
    sends: str | None
    absolute_max: str | None
    region: int | None
    anew: bool
    no_start: bool
    yes: bool
    as_json: bool
    verbose: bool

    def missing(self) -> list[str]:
        """The flags that would have to be there where nobody can be asked."""
        lacking = []
        if self.on_input is None and self.pads is None and self.gain is None:
            lacking.append("--input")
        if self.transmitter is None and self.power is None:
            lacking.append("--transmitter")
        if (self.power is not None or self.transmitter in ("near", "on")) and self.power is None:
            lacking.append("--power")
        return lacking


class Questions:
    """What is on the input, and what could bring power to it: by flags, else asked."""

    def __init__(self, given: Given, ask: Asker, *, watched_hz: tuple[float, float]) -> None:
        self._given = given
        self._ask = ask
        self._watched_hz = watched_hz

    def hookup(self, capabilities: Capabilities) -> Hookup:
        from acqd.config.quantity import DIFFERENCE, parse_quantity
        from acqd.tonight.hookup import GAIN_DB, Hookup, Input, Pad, parse_pads

        given, ask = self._given, self._ask
        on_input = self._input()
        gain_db, pads = GAIN_DB, tuple[Pad, ...]()
        if on_input is Input.PREAMPLIFIER:
            gain_db = (
                parse_quantity(given.gain, DIFFERENCE)
                if given.gain is not None
                else ask.value(
                    "Its gain?",
                    why="The gain is taken off, so that levels are those at the aerial. Mind that "
                    "a preamplifier fed\nthrough the cable wants a DC block before the sweeper.",
                    default=f"{GAIN_DB:g} dB",
                    read=lambda text: parse_quantity(text, DIFFERENCE),
                )
            )
        if on_input is Input.PADS:
            pads = (
                parse_pads(given.pads)
                if given.pads is not None
                else ask.value(
                    "Which pads?",
                    why="Pads are added back, so that levels are those at the aerial, and they "
                    "are what protects the\ninput. With what each may turn into heat: 20 dB 10 W "
                    "+ 10 dB 1 W, the aerial's end first.",
                    default="10 dB",
                    read=parse_pads,
                )
            )
        transmitter = self._transmitter()
        stated_dbm = self._absolute_max(transmitter, capabilities)
        return Hookup(
            input=on_input,
            gain_db=gain_db,
            pads=pads,
            transmitter=transmitter,
            absolute_max_dbm=stated_dbm,
        )

    def _input(self) -> Input:
        from acqd.tonight.hookup import Input

        given = self._given
        if given.on_input is not None:
            return Input(given.on_input)
        if given.pads is not None or given.gain is not None:
            return Input.PADS if given.pads is not None else Input.PREAMPLIFIER
        inputs = (Input.AERIAL, Input.PREAMPLIFIER, Input.PADS)
        number = self._ask.choice(
            "What is on its input?",
            ("an aerial alone", "an aerial with a preamplifier", "an aerial through pads"),
            why="Levels are told at the aerial's socket, so acqd must know what comes after it:",
            told="on the input: an aerial alone",
        )
        return inputs[number - 1]

    def _transmitter(self) -> Transmitter | None:
        from acqd.config.quantity import POWER, parse_quantity
        from acqd.tonight.hookup import Near, Transmitter, parse_between

        given, ask = self._given, self._ask
        where = self._where()
        if where is Near.NONE:
            return None
        if given.power is None and given.yes:
            raise click.UsageError("--transmitter near and on need --power, such as --power 5W")

        def power(text: str) -> float:
            value = parse_quantity(text, POWER)
            if value <= 0.0:
                raise ValueError("a power above 0, such as 5 W")
            return value

        power_w = (
            power(given.power)
            if given.power is not None
            else ask.value(
                "Its power?",
                why="The most that it can put out, at its highest setting: what is reckoned with.",
                default="",
                read=power,
            )
        )
        isolation_db, distance_m = None, None
        if where is Near.NEAR:
            isolation_db, distance_m = (
                parse_between(given.between)
                if given.between is not None
                else ask.value(
                    "Between them?",
                    why="The isolation between the two sockets where it was measured, such as "
                    "40 dB, or the distance of\nthe aerials, such as 12 m. Enter: nothing is "
                    "counted on.",
                    default="",
                    read=parse_between,
                    told="between the transmitter and the aerial: nothing is counted on",
                )
            )
        return Transmitter(
            where=where,
            power_w=power_w,
            isolation_db=isolation_db,
            distance_m=distance_m,
            sends_hz=None if distance_m is None else self._sends(distance_m),
        )

    def _sends(self, distance_m: float) -> tuple[float, float] | None:
        from acqd.tonight.hookup import parse_sends

        def read(text: str) -> tuple[float, float] | None:
            return parse_sends(text, distance_m=distance_m, watched_hz=self._watched_hz)

        if self._given.sends is not None:
            return read(self._given.sends)
        return self._ask.value(
            "Where does it send?",
            why="A distance takes off less at low frequencies. All that it may send on, such as "
            "14MHz..14.35MHz.\nEnter: only in the ranges that are watched.",
            default="",
            read=read,
            told="the transmitter sends only in the ranges that are watched (--sends)",
        )

    def _where(self) -> Near:
        from acqd.tonight.hookup import Near

        given = self._given
        if given.transmitter is not None:
            return Near(given.transmitter)
        if given.power is not None:
            return Near.NEAR if given.between is not None else Near.ON
        places = (Near.NONE, Near.NEAR, Near.ON)
        number = self._ask.choice(
            "Is there a transmitter?",
            ("no", "near this aerial, on another one", "on this aerial or cable itself"),
            why="An input dies of 10 mW or so, and a hand-held sends 5 W. Is there a transmitter "
            "on or near this\naerial, or could somebody join one?",
            told="on or near this aerial: no transmitter",
        )
        return places[number - 1]

    def _absolute_max(
        self, transmitter: Transmitter | None, capabilities: Capabilities
    ) -> float | None:
        from acqd.config.quantity import LEVEL, parse_quantity
        from acqd.errors import InputUnsafe

        given = self._given
        if given.absolute_max is not None:
            return parse_quantity(given.absolute_max, LEVEL)
        if transmitter is None or capabilities.absolute_max_dbm is not None:
            return None
        unknown = (
            "what the sweeper's input stands is unknown, and power can arrive: say it with "
            '--absolute-max, from its data sheet, such as "10 dBm"'
        )
        if given.yes:
            raise InputUnsafe(unknown)

        def read(text: str) -> float | None:
            return parse_quantity(text, LEVEL) if text else None

        stated_dbm = self._ask.value(
            "What does its input stand?",
            why="The sweeper does not say how much its input stands. Its data sheet does, as "
            "maximum input level,\nsuch as 10 dBm. Enter: not known, and then nothing starts.",
            default="",
            read=read,
        )
        if stated_dbm is None:
            raise InputUnsafe(unknown)
        return stated_dbm
