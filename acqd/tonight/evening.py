"""From what was answered to a config that was tried: one real sweep of each range.

Before any sweep the whole config is drafted, read back and held against the input's headroom (G7).
The files of the evening are not touched here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from acqd.archive.lock import holder_of
from acqd.clock import Clock
from acqd.config.load import parse_config
from acqd.config.whole import StationConfig
from acqd.drivers.hops import plan_hops
from acqd.drivers.host import Opened
from acqd.drivers.registry import Registry
from acqd.errors import BrokerError, InputUnsafe, PortBusy
from acqd.plan.preview import preview
from acqd.publish.broker import find_mosquitto
from acqd.publish.child import claim_ports
from acqd.station.build import Built, build
from acqd.station.build import at_address as spec_at
from acqd.station.forecast import bytes_of_sweep
from acqd.station.setup import absolute_max_dbm
from acqd.station.single import take_one
from acqd.sweep import Capabilities
from acqd.tonight.foresight import RangeSeen, range_seen, words_of
from acqd.tonight.hookup import Hookup
from acqd.tonight.looking import Choice
from acqd.tonight.ranges import Wanted
from acqd.tonight.settings import Settings, every_for_s, possible_settings, with_rbw
from acqd.tonight.writing import Draft, config_text, station_name

__all__ = ["Evening", "Plan", "broker_here", "introduced"]

QUICK_S = 5.0
"""All ranges together should not take longer; wider RBWs are tried where they do."""

USUAL_PORT = 1883
PORTS = range(USUAL_PORT, USUAL_PORT + 20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What will be done tonight, and what it rests on."""

    text: str
    config: StationConfig
    built: Built
    identity: str
    capabilities: Capabilities
    seen: tuple[RangeSeen, ...]
    every_s: float
    plane: str
    inputs: tuple[str, ...]
    """What can arrive at the input, a sentence each; none where no transmitter was named."""

    @property
    def round_s(self) -> float:
        """What one sweep of each range takes together."""
        return math.fsum(one.took_s for one in self.seen)

    def words(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Each range's title and its sentences."""
        return tuple(
            (
                one.title,
                words_of(one, every_s=self.every_s, round_s=self.round_s, plane=self.plane),
            )
            for one in self.seen
        )

    def hearing(self) -> tuple[str, ...]:
        """What would notice that nobody hears any more, a sentence each; once where it is the same
        for all ranges."""
        jobs = {job.name: job for job in self.built.jobs}
        by_range = {
            one.title: jobs[one.settings.wanted.name].foresee(self.capabilities)
            for one in self.seen
        }
        alike = len(set(by_range.values())) == 1
        return tuple(
            dict.fromkeys(
                sentence if alike else f"{title}: {sentence}"
                for title, sentences in by_range.items()
                for sentence in sentences
            )
        )

    def conflicts(self, from_s: float, to_s: float) -> tuple[str, ...]:
        """What would be missed, by the plan run with the times that the sweeps really took."""
        took_s = {one.settings.wanted.name: one.took_s for one in self.seen}
        planned = [
            replace(job.planned, estimate_s=max(1e-3, took_s[job.name])) for job in self.built.jobs
        ]
        return preview(planned, from_s, to_s).conflicts

    def sweeps(self, lasting_s: float) -> int:
        """How many are due in that time, of all ranges."""
        return len(self.seen) * max(0, math.floor(lasting_s / self.every_s))

    def disk_bytes(self, lasting_s: float) -> float:
        """About what that many will take on the disk."""
        each = max(0, math.floor(lasting_s / self.every_s))
        return each * sum(bytes_of_sweep(one.settings.points, one.resolution) for one in self.seen)


async def introduced(choice: Choice, registry: Registry, clock: Clock) -> Opened:
    """Who it is and what it can do; it is open for no longer than that.

    Raises:
        SweeperError: it cannot be opened.
        PluginError: no such driver.
    """
    found = choice.found
    spec = spec_at(registry, found.address, driver=found.driver, options=found.options)
    host = spec.host(clock)
    try:
        return await host.open()
    finally:
        await host.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """All that was answered, and what makes a plan of it."""

    path: Path
    wanted: tuple[Wanted, ...]
    choice: Choice
    opened: Opened
    hookup: Hookup
    zone: str
    region: int
    window: str | None
    broker: str
    broker_address: str | None
    registry: Registry
    clock: Clock

    def check(self) -> tuple[str, ...]:
        """What can arrive at the input, a sentence each.

        Raises:
            InputUnsafe: without headroom; the text says what would make it safe.
            RequestRefused: a range beyond the sweeper.
            WrongUsage: a range too wide.
            ConfigError: answers that no config takes, such as a distance within the near field.
        """
        first = [self._possible(one)[0] for one in self.wanted]
        _, built = self._drafted(first, every_s=60.0)
        lines: list[str] = []
        for job in built.jobs:
            most_dbm = absolute_max_dbm(job.facts.absolute_max_dbm, self.opened.capabilities)
            refused = job.safety.refusal(most_dbm)
            if refused is not None:
                raise InputUnsafe(refused)
            lines += [line for line in job.safety.report(most_dbm) if line not in lines]
        return tuple(lines)

    async def plan(self, say: Callable[[str], None] = lambda text: None) -> Plan:
        """Sweep each range once, really, and settle RBW, points and rhythm by what that took.

        Raises:
            SweeperError: it cannot be opened, or a sweep did not come; see :meth:`check` too.
            PortBusy: a station that runs has this archive.
        """
        inputs = self.check()
        self._refuse_running()
        seen = []
        for one in self.wanted:
            say(f"sweeping {one.title} once")
            seen.append(await self._timed(one))
        every_s = every_for_s([one.took_s for one in seen])
        remarks = {one.settings.wanted.name: f" A sweep took {one.took_s:.3g} s." for one in seen}
        settings = [one.settings for one in seen]
        text, built = self._drafted(settings, every_s=every_s, remarks=remarks)
        return Plan(
            text=text,
            config=parse_config(text, self.path),
            built=built,
            identity=str(self.opened.identity),
            capabilities=self.opened.capabilities,
            seen=tuple(seen),
            every_s=every_s,
            plane="the aerial socket",
            inputs=inputs,
        )

    def _refuse_running(self) -> None:
        archive = self.path.absolute().parent / "archive"
        holder = holder_of(archive)
        if holder is not None:
            raise PortBusy(f"{archive}: in use by {holder}: a station runs here already; stop it")

    def _possible(self, wanted: Wanted) -> tuple[Settings, ...]:
        return possible_settings(wanted, self.opened.capabilities)

    async def _timed(self, wanted: Wanted) -> RangeSeen:
        """One real sweep, with the first settings that are quick enough, else the quickest."""
        quick_s = QUICK_S / len(self.wanted)
        seen: RangeSeen | None = None
        for settings in self._possible(wanted):
            again = await self._swept(settings)
            if not again.took_what_was_asked and again.rbw_hz is not None:
                # It has RBWs of its own, and took one near by: points have to fit that one.
                own = with_rbw(settings, self.opened.capabilities, again.rbw_hz)
                again = await self._swept(own)
            if seen is None or again.took_s < seen.took_s:
                seen = again
            if seen.took_s <= quick_s:
                break
        assert seen is not None
        return seen

    async def _swept(self, settings: Settings) -> RangeSeen:
        _, built = self._drafted([settings], every_s=60.0)
        capabilities = self.opened.capabilities
        spec = built.jobs[0]
        one = await take_one(built.sweepers[0].host(self.clock), spec)
        return range_seen(
            settings,
            one.told,
            one.summary,
            hops=len(plan_hops(settings.request, capabilities)),
            has_preamplifier=self.hookup.has_preamplifier,
            noise_bandwidth_ratio=capabilities.noise_bandwidth_ratio,
            resolution=capabilities.resolution,
        )

    def _drafted(
        self,
        settings: Sequence[Settings],
        *,
        every_s: float,
        remarks: dict[str, str] | None = None,
    ) -> tuple[str, Built]:
        name, lines = self.choice.lines(self.opened.identity)
        draft = Draft(
            station=station_name(),
            zone=self.zone,
            sweeper=name,
            sweeper_lines=lines,
            simulated=self.choice.is_simulated,
            hookup=self.hookup,
            settings=settings,
            every_s=every_s,
            window=self.window,
            region=self.region,
            written_s=self.clock.wall_s(),
            broker=self.broker,
            broker_address=self.broker_address,
            remarks=remarks or {},
        )
        text = config_text(draft)
        return text, build(parse_config(text, self.path), self.registry)


def broker_here() -> tuple[str, str | None]:
    """The broker of a config for this machine, and its address where that is not the usual one.

    ``none`` where there is no mosquitto, or no port for it.
    """
    try:
        find_mosquitto()
    except BrokerError:
        return "none", None
    for port in PORTS:
        try:
            claim_ports("127.0.0.1", [port], hint="")
        except BrokerError:
            continue
        return "local", None if port == USUAL_PORT else f"127.0.0.1:{port}"
    return "none", None
