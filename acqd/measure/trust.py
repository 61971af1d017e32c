"""Sweeps that no verdict may rest on, by what is said of them."""

from __future__ import annotations

from collections.abc import Mapping

from acqd.sweep import SweepFlag

__all__ = ["REPEATED", "SPOILT", "spoilt_by"]

SPOILT: Mapping[SweepFlag, str] = {
    SweepFlag.OVERLOAD: "the sweeper reported an overload",
    SweepFlag.TRANSMITTING: "a transmitter nearby was keyed",
}

REPEATED: Mapping[SweepFlag, str] = {
    SweepFlag.REPEATED: "the sweep equals the one before to the last bit"
}
"""Where there is noise. A strong level on a coarse scale does repeat."""


def spoilt_by(flags: SweepFlag, reasons: Mapping[SweepFlag, str] = SPOILT) -> str | None:
    """Why nothing of a sweep counts towards a limit, in words; None where nothing is said."""
    return next((why for flag, why in reasons.items() if flags & flag), None)
