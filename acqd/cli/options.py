"""Options of a sweeper on a command line."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from typing import Any

from acqd.errors import WrongUsage

__all__ = ["option_values"]


def option_values(texts: Sequence[str]) -> dict[str, Any]:
    """Options from texts such as ``baud=9600``; values as in TOML, or plain words.

    Raises:
        WrongUsage: one of them is no pair, or a key is there twice.
    """
    found: dict[str, Any] = {}
    for text in texts:
        key, equals, value = text.partition("=")
        key = key.strip()
        if not equals or not key:
            raise WrongUsage(f"--option: expected KEY=VALUE, such as baud=9600, got {text!r}")
        if key in found:
            raise WrongUsage(f"--option: {key} is there twice")
        try:
            found[key] = tomllib.loads(f"value = {value}")["value"]
        except tomllib.TOMLDecodeError:
            # A word without quotation marks, which a shell would have taken away.
            found[key] = value.strip()
    return found
