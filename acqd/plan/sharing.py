"""Who gets the sweeper: its jobs share it, and every due time is accounted for.

The rules, in this order:

1. A pass that was started is never interrupted, and none is started before it is due.
2. Of the jobs that are due the one with the highest priority goes first; among equals the one
   whose due time runs out first (earliest deadline first); back to back goes last among equals.
3. A job may claim its minimum share of the sweeper's time against rule 2. It saves up its share
   while time goes by, for at most two passes, and each pass it takes is paid from that. A claim is
   made at the last moment: when its due time would run out during the pass that rule 2 would
   start, and those of others that claim before it. So priority decides as long as there is time
   for all, and overload starves none. Back to back has no deadline: it saves up while it waits,
   and claims as soon as it has enough for a pass. Where the shares add up to more than 90 % they
   are scaled down to that. Where passes are of like lengths a job that wants it gets four fifths of
   its share at the least; behind passes much longer than its own it cannot save up enough for that.
4. A due time may start late, within limits (:mod:`acqd.plan.account`); later ones stay on the grid.
5. A pass that was asked for and is not due (:meth:`SweeperPlan.add_extra`) goes by the same rules:
   it has its job's priority, a deadline of its own, and a share of its own to claim. It starts in
   its job's windows alone. One that comes too late is dropped; that is no due time missed.

A plan has no clock. Wall time comes with each call and goes forward; where it was set, or stood
still while the host slept, :meth:`SweeperPlan.clock_stepped` or :meth:`SweeperPlan.asleep` must be
called before the next :meth:`SweeperPlan.ask`. How long a pass took is monotonic time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from acqd.plan.account import Account, Reason
from acqd.plan.extras import Extra, Extras
from acqd.plan.jobs import Decision, Due, Missed, PlannedJob
from acqd.plan.walltime import FOREVER_US, US, ceil_us, floor_us, seconds

__all__ = ["Decision", "Due", "Missed", "PlannedJob", "SweeperPlan"]

SHARES_MOST = 0.9
"""Sum of the minimum shares; the rest is left for priority to decide."""
SAVED_PASSES = 2.0
"""Passes' worth of time that a job can save up."""
CLAIM_MARGIN = 1.5
"""A claim is made where the other's pass would end too late if it took this much longer than
expected."""
REPORT_EVERY_S = 60.0
"""While nothing can start the plan wants to be asked this often, so that what is missed is told."""
REPORT_EVERY_US = round(REPORT_EVERY_S * US)
SERVED_STANDS_S = 60.0
"""A clock set back by up to this much: what was swept is not swept again. Set back by more, the
clock had been wrong for long, and waiting for it to pass the same labels would be deaf time."""

OVERRUN = "overrun"
CLOCK_STEPPED = Reason("clock stepped")
HOST_ASLEEP = Reason("host asleep")


class _Ready(NamedTuple):
    """Something that may start now, as the rules look at it."""

    who: Account | Extras
    priority: int
    until_us: int
    due_us: int
    order: int
    estimate_us: int
    share: float
    saved_us: float


class SweeperPlan:
    """The jobs of one sweeper.

    Args:
        jobs: with names of their own.
        now_s: due times from here on are planned, one exactly now included.
        accounted: for jobs that a former plan had, :attr:`accounted` of it, after it was drained:
            due times up to there are not planned again.

    Raises:
        ValueError: two jobs have one name.
    """

    def __init__(
        self,
        jobs: Sequence[PlannedJob],
        *,
        now_s: float,
        accounted: Mapping[str, float] | None = None,
    ) -> None:
        now_us = ceil_us(now_s)
        self._accounts: dict[str, Account] = {}
        for index, job in enumerate(jobs):
            if job.name in self._accounts:
                raise ValueError(f"two jobs are named {job.name!r}")
            known_s = (accounted or {}).get(job.name)
            known_us = None if known_s is None else floor_us(known_s)
            self._accounts[job.name] = Account(
                job, index=index, now_us=now_us, accounted_us=known_us
            )
        self._all = tuple(self._accounts.values())
        wanted = sum(job.min_share + (job.extra_share or 0.0) for job in jobs)
        scale = min(1.0, SHARES_MOST / wanted) if wanted > 0 else 1.0
        self._shares = {job.name: job.min_share * scale for job in jobs}
        self._extras = {
            job.name: Extras(self._accounts[job.name], share=job.extra_share * scale)
            for job in jobs
            if job.extra_share is not None
        }
        self._saved_us = {
            a.job.name: 0.0 if a.back_to_back else float(a.estimate_us) for a in self._all
        }
        self._saved_at_us = now_us
        self._running: Account | Extra | None = None
        self._running_job: str | None = None
        self._left: list[Missed] = []
        """What jobs missed that have ended since."""
        self._away: Reason | None = None

    # -- what the station reads -----------------------------------------------------------------

    @property
    def running(self) -> str | None:
        """The job whose pass is under way, be it due or not."""
        return self._running_job

    @property
    def accounted(self) -> dict[str, float]:
        """By job: the latest due time that was started or missed. For the plan that follows."""
        found = {a.job.name: a.accounted_us for a in self._all}
        return {name: seconds(at_us) for name, at_us in found.items() if at_us is not None}

    def estimate_s(self, job: str) -> float:
        """How long a pass of the job is expected to take, by now."""
        return seconds(self._accounts[job].estimate_us)

    def waiting(self, now_s: float) -> dict[str, float]:
        """By job: since when a due time may start that has not begun. Jobs that are paused, or have
        their pass under way, are left out, and so is back to back, which is due at any time."""
        now_us = floor_us(now_s)
        found = {}
        for account in self._all:
            if account.back_to_back or account is self._running:
                continue
            due_us = account.ready_since(now_us)
            if due_us is not None:
                found[account.job.name] = seconds(due_us)
        return found

    # -- what the station does --------------------------------------------------------------------

    def ask(self, now_s: float) -> Decision:
        """What to start now, or until when to wait; and what was missed since the last ask.

        Where a start is given the job runs until :meth:`finished`. What a job missed before a due
        time is handed out no later than that due time's start.
        """
        now_us = floor_us(now_s)
        self._go_on(now_us)
        start = None
        if self._running is None and self._away is None:
            chosen = self._choose(now_us)
            if chosen is not None:
                start = self._start(chosen, now_us)
        wait_until_s = None if self._running is not None else self._wait_until(now_us)
        return Decision(
            start=start,
            wait_until_s=wait_until_s,
            missed=self._take_missed(),
            dropped=self._take_dropped(),
        )

    def add_extra(
        self, job: str, ticket: int, *, now_s: float, until_s: float, estimate_s: float
    ) -> bool:
        """Ask once for a pass of a job that is not due, to start before ``until_s``.

        Returns:
            Whether it waits now; False where the job has ended, may ask for none, or has too many
            that wait.
        """
        extras = self._extras.get(job)
        if extras is None or job not in self._accounts:
            return False
        return extras.add(
            Extra(
                ticket=ticket,
                asked_us=floor_us(now_s),
                until_us=floor_us(until_s),
                estimate_us=max(1, round(estimate_s * US)),
            )
        )

    def come_now(self, job: str, now_s: float) -> bool:
        """Make a pass of a job due now; it takes its turn as any that is due, and is accounted for
        as any. False where the job has ended, sweeps back to back, or its time is shut."""
        self._go_on(floor_us(now_s))
        account = self._accounts.get(job)
        return account is not None and account.come_now(floor_us(now_s))

    @property
    def extras_wait(self) -> int:
        """Passes that were asked for and wait."""
        return sum(len(extras) for extras in self._extras.values())

    def finished(self, job: str, *, now_s: float, took_s: float | None) -> None:
        """The pass that was started is over; it took ``took_s`` of monotonic time, or None where
        it came to nothing and says nothing of how long one takes.

        Raises:
            ValueError: this job is not running.
        """
        account = self._running
        if account is None or self._running_job != job:
            raise ValueError(f"job {job!r} is not running; running: {self.running}")
        now_us = floor_us(now_s)
        self._go_on(now_us)
        self._running = self._running_job = None
        if isinstance(account, Extra):
            if job in self._extras:
                took_us = account.estimate_us if took_s is None else max(0, round(took_s * US))
                self._extras[job].pay(took_us)
            return
        if job not in self._accounts:
            return  # it ended meanwhile
        took_us = account.estimate_us if took_s is None else max(0, round(took_s * US))
        account.finish(now_us, None if took_s is None else took_us)
        self._saved_us[job] = max(0.0, self._saved_us[job] - took_us)

    def sweeper_away(self, now_s: float, reason: str, detail: str = "") -> None:
        """From now on nothing can start; due times that run out are missed for this reason."""
        self._go_on(floor_us(now_s))
        self._away = Reason(reason, detail)

    def sweeper_back(self, now_s: float) -> None:
        """The sweeper can be used again."""
        self._go_on(floor_us(now_s))
        self._away = None

    def pause(self, job: str, now_s: float, reason: str = "paused", detail: str = "") -> None:
        """From now on this job does not start; a pass under way goes on."""
        self._go_on(floor_us(now_s))
        self._accounts[job].paused = Reason(reason, detail)

    def resume(self, job: str, now_s: float) -> None:
        """The job may start again."""
        self._go_on(floor_us(now_s))
        self._accounts[job].paused = None

    def end(self, job: str, now_s: float, *, ended_s: float) -> None:
        """Nothing of this job is due any more, since ``ended_s``; one not planned stays so.

        What it missed is still handed out, and so is what is pending from before its end; what is
        pending from after it was never due.
        """
        if job not in self._accounts:
            return
        self._go_on(floor_us(now_s))
        ended = self._accounts.pop(job)
        if job in self._extras:
            self._extras[job].drop_all()
        if ended.pending_us is not None and ended.pending_us < floor_us(ended_s):
            why = ended.paused or self._away or Reason(OVERRUN, "the job ended first")
            ended.give_up_pending(why)
        self._left.extend(ended.take_missed())
        self._all = tuple(self._accounts.values())

    def clock_stepped(self, from_s: float, to_s: float) -> None:
        """The wall clock showed ``from_s`` and now shows ``to_s``; no time has passed.

        Forwards: due times that were jumped over are missed, but for the newest of a job that may
        still start late. Backwards by up to 60 s: what was started or missed stands and is not
        due again. Backwards by more: the plan is taken up anew from ``to_s``, and due times come
        under the clock as it is now.
        """
        from_us, to_us = floor_us(from_s), floor_us(to_s)
        self._go_on(from_us)
        for account in self._all:
            if to_us > from_us and not account.back_to_back:
                account.settle(to_us, account.paused or CLOCK_STEPPED, blocked=True)
            elif from_us - to_us > SERVED_STANDS_S * US:
                account.rewind(to_us)
            account.skip_to(to_us)
        for extras in self._extras.values():
            extras.shift(to_us - from_us)
        self._saved_at_us = to_us

    def clock_set(self, from_s: float, to_s: float) -> None:
        """The wall clock showed ``from_s``, was never right, and now shows ``to_s``, later.

        Nothing was due in between: what was swept meanwhile was due under other names. Who was down
        before accounts for that. What is pending is missed, under the name that it had.
        """
        from_us, to_us = floor_us(from_s), floor_us(to_s)
        self._go_on(from_us)
        for account in self._all:
            account.give_up_pending(account.paused or CLOCK_STEPPED)
            account.rewind(to_us)
            account.skip_to(to_us)
        for extras in self._extras.values():
            extras.shift(to_us - from_us)
        self._saved_at_us = to_us

    def take_missed(self) -> tuple[Missed, ...]:
        """What was missed since the last ask, without one."""
        return self._take_missed()

    def asleep(self, from_s: float, to_s: float) -> None:
        """The host slept from ``from_s`` to ``to_s`` of wall time."""
        from_us, to_us = floor_us(from_s), floor_us(to_s)
        self._go_on(from_us)
        for account in self._all:
            account.settle(to_us, account.paused or HOST_ASLEEP, blocked=True)
        self._saved_at_us = max(self._saved_at_us, to_us)

    def drain(
        self, now_s: float, *, reason: str = "station down", detail: str = "the station stopped"
    ) -> tuple[Missed, ...]:
        """At a stop: all that is not yet accounted for up to now, what is pending included.

        A pass under way was started; what becomes of it is told by whoever runs it.
        """
        self._go_on(floor_us(now_s))
        for account in self._all:
            account.give_up_pending(account.paused or Reason(reason, detail))
        return self._take_missed()

    # -- inside ---------------------------------------------------------------------------------

    def _go_on(self, now_us: int) -> None:
        """Let time go by up to ``now_us`` as things stand."""
        gone_us = now_us - self._saved_at_us
        if gone_us > 0:
            self._saved_at_us = now_us
            if self._away is None:
                self._save_up(now_us, gone_us)
        overrun = Reason(OVERRUN, self._busy_text())
        for extras in self._extras.values():
            extras.expire(now_us)
        for account in self._all:
            why = account.paused or self._away
            blocked = why is not None and account is not self._running
            account.settle(now_us, why or overrun, blocked=blocked)

    def _busy_text(self) -> str:
        if self._running is None:
            return ""
        what = "was looking closer" if isinstance(self._running, Extra) else "was sweeping"
        return f"{self._running_job} {what}"

    def _start(self, chosen: Account | Extras, now_us: int) -> Due:
        if isinstance(chosen, Account):
            self._running, self._running_job = chosen, chosen.job.name
            return chosen.start(now_us)
        self._running = extra = chosen.start()
        self._running_job = chosen.account.job.name
        due_s = seconds(extra.asked_us)
        return Due(job=self._running_job, due_s=due_s, sweeps=0, extra=extra.ticket)

    def _save_up(self, now_us: int, gone_us: int) -> None:
        for account in self._all:
            name = account.job.name
            waits = account is self._running or account.ready_since(now_us) is not None
            if account.back_to_back and not waits:
                continue  # it has nothing to save up for while it is shut
            most_us = SAVED_PASSES * account.estimate_us
            self._saved_us[name] = min(most_us, self._saved_us[name] + gone_us * self._shares[name])
        for extras in self._extras.values():
            extras.save_up(gone_us)

    def _choose(self, now_us: int) -> Account | Extras | None:
        ready = [*self._due(now_us), *self._asked(now_us)]
        if not ready:
            return None
        best = min(ready, key=lambda r: (-r.priority, r.until_us, r.due_us, r.order))
        if len(ready) == 1:
            return best.who
        first = self._claim(ready, best, now_us) or best
        if isinstance(first.who, Extras):
            # A look is put off for whoever is due, has its share, and would miss its time by it.
            due = [r for r in ready if isinstance(r.who, Account)]
            first = self._claim(due, first, now_us) or first
        return first.who

    @staticmethod
    def _claim(ready: Sequence[_Ready], best: _Ready, now_us: int) -> _Ready | None:
        """Who goes before ``best`` by its share, at the last moment that it can."""
        ends_us = now_us + CLAIM_MARGIN * best.estimate_us
        may = [r for r in ready if r is not best and r.share > 0 and r.saved_us >= r.estimate_us]
        may.sort(key=lambda r: (r.until_us, -r.priority, r.due_us, r.order))
        for at, r in enumerate(may):
            if r.until_us == FOREVER_US:
                # It waits for no deadline; who would miss one by its pass goes before it.
                return SweeperPlan._claim(may[:at], r, now_us) or r
            if r.until_us <= ends_us:
                return may[0]
            # Whoever runs out later has to wait for this one as well.
            ends_us += r.estimate_us
        return None

    def _due(self, now_us: int) -> Iterator[_Ready]:
        for account in self._all:
            due_us = account.ready_since(now_us)
            if due_us is not None:
                name = account.job.name
                yield _Ready(
                    who=account,
                    priority=account.job.priority,
                    until_us=FOREVER_US if account.back_to_back else account.pending_until_us,
                    due_us=due_us,
                    order=account.index,
                    estimate_us=account.estimate_us,
                    share=self._shares[name],
                    saved_us=self._saved_us[name],
                )

    def _asked(self, now_us: int) -> Iterator[_Ready]:
        for extras in self._extras.values():
            extra = extras.first(now_us)
            if extra is not None:
                account = extras.account
                yield _Ready(
                    who=extras,
                    priority=account.job.priority,
                    until_us=extra.until_us,
                    due_us=extra.asked_us,
                    order=account.index,
                    estimate_us=extra.estimate_us,
                    share=extras.share,
                    saved_us=extras.saved_us,
                )

    def _wait_until(self, now_us: int) -> float | None:
        coming = []
        for account in self._all:
            up_us = account.comes_up_us(now_us)
            if up_us is not None:
                stuck = self._away is not None or account.paused is not None
                coming.append(now_us + REPORT_EVERY_US if stuck else up_us)
        return seconds(max(min(coming), now_us)) if coming else None

    def _take_missed(self) -> tuple[Missed, ...]:
        left, self._left = self._left, []
        return (*left, *(missed for account in self._all for missed in account.take_missed()))

    def _take_dropped(self) -> tuple[tuple[str, int], ...]:
        return tuple(
            (name, ticket)
            for name, extras in self._extras.items()
            for ticket in extras.take_dropped()
        )
