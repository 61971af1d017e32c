"""Parts of messages whose levels carry their unit in the key: ``floor_dbm``, ``peak_dbuv``.

A level's unit is the sweeper's, so the keys of a summary differ from job to job. Such a part has
named fields and, beside them, any number of levels whose keys follow one pattern; both pydantic and
the JSON schema refuse everything else.
"""

from __future__ import annotations

import math
import re
from typing import Any, ClassVar, Self

from pydantic import BaseModel, ConfigDict, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

__all__ = ["LevelPart"]

UNIT_SUFFIXES = "dbm|dbuv|dbfs|digit|ratio|db"
"""``db`` is for what is no level but a difference of two."""


class LevelPart(BaseModel):
    """A part with levels beside its fields.

    ``level_names`` are the names without unit that this part may have, as alternatives of a regular
    expression.
    """

    model_config = ConfigDict(
        extra="allow",
        frozen=True,
        allow_inf_nan=False,
        use_attribute_docstrings=True,
        defer_build=True,
    )

    level_names: ClassVar[str]

    @classmethod
    def level_pattern(cls) -> str:
        """The pattern that a level's key follows."""
        return rf"^({cls.level_names})_({UNIT_SUFFIXES})$"

    @model_validator(mode="after")
    def _only_levels_beside_fields(self) -> Self:
        pattern = re.compile(self.level_pattern())
        for key, value in (self.__pydantic_extra__ or {}).items():
            if not pattern.match(key):
                raise ValueError(f"{key}: not a field, and not a level ({pattern.pattern})")
            if value is not None and not (_is_number(value) and math.isfinite(value)):
                raise ValueError(f"{key}: expected a finite number or null, got {value!r}")
        return self

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        schema = handler(core_schema)
        body: dict[str, Any] = handler.resolve_ref_schema(schema)
        number = {"anyOf": [{"type": "number"}, {"type": "null"}]}
        body["patternProperties"] = {cls.level_pattern(): number}
        body["additionalProperties"] = False
        return schema


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
