"""A TOML file read whole, or one clear problem why it cannot be."""

from __future__ import annotations

import re
import tomllib
from difflib import get_close_matches
from pathlib import Path as FilePath
from typing import Any

from acqd.config.lines import lines_of
from acqd.config.problems import Text, printable
from acqd.errors import ConfigError, ConfigProblem

__all__ = ["parse_toml", "read_text"]

LARGEST_FILE = 1_000_000
"""Bytes. A config of hundreds of jobs or a plan of thousands of channels is a tenth of it."""

_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
_KEY_PATH = re.compile(r"\((?:'[^']*',? ?)+\)")
_BARE_QUANTITY = re.compile(r"=\s*([+−-]?[\d.,]+\s*[a-zA-Zµ%°]+)\s*(?:#.*)?$")
_BARE_WORD = re.compile(r"=\s*([A-Za-z_/~.][^\"'#\[\]{}]*?)\s*(?:#.*)?$")


_HELP = (
    ("']", "a closing ] or ]]"),
    ("twice", "each table once, as [name] or, in lists of tables, [[name]]"),
    ("overwrite", "each key once in its table"),
    ("mutate", "each table in one place only"),
    ('"""', "three closing quotes for three opening ones"),
    ("'''", "three closing quotes for three opening ones"),
)
"""Words in what tomllib says, and what helps then."""


def read_text(path: FilePath) -> str:
    """The text of the file at ``path``, without a byte order mark.

    Raises:
        ConfigError: not there, not readable, too large, or not UTF-8.
    """

    def refused(problem: str, accepted: str, line: int | None = None) -> ConfigError:
        return _one(str(path), problem, accepted, line)

    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except FileNotFoundError as exc:
        raise refused(f"there is no such file{_neighbour(path)}", "a TOML file") from exc
    except IsADirectoryError as exc:
        raise refused("this is a folder", "a TOML file in it") from exc
    except (OSError, ValueError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else exc
        raise refused(f"cannot be read: {reason}", "a file that may be read") from exc
    if len(data) > LARGEST_FILE:
        raise refused(f"larger than {LARGEST_FILE // 1000} kB", "a smaller file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = data.count(b"\n", 0, exc.start) + 1
        raise refused("not UTF-8", "a text saved as UTF-8", line) from exc


def parse_toml(file: str, text: str) -> tuple[dict[str, Any], Text]:
    """What ``text`` says, and where in ``file`` each thing stands.

    Raises:
        ConfigError: not TOML; with the line, the column, and what may help.
    """
    try:
        return tomllib.loads(text), Text(file=file, lines=lines_of(text))
    except tomllib.TOMLDecodeError as exc:
        raise _syntax_error(file, text, str(exc)) from exc
    except RecursionError as exc:
        raise _one(file, "nested too deeply", "tables and lists a few levels deep") from exc


_SECRET_WORDS = ("password", "apprise", "post", "header", "token", "authorization")
"""What a line may hold that has a secret in it, though none has its place in a config."""


def _syntax_error(file: str, text: str, message: str) -> ConfigError:
    lines = text.splitlines() or [""]
    place = _PLACE.search(message)
    said = _KEY_PATH.sub(
        lambda match: ".".join(re.findall(r"'([^']*)'", match[0])),
        message[: place.start()] if place else message,
    )
    line, column = len(lines), len(lines[-1]) + 1
    if place and place[1]:
        line, column = int(place[1]), int(place[2])
        # An unfinished line is reported at the start of the next one.
        while line > 1 and line <= len(lines) and column <= 1 and not lines[line - 1].strip():
            line -= 1
    problem = f"not TOML, column {column}: {said[:1].lower()}{said[1:]}"
    source = lines[min(line, len(lines)) - 1]
    if "@" in source or any(word in source.lower() for word in _SECRET_WORDS):
        source = ""  # what may be a secret is repeated nowhere
    return _one(file, problem, _help_for(source, said), line, source.strip()[:60] or None)


def _help_for(source: str, said: str) -> str:
    """What would have been accepted in place of the line ``source``, of which ``said`` is said."""
    for word, help_text in _HELP:
        if word in said:
            return help_text
    if quantity := _BARE_QUANTITY.search(source):
        return f'quantities in quotes: "{quantity[1].strip()}"'
    if word_given := _BARE_WORD.search(source):
        is_switch = word_given[1].lower() in ("yes", "no", "on", "off", "true", "false")
        return "true or false" if is_switch else f'texts in quotes: "{word_given[1]}"'
    if source.rstrip().endswith("="):
        return "a value after the ="
    if source.count('"') % 2:
        return "a closing quote for each opening one"
    if "\\" in source:
        return r"'single quotes' around texts with a backslash, or \\ for each"
    return 'lines such as key = "value", and tables such as [station]'


def _neighbour(path: FilePath) -> str:
    """A file beside ``path`` whose name is near; names only, so that nothing else is read."""
    try:
        near = get_close_matches(path.name, [each.name for each in path.parent.glob("*.toml")], n=1)
    except OSError:
        return ""
    return f"; did you mean {near[0]}?" if near else ""


def _one(
    file: str, problem: str, accepted: str, line: int | None = None, given: str | None = None
) -> ConfigError:
    found = ConfigProblem(
        file=file,
        where="the file",
        line=line,
        given=None if given is None else printable(given),
        problem=printable(problem),
        accepted=printable(accepted),
    )
    return ConfigError((found,))
