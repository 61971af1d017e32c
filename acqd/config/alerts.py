"""``[way.NAME]``: how somebody is reached; ``[alert.NAME]``: when. Secrets never stand in the text.

What one table says of another is judged in :mod:`acqd.config.alertchecks`.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterator, Mapping
from typing import Annotated, ClassVar, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field

from acqd.config.mqtt import EnvName
from acqd.config.problems import near_miss
from acqd.config.quantity import (
    BYTES,
    DIFFERENCE,
    DURATION,
    FREQUENCY,
    Frequency,
    Quantity,
    QuantityError,
    parse_quantity,
    refusal,
)
from acqd.config.tables import Count, ExactlyOne, KeyRule, Misfit, PathText, Switch, Table
from acqd.measure.finding_words import FINDING_WORDS
from acqd.plan.windows import ClockWindow

__all__ = [
    "ALERT_WORDS",
    "ENDED_BY",
    "FITTING",
    "HOLD_OFF_S",
    "LASTING",
    "ON_WORDS",
    "PLACEHOLDERS",
    "AlertTable",
    "SecretTable",
    "WayTable",
]

OnWord = Literal[
    "finding",
    "channel busy",
    "carrier present",
    "carrier absent",
    "floor up",
    "deaf",
    "sweeper lost",
    "verdict",
    "disk",
]
FITTING: Mapping[str, tuple[str, ...]] = {
    "finding": ("what", "job", "sweeper"),
    "channel busy": ("job", "channel"),
    "carrier present": ("job", "channel", "frequency", "within"),
    "carrier absent": ("job", "channel", "frequency", "within"),
    "floor up": ("job", "by", "over"),
    "deaf": ("job",),
    "sweeper lost": ("sweeper",),
    "verdict": ("job", "verdict"),
    "disk": ("below",),
}
"""What an alert may be on, and the keys that say more of it; the others would have no effect."""
ON_WORDS = tuple(FITTING)
LASTING = ("channel busy", "carrier present", "carrier absent", "floor up", "deaf", "sweeper lost",
           "disk")  # fmt: skip
"""What begins and ends; the others happen."""

ENDED_BY: Mapping[str, str] = {
    "archive_trouble": "archive_well",
    "cannot_keep": "room_again",
    "carrier_lost": "carrier_back",
    "deaf": "hears_again",
    "limit_exceeded": "limit_met",
    "load_changed": "load_as_it_was",
    "not_ready": "ready_again",
    "off_frequency": "on_frequency",
    "reference_refused": "reference_accepted",
    "sweeper_lost": "sweeper_back",
}
"""Findings that last until another one ends them: these can be held off, repeated and cleared."""

STATION_WORDS = (
    "alert_not_sent",
    "archive_trouble",
    "archive_well",
    "cannot_keep",
    "clock_corrected",
    "clock_stepped",
    "commanded",
    "context_unreadable",
    "deaf",
    "driver_died",
    "driver_stuck",
    "file_damaged",
    "hears_again",
    "host_asleep",
    "identity_changed",
    "identity_confirmed",
    "identity_doubtful",
    "identity_shared",
    "identity_unconfirmed",
    "input_near_maximum",
    "ledger_rebuilt",
    "look_refused",
    "looked_closer",
    "meter_failed",
    "nights_removed",
    "not_put_back",
    "not_ready",
    "ptt_lost",
    "ready_again",
    "reference_wanted",
    "refused",
    "report_failed",
    "room_again",
    "self_test_failed",
    "self_test_moved",
    "soak_excursion",
    "soak_no_figure",
    "soak_verdict",
    "sweeper_back",
    "sweeper_clock_drift",
    "sweeper_lost",
    "sweeper_moved",
    "sweeper_new",
)
"""Words of findings that no kind alone tells."""
ALERT_WORDS = tuple(
    sorted({*STATION_WORDS, *(w for words in FINDING_WORDS.values() for w in words)})
)

HOLD_OFF_S: Mapping[str, float] = {"sweeper lost": 30.0, "disk": 60.0, "floor up": 60.0}
"""Where the config does not say: what comes and goes by itself is not worth a message. Definition
ours; 0 s for the others."""

PLACEHOLDERS = (
    "alert",
    "at",
    "channel",
    "count",
    "job",
    "lasted",
    "since",
    "state",
    "station",
    "sweeper",
    "text",
    "title",
    "what",
)
"""What may stand in braces in a title, a text, and the words of a command."""

_BY_SECRET = '{ env = "NAME" } or { file = "PATH" }'
_PLAIN_SCHEMES = ("json", "jsons", "xml", "xmls", "form", "forms", "mailto", "mailtos", "syslog")
"""Of Apprise: the address alone is no secret. The URL of most others holds a token."""
_SECRET_HEADER = re.compile(r"auth|cookie|token|secret|password|key", re.IGNORECASE)
_HEADER_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]{1,100}")
"""A token of RFC 9110, section 5.6.2."""


class SecretTable(Table):
    """A text that is given as it is, or stands in the environment or in a file."""

    plain: Annotated[str, Field(min_length=1, max_length=2048)] | None = None
    env: EnvName | None = None
    file: PathText | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (
        ExactlyOne((("plain",), ("env",), ("file",)), "nothing says where it is"),
    )


def _secret(given: object) -> object:
    if isinstance(given, str):
        if not given.isprintable():
            raise refusal("there are control characters in it", accepted="one line of text")
        return {"plain": given}
    if not isinstance(given, Mapping | SecretTable):
        raise refusal("neither a text nor a table", accepted=f"a text in quotes, {_BY_SECRET}")
    return given


Secret = Annotated[SecretTable, BeforeValidator(_secret)]


def _one_or_more(given: object) -> object:
    return (given,) if isinstance(given, str | Mapping) else given


Texts = Annotated[
    tuple[Annotated[str, Field(min_length=1, max_length=200)], ...],
    BeforeValidator(_one_or_more),
    Field(max_length=64),
]
"""One text, or a list of them."""


def _template(text: str) -> str:
    accepted = "text with " + ", ".join(f"{{{name}}}" for name in PLACEHOLDERS)
    try:
        parts = list(string.Formatter().parse(text))
    except ValueError as exc:
        raise refusal(f"not a template: {exc}", accepted=f"{accepted}; {{{{ for a brace") from exc
    for _, name, spec, conversion in parts:
        if name is not None and (name not in PLACEHOLDERS or spec or conversion):
            raise refusal(f"nothing is known to fill in for `{{{name}}}`", accepted=accepted)
    return text


Template = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(_template)]


class WayTable(Table):
    """``[way.NAME]``: one way to reach somebody."""

    apprise: (
        Annotated[
            tuple[Secret, ...],
            BeforeValidator(_one_or_more),
            Field(min_length=1, max_length=16),
        ]
        | None
    ) = None
    post: Secret | None = None
    headers: dict[str, Secret] = Field(default_factory=dict, max_length=16)
    command: Annotated[tuple[Template, ...], Field(min_length=1, max_length=64)] | None = None
    time_limit_s: Annotated[
        float, Quantity(dimension=DURATION, at_least="1 s", at_most="5 min")
    ] = Field(default=30.0, alias="time_limit")
    enabled: Switch = True

    rules: ClassVar[tuple[KeyRule, ...]] = (
        ExactlyOne((("apprise",), ("post",), ("command",)), "nothing says which way"),
    )

    def misfits(self) -> Iterator[Misfit]:
        for one in self.apprise or ():
            yield from _misfits_of_url("apprise", one.plain)
        if self.post is not None and self.post.plain is not None:
            yield from _misfits_of_post(self.post.plain)
        if self.headers and self.post is None:
            yield Misfit(
                key="headers", problem="only an HTTP POST has headers", accepted="`post` beside it"
            )
        for name, value in self.headers.items():
            if not _HEADER_NAME.fullmatch(name):
                yield Misfit(
                    key="headers",
                    problem="a name that no header has",
                    accepted="letters, digits and hyphens",
                )
            elif value.plain is not None and _SECRET_HEADER.search(name):
                yield Misfit(
                    key="headers",
                    problem=f"{name}: secrets have no place in the text of a config",
                    accepted=_BY_SECRET,
                )
        if self.command is not None and "{" in self.command[0]:
            yield Misfit(
                key="command",
                problem="which program it is must not hang on the alert",
                accepted='the program first, then its words: ["./ring", "{title}"]',
            )


def _misfits_of_url(key: str, url: str | None) -> Iterator[Misfit]:
    """Of an Apprise URL that stands in the text. Its value is repeated nowhere."""
    if url is None:
        return
    scheme, colon, rest = url.partition("://")
    if not colon:
        yield Misfit(key=key, problem="not a URL", accepted=f"a URL of Apprise, by {_BY_SECRET}")
    elif "@" in rest.partition("/")[0] or scheme.lower() not in _PLAIN_SCHEMES:
        yield Misfit(
            key=key,
            problem="such a URL holds a password or a token, and secrets have no place in the text "
            "of a config",
            accepted=_BY_SECRET,
        )


def _misfits_of_post(text: str) -> Iterator[Misfit]:
    try:
        url = urlsplit(text)
        is_url = url.scheme in ("http", "https") and bool(url.hostname) and url.port != 0
    except ValueError:
        is_url = False
    if not is_url:
        yield Misfit(
            key="post",
            problem="not a URL that something can be posted to",
            accepted='http:// or https://, such as "https://shack.example/alert"',
        )
    elif "@" in url.netloc:
        yield Misfit(
            key="post",
            problem="user and password have no place in the text of a config",
            accepted=f"{_BY_SECRET}, or a header by one of them",
        )


def _on(given: object) -> object:
    if given not in ON_WORDS:
        hint = near_miss(given, ON_WORDS) if isinstance(given, str) else ""
        known = ", ".join(f'"{word}"' for word in ON_WORDS)
        raise refusal(f"nothing that an alert can be on{hint}", accepted=f"one of {known}")
    return given


def _quiet(text: str) -> str:
    try:
        ClockWindow.from_text(text)
    except ValueError as exc:
        accepted = 'from one time of the station\'s clock to another, such as "22:00..07:00"'
        raise refusal(f"not quiet hours: {exc}", accepted=accepted) from exc
    return text


def _repeat(given: object) -> float | None:
    if given == "never":
        return None
    accepted = '"never", or a duration of at least 1 min, such as "1 h"'
    if not isinstance(given, str):
        raise refusal("neither a duration nor never", accepted=accepted)
    try:
        seconds = parse_quantity(given, DURATION)
    except QuantityError as exc:
        raise refusal(exc.problem, accepted=accepted) from exc
    if seconds < 60.0:
        raise refusal("too often", accepted=accepted)
    return seconds


class AlertTable(Table):
    """``[alert.NAME]``: when somebody is told, and how."""

    on: Annotated[OnWord, BeforeValidator(_on)] = Field(
        description='what it is about, such as "finding"'
    )
    what: Texts = ()
    job: Texts = ()
    sweeper: Texts = ()
    channel: Texts = ()
    verdict: Annotated[
        tuple[Literal["pass", "fail", "cannot tell", "incomplete"], ...],
        BeforeValidator(_one_or_more),
    ] = ()
    frequency_hz: Frequency | None = Field(default=None, alias="frequency")
    within_hz: Annotated[
        float, Quantity(dimension=FREQUENCY, at_least="1 Hz", at_most="100 MHz")
    ] = Field(default=5e3, alias="within")
    by_db: Annotated[float, Quantity(dimension=DIFFERENCE, at_least="1 dB", at_most="100 dB")] = (
        Field(default=6.0, alias="by")
    )
    over: Literal["last hour", "last night", "learnt"] = "last hour"
    below_bytes: Annotated[int, Quantity(dimension=BYTES)] = Field(
        default=2_000_000_000, alias="below"
    )
    hold_off_s: (
        Annotated[float, Quantity(dimension=DURATION, at_least="0 s", at_most="31 d")] | None
    ) = Field(default=None, alias="hold_off")
    repeat_s: Annotated[float | None, BeforeValidator(_repeat)] = Field(
        default=None, alias="repeat"
    )
    quiet: Annotated[str, AfterValidator(_quiet)] | None = None
    urgent: Switch = False
    all_clear: Switch = True
    at_most: Annotated[Count, Field(ge=1, le=60)] = 6
    to: Texts = ()
    title: Template | None = None
    text: Template | None = None
    enabled: Switch = True

    def misfits(self) -> Iterator[Misfit]:
        given = {
            field.alias or name
            for name, field in type(self).model_fields.items()
            if name in self.model_fields_set and getattr(self, name) != field.get_default()
        }
        fits = FITTING[self.on]
        of_others = {key for keys in FITTING.values() for key in keys} - {*fits}
        for key in sorted(given & of_others):
            listed = ", ".join(f"`{one}`" for one in fits)
            yield Misfit(
                key=key, problem=f'says nothing of "{self.on}"', accepted=f"for this: {listed}"
            )
        yield from self._misfits_of_what()
        if not self.lasts:
            for key in sorted(given & {"hold_off", "repeat", "all_clear"}):
                yield Misfit(
                    key=key,
                    problem="what this is on happens and does not last",
                    accepted="without it, or findings that last: " + ", ".join(sorted(ENDED_BY)),
                )
        if self.on == "carrier absent" and not self.hold_off_s:
            yield Misfit(
                key="hold_off",
                problem="nothing says for how long it may be silent",
                accepted='longer than it is ever silent when all is well, such as "20 min"',
            )
        if self.on in ("carrier present", "carrier absent"):
            yield from self._misfits_of_carrier()
        if self.urgent and self.quiet is not None:
            yield Misfit(
                key="urgent",
                problem="what is urgent knows no quiet hours",
                accepted="one of the two, `quiet` or `urgent`",
            )

    def _misfits_of_what(self) -> Iterator[Misfit]:
        for word in self.what:
            if word not in ALERT_WORDS:
                yield Misfit(
                    key="what",
                    problem=f"no finding has the word `{word}`{near_miss(word, ALERT_WORDS)}",
                    accepted="a word of the table in docs/messages.md",
                )

    def _misfits_of_carrier(self) -> Iterator[Misfit]:
        if len(self.job) != 1:
            yield Misfit(
                key="job", problem="nothing says which job hears it", accepted="one job by its name"
            )
        if self.channel and self.frequency_hz is not None:
            yield Misfit(
                key="frequency",
                problem="`channel` and `frequency` exclude each other",
                accepted="one of the two, or neither with a job of kind carrier",
            )

    @property
    def lasts(self) -> bool:
        """Whether what it is on has an end."""
        return self.on in LASTING or (
            self.on == "finding" and any(word in ENDED_BY for word in self.what)
        )
