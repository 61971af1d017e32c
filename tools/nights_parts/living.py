"""The station that lives through the nights: all of it, on a clock of its own, with simulated
sweepers and no broker.

What a rehearsal has not is here as well: a key whose words arrive, a clock that is set, a host that
sleeps. The clock is the station's; that of the machine is left alone. Days are passed over.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import acqd_sim

from acqd.config.load import load_config
from acqd.drivers.registry import load_drivers
from acqd.publish.outbox import Outbox
from acqd.rehearsal.counting import CountingMessenger
from acqd.rehearsal.standin import cast
from acqd.rehearsal.virtual import VirtualClock, VirtualLoop
from acqd.station import holds
from acqd.station.build import Built, build
from acqd.station.service import Station
from acqd.station.surroundings import Surroundings
from nights_parts.drawing import LOST_AGE_S, NIGHT_S, Kind, Trouble, night_s

__all__ = ["JOBS", "MovableClock", "PassingLoop", "live_through", "write_config"]

JOBS = ("marine-vhf", "marine-vhf-learnt")
"""With named witnesses and by the floor; by learnt witnesses alone."""

WITHIN_SWEEPS = 90
"""AIS fills 9 % of the slots of either channel: 90 sweeps miss both once in 20 million times."""

AROUND_S = 300.0
"""Listened for nobody, before and after each night: then the day is passed over."""

UNSEALED_MOST = 3
LOOK_S = 10.0
"""So late at most it is told that a key is lost, beside what it takes to be too old."""
DAY_S = 86_400.0
US = 1_000_000

STATION = """\
[station]
name = "gannet-ledge"
title = "Gannet Ledge Lookout"
archive = "{folder}/archive"
time_zone = "UTC"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
options = {{ scene = "{folder}/scene.toml" }}
level_accuracy = "1.5 dB"
absolute_max = "10 dBm"

[context.key]
topic = "ledge/vhf/key"
max_age = "{max_age:.0f} s"

[chain.aerial]
title = "the aerial socket"

[[chain.aerial.part]]
kind = "cable"
name = "lead-in"
loss_at = [["100 MHz", "1.90 dB"], ["160 MHz", "2.40 dB"], ["200 MHz", "2.68 dB"]]

[[chain.aerial.part]]
kind = "amplifier"
name = "preamplifier"
gain = "18 dB"

[transmitter.watch]
power = "5 W"
start = "156 MHz"
stop = "157.5 MHz"
near = "aerial"
isolation = "70 dB"
ptt = "key"
"""

JOB = """
[job.{name}]
kind = "band"
sweeper = "mast"
chain = "aerial"
start = "156 MHz"
stop = "162.1 MHz"
points = 489
rbw = "10 kHz"
detector = "positive"
when = {{ every = "{every:g} s", window = "21:00..06:00" }}
band = {{ channels = "marine-vhf", false_alarm = 1e-6, min_duration = "5 s" }}
{more}
"""

WITNESS = """
[[job.marine-vhf.witness]]
channel = "{channel}"
within = "{within:g} s"
"""

OWN = """
[[scene.marine.voice]]
name = "own transmitter"
frequency = "156.8 MHz"
power = "-45 dBm"
{spells}
"""


class MovableClock(VirtualClock):
    """A clock that may be set, of a host that may sleep."""

    def __init__(self, loop: VirtualLoop, *, start_s: float, boot_id: str) -> None:
        super().__init__(loop, start_s=start_s, boot_id=boot_id)
        self._wall_off_s = self._boot_off_s = 0.0

    def wall_s(self) -> float:
        return super().wall_s() + self._wall_off_s

    def boottime_s(self) -> float:
        return super().boottime_s() + self._boot_off_s

    def step(self, seconds: float) -> None:
        self._wall_off_s += seconds

    def sleep(self, seconds: float) -> None:
        self._wall_off_s += seconds
        self._boot_off_s += seconds


class PassingLoop(VirtualLoop):
    """A loop in which hours may pass without anybody looking at a clock."""

    def pass_over(self, seconds: float) -> None:
        self._virtual.now_us += round(seconds * US)


def write_config(folder: Path, *, seed: int, every_s: float, troubles: list[Trouble]) -> Path:
    """The scene of these nights and the config of the station, in ``folder``."""
    text = (Path(acqd_sim.__file__).parent / "gannet.toml").read_text("utf-8")
    before, head, after = text.partition("[instrument.mast]\n")
    lines = [line for line in before.splitlines() if not line.startswith("seed = ")]
    at = next(number for number, line in enumerate(lines) if line.startswith("title = "))
    lines.insert(at + 1, f"seed = {seed}")
    known = ",\n".join(text for one in troubles if (text := _trouble_text(one)))
    own = "".join(
        OWN.replace("own transmitter", f"own transmitter {one.night}-{number}").format(
            spells=f'from = "{_moment(over.from_s)}"\nuntil = "{_moment(over.to_s)}"'
        )
        for one in troubles
        for number, over in enumerate(one.overs)
    )
    scene = "\n".join(lines) + f"\n{head}trouble = [\n{known}\n]\n{after}{own}"
    (folder / "scene.toml").write_text(scene, "utf-8")
    within_s = WITHIN_SWEEPS * every_s
    named = "".join(WITNESS.format(channel=one, within=within_s) for one in ("AIS 1", "AIS 2"))
    config = STATION.format(folder=folder, max_age=LOST_AGE_S)
    config += JOB.format(name=JOBS[0], every=every_s, more=named)
    config += JOB.format(name=JOBS[1], every=every_s, more="deaf_by_floor = false")
    path = folder / "station.toml"
    path.write_text(config, "utf-8")
    return path


def _trouble_text(one: Trouble) -> str:
    what = {
        Kind.AERIAL: 'what = "cable off"',
        Kind.INPUT: 'what = "cable off", device = "input"',
        Kind.FROZEN: 'what = "frozen"',
        Kind.SUPPLY: 'what = "no supply"',
    }.get(one.kind)
    if what is None:
        return ""
    return f'  {{ {what}, from = "{_moment(one.from_s)}", until = "{_moment(one.to_s)}" }}'


def _moment(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")


def live_through(config: Path, *, nights: range, troubles: Mapping[int, Trouble]) -> Path:
    """Run the station of ``config`` through its nights; the folder of its archive."""
    life = _Life(build(load_config(config), load_drivers(), broker="none"), nights, troubles)
    with _seldom_looks(), asyncio.Runner(loop_factory=life.make_loop) as runner:
        runner.run(life.run())
    return life.built.archive


@contextmanager
def _seldom_looks() -> Iterator[None]:
    """Looks at whether a key is lost, twice a second, cost as much as the sweeps of a night."""
    before_s, holds.LOOK_S = holds.LOOK_S, LOOK_S
    try:
        yield
    finally:
        holds.LOOK_S = before_s


class _Life:
    """The station and what happens to it."""

    def __init__(self, built: Built, nights: range, troubles: Mapping[int, Trouble]) -> None:
        self.built = built
        self._nights = nights
        self._troubles = troubles
        self._begins_s = night_s(nights[0]) - AROUND_S
        self._station: Station | None = None

    def make_loop(self) -> PassingLoop:
        self._loop = PassingLoop(is_busy=self._is_busy)
        boot = hashlib.sha256(f"{self._begins_s}:{self._nights}".encode()).hexdigest()[:32]
        self._clock = MovableClock(self._loop, start_s=self._begins_s, boot_id=boot)
        return self._loop

    def _is_busy(self) -> bool:
        station = self._station
        return station is not None and station.has_work_in_threads(unsealed_most=UNSEALED_MOST)

    async def run(self) -> None:
        played = cast(self.built, load_drivers(), clock=self._clock)
        # A wait for company in a transaction would be a real one, as in a rehearsal.
        built = replace(
            self.built, sweepers=played.sweepers, commit_within_s=0.0, seal_every_s=3600.0
        )
        self._station = Station(
            built,
            clock=self._clock,
            run_id="nights",
            around=Surroundings(
                messenger=self._messenger,
                takes_commands=False,
                asks_the_world=False,
                is_kept=False,
                report_program=(),
                page_program=(),
                machine=None,
                stop_s=900.0,
            ),
        )
        self._plan()
        await self._station.run()

    def _messenger(self, outbox: Outbox) -> CountingMessenger:
        return CountingMessenger(
            station=self.built.name,
            topic_root=self.built.topic_root,
            clock=self._clock,
            outbox=outbox,
        )

    # -- what happens ----------------------------------------------------------------------------

    def _plan(self) -> None:
        assert self._station is not None
        slept_s = 0.0
        for night in self._nights:
            # Sleep of the host is no time of the loop: what comes after it comes so much sooner.
            self._at(night_s(night), slept_s, self._nothing)
            one = self._troubles.get(night)
            if one is not None:
                slept_s += self._plan_one(one, slept_s)
            ends_s = night_s(night) + NIGHT_S + AROUND_S
            if night == self._nights[-1]:
                self._at(ends_s, slept_s, self._station.stop)
            else:
                over_s = DAY_S - NIGHT_S - 2.0 * AROUND_S
                self._at(ends_s, slept_s, self._loop.pass_over, over_s)

    def _plan_one(self, one: Trouble, slept_s: float) -> float:
        if one.kind is Kind.STEPPED:
            self._at(one.from_s, slept_s, self._clock.step, one.by_s)
            self._at(one.to_s, slept_s, self._clock.step, -one.by_s)
        elif one.kind is Kind.ASLEEP:
            self._at(one.from_s, slept_s, self._clock.sleep, one.to_s - one.from_s)
            return one.to_s - one.from_s
        for over in one.overs:
            self._at(over.from_s, slept_s, self._key, b"on")
            if not over.is_lost:
                self._at(over.to_s, slept_s, self._key, b"off")
        return 0.0

    def _at(self, true_s: float, slept_s: float, what: object, *args: object) -> None:
        self._loop.call_at(true_s - slept_s - self._begins_s, what, *args)

    def _key(self, word: bytes) -> None:
        assert self._station is not None
        self._station.context.hear("key", word)

    def _nothing(self) -> None:
        """A timer at the beginning of each night: no day is passed over twice."""
