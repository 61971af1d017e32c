"""Curves over frequency as they stand in configs: pairs in rising order."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator

from acqd.config.quantity import DIFFERENCE, Frequency, LevelDifference, Quantity, refusal

__all__ = ["GainCurve", "Loss", "LossCurve", "Pair", "Rising"]


def _pair(given: object) -> object:
    if not isinstance(given, list | tuple) or len(given) != 2:
        accepted = 'a frequency and a level difference, such as ["100 MHz", "1.1 dB"]'
        raise refusal("not a pair", accepted=accepted)
    return given


def _rising(curve: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if not curve:
        raise refusal("an empty list", accepted='pairs, such as [["100 MHz", "1.1 dB"]]')
    if any(after[0] <= before[0] for before, after in pairwise(curve)):
        raise refusal("the frequencies do not rise", accepted="pairs in rising order of frequency")
    return curve


Pair = BeforeValidator(_pair)
Rising = AfterValidator(_rising)
Loss = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="200 dB")]
LossCurve = Annotated[tuple[Annotated[tuple[Frequency, Loss], Pair], ...], Rising]
GainCurve = Annotated[tuple[Annotated[tuple[Frequency, LevelDifference], Pair], ...], Rising]
