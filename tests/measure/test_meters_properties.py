"""What every meter must stand, whatever comes: built as the station builds them, from configs.

Streams of events are drawn at random, with a seed each: sweeps with holes or without a level,
single points, steps in a wrong order, gaps, hours of a clock that was set back, setups that change
grid, unit, settings and references. The sweeps of a pass are those that it asks for itself.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.clock import SystemClock
from acqd.config.load import parse_config
from acqd.config.whole import StationConfig
from acqd.errors import UnitMismatch
from acqd.measure.meter import (
    PASS_CUT_SHORT,
    Answer,
    Event,
    GapSeen,
    HourTurned,
    Output,
    PassStep,
    Reference,
    Role,
    SetupChanged,
    SweepSeen,
)
from acqd.publish.messages import Summary, Verdict, rfc3339
from acqd.publish.topics import checked_level
from acqd.station.kinds import KindParts, kind_parts
from acqd.station.tell import Teller
from acqd.sweep import NO_FLAGS, Detector, Grid, LevelUnit, SweepFlag, SweepRequest

Levels = NDArray[Any]

HOUR_S = 1_780_002_000.0 // 3600 * 3600

LOOKOUT = """\
[station]
name = "gannet-ledge"
archive = "archive"

[mqtt]
broker = "none"

[sweeper.bench]
driver = "sim"
address = "sim:bench"
absolute_max = "10 dBm"
level_accuracy = "1 dB"

[context.degrees]
topic = "shack/degrees"
unit = "°C"

[context.lamp]
topic = "shack/lamp"

[chain.aerial]
[[chain.aerial.part]]
kind = "cable"
loss_at = [["100 MHz", "1.90 dB"], ["200 MHz", "2.68 dB"]]
uncertainty = "0.3 dB"

[chain.load]
[[chain.load.part]]
kind = "pad"
name = "power pad"
loss = "50 dB"
uncertainty = "0.5 dB"
rated = "10 W"
"""

WATCH = """
sweeper = "bench"
start = "156 MHz"
stop = "157 MHz"
points = 81
rbw = "25 kHz"
when = { every = "10 s" }
"""

JOBS: Mapping[str, str] = {
    "band": """kind = "band"
chain = "aerial"
[job.x.band]
margin = "10 dB"
min_duration = "20 s"
ranges = { low = "156 MHz..156.4 MHz" }
trial = "lamp"
check_attenuation = "10 dB"
check_every = 3
[job.x.band.aerial]
chain_noise_figure = "6 dB"
""",
    "band-learnt": """kind = "band"
[job.x.band]
floor = "learnt"
learn = "1 min"
channels = "marine-vhf"
""",
    "carrier": """kind = "carrier"
carrier = { expected = "156.5 MHz", frequency_step = "5 kHz", learn = 32 }
""",
    "carrier-any": 'kind = "carrier"\n',
    "transmission": """kind = "transmission"
source = { level = "-20 dBm" }
[job.x.transmission]
passband = { range = "156.3 MHz..156.7 MHz", loss_at_most = "2 dB", ripple_at_most = "1 dB" }
stopband = { name = "low", range = "156 MHz..156.1 MHz", at_least = "10 dB" }
frequency = [{ name = "ch16", at = "156.5 MHz", at_most = "2 dB" }]
temperature = "degrees"
""",
    "transmission-pad": """kind = "transmission"
source = { level = "-20 dBm" }
transmission.pad = { value = "20 dB", within = "1.5 dB", flatness_at_most = "2 dB" }
""",
    "reflection": """kind = "reflection"
source = { level = "-20 dBm" }
[job.x.reflection]
directivity = "36 dB"
source_match = "28 dB"
cable_loss = "0.4 dB"
cable_loss_at = "150 MHz"
named = { ch16 = "156.5 MHz", far = "400 MHz" }
range = "156.2 MHz..156.8 MHz"
max_swr = 1.8
max_swr_at = { ch16 = 1.5 }
""",
    "reflection-bare": 'kind = "reflection"\nsource = { level = "-20 dBm" }\n',
    "emission": """kind = "emission"
chain = "load"
attenuation = "10 dB"
transmitter = { power = "5 W", margin = "20 dB" }
[job.x.emission]
expected = "156.5 MHz"
frequency_tolerance = "20 kHz"
designator = "16K0F3E"
channel = "50 kHz"
spacing = "100 kHz"
harmonics = 3
harmonic_rbw = "10 kHz"
search = ["120 MHz..150 MHz", "900 MHz..1.2 GHz"]
search_rbw = "1 MHz"
search_detector = "positive"
limits = "europe-transmit"
second_order_intercept = "35 dBm"
third_order_intercept = "10 dBm"
""",
    "emission-no-key": """kind = "emission"
[job.x.emission]
keyed = false
search = ["120 MHz..150 MHz"]
search_rbw = "1 MHz"
""",
}

SOAK = """
[job.x.soak]
length = "20 min"
findings_at_most = 3
context = { degrees = 2.0 }
closing_reference = "quiet"
closing_within = "3 min"
fresh_reference_every = "5 min"
[[job.x.soak.limit]]
figure = "level_dbm"
at_most = -20.0
drift_at_most = 3.0
[[job.x.soak.limit]]
figure = "floor_dbm"
at_least = -130.0
"""

SOAKED: Mapping[str, str] = {
    "band": "band",
    "carrier": "carrier",
    "transmission": "transmission",
    "emission": "emission",
}


def lookout(job: str, soak: str = "") -> str:
    head, _, rest = job.partition("[job.x.")
    return "".join((LOOKOUT, "\n[job.x]", WATCH, head, rest and f"[job.x.{rest}", soak))


def made(kind: str, folder: Path) -> tuple[StationConfig, KindParts]:
    name, _, soak = kind.partition("+")
    text = lookout(JOBS[name], SOAK if soak else "")
    if name.startswith(("carrier", "transmission")) and soak:
        closing = '"through"' if name.startswith("transmission") else '"quiet"'
        text = text.replace('"quiet"', closing)
    if soak and not name.startswith(("band", "carrier")):
        text = text.replace('"level_dbm"', '"least_loss_db"').replace('"floor_dbm"', '"ripple_db"')
    config = parse_config(text, folder / "station.toml")
    return config, kind_parts(config, "x", "the plane")


KINDS = (*JOBS, *(f"{name}+soak" for name in SOAKED))


# --- what may come --------------------------------------------------------------------------------


@dataclass
class World:
    """Draws what a sweeper may bring in answer to a request, and all that goes on around it."""

    rng: np.random.Generator
    job: SweepRequest
    now_s: float = HOUR_S
    seq: int = 0
    unit: LevelUnit = LevelUnit.DBM
    fixed: dict[str, Any] = field(default_factory=dict)
    told: dict[int, str] = field(default_factory=dict)
    carrier_hz: float = 156.5e6
    wild: float = 0.3
    """How often anything odd comes."""

    def odd(self, share: float = 1.0) -> bool:
        return bool(self.rng.random() < self.wild * share)

    def pick(self, *values: Any) -> Any:
        return values[int(self.rng.integers(len(values)))]

    # -- sweeps ---------------------------------------------------------------------------------

    def grid(self, request: SweepRequest) -> Grid:
        axis = request.frequencies_hz()
        if self.odd(0.2):
            middle_hz = (request.start_hz + request.stop_hz) / 2.0
            axis = self.pick(
                np.array([middle_hz]),
                np.array([request.start_hz, request.stop_hz]),
                np.full(5, middle_hz),
                np.sort(self.rng.uniform(request.start_hz, request.stop_hz, 33)),
                axis[::-1].copy(),
                np.repeat(axis[: max(1, axis.size // 2)], 2),
            )
        return Grid.from_axis(axis)

    def level(self, grid: Grid) -> Levels:
        frequency = grid.frequency_hz
        mean_db = -100.0 + 3.0 * self.rng.standard_normal()
        level: Levels = mean_db + 10.0 * np.log10(self.rng.gamma(2.0, size=frequency.size) / 2.0)
        if self.rng.random() < 0.7:
            for order, db in enumerate((-15.0, -70.0, -80.0), start=1):
                off_hz = frequency - order * self.carrier_hz
                shape_db = -3.0 * np.square(off_hz / 12.5e3)
                level = np.maximum(level, db + self.rng.standard_normal() + shape_db)
        if self.unit is LevelUnit.DIGIT:
            level = np.round(10.0 * (level + 200.0))
        if self.unit is LevelUnit.RATIO:
            turn = np.exp(2j * np.pi * self.rng.random(frequency.size))
            level = 10.0 ** (level / 20.0) * turn
        return self.spoilt(level)

    def spoilt(self, level: Levels) -> Levels:
        if not self.odd():
            return level
        is_complex = np.iscomplexobj(level)
        low, high = (0.0, 1e30) if is_complex else (-250.0, 150.0)
        out = level.copy()
        some = self.rng.random(level.size) < self.pick(0.05, 0.5, 0.97)
        match int(self.rng.integers(8)):
            case 0:
                out[some] = math.nan
            case 1:
                out[:] = math.nan
            case 2:
                out[:] = out[0]
            case 3:
                out[some] = high
            case 4:
                out[some] = low
            case 5:
                out[:] = self.pick(low, high)
            case 6:
                out[:] = out + self.pick(-100.0, 100.0)
            case _:
                out[: level.size // 2] = math.nan
        return out

    def reference(self, role: Role, grid: Grid) -> Reference:
        if self.odd():
            return Reference(role=role, at_s=self.now_s, level=None, differs=("the RBW was 1 kHz",))
        level = self.level(grid)
        level.setflags(write=False)
        return Reference(
            role=role,
            at_s=self.now_s - self.pick(0.0, 60.0, 1e6, -50.0),
            level=level,
            sweeps=self.pick(1, 5),
            repeatability_db=self.pick(None, 0.0, 0.05),
            temperature_c=self.pick(None, 21.0),
        )

    def references(self, grid: Grid) -> dict[str, Reference]:
        some = [role for role in Role if self.rng.random() < 0.75]
        return {role.value: self.reference(role, grid) for role in some}

    def setup(self, request: SweepRequest, step: int) -> SetupChanged:
        """The setup of a step; the same as before unless something changed."""
        key = f"{step} {request}"
        if key in self.fixed and not self.odd(0.1):
            return self.fixed[key]
        grid = self.grid(request)
        has_chain = self.rng.random() < 0.5
        event = SetupChanged(
            at_s=self.now_s,
            setup=f"{self.rng.integers(1 << 60):016x}",
            grid=grid,
            unit=self.unit,
            rbw_hz=request.rbw_hz if not self.odd(0.2) else self.pick(None, 1.0, 1e6),
            detector=request.detector or self.pick(None, *Detector),
            averages=self.pick(None, 1, 4, 1000),
            interval_s=self.pick(10.0, None),
            sweep_time_s=self.pick(0.5, None),
            level_accuracy_db=self.pick(0.0, 1.0, 3.0),
            frequency_accuracy_ppm=self.pick(0.0, 10.0),
            assumed=self.pick((), ("level_accuracy_db",)),
            resolution=self.pick(None, 0.01, 1.0),
            step=step,
            attenuation_db=request.attenuation_db or self.pick(None, 0.0),
            source_level_dbm=self.pick(None, -20.0),
            gain_db=np.linspace(-50.0, -49.0, grid.points) if has_chain else None,
            sweeper_accuracy_db=self.pick(None, 1.0),
            chain_parts=(("power pad", 0.5),) if has_chain else (),
            absolute_max_dbm=self.pick(None, 10.0),
            range_hz=self.pick(None, (100e3, 960e6), (100e3, 200e6)),
            points_max=self.pick(None, 501),
            attenuation_steps_db=self.pick((), (0.0, 10.0, 20.0, 30.0)),
            identity=self.pick("", "a sweeper, serial number 7"),
            references=self.references(grid) if step == 0 else {},
        )
        self.fixed[key] = event
        return event

    def sweep(self, setup: SetupChanged, due_s: float) -> SweepSeen:
        level = self.level(setup.grid)
        level.setflags(write=False)
        flags = NO_FLAGS
        if bool(np.isnan(level).any()):
            flags |= SweepFlag.NOT_FINITE
        if self.odd(0.3):
            flags |= self.pick(*SweepFlag)
        took_s = self.pick(0.5, 0.5, 2.0, 1e-6)
        self.seq += self.pick(1, 1, 1, 7) if self.odd(0.2) else 1
        seen = SweepSeen(
            seq=self.seq,
            step=setup.step,
            due_s=due_s,
            started_s=self.now_s,
            took_s=took_s,
            level=level,
            flags=flags,
            context={} if self.odd(0.3) else self.context(),
        )
        self.now_s += took_s
        return seen

    def context(self) -> dict[str, float]:
        lamp = float((self.now_s // 100.0) % 2)
        return {"degrees": 20.0 + (self.now_s % 1000.0) / 100.0, "lamp": lamp}

    # -- what goes on around them ---------------------------------------------------------------

    def gap(self) -> GapSeen:
        count = self.pick(0, 0, 1, 1, 5, 10_000)
        reason = PASS_CUT_SHORT if count == 0 else self.pick("sweeper lost", "station down")
        if count == 0 and self.odd():
            reason = "config changed"
        wide_s = 0.0 if count <= 1 else 10.0 * count
        from_s = self.now_s - self.pick(0.0, wide_s)
        return GapSeen(from_s=from_s, to_s=from_s + wide_s, count=count, reason=reason)

    def around(self) -> Iterator[Event]:
        """Gaps and hours between two sweeps."""
        if self.odd(0.3):
            yield self.gap()
        if self.odd(0.3):
            self.now_s += self.pick(60.0, 3600.0, 86400.0, -4000.0, -1e6)
        if self.odd(0.3):
            start_s = self.now_s - self.now_s % 3600.0 - self.pick(3600.0, 3600.0, 0.0, 7200.0)
            yield HourTurned(hour_start_s=start_s, hour_end_s=start_s + 3600.0)


def events_of(world: World, parts: KindParts, passes: int) -> Iterator[Event]:
    """What a meter is told while its job sweeps: the passes are those that it asks for."""
    for _ in range(passes):
        yield from world.around()
        due_s = world.now_s
        series = parts.make_pass(world.job, 1)
        stops_at = world.pick(1, 2, 5) if world.odd(0.5) else math.inf
        step: PassStep | None = next(series)
        count = 0
        while step is not None:
            setup = world.setup(step.request, step.step)
            seen = world.sweep(setup, due_s)
            skipped = world.odd(0.05)
            if not skipped:
                if world.told.get(step.step) != setup.setup:
                    world.told[step.step] = setup.setup
                    yield replace(setup, at_s=seen.started_s)
                yield seen
            count += 1
            if count >= stops_at:
                if not world.odd():
                    yield GapSeen(from_s=due_s, to_s=due_s, count=0, reason=PASS_CUT_SHORT)
                break
            answer = Answer(setup=setup, sweep=seen)
            try:
                step = series.send(lambda answer=answer: answer)
            except StopIteration:
                step = None
            if world.odd(0.03):
                yield world.gap()
        series.close()
        world.now_s = max(world.now_s, due_s + 10.0)


# --- what must hold -------------------------------------------------------------------------------


def plain(value: Any, where: str = "") -> None:
    """It is JSON data of finite numbers."""
    match value:
        case None | str() | bool() | int():
            assert type(value) in (type(None), str, bool, int), f"{where}: {type(value)}"
        case float():
            assert type(value) is float, f"{where}: {type(value)}"
            assert math.isfinite(value), f"{where}: {value}"
        case Mapping():
            for key, item in value.items():
                assert type(key) is str
                plain(item, f"{where}.{key}")
        case list() | tuple():
            for at, item in enumerate(value):
                plain(item, f"{where}[{at}]")
        case _:
            pytest.fail(f"{where}: {type(value)} is no JSON data")


def text_of(output: Output) -> str:
    """All of it to the bit; the order of keys means nothing."""
    return json.dumps(asdict(output), sort_keys=True, default=np.ndarray.tolist)


@dataclass
class Checker:
    """Feeds a meter, and checks whatever comes of it."""

    kind: str
    parts: KindParts
    teller: Teller
    state: Any = None
    columns: set[frozenset[str]] = field(default_factory=set)
    summaries: int = 0
    unit: LevelUnit = LevelUnit.DBM

    def __post_init__(self) -> None:
        self.state = self.parts.meter.start()

    def feed(self, event: Event) -> None:
        meter = self.parts.meter
        before = meter.dump(self.state)
        state, output = meter.step(self.state, event)
        assert meter.dump(self.state) == before, "the state that was given changed"
        told = text_of(output)
        again, once_more = meter.step(meter.load(before), event)
        after = meter.dump(state)
        assert meter.dump(again) == after, "a state that was loaded goes on otherwise"
        assert text_of(once_more) == told, "a state that was loaded says otherwise"
        assert meter.dump(meter.load(after)) == after
        self.state = state
        self.look(event, output)

    def look(self, event: Event, output: Output) -> None:
        if isinstance(event, SetupChanged):
            self.unit = event.unit
        if output.columns:
            self.columns.add(frozenset(output.columns))
            assert all(isinstance(one, float | int) for one in output.columns.values())
            assert not any(math.isinf(one) for one in output.columns.values()), output.columns
        for figure, value in output.values.items():
            assert checked_level(figure) == figure
            assert math.isfinite(value), figure
        for hour in output.hourly:
            plain(hour.figures, "hourly")
            assert len(json.dumps(hour.figures)) < 200_000
        if output.summary is not None:
            self.summary(event, output.summary)
        if output.verdict is not None:
            self.verdict(output.verdict)
        for number, draft in enumerate(output.findings, start=1):
            plain(draft.figures, draft.what)
            assert "\n" not in draft.text
            assert len(draft.text) <= 1000
            assert "nan" not in draft.text.split(), draft.text
            assert self.teller.finding_message("x", number, draft)

    def summary(self, event: Event, summary: Mapping[str, Any]) -> None:
        self.summaries += 1
        plain(summary, "summary")
        kind = self.kind.partition("+")[0].partition("-")[0]
        rest = {key: value for key, value in summary.items() if key != "soak"}
        fields = {"soak": summary["soak"]} if "soak" in summary else {}
        message = Summary.model_validate(
            {
                "station": "gannet-ledge",
                "run_id": "run-1",
                "job": "x",
                "seq": 1,
                "pass_id": 1,
                "kind": kind,
                "at": rfc3339(HOUR_S),
                "at_s": HOUR_S,
                "took_s": 1.0,
                "unit": str(self.unit),
                "sweeper": "bench",
                "setup": "0",
                kind: rest,
                **fields,
            }
        )
        assert len(message.to_json()) < 400_000
        stored, due = summary["stored"], summary["due"]
        assert 0 <= stored <= due
        assert summary["coverage"] is None or 0.0 <= summary["coverage"] <= 1.0

    def verdict(self, verdict: Mapping[str, Any]) -> None:
        plain(verdict, "verdict")
        message = Verdict.model_validate(
            {
                "station": "gannet-ledge",
                "run_id": "run-1",
                "job": "x",
                "kind": self.kind.partition("+")[0].partition("-")[0],
                **verdict,
                "at": rfc3339(verdict["at_s"]),
                "since": rfc3339(verdict["since_s"]),
            }
        )
        assert message.to_json()


@pytest.fixture
def teller() -> Teller:
    return Teller(
        station="gannet-ledge",
        title="",
        run_id="run-1",
        clock=SystemClock(),
        topics_root="acqd",
        trace_points=100,
        sweepers=["bench"],
        drivers={"bench": "sim"},
        jobs=["x"],
    )


def units_of(kind: str) -> tuple[LevelUnit, ...]:
    return {
        "band": (LevelUnit.DBM, LevelUnit.DBUV, LevelUnit.DBFS),
        "carrier": (LevelUnit.DBM, LevelUnit.DBUV, LevelUnit.DBFS),
        "transmission": (LevelUnit.DBM, LevelUnit.RATIO, LevelUnit.DBFS),
        "reflection": (LevelUnit.DBM, LevelUnit.RATIO, LevelUnit.DBUV),
        "emission": (LevelUnit.DBM, LevelUnit.DBUV),
    }[kind.partition("+")[0].partition("-")[0]]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("kind", KINDS)
def test_meters_stand_whatever_comes(kind: str, seed: int, tmp_path: Path, teller: Teller) -> None:
    """Any stream of events: no exception, pure, resumable from any state, and what comes out fits
    its messages."""
    config, parts = made(kind, tmp_path)
    units = units_of(kind)
    world = World(
        np.random.default_rng(seed),
        config.jobs["x"].request(),
        unit=units[seed % len(units)],
        wild=(0.0, 0.1, 0.4, 1.0)[seed % 4],
    )
    checker = Checker(kind, parts, teller)
    for event in events_of(world, parts, 8 if kind.startswith("emission") else 25):
        checker.feed(event)
    assert len(checker.columns) <= 1
    assert checker.summaries


@pytest.mark.parametrize("unit", LevelUnit)
@pytest.mark.parametrize("kind", KINDS)
def test_a_unit_fits_a_kind_or_is_refused_when_it_comes(
    kind: str, unit: LevelUnit, tmp_path: Path, teller: Teller
) -> None:
    """Not by wrong figures, nor by an error in the middle of a pass."""
    config, parts = made(kind, tmp_path)
    world = World(np.random.default_rng(5), config.jobs["x"].request(), unit=unit, wild=0.0)
    checker = Checker(kind, parts, teller)
    events = events_of(world, parts, 2)
    first = next(events)
    assert isinstance(first, SetupChanged)
    try:
        checker.feed(first)
    except UnitMismatch:
        with pytest.raises(ValueError, match="came before"):
            parts.meter.step(checker.state, next(events))
        # The pass does not know; whatever the levels are, it comes to its end.
        assert sum(1 for _ in events) < 1000
        return
    for event in events:
        checker.feed(event)


def counts_for_nothing(kind: str, path: Path, flag: SweepFlag) -> list[Any]:
    """What is made of a stream in which every third sweep has ``flag``, without what its sentences
    call it; the second of two hours says how many there were."""
    config, parts = made(kind, path)
    world = World(np.random.default_rng(3), config.jobs["x"].request(), wild=0.0)
    meter, state = parts.meter, parts.meter.start()
    out: list[Any] = []
    for number, event in enumerate(events_of(world, parts, 8)):
        if isinstance(event, SweepSeen) and number % 3 == 0:
            event = replace(event, flags=event.flags | flag)
        state, output = meter.step(state, event)
        verdict = None if output.verdict is None else output.verdict["verdict"]
        hours = [
            {key: value for key, value in one.figures.items() if key not in COUNTED}
            for one in output.hourly
        ]
        words = [(one.what, dict(one.figures)) for one in output.findings]
        out.append((dict(output.columns), dict(output.values), words, verdict, hours))
    return json.loads(json.dumps(out))


COUNTED = ("transmitting", "set_aside")


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_set_aside_counts_as_little_as_what_was_swept_beside_a_key(
    kind: str, tmp_path: Path
) -> None:
    """Figure by figure, in every kind; and other than sweeps that count, where there are any."""
    keyed = counts_for_nothing(kind, tmp_path, SweepFlag.TRANSMITTING)
    assert counts_for_nothing(kind, tmp_path, SweepFlag.SET_ASIDE) == keyed
    if not kind.startswith("reflection"):  # without references there it has no figure either way
        assert counts_for_nothing(kind, tmp_path, NO_FLAGS) != keyed


LARGEST_BYTES = {"emission": 4_000_000}
"""Of a dumped state: an emission check holds the sweeps of the pass that is under way."""


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_a_state_does_not_grow_with_time(kind: str, tmp_path: Path) -> None:
    """Of two thousand sweeps, everything odd among them, and what an hour leaves behind."""
    config, parts = made(kind, tmp_path)
    world = World(np.random.default_rng(11), config.jobs["x"].request(), wild=0.1)
    meter, state = parts.meter, parts.meter.start()
    sizes, hours, sweeps = [], [0], 0
    for event in events_of(world, parts, 2500):
        state, output = meter.step(state, event)
        sweeps += isinstance(event, SweepSeen)
        hours += [len(json.dumps(hour.figures)) for hour in output.hourly]
        if sweeps % 100 == 0 and isinstance(event, SweepSeen):
            sizes.append(len(meter.dump(state)))
        if sweeps >= 2000:
            break
    most = LARGEST_BYTES.get(kind.partition("+")[0].partition("-")[0], 1_000_000)
    assert max(sizes) < most, sizes
    assert max(hours) < 100_000
