"""Whether the chain can prove the limits of an emission job: beforehand, and with what was seen."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from acqd.measure.bandpower import enb_hz
from acqd.measure.emission_limits import limit_dbm_at
from acqd.measure.emission_origin import Classed
from acqd.measure.emission_outcome import Found, Outcome
from acqd.measure.emission_readings import gain_db_at
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.linearity import Origin, intercept_dbm
from acqd.measure.passmeter import Seen
from acqd.measure.provability import (
    Can,
    Figure,
    KnownFrom,
    Provability,
    SweeperFigures,
    common_pad_db,
    provability,
    usual_pads,
)
from acqd.measure.words import frequency_text, number_text
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ

__all__ = ["ASSUMED_RBW_HZ", "Harmonic", "foreseen", "intercepts_of", "proof_of"]

ASSUMED_RBW_HZ = 10e3
"""Where a job leaves the RBW of its harmonics to the sweeper."""

SENTENCES_MOST = 4

Harmonic = tuple[float, float]
"""Frequency in Hz, and the loss of the chain there in dB."""


# --- beforehand -----------------------------------------------------------------------------------


def foreseen(
    settings: EmissionSettings,
    *,
    carrier: Harmonic,
    harmonics: Sequence[Harmonic],
    attenuation_db: float | None,
    enb_per_rbw: float | None = None,
) -> tuple[str, ...]:
    """What can be said before anybody keys, a sentence each: what can be proved, and what would do.

    Args:
        carrier: the fundamental, with the chain's loss there.
        harmonics: from the second on, as far as they are asked for.
        attenuation_db: the sweeper's own; None takes 0.
        enb_per_rbw: its noise bandwidth over its RBW; None takes that of a Gaussian filter.
    """
    if settings.power_dbm is None or not settings.limits:
        return ()
    rbw_hz = settings.harmonic_rbw_hz or settings.request.rbw_hz or ASSUMED_RBW_HZ
    noise_hz = enb_hz(rbw_hz, enb_per_rbw=enb_per_rbw)
    sweeper = _figures(settings, rbw_hz, noise_hz, attenuation_db or 0.0)
    found: list[tuple[str, Provability]] = []
    for order, (at_hz, loss_db) in enumerate(harmonics, start=2):
        limit_dbm = limit_dbm_at(settings, at_hz, carrier[0])
        if limit_dbm is None:
            continue
        can = provability(
            power_dbm=settings.power_dbm,
            loss_db=carrier[1],
            product_loss_db=loss_db,
            sweeper=sweeper,
            limit_dbm=limit_dbm,
            order=order,
        )
        found.append((f"harmonic {order} ({frequency_text(at_hz)})", can))
    return (*_sentences(found), *_common(found, attenuation_db))


def _figures(
    settings: EmissionSettings, rbw_hz: float, noise_hz: float, attenuation_db: float
) -> SweeperFigures:
    floor = None
    if settings.noise_figure_db is not None:
        floor_dbm = (
            THERMAL_DENSITY_DBM_PER_HZ + settings.noise_figure_db + 10.0 * math.log10(noise_hz)
        )
        floor = Figure(value_dbm=floor_dbm, known=KnownFrom.DECLARED)
    return SweeperFigures.known(
        rbw_hz=rbw_hz,
        floor_dbm=floor,
        shi_dbm=settings.declared(2),
        toi_dbm=settings.declared(3),
        attenuation_db=attenuation_db,
    )


def _sentences(found: Sequence[tuple[str, Provability]]) -> Iterator[str]:
    """One for each of the second and the third, one for the rest, which hangs on the floor."""
    for name, can in found[:2]:
        yield f"{name}: the chain {can.text}"
    rest = [pair for pair in found[2:] if pair[1].can is Can.NO]
    if rest:
        name, worst = max(rest, key=lambda pair: pair[1].floor_excess_db)
        yield f"{name}: the chain {worst.text}"


def _common(
    found: Sequence[tuple[str, Provability]], attenuation_db: float | None
) -> Iterator[str]:
    judged = [can for _, can in found if can.order in (2, 3)]
    if judged and any(can.can is not Can.YES for can in judged):
        common = common_pad_db(judged)
        if common is not None and common[0] > 0.0:
            pads = usual_pads(*common)
            what = (
                " + ".join(f"{one:g}" for one in pads)
                if pads
                else f"{number_text(common[0], 1)} to {number_text(common[1], 1)}"
            )
            yield f"with {what} dB more in pads all of them could be proved"
    if found and attenuation_db is None:
        yield (
            "the job does not state the sweeper's own attenuation: 0 dB was counted on; with more "
            "of it the sweeper makes less by itself, and its floor is higher"
        )


# --- with what was seen ---------------------------------------------------------------------------


def _at_mixer_dbm(outcome: Outcome, seen: Seen) -> float | None:
    """The fundamental at the sweeper's mixer with the attenuation of ``seen``."""
    look, first = outcome.look, outcome.first
    if look is None or look.fundamental is None or first is None:
        return None
    gain_db = gain_db_at(first, look.fundamental.centre_hz)
    return look.fundamental.level_dbm + gain_db - (seen.setup.attenuation_db or 0.0)


def intercepts_of(settings: EmissionSettings, outcome: Outcome) -> dict[int, Figure]:
    """Intercepts of the second and third order: declared, or as the check measured them.

    A third harmonic gives the intercept of one tone: what :mod:`acqd.measure.provability` judges
    third harmonics by, too strict by 4.8 dB where it is declared, is then right.
    """
    found: dict[int, Figure] = {}
    for order in (2, 3):
        declared = settings.declared(order)
        if declared is not None:
            found[order] = declared
    for one in outcome.products:
        product, order = one.product, one.product.order or 0
        if order not in (2, 3) or order in found or not _made_inside(one.classed, order):
            continue
        assert outcome.seen_of is not None
        mixer_dbm = _at_mixer_dbm(outcome, outcome.seen_of[product.step])
        if mixer_dbm is None:
            continue
        own_dbm = product.level_dbm + product.gain_db - (product.attenuation_db or 0.0)
        value_dbm = intercept_dbm(mixer_dbm, own_dbm - mixer_dbm, order)
        found[order] = Figure(value_dbm=value_dbm, known=KnownFrom.MEASURED)
    return found


def _made_inside(classed: Classed, order: int | None) -> bool:
    return classed.origin is Origin.INSIDE and classed.order == order


def proof_of(settings: EmissionSettings, outcome: Outcome) -> tuple[str, ...]:
    """What the chain can prove of the harmonics, by the floor that was seen; the worst first."""
    if outcome.look is None or outcome.look.fundamental is None or outcome.seen_of is None:
        return ()
    figures = intercepts_of(settings, outcome)
    sentences = []
    for one in outcome.products:
        found = _proof(settings, outcome, one, figures)
        if found is not None and found.can is not Can.YES:
            rank = (found.can is not Can.NO, -(found.own_product_dbc or -math.inf))
            sentences.append((rank, f"{one.product.name}: the chain {found.text}"))
    sentences.sort()
    return tuple(text for _, text in sentences[:SENTENCES_MOST])


def _proof(
    settings: EmissionSettings, outcome: Outcome, one: Found, figures: dict[int, Figure]
) -> Provability | None:
    product, look = one.product, outcome.look
    assert look is not None
    assert outcome.first is not None
    assert outcome.seen_of is not None
    if product.order not in (2, 3) or look.fundamental is None:
        return None
    carrier_hz = look.fundamental.centre_hz
    limit_dbm = limit_dbm_at(settings, product.frequency_hz, carrier_hz)
    if limit_dbm is None:
        return None
    attenuation_db = product.attenuation_db or 0.0
    floor_dbm = product.floor_dbm + product.gain_db - attenuation_db
    sweeper = SweeperFigures.known(
        rbw_hz=product.rbw_hz or ASSUMED_RBW_HZ,
        floor_dbm=Figure(value_dbm=floor_dbm, known=KnownFrom.MEASURED),
        shi_dbm=figures.get(2),
        toi_dbm=figures.get(3),
        attenuation_db=attenuation_db,
    )
    return provability(
        power_dbm=look.fundamental.level_dbm + outcome.pad_db,
        loss_db=outcome.pad_db - gain_db_at(outcome.first, carrier_hz),
        product_loss_db=outcome.pad_db - product.gain_db,
        sweeper=sweeper,
        limit_dbm=limit_dbm,
        order=product.order,
    )
