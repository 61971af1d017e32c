"""``acqd profile learn``: asks an unknown sweeper harmless questions, and works out a profile.

It listens first, tries line ends and questions, then sends what the user gives: lines that set the
range and the points, and the line that is answered with a sweep. What comes is guessed at
(``learn_guess`` and its neighbours), held against carriers that the user knows, and written down.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from acqd.config.quantity import (
    FREQUENCY,
    LEVEL,
    QuantityError,
    parse_frequency_range,
    parse_quantity,
)
from acqd.errors import AcqdError, RequestRefused
from acqd_lines.check_show import shown_bytes
from acqd_lines.learn_ear import Ear
from acqd_lines.learn_guess import (
    LINE_ENDS,
    Exchange,
    Guess,
    answer_of,
    guess_echo,
    guess_prompt,
)
from acqd_lines.learn_known import Carrier, peaks_of
from acqd_lines.learn_shape import Swept, Understood, understand
from acqd_lines.learn_text import TextShape
from acqd_lines.learn_who import (
    QUESTIONS,
    Answers,
    error_pattern,
    expect_of,
    guess_identity,
    sorted_answers,
)
from acqd_lines.learn_write import Learnt, LearntSetting
from acqd_lines.placeholders import Command, UnreadableCommand, command_of

__all__ = ["Asks", "Learner", "NotLearnt", "Plan", "carrier_of", "lines_to_send", "swept_of"]

ENDS: Final = ("lf", "cr", "crlf")
"""In the order of trying: what takes one of the first two would take both together for one and a
blank line, and what wants both ignores each alone."""


class NotLearnt(AcqdError):
    """It did not come to a profile; the text says why and what may help."""


class Asks(Protocol):
    """Where answers come from that only the user knows: options, or a terminal."""

    def text(self, key: str, question: str, default: str | None = None) -> str:
        """The answer to ``question``; ``key`` is the option that gives it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What the user has said beforehand."""

    tries: tuple[str, ...] = ()
    end: str | None = None
    identify: str | None = None
    sets: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    sweeps: tuple[str, ...] = ()
    swept: Swept | None = None
    carriers: tuple[Carrier, ...] = ()
    peaks: tuple[int | None, ...] = ()
    limits: tuple[float, float] | None = None
    points_limits: tuple[int, int] | None = None
    link: Mapping[str, object] = field(default_factory=dict)
    pause_s: float = 1.0
    wait_s: float = 0.7
    quiet_s: float = 0.2
    sweep_wait_s: float = 20.0


def swept_of(text: str, points: str) -> Swept:
    """A range as in "156MHz..158MHz" and a number of points.

    Raises:
        NotLearnt: they cannot be read.
    """
    try:
        start_hz, stop_hz = parse_frequency_range(text)
    except QuantityError as exc:
        raise NotLearnt(f"--range: {exc}") from exc
    if not points.isdecimal() or not 3 <= int(points) <= 1_000_000:
        raise NotLearnt(f"--points: expected a number from 3 to 1000000, got {points!r}")
    return Swept(start_hz=start_hz, stop_hz=stop_hz, points=int(points))


def carrier_of(text: str) -> Carrier:
    """A carrier as in "156.8MHz@-40dBm".

    Raises:
        NotLearnt: it cannot be read.
    """
    where, at, level = text.partition("@")
    try:
        if not at:
            raise QuantityError(
                given=text, problem="no @ in it", accepted="a frequency and a level, joined by @"
            )
        return Carrier(
            frequency_hz=parse_quantity(where.strip(), FREQUENCY),
            level_dbm=parse_quantity(level.strip(), LEVEL),
        )
    except QuantityError as exc:
        raise NotLearnt(f"--carrier: {exc}; for example 156.8MHz@-40dBm") from exc


def lines_to_send(plan: Plan) -> list[str]:
    """The questions that are sent without asking, in their order."""
    return list(dict.fromkeys((*plan.tries, *QUESTIONS)))


class Learner:
    """One conversation with an unknown sweeper.

    Args:
        ear: how it is talked to.
        plan: what the user said.
        asks: where the rest comes from.
        say: told of everything, a line at a time.
    """

    def __init__(self, ear: Ear, plan: Plan, asks: Asks, say: Callable[[str], None]) -> None:
        self._ear = ear
        self._plan = plan
        self._asks = asks
        self._say = say
        self._end = ""
        self._echo = False
        self._prompt = b""
        self._errors: str | None = None
        self._carriers: tuple[Carrier, ...] = ()

    def run(self) -> Learnt:
        """Learn.

        Raises:
            NotLearnt: it cannot be done; says what may help.
            TransportError: the link broke.
        """
        pause_s = self._listen()
        answers = self._talk()
        identify, expect = self._who(answers)
        swept = self._swept()
        settings = tuple(self._set(name, lines, swept) for name, lines in self._sets().items())
        self._carriers = self._known()
        sweep, first, again, took_s = self._sweep()
        understood = self._understood(first, swept)
        return Learnt(
            title=f"learnt: {identify[1]}"[:200],
            end=self._end,
            echo=self._echo,
            prompt=self._prompt,
            pause_s=pause_s,
            identify=identify[0],
            expect=expect,
            errors=self._errors,
            settings=settings,
            sweep=sweep,
            understood=understood,
            again=again,
            swept=swept,
            limits=self._plan.limits,
            points_limits=self._plan.points_limits,
            carriers=self._carriers,
            link=dict(self._plan.link),
            took_s=took_s,
        )

    # --- listening ----------------------------------------------------------------------------

    def _listen(self) -> float:
        self._say(f"listening for {self._plan.pause_s:g} s …")
        heard = self._ear.listen(self._plan.pause_s)
        if not heard.data:
            self._say("  nothing came by itself")
            return self._plan.pause_s
        self._say(f"  <- {shown_bytes(heard.data)}")
        if not heard.is_quiet:
            more = self._ear.listen(2.0 * self._plan.pause_s)
            if not more.is_quiet:
                raise NotLearnt(
                    "it talks by itself and does not stop: a profile wants a sweeper that answers "
                    "when asked; stop it first, by its own keys or by the command of its manual, "
                    "or use a longer --pause"
                )
        self._say(f"  it says that by itself, {heard.last_s:.2f} s after opening")
        return round(max(self._plan.pause_s / 2.0, heard.last_s + 0.2), 1)

    # --- line end, echo, prompt -----------------------------------------------------------------

    def _talk(self) -> Answers:
        """Find a line end that is answered to; all questions with it."""
        for end in ENDS if self._plan.end is None else (self._plan.end,):
            self._say(f"lines that end with {end.upper()}:")
            # What earlier tries left unfinished ends here; what comes of it says nothing.
            flushed = self._ear.ask(LINE_ENDS[end], wait_s=self._plan.wait_s)
            exchanges = self._questions(end)
            if exchanges:
                self._end = end
                self._settle([*exchanges, *([flushed] if flushed.received else [])], exchanges)
                return sorted_answers(exchanges, echo=self._echo, prompt=self._prompt)
        raise NotLearnt(
            "it answers to nothing: another speed (--option baud=9600), line settings, --option "
            "dtr=false, a longer --pause or --wait, or a question of its own (--try LINE) may help"
        )

    def _questions(self, end: str) -> list[Exchange]:
        exchanges: list[Exchange] = []
        for place, line in enumerate(lines_to_send(self._plan)):
            sent = line.encode("latin-1") + LINE_ENDS[end]
            exchange = self._ear.ask(sent, wait_s=self._plan.wait_s)
            came = f"<- {shown_bytes(exchange.received)}" if exchange.received else "nothing"
            self._say(f"  -> {line:<10} {came}")
            if _is_answered(exchange):
                exchanges.append(exchange)
            elif not exchanges and place >= max(2, len(self._plan.tries)):
                break
        return exchanges

    def _settle(self, all_of_them: Sequence[Exchange], exchanges: Sequence[Exchange]) -> None:
        echo = guess_echo(exchanges)
        self._echo = echo.value
        self._say(f"  {'it echoes' if echo.value else 'no echo'}: {echo.reason}")
        prompts = guess_prompt(all_of_them)
        if prompts:
            self._prompt = prompts[0].value
            self._say(f"  a prompt, {self._prompt.decode('latin-1')!r}: {prompts[0].reason}")

    def _who(self, answers: Answers) -> tuple[tuple[str, str], str]:
        self._errors = error_pattern(answers)
        if self._errors is not None:
            self._say(f"errors seem to fit {self._errors!r}")
        told = dict(answers.told)
        guesses = guess_identity(answers)
        for guess in guesses[:3]:
            self._say(f"  {guess.value}: {guess.reason}")
        question = self._plan.identify or self._asks.text(
            "--identify",
            "which line asks who it is (its answer must always be the same)",
            guesses[0].value if guesses else None,
        )
        if question not in told or len(told[question]) != 1:
            exchange = self._ask(question, self._plan.wait_s)
            lines = self._lines(exchange)
            if not lines or self._is_error(lines[0]):
                raise NotLearnt(
                    f"{question!r} is not answered with one line that tells who is there "
                    f"(it says {' / '.join(lines)[:80]!r}); --try LINE or --identify LINE names one"
                )
            told[question] = lines
        line = told[question][0]
        expect = expect_of(question, line)
        self._say(f"it is known by {line!r}; the profile expects {expect}")
        return (question, line), expect

    # --- settings -------------------------------------------------------------------------------

    def _swept(self) -> Swept:
        """What is to be swept; where nobody said it beforehand the user is asked."""
        swept = self._plan.swept
        if swept is None:
            text = self._asks.text("--range", "what to sweep, such as 156MHz..158MHz")
            points = self._asks.text("--points", "with how many points", "101")
            swept = swept_of(text, points)
        for place in self._plan.peaks:
            if place is not None and place >= swept.points:
                raise NotLearnt(f"--peak: expected a point from 0 to {swept.points - 1}: {place}")
        return swept

    def _sets(self) -> dict[str, tuple[str, ...]]:
        sets = dict(self._plan.sets)
        for name, what in (
            ("frequency", "sets the range, such as SPAN {start:kHz:.0f} {stop:kHz:.0f}"),
            ("points", "sets the number of points, such as POINTS {points}"),
        ):
            known = "".join(line for lines in sets.values() for line in lines)
            if name in sets or (name == "points" and "{points" in known):
                continue
            question = f"the line that {what} (empty: none)"
            while line := self._asks.text(f"--set {name}=", question, ""):
                sets[name] = (*sets.get(name, ()), line)
                question = "a further line for that (empty: none)"
        return sets

    def _set(self, name: str, sent: tuple[str, ...], swept: Swept) -> LearntSetting:
        answers = [self._told(line, swept) for line in sent]
        *before, last = answers
        each = any(before)
        if not last and not each:
            return LearntSetting(name=name, lines=sent, answer="none")
        if each and any(len(one) != len(last) for one in before):
            raise NotLearnt(
                f"the lines that set {name} are not answered alike; write the profile by hand"
            )
        if len(last) > 1 and not self._prompt:
            raise NotLearnt(f"{len(last)} lines answer {name}; nothing says where they end")
        # A word without digits comes every time; one with digits tells what was set.
        plain = len(last) == 1 and not re.search(r"\d", last[0])
        return LearntSetting(
            name=name,
            lines=sent,
            answer="line" if len(last) == 1 else "lines",
            each=each,
            expect=f"^{re.escape(last[0])}$"
            if plain and all(one == last for one in answers[0 if each else -1 :])
            else None,
        )

    def _told(self, line: str, swept: Swept) -> tuple[str, ...]:
        """The lines that a setting is answered with."""
        said = self._rendered(line, swept)
        exchange = self._ask_bytes(said, self._plan.wait_s)
        lines = self._lines(exchange)
        self._say(f"  -> {shown_bytes(said)}   <- {shown_bytes(exchange.received) or 'nothing'}")
        if lines and self._is_error(lines[0]):
            raise NotLearnt(f"it refuses {said.decode('latin-1')!r}: {lines[0]}")
        return lines

    def _rendered(self, line: str, swept: Swept) -> bytes:
        values: dict[str, float | str | None] = {
            "start": swept.start_hz,
            "stop": swept.stop_hz,
            "centre": (swept.start_hz + swept.stop_hz) / 2.0,
            "span": swept.stop_hz - swept.start_hz,
            "step": (swept.stop_hz - swept.start_hz) / max(1, swept.points - 1),
            "points": float(swept.points),
            "steps": float(swept.points - 1),
        }
        try:
            command: Command = command_of(line)
            return command.render(values).data
        except UnreadableCommand as exc:
            raise NotLearnt(f"{line!r}: {exc.problem}; accepted: {exc.accepted}") from exc
        except RequestRefused as exc:
            raise NotLearnt(f"{line!r}: there is no value for {exc.setting} here") from exc

    def _known(self) -> tuple[Carrier, ...]:
        if self._plan.carriers:
            return self._plan.carriers
        text = self._asks.text(
            "--carrier", "a carrier that is connected now, as 156.8MHz@-40dBm (empty: none)", ""
        )
        return (carrier_of(text),) if text else ()

    # --- the sweep ------------------------------------------------------------------------------

    def _sweep(self) -> tuple[str, bytes, bytes | None, float]:
        """The line that is answered with a sweep, its answer, and that of a second time."""
        lines = self._plan.sweeps or (
            self._asks.text("--sweep", "the line that is answered with a sweep"),
        )
        for line in lines:
            self._say(f"a sweep by {line!r}:")
            began_s = time.monotonic()
            exchange = self._ask(line, self._plan.sweep_wait_s, quiet_s=self._sweep_quiet_s)
            took_s = time.monotonic() - began_s
            answer = self._answer(exchange)
            self._say(f"  <- {len(answer)} bytes: {shown_bytes(answer)}")
            first = self._lines(exchange)[:1]
            if len(answer.strip()) < 8 or (first and self._is_error(first[0])):
                continue
            again = self._answer(
                self._ask(line, self._plan.sweep_wait_s, quiet_s=self._sweep_quiet_s)
            )
            return line, answer, again or None, took_s
        raise NotLearnt(
            f"none of {', '.join(repr(line) for line in lines)} is answered with a sweep; "
            f"--sweep-wait lets it take longer"
        )

    @property
    def _sweep_quiet_s(self) -> float:
        return max(0.5, 2.0 * self._plan.quiet_s)

    def _understood(self, answer: bytes, swept: Swept) -> Understood:
        guesses = understand(answer, swept, self._carriers, places=self._plan.peaks)
        if not guesses:
            raise NotLearnt(
                f"{len(answer)} bytes, and no {swept.points} numbers in them by any way that is "
                f"known here; is the number of points right (--points)?"
            )
        for number, guess in enumerate(guesses[:3], 1):
            self._say(f"  {number}. {_described(guess.value)}")
            for reason in guess.value.reasons:
                self._say(f"       {reason}")
        self._raise_if_far(guesses[0])
        most = str(min(3, len(guesses)))
        chosen = self._asks.text("--choose", f"which of them is it, 1 to {most}", "1")
        if not chosen.isdecimal() or not 1 <= int(chosen) <= len(guesses):
            raise NotLearnt(f"--choose: expected 1 to {len(guesses)}, got {chosen!r}")
        return guesses[int(chosen) - 1].value

    def _raise_if_far(self, guess: Guess[Understood]) -> None:
        found = guess.value
        if self._carriers and not found.peaks:
            raise NotLearnt(
                "nothing stands out of the noise where the carriers should be: are they on, is the "
                "range right? Without --carrier levels stay as they come"
            )
        step_hz = abs(float(found.axis_hz[-1] - found.axis_hz[0])) / max(1, found.axis_hz.size - 1)
        for number, (peak, carrier) in enumerate(zip(found.peaks, self._carriers, strict=False)):
            given = number < len(self._plan.peaks) and self._plan.peaks[number] is not None
            off_hz = abs(float(found.axis_hz[peak.place]) - carrier.frequency_hz)
            if off_hz > 4.0 * step_hz and not given:
                seen = ", ".join(
                    f"point {one.place} ({found.axis_hz[one.place] / 1e6:.6f} MHz)"
                    for one in peaks_of(found.values)
                )
                raise NotLearnt(
                    f"no peak is at the carrier of {carrier.frequency_hz / 1e6:.6f} MHz; there are "
                    f"{seen}. Is it on, is the range right? --peak POINT says which one it is"
                )

    # --- pieces ---------------------------------------------------------------------------------

    def _ask(self, line: str, wait_s: float, quiet_s: float | None = None) -> Exchange:
        try:
            data = line.encode("latin-1")
        except UnicodeEncodeError as exc:
            raise NotLearnt(
                f"{line!r}: the character {line[exc.start]!r} is not one byte; accepted: "
                f"characters up to U+00FF"
            ) from exc
        return self._ask_bytes(data, wait_s, quiet_s)

    def _ask_bytes(self, data: bytes, wait_s: float, quiet_s: float | None = None) -> Exchange:
        return self._ear.ask(data + LINE_ENDS[self._end], wait_s=wait_s, quiet_s=quiet_s)

    def _answer(self, exchange: Exchange) -> bytes:
        return answer_of(exchange, echo=self._echo, prompt=self._prompt)

    def _lines(self, exchange: Exchange) -> tuple[str, ...]:
        text = self._answer(exchange).decode("latin-1")
        return tuple(line.strip() for line in re.split(r"[\r\n]+", text) if line.strip())

    def _is_error(self, line: str) -> bool:
        return self._errors is not None and re.search(self._errors, line) is not None


def _is_answered(exchange: Exchange) -> bool:
    """Whether more came than what was sent."""
    came = exchange.received.strip()
    return bool(came) and came != exchange.sent.strip()


def _described(found: Understood) -> str:
    shape, scaling = found.shape, found.scaling
    if isinstance(shape, TextShape):
        form = {"pairs": "pairs of frequency and level", "column": "a level a line"}.get(
            shape.form, "a list of levels"
        )
    else:
        order = "low byte first" if shape.order == "little" else "high byte first"
        form = f"{'digits' if shape.digits else 'a block'} of {shape.type}, {order}"
    if scaling is None:
        return f"{form}; levels in counts of its own"
    added = "" if scaling.offset == 0 else f", {scaling.offset} added"
    return f"{form}; {scaling.scale} dB a count{added}, in {scaling.unit}".replace("-", "−")
