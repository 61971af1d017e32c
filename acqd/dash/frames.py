"""What one viewer asks for, and the frame that answers: the newest first, nothing ever queued.

For a viewer only is remembered what it was sent of the one job it looks at: a number for each of
600 columns. What it has not got yet is found anew for each frame, so a viewer on a slow link gets
fewer frames, each with the newest, and the memory for it stays the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from pydantic_core import from_json

from acqd.dash.job import Job, as_json
from acqd.dash.reading import NotUnderstood, is_level, number, whole
from acqd.dash.sheet import BINS, SPANS_S, Columns, Sheet
from acqd.dash.state import State

__all__ = ["ASK_MOST_BYTES", "Ask", "Viewer", "read_ask"]

ASK_MOST_BYTES = 4096
COLUMNS_LIVE = 40
COLUMNS_MOST = 300
FINDINGS_A_FRAME = 100

NO_SWEEP = "no sweep has come since this page's server was started; the next one is shown"

QUICK_S = 0.3
"""A viewer that asks again so soon has room for more history in one frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What a viewer wants to see, and what it has."""

    station: str = ""
    job: str = ""
    span_s: float = 0.0
    """0: no job."""
    version: int = 0
    finding: int = 0
    epoch: int = 0
    seq: int = 0
    detail: Mapping[str, Any] = field(default_factory=dict)


def read_ask(message: str) -> Ask:
    """What a viewer's message asks for.

    Raises:
        NotUnderstood: it is none, or for a span that there is not.
    """
    try:
        data = from_json(message, allow_inf_nan=False)
    except ValueError:
        raise NotUnderstood("not JSON") from None
    if not isinstance(data, dict) or data.get("ask") != "frame":
        raise NotUnderstood('expected {"ask": "frame", …}')
    have = data.get("have")
    have = have if isinstance(have, dict) else {}
    detail = have.get("detail")
    view = data.get("view")
    station = job = ""
    span_s = 0.0
    if isinstance(view, dict):
        station, job = view.get("station", ""), view.get("job", "")
        span_s = number(view, "span_s") or 0.0
        if not (is_level(station) and is_level(job)) or span_s not in SPANS_S:
            spans = ", ".join(f"{one:.0f}" for one in SPANS_S)
            raise NotUnderstood(f"view: expected a station, a job, and a span_s of {spans}")
    return Ask(
        station=station,
        job=job,
        span_s=span_s,
        version=whole(have, "version") or 0,
        finding=whole(have, "finding") or 0,
        epoch=whole(have, "epoch") or 0,
        seq=whole(have, "seq") or 0,
        detail=detail if isinstance(detail, dict) else {},
    )


class Viewer:
    """One page that looks. Its methods are given the state and the time, and never wait."""

    def __init__(self) -> None:
        self._key: tuple[str, str, float, int] | None = None
        self._seen = np.zeros(BINS, dtype=np.int64)
        self._taken = 0
        self._held: bytes | None = None
        self._most = COLUMNS_LIVE
        self._sent_s = 0.0
        self.has_history = False
        """Whether the last frame left columns behind."""
        self.frames = 0
        self.skipped = 0
        """Sweeps whose line this viewer was not shown, in all."""

    def asked(self, ask: Ask, now_s: float) -> None:
        """Take note that an ask came, and how soon."""
        if self.has_history:
            quick = now_s - self._sent_s < QUICK_S
            most = 2 * self._most if quick else self._most // 2
            self._most = min(max(most, COLUMNS_LIVE), COLUMNS_MOST)
        else:
            self._most = COLUMNS_LIVE

    def has_news(self, ask: Ask, state: State, now_s: float) -> bool:
        """Whether a frame would bring something."""
        if state.slow(now_s)[0] != ask.version or state.findings_after(ask.finding, 1):
            return True
        job = state.job(ask.station, ask.job)
        if job is None:
            return False
        if any(name for name in job.detail(ask.detail, now_s)):
            return True
        sheet = job.sheet
        if sheet is None:
            return False
        if ask.epoch != sheet.epoch or sheet.seq != ask.seq or sheet.taken != self._taken:
            return True
        return sheet.columns(ask.span_s, self._seen, now_s, 1) is not None

    def frame(self, ask: Ask, state: State, now_s: float) -> bytes:
        """The answer, with all that the viewer has not got, as far as it fits into a frame."""
        version, slow = state.slow(now_s)
        job = state.job(ask.station, ask.job)
        parts: list[tuple[str, bytes]] = []
        detail: dict[str, tuple[int, bytes]] = {}
        view = b"null"
        self.has_history = False
        if job is not None:
            detail = job.detail(ask.detail, now_s)
            view = as_json(self._view(ask, job, now_s, parts))
        pieces = b",".join(
            b'"%s":[%d,%s]' % (name.encode(), at, raw) for name, (at, raw) in detail.items()
        )
        header = b'{"now_s":%.3f,"version":%d,"state":%s,"findings":%s,"detail":{%s},' % (
            now_s,
            version,
            b"null" if version == ask.version else slow,
            as_json(state.findings_after(ask.finding, FINDINGS_A_FRAME)),
            pieces,
        )
        header += b'"view":%s,"parts":%s}' % (
            view,
            as_json([(one, len(raw)) for one, raw in parts]),
        )
        header += b" " * (-len(header) % 4)
        self.frames += 1
        self._sent_s = now_s
        padded = [raw + bytes(-len(raw) % 4) for _, raw in parts]
        return b"".join([len(header).to_bytes(4, "little"), header, *padded])

    def _view(
        self, ask: Ask, job: Job, now_s: float, parts: list[tuple[str, bytes]]
    ) -> dict[str, Any]:
        view: dict[str, Any] = {
            "station": ask.station,
            "job": ask.job,
            "span_s": ask.span_s,
            "kind": job.kind or None,
            "unit": job.unit or None,
            "plane": job.plane or None,
            "every_s": job.every_s,
            "threshold": job.threshold,
            "floor": job.floor,
            "figures": job.figures,
            "marks": job.marks,
            "mask": job.mask,
            "curve": job.curve,
            "problem": job.problem,
        }
        sheet = job.sheet
        if sheet is None:
            view["problem"] = job.problem or NO_SWEEP
            return view
        self._turn(ask, sheet)
        found = sheet.columns(ask.span_s, self._seen, now_s, self._most)
        if found is not None:
            parts.append(("columns", found.codes))
            self._seen[found.slots] = sheet.stamp
            self.has_history = found.more > 0
        skipped = max(0, sheet.taken - self._taken - 1) if self._taken else 0
        self.skipped += skipped
        if ask.seq != sheet.seq or sheet.taken != self._taken:
            parts.append(("line", sheet.line.astype("<f4").tobytes()))
        self._taken = sheet.taken
        held = sheet.held(ask.span_s, now_s)
        if held is not self._held:
            parts.append(("held", held))
            self._held = held
        view["deaf"] = sheet.deaf_runs(ask.span_s, now_s)
        return view | _sheet_shown(sheet, ask.span_s, found, skipped)

    def _turn(self, ask: Ask, sheet: Sheet) -> None:
        """Begin anew where the viewer looks at something else, or has lost what it had."""
        key = (ask.station, ask.job, ask.span_s, sheet.epoch)
        if key == self._key and ask.epoch == sheet.epoch:
            return
        self._key = key
        self._seen = np.zeros(BINS, dtype=np.int64)
        self._taken = 0
        self._held = None
        self._most = COLUMNS_LIVE


def _sheet_shown(
    sheet: Sheet, span_s: float, found: Columns | None, skipped: int
) -> dict[str, Any]:
    grid = sheet.grid
    return {
        "unit": grid.unit,
        "epoch": sheet.epoch,
        "start_hz": grid.start_hz,
        "stop_hz": grid.stop_hz,
        "rows": grid.rows,
        "low_db": sheet.low_db,
        "step_db": sheet.step_db,
        "bin_s": sheet.spans[span_s].bin_s,
        "bins": [] if found is None else found.numbers,
        "more": 0 if found is None else found.more,
        "skipped": skipped,
        "seq": sheet.seq,
        "at_s": sheet.at_s,
    }
