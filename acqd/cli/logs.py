"""Logs: readable lines on a terminal, one JSON object a line everywhere else."""

from __future__ import annotations

import logging
import os
import sys

import structlog

__all__ = ["set_up_logs"]


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
    structlog.configure(
        processors=[*shared, *renderer],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.WriteLoggerFactory(file=sys.stderr),
        cache_logger_on_first_use=True,
    )
    # What libraries say through the standard library's logging: only what is worth a night's log.
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.ERROR, format="%(name)s: %(message)s"
    )
