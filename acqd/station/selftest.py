"""A sweeper's self-test: its parts, what to connect for each, the sweeps, and what is kept of them.

The same for a command that has the sweeper to itself and for a running station: whoever runs a part
brings a function that sweeps. A part is refused where its power could harm the input (G7).
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.views import levels_to_json
from acqd.chain import POWER_RESERVE_DB
from acqd.config.models import SweeperTable
from acqd.config.selftest import CarrierTestTable, LoopTestTable, NoiseTestTable, SelfTestTable
from acqd.errors import InputUnsafe, SweeperError, UnitMismatch
from acqd.measure.bandpower import enb_hz
from acqd.measure.selftest import (
    Facts,
    TestFigure,
    carrier_figures,
    carrier_seen,
    loop_figure,
)
from acqd.measure.selftestnoise import noise_figure, noise_seen
from acqd.measure.words import frequency_text, level_text, range_text
from acqd.station.inputs import Arriving, InputSafety, nearing_maximum, source_power_w
from acqd.station.references import settings_of
from acqd.station.setup import absolute_max_dbm
from acqd.sweep import (
    Capabilities,
    Detector,
    Grid,
    Identity,
    LevelUnit,
    SourceRequest,
    Sweep,
    SweepFlag,
    SweepRequest,
)
from acqd.units import watt_from_dbm

__all__ = ["PartTaken", "TestPart", "facts_of", "parts_of", "refuse_unsafe_part", "take_part"]

LOOP_SPAN_HZ = 100e3
"""Around each frequency of a loop; the source tracks, so any span shows the same level."""
LEAST_POINTS = 51
RBWS_AROUND = 20.0
"""A carrier is swept over so many of the narrowest RBW at the least."""
DETECTORS = (Detector.RMS, Detector.SAMPLE, Detector.AVERAGE, Detector.POSITIVE)
"""What noise is looked at with, the first that there is."""

Sweeping = Callable[[SweepRequest], Awaitable[Sweep]]
Table = NoiseTestTable | LoopTestTable | CarrierTestTable


@dataclass(frozen=True, slots=True, kw_only=True)
class TestPart:
    """One part of a self-test: something to connect, then sweeps. ``key`` names it."""

    __test__ = False  # No test of pytest's, whatever it is called.

    key: str
    table: Table

    @property
    def kind(self) -> str:
        """``noise``, ``source`` or ``carrier``."""
        return self.key.partition("-")[0]

    def instruction(self, connector: str = "the sweeper's input") -> str:
        """What the person at the bench is to do, with what to mind."""
        minded = "Take off whatever is connected first, and key no transmitter until this is done."
        if isinstance(self.table, NoiseTestTable):
            return f"{minded} Then put a 50 ohm termination on {connector}, or leave it open."
        if isinstance(self.table, LoopTestTable):
            most = max(self.table.loss_at_hz(hz) for hz in self.table.at_hz)
            least = min(self.table.loss_at_hz(hz) for hz in self.table.at_hz)
            loss = f"{least:.1f}" if most - least < 0.05 else f"{least:.1f} to {most:.1f}"
            return (
                f"{minded} Then join the source's output to {connector} with the cable (and pads) "
                f"of {loss} dB; the source will be on at {_dbm(self.table.level_dbm)}: no aerial "
                "and no amplifier on it."
            )
        what = self.table.what or "what gives the known carrier"
        level = self.table.level_dbm if self.table.most_dbm is None else self.table.most_dbm
        strong = "" if level is None else f", at most {_dbm(level)}"
        return (
            f"{minded} Then connect {what} at {frequency_text(self.table.frequency_hz)}{strong} "
            f"to {connector}."
        )


def _dbm(level_dbm: float) -> str:
    return level_text(level_dbm, LevelUnit.DBM)


def parts_of(table: SelfTestTable | None) -> tuple[TestPart, ...]:
    """The parts of a self-test in order. Without a table that says one there is the noise over the
    whole range, with nothing to compare it with."""
    table = table or SelfTestTable()
    found = [*_numbered("noise", table.noise)]
    if table.source is not None:
        found.append(TestPart(key="source", table=table.source))
    found += _numbered("carrier", table.carrier)
    return tuple(found) or (TestPart(key="noise", table=NoiseTestTable()),)


def _numbered(kind: str, tables: Sequence[Table]) -> list[TestPart]:
    return [
        TestPart(key=kind if at == 1 else f"{kind}-{at}", table=one)
        for at, one in enumerate(tables, 1)
    ]


def facts_of(table: SweeperTable | None, capabilities: Capabilities) -> Facts:
    """What config, else the sweeper itself, says of it."""
    tests = None if table is None else table.self_test
    said_db = None if table is None else table.level_accuracy_db
    said_ppm = None if table is None else table.frequency_accuracy_ppm
    said_ratio = None if table is None else table.noise_bandwidth_ratio
    return Facts(
        level_accuracy_db=capabilities.level_accuracy_db if said_db is None else said_db,
        frequency_accuracy_ppm=capabilities.frequency_accuracy_ppm
        if said_ppm is None
        else said_ppm,
        level_step_db=capabilities.resolution or 0.0,
        input_vswr=None if tests is None else tests.input_vswr,
        enb_per_rbw=capabilities.noise_bandwidth_ratio if said_ratio is None else said_ratio,
    )


# -- safety ----------------------------------------------------------------------------------------


def refuse_unsafe_part(
    part: TestPart, stated_dbm: float | None, capabilities: Capabilities
) -> None:
    """See that what is connected for a part cannot harm the input (G7).

    A loop must keep its margin with the loss that is said to lie in it, and must not reach the
    absolute maximum without it: a pad is soon forgotten. A carrier of a known or a largest level
    must keep its margin; one that comes off the air states none, as in a job that listens.

    Raises:
        InputUnsafe: it could, or nobody states what the input stands.
        SweeperError: the sweeper has no source for a loop.
    """
    table, most_dbm = part.table, absolute_max_dbm(stated_dbm, capabilities)
    if isinstance(table, LoopTestTable):
        if not capabilities.source:
            raise SweeperError("the sweeper has no source: leave [self_test.source] out")
        low_hz, high_hz = min(table.at_hz), max(table.at_hz)
        power_w = source_power_w(table.level_dbm, 0.0)
        arriving = Arriving(name="the source", power_w=power_w, start_hz=low_hz, stop_hz=high_hz)
        safety = InputSafety(
            arriving=(arriving,), chain=table.to_chain(), margin_db=table.margin_db
        )
        problem = safety.refusal(most_dbm)
        if problem is None and table.level_dbm + POWER_RESERVE_DB >= (most_dbm or 0.0):
            problem = (
                f"without the loss between them the source would bring {_dbm(table.level_dbm)} to "
                f"an input that stands {_dbm(most_dbm or 0.0)}: use a lower `level`"
            )
    elif isinstance(table, CarrierTestTable):
        level_dbm = table.level_dbm if table.most_dbm is None else table.most_dbm
        if level_dbm is None:
            return
        name = table.what or "the known carrier"
        at_hz, power_w = table.frequency_hz, float(watt_from_dbm(level_dbm))
        carrier = Arriving(name=name, power_w=power_w, start_hz=at_hz, stop_hz=at_hz)
        problem = InputSafety(arriving=(carrier,), margin_db=table.margin_db).refusal(most_dbm)
    else:
        return
    if problem is not None:
        raise InputUnsafe(problem)


# -- the sweeps ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTaken:
    """A part as it was taken: its figures, and the sweeps that they come from."""

    part: TestPart
    figures: tuple[TestFigure, ...]
    sweeps: tuple[Sweep, ...]
    notes: tuple[str, ...] = field(default=())
    """What was assumed, in words."""

    @property
    def identity(self) -> Identity:
        return self.sweeps[0].identity

    def to_body(self, sweeper: str, test_s: float) -> dict[str, Any]:
        """Plain JSON data for the ledger. ``test_s``: when the whole test began, which is its
        name."""
        first, last = self.sweeps[0], self.sweeps[-1]
        form = self.part.table.danl_is.value if isinstance(self.part.table, NoiseTestTable) else ""
        return {
            "sweeper": sweeper,
            "test_s": test_s,
            "part": self.part.key,
            "at_s": first.started_s,
            "took_s": last.started_s + last.took_s - first.started_s,
            "identity": {key: str(value) for key, value in asdict(first.identity).items()},
            "settings": {**settings_of(last), "form": form},
            "figures": [one.to_json() for one in self.figures],
            "notes": list(self.notes),
            "sweeps": [_kept(one) for one in self.sweeps],
        }


def _kept(sweep: Sweep) -> dict[str, Any]:
    """One raw sweep as plain JSON data, levels bit for bit."""
    source = sweep.request.source
    return {
        "started_s": sweep.started_s,
        "start_hz": float(sweep.frequency_hz[0]),
        "stop_hz": float(sweep.frequency_hz[-1]),
        "flags": int(sweep.flags),
        "source_dbm": source.level_dbm if source is not None and source.on else None,
        "level": levels_to_json(sweep.level),
    }


async def take_part(
    part: TestPart,
    *,
    sweep: Sweeping,
    capabilities: Capabilities,
    facts: Facts,
    stated_dbm: float | None = None,
    detector: Detector | None = None,
    say: Callable[[str], None] = lambda text: None,
    wanted: Callable[[], bool] = lambda: True,
) -> PartTaken:
    """Take the sweeps of one part and make its figures; nothing is stored. The source has to be
    turned off afterwards, whatever becomes of it.

    Args:
        stated_dbm: the absolute maximum that the config states.
        detector: what it uses where it does not say, as the config states it.
        wanted: asked before each sweep.

    Raises:
        InputUnsafe: it must not be taken, or what arrived was too strong.
        UnitMismatch: the sweeper's levels are not in dBm.
        SweeperError: a sweep did not come.
    """
    if capabilities.unit is not LevelUnit.DBM or capabilities.is_complex:
        raise UnitMismatch(what="a self-test", needs="dBm", got=str(capabilities.unit))
    refuse_unsafe_part(part, stated_dbm, capabilities)
    taker = _Taker(sweep, capabilities, facts, stated_dbm, detector, say, wanted)
    taken = await taker.take(part)
    flags = SweepFlag(0)
    for one in taken.sweeps:
        flags |= one.flags
    notes = tuple(text for flag, text in _FLAGS.items() if flags & flag)
    return replace(taken, notes=(*taken.notes, *notes))


_FLAGS = {
    SweepFlag.OVERLOAD: "the sweeper reports an overload",
    SweepFlag.NOT_FINITE: "levels are missing at some frequencies",
    SweepFlag.SETTINGS_DIFFER: "the sweeper took other settings than were asked for",
}


@dataclass(slots=True)
class _Taker:
    sweep: Sweeping
    capabilities: Capabilities
    facts: Facts
    stated_dbm: float | None
    detector: Detector | None
    say: Callable[[str], None]
    wanted: Callable[[], bool]

    async def take(self, part: TestPart) -> PartTaken:
        if isinstance(part.table, NoiseTestTable):
            return await self.noise(part, part.table)
        if isinstance(part.table, LoopTestTable):
            return await self.loop(part, part.table)
        return await self.carrier(part, part.table)

    async def one(self, request: SweepRequest, text: str) -> Sweep:
        if not self.wanted():
            raise SweeperError("nobody waits for the self-test any more")
        self.say(text)
        got = await self.sweep(request)
        most_dbm = absolute_max_dbm(self.stated_dbm, self.capabilities)
        level_dbm = nearing_maximum(got, most_dbm)
        if level_dbm is not None:
            raise InputUnsafe(
                f"{_dbm(level_dbm)} at the sweeper's input, too near to what it stands "
                f"({_dbm(most_dbm or 0.0)}): stopped, nothing is stored; look at what is connected"
            )
        return got

    def points(self, wanted: int) -> int:
        can = self.capabilities
        if can.points_allowed:
            return min(can.points_allowed, key=lambda one: abs(one - wanted))
        return min(max(wanted, can.points_min), can.points_max)

    def around(self, frequency_hz: float, span_hz: float) -> tuple[float, float]:
        """A span around a frequency, within what can be swept."""
        can = self.capabilities
        low_hz = max(can.start_hz, frequency_hz - span_hz / 2.0)
        high_hz = min(can.stop_hz, frequency_hz + span_hz / 2.0)
        if not low_hz < high_hz or not low_hz <= frequency_hz <= high_hz:
            limits = range_text(can.start_hz, can.stop_hz)
            raise SweeperError(
                f"{frequency_text(frequency_hz)} lies outside what the sweeper can sweep ({limits})"
            )
        return low_hz, high_hz

    def chosen(self, wanted: Detector | None) -> Detector | None:
        there = self.capabilities.detectors
        return wanted or next((one for one in DETECTORS if one in there), None)

    def shown(self, sweep: Sweep) -> Detector | None:
        return sweep.reported.detector or sweep.request.detector or self.detector

    async def noise(self, part: TestPart, table: NoiseTestTable) -> PartTaken:
        can = self.capabilities
        low_hz, high_hz = table.range_hz or (can.start_hz, can.stop_hz)
        attenuation_db = table.attenuation_db
        if attenuation_db is None and table.danl_attenuation_db in can.attenuation_steps_db:
            attenuation_db = table.danl_attenuation_db
        request = SweepRequest(
            start_hz=low_hz,
            stop_hz=high_hz,
            points=self.points(table.points),
            rbw_hz=table.rbw_hz,
            detector=self.chosen(table.detector),
            attenuation_db=attenuation_db,
        )
        swept = [
            await self.one(request, f"noise, sweep {at} of {table.sweeps}")
            for at in range(1, table.sweeps + 1)
        ]
        last = swept[-1]
        rbw_hz = last.reported.rbw_hz or request.rbw_hz
        seen = noise_seen(
            [one.level for one in swept],
            detector=self.shown(last),
            independent=1.0
            if rbw_hz is None
            else request.step_hz / enb_hz(rbw_hz, enb_per_rbw=self.facts.enb_per_rbw),
            resolution_db=last.resolution or 0.0,
        )
        got_db = last.reported.attenuation_db
        got_db = attenuation_db if got_db is None else got_db
        figure = noise_figure(
            seen,
            table.stated,
            self.facts,
            rbw_hz=rbw_hz,
            attenuation_db=got_db,
            range_hz=(low_hz, high_hz),
        )
        notes = []
        if got_db is None:
            notes.append("nobody says the sweeper's attenuation: it is taken to be 0 dB")
        if seen is not None and "detector" in seen.assumed:
            notes.append("nobody says its detector: it is taken to show single samples")
        if rbw_hz is not None and self.facts.enb_per_rbw is None:
            notes.append("nobody says its noise bandwidth: 1.0645 times its RBW is taken")
        return PartTaken(part=part, figures=(figure,), sweeps=tuple(swept), notes=tuple(notes))

    async def loop(self, part: TestPart, table: LoopTestTable) -> PartTaken:
        swept: list[Sweep] = []
        figures = []
        for frequency_hz in table.at_hz:
            low_hz, high_hz = self.around(frequency_hz, LOOP_SPAN_HZ)
            off = SweepRequest(
                start_hz=low_hz,
                stop_hz=high_hz,
                points=self.points(LEAST_POINTS),
                rbw_hz=table.rbw_hz,
                attenuation_db=table.attenuation_db,
                source=SourceRequest(on=False),
            )
            on = replace(off, source=SourceRequest(on=True, level_dbm=table.level_dbm))
            where = frequency_text(frequency_hz)
            without = await self.one(off, f"{where}, the source off")
            through = [
                await self.one(on, f"{where}, sweep {at} of {table.sweeps}")
                for at in range(1, table.sweeps + 1)
            ]
            swept += [without, *through]
            figures.append(
                loop_figure(
                    [_level_at(one, frequency_hz) for one in through],
                    _level_at(without, frequency_hz),
                    frequency_hz=frequency_hz,
                    source_dbm=table.level_dbm,
                    loss_db=table.loss_at_hz(frequency_hz),
                    loss_uncertainty_db=table.loss_uncertainty_db,
                    facts=self.facts,
                    source_accuracy_db=table.accuracy_db,
                    tolerance_db=table.tolerance_db,
                )
            )
        return PartTaken(part=part, figures=tuple(figures), sweeps=tuple(swept))

    async def carrier(self, part: TestPart, table: CarrierTestTable) -> PartTaken:
        least_hz = RBWS_AROUND * (self.capabilities.rbw_min_hz or 0.0)
        low_hz, high_hz = self.around(table.frequency_hz, max(table.span_hz, least_hz))
        request = SweepRequest(
            start_hz=low_hz,
            stop_hz=high_hz,
            points=self.points(table.points),
            rbw_hz=table.rbw_hz,
            detector=self.chosen(None),
            attenuation_db=table.attenuation_db,
        )
        swept = [
            await self.one(request, f"carrier, sweep {at} of {table.sweeps}")
            for at in range(1, table.sweeps + 1)
        ]
        seen = [
            carrier_seen(
                Grid.from_axis(one.frequency_hz).frequency_hz,
                _rising(one),
                rbw_hz=one.reported.rbw_hz or request.rbw_hz,
                resolution_db=one.resolution or 0.0,
            )
            for one in swept
        ]
        figures = carrier_figures(
            seen,
            expected_hz=table.frequency_hz,
            carrier_uncertainty_ppm=table.uncertainty_ppm,
            facts=self.facts,
            tolerance_ppm=table.tolerance_ppm,
            expected_dbm=table.level_dbm,
            level_uncertainty_db=table.level_uncertainty_db,
            level_tolerance_db=table.level_tolerance_db,
        )
        return PartTaken(part=part, figures=figures, sweeps=tuple(swept))


def _rising(sweep: Sweep) -> NDArray[np.float64]:
    grid = Grid.from_axis(sweep.frequency_hz)
    return np.asarray(grid.rising(sweep.level), dtype=np.float64)


def _level_at(sweep: Sweep, frequency_hz: float) -> float:
    """Median of the points around a frequency, where the source tracks and is flat."""
    order = np.argsort(np.abs(sweep.frequency_hz - frequency_hz), kind="stable")
    near = np.asarray(sweep.level, dtype=np.float64)[order[: max(3, order.size // 5)]]
    known = near[np.isfinite(near)]
    return float(np.median(known)) if known.size else float("nan")
