"""Moments on the command line."""

from __future__ import annotations

from datetime import datetime

import click

__all__ = ["moment"]


def moment(ctx: click.Context, option: click.Parameter, text: str | None) -> datetime | None:
    """A moment as people write it, for ``callback=``.

    Raises:
        click.BadParameter: it is none, or has no zone.
    """
    if text is None:
        return None
    found: datetime | None = None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        pass
    if found is None or found.tzinfo is None:
        raise click.BadParameter(
            f"{text!r} is no moment; expected ISO 8601 with a zone, such as 2026-06-01T21:00Z"
        )
    return found
