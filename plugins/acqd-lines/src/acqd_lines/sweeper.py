"""What the driver does: brings a sweeper into a known state by its profile, sweeps it, leaves it
safe.

On opening: pause, what ends an old conversation, silence, source off, who is there. On each sweep:
the settings, read back where the profile can, then start, wait until it is done, fetch, and checks:
number of levels, and their frequencies where the sweeper gives those. Whatever goes wrong, the
source goes off.

Limits: the sweeper's own clock is not read; a restart that does not show (no boot text, no broken
link) goes unnoticed, which is why settings are sent anew for each sweep unless the profile says
otherwise.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from difflib import get_close_matches
from typing import Any, Final

from acqd.drivers.contract import OpenContext, Sweeper, Trace
from acqd.drivers.finding import usb_location
from acqd.drivers.transport import TRANSPORT_OPTIONS
from acqd.errors import (
    ConfigError,
    RequestRefused,
    SweeperError,
    SweepInvalid,
    TransportTimeout,
)
from acqd.sweep import (
    NO_FLAGS,
    Capabilities,
    Float,
    Identity,
    SourceRequest,
    SweepFlag,
    SweepRequest,
)
from acqd_lines.framing import Frame
from acqd_lines.profile import Profile, find_profile, load_profile
from acqd_lines.requests import (
    Span,
    Wanted,
    axis_to_give,
    check_axis,
    read_setting,
    read_span,
    read_value,
    reported_of,
    span_of,
    values_of,
)
from acqd_lines.tables import CommandTable
from acqd_lines.talk import Conversation
from acqd_lines.values import Decoded, decode, decode_axis
from acqd_lines.who import first_contact

__all__ = ["OPTIONS", "LinesSweeper", "open_sweeper", "profile_of"]

OPTIONS: Final = ("profile",)
"""Options of a sweeper's config that are not the link's."""

CLOSE_TIMEOUT_S: Final = 0.4

FETCH_LEAST_S: Final = 0.25
"""For the levels of a sweep that was done only just in time."""


def open_sweeper(context: OpenContext) -> LinesSweeper:
    """Open the sweeper of ``context``; see the module's text.

    Raises:
        RequestRefused: an option that is not known, or a profile that cannot be used.
        ProtocolViolation: something else answers than the profile is for.
        TransportTimeout: nothing answers.
    """
    profile = profile_of(context.options)
    link = context.connect(profile.link.as_options())
    talk = Conversation(profile, link, cancel=context.cancel)
    sweeper = LinesSweeper(profile, talk, location=_location(context.address))
    sweeper.start()
    return sweeper


def profile_of(options: Mapping[str, Any]) -> Profile:
    """The profile that a sweeper's options name.

    Raises:
        RequestRefused: none, or one that is not there or has problems; or an unknown option.
    """
    for name in options:
        if name not in OPTIONS and name not in TRANSPORT_OPTIONS:
            near = get_close_matches(name, OPTIONS, n=1)
            hint = f"did you mean {near[0]}?" if near else f"{', '.join(OPTIONS)} and the link's"
            raise RequestRefused(
                setting=f"option {name}",
                asked=repr(options[name]),
                limit=f"known options; {hint}",
            )
    profile = options.get("profile")
    if not isinstance(profile, str) or not profile:
        asked = "nothing" if profile is None else repr(profile)
        limit = "the path or the name of a profile: it says how this sweeper is talked to"
        raise RequestRefused(setting="option profile", asked=asked, limit=limit)
    try:
        return load_profile(find_profile(profile))
    except ConfigError as exc:
        first, *more = exc.problems
        which = f"the first of its {len(more) + 1}" if more else "it has one"
        limit = f"a profile without problems; {which}: {first}"
        raise RequestRefused(setting="option profile", asked=repr(profile), limit=limit) from exc


def _location(address: str) -> str:
    scheme, _, path = address.partition(":")
    return usb_location(path) if scheme.lower() == "serial" else ""


class LinesSweeper(Sweeper):
    """One opened sweeper.

    Args:
        profile: how it is talked to.
        talk: the conversation with it.
        location: where its USB device is plugged in, if it is one.
    """

    def __init__(self, profile: Profile, talk: Conversation, *, location: str = "") -> None:
        self._profile = profile
        self._talk = talk
        self._location = location
        self._identity = Identity()
        self._told: dict[str, bytes] = {}
        self._sent: dict[str, dict[str, float]] = {}
        self._read: dict[str, Any] = {}
        self._is_read = False
        self._span: Span | None = None
        self._asked_axis: Float | None = None
        self._asked_time_s: float | None = None
        self._step: float | None = None

    def start(self) -> None:
        """Bring it into a known state. Called once, by :func:`open_sweeper`."""
        self._talk.begin()
        identity = first_contact(self._profile, self._talk, before=self._source_off)
        self._identity = replace(identity, location=self._location)

    # --- what the host asks -------------------------------------------------------------------

    def identify(self) -> Identity:
        """As it said on opening, and for a serial port where its USB device is."""
        return self._identity

    def capabilities(self) -> Capabilities:
        """As the profile says."""
        return self._profile.capabilities()

    def estimate_s(self, request: SweepRequest) -> float | None:
        """By the profile's ``[timing]``: asked, or so much a sweep and a point."""
        timing = self._profile.timing
        wanted = values_of(self._profile, request)
        if timing.ask is not None:
            self._apply(request, wanted)
            own_s: float | None = self._asked_time_s
        elif timing.per_point_s is None and timing.per_sweep_s is None:
            own_s = wanted.settings.get("sweep_time")
        else:
            own_s = (timing.per_sweep_s or 0.0) + (timing.per_point_s or 0.0) * request.points
            own_s = max(own_s, wanted.settings.get("sweep_time") or 0.0)
        if own_s is None:
            return None
        averages = wanted.settings.get("averages") or 1
        return own_s * (averages if timing.times_averages else 1)

    def sweep(self, request: SweepRequest) -> Trace:
        wanted = values_of(self._profile, request)
        estimate_s = self.estimate_s(request)
        with self._source_for(request) as source_dbm:
            if self._profile.timing.ask is None:
                self._apply(request, wanted)
            limit_s = self._profile.timing.deadline_s
            if estimate_s is not None:
                # Below the host's own limit (three times and 2 s): the error names the command.
                limit_s = 2.5 * estimate_s + 1.5
            frames, sent = self._take(wanted, request, time.monotonic() + limit_s)
            self._talk.halt(self._profile.sweep.halt)
        decoded = self._decoded(frames[-1])
        if decoded.level.size != request.points:
            raise SweepInvalid(f"asked for {request.points} points, got {decoded.level.size}")
        all_sent = {**{name: at for one in self._sent.values() for name, at in one.items()}, **sent}
        return Trace(
            level=decoded.level,
            unit=self._profile.sweep.values.format().level_unit,
            reported=reported_of(wanted, all_sent, self._read, source_level_dbm=source_dbm),
            frequency_hz=self._axis(decoded, all_sent, request),
            resolution=self._finest(decoded.resolution),
            flags=self._flags(frames),
        )

    def set_source(self, request: SourceRequest) -> None:
        if self._profile.source is None:
            return
        if request.on:
            self._source_on(request)
        else:
            self._source_off()
        self._hear_of_it()

    def close(self) -> None:
        """Source off; a sweep that may still run is ended where the profile knows how."""
        if self._profile.source is None and not self._talk.is_broken:
            return
        try:
            if not self._talk.is_broken:
                self._source_off()
                self._hear_of_it(CLOSE_TIMEOUT_S)
                return
        except SweeperError:
            pass  # out of step: what must be said is said all the same
        try:
            self._say_blindly()
        except SweeperError:
            pass  # the link is gone; the host opens anew and turns the source off first thing

    def _say_blindly(self) -> None:
        """End what runs and turn the source off without waiting for answers."""
        profile = self._profile
        self._talk.restart()
        for text in profile.sweep.abort or profile.sweep.halt:
            self._talk.write(text.encode("latin-1"))
        for command in profile.source.off if profile.source is not None else ():
            self._talk.write(command.render({}).data + profile.talk.end_bytes)

    # --- settings -----------------------------------------------------------------------------

    def _apply(self, request: SweepRequest, wanted: Wanted) -> None:
        """Bring the sweeper to what is wanted, and read back what it took."""
        sweep = self._profile.sweep
        told, self._told = self._told, {}
        changed = False
        for name, setting in self._profile.settings_in_order:
            commands = setting.send
            if name in wanted.settings and wanted.settings[name] is None:
                commands = setting.auto
            if commands is None:
                continue
            said = b"\n".join(command.render(wanted.values).data for command in commands)
            if sweep.resend == "always" or told.get(name) != said:
                came = self._talk.send(
                    commands,
                    setting.answer,
                    wanted.values,
                    points=request.points,
                    expect=setting.expect,
                )
                self._sent[name] = dict(came.sent)
                changed = True
            told[name] = said
        if sweep.check is not None and changed:
            self._talk.run(sweep.check, wanted.values, points=request.points)
        if changed or not self._is_read:
            self._is_read = False
            self._read_back(request, wanted)
            self._talk.wait(sweep.settle_s if changed else 0.0)
            self._is_read = True
        # What was told counts again only when all of it is done.
        self._told = told

    def _read_back(self, request: SweepRequest, wanted: Wanted) -> None:
        profile, points = self._profile, request.points
        self._read, self._span = {}, None
        for name, setting in profile.settings_in_order:
            if setting.read is None:
                continue
            text = self._talk.run(setting.read, wanted.values).text
            if name == "frequency":
                self._span = read_span(setting.read, text, points)
            elif name == "points":
                self._check_points(round(read_value(setting.read, text)), request)
            else:
                self._read[name] = read_setting(name, setting, text)
        ask = profile.timing.ask
        if ask is not None:
            self._asked_time_s = read_value(ask, self._talk.run(ask, wanted.values).text)
        if profile.sweep.axis.ask is not None:
            frame = self._talk.run(profile.sweep.axis.ask, wanted.values, points=points).frame
            form = replace(
                profile.sweep.values.format(), frequency_unit=profile.sweep.axis.unit, missing=()
            )
            self._asked_axis = decode_axis(frame.lines, form)

    def _check_points(self, took: int, request: SweepRequest) -> None:
        if took != request.points:
            limit = f"{took} (what it took)"
            raise RequestRefused(setting="points", asked=f"{request.points}", limit=limit)

    # --- a sweep ------------------------------------------------------------------------------

    def _take(
        self, wanted: Wanted, request: SweepRequest, until_s: float
    ) -> tuple[list[Frame], dict[str, float]]:
        """Start, wait, fetch: all answers, that with the levels last, and the numbers sent."""
        sweep, frames, sent = self._profile.sweep, list[Frame](), dict[str, float]()

        def run(table: CommandTable, timeout_s: float) -> None:
            said = self._talk.run(table, wanted.values, points=request.points, timeout_s=timeout_s)
            frames.append(said.frame)
            sent.update(said.sent)

        if sweep.start is not None:
            run(sweep.start, max(FETCH_LEAST_S, until_s - time.monotonic()))
        if sweep.poll is not None:
            self._wait_until_done(wanted, until_s)
        run(sweep.fetch, max(FETCH_LEAST_S, until_s - time.monotonic()))
        return frames, sent

    def _wait_until_done(self, wanted: Wanted, until_s: float) -> None:
        poll = self._profile.sweep.poll
        assert poll is not None
        while True:
            text = self._talk.send(
                poll.send, poll.answer, wanted.values, timeout_s=poll.timeout_s
            ).text
            if poll.expect.search(text):
                return
            if time.monotonic() > until_s:
                raise TransportTimeout(
                    f"{poll.send[-1].text}: the sweep is not done in time; it says {text[:60]!r}"
                )
            self._talk.wait(poll.every_s)

    def _decoded(self, frame: Frame) -> Decoded:
        return decode(frame.lines, frame.payload, self._profile.sweep.values.format())

    def _axis(
        self, decoded: Decoded, sent: Mapping[str, float], request: SweepRequest
    ) -> Float | None:
        source = self._profile.axis_source
        if source == "request":
            span = self._span or span_of(sent, request)
            return axis_to_give(span.frequencies_hz(), request)
        axis_hz = decoded.frequency_hz if source == "answer" else self._asked_axis
        assert axis_hz is not None
        if axis_hz.size != request.points:
            raise SweepInvalid(f"got {request.points} levels for {axis_hz.size} frequencies")
        check_axis(axis_hz, request, self._profile.sweep.axis.tolerance)
        return axis_to_give(axis_hz, request)

    def _finest(self, resolution: float | None) -> float | None:
        """The finest step so far: a trace without a digit where others have one lies on it too."""
        if resolution is not None and (self._step is None or resolution < self._step):
            self._step = resolution
        return None if resolution is None else self._step

    def _flags(self, frames: list[Frame]) -> SweepFlag:
        overload = self._profile.sweep.overload
        if overload is None:
            return NO_FLAGS
        lines = (line for frame in frames for line in (*frame.passed_over, *frame.lines))
        found = any(overload.search(line) for line in lines)
        return SweepFlag.OVERLOAD if found else NO_FLAGS

    # --- the source ---------------------------------------------------------------------------

    @contextmanager
    def _source_for(self, request: SweepRequest) -> Iterator[float | None]:
        """The source as the sweep asks for it, its level; off again in every way out."""
        source = request.source
        if source is None or self._profile.source is None:
            yield None
            return
        try:
            if source.on:
                yield self._source_on(source)
            else:
                self._source_off()
                yield None
        finally:
            if not self._talk.is_broken:
                self._source_off()

    def _source_on(self, request: SourceRequest) -> float | None:
        """Turn it on; the level that it was told."""
        source = self._profile.source
        assert source is not None
        names = frozenset(name for command in source.on for name in command.names)
        level_dbm = source.level_dbm if request.level_dbm is None else request.level_dbm
        if "source_level" not in names and level_dbm != source.level_dbm:
            raise RequestRefused(
                setting="source level",
                asked=f"{request.level_dbm:g} dBm",
                limit="one that cannot be set"
                if source.level_dbm is None
                else f"{source.level_dbm:g} dBm, which is fixed",
            )
        if request.frequency_hz is not None and "source_frequency" not in names:
            raise RequestRefused(
                setting="source frequency",
                asked=f"{request.frequency_hz:g} Hz",
                limit="that of the sweep, which it follows",
            )
        values = {"source_level": level_dbm, "source_frequency": request.frequency_hz}
        sent = self._talk.send(source.on, source.answer, values, expect=source.expect).sent
        try:
            self._talk.wait(source.settle_s)
        except SweeperError:
            self._talk.restart()
            self._source_off()
            raise
        return sent.get("source_level", level_dbm)

    def _hear_of_it(self, timeout_s: float | None = None) -> None:
        """Where the source is switched without an answer, one to something else says that the
        command was taken, not just sent."""
        profile = self._profile
        is_silent = profile.source is not None and profile.source.answer.kind == "none"
        if is_silent and not profile.talk.prompt:
            ask = profile.identify
            self._talk.send(ask.send, ask.answer, timeout_s=timeout_s or ask.timeout_s)

    def _source_off(self) -> None:
        source = self._profile.source
        if source is not None:
            self._talk.send(source.off, source.answer, expect=source.expect)
