"""What ``acqd profile learn`` does with its options: consent, questions, the file, the check."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from acqd.config.problems import Text, printable
from acqd.config.quantity import (
    DURATION,
    QuantityError,
    parse_frequency_range,
    parse_quantity,
)
from acqd.config.reading import parse_toml
from acqd.errors import ConfigError, WrongUsage
from acqd.sweep import SweepRequest
from acqd_lines.check import NONSENSE, Check
from acqd_lines.check_command import address_of, connected, link_options
from acqd_lines.check_show import step_lines
from acqd_lines.check_steps import Outcome
from acqd_lines.learn import Learner, NotLearnt, Plan, carrier_of, lines_to_send, swept_of
from acqd_lines.learn_ear import Ear
from acqd_lines.learn_write import Learnt, Unwritable, profile_text
from acqd_lines.profile import Profile, parse_profile

__all__ = ["run_learn"]

LEARNT_SETTINGS = ("frequency", "points")
"""What is set while learning; other settings are added by hand, with what they take."""

WARNING = """\
This will open {address} and send it lines that nobody knows the effect of.
  - An unknown device may be set off by them: a printer prints, a transmitter may key, a motor may
    run, a modem may dial. Make sure that it is the sweeper that is at this port.
  - Disconnect transmitters and everything that could be keyed. What you connect to the input must
    be far below what it stands: use pads, and mind the manual's absolute maximum.
  - If it has a source of its own, take the cable off its output.
It will first listen for {pause_s:g} s, then send these questions, with up to three line ends:
  {questions}
After that it sends only lines that you give: those for range and points, and the sweep, twice.
At last it tries the profile: the same lines again, and {nonsense}, to see an error.
"""


class _Asks:
    """Questions to the user: options first, then the terminal; without one, what was suggested."""

    def __init__(self, options: Mapping[str, str | None], *, take_first: bool) -> None:
        self._options = options
        self._take_first = take_first
        self._is_terminal = sys.stdin.isatty()

    def text(self, key: str, question: str, default: str | None = None) -> str:
        given = self._options.get(key)
        if given is not None:
            return given
        if default is not None and (self._take_first or not self._is_terminal):
            return default
        if not self._is_terminal:
            raise WrongUsage(f"{key} is needed where nobody can be asked: {question}")
        answer: str = click.prompt(question, default=default, err=True, type=str)
        return answer.strip()


def run_learn(given: Mapping[str, Any]) -> int:
    """The command; its exit code.

    Raises:
        WrongUsage: an option that cannot be read, or consent that cannot be asked for.
        TransportError: the port cannot be opened, or the link broke.
    """
    address = address_of(given["port"])
    out = None if given["out"] is None else Path(given["out"])
    if out is not None and out.exists():
        raise WrongUsage(f"--out: {out} is there already; another name, or remove it first")
    plan = _plan(given)
    link_given = link_options(given["options"])
    _consent(address, plan, given["yes"])
    asks = _Asks({"--choose": given["choose"]}, take_first=given["yes"])
    try:
        link = connected(address, link_given)
        try:
            learnt = Learner(Ear(link, quiet_s=plan.quiet_s), plan, asks, _say).run()
        finally:
            link.close()
        text = profile_text(_dated(learnt))
    except (NotLearnt, Unwritable) as exc:
        _say(f"acqd: {address}: {exc}")
        return 1
    name = str(out) if out is not None else "the profile"
    try:
        profile = parse_profile(text, name)
    except ConfigError as exc:
        _say(f"what was learnt does not hold together yet:\n{exc}")
        _write(out, text)
        return 1
    _write(out, text)
    if given["no_check"]:
        return 0
    return _checked(profile, parse_toml(name, text)[1], learnt, address, link_given)


def _say(text: str) -> None:
    """Lines for people; what a sweeper put among them must not steer their terminal."""
    click.echo("\n".join(printable(line) for line in text.split("\n")), err=True)


def _consent(address: str, plan: Plan, yes: bool) -> None:
    questions = "  ".join(lines_to_send(plan))
    _say(
        WARNING.format(
            address=address, pause_s=plan.pause_s, questions=questions, nonsense=NONSENSE
        )
    )
    if yes:
        return
    if not sys.stdin.isatty():
        raise WrongUsage("nobody can be asked for consent here; --yes gives it")
    if not click.confirm("Go on?", default=False, err=True):
        raise click.Abort


def _write(out: Path | None, text: str) -> None:
    if out is None:
        click.echo(text, nl=False)
        return
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as exc:
        # What was learnt must not be lost to a wrong name.
        click.echo(text, nl=False)
        raise WrongUsage(
            f"--out: {out} cannot be written: {exc.strerror}; the profile is above"
        ) from exc
    _say(f"the profile is in {out}")


def _dated(learnt: Learnt) -> Learnt:
    from dataclasses import replace

    return replace(learnt, date=datetime.now(UTC).date().isoformat())


def _checked(
    profile: Profile, places: Text, learnt: Learnt, address: str, options: Mapping[str, Any]
) -> int:
    """Hold the new profile against the sweeper, with the same sweep."""
    _say("trying the profile:")
    swept = learnt.swept
    request = SweepRequest(start_hz=swept.start_hz, stop_hz=swept.stop_hz, points=swept.points)
    given = {**profile.link.as_options(), **options}
    check = Check(profile, places, request, lambda: connected(address, given))
    wrong = False
    for step in check.run():
        lines = list(step_lines(step))
        _say("\n".join(lines if step.outcome is Outcome.DIFFERS else lines[:1]))
        wrong = wrong or step.outcome is Outcome.DIFFERS
    if wrong:
        _say("it does not match yet: mend it by hand, then acqd profile check")
        return 1
    _say("it matches; what is marked GUESS in it wants a look")
    return 0


# --- options --------------------------------------------------------------------------------------


def _plan(given: Mapping[str, Any]) -> Plan:
    try:
        swept = None
        if given["swept"] is not None:
            swept = swept_of(given["swept"], given["points"] or "101")
        return Plan(
            tries=tuple(_line("--try", text) for text in given["tries"]),
            end=given["end"],
            identify=given["identify"] and _line("--identify", given["identify"]),
            sets=_sets(given["sets"]),
            sweeps=tuple(_line("--sweep", text) for text in given["sweeps"]),
            swept=swept,
            carriers=tuple(carrier_of(text) for text in given["carriers"]),
            peaks=tuple(_count("--peak", text) for text in given["peaks"]),
            limits=None if given["limits"] is None else parse_frequency_range(given["limits"]),
            points_limits=_points_limits(given["points_limits"]),
            link=link_options(given["options"]),
            pause_s=_duration("--pause", given["pause"]),
            wait_s=_duration("--wait", given["wait"]),
            sweep_wait_s=_duration("--sweep-wait", given["sweep_wait"]),
        )
    except NotLearnt as exc:
        raise WrongUsage(str(exc)) from exc
    except QuantityError as exc:
        raise WrongUsage(f"--limits: {exc}") from exc


def _line(option: str, text: str) -> str:
    if not text or any(ord(letter) > 0xFF or letter in "\r\n" for letter in text):
        raise WrongUsage(f"{option}: expected one line without its end, got {text!r}")
    return text


def _sets(texts: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """The lines of each setting, in the order in which they were given."""
    found: dict[str, tuple[str, ...]] = {}
    for text in texts:
        name, equals, line = text.partition("=")
        if not equals or name not in LEARNT_SETTINGS:
            raise WrongUsage(
                f"--set: expected NAME=LINE with one of {', '.join(LEARNT_SETTINGS)}, got {text!r}"
            )
        found[name] = (*found.get(name, ()), _line("--set", line))
    return found


def _count(option: str, text: str) -> int:
    if not text.isdecimal():
        raise WrongUsage(f"{option}: expected a whole number, got {text!r}")
    return int(text)


def _points_limits(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    least, dots, most = text.partition("..")
    if (
        not dots
        or not least.isdecimal()
        or not most.isdecimal()
        or not 1 <= int(least) <= int(most)
    ):
        raise WrongUsage(f"--points-limits: expected LEAST..MOST, such as 51..1001, got {text!r}")
    return int(least), int(most)


def _duration(option: str, text: str) -> float:
    try:
        seconds = parse_quantity(text, DURATION)
    except QuantityError as exc:
        raise WrongUsage(f"{option}: {exc}") from exc
    if not 0.01 <= seconds <= 3600.0:
        raise WrongUsage(f"{option}: expected 10 ms to 1 h, got {text}")
    return float(seconds)
