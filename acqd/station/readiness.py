"""Before a pass the world is asked to be ready, and afterwards put back, in every way out.

    owed ◄── at every start: nobody knows what the run before left
      │ put_back: published, confirmed
      ▼
    at rest ──make_ready: published, confirmed──► in use ──put_back──► at rest
                 │ no confirmation                          │ not published, or no confirmation
                 └─► no sweep, put back all the same        └─► owed: told, and tried again

Confirmed is what was said after the request had been sent, and not as an old word that the broker
retained: a relay that has lost its supply since may have left it there. With ``standing`` the last
word will do, for a device that says nothing where nothing changes.

While the confirmation holds the pass goes on; a word to the contrary in the middle of it sets the
sweeps from there on aside. What is owed is put back before another job asks for anything, when the
broker is back, and every minute; where the sweeper has a source, between two of its passes, when
that is off.

Jobs of one topic take turns, on whatever sweeper. A wait is bounded by the job's ``within``.

It protects nothing. A relay may not have moved though it says so, or move by itself: what must not
be connected belongs behind an interlock of hardware.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass, field

import structlog

from acqd.clock import Clock
from acqd.errors import BrokerError
from acqd.station.askline import AskLine
from acqd.station.asks import Around, Ask, Confirm, shown, topic_of
from acqd.station.conditions import TellJob
from acqd.station.context import ContextStore, read_value

__all__ = ["Readiness"]

AGAIN_S = 60.0
"""Between two tries to put back what could not be."""


@dataclass(slots=True)
class _Wait:
    """What an ask has heard since it was sent."""

    confirm: Confirm
    sent_s: float | None = None
    """Boot time; None before it was."""
    holds: bool = False
    last: str | None = None
    """The last word of the topic, as it is told."""
    news: asyncio.Event = field(default_factory=asyncio.Event)
    broken_s: float = -1.0
    """Monotonic time until when it is known not to have held, after it had."""


class Readiness:
    """Makes the world ready for passes, and puts it back. Belongs to one loop.

    Args:
        arounds: of each job that asks for something.
        sweeper_of: the name of each such job's sweeper.
        sources: sweepers that have a source which a job turns on. What their jobs owe is put back
            while such a sweeper is open only, when its source is off: else it might feed what the
            relay then connects (G7).
        line: makes the connection from who hears and who is told that it is up.
        contexts: the values beside the sweeps.
        tell: keeps a finding of a job.
        clock: the contexts'.
    """

    def __init__(
        self,
        arounds: Mapping[str, Around],
        *,
        sweeper_of: Mapping[str, str],
        sources: Collection[str] = (),
        line: Callable[[Callable[[str, bytes, bool], None], Callable[[], None]], AskLine],
        contexts: ContextStore,
        tell: TellJob,
        clock: Clock,
    ) -> None:
        self._arounds = dict(arounds)
        self._sweeper_of = dict(sweeper_of)
        self._sources = frozenset(sources)
        self._contexts = contexts
        self._tell = tell
        self._clock = clock
        self._line = line(self._hear, self._try_again)
        self._owed = {job for job, one in self._arounds.items() if one.after is not None}
        self._used: dict[str, _Wait | None] = {}
        """Jobs whose world is not at rest, with the confirmation of it."""
        self._claims: dict[str, str] = {}
        """Which job has a topic at the moment."""
        self._freed = asyncio.Event()
        self._closed_sweepers = set(self._sources)
        self._putting = {job: asyncio.Lock() for job in self._arounds}
        self._waits: list[_Wait] = []
        self._logged: set[Ask] = set()
        self._standing: dict[str, tuple[bytes, float]] = {}
        """The last word of each topic, and when it came, by boot time."""
        self._again = asyncio.Event()
        self._acked: set[str] = set()
        """Jobs whose ``after`` the broker has, be it confirmed or not."""
        self._not_ready: dict[str, str] = {}
        """Why the world of a job was not there when it last asked."""
        self._told_owed: set[str] = set()
        self._rested_s: dict[str, float] = {}
        """Monotonic time until when a job owed something."""
        self._turns: dict[str, Callable[[], None]] = {}
        self._wanted: set[str] = set()
        """Sweepers between two passes of which something is to be put back."""
        self._task: asyncio.Task[None] | None = None
        self._log = structlog.get_logger()
        contexts.listeners.append(self._hear_context)

    # -- the station's side ---------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect, and to put back what a run before may have left."""
        self._line.start()
        self._task = asyncio.create_task(self._keep_putting_back(), name="putting back")

    def hurry(self) -> None:
        """The broker is known to be back."""
        self._line.hurry()

    async def watch(self) -> None:
        """Wait for a fault of ours in what runs beside, and raise it; until cancelled."""
        tasks = [task for task in (self._task, self._line.task) if task is not None]
        for task in (await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED))[0]:
            if not task.cancelled():
                task.result()

    def give_turns(self, sweeper: str, wake: Callable[[], None]) -> None:
        """Who calls :meth:`opened` while :meth:`wants_turn`, between two passes and with the source
        off, and how that one is woken."""
        self._turns[sweeper] = wake

    def wants_turn(self, sweeper: str) -> bool:
        """Whether something is to be put back between two passes of a sweeper."""
        return sweeper in self._wanted

    async def close(self, within_s: float) -> None:
        """Put back what is not at rest, within that time, and leave the broker. Raises nothing.

        To be called when the sweepers are closed and their sources off.
        """
        if self._task is not None:
            self._task.cancel()
            await asyncio.wait([self._task], timeout=0.1)
        left = [job for job in self._arounds if job in self._used or job in self._owed]
        if left and within_s > 0:
            self._line.hurry()
            tasks = [asyncio.create_task(self.put_back(job)) for job in left]
            _, late = await asyncio.wait(tasks, timeout=within_s)
            for one in late:
                one.cancel()
            if late:
                await asyncio.wait(late, timeout=0.1)
            for one in tasks:
                if one.done() and not one.cancelled() and (problem := one.exception()) is not None:
                    self._log.error("not_put_back_at_stop", problem=str(problem), exc_info=problem)
        await self._tell_left()
        await self._line.close()

    async def opened(self, sweeper: str) -> None:
        """A sweeper is open, its source is off: put back what its jobs owe, before anything sweeps.
        What cannot be is told, and tried again."""
        self._closed_sweepers.discard(sweeper)
        self._wanted.discard(sweeper)
        for job, own in self._sweeper_of.items():
            if own == sweeper and job in self._owed:
                await self.put_back(job)

    def lost(self, sweeper: str) -> None:
        """A sweeper's link is broken: nobody knows whether its source is off."""
        if sweeper in self._sources:
            self._closed_sweepers.add(sweeper)

    def asks(self, job: str) -> bool:
        """Whether something is asked around the passes of a job."""
        return job in self._arounds

    def why_not_ready(self, job: str) -> str | None:
        """Why the world of a job was not there when it last asked; None where it was."""
        return self._not_ready.get(job)

    def doubtful_since(self, job: str, sweeper: str, monotonic_s: float) -> bool:
        """Whether a sweep of a job since then may have had another world before it than it wants:
        what confirmed it said otherwise, or another job of its sweeper has not been put back."""
        wait = self._used.get(job)
        if wait is not None and (not wait.holds or wait.broken_s >= monotonic_s):
            return True
        return any(
            own == sweeper
            and other != job
            and (other in self._owed or self._rested_s.get(other, -1.0) >= monotonic_s)
            for other, own in self._sweeper_of.items()
        )

    # -- before and after -----------------------------------------------------------------------

    async def make_ready(self, job: str) -> str | None:
        """Ask for the world that a job's pass wants; None when it is there, else why it is not.

        However it ends, and also where it is cancelled, :meth:`put_back` has to follow.
        """
        before = self._arounds[job].before
        why = await self._claimed(job, before.within_s)
        if why is None:
            # Only now: whoever had a topic until a moment ago may owe something since.
            why = await self._others_at_rest(job)
        if why is None:
            self._used[job] = None
            self._owed.discard(job)
            self._acked.discard(job)
            wait, why = await self._ask(before)
            self._used[job] = wait
        if why is None:
            await self._tell_ready(job)
        else:
            await self._tell_not_ready(job, why)
        return why

    async def put_back(self, job: str) -> bool:
        """Put the world back after a pass of a job; whether it is at rest again.

        What cannot be put back is owed: told once, and tried again.
        """
        async with self._putting[job]:
            if job not in self._used and job not in self._owed:
                self._release(job)
                return True
            after = self._arounds[job].after
            if after is None:
                self._rests(job)
                return True
            why = self._why_source_may_be_on(job)
            if why is None:
                wait, why = await self._ask(after, acknowledged=lambda: self._acked.add(job))
                self._drop(wait)
            if why is None:
                self._rests(job)
                if job in self._told_owed:
                    self._told_owed.discard(job)
                    await self._tell("ready_again", f"put back after all: {after.text}", job)
                return True
            self._drop(self._used.pop(job, None))
            self._owed.add(job)
            self._release(job)
            if job not in self._told_owed:
                self._told_owed.add(job)
                self._log.warning("not_put_back", job=job, why=why)
                await self._tell("not_put_back", f"not put back, {after.text}: {why}", job)
            return False

    async def _others_at_rest(self, job: str) -> str | None:
        """Put back what others owe that share a topic or the sweeper, before this one asks."""
        for other in self._arounds:
            if other == job or other not in self._owed or not self._are_related(other, job):
                continue
            own = self._sweeper_of[other]
            if own != self._sweeper_of[job] and own in self._turns and own in self._sources:
                self._want_turn(own)
            elif await self.put_back(other):
                continue
            return f"what job {other} asked for has not been put back"
        return None

    def _want_turn(self, sweeper: str) -> None:
        """A source of it may be on, and must not feed what a relay is just connecting."""
        if sweeper not in self._closed_sweepers:
            self._wanted.add(sweeper)
            self._turns[sweeper]()

    def _are_related(self, one: str, other: str) -> bool:
        shares = not self._arounds[one].topics.isdisjoint(self._arounds[other].topics)
        return shares or self._sweeper_of[one] == self._sweeper_of[other]

    def _why_source_may_be_on(self, job: str) -> str | None:
        sweeper = self._sweeper_of[job]
        if sweeper not in self._closed_sweepers:
            return None
        return f"{sweeper} is away, and nobody knows whether its source is off"

    async def _claimed(self, job: str, within_s: float) -> str | None:
        """Have the job's topics for itself; None when it has, else why not."""
        topics = self._arounds[job].topics
        try:
            async with asyncio.timeout(within_s):
                while self._holder(job, topics) is not None:
                    self._freed.clear()
                    await self._freed.wait()
        except TimeoutError:
            return f"job {self._holder(job, topics)} is using {', '.join(sorted(topics))}"
        self._claims.update(dict.fromkeys(topics, job))
        return None

    def _holder(self, job: str, topics: frozenset[str]) -> str | None:
        holders = (self._claims.get(topic) for topic in topics)
        return next((one for one in holders if one is not None and one != job), None)

    def _release(self, job: str) -> None:
        for topic in [topic for topic, holder in self._claims.items() if holder == job]:
            del self._claims[topic]
        self._freed.set()

    def _rests(self, job: str) -> None:
        if job in self._owed:
            self._rested_s[job] = self._clock.monotonic_s()
        self._drop(self._used.pop(job, None))
        self._owed.discard(job)
        self._release(job)

    async def _keep_putting_back(self) -> None:
        while True:
            try:
                async with asyncio.timeout(AGAIN_S):
                    await self._again.wait()
            except TimeoutError:
                pass
            self._again.clear()
            for job in [job for job in self._arounds if job in self._owed]:
                sweeper = self._sweeper_of[job]
                if sweeper in self._turns and sweeper in self._sources:
                    # It costs the sweeper's time, so not while the broker is known to be away.
                    if self._line.is_up:
                        self._want_turn(sweeper)
                elif sweeper not in self._closed_sweepers:
                    await self.put_back(job)

    def _try_again(self) -> None:
        self._again.set()

    # -- what is told ---------------------------------------------------------------------------

    async def _tell_ready(self, job: str) -> None:
        if self._not_ready.pop(job, None) is not None:
            self._log.info("ready_again", job=job)
            await self._tell("ready_again", "what this job asks for before a pass is there", job)

    async def _tell_not_ready(self, job: str, why: str) -> None:
        is_news = job not in self._not_ready
        self._not_ready[job] = why
        if is_news:
            self._log.warning("not_ready", job=job, why=why)
            await self._tell("not_ready", f"this job does not sweep: {why}", job)

    async def _tell_left(self) -> None:
        """Say what a stop leaves behind; a request that only wants its confirmation is no news."""
        for job in self._arounds:
            if job not in self._used and job not in self._owed:
                continue
            text = "the station stopped before it was confirmed; the next start asks again first"
            self._log.warning("not_put_back_at_stop", job=job, text=text)
            if job in self._acked or job in self._told_owed:
                continue
            after = self._arounds[job].after
            if after is not None:
                text = f"not put back, {after.text}: the station stopped; the next start does it"
                with suppress(TimeoutError):
                    async with asyncio.timeout(0.2):
                        await self._tell("not_put_back", text, job)

    # -- one request ----------------------------------------------------------------------------

    async def _ask(
        self, ask: Ask, *, acknowledged: Callable[[], None] = lambda: None
    ) -> tuple[_Wait | None, str | None]:
        """Publish and wait for the confirmation. The wait goes on to be told of news, until it is
        dropped; and why there is none, where there is none."""
        wait = None if ask.confirm is None else _Wait(confirm=ask.confirm)
        if wait is not None:
            self._waits.append(wait)
        was_acknowledged = False
        loop = asyncio.get_running_loop()
        ends_s = loop.time() + ask.within_s
        try:
            async with asyncio.timeout_at(ends_s):
                await self._line.put(
                    ask.topic, ask.payload, retain=ask.retain, sending=lambda: self._sending(wait)
                )
            was_acknowledged = True
            acknowledged()
            # Each request once; passes come by the thousand.
            say = self._log.debug if ask in self._logged else self._log.info
            self._logged.add(ask)
            say("asked", topic=ask.topic, payload=shown(ask.payload))
            if wait is None:
                await asyncio.sleep(ask.settle_s)
            else:
                await _stands(wait, ends_s, ask.settle_s)
        except TimeoutError:
            self._drop(wait)
            return None, self._why_not(ask, wait, acknowledged=was_acknowledged)
        except BrokerError as exc:
            self._drop(wait)
            return None, f"the broker does not take {ask.text}: {exc}"
        except BaseException:
            self._drop(wait)
            raise
        return wait, None

    def _sending(self, wait: _Wait | None) -> None:
        """From now on words count; with ``standing`` the last one does as well."""
        if wait is None or wait.sent_s is not None:
            return
        wait.sent_s = self._clock.boottime_s()
        confirm = wait.confirm
        topic = topic_of(confirm, self._contexts.specs)
        if not confirm.standing:
            return
        if topic is not None:
            payload, at_s = self._standing.get(topic, (b"", 0.0))
            wait.holds = bool(self._says(confirm, payload)) and not self._is_old(confirm, at_s)
        elif confirm.condition is not None:
            value = self._contexts.value(confirm.condition.context)
            wait.holds = value is not None and confirm.condition.holds(value)

    def _is_old(self, confirm: Confirm, at_s: float) -> bool:
        """Whether a word is too old for the context that it is a value of."""
        if confirm.condition is None:
            return False
        max_age_s = self._contexts.specs[confirm.condition.context].max_age_s
        return self._clock.boottime_s() - at_s > max_age_s

    def _why_not(self, ask: Ask, wait: _Wait | None, *, acknowledged: bool) -> str:
        if not acknowledged and not self._line.is_up:
            return f"the broker is away: {self._line.why_away}"
        if not acknowledged or wait is None:
            return f"the broker did not acknowledge {ask.text} within {ask.within_s:g} s"
        topic = topic_of(wait.confirm, self._contexts.specs)
        if topic is not None and topic in self._line.deaf_to:
            return self._line.deaf_to[topic]
        last = "nothing was heard" if wait.last is None else f"the last word was '{wait.last}'"
        return f"asked {ask.text}, no {wait.confirm.text} within {ask.within_s:g} s: {last}"

    def _drop(self, wait: _Wait | None) -> None:
        if wait is not None and wait in self._waits:
            self._waits.remove(wait)

    def _hear(self, topic: str, payload: bytes, retained: bool) -> None:
        before, at_s = self._standing.get(topic, (None, 0.0))
        if not retained or before != payload:
            # One that comes again with the next connection is no news and keeps its age.
            at_s = self._clock.boottime_s()
        self._standing[topic] = payload, at_s
        for wait in self._waits:
            if wait.sent_s is None or topic_of(wait.confirm, self._contexts.specs) != topic:
                continue
            if retained and not wait.confirm.standing:
                continue
            says = self._says(wait.confirm, payload)
            if says is not None:
                self._note(wait, says, shown(payload))

    def _says(self, confirm: Confirm, payload: bytes) -> bool | None:
        """Whether a message confirms; None where it says nothing of the matter."""
        condition = confirm.condition
        if condition is None:
            return confirm.says(payload)
        try:
            value = read_value(payload, self._contexts.specs[condition.context])
        except ValueError:
            return None
        return None if value is None else condition.holds(value)

    def _hear_context(self, name: str) -> None:
        """A context was heard of; those of topics are listened to here."""
        for wait in self._waits:
            condition = wait.confirm.condition
            if condition is None or condition.context != name or wait.sent_s is None:
                continue
            if self._contexts.specs[name].topic is not None:
                continue
            value = self._contexts.heard_after(name, wait.sent_s)
            if value is not None:
                self._note(wait, condition.holds(value), f"{value:g}")

    def _note(self, wait: _Wait, says: bool, word: str) -> None:
        if says and not wait.holds:
            wait.broken_s = self._clock.monotonic_s()
        wait.holds, wait.last = says, word
        wait.news.set()


async def _stands(wait: _Wait, ends_s: float, settle_s: float) -> None:
    """Until the confirmation has stood for ``settle_s``.

    Raises:
        TimeoutError: it has not come by ``ends_s``.
    """
    while True:
        async with asyncio.timeout_at(ends_s):
            while not wait.holds:
                wait.news.clear()
                await wait.news.wait()
        since_s = wait.broken_s
        if settle_s:
            with suppress(TimeoutError):
                async with asyncio.timeout(settle_s):
                    while wait.holds and wait.broken_s == since_s:
                        wait.news.clear()
                        await wait.news.wait()
        # Two words may have come before this one woke: one to the contrary, and back.
        if wait.holds and wait.broken_s == since_s:
            return
