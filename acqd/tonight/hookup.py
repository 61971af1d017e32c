"""What is on the sweeper's input, as somebody at a bench would answer, and whether that is safe.

Words become the parts of a chain and the transmitters that can bring power to it; whether the input
has headroom is judged by the same code as before any job (G7, :mod:`acqd.station.inputs`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from acqd.config.quantity import (
    DIFFERENCE,
    LENGTH,
    POWER,
    Dimension,
    QuantityError,
    parse_frequency_range,
    parse_quantity,
)
from acqd.errors import WrongUsage
from acqd.safety import free_space_loss_db

__all__ = [
    "Hookup",
    "Input",
    "Near",
    "Pad",
    "Transmitter",
    "parse_between",
    "parse_pads",
    "parse_sends",
]

PADS_MOST = 8
GAIN_DB = 20.0
"""Of a preamplifier of which nobody says more (practice)."""


class Input(StrEnum):
    """What is on the input."""

    AERIAL = "aerial"
    PREAMPLIFIER = "preamplifier"
    PADS = "pads"


class Near(StrEnum):
    """Where a transmitter is."""

    NONE = "none"
    NEAR = "near"
    """Near the aerial, or the transmitter of another aerial on the same roof."""
    ON = "on"
    """On this very aerial or chain: what it sends comes down the cable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pad:
    """One pad. ``rated_w`` is what it may turn into heat; None where nobody says."""

    loss_db: float
    rated_w: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Transmitter:
    """A transmitter on or near the aerial. Of a near one ``isolation_db`` or ``distance_m`` says
    what lies between; where neither does nothing is counted on. ``sends_hz`` is where it sends,
    None for the ranges that are watched: a distance is worth less at low frequencies."""

    where: Near
    power_w: float
    isolation_db: float | None = None
    distance_m: float | None = None
    sends_hz: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hookup:
    """All that was answered. ``absolute_max_dbm`` as stated by somebody, None where the driver's
    word counts."""

    input: Input = Input.AERIAL
    gain_db: float = GAIN_DB
    pads: tuple[Pad, ...] = ()
    transmitter: Transmitter | None = None
    absolute_max_dbm: float | None = None

    @property
    def has_preamplifier(self) -> bool:
        return self.input is Input.PREAMPLIFIER

    @property
    def pads_db(self) -> float:
        return math.fsum(pad.loss_db for pad in self.pads)


def parse_pads(text: str) -> tuple[Pad, ...]:
    """Pads in their order from the aerial on: ``30 dB``, ``20 dB 10 W + 10 dB 1 W``.

    Raises:
        WrongUsage: one of them is none.
    """
    found = tuple(_pad(part) for part in text.split("+"))
    if len(found) > PADS_MOST:
        raise WrongUsage(f"{len(found)} pads; at most {PADS_MOST}")
    return found


def _pad(text: str) -> Pad:
    loss, decibel, rating = text.strip().partition("dB")
    try:
        loss_db = _above_zero(f"{loss}{decibel}", DIFFERENCE)
        rated_w = _above_zero(rating, POWER) if rating.strip(" ,") else None
    except ValueError as exc:
        raise WrongUsage(
            f"pads {text.strip()!r}: {exc}; expected such as 30 dB, with what each may turn into "
            "heat 20 dB 10 W, several with + between them, the aerial's end first"
        ) from exc
    return Pad(loss_db=loss_db, rated_w=rated_w)


def _above_zero(text: str, dimension: Dimension) -> float:
    value = parse_quantity(text.strip(" ,"), dimension)
    if value <= 0.0:
        raise ValueError("must be above 0")
    return value


def parse_between(text: str) -> tuple[float | None, float | None]:
    """What lies between a near transmitter and the aerial: ``40 dB`` or ``12 m``; as isolation in
    dB and distance in metres, one of them None. An empty text is nothing.

    Raises:
        WrongUsage: it is neither.
    """
    if not text.strip():
        return None, None
    for dimension in (DIFFERENCE, LENGTH):
        try:
            value = _above_zero(text, dimension)
        except ValueError:
            continue
        return (value, None) if dimension is DIFFERENCE else (None, value)
    raise WrongUsage(
        f"{text.strip()!r} is neither an isolation such as 40 dB nor a distance such as 12 m"
    )


def parse_sends(
    text: str, *, distance_m: float, watched_hz: tuple[float, float]
) -> tuple[float, float] | None:
    """Where a transmitter sends, ``14MHz..14.35MHz``; an empty text is where is watched, None.

    Raises:
        WrongUsage: it is no range, or the distance is too short there for any estimate.
    """
    try:
        sends_hz = parse_frequency_range(text) if text.strip() else None
        free_space_loss_db(distance_m, (sends_hz or watched_hz)[0])
    except QuantityError as exc:
        raise WrongUsage(str(exc)) from exc
    except ValueError as exc:
        raise WrongUsage(
            f"{exc}. Begin again with an isolation that was measured, such as 40 dB, or nothing"
        ) from exc
    return sends_hz
