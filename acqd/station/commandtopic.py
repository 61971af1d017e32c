"""Hears commands over MQTT where the config lets them, has them done, and answers.

A connection of its own, for commands alone, with a fresh session each time: what was said while it
was away is not done later. Every command that is done or refused is a finding and a line of the
log; of those that are not looked at there is one for many.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection, Mapping

import aiomqtt
import structlog

from acqd.clock import Clock
from acqd.errors import AcqdError, BrokerError
from acqd.publish.client import backoff_s
from acqd.publish.commands import COMMAND_MOST_BYTES, Command
from acqd.publish.link import Link, PublishRefused, connection_beside, surely
from acqd.publish.messages import CommandAnswer, rfc3339
from acqd.publish.refusals import why_away
from acqd.publish.settings import BrokerSettings
from acqd.publish.threads import OwnThreads
from acqd.publish.topics import Topics
from acqd.station.doorkeeper import CommandRules, Doorkeeper, Heard
from acqd.station.jobcommands import JobCommands
from acqd.station.tell import one_line

__all__ = ["CommandTopic"]

PACKET_MOST_BYTES = 8 * COMMAND_MOST_BYTES
SETTLED_S = 10.0
LEAVE_S = 0.1
UNLOOKED_EVERY_S = 60.0
"""Of messages that are not looked at there is one finding in so long."""

Tell = Callable[[str, str, Mapping[str, str | int]], Awaitable[None]]


class CommandTopic:
    """Serves the command topic of one station for as long as :meth:`run` runs.

    Args:
        settings: the broker.
        rules: what the config lets.
        jobs: those that run.
        do: does a verb.
        tell: keeps a finding.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        rules: CommandRules,
        *,
        station: str,
        run_id: str,
        jobs: Collection[str],
        do: JobCommands,
        tell: Tell,
        clock: Clock,
    ) -> None:
        self._settings = settings
        self._topics = Topics(station, settings.topic_root)
        self._common = {"station": station, "run_id": run_id}
        self._door = Doorkeeper(rules, jobs=jobs, monotonic_s=clock.monotonic_s())
        self._do = do
        self._tell = tell
        self._clock = clock
        self._threads = OwnThreads("commands")
        self._hurry = asyncio.Event()
        self._connected: bool | None = None
        self._unlooked = 0
        self._unlooked_told_s: float | None = None
        self._log = structlog.get_logger()

    def hurry(self) -> None:
        """Do not wait for the backoff to end: the broker is known to be back."""
        self._hurry.set()

    async def run(self) -> None:
        """Until cancelled; never ends for a broker or what it sends."""
        failures = 0
        while True:
            started_s = self._clock.monotonic_s()
            reason = "closed by the broker"
            try:
                await surely(self._listen())
            except* (aiomqtt.MqttError, OSError, BrokerError) as group:
                reason = why_away(group, self._settings)
            if self._connected and self._clock.monotonic_s() - started_s >= SETTLED_S:
                failures = 0
            self._note(connected=False, reason=reason)
            try:
                async with asyncio.timeout(backoff_s(failures)):
                    await self._hurry.wait()
            except TimeoutError:
                pass
            self._hurry.clear()
            failures += 1

    async def _listen(self) -> None:
        async with connection_beside(
            self._settings,
            station=self._topics.station,
            purpose="commands",
            threads=self._threads,
            packet_most_bytes=PACKET_MOST_BYTES,
        ) as link:
            try:
                for answer in await link.subscribe(self._topics.command, 1):
                    refused = answer >= 0x80 if isinstance(answer, int) else answer.is_failure
                    if refused:
                        raise BrokerError("the broker does not let the station hear commands")
                self._note(connected=True)
                async for message in link.messages:
                    await self._hear(link, message)
            except asyncio.CancelledError:
                link.timeout = LEAVE_S
                raise

    async def _hear(self, link: Link, message: aiomqtt.Message) -> None:
        payload = message.payload
        now_s = self._clock.wall_s()
        heard = self._door.hear(
            payload if isinstance(payload, bytes) else b"",
            retained=message.retain,
            now_s=now_s,
            monotonic_s=self._clock.monotonic_s(),
        )
        command = heard.command
        if command is None:
            await self._not_looked_at(heard.text)
            return
        if heard.what == "again":
            await self._answer(link, command, "done before", heard.text)
            return
        await self._settle(link, command, heard)

    async def _settle(self, link: Link, command: Command, heard: Heard) -> None:
        """Do it, or say why not; answer, log and keep."""
        outcome, text = "refused", heard.text
        claims = one_line(command.who)
        who = f"{claims}, as they say, over MQTT" if claims else "somebody over MQTT"
        if heard.what == "do":
            try:
                text = self._do.do(command.verb, command.job, who=who, is_here=False)
                outcome = "done"
            except AcqdError as exc:
                text = str(exc)
        if outcome == "done":
            self._door.remember(command, text)
        else:
            self._log.warning(
                "command_refused", verb=command.verb, job=command.job, who=claims, why=text
            )
        said = f"asked by {who}: {command.verb} {command.job}; {outcome}: {text}"
        figures: dict[str, str | int] = {
            "verb": command.verb,
            "job": command.job,
            "outcome": outcome,
            "who": claims,
        }
        try:
            await self._answer(link, command, outcome, text)
        finally:
            await self._tell("commanded", said, figures)

    async def _answer(self, link: Link, command: Command, outcome: str, text: str) -> None:
        at_s = self._clock.wall_s()
        answer = CommandAnswer.model_validate(
            {
                **self._common,
                "id": command.id,
                "verb": command.verb,
                "job": command.job,
                "outcome": outcome,
                "text": one_line(text),
                "at": rfc3339(at_s),
                "at_s": at_s,
            }
        )
        try:
            await link.put(self._topics.command_answer, answer.to_json(), qos=1, retain=False)
        except PublishRefused as exc:
            self._log.warning("answer_refused", reason=exc.name)

    async def _not_looked_at(self, why: str) -> None:
        """Somebody floods, or does not know how to ask: said once for many."""
        self._unlooked += 1
        now_s = self._clock.monotonic_s()
        told_s = self._unlooked_told_s
        if told_s is not None and now_s - told_s < UNLOOKED_EVERY_S:
            return
        count, self._unlooked, self._unlooked_told_s = self._unlooked, 0, now_s
        messages = "a command was" if count == 1 else f"{count} commands were"
        self._log.warning("command_not_looked_at", count=count, why=why)
        figures: dict[str, str | int] = {"outcome": "not looked at", "count": count}
        await self._tell("commanded", f"{messages} not looked at: {why}", figures)

    def _note(self, *, connected: bool, reason: str = "") -> None:
        """Log a change; failed attempts in a row are one."""
        if connected == self._connected:
            return
        self._connected = connected
        if connected:
            self._log.info("commands_heard", topic=self._topics.command)
        else:
            self._log.warning("commands_away", reason=reason)
