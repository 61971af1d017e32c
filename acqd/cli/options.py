"""Options that several commands take: the config, and a sweeper's own."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Callable, Sequence
from typing import Any

import click

from acqd.errors import WrongUsage

__all__ = ["option_values", "takes_config"]


def takes_config(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command its ``config``, as the argument CONFIG or as ``--config``."""

    @click.argument("config", required=False, type=click.Path())
    @click.option("--config", "also", metavar="CONFIG", type=click.Path(), help="As CONFIG.")
    @functools.wraps(command)
    def taking(*, config: str | None, also: str | None, **given: Any) -> None:
        if config is not None and also is not None and config != also:
            raise click.UsageError(f"which config: {config} or {also}? give one of the two")
        command(config=also if config is None else config, **given)

    return taking


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
