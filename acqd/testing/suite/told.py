"""What the command line of the suite says, read and checked."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, cast, get_args

import pytest

from acqd.drivers.isolation import Way
from acqd.drivers.registry import DriverEntry, load_drivers
from acqd.errors import PluginError

__all__ = ["Told"]


LEVEL_MOST_DBM: Final = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What to test, and with what."""

    entry: DriverEntry
    address: str
    options: Mapping[str, Any]
    start_hz: float | None
    stop_hz: float | None
    points: int | None
    rbw_hz: float | None
    sweeps: int
    endurance_s: float
    patience_s: float
    deadline_s: float
    unplug_by: str | None
    source_dbm: float | None
    source_seen_by: str | None
    levels_vary: bool
    relay: bool
    isolation: Way

    @classmethod
    def of(cls, config: pytest.Config) -> Told | None:
        """All of it; None where no driver is named.

        Raises:
            pytest.UsageError: something cannot be read, or is nothing there is; says what.
        """
        get = config.getoption
        name = get("driver")
        if not name:
            if get("address"):
                raise pytest.UsageError("--address needs --driver NAME as well")
            return None
        registry = load_drivers()
        try:
            registry.make(name)
        except PluginError as error:
            raise pytest.UsageError(f"--driver: {error}") from error
        if not get("address"):
            raise pytest.UsageError("--driver needs --address ADDRESS as well")
        if (get("start") is None) is not (get("stop") is None):
            raise pytest.UsageError("--start and --stop go together")
        start_hz, stop_hz = _frequency(get("start"), "--start"), _frequency(get("stop"), "--stop")
        if start_hz is not None and stop_hz is not None and not start_hz < stop_hz:
            raise pytest.UsageError("--stop must be above --start")
        points = get("points")
        return cls(
            entry=registry.drivers[name],
            address=get("address"),
            options=_options(get("options"), get("option")),
            start_hz=start_hz,
            stop_hz=stop_hz,
            points=None if points is None else _whole(points, "--points", low=2),
            rbw_hz=_frequency(get("rbw"), "--rbw"),
            sweeps=_whole(get("sweeps") or "1000", "--sweeps", low=50),
            endurance_s=_number(get("endurance") or "60", "--endurance"),
            patience_s=_number(get("patience") or "10", "--patience"),
            deadline_s=_number(get("deadline") or "30", "--deadline"),
            unplug_by=get("unplug_by"),
            source_dbm=_level(get("source_dbm")),
            source_seen_by=get("source_seen_by"),
            levels_vary=not get("same_levels"),
            relay=not get("no_relay"),
            isolation=_way(get("isolation") or "thread"),
        )


def _way(text: str) -> Way:
    if text not in get_args(Way):
        raise pytest.UsageError(f"--isolation {text}: expected thread or process")
    return cast(Way, text)


def _frequency(text: str | None, name: str) -> float | None:
    from acqd.config.quantity import FREQUENCY, QuantityError, parse_quantity

    if text is None:
        return None
    try:
        return parse_quantity(text, FREQUENCY)
    except QuantityError as error:
        raise pytest.UsageError(f"{name}: {error}") from error


def _level(text: str | None) -> float | None:
    """In dBm; the unit may be left out, as the option names it."""
    if text is None:
        return None
    wanted = f"--source-dbm {text}: expected a level in dBm, such as --source-dbm=-20"
    try:
        level_dbm = float(text.lower().removesuffix("dbm").replace("−", "-").replace("_", "x"))
    except ValueError as error:
        raise pytest.UsageError(wanted) from error
    # Infinite, it would allow whatever the source has.
    if not abs(level_dbm) <= LEVEL_MOST_DBM:
        raise pytest.UsageError(wanted)
    return level_dbm


def _whole(text: str, name: str, *, low: int) -> int:
    try:
        value = int(text)
    except ValueError:
        value = low - 1
    if value < low:
        raise pytest.UsageError(f"{name} {text}: expected a whole number from {low} on")
    return value


def _number(text: str, name: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value < 1e6:
        raise pytest.UsageError(f"{name} {text}: expected a number of seconds above 0")
    return value


def _options(file: str | None, pairs: list[str]) -> dict[str, Any]:
    """The options of the file, then those given one by one."""
    found: dict[str, Any] = {}
    if file is not None:
        try:
            found = tomllib.loads(Path(file).read_text("utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise pytest.UsageError(f"--options {file}: {error}") from error
    for pair in pairs:
        key, is_pair, text = pair.partition("=")
        if not is_pair or not key:
            raise pytest.UsageError(f"--option {pair}: expected KEY=VALUE, such as baud=9600")
        try:
            found[key.strip()] = tomllib.loads(f"value = {text}")["value"]
        except tomllib.TOMLDecodeError:
            # A word without quotation marks, which a shell would have taken away.
            found[key.strip()] = text
    return found
