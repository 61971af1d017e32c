"""``[job.NAME.before]`` and ``[job.NAME.after]``: what is asked of the world around each pass."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Field

from acqd.config.conditions import Bound, bound_misfits, context_problems
from acqd.config.context import Topic
from acqd.config.problems import Text
from acqd.config.quantity import DURATION, Quantity, refusal
from acqd.config.tables import AtMostOne, ExactlyOne, KeyRule, Misfit, Switch, Table

__all__ = ["AfterTable", "BeforeTable", "ConfirmTable", "around_problems"]

FILE_LOOKS_S = 6.0
"""Files of contexts are looked at every 5 s; what is confirmed by one needs longer."""

Within = Annotated[float, Quantity(dimension=DURATION, at_least="100 ms", at_most="5 min")]
Settle = Annotated[float, Quantity(dimension=DURATION, at_most="5 min")]


def _payload(text: str) -> str:
    if len(text.encode()) > 8192:
        raise refusal("longer than 8192 bytes", accepted="a shorter text")
    return text


Payload = Annotated[str, AfterValidator(_payload)]


class ConfirmTable(Table):
    """How the world says that it is as asked for: a word on a topic, or a context's value."""

    topic: Topic | None = None
    word: Annotated[str, Field(min_length=1, max_length=200)] | None = Field(
        default=None, alias="is"
    )
    key: Annotated[str, Field(max_length=200)] = ""
    context: str | None = Field(default=None, description="the NAME of a [context.NAME]")
    above: Bound | None = None
    at_least: Bound | None = None
    below: Bound | None = None
    at_most: Bound | None = None
    standing: Switch = False

    rules: ClassVar[tuple[KeyRule, ...]] = (
        ExactlyOne((("topic",), ("context",)), "nothing says what confirms it"),
        AtMostOne(("above", "at_least")),
        AtMostOne(("below", "at_most")),
    )

    def misfits(self) -> Iterator[Misfit]:
        if self.topic is not None and self.word is None:
            yield Misfit(
                key="topic",
                problem="nothing says which word on this topic confirms it",
                accepted='`is`, such as { topic = "ledge/relay", is = "bridge" }',
            )
        yield from self._wrong_side()
        yield from bound_misfits(self)

    def _wrong_side(self) -> Iterator[Misfit]:
        of_topic, of_context = ("word", "key"), ("above", "at_least", "below", "at_most")
        aliases = {"word": "is"}
        wrong = of_topic if self.context is not None else of_context
        other = "a context" if self.context is not None else "a topic"
        for key in wrong:
            if key in self.model_fields_set:
                yield Misfit(
                    key=aliases.get(key, key),
                    problem=f"has no meaning with {other}",
                    accepted="`is` with `topic`; `at_least` and the like with `context`",
                )


class BeforeTable(Table):
    """What is published before each pass, and what has to answer before anything is swept."""

    publish: Topic = Field(description='a topic, such as "ledge/relay/set"')
    payload: Payload
    retain: Switch = False
    confirm: ConfirmTable = Field(
        description='what confirms it, such as { topic = "ledge/relay", is = "bridge" }'
    )
    within_s: Within = Field(default=5.0, alias="within")
    settle_s: Settle = Field(default=0.0, alias="settle")


class AfterTable(Table):
    """What is published after each pass, however it ended."""

    publish: Topic = Field(description='a topic, such as "ledge/relay/set"')
    payload: Payload
    retain: Switch = False
    confirm: ConfirmTable | None = None
    within_s: Within = Field(default=5.0, alias="within")
    settle_s: Settle = Field(default=0.0, alias="settle")


def around_problems(
    jobs: Mapping[str, Any],
    contexts: Mapping[str, Any],
    places: Text,
    *,
    station: str | None,
    topic_root: str | None,
    broker: str | None,
) -> Iterator[Any]:
    """What is wrong with these tables beside the tables themselves. None: that is not known.

    Args:
        jobs: those that are right.
        contexts: the tables as they were given, by name.
        station: its name.
        topic_root: what its topics begin with.
        broker: as the config says.
    """
    own = None if station is None or topic_root is None else f"{topic_root}/{station}"
    for name, job in jobs.items():
        if job.after is not None and job.before is None:
            yield places.problem(
                ("job", name, "after"),
                "nothing is asked for before a pass that could be put back",
                accepted=f"a table [job.{name}.before] beside it",
            )
        for key in _KEYS:
            table = getattr(job, key)
            if table is not None:
                place = ("job", name, key)
                yield from _of_table(table, place, contexts, places, own=own, broker=broker)


_KEYS: tuple[Literal["before", "after"], ...] = ("before", "after")


def _of_table(
    table: Any,
    place: tuple[str, ...],
    contexts: Mapping[str, Any],
    places: Text,
    *,
    own: str | None,
    broker: str | None,
) -> Iterator[Any]:
    if broker == "none":
        yield places.problem(
            place,
            'nobody can be asked with broker = "none"',
            accepted='broker = "local" in [mqtt], or the URL of the broker that the relay is at',
        )
    confirm = table.confirm
    topics = [((*place, "publish"), table.publish)]
    if confirm is not None and confirm.topic is not None:
        topics.append(((*place, "confirm", "topic"), confirm.topic))
    for where, topic in topics:
        if own is not None and (topic == own or topic.startswith(f"{own}/")):
            yield places.problem(
                where,
                f"one of the station's own topics, which begin with {own}/",
                accepted="a topic of what is asked",
                given=f'"{topic}"',
            )
    if confirm is None:
        return
    where = (*place, "confirm")
    heard = confirm.topic
    if confirm.context is not None:
        yield from context_problems(confirm, where, contexts, places)
        given = contexts.get(confirm.context, {})
        heard = given.get("topic") if isinstance(given, Mapping) else None
        by_file = isinstance(given, Mapping) and "file" in given
        if by_file and table.within_s < FILE_LOOKS_S:
            yield places.problem(
                where,
                f"context `{confirm.context}` is of a file, which is looked at every 5 s",
                accepted=f'within = "{2 * FILE_LOOKS_S:g} s", or a topic',
            )
    if heard == table.publish:
        yield places.problem(
            where,
            "the very topic that is published to: the station would hear itself",
            accepted="a topic on which the other side says what it did",
        )
