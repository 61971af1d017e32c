"""Necessary bandwidths of the common classes of emission, and how a designator writes them.

A necessary bandwidth is a figure of planning, not of measurement: an emission of that class in good
order may well occupy more or less (a single tone on FM occupies 18 kHz where the formula for
speech gives 16). Nothing measured is judged by it here; it says where to look.
"""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal

__all__ = [
    "am_telephony_hz",
    "bandwidth_from_text",
    "bandwidth_text",
    "designator",
    "fm_telephony_hz",
    "fsk_hz",
    "morse_hz",
    "ssb_full_carrier_hz",
    "ssb_suppressed_carrier_hz",
]

PREFIXES = (("H", 0), ("K", 3), ("M", 6), ("G", 9))

CLASS = re.compile(r"[NAHRJBCDFGMKLPQVWX][0-9X][NABCDEFWX]")
"""Modulation of the carrier, nature of the signal, type of information (from memory)."""

BANDWIDTH = re.compile(r"(?=.{4}$)([1-9]\d{0,2}|)([HKMG])(\d*)$")


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise ValueError(f"{name} must be above 0, got {value}")


def morse_hz(words_per_minute: float, *, fading: bool = True) -> float:
    """On-off keyed Morse: B·K with B = 0.8 words per minute in baud; K = 5 with fading, else 3.

    Source: Rec. ITU-R SM.1138 as reproduced in RR Appendix 1.
    """
    _positive(words_per_minute=words_per_minute)
    return 0.8 * words_per_minute * (5.0 if fading else 3.0)


def am_telephony_hz(highest_hz: float) -> float:
    """Double sideband: 2M, M the highest modulating frequency. Source as :func:`morse_hz`."""
    _positive(highest_hz=highest_hz)
    return 2.0 * highest_hz


def ssb_suppressed_carrier_hz(lowest_hz: float, highest_hz: float) -> float:
    """Single sideband without its carrier: M less the lowest modulating frequency."""
    _positive(lowest_hz=lowest_hz, width_hz=highest_hz - lowest_hz)
    return highest_hz - lowest_hz


def ssb_full_carrier_hz(highest_hz: float) -> float:
    """Single sideband with its carrier: M. Source as :func:`morse_hz`."""
    _positive(highest_hz=highest_hz)
    return highest_hz


def fm_telephony_hz(highest_hz: float, deviation_hz: float) -> float:
    """Frequency modulation: 2M + 2DK with K = 1 (Carson). Source as :func:`morse_hz`."""
    _positive(highest_hz=highest_hz, deviation_hz=deviation_hz)
    return 2.0 * highest_hz + 2.0 * deviation_hz


def fsk_hz(rate_baud: float, shift_hz: float) -> float:
    """Frequency-shift keying: 2M + 2DK with M = B/2, D = shift/2, K = 1.2.

    Source as :func:`morse_hz`.
    """
    _positive(rate_baud=rate_baud, shift_hz=shift_hz)
    return rate_baud + 1.2 * shift_hz


def bandwidth_text(bandwidth_hz: float) -> str:
    """Three digits and a letter H, K, M or G at the decimal point: 16 kHz is ``16K0``.

    Rounded to three digits first, halves up (180.5 kHz: ``181K``; 999.6 Hz: ``1K00``). Below 1 Hz
    the letter comes first (0.002 Hz: ``H002``).

    Raises:
        ValueError: a bandwidth below 0.001 Hz, or that would need more than 999 GHz.

    Source: 47 CFR 2.202(b).
    """
    if not 5e-4 <= bandwidth_hz < 1e13:
        raise ValueError(
            f"a designator holds 0.001 Hz to 999 GHz, got a bandwidth of {bandwidth_hz} Hz"
        )
    value = Decimal(repr(float(bandwidth_hz)))
    # Three digits, but nothing finer than 0.001 Hz, which is what three places behind H can hold.
    last = Decimal(1).scaleb(max(value.adjusted() - 2, -3))
    value = value.quantize(last, rounding=ROUND_HALF_UP)
    exponent = value.adjusted()
    if exponent > 11:
        raise ValueError(
            f"a designator holds 0.001 Hz to 999 GHz, got a bandwidth of {bandwidth_hz} Hz"
        )
    if exponent < 0:
        return "H" + f"{value:.3f}"[2:]
    letter, power = PREFIXES[exponent // 3]
    scaled = value.scaleb(-power)
    places = 2 - exponent % 3
    whole, _, part = f"{scaled:.{places}f}".partition(".")
    return whole + letter + part


def bandwidth_from_text(text: str) -> float:
    """The bandwidth in Hz of a designator's first four characters: ``16K0`` is 16 000.

    More characters (the class of emission) are left out.

    Raises:
        ValueError: a text that is not so made.

    Source: 47 CFR 2.202(b).
    """
    found = BANDWIDTH.fullmatch(text.strip().upper()[:4])
    if found is None or (not found[1] and found[2] != "H"):
        raise ValueError(
            f"expected three digits with H, K, M or G at the decimal point (16K0), got {text!r}"
        )
    power = dict(PREFIXES)[found[2]]
    return float(Decimal(f"{found[1] or '0'}.{found[3] or '0'}").scaleb(power))


def designator(bandwidth_hz: float, emission_class: str) -> str:
    """Designation of an emission: 16 kHz and F3E make ``16K0F3E``.

    Raises:
        ValueError: a class that is not three characters of their kind, or see
            :func:`bandwidth_text`.
    """
    name = emission_class.strip().upper()
    if CLASS.fullmatch(name) is None:
        raise ValueError(f"expected a class of emission such as F3E, got {emission_class!r}")
    return bandwidth_text(bandwidth_hz) + name
