"""The ways of a config with their secrets, which come from the environment or from files."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from acqd.config.alerts import SecretTable, WayTable
from acqd.config.environment import secrets_named
from acqd.config.problems import in_file_order
from acqd.config.secretfile import EXPOSED, exposure
from acqd.config.whole import StationConfig
from acqd.errors import ConfigError, ConfigProblem
from acqd.hidden import hide

__all__ = ["Way", "ways_of"]

FILE_MOST_BYTES = 65536
WayKind = Literal["apprise", "post", "command"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to reach somebody. Addresses and headers are in no repr, log line or error."""

    name: str
    kind: WayKind
    urls: tuple[str, ...] = field(default=(), repr=False)
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)
    command: tuple[str, ...] = ()
    folder: Path = Path(".")
    """Where a command runs: the folder of the config."""
    time_limit_s: float = 30.0
    hidden: frozenset[str] = frozenset()
    """Variables of the environment that no program is given: they hold secrets."""

    def __post_init__(self) -> None:
        for secret in self.secrets:
            hide(secret)

    @property
    def secrets(self) -> tuple[str, ...]:
        """What must not be repeated anywhere."""
        return (*self.urls, *self.headers.values())


def ways_of(
    config: StationConfig,
    environ: Mapping[str, str] | None = None,
    *,
    only: Collection[str] | None = None,
) -> tuple[Way, ...]:
    """The enabled ways, or ``only`` some of them, ready to be used.

    Raises:
        ConfigError: a variable that is not set, a file that cannot be read or that others can read,
            or what stands there is no URL. What it is is not told.
    """
    environ = os.environ if environ is None else environ
    hidden = frozenset(secrets_named(config))
    problems: list[ConfigProblem] = []
    found = [
        _way(config, name, way, environ, hidden, problems)
        for name, way in config.ways.items()
        if way.enabled and (only is None or name in only)
    ]
    if problems:
        raise ConfigError(in_file_order(problems))
    return tuple(found)


def _way(
    config: StationConfig,
    name: str,
    way: WayTable,
    environ: Mapping[str, str],
    hidden: frozenset[str],
    problems: list[ConfigProblem],
) -> Way:
    def texts(key: str, secret: SecretTable) -> list[str]:
        try:
            return _texts(config, secret, environ)
        except _Unreadable as exc:
            problems.append(
                config.places.problem(("way", name, key), exc.problem, accepted=exc.accepted)
            )
            return []

    urls: list[str] = []
    kind: WayKind = "command"
    if way.apprise is not None:
        kind = "apprise"
        for one in way.apprise:
            urls += texts("apprise", one)
        _refuse(config, name, "apprise", urls, "://", problems)
    elif way.post is not None:
        kind = "post"
        urls = texts("post", way.post)[:1]
        _refuse(config, name, "post", urls, "http", problems)
    headers = {key: "".join(texts("headers", one)[:1]) for key, one in way.headers.items()}
    return Way(
        name=name,
        kind=kind,
        urls=tuple(urls),
        headers=headers,
        command=_command(config, way.command or ()),
        folder=config.folder.resolve(),
        time_limit_s=way.time_limit_s,
        hidden=hidden,
    )


def _refuse(
    config: StationConfig,
    name: str,
    key: str,
    urls: list[str],
    sign: str,
    problems: list[ConfigProblem],
) -> None:
    begins = ("http://", "https://") if sign == "http" else ("",)
    problems += [
        config.places.problem(
            ("way", name, key),
            "what stands there is no URL (it is not shown: it may be a secret)",
            accepted="http://… or https://…" if sign == "http" else "a URL of Apprise",
        )
        for url in urls
        if "://" not in url or not url.startswith(begins)
    ]


def _command(config: StationConfig, words: tuple[str, ...]) -> tuple[str, ...]:
    """The program beside the config where it is given by a path; else it is looked for as usual."""
    if words and ("/" in words[0] or words[0].startswith("~")):
        return (str(config.resolved(words[0])), *words[1:])
    return words


class _Unreadable(Exception):
    """A secret that cannot be had; the text has nothing of it."""

    def __init__(self, problem: str, accepted: str) -> None:
        self.problem = problem
        self.accepted = accepted
        super().__init__(problem)


def _texts(config: StationConfig, secret: SecretTable, environ: Mapping[str, str]) -> list[str]:
    """The lines of a secret: of a file those that say something and are no remark."""
    if secret.plain is not None:
        return [secret.plain]
    if secret.env is not None:
        if not environ.get(secret.env):
            raise _Unreadable(
                f"the environment variable {secret.env} is not set",
                f"{secret.env} set where the station is started",
            )
        return [environ[secret.env].strip()]
    assert secret.file is not None
    path = config.resolved(secret.file)
    try:
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK), "rb") as file:
            _refuse_open(path, os.fstat(file.fileno()))
            text = file.read(FILE_MOST_BYTES).decode("utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else "it is not text"
        raise _Unreadable(
            f"{path}: cannot be read: {reason}", "a text file that the station's user can read"
        ) from exc
    lines = [line.strip() for line in text.splitlines()]
    lines = [line for line in lines if line and not line.startswith("#")]
    if not lines:
        raise _Unreadable(f"{path}: nothing stands in it", "one URL or value a line")
    return lines


def _refuse_open(path: Path, state: os.stat_result) -> None:
    problem = exposure(state)
    if problem == EXPOSED:
        what = f"a file of the station's user alone: chmod 600 {path}"
        raise _Unreadable(f"{path}: {problem}", what)
    if problem:
        raise _Unreadable(f"{path}: {problem}", "a text file")
