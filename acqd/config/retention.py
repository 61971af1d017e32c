"""The ``[retention]`` table: which sweeps may be removed, and when. Without it nothing ever is."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from acqd.config.quantity import BYTES, Dimension, Quantity
from acqd.config.tables import Misfit, Switch, Table

__all__ = ["AGE", "RetentionRuleTable", "RetentionTable"]

AGE = Dimension(
    what="an age with its unit",
    example="90 d",
    units={"d": Decimal(86400), "h": Decimal(3600)},
    minimum=Decimal(0),
    maximum=Decimal(36525 * 86400),
    other_words={
        **dict.fromkeys(("day", "days"), "d"),
        **dict.fromkeys(("hr", "hour", "hours"), "h"),
        **dict.fromkeys(("y", "year", "years", "w", "week", "weeks", "month", "months"), "d"),
    },
)
"""Of sweeps: to a hundred years, which no duration of a plan needs."""

Age = Annotated[float, Quantity(dimension=AGE, at_least="1 d")]
KindName = Literal["band", "emission", "transmission", "reflection", "carrier"]


class RetentionRuleTable(Table):
    """``[retention.kind.KIND]`` and ``[retention.job.NAME]``: what is otherwise for some jobs."""

    keep_s: Age | None = Field(default=None, alias="keep")
    remove: Switch | None = None

    def misfits(self) -> Iterator[Misfit]:
        if self.keep_s is None and self.remove is None:
            yield Misfit(
                key="", problem="says nothing", accepted='`keep`, such as "90 d", or `remove`'
            )
        if self.keep_s is not None and self.remove is False:
            yield Misfit(
                key="keep",
                problem="has no meaning with remove = false, which keeps them for ever",
                accepted="one of the two",
            )


class RetentionTable(Table):
    """``[retention]``: for how long, how much, and whether rather than to stop sweeping."""

    keep_s: Age | None = Field(default=None, alias="keep")
    archive_at_most_bytes: Annotated[int, Quantity(dimension=BYTES, at_least="1 MB")] | None = (
        Field(default=None, alias="archive_at_most")
    )
    make_room: Switch = False
    keep_at_least_s: Age = Field(default=7 * 86400.0, alias="keep_at_least")
    kind: dict[KindName, RetentionRuleTable] = Field(default_factory=dict)
    job: dict[str, RetentionRuleTable] = Field(default_factory=dict)

    @property
    def removes_anything(self) -> bool:
        """Whether there is any limit at which sweeps go."""
        ages = [self.keep_s, *(rule.keep_s for rule in (*self.kind.values(), *self.job.values()))]
        limited = self.archive_at_most_bytes is not None or self.make_room
        return limited or any(age is not None for age in ages)

    def misfits(self) -> Iterator[Misfit]:
        if self.keep_s is not None and self.keep_s < self.keep_at_least_s:
            yield Misfit(
                key="keep",
                problem="is less than `keep_at_least`, so nothing of that age would go",
                accepted="a longer `keep`, or a shorter `keep_at_least` (7 d where it is not said)",
            )
        for family, rules in (("kind", self.kind), ("job", self.job)):
            for name, rule in rules.items():
                if rule.keep_s is not None and rule.keep_s < self.keep_at_least_s:
                    yield Misfit(
                        key=family,
                        problem=f"`keep` of `{name}` is less than `keep_at_least`, so nothing of "
                        "that age would go",
                        accepted="a longer `keep`, or a shorter `keep_at_least` (7 d where it is "
                        "not said)",
                    )
