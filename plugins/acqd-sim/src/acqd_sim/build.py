"""From the tables of a scene file to the things they describe."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

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
from acqd_sim.keying import Always, Bursts, Keying, Quiet, Slots
from acqd_sim.model import Model
from acqd_sim.scene import Scene
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
    TerminationTable,
    TransmitterTable,
    VoiceTable,
)

__all__ = ["device_of", "model_of", "scene_of"]

KeyOf = Callable[[str, str], int]
"""The key of one emission's stream, by its name and what is drawn."""

VOICE_RATE_HZ = 3e3
"""Highest frequency in a voice channel's audio."""
VOICE_SPREAD = 1.0 / 3.0
"""Standard deviation of a voice's instantaneous frequency over its peak deviation: speech has high
peaks and a modest mean."""
SIGMAS_OF_99_PERCENT = 5.15166
"""Width of a Gaussian spectrum that holds 99 % of its power, in standard deviations."""


def scene_of(seed: int, scene: str, table: SceneTable) -> Scene:
    """The scene of one ``[scene.NAME]`` table."""

    def key(name: str, what: str) -> int:
        return stream_key(seed, scene, name, what)

    tones = [_tone(one, "carrier", key) for one in table.carrier]
    tones += [_voice(one, key) for one in table.voice]
    tones += [_data(one, key) for one in table.data]
    for transmitter in table.transmitter:
        tones += _transmitter(transmitter, key)
    return Scene(
        name=scene,
        floor=None if table.noise is None else _floor(table.noise, key("noise floor", "flutter")),
        tones=tuple(tones),
        humps=tuple(_hump(one, key) for one in table.hump),
        combs=tuple(_comb(one, key) for one in table.comb),
        impulses=tuple(_impulses(one, key) for one in table.impulses),
    )


def _keying(table: KeyedTable, key: KeyOf) -> Keying:
    if table.on is not None and table.off is not None:
        return Bursts(
            key=key(table.name, "keying"),
            mean_on_s=table.on,
            mean_off_s=table.off,
            min_on_s=table.least_on,
            spread_db=table.spread,
            quiet=_quiet(table.quiet),
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


def _quiet(table: QuietTable | None) -> Quiet | None:
    if table is None:
        return None
    return Quiet(
        start_h=table.hours(table.start), stop_h=table.hours(table.stop), share=table.share
    )


def _drift(table: DriftTable | LevelDriftTable | None, key: int) -> Drift | None:
    return None if table is None else Drift(key=key, swing=table.swing, period_s=table.period)


def _tone(
    table: CarrierTable,
    kind: str,
    key: KeyOf,
    *,
    spread_hz: float = 0.0,
    peak_hz: float = 0.0,
    rate_hz: float = 0.0,
    bandwidth_hz: float = 0.0,
) -> Tone:
    return Tone(
        name=table.name,
        kind=kind,
        frequency_hz=table.frequency,
        power_dbm=table.power,
        keying=_keying(table, key),
        drift=_drift(table.drift, key(table.name, "drift")),
        spread_hz=spread_hz,
        peak_hz=peak_hz,
        rate_hz=rate_hz,
        bandwidth_hz=bandwidth_hz,
    )


def _voice(table: VoiceTable, key: KeyOf) -> Tone:
    return _tone(
        table,
        "voice",
        key,
        spread_hz=VOICE_SPREAD * table.deviation,
        peak_hz=table.deviation,
        rate_hz=VOICE_RATE_HZ,
        bandwidth_hz=2.0 * (table.deviation + VOICE_RATE_HZ),  # Carson's rule
    )


def _data(table: DataTable, key: KeyOf) -> Tone:
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


def _transmitter(table: TransmitterTable, key: KeyOf) -> list[Tone]:
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
            order=order,
        )
        for order, below_db in enumerate((0.0, *table.harmonics), start=1)
    ]


def _floor(table: NoiseTable, key: int) -> NoiseFloor:
    return NoiseFloor(
        key=key,
        c_db=table.c,
        d_db=table.d,
        course_db=table.course,
        peak_h=QuietTable.hours(table.peak),
        flutter_db=table.flutter,
    )


def _hump(table: HumpTable, key: KeyOf) -> Hump:
    return Hump(
        name=table.name,
        start_hz=table.start,
        stop_hz=table.stop,
        density_dbm_per_hz=table.power - 10.0 * math.log10(table.per),
        edge_hz=table.edge,
        keying=_keying(table, key),
        drift_db=_drift(table.drift, key(table.name, "level drift")),
    )


def _comb(table: CombTable, key: KeyOf) -> Comb:
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


def _impulses(table: ImpulsesTable, key: KeyOf) -> Impulses:
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


def model_of(table: InstrumentTable) -> Model:
    """The receiver model of one ``[instrument.NAME]`` table."""
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
        source=has_source,
        source_start_hz=table.start,
        source_stop_hz=table.stop,
        source_min_dbm=table.source_min if table.source_min is not None else -40.0,
        source_max_dbm=table.source_max if table.source_max is not None else 0.0,
    )
