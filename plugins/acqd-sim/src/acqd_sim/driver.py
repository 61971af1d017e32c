"""The driver ``sim``: a simulated sweeper in the station's own process.

The address is ``sim:NAME``, where NAME is an instrument of the scene file that the option ``scene``
names (as given: absolute, or relative to the working folder), or of the built-in scene without it;
``sim:`` alone is the built-in scene's ``shack``. Further options: ``path`` and ``source_path``,
lists of devices of the scene file that take the place of what it connects; ``time_scale``, real
seconds for a scene second (1).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

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
from acqd_sim.receiver import Receiver
from acqd_sim.simclock import SceneClock

__all__ = ["DEFAULT_NAME", "SimDriver", "SimSweeper"]

DEFAULT_NAME = "shack"
SCHEME = "sim:"
OPTIONS = ("scene", "path", "source_path", "time_scale")


class SimSweeper(Sweeper):
    """One simulated sweeper. Sweeps take their time, unless cancelled."""

    def __init__(self, receiver: Receiver, clock: SceneClock, cancel: CancelToken) -> None:
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
        if self._cancel.wait(self._clock.real_s(settings.total_s)):
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
        clock = SceneClock(_time_scale(options))
        if receiver.model.is_away(clock.now_s()):
            raise TransportError(f"{context.address}: unplugged, by its scene, at this hour")
        return SimSweeper(receiver, clock, context.cancel)

    def find(self, context: FindContext) -> Iterable[Candidate]:
        """Those that the user named, and the built-in one."""
        named = [address for address in context.addresses if address.startswith(SCHEME)]
        for address in dict.fromkeys((*named, f"{SCHEME}{DEFAULT_NAME}")):
            yield Candidate(
                driver="sim",
                address=address,
                what="simulated sweeper",
                certainty=Certainty.LISTED if address in named else Certainty.LIKELY,
            )


def _known() -> str:
    return "the options " + ", ".join(OPTIONS)


def _time_scale(options: Mapping[str, Any]) -> float:
    scale = options.get("time_scale", 1.0)
    if isinstance(scale, bool) or not isinstance(scale, int | float) or not 0 < scale <= 1000:
        raise RequestRefused(setting="time_scale", asked=str(scale), limit="above 0, at most 1000")
    return float(scale)


def _receiver(address: str, options: Mapping[str, Any]) -> Receiver:
    """The receiver that address and options name.

    Raises:
        RequestRefused: no such instrument or device; the text says what there is.
        TransportError: the scene cannot be read.
    """
    from acqd_sim.scenefile import load_world

    name = address.removeprefix(SCHEME).lstrip("/") or DEFAULT_NAME
    scene = options.get("scene")
    try:
        world = load_world(None if scene is None else str(scene))
    except ConfigError as exc:
        raise TransportError(f"{address}: {exc}") from exc
    if name not in world.models:
        known = ", ".join(world.models)
        limit = f"the instruments of {world.file}: {known}"
        raise RequestRefused(setting="address", asked=address, limit=limit)
    hookup = world.hookups[name]
    for key in ("path", "source_path"):
        devices = options.get(key)
        if devices is None:
            continue
        try:
            other = world.rewired(name, [str(device) for device in devices], source=key != "path")
        except KeyError as exc:
            known = ", ".join(world.devices)
            limit = f"the devices of {world.file}: {known}"
            raise RequestRefused(
                setting=f"option {key}", asked=repr(exc.args[0]), limit=limit
            ) from exc
        hookup = replace(hookup, **{key: getattr(other, key)})
    return Receiver(world.models[name], hookup, seed=world.seed)
