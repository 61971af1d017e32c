"""What a report says of what was known later: chains amended, clocks corrected, nights pinned.

An amendment stands on the sheet where its range begins, with who and both figures in the footer.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from acqd.archive.amendments import ChainAmendment, numbers_of
from acqd.archive.ledger import PIN
from acqd.archive.timing import TimeCorrection, correction_text, shift_text
from acqd.look.nights import span_text
from acqd.look.times import clock, date
from acqd.report.shapes import Fact, NoteShown
from acqd.report.source import JobSource
from acqd.report.words import count_text, joined_text

__all__ = ["amended_facts", "amended_limits", "amended_notes"]


def amendments_in(source: JobSource) -> tuple[ChainAmendment, ...]:
    """Those that are in the chain of any sweep of the range."""
    amendments = source.archive.amendments(source.job)
    if not amendments:
        return ()
    used = {
        number
        for step in source.steps
        for setup in source.sweeps(step).setups
        for number in numbers_of(setup)
    }
    return amendments.named(used)


def amended_notes(source: JobSource) -> Iterator[NoteShown]:
    """A mark on the time axis for each amendment, at its begin or at the sheet's."""
    for one in amendments_in(source):
        until = ""
        if one.to_s is not None and one.to_s < source.stop_s:
            until = f", up to {clock(one.to_s, source.zone)}"
        at_s = source.start_s if one.from_s is None else max(one.from_s, source.start_s)
        yield NoteShown(at_s=at_s, text=f"chain amended: {one.text}{until}", who=one.who)


def amended_facts(source: JobSource) -> tuple[Fact, ...]:
    """A line of the footer each, with who, when, what, both figures and why; and the pins."""
    zone = source.zone
    facts = [
        Fact(
            name="chain amended",
            text=(
                f"number {one.number}, {span_text(one.from_s, one.to_s, zone)}: {one.text}; by "
                f"{one.who}, {date(one.at_s, zone)}, {clock(one.at_s, zone)}: {one.reason}"
            ),
        )
        for one in amendments_in(source)
    ]
    facts += [
        Fact(name="clock corrected", text=correction_text(one)) for one in corrections_in(source)
    ]
    facts += [
        Fact(
            name="pinned",
            text=(
                f"number {one.id}, {span_text(one.from_s, one.to_s, zone)}, by {one.who}: never "
                f"thinned" + (f" ({one.body['text']})" if one.body.get("text") else "")
            ),
        )
        for one in source.overlays
        if one.kind == PIN
        and (one.from_s is None or one.from_s < source.stop_s)
        and (one.to_s is None or one.to_s > source.start_s)
    ]
    return tuple(facts)


def amended_limits(source: JobSource) -> tuple[str, ...]:
    """What has to be known of sweeps whose clock was corrected or whose chain was amended."""
    return (*_clock_limits(source), *_chain_limits(source))


def corrections_in(source: JobSource) -> tuple[TimeCorrection, ...]:
    """The corrections of the clock that times of sweeps of the range are by."""
    by, times = source.sweeps().corrected, source.archive.times()
    if by is None or times is None:
        return ()
    return times.named(np.unique(by).tolist())


def _clock_limits(source: JobSource) -> tuple[str, ...]:
    made, by = corrections_in(source), source.sweeps().corrected
    if not made or by is None:
        return ()
    off = joined_text(sorted({shift_text(one.shift_s) for one in made}))
    count = count_text(int(np.count_nonzero(by)), "sweep")
    return (
        f"The station's clock was wrong in {count} of this time, by {off}, and was corrected "
        f"later: times here are the corrected ones, each good for "
        f"±{max(one.uncertainty_s for one in made):.3g} s. An hour that the wrong clock turned "
        f"keeps its 60 minutes and begins where those did; texts of findings keep the times that "
        f"they were told with.",
    )


def _chain_limits(source: JobSource) -> tuple[str, ...]:
    if not amendments_in(source):
        return ()
    again = source.archive.again(source.job)
    if again is not None:
        return again.limits
    return (
        "The chain was amended for sweeps of this time: levels on the sheet go by the amended "
        "chain, while figures and findings are those that were published, by the chain as it was "
        "described.",
    )
