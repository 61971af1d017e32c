"""The running station's side of amendments, pins and taking back: checked, stored, acted upon."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

import structlog

from acqd.archive.amendments import KIND as CHAIN
from acqd.archive.amendments import amendment_of
from acqd.archive.ledger import PIN, UNDO, Overlay
from acqd.archive.reader import open_archive
from acqd.archive.timing import BY_WORD, correction_of
from acqd.archive.timing import KIND as TIME
from acqd.archive.writer import ArchiveWriter
from acqd.errors import ArchiveDamaged, WrongUsage
from acqd.station.amending import still_described
from acqd.station.job import JobRunner
from acqd.station.noting import instead_of, note_text, to_undo
from acqd.station.references import references_in

__all__ = ["keep_overlay"]


async def keep_overlay(
    archive: ArchiveWriter,
    jobs: Mapping[str, JobRunner],
    *,
    kind: str,
    body: Mapping[str, Any],
    job: str | None,
    from_s: float | None,
    to_s: float | None,
    who: str,
) -> dict[str, Any]:
    """Store one, and let the station's jobs know where that matters to them.

    Returns: its number, and what there is to say to it.

    Raises:
        WrongUsage: it is none that a person makes, or not as it has to be.
    """
    undone = None
    if kind == UNDO:
        undone = await _undone(archive, body)
        job, body = undone.job, {"undoes": undone.id, "reason": str(body.get("reason", ""))}
    else:
        body = _checked(kind, body, job)
    stored = archive.add_overlay(kind, body=body, who=who, job=job, from_s=from_s, to_s=to_s)
    number = await asyncio.wrap_future(stored)
    structlog.get_logger().info("overlay_stored", kind=kind, number=number, job=job, who=who)
    said = await _acted(archive, jobs, kind, job, number, undone)
    return {"number": number, "said": said}


async def _undone(archive: ArchiveWriter, body: Mapping[str, Any]) -> Overlay:
    number = body.get("undoes")
    if not isinstance(number, int) or isinstance(number, bool):
        raise WrongUsage(f"`undoes` of the request is {number!r}; a number belongs there")
    return to_undo(await _all(archive, undone=True), number)


async def _all(archive: ArchiveWriter, *, undone: bool) -> list[Overlay]:
    """All overlays; read beside the loop, since a disk may be slow."""
    return await asyncio.to_thread(lambda: open_archive(archive.root).overlays(undone=undone))


def _checked(kind: str, body: Mapping[str, Any], job: str | None) -> dict[str, Any]:
    if kind == PIN:
        return {"text": note_text(str(body["text"]))} if body.get("text") else {}
    if kind == TIME:
        return _checked_time(body)
    if kind != CHAIN:
        raise WrongUsage(f"an overlay of kind {kind!r} cannot be asked for")
    if not job:
        raise WrongUsage("an amendment of a chain is of one job; name it")
    made = {"changes": body.get("changes"), "reason": note_text(str(body.get("reason", "")))}
    trial = Overlay(id=0, kind=CHAIN, job=job, from_s=None, to_s=None, body=made, who="", at_s=0.0)
    try:
        amendment_of(trial)
    except ArchiveDamaged as exc:
        why = _why(exc.__cause__, "`changes` is a list of tables with `do` and what it needs")
        raise WrongUsage(f"the amendment is not as it has to be: {why}") from exc
    return made


def _checked_time(body: Mapping[str, Any]) -> dict[str, Any]:
    trial = Overlay(id=0, kind=TIME, job=None, from_s=None, to_s=None, body=body, who="", at_s=0.0)
    try:
        made = correction_of(trial)
    except ArchiveDamaged as exc:
        why = _why(exc.__cause__, "`pieces` is a list of tables of numbers; `uncertainty_s` is one")
        raise WrongUsage(f"the correction is not as it has to be: {why}") from exc
    return {**made.to_body(), "how": BY_WORD, "reason": made.reason and note_text(made.reason)}


def _why(cause: BaseException | None, form: str) -> str:
    """A program may send anything here: what is wrong, without what Python calls it."""
    if isinstance(cause, KeyError):
        return f"`{cause.args[0]}` is missing"
    if isinstance(cause, TypeError):
        return f"a value in it is of another type than belongs there; {form}"
    return str(cause)


async def _acted(
    archive: ArchiveWriter,
    jobs: Mapping[str, JobRunner],
    kind: str,
    job: str | None,
    number: int,
    undone: Overlay | None,
) -> list[str]:
    said: list[str] = []
    runner = None if job is None else jobs.get(job)
    if kind == CHAIN and runner is not None:
        # Of this one alone: what was said of earlier ones was said when they were made.
        mine = [one for one in await _all(archive, undone=False) if one.id == number]
        said += still_described(mine, runner.name, runner.spec.facts.chain)
    if undone is not None and runner is not None:
        await _references_anew(archive, runner)
    if undone is not None:
        told = instead_of(await _all(archive, undone=False), undone)
        said += [] if told is None else [told]
    for sentence in said:
        structlog.get_logger().warning("after_overlay", job=job, text=sentence)
    return said


async def _references_anew(archive: ArchiveWriter, runner: JobRunner) -> None:
    """Later sweeps are compared with the references that stand, and with no others."""
    overlays = await _all(archive, undone=False)
    stand = references_in(overlays).get(runner.name, {})
    # Not between what a pass was told and what its sweeps are kept with.
    async with runner.lock:
        for role in list(runner.references):
            if role not in stand:
                runner.forget_reference(role)
        for role, record in stand.items():
            known = runner.references.get(role)
            if known is None or known.to_body() != record.to_body():
                runner.refer_to(record)
