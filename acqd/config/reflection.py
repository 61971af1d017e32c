"""``[job.NAME.reflection]``: what is known of the bridge and the cable, and what must hold."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer

from acqd.config.bench import FrequencyRange
from acqd.config.quantity import DIFFERENCE, DURATION, FREQUENCY, Quantity, format_quantity, refusal
from acqd.config.tables import Misfit, Table

__all__ = ["NAMED_MOST", "SWR_MOST", "ReflectionTable"]

NAMED_MOST = 32
"""Named frequencies of one job; each is a topic of its own."""

SWR_MOST = 6
"""SWRs that widths are asked for at."""

_NAME = re.compile(r"[a-z0-9_-]{1,28}\Z")

Loss = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="100 dB")]
ReturnLoss = Annotated[float, Quantity(dimension=DIFFERENCE, above="0 dB", at_most="100 dB")]
Limit = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="20 dB")]
PositiveFrequency = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]


def _range_text(given: tuple[float, float]) -> str:
    return "..".join(format_quantity(one, FREQUENCY) for one in given)


Range = Annotated[FrequencyRange, PlainSerializer(_range_text)]


def _swr(given: object) -> float:
    if (
        isinstance(given, bool)
        or not isinstance(given, int | float)
        or not 1.0 < float(given) <= 100.0
    ):
        raise refusal("not an SWR that can be asked for", accepted="a number above 1, up to 100")
    return float(given)


Swr = Annotated[float, BeforeValidator(_swr)]


def _rising(given: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(sorted(set(given)))


def _named(given: object) -> object:
    accepted = (
        f"a table of at most {NAMED_MOST} names and frequencies, such as "
        '{ ch16 = "156.8 MHz" }; a name is 1 to 28 small letters, digits, - and _'
    )
    if not isinstance(given, dict) or len(given) > NAMED_MOST:
        raise refusal("not a table of named frequencies", accepted=accepted)
    for name in given:
        if not isinstance(name, str) or not _NAME.match(name):
            raise refusal(f"{name!r} cannot be part of a topic", accepted=accepted)
    return given


class ReflectionTable(Table):
    """``[job.NAME.reflection]``."""

    directivity_db: ReturnLoss | None = Field(default=None, alias="directivity")
    source_match_db: ReturnLoss | None = Field(default=None, alias="source_match")
    load_return_loss_db: ReturnLoss | None = Field(default=None, alias="load_return_loss")
    cable_loss_db: Loss = Field(default=0.0, alias="cable_loss")
    cable_loss_at_hz: PositiveFrequency | None = Field(default=None, alias="cable_loss_at")
    cable_loss_uncertainty_db: Limit = Field(default=0.0, alias="cable_loss_uncertainty")
    scale_db: Limit | None = Field(default=None, alias="scale")
    repeatability_db: Limit | None = Field(default=None, alias="repeatability")
    max_reference_age_s: Annotated[float, Quantity(dimension=DURATION, above="0 s")] = Field(
        default=7 * 86400.0, alias="max_reference_age"
    )
    installed: Annotated[str, Field(max_length=100)] = ""
    named: Annotated[dict[str, PositiveFrequency], BeforeValidator(_named)] = Field(
        default_factory=dict
    )
    swr: Annotated[
        tuple[Swr, ...], Field(min_length=1, max_length=SWR_MOST), AfterValidator(_rising)
    ] = (1.5, 2.0, 3.0)
    range_hz: Range | None = Field(default=None, alias="range")
    max_swr: Swr | None = None
    max_swr_at: dict[str, Swr] = Field(default_factory=dict)
    guard: Annotated[float, Field(strict=True, ge=0.0, le=5.0)] = 1.0

    def misfits(self) -> Iterator[Misfit]:
        if self.cable_loss_db == 0.0:
            for key, given in (
                ("cable_loss_at", self.cable_loss_at_hz is not None),
                ("cable_loss_uncertainty", self.cable_loss_uncertainty_db > 0.0),
            ):
                if given:
                    yield Misfit(
                        key=key,
                        problem="says something about a cable loss, and none is taken out",
                        accepted=f"`{key}` with `cable_loss`",
                    )
        if self.cable_loss_uncertainty_db > self.cable_loss_db > 0.0:
            yield Misfit(
                key="cable_loss_uncertainty",
                problem="the loss would be uncertain by more than all of it",
                accepted=f"at most {format_quantity(self.cable_loss_db, DIFFERENCE)}",
            )
        for name in self.max_swr_at:
            if name not in self.named:
                known = ", ".join(self.named) or "none is named"
                yield Misfit(
                    key="max_swr_at",
                    problem=f"a limit at {name!r}, which is no named frequency",
                    accepted=f"one of those in `named`: {known}",
                )
        if self.guard != 1.0 and self.max_swr is None and not self.max_swr_at:
            yield Misfit(
                key="guard",
                problem="there is no limit that it could guard",
                accepted="`guard` with `max_swr` or `max_swr_at`",
            )
