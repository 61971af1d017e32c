"""Logs: readable lines on a terminal, one JSON object a line everywhere else."""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Callable, MutableMapping
from typing import Any

import structlog

from acqd.hidden import masked

__all__ = ["Worded", "set_up_logs", "set_up_worded_logs"]

Worded = Callable[[object, str, MutableMapping[str, Any]], str | None]
"""What a line of the log comes to in words, by its level and its event; None: it is not shown."""


def set_up_logs(*, verbose: bool = False, errors_only: bool = False) -> None:
    """Send structlog's events to standard error. Colour only on a terminal without NO_COLOR."""
    level = logging.DEBUG if verbose else logging.ERROR if errors_only else logging.INFO
    terminal = sys.stderr.isatty()
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
    ]
    if terminal or os.environ.get("ACQD_LOG") == "text":
        renderer: list[structlog.typing.Processor] = [
            structlog.processors.TimeStamper(fmt="%H:%M:%S", utc=False),
            structlog.dev.ConsoleRenderer(
                colors=terminal and "NO_COLOR" not in os.environ,
                pad_event_to=18,
                exception_formatter=structlog.dev.plain_traceback,
            ),
        ]
    else:
        renderer = [
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(ensure_ascii=False),
        ]
    renderer.append(_mask)
    structlog.configure(
        processors=[*shared, *renderer],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.WriteLoggerFactory(file=sys.stderr),
        cache_logger_on_first_use=True,
    )
    # What libraries say through the standard library's logging: only what is worth a night's log.
    _set_up_standard(logging.DEBUG if verbose else logging.ERROR)


def _mask(logger: object, name: str, line: Any) -> Any:
    """The whole line as it is written, so that no field and no traceback is forgotten."""
    return masked(line) if isinstance(line, str) else line


class _Masked(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        return masked(super().format(record))


def _set_up_standard(level: int) -> None:
    handler = logging.StreamHandler()
    handler.setFormatter(_Masked("%(name)s: %(message)s"))
    logging.basicConfig(level=level, handlers=[handler])


def set_up_worded_logs(worded: Worded, write: Callable[[str], None]) -> None:
    """Show structlog's events as ``worded`` has them, and leave out the others."""

    def show(
        logger: object, name: str, event: MutableMapping[str, Any]
    ) -> MutableMapping[str, Any]:
        text = worded(logger, name, event)
        if text is not None:
            write(masked(text))
        raise structlog.DropEvent

    structlog.configure(
        processors=[structlog.contextvars.merge_contextvars, show],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.WriteLoggerFactory(file=sys.stderr),
        cache_logger_on_first_use=True,
    )
    _set_up_standard(logging.ERROR)
