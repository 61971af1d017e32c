"""The driver ``sim``: a simulated sweeper in the station's own process.

The address is ``sim:NAME``, where NAME is an instrument of the scene file that the option ``scene``
names (as given: absolute, or relative to the working folder), or of the built-in scene without it;
``sim:`` alone is the built-in scene's ``shack``. ``sim:any`` is, where the scene has no instrument
of that name, a receiver of wide range that stands in for any other: it hears one scene of the file
(the option ``hears``, else the first) without anything in between, and its own source straight.

Further options: ``path`` and ``source_path``, lists of devices of the scene file that take the
place of what it connects; ``seed`` in place of the file's; ``points_max`` of ``sim:any``, and
``rbw_hz``, what it has beside the usual steps; ``time_scale``, real seconds for a scene second (1);
``clock``, in Python only, a :class:`~acqd_sim.simclock.HandedClock` to run by.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from acqd.drivers.contract import (
    CancelToken,
    Candidate,
    Certainty,
    Driver,
    FindContext,
    OpenContext,
    Sweeper,
    Trace,
)
from acqd.errors import ConfigError, RequestRefused, TransportClosed, TransportError
from acqd.sweep import (
    NO_FLAGS,
    Capabilities,
    Identity,
    LevelUnit,
    Reported,
    SourceRequest,
    SweepFlag,
    SweepRequest,
)
from acqd_sim.receiver import Hookup, Receiver
from acqd_sim.simclock import HandedClock, SceneClock, SweepClock

if TYPE_CHECKING:
    from acqd_sim.model import Model
    from acqd_sim.scenefile import World

__all__ = ["ANY_NAME", "DEFAULT_NAME", "SimDriver", "SimSweeper"]

DEFAULT_NAME = "shack"
ANY_NAME = "any"
SCHEME = "sim:"
OPTIONS = (
    "scene",
    "path",
    "source_path",
    "hears",
    "points_max",
    "rbw_hz",
    "seed",
    "time_scale",
    "clock",
)
RBW_LIMITS_HZ = (1.0, 30e6)
POINTS_MOST = 100_001
SEED_MOST = 2**63 - 1


class SimSweeper(Sweeper):
    """One simulated sweeper. Sweeps take their time, unless cancelled."""

    def __init__(self, receiver: Receiver, clock: SweepClock, cancel: CancelToken) -> None:
        self._receiver = receiver
        self._clock = clock
        self._cancel = cancel
        self.source = SourceRequest(on=False)
        """What the source does at the moment."""
        self._counter = 0

    def identify(self) -> Identity:
        return self._receiver.model.identity

    def capabilities(self) -> Capabilities:
        return self._receiver.model.capabilities()

    def estimate_s(self, request: SweepRequest) -> float | None:
        try:
            settings = self._receiver.model.settings(request)
        except RequestRefused:
            return None
        return self._clock.real_s(settings.total_s)

    def sweep(self, request: SweepRequest) -> Trace:
        settings = self._receiver.model.settings(request)
        if request.source is None and self.source.on:
            settings = self._receiver.model.with_source(settings, self.source)
        self._receiver.model.check_duration(settings)
        start_s = self._clock.now_s()
        self._check_plugged_in(start_s)
        if self._clock.wait(settings.total_s, self._cancel):
            raise TransportClosed("the sweep was cancelled")
        self._check_plugged_in(start_s + settings.total_s)
        reading = self._receiver.sweep(settings, start_s=start_s, counter=self._counter)
        self._counter += 1
        return Trace(
            level=reading.level_dbm,
            unit=LevelUnit.DBM,
            resolution=self._receiver.model.level_step_db,
            reported=Reported(
                rbw_hz=settings.rbw_hz,
                vbw_hz=settings.vbw_hz,
                detector=settings.detector,
                attenuation_db=settings.attenuation_db,
                reference_level_dbm=settings.reference_level_dbm,
                sweep_time_s=settings.sweep_time_s,
                averages=settings.averages,
                source_level_dbm=settings.source_dbm if settings.source_on else None,
            ),
            flags=SweepFlag.OVERLOAD if reading.overload else NO_FLAGS,
        )

    def _check_plugged_in(self, at_s: float) -> None:
        if self._receiver.model.is_away(at_s):
            raise TransportClosed("the simulated sweeper is unplugged")

    def set_source(self, request: SourceRequest) -> None:
        self._receiver.model.check_source(request)
        self.source = request

    def close(self) -> None:
        self.source = SourceRequest(on=False)


class SimDriver(Driver):
    """Opens simulated sweepers."""

    def open(self, context: OpenContext) -> SimSweeper:
        options = context.options
        unknown = [key for key in options if key not in OPTIONS]
        if unknown:
            raise RequestRefused(
                setting=f"option {unknown[0]!r}", asked=str(options[unknown[0]]), limit=_known()
            )
        receiver = _receiver(context.address, options)
        clock = _clock(options)
        if receiver.model.is_away(clock.now_s()):
            raise TransportError(f"{context.address}: unplugged, by its scene, at this hour")
        return SimSweeper(receiver, clock, context.cancel)

    def find(self, context: FindContext) -> Iterable[Candidate]:
        """Those that the user named, and the built-in one, for where nothing else is found."""
        named = [address for address in context.addresses if address.startswith(SCHEME)]
        for address in dict.fromkeys((*named, f"{SCHEME}{DEFAULT_NAME}")):
            yield Candidate(
                driver="sim",
                address=address,
                what="simulated sweeper",
                certainty=Certainty.LISTED if address in named else Certainty.LIKELY,
                is_spare=address not in named,
            )


def _known() -> str:
    return "the options " + ", ".join(OPTIONS)


class _Handed:
    """A clock that was handed in, as a sweep uses it: its seconds are the scene's."""

    def __init__(self, clock: HandedClock) -> None:
        self.now_s = clock.now_s
        self.wait = clock.wait

    def real_s(self, scene_s: float) -> float:
        return scene_s


def _clock(options: Mapping[str, Any]) -> SweepClock:
    handed = options.get("clock")
    if handed is None:
        return SceneClock(_time_scale(options))
    if not isinstance(handed, HandedClock):
        limit = "an object with now_s() and wait(seconds, cancel), handed in by a program"
        raise RequestRefused(setting="option clock", asked=repr(handed), limit=limit)
    return _Handed(handed)


def _time_scale(options: Mapping[str, Any]) -> float:
    scale = options.get("time_scale", 1.0)
    if isinstance(scale, bool) or not isinstance(scale, int | float) or not 0 < scale <= 1000:
        raise RequestRefused(setting="time_scale", asked=str(scale), limit="above 0, at most 1000")
    return float(scale)


def _whole_number(options: Mapping[str, Any], key: str, most: int) -> int | None:
    value = options.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= most:
        limit = f"a whole number from 1 to {most}"
        raise RequestRefused(setting=f"option {key}", asked=str(value), limit=limit)
    return value


def _receiver(address: str, options: Mapping[str, Any]) -> Receiver:
    """The receiver that address and options name.

    Raises:
        RequestRefused: no such instrument, scene or device; the text says what there is.
        TransportError: the scene cannot be read.
    """
    from acqd_sim.scenefile import load_world

    name = address.removeprefix(SCHEME).lstrip("/") or DEFAULT_NAME
    scene, seed = options.get("scene"), _whole_number(options, "seed", SEED_MOST)
    try:
        world = load_world(None if scene is None else str(scene), seed=seed)
    except ConfigError as exc:
        raise TransportError(f"{address}: {exc}") from exc
    model, hookup = _instrument(world, name, address, options)
    return Receiver(model, _rewired(world, hookup, options), seed=world.seed)


def _instrument(
    world: World, name: str, address: str, options: Mapping[str, Any]
) -> tuple[Model, Hookup]:
    if name in world.models:
        return world.models[name], world.hookups[name]
    if name != ANY_NAME:
        known = ", ".join((*world.models, ANY_NAME))
        limit = f"the instruments of {world.file}: {known}"
        raise RequestRefused(setting="address", asked=address, limit=limit)
    heard = options.get("hears", next(iter(world.scenes), None))
    if heard is not None and heard not in world.scenes:
        limit = f"the scenes of {world.file}: {', '.join(world.scenes)}"
        raise RequestRefused(setting="option hears", asked=str(heard), limit=limit)
    return _any_model(options), _any_hookup(world, heard)


def _any_model(options: Mapping[str, Any]) -> Model:
    """A receiver that hardly any request is beyond; its noise and errors are a good one's."""
    from acqd_sim.model import Model

    points = _whole_number(options, "points_max", POINTS_MOST)
    return Model(
        identity=Identity(maker="GANNET", model="ANY", serial_number="GL0000", firmware="1.00"),
        start_hz=0.0,
        stop_hz=30e9,
        points_min=1,
        points_max=POINTS_MOST if points is None else points,
        rbw_min_hz=RBW_LIMITS_HZ[0],
        rbw_max_hz=RBW_LIMITS_HZ[1],
        rbw_also_hz=_bandwidths(options),
        attenuation_max_db=70.0,
        attenuation_step_db=1.0,
        averages_max=10_000,
        danl_dbm_per_hz=-150.0,
        level_accuracy_db=1.0,
        source=True,
        source_start_hz=0.0,
        source_stop_hz=30e9,
        source_min_dbm=-60.0,
        source_max_dbm=20.0,
    )


def _bandwidths(options: Mapping[str, Any]) -> tuple[float, ...]:
    low_hz, high_hz = RBW_LIMITS_HZ
    given = options.get("rbw_hz", ())
    if not isinstance(given, list | tuple) or not all(
        isinstance(one, int | float) and low_hz <= one <= high_hz for one in given
    ):
        limit = f"a list of hertz, {low_hz:g} to {high_hz:g}"
        raise RequestRefused(setting="option rbw_hz", asked=str(given), limit=limit)
    return tuple(float(one) for one in given)


def _any_hookup(world: World, heard: str | None) -> Hookup:
    from acqd_sim.devices import Path

    if heard is None:
        return Hookup(source_path=Path())
    return Hookup(scene=world.scenes[heard], source_path=Path())


def _rewired(world: World, hookup: Hookup, options: Mapping[str, Any]) -> Hookup:
    """``hookup`` with the devices of the options ``path`` and ``source_path`` in place of its own.

    Raises:
        RequestRefused: no such device.
    """
    for key in ("path", "source_path"):
        devices = options.get(key)
        if devices is None:
            continue
        try:
            path = world.path_of([str(device) for device in devices])
        except KeyError as exc:
            known = ", ".join(world.devices)
            limit = f"the devices of {world.file}: {known}"
            raise RequestRefused(
                setting=f"option {key}", asked=repr(exc.args[0]), limit=limit
            ) from exc
        if key == "path":
            names = tuple(str(device) for device in devices)
            hookup = replace(hookup, path=path, path_names=names)
        else:
            hookup = replace(hookup, source_path=path)
    return hookup
