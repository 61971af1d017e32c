"""From a scene file to scenes, devices and receivers.

Raises :class:`~acqd.errors.ConfigError` with every problem found: file, table, line, what is
accepted.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path as FilePath

from pydantic import ValidationError

from acqd.config.lines import lines_of
from acqd.config.problems import Text, near_miss
from acqd.errors import ConfigError, ConfigProblem
from acqd_sim.build import device_of, model_of, scene_of
from acqd_sim.devices import Device, Path
from acqd_sim.hours import Zone
from acqd_sim.model import Model
from acqd_sim.receiver import Hookup, Receiver
from acqd_sim.scene import Scene
from acqd_sim.tables import BridgeTable, FileTable
from acqd_sim.troubles import place_problem

__all__ = ["BUILT_IN", "World", "load_world", "world_from_text"]

BUILT_IN = "gannet.toml"
"""The scene that comes with the package: that of Gannet Ledge Lookout."""
LARGEST_BYTES = 1_000_000
"""No scene file is longer; a slip (a device file, an archive) is refused before it is read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """All that a scene file says, ready to be measured."""

    file: str
    title: str
    seed: int
    scenes: Mapping[str, Scene]
    devices: Mapping[str, Device]
    models: Mapping[str, Model]
    hookups: Mapping[str, Hookup]

    def receiver(self, name: str) -> Receiver:
        """The receiver of instrument ``name`` as the file connects it.

        Raises:
            KeyError: there is no such instrument.
        """
        return Receiver(self.models[name], self.hookups[name], seed=self.seed)

    def path_of(self, devices: Sequence[str]) -> Path:
        """Devices of the file, one after the other.

        Raises:
            KeyError: there is no such device.
        """
        return Path(devices=tuple(self.devices[device] for device in devices))

    def rewired(self, name: str, devices: Sequence[str], *, source: bool) -> Hookup:
        """The hookup of ``name`` with other devices in its path (or its source's path).

        Raises:
            KeyError: there is no such instrument, or no such device.
        """
        path, old = self.path_of(devices), self.hookups[name]
        if source:
            return replace(old, source_path=path)
        return replace(old, path=path, path_names=tuple(devices))


def load_world(path: str | None = None, *, seed: int | None = None) -> World:
    """The world of the scene file at ``path``, or the built-in one; ``seed`` in place of its own.

    Raises:
        ConfigError: it cannot be read, or something in it is wrong.
    """
    if path is None:
        text = files("acqd_sim").joinpath(BUILT_IN).read_text("utf-8")
        return world_from_text(text, BUILT_IN, seed=seed)
    file = FilePath(path)
    try:
        if file.stat().st_size > LARGEST_BYTES:
            raise _unreadable(path, f"longer than {LARGEST_BYTES} bytes")
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else "not UTF-8 text"
        raise _unreadable(path, f"cannot be read: {reason}") from exc
    return world_from_text(text, path, seed=seed)


def world_from_text(text: str, file: str = "scene", *, seed: int | None = None) -> World:
    """The world that ``text`` describes; ``file`` is what errors call it."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise _unreadable(file, f"not TOML: {exc}") from exc
    source = Text(file=file, lines=lines_of(text))
    try:
        table = FileTable.model_validate(data)
    except ValidationError as exc:
        found = source.problems_of(exc, table=(), model=FileTable, data=data)
        raise ConfigError(_in_order(found)) from exc
    problems = _wrong_names(table, source)
    if problems:
        raise ConfigError(_in_order(problems))
    table = table if seed is None else table.model_copy(update={"seed": seed})
    return _world(table, file, source)


def _in_order(problems: Iterable[ConfigProblem]) -> tuple[ConfigProblem, ...]:
    return tuple(sorted(problems, key=lambda one: one.line or 0))


def _unreadable(file: str, problem: str) -> ConfigError:
    one = ConfigProblem(
        file=file,
        where="the file",
        line=None,
        given=None,
        problem=problem,
        accepted="a scene file in TOML",
    )
    return ConfigError((one,))


def _wrong_names(table: FileTable, source: Text) -> list[ConfigProblem]:
    """References to scenes and devices that are not there."""
    problems: list[ConfigProblem] = []

    def check(path: tuple[str | int, ...], name: str, known: Sequence[str], what: str) -> None:
        if name not in known:
            accepted = ", ".join(f'"{one}"' for one in known) or f"a [{what}.{name}] of its own"
            problem = f"there is no {what} of this name{near_miss(name, known)}"
            problems.append(source.problem(path, problem, accepted=accepted, given=f'"{name}"'))

    ends = [name for name, one in table.device.items() if one.kind != "bridge"]
    cables = [name for name, one in table.device.items() if one.kind == "cable"]
    for name, device in table.device.items():
        if isinstance(device, BridgeTable):
            check(("device", name, "load"), device.load, ends, "device")
            if device.cable is not None:
                check(("device", name, "cable"), device.cable, cables, "device")
    devices = list(table.device)
    for name, instrument in table.instrument.items():
        here = ("instrument", name)
        if instrument.scene is not None:
            check((*here, "scene"), instrument.scene, list(table.scene), "scene")
        for key, names in (("path", instrument.path), ("source_path", instrument.source_path)):
            for one in names or ():
                check((*here, key), one, devices, "device")
    return problems


def _misplaced(
    table: FileTable, hookups: Mapping[str, Hookup], zone: Zone, source: Text
) -> Iterator[ConfigProblem]:
    """Troubles with devices that are not in the path, or not ones that could have them."""
    for name, one in table.instrument.items():
        hookup = hookups[name]
        for at, trouble in enumerate(model_of(one, zone).troubles):
            found = place_problem(trouble, hookup.path_names, hookup.path.devices)
            if found is not None:
                given = one.trouble[at].device
                yield source.problem(
                    ("instrument", name, "trouble", at, "device" if given else "what"),
                    found[0],
                    accepted=found[1],
                    given=f'"{given or trouble.kind.value}"',
                )


def _world(table: FileTable, file: str, source: Text) -> World:
    zone = Zone(table.time_zone)
    scenes = {name: scene_of(table.seed, name, one, zone) for name, one in table.scene.items()}
    devices: dict[str, Device] = {}
    for name, device in sorted(table.device.items(), key=lambda one: one[1].kind == "bridge"):
        devices[name] = device_of(device, devices)

    def path(names: Sequence[str]) -> Path:
        return Path(devices=tuple(devices[one] for one in names))

    hookups = {
        name: Hookup(
            scene=scenes[one.scene] if one.scene is not None else Scene(),
            path=path(one.path),
            source_path=None if one.source_path is None else path(one.source_path),
            path_names=one.path,
        )
        for name, one in table.instrument.items()
    }
    problems = list(_misplaced(table, hookups, zone, source))
    if problems:
        raise ConfigError(_in_order(problems))
    return World(
        file=file,
        title=table.title,
        seed=table.seed,
        scenes=scenes,
        devices=devices,
        models={name: model_of(one, zone) for name, one in table.instrument.items()},
        hookups=hookups,
    )
