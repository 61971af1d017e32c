"""``dunlin``: a prompt for people, which echoes what it is told and answers in words.

It starts anew whenever somebody opens the port: it hears nothing for :attr:`Dunlin.boot_s` seconds,
then says a banner and ``dunlin> ``. A command ends with CR; each character is echoed at once, CR
as CR LF; line feeds are ignored. After the lines of an answer, which end with CR LF, the prompt
comes. A sweep is one line, ``-101.2 dBm, -100.9 dBm, ...``. Lines of errors begin with ``? ``.
Ctrl-X (0x18) throws away what was typed and ends a sweep under way. Frequencies are in MHz,
bandwidths in kHz.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar

from acqd_sim.dialects.dialect import Answer, Dialect, Refusal, Steps, numbers, whole
from acqd_sim.instrument import Instrument

__all__ = ["PROMPT", "Dunlin"]

CRLF = b"\r\n"
PROMPT = b"dunlin> "
LONGEST = 80


class Dunlin(Dialect):
    """A chatty prompt."""

    name: ClassVar[str] = "dunlin"
    boot_s: ClassVar[float] = 0.3
    abort: ClassVar[int | None] = 0x18

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(instrument)
        self._typed = b""

    def take(self, data: bytes) -> tuple[bytes, list[bytes]]:
        data = data.replace(b"\n", b"")
        *lines, rest = (self._typed + data).split(b"\r")
        self._typed = rest[:LONGEST]
        return data.replace(b"\r", CRLF), lines

    def banner(self) -> bytes:
        self._typed = b""
        return b"\r\nDunlin is awake. Type help.\r\n" + PROMPT

    def aborted(self) -> Answer:
        self._typed = b""
        return Answer(body=b"\r\nstopped\r\n", end=PROMPT)

    def nothing(self) -> Steps:
        yield _said()

    def refused(self, refusal: Refusal) -> Answer:
        return _said(f"? {refusal.text}")

    def commands(self) -> Mapping[str, Callable[[list[str]], Steps]]:
        return {
            "who": self._who,
            "help": self._help,
            "limits": self._limits,
            "range": self._range,
            "points": self._points,
            "width": self._width,
            "pad": self._pad,
            "go": self._go,
            "source": self._source,
        }

    def _who(self, words: list[str]) -> Steps:
        who = self.instrument.sweeping.receiver.model.identity
        given = self.instrument.faults.identity
        said = f"Dunlin {who.firmware}, number {who.serial_number}"
        yield _said(said if given is None else given)

    def _help(self, words: list[str]) -> Steps:
        yield _said("words: " + " ".join(self.commands()))

    def _limits(self, words: list[str]) -> Steps:
        model = self.instrument.sweeping.receiver.model
        lines = [
            f"range {model.start_hz / 1e6:.3f} to {model.stop_hz / 1e6:.3f} MHz",
            f"points {model.points_min} to {model.points_max}",
        ]
        if model.source:
            lines.append(f"source {model.source_min_dbm:.1f} to {model.source_max_dbm:.1f} dBm")
        yield _said(*lines)

    def _range(self, words: list[str]) -> Steps:
        if words:
            low, high = numbers(words, 2, "two frequencies in MHz")
            if not 0.0 < low <= high:
                raise Refusal(12, "expected two frequencies in MHz, the lower one first")
            # To the hertz: 156.8 * 1e6 is not a whole number in binary.
            self.change(start_hz=round(low * 1e6), stop_hz=round(high * 1e6))
            yield _said()
            return
        panel = self.instrument.sweeping.panel
        yield _said(f"range is {panel.start_hz / 1e6:.6f} to {panel.stop_hz / 1e6:.6f} MHz")

    def _points(self, words: list[str]) -> Steps:
        if words:
            (points,) = numbers(words, 1, "a number of points")
            self.change(points=whole(points, "points"))
            yield _said()
            return
        yield _said(f"points are {self.instrument.sweeping.panel.points}")

    def _width(self, words: list[str]) -> Steps:
        if words == ["auto"]:
            self.change(rbw_hz=None)
            yield _said()
        elif words:
            (wide,) = numbers(words, 1, "a width in kHz, or auto")
            self.change(rbw_hz=wide * 1e3)
            yield _said()
        else:
            yield _said(f"width is {self.instrument.sweeping.settings.rbw_hz / 1e3:g} kHz")

    def _pad(self, words: list[str]) -> Steps:
        if words:
            (loss_db,) = numbers(words, 1, "an attenuation in dB")
            self.change(attenuation_db=loss_db)
            yield _said()
            return
        yield _said(f"pad is {self.instrument.sweeping.settings.attenuation_db:g} dB")

    def _source(self, words: list[str]) -> Steps:
        panel = self.instrument.sweeping.panel
        if not words:
            yield _said(
                f"source is on at {panel.source_dbm:.1f} dBm"
                if panel.source_on
                else "source is off"
            )
            return
        if not self.instrument.sweeping.receiver.model.source:
            if words != ["off"]:
                raise Refusal(22, "there is no source")
        elif words == ["off"]:
            self.change(source_on=False)
        elif words[0] == "on":
            (level_dbm,) = numbers(words[1:], 1, "source on and a level in dBm, or source off")
            self.change(source_on=True, source_dbm=level_dbm)
        else:
            raise Refusal(12, "expected source on and a level in dBm, or source off")
        yield _said()

    def _go(self, words: list[str]) -> Steps:
        level_dbm = yield from self.sweep()
        text = ", ".join(f"{level:.1f} dBm" for level in level_dbm)
        yield Answer(body=f"{text}\r\n".encode(), end=PROMPT, is_trace=True)


def _said(*lines: str) -> Answer:
    text = "".join(f"{line}\r\n" for line in lines)
    return Answer(body=text.encode("ascii", "replace"), end=PROMPT)
