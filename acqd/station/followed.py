"""From a job's ``on_finding`` tables to what follows its findings, live and in a replay."""

from __future__ import annotations

from collections.abc import Sequence

from acqd.config.on_finding import OnFindingTable, look_settings
from acqd.measure.closerlook import CloserLooks
from acqd.station.follow import FollowRule

__all__ = ["closer_looks", "follow_rules"]


def closer_looks(tables: Sequence[OnFindingTable], plane: str) -> CloserLooks:
    """What makes findings of the looks; ``plane`` is what their sentences call it."""
    return CloserLooks(look_settings(tables, plane))


def follow_rules(tables: Sequence[OnFindingTable], plane: str) -> tuple[FollowRule, ...]:
    """When there is a look, and what it asks for."""
    return tuple(
        FollowRule(
            words=one.what,
            look=look,
            at_most=one.at_most,
            per_s=one.per_s,
            share=one.share,
            hold_off_s=one.hold_off_s,
            within_s=one.within_s,
            only_above_dbm=one.only_above_dbm,
        )
        for one, look in zip(tables, look_settings(tables, plane), strict=True)
    )
