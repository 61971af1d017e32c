"""Which drivers are installed, found through entry points; a broken one is listed, not fatal."""

from __future__ import annotations

import inspect
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint
from importlib.metadata import entry_points as installed_entry_points
from types import MappingProxyType

from acqd.drivers.contract import API, GROUP, Driver
from acqd.errors import PluginError

__all__ = ["DriverEntry", "Registry", "load_drivers"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverEntry:
    """One usable driver. ``factory`` makes an instance without arguments."""

    name: str
    distribution: str
    version: str
    factory: Callable[[], Driver]
    target: str = ""
    """``module:class``, as its entry point has it: how another process loads it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Registry:
    """All drivers that can be used, and those that cannot, with the reason."""

    drivers: Mapping[str, DriverEntry]
    broken: tuple[PluginError, ...] = ()

    def make(self, name: str) -> Driver:
        """A new instance of the driver ``name``.

        Raises:
            PluginError: no such driver, or it is broken; what is installed is named.
        """
        entry = self.drivers.get(name)
        if entry is not None:
            return entry.factory()
        for error in self.broken:
            if error.name == name:
                raise error
        known = ", ".join(sorted(self.drivers)) or "none"
        raise PluginError(
            name=name,
            distribution="no distribution",
            version="here",
            problem=f"not installed; installed drivers: {known}",
        )


def load_drivers(entry_points: Iterable[EntryPoint] | None = None) -> Registry:
    """Load every driver of the group ``acqd.drivers``, each on its own.

    A driver is registered only after all its checks passed: it imports, it is a class derived from
    ``Driver`` with no abstract method left, it was written for this contract's version, and it can
    be made without arguments. Two different ones with one name are both refused.

    Args:
        entry_points: those to load; the installed ones by default.
    """
    points = installed_entry_points(group=GROUP) if entry_points is None else entry_points
    by_name: dict[str, list[EntryPoint]] = defaultdict(list)
    for point in points:
        if not any(_same(point, other) for other in by_name[point.name]):
            by_name[point.name].append(point)
    drivers: dict[str, DriverEntry] = {}
    broken: list[PluginError] = []
    for name in sorted(by_name):
        namesakes = by_name[name]
        if len(namesakes) > 1:
            broken.extend(_refuse_namesakes(namesakes))
            continue
        try:
            drivers[name] = _load(namesakes[0])
        except PluginError as error:
            broken.append(error)
    return Registry(drivers=MappingProxyType(drivers), broken=tuple(broken))


def _same(one: EntryPoint, other: EntryPoint) -> bool:
    # One distribution can be seen twice, through two folders on the path.
    return one.value == other.value and _distribution(one) == _distribution(other)


def _distribution(point: EntryPoint) -> tuple[str, str]:
    if point.dist is None:
        return ("unknown distribution", "of unknown version")
    return (point.dist.name, point.dist.version)


def _refuse_namesakes(points: list[EntryPoint]) -> Iterable[PluginError]:
    owners = [" ".join(_distribution(point)) for point in points]
    for point, owner in zip(points, owners, strict=True):
        others = ", ".join(other for other in owners if other != owner) or owner
        yield _broken(point, f"also offered by {others}; uninstall one of them")


def _broken(point: EntryPoint, problem: str) -> PluginError:
    distribution, version = _distribution(point)
    return PluginError(name=point.name, distribution=distribution, version=version, problem=problem)


def _load(point: EntryPoint) -> DriverEntry:
    try:
        loaded = point.load()
        problem = _problem_of(loaded)
        if problem is None:
            loaded()
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        # A plugin may call sys.exit when imported; that must not end the station either.
        raise _broken(point, f"{point.value}: {type(error).__name__}: {error}") from error
    if problem is not None:
        raise _broken(point, f"{point.value} {problem}")
    distribution, version = _distribution(point)
    return DriverEntry(
        name=point.name,
        distribution=distribution,
        version=version,
        factory=loaded,
        target=f"{point.module}:{point.attr}",
    )


def _problem_of(loaded: object) -> str | None:
    if not inspect.isclass(loaded) or not issubclass(loaded, Driver):
        return "is not a class derived from acqd.drivers.contract.Driver"
    api = loaded.api
    if api != API:
        return f"was written for driver contract {api}, this acqd has {API}"
    if missing := sorted(getattr(loaded, "__abstractmethods__", ())):
        return f"lacks {', '.join(missing)}"
    return None
