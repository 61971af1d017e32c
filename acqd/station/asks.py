"""What is asked of the world around a pass: what confirms it, how long it may take."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from acqd.station.conditions import Condition
from acqd.station.context import PAYLOAD_MOST_BYTES, ContextSpec, found_at

__all__ = ["Around", "Ask", "Confirm", "shown", "topic_of", "topics_of"]

SHOWN = 40
"""Characters of a word that are told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirm:
    """How the world says that it is as asked for: a word on a topic, or a context's condition."""

    topic: str | None = None
    word: str = ""
    key: str = ""
    condition: Condition | None = None
    standing: bool = False

    @property
    def text(self) -> str:
        if self.condition is not None:
            return self.condition.text
        where = f"{self.topic} ({self.key})" if self.key else f"{self.topic}"
        return f"'{self.word}' on {where}"

    def says(self, payload: bytes) -> bool | None:
        """Whether a message of the topic confirms; None where it says nothing of the matter."""
        if len(payload) > PAYLOAD_MOST_BYTES:
            return None
        text = payload.decode("utf-8", "replace").strip()
        if not self.key:
            return text == self.word if text else None
        try:
            found = found_at(text, self.key)
        except ValueError:
            return None
        if isinstance(found, bool):
            found = "true" if found else "false"
        return None if found is None else str(found) == self.word


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One request: what is published where, what confirms it, and how long that may take."""

    topic: str
    payload: bytes
    retain: bool = False
    confirm: Confirm | None = None
    within_s: float = 5.0
    settle_s: float = 0.0

    @property
    def text(self) -> str:
        return f"'{shown(self.payload)}' to {self.topic}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What is asked around each pass of a job."""

    before: Ask
    after: Ask | None = None

    @property
    def asks(self) -> tuple[Ask, ...]:
        return (self.before,) if self.after is None else (self.before, self.after)

    @property
    def within_s(self) -> float:
        """How long the sweeper may wait for it in vain."""
        return sum(ask.within_s for ask in self.asks)

    @property
    def topics(self) -> frozenset[str]:
        """What only one job may have at a time."""
        return frozenset(ask.topic for ask in self.asks)


def topics_of(
    arounds: Mapping[str, Around], contexts: Mapping[str, ContextSpec]
) -> tuple[str, ...]:
    """The topics on which is confirmed, each once; also those of contexts, which would otherwise
    come over another connection that may not stand yet."""
    confirms = [ask.confirm for one in arounds.values() for ask in one.asks]
    topics = [topic_of(one, contexts) for one in confirms if one is not None]
    return tuple(dict.fromkeys(topic for topic in topics if topic is not None))


def topic_of(confirm: Confirm, contexts: Mapping[str, ContextSpec]) -> str | None:
    """The topic on which is confirmed; None where that is a file."""
    if confirm.condition is None:
        return confirm.topic
    return contexts[confirm.condition.context].topic


def shown(payload: bytes) -> str:
    """The beginning of a payload as it may stand in a sentence."""
    text = "".join(
        letter if letter.isprintable() else "\ufffd"
        for letter in payload.decode("utf-8", "replace")
    ).strip()
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}…"
