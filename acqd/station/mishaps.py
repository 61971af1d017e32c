"""Tells what the archive met and put right as far as can be: damaged files, a ledger made anew."""

from __future__ import annotations

import structlog

from acqd.archive.setaside import LEDGER_REBUILT
from acqd.archive.writer import ArchiveWriter
from acqd.station.watch import StationFindings

__all__ = ["tell_mishaps"]


async def tell_mishaps(archive: ArchiveWriter, findings: StationFindings) -> None:
    """A finding of the station each. What is met just before a kill is told by ``acqd verify``."""
    log = structlog.get_logger()
    for mishap in archive.take_mishaps():
        log.error(mishap.what, text=mishap.text)
        if mishap.what == LEDGER_REBUILT:
            await findings.tell("ledger_rebuilt", mishap.text, mishap.figures)
        else:
            await findings.tell("file_damaged", mishap.text, mishap.figures)
