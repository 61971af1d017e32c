"""Tells what the archive met and put right as far as can be: damaged files, a ledger made anew."""

from __future__ import annotations

import asyncio

import structlog

from acqd.archive.setaside import LEDGER_REBUILT
from acqd.archive.writer import ArchiveWriter
from acqd.station.watch import StationFindings

__all__ = ["tell_mishaps"]


async def tell_mishaps(archive: ArchiveWriter, findings: StationFindings) -> None:
    """A finding of the station each. What a kill keeps from being told is told after it."""
    log = structlog.get_logger()
    mishaps = archive.take_mishaps()
    for mishap in mishaps:
        log.error(mishap.what, text=mishap.text)
        if mishap.what == LEDGER_REBUILT:
            await findings.tell("ledger_rebuilt", mishap.text, mishap.figures)
        else:
            await findings.tell("file_damaged", mishap.text, mishap.figures)
    if mishaps:
        await asyncio.to_thread(archive.mishaps_told, mishaps)
