"""The commands of a simulated sweeper: SCPI-1999 vol. 2 names, IEEE 488.2 common commands.

One table, :data:`COMMANDS`, at the end; above it what each of them does.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acqd.errors import RequestRefused
from acqd.sweep import Detector
from acqd.units import dbuv_from_dbm, watt_from_dbm
from acqd_sim.grammar import (
    FREQUENCY_UNITS,
    LEVEL_UNITS,
    NO_UNITS,
    RATIO_UNITS,
    TIME_UNITS,
    ScpiError,
    choice_of,
    header_key,
    numeric_of,
)
from acqd_sim.instrument import Instrument
from acqd_sim.model import REFERENCE_LEVELS_DBM, SWEEP_MAX_S, VBW_MIN_HZ
from acqd_sim.shapes import (
    Command,
    Numeric,
    Parameters,
    choice,
    event,
    flag,
    no_parameter,
    numeric,
    one_parameter,
    plain,
    reading,
    register,
)

__all__ = ["COMMANDS", "NOT_A_NUMBER"]

Float = NDArray[np.float64]

NOT_A_NUMBER = 9.91e37
"""SCPI-1999 vol. 1, 7.2.1.5 (from memory)."""


# ---- frequency: start, stop, centre and span are one thing seen from four sides ------------------


def _set_range(instrument: Instrument, start_hz: float, stop_hz: float) -> None:
    instrument.sweeping.change(start_hz=start_hz, stop_hz=stop_hz)


def _put_start(instrument: Instrument, value: float) -> None:
    value += instrument.faults.grid_off_hz
    _set_range(instrument, value, max(value, instrument.sweeping.panel.stop_hz))


def _put_stop(instrument: Instrument, value: float) -> None:
    value += instrument.faults.grid_off_hz
    _set_range(instrument, min(value, instrument.sweeping.panel.start_hz), value)


def _put_centre(instrument: Instrument, value: float) -> None:
    """The span stays unless it would leave the range: then it shrinks around the centre."""
    model, panel = instrument.sweeping.receiver.model, instrument.sweeping.panel
    half = (panel.stop_hz - panel.start_hz) / 2.0
    half = min(half, value - model.start_hz, model.stop_hz - value)
    _set_range(instrument, value - half, value + half)


def _put_span(instrument: Instrument, value: float) -> None:
    """The centre stays unless the span would leave the range: then it moves as far as needed."""
    model, panel = instrument.sweeping.receiver.model, instrument.sweeping.panel
    centre = (panel.start_hz + panel.stop_hz) / 2.0
    centre = min(max(centre, model.start_hz + value / 2.0), model.stop_hz - value / 2.0)
    _set_range(instrument, centre - value / 2.0, centre + value / 2.0)


def _range(instrument: Instrument) -> tuple[float, float]:
    model = instrument.sweeping.receiver.model
    return model.start_hz, model.stop_hz


def _frequency(
    get: Callable[[float, float], float],
    put: Callable[[Instrument, float], None],
    limits: Callable[[float, float], tuple[float, float, float]],
) -> Numeric:
    return Numeric(
        get=lambda i: get(i.sweeping.panel.start_hz, i.sweeping.panel.stop_hz),
        put=put,
        limits=lambda i: limits(*_range(i)),
        units=FREQUENCY_UNITS,
    )


START = _frequency(lambda a, b: a, _put_start, lambda a, b: (a, b, a))
STOP = _frequency(lambda a, b: b, _put_stop, lambda a, b: (a, b, b))
CENTRE = _frequency(lambda a, b: (a + b) / 2, _put_centre, lambda a, b: (a, b, (a + b) / 2))
SPAN = _frequency(lambda a, b: b - a, _put_span, lambda a, b: (0.0, b - a, b - a))

# ---- receiver settings ---------------------------------------------------------------------------


def _setting(
    name: str,
    units: Mapping[str, float],
    limits: Callable[[Instrument], tuple[float, float, float]],
    *,
    shown: str | None = None,
    whole: bool = False,
) -> Numeric:
    """A setting of the panel, read back as it really is."""

    def get(instrument: Instrument) -> float:
        settings = instrument.sweeping.settings
        return float(getattr(settings, shown or name))

    def put(instrument: Instrument, value: float) -> None:
        instrument.sweeping.change(**{name: int(value) if whole else value})

    return Numeric(get=get, put=put, limits=limits, units=units, whole=whole)


def _automatic(pattern: str, name: str) -> Command:
    """Whether a setting follows the others. Switched off, it stays where it is."""

    def put(instrument: Instrument, on: bool) -> None:
        value = None if on else getattr(instrument.sweeping.settings, name)
        instrument.sweeping.change(**{name: value})

    return flag(pattern, lambda i: getattr(i.sweeping.panel, name) is None, put)


def _rbw_limits(instrument: Instrument) -> tuple[float, float, float]:
    steps = instrument.sweeping.receiver.model.rbw_steps_hz
    return steps[0], steps[-1], steps[-1]


def _video_limits(instrument: Instrument) -> tuple[float, float, float]:
    steps = instrument.sweeping.receiver.model.rbw_steps_hz
    return VBW_MIN_HZ, steps[-1], steps[-1]


def _points_limits(instrument: Instrument) -> tuple[float, float, float]:
    model = instrument.sweeping.receiver.model
    default = instrument.sweeping.default_panel().points
    return float(model.points_min), float(model.points_max), float(default)


def _attenuation_limits(instrument: Instrument) -> tuple[float, float, float]:
    return 0.0, instrument.sweeping.receiver.model.attenuation_max_db, 0.0


def _average_limits(instrument: Instrument) -> tuple[float, float, float]:
    return 1.0, float(instrument.sweeping.receiver.model.averages_max), 10.0


def _source_limits(instrument: Instrument) -> tuple[float, float, float]:
    model = instrument.sweeping.receiver.model
    if not model.source:
        raise ScpiError(-221, "it has no source")
    return model.source_min_dbm, model.source_max_dbm, model.source_min_dbm


AVERAGE_COUNT = replace(
    _setting("average_count", NO_UNITS, _average_limits, whole=True),
    get=lambda i: float(i.sweeping.panel.average_count),
)
REFERENCE_LEVEL = _setting(
    "reference_level_dbm", LEVEL_UNITS, lambda i: (*REFERENCE_LEVELS_DBM, -20.0)
)

DETECTORS = {
    "POSitive": Detector.POSITIVE,
    "NEGative": Detector.NEGATIVE,
    "SAMPle": Detector.SAMPLE,
    "RMS": Detector.RMS,
    "AVERage": Detector.AVERAGE,
}


def _put_detector(instrument: Instrument, word: str) -> None:
    instrument.sweeping.change(detector=DETECTORS[word])


def _detector_word(instrument: Instrument) -> str:
    detector = instrument.sweeping.panel.detector
    return next(word for word, one in DETECTORS.items() if one is detector)


def _put_source(instrument: Instrument, on: bool) -> None:
    if on and not instrument.sweeping.receiver.model.source:
        raise ScpiError(-221, "it has no source")
    instrument.sweeping.change(source_on=on)


# ---- format, unit and trace ----------------------------------------------------------------------

UNITS = ("DBM", "DBUV", "V", "W")


def _put_unit(instrument: Instrument, word: str) -> None:
    instrument.output.unit = word


def _put_format(instrument: Instrument, parameters: Parameters) -> None:
    if not parameters:
        raise ScpiError(-109)
    kind = choice_of(parameters[0], ("ASCii", "REAL"))
    no_parameter(parameters[2:])
    length = numeric_of(parameters[1], NO_UNITS) if len(parameters) > 1 else None
    if kind == "ASCii":
        instrument.output.real_bits = 0
        return
    if length not in (None, 32.0, 64.0):
        raise ScpiError(-224, parameters[1][:40])
    instrument.output.real_bits = 64 if length is None else int(length)


def _ask_format(instrument: Instrument, parameters: Parameters) -> str:
    no_parameter(parameters)
    bits = instrument.output.real_bits
    return f"REAL,{bits}" if bits else "ASC,0"


def _put_order(instrument: Instrument, word: str) -> None:
    instrument.output.swapped = word == "SWAPped"


def _in_unit(level_dbm: Float, unit: str) -> Float:
    if unit == "DBM":
        return level_dbm
    if unit == "DBUV":
        return dbuv_from_dbm(level_dbm)
    watt = watt_from_dbm(level_dbm)
    return watt if unit == "W" else np.asarray(np.sqrt(watt * 50.0))


def _trace(instrument: Instrument, parameters: Parameters) -> Generator[float, None, bytes]:
    """``TRAC? TRACE1``: the newest complete trace, whatever is being swept meanwhile."""
    if header_key((one_parameter(parameters).upper(),)) not in (("TRACE",), ("TRAC",)):
        raise ScpiError(-224, parameters[0][:40])
    level_dbm = instrument.sweeping.collect()
    while level_dbm is None and instrument.sweeping.continuous:
        due_s = instrument.sweeping.due_s()
        if due_s is None:
            break
        yield due_s
        level_dbm = instrument.sweeping.collect()
    if level_dbm is None:
        raise ScpiError(-230, "no sweep was taken with these settings")
    values = _in_unit(level_dbm, instrument.output.unit)
    return _written(instrument, _spoilt(instrument, values))


def _spoilt(instrument: Instrument, values: Float) -> Float:
    """``values`` with what the faults do to them."""
    faults = instrument.faults
    if faults.takes("other_length"):
        values = np.resize(values, max(1, values.size + faults.points_off))
    if faults.takes("not_a_number"):
        values = values.copy()
        values[::10] = NOT_A_NUMBER
    return values


def _written(instrument: Instrument, values: Float) -> bytes:
    output = instrument.output
    if output.real_bits:
        order = "<" if output.swapped else ">"
        return block(values.astype(f"{order}f{output.real_bits // 8}").tobytes())
    step = instrument.sweeping.receiver.model.level_step_db
    decimals = max(0, int(np.ceil(-np.log10(step) - 1e-9)))
    form = f"%.{decimals}f" if output.unit in ("DBM", "DBUV") else "%.6E"
    texts = [form % value if abs(value) < 1e30 else f"{value:.6E}" for value in values.tolist()]
    return ",".join(texts).encode("ascii")


def block(data: bytes) -> bytes:
    """A definite-length block of IEEE 488.2."""
    length = str(len(data)).encode("ascii")
    return b"#" + str(len(length)).encode("ascii") + length + data


# ---- status and synchronisation ------------------------------------------------------------------


def _until_done(instrument: Instrument) -> Generator[float, None, None]:
    while instrument.sweeping.busy:
        due_s = instrument.sweeping.due_s()
        if due_s is None:
            return
        yield due_s
    instrument.settle()


def _ask_opc(instrument: Instrument, parameters: Parameters) -> Generator[float, None, bytes]:
    no_parameter(parameters)
    yield from _until_done(instrument)
    return b"1"


def _wait(instrument: Instrument, parameters: Parameters) -> Generator[float, None, None]:
    no_parameter(parameters)
    yield from _until_done(instrument)


def _clear(instrument: Instrument) -> None:
    instrument.status.clear()
    instrument.forget_opc()


def _initiate(instrument: Instrument) -> None:
    if instrument.sweeping.continuous or instrument.sweeping.busy:
        raise ScpiError(-213, "it is sweeping already")
    try:
        instrument.sweeping.initiate()
    except RequestRefused as exc:
        raise ScpiError(-221, str(exc)) from exc


def _identity(instrument: Instrument) -> str:
    if instrument.faults.identity is not None:
        return instrument.faults.identity
    who = instrument.sweeping.receiver.model.identity
    return f"{who.maker},{who.model},{who.serial_number},{who.firmware}"


def _all_errors(instrument: Instrument) -> str:
    count = max(1, instrument.status.error_count)
    return ",".join(instrument.status.next_error() for _ in range(count))


def _status_byte(instrument: Instrument) -> int:
    return instrument.status.byte(message_available=bool(instrument.answers))


def _preset_status(instrument: Instrument) -> None:
    instrument.status.operation.enable = 0
    instrument.status.questionable.enable = 0


def _put_ese(instrument: Instrument, value: int) -> None:
    instrument.status.ese = value


def _put_sre(instrument: Instrument, value: int) -> None:
    instrument.status.sre = value & ~64


def _group(word: str, name: str) -> Sequence[Command]:
    """Condition, event and enable of one status group."""

    def put(instrument: Instrument, value: int) -> None:
        getattr(instrument.status, name).enable = value & 0x7FFF

    return (
        reading(f":STATus:{word}[:EVENt]", lambda i: getattr(i.status, name).read_event()),
        reading(f":STATus:{word}:CONDition", lambda i: getattr(i.status, name).condition),
        register(f":STATus:{word}:ENABle", lambda i: int(getattr(i.status, name).enable), put),
    )


RBW = _setting("rbw_hz", FREQUENCY_UNITS, _rbw_limits)
VBW = _setting("vbw_hz", FREQUENCY_UNITS, _video_limits)
POINTS = _setting("points", NO_UNITS, _points_limits, whole=True)
SWEEP_TIME = _setting("sweep_time_s", TIME_UNITS, lambda i: (0.001, SWEEP_MAX_S, 0.001))
ATTENUATION = _setting("attenuation_db", RATIO_UNITS, _attenuation_limits)
SOURCE_LEVEL = replace(
    _setting("source_dbm", LEVEL_UNITS, _source_limits),
    get=lambda i: i.sweeping.panel.source_dbm,
)

COMMANDS: tuple[Command, ...] = (
    reading("*IDN", _identity, indefinite=True),
    Command(
        pattern="*OPC",
        setter=event("*OPC", lambda i: i.arm_opc()).setter,
        query=_ask_opc,
    ),
    Command(pattern="*WAI", setter=_wait),
    event("*CLS", _clear),
    event("*RST", lambda i: i.reset()),
    reading("*ESR", lambda i: i.status.read_esr()),
    register("*ESE", lambda i: i.status.ese, _put_ese),
    register("*SRE", lambda i: i.status.sre, _put_sre),
    reading("*STB", _status_byte),
    reading("*TST", lambda i: 0),
    reading(":SYSTem:ERRor[:NEXT]", lambda i: i.status.next_error()),
    reading(":SYSTem:ERRor:COUNt", lambda i: i.status.error_count),
    reading(":SYSTem:ERRor:ALL", _all_errors),
    reading(":SYSTem:VERSion", lambda i: "1999.0"),
    event(":SYSTem:PRESet", lambda i: i.reset()),
    event(":STATus:PRESet", _preset_status),
    *_group("OPERation", "operation"),
    *_group("QUEStionable", "questionable"),
    numeric("[:SENSe]:FREQuency:STARt", START),
    numeric("[:SENSe]:FREQuency:STOP", STOP),
    numeric("[:SENSe]:FREQuency:CENTer", CENTRE),
    numeric("[:SENSe]:FREQuency:SPAN", SPAN),
    numeric("[:SENSe]:BANDwidth|BWIDth[:RESolution]", RBW),
    _automatic("[:SENSe]:BANDwidth|BWIDth[:RESolution]:AUTO", "rbw_hz"),
    numeric("[:SENSe]:BANDwidth|BWIDth:VIDeo", VBW),
    _automatic("[:SENSe]:BANDwidth|BWIDth:VIDeo:AUTO", "vbw_hz"),
    numeric("[:SENSe]:SWEep:POINts", POINTS),
    numeric("[:SENSe]:SWEep:TIME", SWEEP_TIME),
    _automatic("[:SENSe]:SWEep:TIME:AUTO", "sweep_time_s"),
    choice("[:SENSe]:DETector[:FUNCtion]", tuple(DETECTORS), _detector_word, _put_detector),
    numeric("[:SENSe]:AVERage:COUNt", AVERAGE_COUNT),
    flag(
        "[:SENSe]:AVERage[:STATe]",
        lambda i: i.sweeping.panel.average_on,
        lambda i, on: i.sweeping.change(average_on=on),
    ),
    numeric(":INPut:ATTenuation", ATTENUATION),
    _automatic(":INPut:ATTenuation:AUTO", "attenuation_db"),
    numeric(":DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel", REFERENCE_LEVEL),
    choice(":UNIT:POWer", UNITS, lambda i: i.output.unit, _put_unit),
    plain(":FORMat[:DATA]", setter=_put_format, query=_ask_format),
    choice(
        ":FORMat:BORDer",
        ("NORMal", "SWAPped"),
        lambda i: "SWAPped" if i.output.swapped else "NORMal",
        _put_order,
    ),
    flag(
        ":INITiate:CONTinuous",
        lambda i: i.sweeping.continuous,
        lambda i, on: i.sweeping.set_continuous(on),
    ),
    event(":INITiate[:IMMediate]", _initiate),
    event(":ABORt", lambda i: i.sweeping.abort()),
    Command(pattern=":TRACe[:DATA]", query=_trace),
    numeric(":SOURce:POWer[:LEVel][:IMMediate][:AMPLitude]", SOURCE_LEVEL),
    flag(":OUTPut[:STATe]", lambda i: i.sweeping.panel.source_on, _put_source),
)
