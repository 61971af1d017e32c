"""What others may tell a station, and what it answers: the messages of the command topic."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from acqd.publish.parts import Level

__all__ = ["COMMAND_MOST_BYTES", "Command", "CommandId", "CommandVerb"]

COMMAND_MOST_BYTES = 2048

CommandId = Annotated[str, Field(pattern=r"^[A-Za-z0-9_.:-]{1,64}$")]
CommandVerb = Literal["pause", "resume", "sweep"]


class Command(BaseModel):
    """Something that a station is asked to do, where its config lets others ask.

    Not retained; a retained one is not done.
    """

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        populate_by_name=True,
        use_attribute_docstrings=True,
    )

    schema_: Literal["command/1"] = Field(alias="schema")
    id: CommandId
    """Of the sender's making, another for each command: one that comes twice is done once."""
    verb: CommandVerb
    job: Level
    at_s: Annotated[float, Field(ge=0.0, le=1e11)]
    """When it was said, seconds since 1970-01-01T00:00:00Z; an old one is refused."""
    who: Annotated[str, Field(max_length=100)] = ""
    """Who says so, as they call themselves."""
