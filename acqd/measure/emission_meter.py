"""The meter of the kind ``emission``: passes as they come, and what changed between them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from acqd.errors import UnitMismatch
from acqd.measure.emission_outcome import Before, Outcome, outcome_of
from acqd.measure.emission_plan import next_step
from acqd.measure.emission_readings import UNITS, Product, look_at
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.emission_summary import columns_of, plain_outcome, values_of, verdict_of
from acqd.measure.meter import FindingDraft, Output, SetupChanged
from acqd.measure.passmeter import PassMeter, Seen
from acqd.measure.report import end_s, judgement_row, limit_finding, rounded
from acqd.measure.verdict import Verdict
from acqd.measure.words import frequency_text

__all__ = ["EmissionMeter", "EmissionState", "Unpadded", "behind_pad", "remembered"]

PAD_TOLERANCE_DB = 3.0
"""How far a fall of the fundamental may be from an external pad's value to be taken for it."""

PAD_WITHIN_S = 1800.0
"""A pass so much older is not compared with one behind an external pad."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unpadded:
    """What the last whole pass without an external pad showed."""

    at_s: float
    fundamental_dbm: float
    products: tuple[Product, ...]


SEARCHED = "product at "
"""What the keys of products begin with that a search found; their frequency in Hz follows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EmissionState:
    """What is remembered from pass to pass. ``said`` are products and their last verdicts."""

    said: tuple[tuple[str, str], ...] = ()
    is_off: bool = False
    unpadded: Unpadded | None = None


def behind_pad(settings: EmissionSettings, unpadded: Unpadded | None, first: Seen) -> Before | None:
    """What to compare a pass with that stands behind an external pad; None where it does not.

    The fundamental tells: it reads lower than in the pass before by about the stated pad.
    """
    pad_db = settings.external_pad_db
    if pad_db is None or unpadded is None:
        return None
    if first.sweep.started_s - unpadded.at_s > PAD_WITHIN_S:
        return None
    look = look_at(settings, first)
    if not look.keyed or look.fundamental is None:
        return None
    fall_db = unpadded.fundamental_dbm - look.fundamental.level_dbm
    if abs(fall_db - pad_db) > PAD_TOLERANCE_DB:
        return None
    return Before(
        fundamental_dbm=unpadded.fundamental_dbm,
        products={one.name: one for one in unpadded.products},
    )


class EmissionMeter(PassMeter[EmissionState]):
    """The meter. Pure: it holds settings only."""

    version: ClassVar[str] = "emission/1"
    kind_type: ClassVar[type[Any]] = EmissionState

    def __init__(self, settings: EmissionSettings) -> None:
        self.settings = settings

    def fresh(self) -> EmissionState:
        return EmissionState()

    def is_complete(self, seen: tuple[Seen, ...]) -> bool:
        return next_step(self.settings, seen) is None

    def on_setup(self, kind: EmissionState, event: SetupChanged) -> tuple[EmissionState, Output]:
        if event.unit not in UNITS:
            raise UnitMismatch(what="kind emission", needs="dBm or dBµV", got=str(event.unit))
        return kind, Output()

    def measure(
        self, kind: EmissionState, seen: tuple[Seen, ...], *, complete: bool
    ) -> tuple[EmissionState, Output]:
        settings, first = self.settings, seen[0]
        before = behind_pad(settings, kind.unpadded, first)
        pad_db = 0.0 if before is None else settings.external_pad_db or 0.0
        outcome = outcome_of(settings, seen, complete=complete, before=before, pad_db=pad_db)
        verdict = verdict_of(settings, outcome)
        columns = columns_of(outcome)
        findings: tuple[FindingDraft, ...] = ()
        if complete and not outcome.released:
            kind, findings = self._compared(kind, outcome, verdict)
            if before is None and self.settings.external_pad_db is not None:
                kind = replace(kind, unpadded=remembered(outcome) or kind.unpadded)
        return kind, Output(
            summary=plain_outcome(settings, outcome, verdict),
            columns=columns,
            values=values_of(columns),
            findings=findings,
            verdict=verdict,
        )

    # -- findings --------------------------------------------------------------------------------

    def _compared(
        self, kind: EmissionState, outcome: Outcome, verdict: Mapping[str, Any] | None
    ) -> tuple[EmissionState, tuple[FindingDraft, ...]]:
        """What changed since the last whole pass in which it was keyed."""
        look = outcome.look
        if outcome.first is None or (look is not None and not look.keyed):
            return kind, ()
        drafts = []
        if verdict is not None:
            before = dict(kind.said)
            keys = _keys_of(self.settings, outcome, before)
            said = _verdicts_of(outcome, keys)
            drafts += [*_limits_turned(before, said, keys, outcome)]
            unclear = str(Verdict.CANNOT_TELL)
            kept = {
                name: before.get(name, word) if word == unclear else word
                for name, word in said.items()
            }
            kind = replace(kind, said=tuple(sorted(kept.items())))
        is_off = _is_off(self.settings, outcome)
        if is_off is not None and is_off != kind.is_off:
            drafts.append(_off_frequency(self.settings, outcome, is_off=is_off))
            kind = replace(kind, is_off=is_off)
        return kind, tuple(drafts)


def remembered(outcome: Outcome) -> Unpadded | None:
    """What a pass behind an external pad may be compared with; None where it was not keyed."""
    level, first = outcome.fundamental_dbm, outcome.first
    if level is None or first is None:
        return None
    return Unpadded(
        at_s=first.sweep.started_s,
        fundamental_dbm=level,
        products=tuple(one.product for one in outcome.products),
    )


def _keys_of(settings: EmissionSettings, outcome: Outcome, before: Mapping[str, str]) -> list[str]:
    """Under what each product is remembered: its name, or, where a search found it, where it was
    first; a peak that wanders within the search's filter is the same one."""
    known = [float(key.removeprefix(SEARCHED)) for key in before if key.startswith(SEARCHED)]
    within_hz = 2.0 * (settings.search_rbw_hz or 0.0)
    keys = []
    for one in outcome.products:
        hz = one.product.frequency_hz
        near = min(known, key=lambda was: abs(was - hz), default=math.inf)
        place = near if abs(near - hz) <= within_hz else round(hz)
        searched = one.product.order is None
        keys.append(f"{SEARCHED}{place:.0f}" if searched else one.product.name)
    return keys


def _verdicts_of(outcome: Outcome, keys: Sequence[str]) -> dict[str, str]:
    """The worst verdict of each product that is beside a limit, under its key."""
    found: dict[str, str] = {}
    for key, one in zip(keys, outcome.products, strict=True):
        words = {beside.comparison.verdict for beside in one.beside}
        for word in (Verdict.FAIL, Verdict.CANNOT_TELL, Verdict.PASS):
            if word in words:
                found.setdefault(key, str(word))
                break
    return found


def _limits_turned(
    before: Mapping[str, str], now: Mapping[str, str], keys: Sequence[str], outcome: Outcome
) -> Iterator[FindingDraft]:
    """Products that exceed a limit now, or meet all of theirs again. What cannot be told changes
    nothing of what was last said."""
    for key, one in zip(keys, outcome.products, strict=True):
        name, fail = one.product.name, str(Verdict.FAIL)
        was, word = before.get(key), now.get(key)
        worst = one.worst
        if worst is None or word == was or fail not in (word, was):
            continue
        if word not in (fail, str(Verdict.PASS)):
            continue
        row = judgement_row(name, worst.comparison.judgement, seq=one.product.seq)
        place = frequency_text(one.product.frequency_hz)
        where = name if one.product.order is None else f"{name} at {place}"
        yield limit_finding(
            {**row, "limit": rounded(row["limit"], 4), "verdict": word},
            f"{where}{'' if word == fail else ' again'}: {worst.comparison.text}",
            at_s=_end_s(outcome),
            seq=one.product.seq,
            figures={
                "name": name,
                "frequency_hz": round(one.product.frequency_hz, 1),
                "level_dbm": round(one.level_dbm, 3),
                "level_expanded_db": round(one.budget.expanded, 3),
            },
        )


def _end_s(outcome: Outcome) -> float:
    seen = (outcome.seen_of or {}).values()
    return max(end_s(one.sweep) for one in seen)


def _is_off(settings: EmissionSettings, outcome: Outcome) -> bool | None:
    """Whether the carrier is off its frequency for certain; None where that cannot be told."""
    look = outcome.look
    if look is None or look.fundamental is None or settings.expected_hz is None:
        return None
    allowed_hz = settings.frequency_tolerance_hz
    if allowed_hz is None or outcome.frequency is None:
        return None
    off_hz = abs(look.fundamental.centre_hz - settings.expected_hz)
    if off_hz > allowed_hz + outcome.frequency.expanded:
        return True
    return False if off_hz <= allowed_hz else None


def _off_frequency(settings: EmissionSettings, outcome: Outcome, *, is_off: bool) -> FindingDraft:
    look = outcome.look
    assert look is not None
    assert look.fundamental is not None
    assert settings.expected_hz is not None
    assert outcome.frequency is not None
    off_hz = look.fundamental.centre_hz - settings.expected_hz
    place, wanted = frequency_text(look.fundamental.centre_hz), frequency_text(settings.expected_hz)
    state = "off its frequency" if is_off else "back on its frequency"
    first = outcome.first
    return FindingDraft(
        what="off_frequency" if is_off else "on_frequency",
        at_s=_end_s(outcome),
        text=f"the carrier is {state}: {place}, {off_hz:+.0f} Hz from {wanted} "
        f"± {outcome.frequency.expanded:.0f} Hz".replace("-", "−"),
        seq=None if first is None else first.sweep.seq,
        figures={
            "frequency_hz": round(look.fundamental.centre_hz, 1),
            "off_hz": round(off_hz, 1),
            "expanded_hz": round(outcome.frequency.expanded, 1),
        },
    )
