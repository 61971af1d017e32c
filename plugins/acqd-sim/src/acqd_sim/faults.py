"""Misbehaviour that a simulated instrument can be told to show."""

from __future__ import annotations

from dataclasses import dataclass, fields

__all__ = ["FOREVER", "Faults"]

FOREVER = -1
"""A count that does not run out: until healed."""


@dataclass(slots=True, kw_only=True)
class Faults:
    """What is wrong at the moment. Counts say for how many answers or traces; 0 is healthy."""

    mute: bool = False
    """Takes everything in and answers nothing."""
    late_s: float = 0.0
    """Every answer comes so much later."""
    cut: int = 0
    """Block answers lose their second half, and the rest never comes."""
    long: int = 0
    """Block answers carry more bytes than their header says."""
    half_line: int = 0
    """Any answer stops halfway, and the rest never comes."""
    no_end: int = 0
    """Answers come without what marks their end: line feed, end line, prompt, CRC."""
    wrong_sum: int = 0
    """Sums and CRCs of the dialects that have them are wrong."""
    drop: int = 0
    """The connection is dropped instead of an answer."""
    garbage: int = 0
    """Answers are bytes that mean nothing."""
    not_a_number: int = 0
    """Traces hold SCPI's not-a-number at every tenth point."""
    other_length: int = 0
    """Traces have ``points_off`` more points than asked for."""
    points_off: int = 0
    grid_off_hz: float = 0.0
    """Takes every start and stop so much higher than it is told, and says so when it is asked."""
    frozen: bool = False
    """Every sweep gives the last trace again."""
    cable_off: str | None = None
    """Where a cable fell off: before this device, at the aerial where empty; None: nowhere."""
    no_supply: str | None = None
    """Which amplifier has lost its supply, the only one where empty; None: none has."""
    identity: str | None = None
    """What ``*IDN?`` says instead."""
    level_error_db: float = 0.0
    """Every level reads so much more, as with an attenuator that is stuck."""
    frequency_error_ppm: float = 0.0
    """Everything is shown so much too high, as with a reference that has aged."""

    def takes(self, name: str) -> bool:
        """Whether the fault called ``name`` strikes now; counts it down."""
        left = int(getattr(self, name))
        if left > 0:
            setattr(self, name, left - 1)
        return left != 0

    def heal(self) -> None:
        """Nothing is wrong any more."""
        healthy = Faults()
        for one in fields(self):
            setattr(self, one.name, getattr(healthy, one.name))

    def active(self) -> list[str]:
        """The names of the faults that are on."""
        healthy = Faults()
        return [f.name for f in fields(self) if getattr(self, f.name) != getattr(healthy, f.name)]
