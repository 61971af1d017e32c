"""What does not fit between the tables of a profile, though each is right by itself. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from acqd.config.lines import Path
from acqd.config.problems import near_miss
from acqd.config.quantity import DIFFERENCE, DURATION, FREQUENCY, LEVEL, Dimension
from acqd_lines.placeholders import KINDS, UNITS_BY_KIND, Command
from acqd_lines.tables import (
    SETTINGS,
    AnswerTable,
    CommandTable,
    ReadTable,
    SettingTable,
)

if TYPE_CHECKING:
    from acqd_lines.profile import Profile

__all__ = ["ACROSS", "Finding", "findings_of"]

ACROSS: Final = frozenset({"start", "stop", "centre", "span", "step", "points", "steps"})
"""Placeholders that every sweep has a value for."""

SOURCE: Final = frozenset({"source_level", "source_frequency"})

READ_KINDS: Final[dict[str, Dimension | None]] = {
    "frequency": FREQUENCY,
    "points": None,
    "rbw": FREQUENCY,
    "vbw": FREQUENCY,
    "detector": None,
    "attenuation": DIFFERENCE,
    "reference_level": LEVEL,
    "averages": None,
    "sweep_time": DURATION,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that does not fit, and where to point."""

    path: Path
    problem: str
    accepted: str


def findings_of(profile: Profile) -> Iterator[Finding]:
    """Everything that does not fit."""
    for path, commands, allowed in _commands(profile):
        for place, command in enumerate(commands):
            where = (*path, place) if len(commands) > 1 else path
            yield from _unfit(profile, where, command, allowed)
    yield from _answers(profile)
    yield from _values(profile)
    yield from _reach(profile)
    yield from _settings(profile)
    yield from _order(profile)


# --- commands -----------------------------------------------------------------------------------


def _commands(profile: Profile) -> Iterator[tuple[Path, tuple[Command, ...], frozenset[str]]]:
    """Every command with its place and the placeholders that it may have."""
    optional = frozenset(SETTINGS) - {"frequency"}
    any_of_sweep = ACROSS | optional
    yield ("identify", "send"), profile.identify.send, frozenset()
    for name, setting in profile.setting.given().items():
        path = ("setting", name)
        if setting.send is not None:
            yield (*path, "send"), setting.send, any_of_sweep
        if setting.auto is not None:
            yield (*path, "auto"), setting.auto, ACROSS
        if setting.read is not None:
            yield (*path, "read", "send"), setting.read.send, frozenset()
    sweep = profile.sweep
    for key, table in (
        ("check", sweep.check),
        ("start", sweep.start),
        ("poll", sweep.poll),
        ("fetch", sweep.fetch),
    ):
        if table is not None:
            yield ("sweep", key, "send"), table.send, any_of_sweep
    if sweep.axis.ask is not None:
        yield ("sweep", "axis", "ask", "send"), sweep.axis.ask.send, any_of_sweep
    if profile.timing.ask is not None:
        yield ("timing", "ask", "send"), profile.timing.ask.send, any_of_sweep
    if profile.source is not None:
        yield ("source", "on"), profile.source.on, ACROSS | SOURCE
        yield ("source", "off"), profile.source.off, frozenset()


def _unfit(
    profile: Profile, path: Path, command: Command, allowed: frozenset[str]
) -> Iterator[Finding]:
    own = str(path[1]) if path[0] == "setting" else ""
    for part in command.placeholders:
        shown = f"`{{{part.name}}}`"
        if part.name not in allowed:
            known = ", ".join(f"{{{name}}}" for name in KINDS if name in allowed)
            yield Finding(
                path=path,
                problem=f"{shown} has no value here",
                accepted=known or "a command without placeholders",
            )
            continue
        setting = profile.setting.given().get(part.name)
        words = bool(setting and setting.words_by_value)
        if KINDS[part.name] is not None and not part.unit and not words:
            units = UNITS_BY_KIND[part.name]
            yield Finding(
                path=path,
                problem=f"{shown} does not say what the sweeper counts it in",
                accepted=f"a unit, such as {{{part.name}:{units[0]}}} (of {', '.join(units)})",
            )
        if words and part.unit:
            yield Finding(
                path=path,
                problem=f"{shown} has a unit, and [setting.{part.name}] has words for it",
                accepted=f"{shown}, which is then one of the words",
            )
        if part.name in SETTINGS and part.name != "points" and part.name != own:
            has_default = setting is not None and setting.default_value is not None
            if not has_default:
                yield Finding(
                    path=path,
                    problem=f"{shown} has no value where a job asks for none",
                    accepted=f"a [setting.{part.name}] with a `default`",
                )


# --- answers ------------------------------------------------------------------------------------


def _answer_tables(profile: Profile) -> Iterator[tuple[Path, AnswerTable]]:
    tables: list[tuple[Path, CommandTable | SettingTable | None]] = [
        (("identify",), profile.identify),
        (("sweep", "check"), profile.sweep.check),
        (("sweep", "start"), profile.sweep.start),
        (("sweep", "poll"), profile.sweep.poll),
        (("sweep", "fetch"), profile.sweep.fetch),
        (("sweep", "axis", "ask"), profile.sweep.axis.ask),
        (("timing", "ask"), profile.timing.ask),
    ]
    for name, setting in profile.setting.given().items():
        tables.append((("setting", name), setting))
        tables.append((("setting", name, "read"), setting.read))
    for path, table in tables:
        if table is not None:
            yield (*path, "answer"), table.answer
    if profile.source is not None:
        yield ("source", "answer"), profile.source.answer


def _answers(profile: Profile) -> Iterator[Finding]:
    for path, answer in _answer_tables(profile):
        endless = answer.kind == "lines" and answer.count is None and answer.end is None
        if endless and not profile.talk.prompt:
            yield Finding(
                path=path,
                problem="nothing says where the lines end",
                accepted="`count`, `end`, or a `prompt` in [talk]",
            )
        if answer.kind == "block" and path[:2] != ("sweep", "fetch"):
            yield Finding(
                path=path,
                problem="only the levels may come as a block",
                accepted='kind = "line" or "lines"',
            )


def _values(profile: Profile) -> Iterator[Finding]:
    sweep = profile.sweep
    is_block = sweep.fetch.answer.kind == "block"
    is_binary = sweep.values.type != "text"
    if is_block and not is_binary:
        yield Finding(
            path=("sweep", "fetch", "answer"),
            problem="a block of text: nothing says how the values are coded",
            accepted='[sweep.values] with type = "i16" or another binary type',
        )
    has_frequencies = "frequency" in sweep.values.columns
    if sweep.axis.source == "answer" and not has_frequencies:
        yield Finding(
            path=("sweep", "axis", "source"),
            problem="there are no frequencies in the answer",
            accepted='[sweep.values] with a column "frequency"',
        )
    if has_frequencies and sweep.axis.source in ("request", "asked"):
        yield Finding(
            path=("sweep", "axis", "source"),
            problem="there are frequencies in the answer, and they would not be looked at",
            accepted='source = "answer", or "-" in place of the column "frequency"',
        )


def _reach(profile: Profile) -> Iterator[Finding]:
    """Whether the sweeper is told what to sweep at all."""
    told = profile.told
    wholes = ({"start", "stop"}, {"centre", "span"}, {"start", "span"}, {"start", "step"})
    if not any(whole <= told for whole in wholes) and profile.axis_source == "request":
        yield Finding(
            path=("sweep", "fetch", "send"),
            problem="nothing tells the sweeper which frequencies to sweep",
            accepted="{start} and {stop}, or {centre} and {span}, here or in [setting.frequency]",
        )
    limits = profile.limits
    if not {"points", "steps", "step"} & told and limits.points_min != limits.points_max:
        yield Finding(
            path=("limits", "points_max"),
            problem="nothing tells the sweeper how many points to take",
            accepted="{points} in a command, or `points_min` and `points_max` that are the same",
        )


# --- settings -----------------------------------------------------------------------------------


def _settings(profile: Profile) -> Iterator[Finding]:
    for name, setting in profile.setting.given().items():
        path = ("setting", name)
        if setting.send is None and (setting.auto is not None or setting.expect is not None):
            key = "auto" if setting.auto is not None else "expect"
            yield Finding(
                path=(*path, key), problem=f"`{key}` without `send`", accepted="both, or neither"
            )
        own = {"frequency": ACROSS, "points": frozenset({"points", "steps"})}
        if setting.send is not None and not own.get(name, frozenset({name})) & {
            each for command in setting.send for each in command.names
        }:
            yield Finding(
                path=(*path, "send"),
                problem="there is nothing of it in the command",
                accepted="a command with {start:MHz}" if name == "frequency" else f"{{{name}}}",
            )
        default = setting.default_value
        if name not in own and default is None and setting.auto is None:
            yield Finding(
                path=path,
                problem="nothing says what it is where a job asks for none",
                accepted="`default`, or `auto` that leaves it to the sweeper",
            )
        if default is not None and setting.words_by_value and setting.word_of(default) is None:
            yield Finding(
                path=(*path, "default"),
                problem="there is no word for it",
                accepted="one of the keys of `words`",
            )
        if setting.read is not None:
            yield from _read(name, (*path, "read"), setting, setting.read)
    if profile.timing.ask is not None:
        yield from _unit(("timing", "ask"), profile.timing.ask, DURATION)
        yield from _groups(("timing", "ask"), profile.timing.ask, ({"value"},))


def _read(name: str, path: Path, setting: SettingTable, read: ReadTable) -> Iterator[Finding]:
    wanted: tuple[set[str], ...] = ({"value"},)
    if name == "frequency":
        wanted = ({"start", "stop"}, {"centre", "span"}, {"start", "span"})
    yield from _groups(path, read, wanted)
    yield from _unit(path, read, None if setting.words_by_value else READ_KINDS[name])


def _groups(path: Path, read: ReadTable, wanted: tuple[set[str], ...]) -> Iterator[Finding]:
    if not any(groups <= read.expect.groups for groups in wanted):
        yield Finding(
            path=(*path, "expect"),
            problem="a pattern without a group for what is read",
            accepted=" or ".join(
                " and ".join(f"(?P<{group}>…)" for group in sorted(groups)) for groups in wanted
            ),
        )


def _unit(path: Path, read: ReadTable, kind: Dimension | None) -> Iterator[Finding]:
    units = () if kind is None else tuple(kind.units)
    if kind is None and read.unit:
        yield Finding(
            path=(*path, "unit"), problem="what is read here has no unit", accepted="no `unit`"
        )
    elif kind is not None and read.unit not in units:
        problem = f"unknown unit `{read.unit}`{near_miss(read.unit, units)}"
        yield Finding(
            path=(*path, "unit"),
            problem=problem if read.unit else "nothing says what the answer is counted in",
            accepted=f"`unit`, one of {', '.join(units)}",
        )


def _order(profile: Profile) -> Iterator[Finding]:
    order, given = profile.sweep.order, profile.setting.given()
    path = ("sweep", "order")
    for place, name in enumerate(order):
        if name not in SETTINGS:
            yield Finding(
                path=(*path, place),
                problem=f"unknown setting `{name}`{near_miss(name, SETTINGS)}",
                accepted=", ".join(SETTINGS),
            )
    missing = [name for name, one in given.items() if one.send and name not in order]
    if missing or len(set(order)) < len(order):
        problem = f"`{missing[0]}` is not among them" if missing else "one of them is there twice"
        yield Finding(path=path, problem=problem, accepted="each setting that is sent, once")
