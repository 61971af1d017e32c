"""Can what is connected do harm? Figures for people who decide, beside the chain's own (G7).

What arrives at the input if one part of the chain fails, which pad is missing, what a transmitter
near a watching aerial brings to its socket, and how strong a field is some way off. All of it is
worked out from what the user states, all of it is on the safe side where nobody states anything,
and none of it replaces the rating of a part, a licence, or the rules where one is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from acqd.chain import (
    MARGIN_DB,
    POWER_RESERVE_DB,
    RATED_AT_C,
    SPEAKS_OF_HEAT_W,
    Chain,
    ChainPart,
    PartKind,
)
from acqd.units import dbm_from_watt, watt_from_dbm

__all__ = [
    "REFLECTION_DB",
    "USUAL_PADS_DB",
    "Coupling",
    "Exposure",
    "Failure",
    "PadAdvice",
    "coupling_at_distance",
    "exposure_at_distance",
    "failures",
    "free_space_loss_db",
    "missing_pad",
    "missing_pad_text",
]

USUAL_PADS_DB = (3.0, 6.0, 10.0, 20.0, 30.0, 40.0)
"""What pads there are to buy (trade practice)."""

REFLECTION_DB = 6.0
"""What a good reflector, such as wet ground or a wall, can add: it doubles the field (derived)."""

SPEED_OF_LIGHT_M_PER_S = 299_792_458.0
FAR_WAVELENGTHS = 2.0
"""Nearer than this a far-field figure is marked as rough. Definition ours, for aerials up to about
a wavelength, whose far field begins at 2D²/λ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """What happens if one part passes everything instead of what it should.

    ``position`` is its place in the chain, from 1 at the far end.
    ``arriving_dbm`` is the largest level at the sweeper's input then, reserve included.
    ``overloaded`` are the parts that would get more heat than they are rated for and so may fail
    in their turn, ``unrated`` those of which nobody knows.
    """

    position: int
    name: str
    arriving_dbm: float
    absolute_max_dbm: float | None
    overloaded: tuple[str, ...] = ()
    unrated: tuple[str, ...] = ()

    @property
    def survives(self) -> bool | None:
        """Whether less than the absolute maximum arrives; None where nobody knows that."""
        if self.absolute_max_dbm is None:
            return None
        # Exactly the maximum must not pass on the last bit of a sum.
        return self.arriving_dbm < self.absolute_max_dbm - 1e-9

    @property
    def harmless(self) -> bool:
        """The input survives, and no other part is at risk of failing too."""
        return self.survives is True and not self.overloaded and not self.unrated

    def __str__(self) -> str:
        arrives = f"if {self.name} fails, {_dbm(self.arriving_dbm)} arrive at the sweeper's input"
        if self.absolute_max_dbm is None:
            return f"{arrives}, and its absolute maximum is unknown: state it first"
        most = _dbm(self.absolute_max_dbm)
        if not self.survives:
            return f"{arrives}, which stands less than {most}: it may be destroyed"
        if self.overloaded:
            more = f"{_listed(self.overloaded)} would get more than rated and may fail too"
        elif self.unrated:
            more = f"whether {_listed(self.unrated)} would stand it is unknown: state `rated`"
        else:
            return f"{arrives}, below its maximum of {most}: it survives"
        return f"{arrives}, below its maximum of {most}, but {more}"


def failures(
    chain: Chain,
    power_w: float,
    *,
    start_hz: float,
    stop_hz: float,
    absolute_max_dbm: float | None,
    reserve_db: float = POWER_RESERVE_DB,
    ambient_c: float = RATED_AT_C,
    duty: float = 1.0,
) -> tuple[Failure, ...]:
    """What each part with loss does to the input if it fails alone and passes everything.

    Only a chain in which every one of them is :attr:`Failure.harmless` is safe against a failed
    part. Two parts that fail of one cause, and what else a failing part may do (opening, so that
    the transmitter has no load), are not looked at. Cables count too: for one that is swapped for
    a short one. Aerials and parts without loss do not.

    Args:
        power_w: stated power at the far end of the chain.
        start_hz: from here to ``stop_hz`` the power may be; the least loss in it counts.
        absolute_max_dbm: of the sweeper's input, None where unknown.
        reserve_db: added to what arrives at the input; heat is that of the stated power.
        ambient_c: temperature that ratings are derated to.
        duty: share of the time that the power is there, as in :meth:`Chain.dissipation`.

    Raises:
        ValueError: as :meth:`Chain.dissipation` and :meth:`Chain.planned_input_dbm`.
    """
    found = []
    for at, part in enumerate(chain.parts):
        if part.kind is PartKind.ANTENNA or not _has_loss(part, chain.rows_hz(start_hz, stop_hz)):
            continue
        failed = Chain((*chain.parts[:at], _passing(part), *chain.parts[at + 1 :]))
        heat = _most_heat(failed, power_w, start_hz, stop_hz, duty)
        limits = [each.rated_at_w(ambient_c) for each in failed.parts]
        # The part itself has no loss left and so no heat.
        others = list(zip(failed.parts, heat, limits, strict=True))
        found.append(
            Failure(
                position=at + 1,
                name=part.name,
                arriving_dbm=failed.planned_input_dbm(
                    power_w, start_hz=start_hz, stop_hz=stop_hz, reserve_db=reserve_db
                ),
                absolute_max_dbm=absolute_max_dbm,
                overloaded=tuple(
                    other.name for other, w, most in others if most is not None and w > most
                ),
                unrated=tuple(
                    other.name for other, w, most in others if most is None and w > SPEAKS_OF_HEAT_W
                ),
            )
        )
    return tuple(found)


def _has_loss(part: ChainPart, rows_hz: tuple[float, ...]) -> bool:
    return bool((part.gain_at_db(rows_hz) < 0.0).any())


def _passing(part: ChainPart) -> ChainPart:
    """The part without its loss; gain that it has elsewhere stays."""
    gain_db = tuple(max(0.0, gain) for gain in part.gain_db)
    return ChainPart(
        kind=part.kind, name=part.name, frequency_hz=part.frequency_hz, gain_db=gain_db
    )


def _most_heat(
    chain: Chain, power_w: float, start_hz: float, stop_hz: float, duty: float
) -> list[float]:
    """Mean heat in each part, not below its largest at any frequency of the range: what arrives
    with the least loss before it, of which its largest loss stays in it."""
    chain.dissipation(power_w, start_hz, duty=duty)  # for its refusals
    rows_hz = chain.rows_hz(start_hz, stop_hz)
    heat_w = []
    for at, part in enumerate(chain.parts):
        before_db = Chain(chain.parts[:at]).largest_gain_db(start_hz, stop_hz)
        kept = 1.0 - 10.0 ** (min(0.0, float(part.gain_at_db(rows_hz).min())) / 10.0)
        heat_w.append(duty * power_w * 10.0 ** (before_db / 10.0) * kept)
    return heat_w


@dataclass(frozen=True, slots=True, kw_only=True)
class PadAdvice:
    """Pads of usual values that bring a chain to its margin, largest first.

    ``first_w`` is what the largest turns into heat where the pads come before the chain, ``last_w``
    where they come after it, both for the stated power. ``sent_w`` is the power of a transmitter
    that is near the aerial and not on the chain: a pad in its own line would get all of it.
    """

    missing_db: float
    pads_db: tuple[float, ...]
    first_w: float
    last_w: float
    sent_w: float | None = None

    @property
    def total_db(self) -> float:
        return math.fsum(self.pads_db)

    def __str__(self) -> str:
        one = f"add a {self.pads_db[0]:g} dB pad"
        pads = one + "".join(f", after it a {pad:g} dB pad" for pad in self.pads_db[1:])
        which = "it" if len(self.pads_db) == 1 else "the first of them"
        where, end, beside = "", "transmitter's", ""
        if self.sent_w is not None:
            where, end = " between the aerial and the sweeper", "aerial's"
            beside = f"; not in the transmitter's own line, where {_watt(self.sent_w)} would hit it"
        return (
            f"{self.missing_db:.1f} dB are missing: {pads}{where}. At the {end} end {which} has "
            f"to be rated for {_watt(self.first_w)}, at the sweeper's end for "
            f"{_watt(self.last_w)}, at the temperature where it is used{beside}"
        )


def missing_pad(
    chain: Chain,
    power_w: float,
    *,
    start_hz: float,
    stop_hz: float,
    absolute_max_dbm: float,
    margin_db: float = MARGIN_DB,
    reserve_db: float = POWER_RESERVE_DB,
    isolation_db: float | None = None,
) -> PadAdvice | None:
    """Which pad to add so that a stated power keeps its margin (G7); None where none is missing.

    The smallest usual pad that is enough, or as many of 40 dB as it takes and one more. Behind an
    amplifier a pad protects the sweeper and not the amplifier.

    Args:
        isolation_db: between a transmitter of ``power_w`` that is near the aerial and the chain's
            far end, 0 where none is counted on; None for a power that comes down the chain.

    Raises:
        ValueError: as :meth:`Chain.headroom`.
    """
    sent_w = None if isolation_db is None else power_w
    power_w *= 10.0 ** (-(isolation_db or 0.0) / 10.0)
    room = chain.headroom(
        power_w,
        start_hz=start_hz,
        stop_hz=stop_hz,
        absolute_max_dbm=absolute_max_dbm,
        margin_db=margin_db,
        reserve_db=reserve_db,
    )
    if room.enough:
        return None
    pads_db = _pads_for(room.missing_db)
    kept = 1.0 - 10.0 ** (-pads_db[0] / 10.0)
    gain_db = chain.largest_gain_db(start_hz, stop_hz)
    return PadAdvice(
        missing_db=room.missing_db,
        pads_db=pads_db,
        first_w=power_w * kept,
        last_w=power_w * 10.0 ** (gain_db / 10.0) * kept,
        sent_w=sent_w,
    )


def _pads_for(missing_db: float) -> tuple[float, ...]:
    largest_db = USUAL_PADS_DB[-1]
    whole = max(0, math.ceil((missing_db - 1e-9) / largest_db) - 1)
    rest_db = missing_db - whole * largest_db
    last_db = next(pad for pad in USUAL_PADS_DB if pad >= rest_db - 1e-9)
    return (*(largest_db,) * whole, last_db)


def missing_pad_text(
    chain: Chain,
    power_w: float,
    *,
    start_hz: float,
    stop_hz: float,
    absolute_max_dbm: float | None,
    margin_db: float = MARGIN_DB,
    reserve_db: float = POWER_RESERVE_DB,
    isolation_db: float | None = None,
) -> str:
    """:func:`missing_pad` as a sentence, also where none is missing or the maximum is unknown.

    Raises:
        ValueError: as :meth:`Chain.headroom`.
    """
    if absolute_max_dbm is None:
        return "the sweeper's absolute maximum is unknown: state it first, from its data sheet"
    advice = missing_pad(
        chain,
        power_w,
        start_hz=start_hz,
        stop_hz=stop_hz,
        absolute_max_dbm=absolute_max_dbm,
        margin_db=margin_db,
        reserve_db=reserve_db,
        isolation_db=isolation_db,
    )
    return "no pad is missing" if advice is None else str(advice)


def free_space_loss_db(distance_m: float, frequency_hz: float) -> float:
    """Loss between two isotropic aerials in free space: 20 log(4π·d·f/c), in dB.

    Source: transmission formula of free space, far field (derived; Rec. ITU-R P.525, from memory).

    Raises:
        ValueError: not a positive frequency or distance, or a distance below λ/2π, in the reactive
            near field, where no such figure holds.
    """
    if not 0.0 < frequency_hz < math.inf:
        raise ValueError(f"frequency_hz must be finite and above 0, got {frequency_hz}")
    if not 0.0 < distance_m < math.inf:
        raise ValueError(f"distance_m must be finite and above 0, got {distance_m}")
    wavelength_m = SPEED_OF_LIGHT_M_PER_S / frequency_hz
    nearest_m = wavelength_m / (2.0 * math.pi)
    if distance_m < nearest_m:
        raise ValueError(
            f"{distance_m:g} m is nearer than λ/2π = {nearest_m:.3g} m at {frequency_hz / 1e6:g} "
            "MHz: aerials this near couple in ways that no distance tells; measure it, or count "
            "on 0 dB"
        )
    return 20.0 * math.log10(4.0 * math.pi * distance_m / wavelength_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupling:
    """What a transmitter brings to the socket of another aerial.

    ``isolation_db`` lies between the transmitter's power and the aerial's socket and is never below
    0. ``rough``: so near that the estimate may be several dB off either way.
    """

    isolation_db: float
    arriving_dbm: float
    rough: bool

    @property
    def arriving_w(self) -> float:
        return float(watt_from_dbm(self.arriving_dbm))

    def __str__(self) -> str:
        said = (
            f"{_dbm(self.arriving_dbm)} at the aerial's socket, "
            f"{self.isolation_db:.1f} dB below the transmitter (free space, an estimate)"
        )
        return f"{said}; so near it is a rough one: measure it" if self.rough else said


def coupling_at_distance(
    power_w: float,
    *,
    distance_m: float,
    start_hz: float,
    transmit_gain_dbi: float,
    receive_gain_dbi: float,
    reflection_db: float = REFLECTION_DB,
) -> Coupling:
    """The most that a transmitter some way off brings to the socket of a watching aerial.

    Free space, both aerials turned towards each other and equally polarised, and a reflection that
    adds up. Trees, roofs and crossed polarisation bring less; a mast, stays or a feeder between
    the two may bring more than any distance tells. A measured isolation is better than this.

    Args:
        power_w: at the transmitting aerial's socket.
        start_hz: the lowest frequency of the transmitter, where the loss is least.
        transmit_gain_dbi: largest gain of its aerial.
        receive_gain_dbi: largest gain of the watching aerial; 0 where that is a part of the chain.
        reflection_db: for a reflector in the way; 0 for free space only.

    Raises:
        ValueError: as :func:`free_space_loss_db`; ``power_w`` is not above 0; a gain or
            ``reflection_db`` is not finite.
    """
    if not 0.0 < power_w < math.inf:
        raise ValueError(f"power_w must be above 0, got {power_w}")
    gains_db = transmit_gain_dbi + receive_gain_dbi + reflection_db
    if not math.isfinite(gains_db):
        raise ValueError("gains and reflection_db must be finite")
    loss_db = free_space_loss_db(distance_m, start_hz)
    isolation_db = max(0.0, loss_db - gains_db)
    return Coupling(
        isolation_db=isolation_db,
        arriving_dbm=float(dbm_from_watt(power_w)) - isolation_db,
        rough=_is_near(distance_m, start_hz),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """How strong a far field is in one direction, without any verdict: limits are local."""

    eirp_w: float
    distance_m: float
    density_w_per_m2: float
    field_v_per_m: float
    rough: bool

    def __str__(self) -> str:
        said = (
            f"about {self.density_w_per_m2:.3g} W/m² or {self.field_v_per_m:.3g} V/m at "
            f"{self.distance_m:g} m (far field, an estimate)"
        )
        near = "; so near it is a rough one" if self.rough else ""
        return f"{said}{near}; hold it against the exposure limits in force where you are"


def exposure_at_distance(
    power_w: float,
    *,
    gain_dbi: float,
    distance_m: float,
    frequency_hz: float,
    reflection_db: float = 0.0,
) -> Exposure:
    """Power density EIRP/4πr² and field √(30·EIRP)/r in the main beam of an aerial, far field.

    An estimate for planning, no assessment: exposure limits (ICNIRP guidelines or national ones)
    are averaged over time and body, and near an aerial only a measurement tells.

    Args:
        power_w: at the aerial's socket; the mean over the time that the limit is averaged over.
        gain_dbi: largest gain of the aerial.
        distance_m: from the aerial.
        frequency_hz: tells where the far field begins.
        reflection_db: 0 for free space; :data:`REFLECTION_DB` where ground or a wall reflects.

    Raises:
        ValueError: as :func:`free_space_loss_db`; ``power_w`` is not above 0; ``gain_dbi`` or
            ``reflection_db`` is not finite.
    """
    if not 0.0 < power_w < math.inf:
        raise ValueError(f"power_w must be above 0, got {power_w}")
    if not math.isfinite(gain_dbi + reflection_db):
        raise ValueError("gain_dbi and reflection_db must be finite")
    free_space_loss_db(distance_m, frequency_hz)  # for its refusals
    eirp_w = power_w * 10.0 ** (gain_dbi / 10.0)
    seen_w = eirp_w * 10.0 ** (reflection_db / 10.0)
    return Exposure(
        eirp_w=eirp_w,
        distance_m=distance_m,
        density_w_per_m2=seen_w / (4.0 * math.pi * distance_m**2),
        field_v_per_m=math.sqrt(30.0 * seen_w) / distance_m,
        rough=_is_near(distance_m, frequency_hz),
    )


def _is_near(distance_m: float, frequency_hz: float) -> bool:
    return distance_m < FAR_WAVELENGTHS * SPEED_OF_LIGHT_M_PER_S / frequency_hz


def _dbm(level_dbm: float) -> str:
    """With two decimals, so that just below a maximum is not shown as the maximum."""
    return f"{level_dbm:.2f} dBm".replace("-", "−")


def _watt(power_w: float) -> str:
    """A rating to ask for: rounded up to two digits."""
    if power_w <= SPEAKS_OF_HEAT_W:
        return "10 mW, which any is"
    step = 10.0 ** (math.floor(math.log10(power_w)) - 1)
    up_w = math.ceil(power_w / step - 1e-9) * step
    return f"{up_w:.3g} W" if up_w >= 1.0 - 1e-9 else f"{up_w * 1e3:.3g} mW"


def _listed(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
