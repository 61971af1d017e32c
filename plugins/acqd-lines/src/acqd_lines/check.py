"""``acqd profile check`` with a port: a profile held against a real sweeper, step by step.

The steps are those of the driver: open, come to rest, source off, identify, settings at the limits,
settings, read-back, sweep time, one sweep, an error on purpose, source off. The first that does not
match ends it. A source is never turned on; where there is one it is turned off at the end whatever
happened.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Generator, Iterator, Mapping
from typing import Any, Final

import numpy as np

from acqd.config.lines import Path
from acqd.config.problems import Text, dotted
from acqd.drivers.contract import Transport
from acqd.errors import (
    SweeperError,
    SweeperReported,
    SweepInvalid,
    TransportError,
    TransportTimeout,
)
from acqd.sweep import SweepRequest
from acqd_lines.check_steps import Mismatch, Outcome, Step, came_text, difference_of
from acqd_lines.profile import Profile
from acqd_lines.requests import check_axis, read_setting, read_span, read_value, values_of
from acqd_lines.tables import AnswerTable, ReadTable, SettingTable
from acqd_lines.talk import Conversation, Heard, Said, Way
from acqd_lines.values import Decoded, decode
from acqd_lines.who import who_answers

__all__ = ["NONSENSE", "Check", "default_request"]

NONSENSE: Final = "zz9zz"
"""What no sweeper understands, sent where the profile says how errors look."""

UNITS: Final = {
    "rbw": "Hz",
    "vbw": "Hz",
    "attenuation": "dB",
    "reference_level": "dBm",
    "sweep_time": "s",
}
POINTS: Final = 101
HEARD_MOST_BYTES: Final = 16 << 20
"""Of one step, as much as the longest answer; a sweeper that never stops fills no memory."""
WIDEST_HZ: Final = 10e6
POSSIBLE_LEVELS: Final = (-250.0, 250.0)
"""Levels in dB of whatever unit; beyond it, scale, offset or type are wrong."""


def default_request(
    profile: Profile, start_hz: float | None = None, stop_hz: float | None = None
) -> SweepRequest:
    """A short sweep within the limits, in their middle where nobody says where."""
    limits = profile.limits
    if limits.points_allowed:
        points = min(limits.points_allowed, key=lambda count: abs(count - POINTS))
    else:
        points = min(limits.points_max, max(limits.points_min, POINTS))
    if start_hz is None or stop_hz is None:
        whole_hz = limits.stop_hz - limits.start_hz
        start_hz, stop_hz = limits.start_hz, limits.stop_hz
        if {"start", "centre", "span"} & profile.told:
            span_hz = min(WIDEST_HZ, whole_hz / 10.0)
            start_hz = float(round(limits.start_hz + (whole_hz - span_hz) / 2.0, -3))
            stop_hz = float(round(start_hz + span_hz, -3))
    return SweepRequest(start_hz=start_hz, stop_hz=stop_hz, points=points)


class Check:
    """One check of ``profile`` over a link.

    Args:
        profile: what is checked.
        places: where its keys stand in its file.
        swept: what is swept.
        connect: opens the link.
    """

    def __init__(
        self,
        profile: Profile,
        places: Text,
        swept: SweepRequest,
        connect: Callable[[], Transport],
    ) -> None:
        self._profile = profile
        self._places = places
        self._swept = swept
        self._connect = connect
        self._heard: list[Heard] = []
        self._heard_bytes = 0
        self._at: Path = ()
        self._talk: Conversation | None = None
        self._answered = False
        self._limit_s = profile.timing.deadline_s
        self.decoded: Decoded | None = None
        """The sweep that was taken."""
        self.axis_hz: Any = None
        """Its frequencies, (points,)."""

    def run(self) -> Iterator[Step]:
        """The steps, one after the other, up to the first that does not match.

        Raises:
            RequestRefused: the address is none.
        """
        link = yield from self._opened()
        if link is None:
            return
        try:
            yield from self._all(Conversation(self._profile, link, heard=self._hear))
        finally:
            link.close()

    def _hear(self, one: Heard) -> None:
        """Keep bytes of the step, as many as somebody may want to see."""
        if one.way is Way.RECEIVED:
            self._heard_bytes += len(one.data)
            if self._heard_bytes > HEARD_MOST_BYTES:
                return
        self._heard.append(one)

    def _opened(self) -> Generator[Step, None, Transport | None]:
        try:
            link = self._connect()
        except TransportError as error:
            yield Step(
                name="open",
                outcome=Outcome.DIFFERS,
                text="the link cannot be opened",
                expected="a link",
                came=str(error),
            )
            return None
        yield Step(name="open", outcome=Outcome.FITS, text="the link is open")
        return link

    def _all(self, talk: Conversation) -> Iterator[Step]:
        self._talk = talk
        steps: tuple[tuple[str, Callable[[], str | None]], ...] = (
            ("come to rest", self._rest),
            ("source off", self._source_off),
            ("identify", self._identify),
            ("limits", self._limits),
            ("settings", self._set),
            ("read-back", self._read_back),
            ("sweep time", self._time),
            ("sweep", self._sweep),
            ("errors", self._errors),
            ("in step after it", self._again),
        )
        for name, act in steps:
            step = self._step(name, act)
            yield step
            if step.outcome is Outcome.DIFFERS:
                break
        if self._profile.source is not None and self._answered:
            yield self._step("source off at the end", self._source_off_for_good)

    def _step(self, name: str, act: Callable[[], str | None]) -> Step:
        self._heard.clear()
        self._heard_bytes = 0
        self._at = ()
        try:
            text = act()
        except (SweeperError, Mismatch) as error:
            found = difference_of(
                error,
                self._at,
                nothing_yet=not self._answered,
                prompt=self._profile.talk.prompt,
            )
            return Step(
                name=name,
                outcome=Outcome.DIFFERS,
                text="does not match",
                heard=tuple(self._heard),
                expected=found.expected,
                came=found.came,
                look_at=self._place(found.path),
                hint=found.hint,
            )
        outcome = Outcome.LEFT_OUT if text is None else Outcome.FITS
        said = "the profile has nothing to try here" if text is None else text
        return Step(name=name, outcome=outcome, text=said, heard=tuple(self._heard))

    def _place(self, path: Path) -> str:
        if not path:
            return ""
        return f"{self._places.file}:{self._places.line(*path)}: {dotted(path)}"

    @property
    def _conversation(self) -> Conversation:
        assert self._talk is not None  # set before the first step
        return self._talk

    # --- steps --------------------------------------------------------------------------------

    def _rest(self) -> str:
        self._at = ("talk",)
        came = self._conversation.begin()
        waited = f"waited {self._profile.talk.pause_s:g} s, "
        return waited + (f"read away {len(came)} bytes" if came else "nothing came by itself")

    def _identify(self) -> str:
        self._at = ("identify",)
        who = who_answers(self._profile, self._conversation)
        self._answered = True
        parts = [
            f"{name} {text}"
            for name, text in (
                ("model", who.model),
                ("serial number", who.serial_number),
                ("firmware", who.firmware),
            )
            if text
        ]
        return f"{', '.join(parts) or 'it'} answers, twice the same"

    def _source_off(self) -> str | None:
        source = self._profile.source
        if source is None:
            return None
        self._at = ("source",)
        self._conversation.send(source.off, source.answer, expect=source.expect)
        return "it was told to be off; it is never turned on here"

    def _source_off_for_good(self) -> str | None:
        self._conversation.restart()
        return self._source_off()

    def _limits(self) -> str | None:
        limits, told = self._profile.limits, []
        if not {"frequency", "points"} & set(self._profile.setting.given()):
            return None
        for points in (limits.points_max, limits.points_min):
            request = SweepRequest(start_hz=limits.start_hz, stop_hz=limits.stop_hz, points=points)
            told = self._tell(request, ("frequency", "points"))
        if not told:
            return None
        return (
            f"{limits.start_hz / 1e6:g} to {limits.stop_hz / 1e6:g} MHz with {limits.points_max} "
            f"and {limits.points_min} points were taken without an error"
        )

    def _set(self) -> str | None:
        told = self._tell(self._swept, tuple(self._profile.setting.given()))
        return f"told {', '.join(told)}" if told else None

    def _tell(self, request: SweepRequest, names: tuple[str, ...]) -> list[str]:
        """Send those of ``names`` that can be sent, in the profile's order."""
        wanted, told = values_of(self._profile, request), []
        for name, setting in self._profile.settings_in_order:
            commands = setting.send
            if name in wanted.settings and wanted.settings[name] is None:
                commands = setting.auto
            if commands is None or name not in names:
                continue
            self._at = ("setting", name)
            self._conversation.send(
                commands,
                setting.answer,
                wanted.values,
                points=request.points,
                expect=setting.expect,
            )
            told.append(name)
        return told

    def _read_back(self) -> str | None:
        told = []
        for name, setting in self._profile.settings_in_order:
            if setting.read is None:
                continue
            self._at = ("setting", name, "read")
            said = self._conversation.run(setting.read, self._values)
            told.append(f"{name} {self._read(name, setting, setting.read, said.text)}")
        return "; ".join(told) if told else None

    def _read(self, name: str, setting: SettingTable, read: ReadTable, text: str) -> str:
        """What was read, as text. Range and points must be what was set; others have steps."""
        if name == "frequency":
            span = read_span(read, text, self._swept.points)
            allowed_hz = max(1.0, self._swept.step_hz / 2.0)
            for end in ("start_hz", "stop_hz"):
                self._same(name, end, getattr(span, end), getattr(self._swept, end), allowed_hz)
            return f"{span.start_hz / 1e6:.6g} to {span.stop_hz / 1e6:.6g} MHz"
        if name == "points":
            points = read_value(read, text)
            self._same(name, "points", points, self._swept.points, 0.0)
            return f"{points:g}"
        value = read_setting(name, setting, text)
        return (
            f"{value:g} {UNITS.get(name, '')}".rstrip() if isinstance(value, float) else f"{value}"
        )

    def _same(self, name: str, what: str, got: float, wanted: float, allowed: float) -> None:
        if abs(got - wanted) > allowed:
            raise Mismatch(
                expected=f"{what} {wanted:.10g}, as was set",
                came=f"{got:.10g}",
                path=("setting", name),
                hint="the unit or the format in `send`, or the unit or the pattern of `read`",
            )

    @property
    def _values(self) -> Mapping[str, float | str | None]:
        return values_of(self._profile, self._swept).values

    def _time(self) -> str | None:
        ask = self._profile.timing.ask
        if ask is None:
            return None
        self._at = ("timing", "ask")
        took_s = read_value(ask, self._conversation.run(ask, self._values).text)
        self._limit_s = max(self._limit_s, 3.0 * took_s + 2.0)
        return f"a sweep takes {took_s:g} s"

    def _sweep(self) -> str:
        sweep, talk = self._profile.sweep, self._conversation
        values, points, deadline_s = self._values, self._swept.points, self._limit_s
        talk.wait(sweep.settle_s)
        for name in ("check", "start"):
            table = getattr(sweep, name)
            if table is not None:
                self._at = ("sweep", name)
                talk.run(table, values, points=points, timeout_s=deadline_s)
        if sweep.poll is not None:
            self._poll(deadline_s)
        self._at = ("sweep", "fetch")
        said = self._fetched(deadline_s)
        talk.halt(sweep.halt)
        self._at = ("sweep", "values")
        self.decoded = decode(said.frame.lines, said.frame.payload, sweep.values.format())
        return self._judged(self.decoded)

    def _fetched(self, deadline_s: float) -> Said:
        fetch = self._profile.sweep.fetch
        sync = fetch.answer.sync
        try:
            return self._conversation.run(
                fetch, self._values, points=self._swept.points, timeout_s=deadline_s
            )
        except TransportTimeout as late:
            # Bytes that do not begin as they should were waited for as an error in text.
            if not late.partial or sync in b"".join(one.data for one in self._heard):
                raise
            raise Mismatch(
                expected=f"a block that begins with {sync.hex(' ').upper()}",
                came=came_text(late.partial),
                path=("sweep", "fetch", "answer", "sync"),
            ) from late

    def _poll(self, deadline_s: float) -> None:
        poll = self._profile.sweep.poll
        assert poll is not None
        self._at = ("sweep", "poll")
        until_s = time.monotonic() + deadline_s
        while True:
            said = self._conversation.send(
                poll.send, poll.answer, self._values, timeout_s=poll.timeout_s
            )
            if poll.expect.search(said.text):
                return
            if time.monotonic() > until_s:
                raise Mismatch(
                    expected=f"an answer that fits {poll.expect.text!r} within {deadline_s:g} s",
                    came=repr(said.text[:100]),
                    path=("sweep", "poll", "expect"),
                )
            self._conversation.wait(poll.every_s)

    def _judged(self, decoded: Decoded) -> str:
        """What can be said of a sweep without knowing what is connected."""
        level = np.abs(decoded.level) if np.iscomplexobj(decoded.level) else decoded.level
        if level.size != self._swept.points:
            raise Mismatch(
                expected=f"{self._swept.points} levels",
                came=f"{level.size}",
                path=("sweep", "values"),
            )
        known = level[np.isfinite(level)]
        if not known.size:
            raise Mismatch(expected="levels", came="none at all", path=("sweep", "values"))
        self._judge_levels(known)
        self.axis_hz = axis_hz = self._axis(decoded)
        unit = self._profile.sweep.values.unit
        peak = int(np.nanargmax(level))
        return (
            f"{level.size} levels from {known.min():.2f} to {known.max():.2f} {unit}, the highest "
            f"at {axis_hz[peak] / 1e6:.6f} MHz"
        ).replace(" -", " −")

    def _judge_levels(self, known: Any) -> None:
        low, high = POSSIBLE_LEVELS
        unit = self._profile.sweep.values.unit
        if unit in ("digit", "1") or (low <= known.min() and known.max() <= high):
            return
        raise Mismatch(
            expected=f"levels between {low:g} and {high:g} {unit}",
            came=f"{known.min():.4g} to {known.max():.4g} {unit}",
            path=("sweep", "values"),
            hint="`type`, `order`, `scale` or `offset`",
        )

    def _axis(self, decoded: Decoded) -> Any:
        """The frequencies; those that came must be those that were asked for."""
        if decoded.frequency_hz is None:
            return self._swept.frequencies_hz()
        got = decoded.frequency_hz
        try:
            check_axis(got, self._swept, self._profile.sweep.axis.tolerance)
        except SweepInvalid as error:
            raise Mismatch(
                expected=f"even frequencies, {self._swept.start_hz / 1e6:g} to "
                f"{self._swept.stop_hz / 1e6:g} MHz",
                came=f"{got.min() / 1e6:g} to {got.max() / 1e6:g} MHz; {error}",
                path=("sweep", "values", "frequency_unit"),
                hint="`frequency_unit`, the order of `columns`, or the units in `send`",
            ) from error
        return got

    def _errors(self) -> str | None:
        if not self._profile.error:
            return None
        self._at = ("error", 0, "pattern")
        try:
            frame = self._conversation.exchange(
                NONSENSE.encode("ascii"), AnswerTable(kind="line").framing(points=0)
            )
        except SweeperReported as error:
            said = "; ".join(text for _, text in error.errors)
            return f"{NONSENSE} was refused, as the profile says: {said!r}"
        raise Mismatch(
            expected=f"an error after {NONSENSE}, as a pattern of [[error]] says",
            came=repr("\n".join(frame.lines)[:100]),
            path=("error", 0, "pattern"),
        )

    def _again(self) -> str | None:
        if not self._profile.error:
            return None
        self._at = ("identify",)
        who_answers(self._profile, self._conversation)
        return "it answers as before"
