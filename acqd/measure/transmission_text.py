"""What a two-port is, in one line: from the figures of a summary."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acqd.measure.budget import decimals_for, figure_text
from acqd.measure.words import frequency_text, number_text

__all__ = ["loss_text", "response_text", "with_u_hz"]


def loss_text(value_db: float, expanded_db: float | None, *, at_least: bool = False) -> str:
    """1.2 dB ± 0.4; at least 58.0 dB ± 3.1."""
    start = "at least " if at_least else ""
    if expanded_db is None:
        return f"{start}{number_text(value_db, 1)} dB"
    decimals = decimals_for(expanded_db)
    value, u = figure_text(value_db, decimals), figure_text(expanded_db, decimals)
    return f"{start}{value} dB ± {u}"


def with_u_hz(value_hz: float, expanded_hz: float | None) -> str:
    """4.024 MHz ± 0.012: as many decimals as show two figures of U."""
    if not expanded_hz:
        return frequency_text(value_hz)
    scale, unit = (1e6, "MHz") if abs(value_hz) >= 1e6 else (1e3, "kHz")
    decimals = decimals_for(expanded_hz / scale, unit)
    value, u = (figure_text(hz / scale, decimals) for hz in (value_hz, expanded_hz))
    return f"{value} {unit} ± {u}"


def response_text(kind: str, figures: Mapping[str, Any]) -> str:
    """band-pass, 145.0 MHz ± 0.6, 4.024 MHz ± 0.012 wide at 3 dB, least loss 1.2 dB ± 0.4."""
    pad = figures["pad"]
    if pad is not None:
        return _pad_text(kind, pad)
    passband = next((one for one in figures["passbands"] if one["main"]), None)
    if passband is None:
        return kind
    loss = loss_text(passband["least_loss_db"], passband["least_loss_expanded_db"])
    if kind == "flat":
        return f"{kind}, least loss {loss}"
    if kind == "band-stop":
        notch = max(figures["notches"], key=lambda one: float(one["depth_db"]))
        return f"{kind}, {_notch_text(notch)}, least loss {loss}"
    return f"{kind}, {_edges_text(passband['edges'][0])}, least loss {loss}"


def _edges_text(pair: Mapping[str, Any]) -> str:
    if pair["width_hz"] is not None and pair["centre_hz"] is not None:
        centre = with_u_hz(pair["centre_hz"], pair["centre_expanded_hz"])
        width = with_u_hz(pair["width_hz"], pair["width_expanded_hz"])
        return f"{centre}, {width} wide at {pair['below_db']:g} dB"
    return ", ".join(
        pair[f"{side}_text"]
        if pair[f"{side}_hz"] is None
        else f"−{pair['below_db']:g} dB at "
        f"{with_u_hz(pair[f'{side}_hz'], pair[f'{side}_expanded_hz'])}"
        for side in ("lower", "upper")
    )


def _notch_text(notch: Mapping[str, Any]) -> str:
    pair = notch["edges"][0]
    place = pair["centre_hz"] if pair["centre_hz"] is not None else notch["deepest_hz"]
    where = "" if place is None else f" at {with_u_hz(place, pair['centre_expanded_hz'])}"
    depth = loss_text(notch["depth_db"], notch["depth_expanded_db"], at_least=notch["at_least"])
    width = ""
    if pair["width_hz"] is not None:
        told = with_u_hz(pair["width_hz"], pair["width_expanded_hz"])
        width = f", {told} wide at {pair['below_db']:g} dB"
    return f"notch{where} of {depth}{width}"


def _pad_text(kind: str, pad: Mapping[str, Any]) -> str:
    value = loss_text(pad["value_db"], pad["value_expanded_db"], at_least=pad["at_least"])
    nominal = number_text(pad["nominal_db"], 1)
    flat = loss_text(pad["flatness_db"], pad["flatness_expanded_db"])
    what = "pad" if kind == "flat" else f"{kind}, not flat as a pad is:"
    return f"{what} of {value} (nominal {nominal} dB), flat within {flat}"
