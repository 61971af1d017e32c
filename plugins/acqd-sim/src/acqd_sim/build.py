"""From the tables of a scene file to the things they describe."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from acqd.sweep import Identity
from acqd_sim.chance import stream_key
from acqd_sim.devices import (
    Amplifier,
    Antenna,
    Bridge,
    Cable,
    Device,
    Filter,
    Pad,
    Passband,
    Prototype,
    Termination,
    band_edges_hz,
)
from acqd_sim.emissions import Comb, Drift, Hump, Impulses, NoiseFloor, Tone, Warming
from acqd_sim.hours import UTC_ZONE, Zone
from acqd_sim.keying import Always, Bursts, Keying, Quiet, Slots
from acqd_sim.model import Model
from acqd_sim.moments import Moment
from acqd_sim.scene import Scene
from acqd_sim.spells import Daily, Fixed, Spells, Within
from acqd_sim.tables import (
    AmplifierTable,
    AntennaTable,
    AnyDevice,
    CableTable,
    CarrierTable,
    CombTable,
    DataTable,
    DriftTable,
    FilterTable,
    HumpTable,
    ImpulsesTable,
    InstrumentTable,
    KeyedTable,
    LevelDriftTable,
    NoiseTable,
    PadTable,
    QuietTable,
    SceneTable,
    SpellTable,
    TerminationTable,
    ToneTable,
    TransmitterTable,
    VoiceTable,
)
from acqd_sim.troubles import Kind, Trouble

__all__ = ["device_of", "model_of", "scene_of"]


@dataclass(frozen=True, slots=True)
class Place:
    """What the emissions of one scene have in common: the root of their numbers, and the clock."""

    seed: int
    scene: str
    zone: Zone

    def __call__(self, name: str, what: str) -> int:
        """The key of one emission's stream, by its name and what is drawn."""
        return stream_key(self.seed, self.scene, name, what)


VOICE_RATE_HZ = 3e3
"""Highest frequency in a voice channel's audio."""
VOICE_SPREAD = 1.0 / 3.0
"""Standard deviation of a voice's instantaneous frequency over its peak deviation: speech has high
peaks and a modest mean."""
SIGMAS_OF_99_PERCENT = 5.15166
"""Width of a Gaussian spectrum that holds 99 % of its power, in standard deviations."""


def scene_of(seed: int, scene: str, table: SceneTable, zone: Zone = UTC_ZONE) -> Scene:
    """The scene of one ``[scene.NAME]`` table; ``zone`` is the clock of its hours."""
    key = Place(seed, scene, zone)
    tones = [_tone(one, "carrier", key) for one in table.carrier]
    tones += [_voice(one, key) for one in table.voice]
    tones += [_data(one, key) for one in table.data]
    for transmitter in table.transmitter:
        tones += _transmitter(transmitter, key)
    return Scene(
        name=scene,
        floor=None if table.noise is None else _floor(table.noise, key),
        tones=tuple(tones),
        humps=tuple(_hump(one, key) for one in table.hump),
        combs=tuple(_comb(one, key) for one in table.comb),
        impulses=tuple(_impulses(one, key) for one in table.impulses),
    )


def _keying(table: KeyedTable, key: Place) -> Keying:
    if table.lasts is not None:
        each = [_from(one, table.lasts, key.zone) for one in table.at]
        return _spells(each, key.zone, key(table.name, "keying"), table.spread)
    if table.since is None:
        return _free_keying(table, key)
    spell = _spell(table, key.zone)
    if table.on is None and table.slot is None:
        return _spells([spell], key.zone, key(table.name, "keying"), table.spread)
    return Within(inner=_free_keying(table, key), spells=_spells([spell], key.zone))


def _free_keying(table: KeyedTable, key: Place) -> Keying:
    """Without times of the clock."""
    if table.on is not None and table.off is not None:
        return Bursts(
            key=key(table.name, "keying"),
            mean_on_s=table.on,
            mean_off_s=table.off,
            min_on_s=table.least_on,
            spread_db=table.spread,
            quiet=_quiet(table.quiet, key.zone),
        )
    if table.slot is not None and table.duty is not None:
        return Slots(
            key=key(table.name, "keying"),
            slot_s=table.slot,
            duty_fraction=table.duty,
            fill_fraction=table.fill,
            spread_db=table.spread,
        )
    return Always()


def _spells(
    each: Iterable[Daily | Fixed], zone: Zone, key: int = 0, spread_db: float = 0.0
) -> Spells:
    several = tuple(each)
    return Spells(
        daily=tuple(one for one in several if isinstance(one, Daily)),
        fixed=tuple(one for one in several if isinstance(one, Fixed)),
        zone=zone,
        key=key,
        spread_db=spread_db,
    )


def _from(moment: Moment, lasts_s: float, zone: Zone) -> Daily | Fixed:
    if moment.when is None:
        return Daily(start_s=moment.daily_s or 0.0, lasts_s=lasts_s)
    start_s = zone.moment(moment.when)
    return Fixed(start_s=start_s, stop_s=start_s + lasts_s)


def _spell(table: SpellTable, zone: Zone) -> Daily | Fixed:
    """From one time of the clock to another; the table saw to it that they are of one kind."""
    since, until = table.since or Moment(daily_s=0.0), table.until
    if since.when is None:
        return Daily(start_s=since.daily_s or 0.0, stop_s=until.daily_s if until else None)
    stop_s = zone.moment(until.when) if until is not None and until.when else math.inf
    return Fixed(start_s=zone.moment(since.when), stop_s=stop_s)


def _quiet(table: QuietTable | None, zone: Zone) -> Quiet | None:
    if table is None:
        return None
    return Quiet(
        start_h=table.hours(table.start),
        stop_h=table.hours(table.stop),
        share=table.share,
        zone=zone,
    )


def _drift(table: DriftTable | LevelDriftTable | None, key: int) -> Drift | None:
    return None if table is None else Drift(key=key, swing=table.swing, period_s=table.period)


def _tone(
    table: ToneTable,
    kind: str,
    key: Place,
    *,
    spread_hz: float = 0.0,
    peak_hz: float = 0.0,
    rate_hz: float = 0.0,
    bandwidth_hz: float = 0.0,
) -> Tone:
    warm = table.warm if isinstance(table, CarrierTable) else None
    return Tone(
        name=table.name,
        kind=kind,
        frequency_hz=table.frequency,
        power_dbm=table.power,
        keying=_keying(table, key),
        drift=_drift(table.drift, key(table.name, "drift")),
        warming=None
        if warm is None
        else Warming(
            shift_hz=-warm.shift if warm.down else warm.shift,
            droop_db=0.0,
            time_constant_s=warm.time,
        ),
        creep_hz_per_s=_creep_hz_per_s(table),
        spread_hz=spread_hz,
        peak_hz=peak_hz,
        rate_hz=rate_hz,
        bandwidth_hz=bandwidth_hz,
    )


def _creep_hz_per_s(table: ToneTable) -> float:
    return (-1.0 if table.creep_down else 1.0) * table.creep / 3600.0


def _voice(table: VoiceTable, key: Place) -> Tone:
    return _tone(
        table,
        "voice",
        key,
        spread_hz=VOICE_SPREAD * table.deviation,
        peak_hz=table.deviation,
        rate_hz=VOICE_RATE_HZ,
        bandwidth_hz=2.0 * (table.deviation + VOICE_RATE_HZ),  # Carson's rule
    )


def _data(table: DataTable, key: Place) -> Tone:
    spread_hz = table.bandwidth / SIGMAS_OF_99_PERCENT
    return _tone(
        table,
        "data",
        key,
        spread_hz=spread_hz,
        peak_hz=table.bandwidth,
        rate_hz=table.rate,
        bandwidth_hz=table.bandwidth,
    )


def _transmitter(table: TransmitterTable, key: Place) -> list[Tone]:
    """The carrier and its harmonics, all keyed and drifting together."""
    sign = -1.0 if table.warm_down else 1.0
    warming = Warming(
        shift_hz=sign * table.warm_shift * 1e-6 * table.frequency,
        droop_db=table.warm_droop,
        time_constant_s=table.warm_time,
    )
    keying = _keying(table, key)
    drift = _drift(table.drift, key(table.name, "drift"))
    return [
        Tone(
            name=table.name if order == 1 else f"{table.name}, harmonic {order}",
            kind="transmitter" if order == 1 else "harmonic",
            frequency_hz=order * table.frequency,
            power_dbm=table.power - below_db,
            keying=keying,
            drift=drift,
            warming=warming,
            creep_hz_per_s=_creep_hz_per_s(table),
            order=order,
        )
        for order, below_db in enumerate((0.0, *table.harmonics), start=1)
    ]


def _floor(table: NoiseTable, key: Place) -> NoiseFloor:
    return NoiseFloor(
        key=key("noise floor", "flutter"),
        c_db=table.c,
        d_db=table.d,
        course_db=table.course,
        peak_h=QuietTable.hours(table.peak),
        flutter_db=table.flutter,
        drift_db=_drift(table.drift, key("noise floor", "drift")),
        zone=key.zone,
    )


def _hump(table: HumpTable, key: Place) -> Hump:
    return Hump(
        name=table.name,
        start_hz=table.start,
        stop_hz=table.stop,
        density_dbm_per_hz=table.power - 10.0 * math.log10(table.per),
        edge_hz=table.edge,
        keying=_keying(table, key),
        drift_db=_drift(table.drift, key(table.name, "level drift")),
    )


def _comb(table: CombTable, key: Place) -> Comb:
    return Comb(
        name=table.name,
        fundamental_hz=table.fundamental,
        power_dbm=table.power,
        slope_db_per_decade=table.slope,
        jitter_hz=table.jitter,
        stop_hz=table.stop,
        drift=_drift(table.drift, key(table.name, "drift")),
        drift_db=_drift(table.level_drift, key(table.name, "level drift")),
        keying=_keying(table, key),
    )


def _impulses(table: ImpulsesTable, key: Place) -> Impulses:
    return Impulses(
        name=table.name,
        key=key(table.name, "strikes"),
        start_hz=table.start,
        stop_hz=table.stop,
        peak_dbm=table.peak,
        reference_hz=table.per,
        rate_per_s=table.rate,
        spread_db=table.spread or 3.0,
        keying=_keying(table, key),
    )


def device_of(table: AnyDevice, known: Mapping[str, Device]) -> Device:
    """The device of one ``[device.NAME]`` table; what a bridge names is in ``known`` already."""
    match table:
        case PadTable():
            return Pad(loss_db=table.loss)
        case CableTable():
            return Cable(loss_db=table.loss, at_hz=table.at, length_m=table.length)
        case AmplifierTable():
            return Amplifier(
                amplification_db=table.gain,
                noise_figure_db=table.noise_figure,
                start_hz=table.start,
                stop_hz=table.stop,
            )
        case FilterTable():
            return _filter(table)
        case TerminationTable():
            return Termination(state=table.kind, return_loss_db=table.return_loss)
        case AntennaTable():
            return Antenna(resonance_hz=table.resonance, q=table.q, resistance_ohm=table.resistance)
        case _:
            cable = None if table.cable is None else known[table.cable]
            return Bridge(
                load=known[table.load],
                cable=cable if isinstance(cable, Cable) else None,
                loss_db=table.loss,
                directivity_db=table.directivity,
                source_match_db=table.source_match,
            )


def _filter(table: FilterTable) -> Filter:
    low_hz, high_hz = table.edge or 0.0, table.edge or 0.0
    if table.centre is not None and table.width is not None:
        low_hz, high_hz = band_edges_hz(table.centre, table.width)
    return Filter(
        passband=Passband(table.kind),
        prototype=Prototype(table.prototype),
        order=table.order,
        ripple_db=table.ripple,
        low_hz=low_hz,
        high_hz=high_hz,
        insertion_loss_db=table.loss,
        floor_db=table.floor,
    )


def model_of(table: InstrumentTable, zone: Zone = UTC_ZONE) -> Model:
    """The receiver model of one ``[instrument.NAME]`` table; ``zone`` is the clock of its hours."""
    has_source = table.source_min is not None and table.source_max is not None
    return Model(
        identity=Identity(
            maker=table.maker,
            model=table.model,
            serial_number=table.serial_number,
            firmware=table.firmware,
        ),
        start_hz=table.start,
        stop_hz=table.stop,
        points_min=table.points_min,
        points_max=table.points_max,
        rbw_min_hz=table.rbw_min,
        rbw_max_hz=table.rbw_max,
        detectors=table.detectors,
        attenuation_max_db=table.attenuation_max,
        attenuation_step_db=table.attenuation_step,
        danl_dbm_per_hz=table.danl,
        level_accuracy_db=table.accuracy,
        level_step_db=table.step,
        frequency_accuracy_ppm=table.frequency_accuracy,
        compression_dbm=table.compression,
        toi_dbm=table.toi,
        shi_dbm=table.shi,
        residuals=table.residuals,
        residual_dbm=table.residual,
        sweep_factor=table.sweep_factor,
        sweep_min_s=table.sweep_min,
        absolute_max_dbm=table.absolute_max,
        away=_spells([_spell(one, zone) for one in table.away], zone),
        troubles=tuple(
            Trouble(
                kind=Kind(one.what),
                device=one.device,
                loss_db=one.loss or 0.0,
                spells=_spells([_spell(one, zone)], zone),
            )
            for one in table.trouble
        ),
        source=has_source,
        source_start_hz=table.start,
        source_stop_hz=table.stop,
        source_min_dbm=table.source_min if table.source_min is not None else -40.0,
        source_max_dbm=table.source_max if table.source_max is not None else 0.0,
    )
