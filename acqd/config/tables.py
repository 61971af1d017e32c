"""The ground of all config tables: frozen, unknown keys refused, every problem told at once.

A plain pydantic model tells either that its fields are wrong or, in a later validator, that they do
not fit together, and only the first misfit. A :class:`Table` tells all of it in one error: what is
wrong with each field, which keys exclude or need each other (looked up in the keys as given, so
also where a value is wrong), and, once the fields are right, what does not fit together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar, Protocol

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    Strict,
    ValidationError,
    model_validator,
)
from pydantic.fields import FieldInfo
from pydantic_core import InitErrorDetails, PydanticCustomError

from acqd.config.quantity import refusal
from acqd.sweep import Detector

__all__ = [
    "AtMostOne",
    "Count",
    "DetectorName",
    "ExactlyOne",
    "KeyRule",
    "Misfit",
    "PathText",
    "Switch",
    "Table",
    "Together",
    "Unwelcome",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """Something that does not fit within one table; ``key`` is where to point, "" the table."""

    key: str
    problem: str
    accepted: str


class KeyRule(Protocol):
    """Something about which keys are given, whatever their values."""

    def broken(self, keys: Sequence[str]) -> Iterator[Misfit]:
        """What is wrong with having ``keys``."""
        ...


@dataclass(frozen=True, slots=True)
class ExactlyOne:
    """One of some groups of keys, whole, and nothing of the others."""

    groups: tuple[tuple[str, ...], ...]
    none_given: str

    def broken(self, keys: Sequence[str]) -> Iterator[Misfit]:
        begun = [group for group in self.groups if any(key in keys for key in group)]
        accepted = "exactly one of: " + ", or ".join(_joined(group) for group in self.groups)
        if not begun:
            yield Misfit(key="", problem=self.none_given, accepted=accepted)
        elif len(begun) > 1:
            given = [key for group in begun for key in group if key in keys]
            problem = f"{_joined(given)} exclude each other"
            yield Misfit(key=given[-1], problem=problem, accepted=accepted)
        else:
            yield from Together(begun[0]).broken(keys)


@dataclass(frozen=True, slots=True)
class AtMostOne:
    """Keys that exclude each other."""

    keys: tuple[str, ...]

    def broken(self, keys: Sequence[str]) -> Iterator[Misfit]:
        given = [key for key in self.keys if key in keys]
        if len(given) > 1:
            problem = f"{_joined(given)} exclude each other"
            accepted = f"at most one of: {', '.join(f'`{key}`' for key in self.keys)}"
            yield Misfit(key=given[-1], problem=problem, accepted=accepted)


@dataclass(frozen=True, slots=True)
class Together:
    """Keys that only make sense together."""

    keys: tuple[str, ...]

    def broken(self, keys: Sequence[str]) -> Iterator[Misfit]:
        given = [key for key in self.keys if key in keys]
        missing = [key for key in self.keys if key not in keys]
        if given and missing:
            problem = f"{_joined(given)} without {_joined(missing)}"
            yield Misfit(key=given[0], problem=problem, accepted=_joined(self.keys))


@dataclass(frozen=True, slots=True)
class Unwelcome:
    """A key that people try and that has its place elsewhere."""

    key: str
    problem: str
    accepted: str

    def broken(self, keys: Sequence[str]) -> Iterator[Misfit]:
        if self.key in keys:
            yield Misfit(key=self.key, problem=self.problem, accepted=self.accepted)


def _joined(keys: Sequence[str]) -> str:
    return " and ".join(f"`{key}`" for key in keys)


class Table(BaseModel):
    """One table of a config. Fields have the names of keys, with the unit added, by alias."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    rules: ClassVar[tuple[KeyRule, ...]] = ()

    def misfits(self) -> Iterator[Misfit]:
        """What does not fit together though each field is right."""
        return iter(())

    @classmethod
    def fields_by_key(cls) -> dict[str, FieldInfo]:
        """The fields of this table by the keys that stand in the file."""
        return {field.alias or name: field for name, field in cls.model_fields.items()}

    @model_validator(mode="wrap")
    @classmethod
    def _all_at_once(cls, data: Any, handler: ModelWrapValidatorHandler[Any]) -> Any:
        if not isinstance(data, Mapping):
            return handler(data)
        wrong = [misfit for rule in cls.rules for misfit in rule.broken(list(data))]
        unwelcome = {rule.key for rule in cls.rules if isinstance(rule, Unwelcome)}
        errors = [_line_error(misfit) for misfit in wrong]
        try:
            table = handler({key: value for key, value in data.items() if key not in unwelcome})
        except ValidationError as exc:
            errors.extend(_again(exc))
        else:
            if not errors:
                errors.extend(_line_error(misfit) for misfit in table.misfits())
        if errors:
            raise ValidationError.from_exception_data(cls.__name__, errors)
        return table


def _line_error(misfit: Misfit) -> InitErrorDetails:
    error = refusal(misfit.problem, accepted=misfit.accepted)
    loc = (misfit.key,) if misfit.key else ()
    return InitErrorDetails(type=error, loc=loc, input=None)


def _again(exc: ValidationError) -> Iterator[InitErrorDetails]:
    """The errors of ``exc`` in the form that a new error is made from."""
    for error in exc.errors(include_url=False):
        again = PydanticCustomError(error["type"], error["msg"], error.get("ctx"))
        yield InitErrorDetails(type=again, loc=error["loc"], input=error.get("input"))


def _detector(given: object) -> Detector:
    try:
        return Detector(str(given))
    except ValueError as exc:
        known = ", ".join(f'"{detector}"' for detector in Detector)
        raise refusal("unknown detector", accepted=f"one of {known}") from exc


def _path(text: str) -> str:
    accepted = 'a path, relative to the folder of this file, or "~/…"'
    if not text.isprintable():
        raise refusal("not a path: there are control characters in it", accepted=accepted)
    try:
        Path(text).expanduser()
    except RuntimeError as exc:
        raise refusal("a home folder that nobody knows", accepted=accepted) from exc
    return text


Count = Annotated[int, Strict()]
"""A whole number; neither a text nor true is taken for one."""
Switch = Annotated[bool, Strict()]
"""true or false; neither 1 nor "yes" is taken for it."""
PathText = Annotated[str, Field(min_length=1, max_length=1024), AfterValidator(_path)]
"""A path as it stands in the file; what it is relative to is the config's own business."""
DetectorName = Annotated[Detector, BeforeValidator(_detector)]
"""A detector by its word."""
