"""The words of each kind's own findings, for those who name them beforehand; docs/messages.md says
what each means."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["FINDING_WORDS", "HEARING_WORDS"]

FINDING_WORDS: Mapping[str, tuple[str, ...]] = {
    "band": (
        "signal_appeared",
        "signal_ended",
        "signals_appeared",
        "signals_ended",
        "signal_flapping",
        "signal_made_inside",
        "floor_rose",
        "floor_fell",
    ),
    "carrier": (
        "carrier_lost",
        "carrier_back",
        "carrier_flapping",
        "frequency_step",
        "level_step",
        "warm_up_over",
    ),
    "emission": (
        "limit_exceeded",
        "limit_met",
        "off_frequency",
        "on_frequency",
    ),
    "reflection": (
        "limit_exceeded",
        "limit_met",
        "reference_refused",
        "reference_accepted",
        "reference_old",
        "match_moved",
        "load_changed",
        "load_as_it_was",
    ),
    "transmission": (
        "limit_exceeded",
        "limit_met",
        "reference_refused",
        "reference_accepted",
        "reference_old",
        "response_changed",
    ),
}

HEARING_WORDS = ("deaf", "hears_again")
"""Findings of any kind that are about the sweeper and its aerial, not about what is measured."""
