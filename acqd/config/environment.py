"""Which variables of the environment a config names: they hold passwords."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import Any

from acqd.config.whole import StationConfig
from acqd.hidden import holds_secret

__all__ = ["forget_secrets", "secrets_named"]


def secrets_named(config: StationConfig) -> tuple[str, ...]:
    """The variables of the environment that the config names: a service has none of a shell's, and
    a driver has no business with them."""
    found: list[str] = []

    def walk(value: Any) -> None:
        if isinstance(value, Mapping):
            for key, inner in value.items():
                if isinstance(inner, str) and (key == "env" or str(key).endswith("_env")):
                    found.append(inner)
                walk(inner)
        elif isinstance(value, Sequence) and not isinstance(value, str):
            for inner in value:
                walk(inner)

    walk(config.mqtt.model_dump(by_alias=True))
    for sweeper in config.sweepers.values():
        walk({key: one for key, one in sweeper.options.items() if holds_secret(key)})
    for way in config.ways.values():
        walk(way.model_dump(by_alias=True))
    return tuple(dict.fromkeys(found))


def forget_secrets(config: StationConfig) -> None:
    """Take the variables that ``config`` names out of this process's environment, once they have
    been read: so no program that it starts is given them.

    Limit: what the process was started with stays to be seen by its own user and root (Linux:
    /proc/PID/environ).
    """
    for name in secrets_named(config):
        os.environ.pop(name, None)
