"""What is asked of an answer before it may be called a sweep. Pure functions.

A driver is believed in nothing that can be checked: number of points, axis, unit, values. What is
merely odd becomes a flag; what cannot be the sweep that was asked for raises SweepInvalid.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.canonical import canonical_levels
from acqd.drivers.contract import Trace
from acqd.drivers.plain import (
    COARSEST_DB,
    is_finite,
    numbers_as_declared,
    problem_of,
    too_coarse,
)
from acqd.errors import DriverFault, IdentityChanged, SweepInvalid
from acqd.sweep import (
    Capabilities,
    Float,
    Identity,
    Levels,
    LevelUnit,
    Reported,
    SweepFlag,
    SweepRequest,
)

__all__ = [
    "CheckedTrace",
    "check_identity",
    "check_introduction",
    "check_trace",
    "settings_that_differ",
]

NOT_A_NUMBER = 9.9e37 * (1 - 1e-3)
"""SCPI says 9.91E37 for not-a-number and ±9.9E37 for infinities (SCPI-1999 vol. 1, 7.2.1.4 and
7.2.1.5, from memory); sweepers write them in many roundings, so anything this large is meant."""

PLAUSIBLE = {LevelUnit.DBM: (-250.0, 100.0), LevelUnit.DBUV: (-143.0, 207.0)}
"""Levels outside are no levels: kTB in 1 µHz is −234 dBm, +100 dBm is 10 MW. dBµV in 50 ohm."""

DRIVER_FLAGS = SweepFlag.OVERLOAD | SweepFlag.SETTINGS_DIFFER | SweepFlag.POWERED_ON
"""Flags that a driver may set; all others are the host's and the station's."""

TIME_END_S = 9.2e9
"""2261-07-15: readers count nanoseconds in 64 bits, which end in 2262."""

AXES_KEPT = 16
AXIS_KEPT_POINTS = 16_384
"""Even axes that are kept, and their most points: 2 MiB in all."""

RELATIVE_TOLERANCE = {"rbw_hz": 0.01, "vbw_hz": 0.01, "sweep_time_s": 0.05}
ABSOLUTE_TOLERANCE = {"attenuation_db": 0.01, "reference_level_dbm": 0.05}


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedTrace:
    """Levels in canonical form with their axis; both are ours and read-only.

    Sweeps of one grid share the axis.
    """

    frequency_hz: Float
    level: Levels
    resolution: float | None
    flags: SweepFlag
    reported: Reported
    sweeper_time_s: float | None
    own_axis: bool
    """True where the driver gave the axis."""


def check_trace(trace: Any, request: SweepRequest, capabilities: Capabilities) -> CheckedTrace:
    """``trace`` as the answer to ``request``.

    Raises:
        DriverFault: it is not a Trace of arrays.
        SweepInvalid: it cannot be the sweep that was asked for; says what was expected and got.
    """
    _check_kinds(trace)
    if trace.unit is not capabilities.unit:
        raise SweepInvalid(
            f"levels came in {trace.unit}, the sweeper's unit is {capabilities.unit}"
        )
    level = _numeric(trace.level, capabilities)
    frequency_hz = _axis(trace, request, level.size)
    missing = _missing(level)
    any_missing = bool(missing.any())
    if any_missing and bool(missing.all()):
        raise SweepInvalid("not one of the levels is a number")
    _check_plausible(level, missing, trace.unit)
    flags = trace.flags & DRIVER_FLAGS
    if any_missing:
        flags |= SweepFlag.NOT_FINITE
        level[missing] = np.nan
    if settings_that_differ(request, trace.reported):
        flags |= SweepFlag.SETTINGS_DIFFER
    resolution, time_s = trace.resolution, trace.sweeper_time_s
    # A whole number is as good; the archive keeps floats.
    resolution = float(resolution) if resolution else capabilities.resolution
    canonical = canonical_levels(level, resolution)
    canonical.flags.writeable = False
    frequency_hz.flags.writeable = False
    return CheckedTrace(
        frequency_hz=frequency_hz,
        level=canonical,
        resolution=resolution,
        flags=flags,
        reported=numbers_as_declared(trace.reported),
        sweeper_time_s=None if time_s is None else float(time_s),
        own_axis=trace.frequency_hz is not None,
    )


def _check_kinds(trace: Any) -> None:
    """The parts of a Trace must be what the contract says: the archive relies on it."""
    if not isinstance(trace, Trace):
        raise DriverFault(f"sweep() returned {type(trace).__name__}, expected a Trace")
    time_s = trace.sweeper_time_s
    step = trace.resolution
    for name, fits, expected in (
        ("level", isinstance(trace.level, np.ndarray), "a numpy array"),
        ("unit", isinstance(trace.unit, LevelUnit), "a LevelUnit"),
        ("reported", isinstance(trace.reported, Reported), "a Reported"),
        ("flags", isinstance(trace.flags, SweepFlag), "a SweepFlag"),
        ("sweeper_time_s", _is_time(time_s), "a time from 1970 to 2261, or None"),
        ("resolution", step is None or (is_finite(step) and step > 0), "above 0, or None"),
    ):
        if not fits:
            raise DriverFault(
                f"the trace's {name} must be {expected}, got {getattr(trace, name)!r:.60}"
            )
    if too_coarse(step, trace.unit):
        raise DriverFault(
            f"the trace's resolution must be at most {COARSEST_DB:g} dB, got {step:.3g}"
        )
    problem = problem_of(trace.reported)
    if problem is not None:
        raise DriverFault(f"the trace's report: {problem}")


def _is_time(time_s: Any) -> bool:
    return time_s is None or (is_finite(time_s) and 0 <= time_s < TIME_END_S)


def _numeric(given: NDArray[Any], capabilities: Capabilities) -> NDArray[Any]:
    """A copy of the levels: a driver may fill the same buffer anew for its next sweep."""
    level = given
    if level.ndim != 1 or level.size == 0 or level.dtype.kind not in "fiuc":
        raise DriverFault(
            f"levels must be a one-dimensional array of numbers, "
            f"got {level.dtype} of shape {level.shape}"
        )
    is_complex = level.dtype.kind == "c"
    if is_complex is not capabilities.is_complex:
        names = {True: "complex", False: "real"}
        raise SweepInvalid(
            f"levels are {names[is_complex]}, the sweeper gives {names[capabilities.is_complex]}"
        )
    if level.dtype == np.float32 or is_complex:
        return np.array(level)
    return np.array(level, dtype=np.float64)


def _axis(trace: Trace, request: SweepRequest, points: int) -> Float:
    if trace.frequency_hz is None:
        if points != request.points:
            raise SweepInvalid(f"asked for {request.points} points, got {points}")
        return _even_axis(request) if points <= AXIS_KEPT_POINTS else request.frequencies_hz()
    try:
        axis = np.array(trace.frequency_hz, dtype=np.float64)
    except (TypeError, ValueError) as exc:
        raise DriverFault(f"the frequency axis must be an array of numbers: {exc}") from exc
    if axis.ndim != 1 or axis.size != points:
        raise SweepInvalid(f"got {points} levels for {axis.size} frequencies")
    if not bool(np.isfinite(axis).all()):
        raise SweepInvalid("the frequency axis holds values that are not finite")
    _check_covers(axis, request)
    return axis


@lru_cache(maxsize=AXES_KEPT)
def _even_axis(request: SweepRequest) -> Float:
    """The axis of a request, read-only, made once: the sweeps of a job have one."""
    axis = request.frequencies_hz()
    axis.flags.writeable = False
    return axis


def _check_covers(axis: Float, request: SweepRequest) -> None:
    """The axis must lie in the range asked for and reach both its ends, within a step."""
    low_hz, high_hz = float(axis.min()), float(axis.max())
    own_step_hz = (high_hz - low_hz) / max(1, axis.size - 1)
    tolerance_hz = max(request.step_hz, 2 * own_step_hz, 1e-6 * request.stop_hz, 1.0)
    worst_hz = max(abs(low_hz - request.start_hz), abs(high_hz - request.stop_hz))
    if worst_hz > tolerance_hz:
        raise SweepInvalid(
            f"asked for {request.start_hz:.0f} to {request.stop_hz:.0f} Hz, "
            f"got {low_hz:.0f} to {high_hz:.0f} Hz"
        )


def _missing(level: NDArray[Any]) -> NDArray[np.bool_]:
    if level.dtype.kind == "c":
        return _missing(level.real) | _missing(level.imag)
    # Written so that NaN counts as missing too.
    return np.asarray(~(np.abs(level) < NOT_A_NUMBER))


def _check_plausible(level: NDArray[Any], missing: NDArray[np.bool_], unit: LevelUnit) -> None:
    if unit not in PLAUSIBLE or level.dtype.kind == "c":
        return
    low, high = PLAUSIBLE[unit]
    wrong = ~missing & ((level < low) | (level > high))
    if bool(wrong.any()):
        first = int(np.argmax(wrong))
        raise SweepInvalid(
            f"level {level[first]:.6g} {unit} at point {first}: "
            f"levels lie between {low:g} and {high:g} {unit}"
        )


def settings_that_differ(request: SweepRequest, reported: Reported) -> tuple[str, ...]:
    """Names of the settings that the sweeper reports otherwise than asked for.

    RBW and VBW may be off by 1 %, the sweep time by 5 %, attenuation by 0.01 dB, the reference
    level by 0.05 dB. What the sweeper does not report, or only assumes, does not count.
    """
    differ = []
    for name in (*RELATIVE_TOLERANCE, *ABSOLUTE_TOLERANCE, "detector", "averages"):
        asked, got = getattr(request, name), getattr(reported, name)
        if asked is None or got is None or name in reported.assumed:
            continue
        if name in RELATIVE_TOLERANCE:
            same = abs(got - asked) <= RELATIVE_TOLERANCE[name] * abs(asked)
        elif name in ABSOLUTE_TOLERANCE:
            same = abs(got - asked) <= ABSOLUTE_TOLERANCE[name]
        else:
            same = got == asked
        if not same:
            differ.append(name)
    return tuple(differ)


def check_introduction(identity: Any, capabilities: Any) -> None:
    """What identify() and capabilities() returned must be usable.

    Raises:
        DriverFault: it is not; says what is wrong.
    """
    if not isinstance(identity, Identity):
        raise DriverFault(f"identify() returned {type(identity).__name__}, expected an Identity")
    problem = problem_of(identity)
    if problem is not None:
        raise DriverFault(f"identity: {problem}")
    if not isinstance(capabilities, Capabilities):
        kind = type(capabilities).__name__
        raise DriverFault(f"capabilities() returned {kind}, expected a Capabilities")
    given = capabilities
    problem = problem_of(given)
    if problem is not None:
        raise DriverFault(f"capabilities: {problem}")
    if too_coarse(given.resolution, given.unit):
        raise DriverFault(
            f"capabilities: resolution must be at most {COARSEST_DB:g} dB, "
            f"got {given.resolution:.3g}"
        )
    ends = (given.start_hz, given.stop_hz)
    if not 0 <= given.start_hz <= given.stop_hz:
        raise DriverFault(f"capabilities: no frequency range can be {ends[0]} to {ends[1]} Hz")
    sizes = (given.points_min, given.points_max, *given.points_allowed)
    if not all(size >= 1 for size in sizes):
        raise DriverFault(f"capabilities: numbers of points must be whole and above 0, got {sizes}")
    if given.points_min > given.points_max:
        raise DriverFault(
            f"capabilities: points {given.points_min} to {given.points_max} cannot be"
        )


def check_identity(got: Identity, expected: Identity | None) -> None:
    """``got`` must be the instrument that the config names, as far as it names one.

    Only fields that ``expected`` fills count, and the firmware never does. A doubtful serial number
    (:attr:`~acqd.sweep.Identity.doubt`: a bad update does that) passes where something else is
    named and fits; where only the serial number is named, nothing is left to know it by, and it
    fails. A location counts where the driver knows one: a clone with a borrowed name answers in
    another place.

    Raises:
        IdentityChanged: another instrument answers.
    """
    if expected is None:
        return
    named = [name for name in ("maker", "model", "serial_number") if getattr(expected, name)]
    if expected.location and got.location:
        named.append("location")
    if got.is_doubtful and len(named) > 1 and "serial_number" in named:
        named.remove("serial_number")
    for name in named:
        if getattr(got, name).strip().casefold() != getattr(expected, name).strip().casefold():
            raise IdentityChanged(expected=_placed(expected), got=_placed(got))


def _placed(identity: Identity) -> str:
    known = str(identity)
    if not (identity.maker or identity.model) and identity.serial_number:
        known = f"a sweeper with serial number {identity.serial_number}"
    return known + (f" at USB {identity.location}" if identity.location else "")
