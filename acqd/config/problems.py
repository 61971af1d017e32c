"""From what a validator says to what a person can act on: file, place, line, given, accepted."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any, get_args, get_origin

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from acqd.config.lines import Path, line_of
from acqd.config.tables import Table
from acqd.errors import ConfigProblem
from acqd.hidden import holds_secret

__all__ = ["Text", "dotted", "homes_of_keys", "in_file_order", "near_miss", "printable", "shown"]

LONGEST_SHOWN = 60
"""Characters of a given value that a message repeats."""

KEY_ITSELF = "[key]"
"""How the validator says that it is the key of a pair that is wrong, not the value."""

SECRET_KEYS = ("password", "user", "username", "apprise", "post", "headers")
_USERINFO = re.compile(r"//[^/@\s]*@")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")

_PLAIN_WORDS = {
    "string_type": ("not a text", "a text in quotes"),
    "string_too_short": ("an empty text", "a text that says something"),
    "string_too_long": ("too long", "at most {max_length} characters"),
    "int_type": ("not a whole number", "a whole number, without quotes"),
    "int_from_float": ("not a whole number", "a whole number, without quotes"),
    "float_type": ("not a number", "a number, without quotes and without a unit"),
    "bool_type": ("neither true nor false", "true or false, without quotes"),
    "dict_type": ("not a table", "a table"),
    "model_type": ("not a table", "a table"),
    "tuple_type": ("not a list", "a list in [ ]"),
    "list_type": ("not a list", "a list in [ ]"),
    "too_short": ("too few", "at least {min_length} of them"),
    "too_long": ("too many", "at most {max_length} of them"),
    "literal_error": ("not a word that is known here", "{expected}"),
    "greater_than": ("out of bounds", "above {gt}"),
    "greater_than_equal": ("out of bounds", "at least {ge}"),
    "less_than": ("out of bounds", "below {lt}"),
    "less_than_equal": ("out of bounds", "at most {le}"),
    "finite_number": ("not a finite number", "a finite number"),
}
"""What the validator's own kinds of error are called here: the problem, and what is accepted."""


def shown(given: object) -> str:
    """``given`` as it would stand in a TOML file, on one line, cut short, without secrets."""
    match given:
        case bool():
            text = str(given).lower()
        case str():
            text = f'"{_USERINFO.sub("//…@", given)}"'
        case datetime.date() | datetime.time():
            text = given.isoformat()
        case Mapping():
            text = "a table"
        case list() | tuple():
            text = f"[{', '.join(shown(item) for item in given)}]"
        case _:
            text = str(given)
    text = " ".join(text.split())
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}…"


def dotted(path: Path) -> str:
    """``path`` as a dotted TOML key; members of arrays are counted from 1, as people do."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            key = part if _BARE_KEY.fullmatch(part) else f'"{part}"'
            text += f".{key}" if text else key
    return text or "the file"


def printable(text: str) -> str:
    """``text`` with what a terminal would act on instead of showing it written out."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def near_miss(word: str, known: Iterable[str]) -> str:
    """ "; did you mean `x`?" where something known is near, else nothing."""
    near = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"; did you mean `{near[0]}`?" if near else ""


def in_file_order(problems: Iterable[ConfigProblem]) -> tuple[ConfigProblem, ...]:
    """``problems`` by line; those of one line as they came."""
    return tuple(sorted(problems, key=lambda problem: problem.line or 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A file that problems are found in, and the lines of what stands in it."""

    file: str
    lines: Mapping[Path, int]
    homes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Headers of the tables that each key belongs to, to tell who put one into another table."""

    def line(self, *path: str | int) -> int:
        """The line of ``path``, or of the nearest table around it."""
        return line_of(self.lines, path)

    def problem(
        self, path: Path, problem: str, *, accepted: str, given: str | None = None
    ) -> ConfigProblem:
        """A problem at ``path``."""
        return ConfigProblem(
            file=self.file,
            where=printable(dotted(path)),
            line=self.line(*path),
            given=None if given is None else printable(given),
            problem=printable(problem),
            accepted=printable(accepted),
        )

    def problems_of(
        self, exc: ValidationError, *, table: Path, model: type[Table], data: object
    ) -> Iterator[ConfigProblem]:
        """Everything that ``exc`` says about the table of ``model`` at ``table``."""
        errors = exc.errors(include_url=False)
        misspelt = set(_misspelt(errors, model))
        kinds: dict[Path, list[tuple[str, str]]] = {}
        for error in errors:
            path = (*table, *_written(data, error["loc"]))
            if error["type"] == "missing" and error["loc"] in misspelt:
                continue  # said once, where it stands
            owner = _model_at(model, error["loc"][:-1])
            last = str(error["loc"][-1]) if error["loc"] else ""
            if error["type"] == "extra_forbidden":
                yield self._unknown_key(path, last, owner)
                continue
            given = _given(data, _written(data, error["loc"]))
            if error["type"] == "missing":
                yield self._missing_key(path, last, owner)
            elif _is_kind(data, error["loc"]):
                kinds.setdefault(error["loc"][:-1], []).append(_in_plain_words(error))
            else:
                problem, accepted = _in_plain_words(error)
                yield self.problem(path, problem, accepted=accepted, given=given)
        for loc, said in kinds.items():
            # It fits none of several kinds; the validator has an error for each.
            written = _written(data, loc)
            problem = " and ".join(dict.fromkeys(one for one, _ in said))
            accepted = ", or ".join(dict.fromkeys(one for _, one in said))
            given = _given(data, written)
            yield self.problem((*table, *written), problem, accepted=accepted, given=given)

    def home_of(self, key: str) -> str:
        """ "; it belongs to [table]" where ``key`` has its place in one other table."""
        homes = self.homes.get(key, ())
        return f"; it belongs to [{homes[0]}]" if len(homes) == 1 else ""

    def _unknown_key(self, path: Path, key: str, owner: type[Table] | None) -> ConfigProblem:
        known = [] if owner is None else list(owner.fields_by_key())
        return self.problem(
            path,
            f"unknown key `{key}`{near_miss(key, known) or self.home_of(key)}",
            accepted=", ".join(f"`{name}`" for name in known) or "no keys",
        )

    def _missing_key(self, path: Path, key: str, owner: type[Table] | None) -> ConfigProblem:
        field = None if owner is None else owner.fields_by_key().get(key)
        described = "" if field is None else field.description or ""
        return self.problem(path, f"`{key}` is missing", accepted=described or f"a `{key}`")


def _in_plain_words(error: ErrorDetails) -> tuple[str, str]:
    """The problem, and what is accepted."""
    context = {key: str(value) for key, value in error.get("ctx", {}).items()}
    if error["type"] == "acqd":
        return error["msg"], context["accepted"]
    problem, accepted = _PLAIN_WORDS.get(error["type"], (error["msg"], "see the page"))
    return problem, _filled(accepted, context) if context else accepted


def _is_kind(data: Any, loc: Path) -> bool:
    """Whether ``loc`` ends with the validator's name of one of several kinds that a value may be:
    something stands there, and has no keys."""
    if len(loc) < 2 or not isinstance(loc[-1], str) or loc[-1] == KEY_ITSELF:
        return False
    for part in _written(data, loc[:-1]):
        try:
            data = data[part]
        except (LookupError, TypeError):
            return False
    return data is not None and not isinstance(data, Mapping)


def _filled(template: str, context: Mapping[str, str]) -> str:
    for key, value in context.items():
        template = template.replace(f"{{{key}}}", value.replace("'", '"'))
    return template


def homes_of_keys(tables: Mapping[str, type[Table]]) -> dict[str, tuple[str, ...]]:
    """For each key the headers of the tables, and of the tables within, that have it."""
    homes: dict[str, tuple[str, ...]] = {}
    for header, model in tables.items():
        for key, found in model.fields_by_key().items():
            homes[key] = (*homes.get(key, ()), header)
            inner = _model_in(found.annotation)
            name = ".NAME" if get_origin(found.annotation) is dict else ""
            within = {} if inner is None else homes_of_keys({f"{header}.{key}{name}": inner})
            for inner_key, headers in within.items():
                homes[inner_key] = (*homes.get(inner_key, ()), *headers)
    return homes


def _misspelt(errors: list[ErrorDetails], model: type[Table]) -> Iterator[Path]:
    """Keys that stand in the text under a near miss of their name."""
    for error in errors:
        owner = _model_at(model, error["loc"][:-1])
        if error["type"] != "extra_forbidden" or owner is None:
            continue
        known = list(owner.fields_by_key())
        for meant in get_close_matches(str(error["loc"][-1]), known, n=1, cutoff=0.6):
            yield (*error["loc"][:-1], meant)


def _model_at(model: type[Table], loc: Path) -> type[Table] | None:
    """The model of the table at ``loc`` within ``model``, None where there is none."""
    found: type[Table] | None = model
    is_name = False
    for part in loc:
        if isinstance(part, int) or found is None:
            continue
        if is_name:
            is_name = False
            continue
        field = found.fields_by_key().get(part)
        found = None if field is None else _model_in(field.annotation)
        is_name = field is not None and get_origin(field.annotation) is dict
    return found


def _model_in(annotation: Any) -> type[Table] | None:
    """The model that an annotation holds, also within a tuple or a union."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next((found for arg in get_args(annotation) if (found := _model_in(arg))), None)


def _written(data: Any, loc: Path) -> Path:
    """``loc`` as it stands in the file: one text may be written where a list of such belongs."""
    path: list[str | int] = []
    for part in loc:
        if (isinstance(data, str) and isinstance(part, int)) or part == KEY_ITSELF:
            continue
        path.append(part)
        try:
            data = data[part]
        except (LookupError, TypeError):
            data = None
    return tuple(path)


def _given(data: Any, loc: Path) -> str | None:
    """What stands in the file at ``loc``; None where it is a table, or a secret, or not there."""
    if any(part in SECRET_KEYS or holds_secret(str(part)) for part in loc):
        return None
    for part in loc:
        try:
            data = data[part]
        except (LookupError, TypeError):
            return None
    return None if isinstance(data, Mapping) else shown(data)
