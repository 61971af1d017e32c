"""Findings that ask for closer looks: taken, kept, told, replayed, and within what is allowed."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import FindingRecord, SweepRecord
from acqd.cli.plot import command as plot_command
from acqd.drivers.contract import OpenContext, Trace
from acqd.errors import RequestRefused, TransportClosed
from acqd.measure.closerlook_settings import LOOK_STEP
from acqd.report.closerlook import closer_section
from acqd.report.places import placed
from acqd.report.source import JobSource
from acqd.station.followcost import look_costs
from acqd.station.replay import Replay
from acqd.station.replay_check import Check
from acqd.sweep import Capabilities, Detector, SweepRequest
from acqd.testing.sweepers import ScriptedDriver, trace_of

EVERY_S = 0.1
ZOOM = """\
[[job.watch.on_finding]]
what = "signal_appeared"
look = "zoom"
hold_off = "0 s"
{more}
"""


class Harbour(ScriptedDriver):
    """Signals that come for half a second and go for half a second, each on another frequency.

    ``spots_hz`` are taken in turn. ``fails`` is called with each request of a look.
    """

    def __init__(self, *spots_hz: float) -> None:
        super().__init__(
            capabilities=Capabilities(
                start_hz=0.0,
                stop_hz=3e9,
                points_max=1001,
                rbw_steps_hz=(100.0, 300.0, 1e3, 3e3, 10e3, 30e3),
                detectors=(Detector.SAMPLE,),
                attenuation_steps_db=(0.0, 10.0, 20.0),
                resolution=0.01,
            )
        )
        self.spots_hz = spots_hz
        self.count = 0
        self.looks: list[SweepRequest] = []
        self.fails: Callable[[], None] = lambda: None

    @property
    def at_hz(self) -> float | None:
        times, place = divmod(self.count, 10)
        return self.spots_hz[times % len(self.spots_hz)] if place >= 5 else None

    def next_trace(self, request: SweepRequest, context: OpenContext) -> Trace:
        self.swept.append(request)
        if request.points == 101 and request.span_hz == 1e6:
            self.count += 1
        else:
            self.looks.append(request)
            self.fails()
        level = self._random.normal(-110.0, 2.0, request.points)
        if self.at_hz is not None:
            x = (request.frequencies_hz() - self.at_hz) / (request.rbw_hz or 1e4)
            level = np.maximum(level, -60.0 - 12.04 * x * x)
        return trace_of(np.round(level, 2), request)


def looks_of(archive: Archive) -> list[FindingRecord]:
    return [one for one in archive.findings("watch") if one.what == "looked_closer"]


def shows_a_line(archive: Archive) -> list[FindingRecord]:
    return [one for one in looks_of(archive) if "peak_hz" in one.figures]


def replayed(archive: Archive) -> Check:
    """Everything again, held to what was published, to the bit."""
    check = Check(same_place=True)
    for told in Replay(archive=archive, job="watch").run():
        check.take(told)
    return check


def sweeps_of(archive: Archive) -> list[SweepRecord]:
    return [one for one in archive.events("watch") if isinstance(one, SweepRecord)]


async def test_a_signal_that_comes_up_is_looked_at_within_moments(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Three sweeps around it, with the finding's number; the job's own figures know nothing of
    them, and a look is never followed by another."""
    driver = Harbour(156.3e6, 156.7e6)
    table = job_table("watch") + ZOOM.format(more="")
    async with inside({"mast": driver}, [table]) as here:
        await here.until("two looks", lambda: len(here.events("looking_closer")) >= 2)
        await here.until("a signal in one", lambda: shows_a_line(open_archive(here.archive)))
        await here.stop()
        archive = open_archive(here.archive)

    # On a busy machine a signal may have ended before the look at it began.
    first = shows_a_line(archive)[0]
    by_number = {one.number: one for one in archive.findings("watch")}
    asked_by = by_number[first.figures["finding"]]
    assert asked_by.what == "signal_appeared"
    assert first.figures["peak_hz"] == pytest.approx(asked_by.figures["peak_hz"], abs=5e3)
    off_hz = min(abs(first.figures["peak_hz"] - spot_hz) for spot_hz in driver.spots_hz)
    assert off_hz <= first.figures["peak_expanded_hz"] + 1.0
    assert first.figures["peak_dbm"] == pytest.approx(-60.0, abs=0.3)
    request = driver.looks[0]
    assert (request.span_hz, request.rbw_hz, request.source) == (200e3, 1e3, None)

    sweeps = sweeps_of(archive)
    mine = [one for one in sweeps if one.step >= LOOK_STEP]
    first_seq, last_seq = first.figures["first_seq"], first.figures["last_seq"]
    whole = [one for one in mine if first_seq <= one.seq <= last_seq]
    assert {one.columns["finding"] for one in whole} == {float(asked_by.number)}
    assert [one.seq for one in whole] == list(range(first_seq, last_seq + 1))
    assert all(one.summary is None for one in mine)
    assert all(one.due_s >= asked_by.at_s for one in whole)
    # Looks are told of and lead to nothing.
    numbers = {one.figures["finding"] for one in looks_of(archive)}
    assert {by_number[number].what for number in numbers} == {"signal_appeared"}
    # The account of the due sweeps is whole, and coverage counts them alone.
    check_accounts(archive, "watch", every_s=EVERY_S)
    coverage = archive.coverage("watch")
    assert coverage.stored == len(sweeps) - len(mine) and coverage.sweeps == len(sweeps)
    check = replayed(archive)
    assert check.is_exact and check.findings == len(archive.findings("watch"))
    kept = [
        archive.sweeps("watch", step=LOOK_STEP, setup=one.setup)
        for one in archive.setups("watch")
        if one.step == LOOK_STEP
    ]
    assert sum(one.sizes["sweep"] for one in kept) == len(mine)
    assert {float(value) for one in kept for value in one.finding.values} >= numbers


async def test_a_flood_of_findings_stays_within_the_budget(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Signals on ever other frequencies: so many looks and no more, and the job keeps its time."""
    driver = Harbour(*(156.1e6 + 40e3 * spot for spot in range(20)))
    table = job_table("watch") + ZOOM.format(more="at_most = 2\n")
    async with inside({"mast": driver}, [table]) as here:
        await here.until(
            "many findings",
            lambda: len(here.events("no_closer_look", why="the budget is spent")) >= 3,
        )
        await here.stop()
        archive = open_archive(here.archive)
    assert len(looks_of(archive)) == 2
    appeared = [one for one in archive.findings("watch") if one.what == "signal_appeared"]
    assert len(appeared) >= 5
    check_accounts(archive, "watch", every_s=EVERY_S)
    assert len(driver.looks) == 2 * 3
    assert replayed(archive).is_exact


async def test_one_signal_that_flaps_does_not_spend_it_all(inside: Any, job_table: Any) -> None:
    """The same frequency again is held off; what was passed over is told with the next look."""
    driver = Harbour(156.3e6)
    table = job_table("watch").replace('margin = "10 dB"', 'margin = "10 dB", flapping = "0 s"')
    table += ZOOM.format(more="").replace('"0 s"', '"3 s"')
    async with inside({"mast": driver}, [table]) as here:
        await here.until("two looks", lambda: len(looks_of(open_archive(here.archive))) >= 2)
        await here.stop()
        archive = open_archive(here.archive)
    first, second = looks_of(archive)[:2]
    assert second.at_s - first.at_s >= 2.9
    assert second.figures["passed_over"] >= 1 and "before it got no such look" in second.text


async def test_a_look_beyond_the_sweeper_is_told_of_once_and_the_job_goes_on(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """An RBW that there is not: no look, one finding, and nothing of the job is paused."""
    driver = Harbour(156.3e6, 156.7e6)
    table = job_table("watch") + ZOOM.format(more='rbw = "777 Hz"\n')
    async with inside({"mast": driver}, [table]) as here:
        await here.until(
            "it not to be asked again",
            lambda: here.events("no_closer_look", why="the sweeper cannot do it"),
        )
        count = driver.count
        await here.until("more sweeps", lambda: driver.count > count + 5)
        await here.stop()
        archive = open_archive(here.archive)
    told = [one for one in archive.findings("watch") if one.what == "look_refused"]
    assert len(told) == 1 and "rbw" in told[0].text and told[0].figures["look"] == "zoom"
    assert looks_of(archive) == [] and driver.looks == []
    assert "refused" not in archive.coverage("watch").missed
    check_accounts(archive, "watch", every_s=EVERY_S)
    assert replayed(archive).is_exact


async def test_a_sweeper_that_is_lost_in_a_look_costs_the_look(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """What came of it is told when the job sweeps again; due sweeps are accounted for as ever."""
    driver = Harbour(156.3e6, 156.7e6)
    lost = []

    def fails() -> None:
        if len(driver.looks) == 2:
            lost.append(driver.looks[-1])
            raise TransportClosed("pulled")

    driver.fails = fails
    table = job_table("watch") + ZOOM.format(more="")
    async with inside({"mast": driver}, [table]) as here:
        await here.until("a look cut short", lambda: looks_of(open_archive(here.archive)))
        await here.until("a whole one", lambda: len(looks_of(open_archive(here.archive))) >= 2)
        await here.stop()
        archive = open_archive(here.archive)
    assert len(lost) == 1 and driver.opens == 2
    short, whole = looks_of(archive)[:2]
    assert short.figures["sweeps"] == 1 and "cut short after 1 of 3" in short.text
    assert whole.figures["sweeps"] == 3
    assert "sweeper lost" in archive.coverage("watch").missed
    check_accounts(archive, "watch", every_s=EVERY_S)
    assert replayed(archive).is_exact


async def test_looks_that_wait_are_dropped_when_their_time_is_up(
    inside: Any, job_table: Any
) -> None:
    """A sweeper that is away too long: the finding is old news by then."""
    driver = Harbour(156.3e6, 156.7e6)

    def fails() -> None:
        if len(driver.looks) == 1:
            driver.is_unplugged = True
            raise TransportClosed("pulled")

    driver.fails = fails
    more = 'within = "1 s"\n[[job.watch.on_finding]]\nwhat = "signal_appeared"\nlook = "zero span"'
    table = job_table("watch") + ZOOM.format(more=more + '\nwithin = "1 s"\n')
    async with inside({"mast": driver}, [table]) as here:
        await here.until(
            "one to come too late", lambda: here.events("no_closer_look", why="it came too late")
        )
        driver.is_unplugged = False
        await here.until("a look", lambda: looks_of(open_archive(here.archive)))
        await here.stop()
    assert len(here.events("no_closer_look", why="it came too late")) == 1


async def test_each_kind_of_look_of_one_finding(inside: Any, job_table: Any) -> None:
    """Four tables, four looks, each with steps of its own, none with less attenuation."""
    driver = Harbour(156.3e6)
    kinds = ("zoom", "finer rbw", "more attenuation", "zero span")
    tables = [
        f'[[job.watch.on_finding]]\nwhat = "signal_appeared"\nlook = "{kind}"\nsweeps = 2\n'
        + ("points = 201\n" if kind == "finer rbw" else "")
        + ('sweep_time = "50 ms"\n' if kind == "zero span" else "")
        for kind in kinds
    ]
    table = job_table("watch", more='attenuation = "10 dB"') + "\n".join(tables)
    async with inside({"mast": driver}, [table]) as here:
        await here.until("four looks", lambda: len(looks_of(open_archive(here.archive))) >= 4)
        await here.stop()
        archive = open_archive(here.archive)
    assert {one.figures["look"] for one in looks_of(archive)} == set(kinds)
    assert len({one.figures["finding"] for one in looks_of(archive)}) == 1
    steps = Counter(one.step for one in sweeps_of(archive) if one.step >= LOOK_STEP)
    assert steps == {1000: 2, 1010: 2, 1020: 2, 1021: 2, 1030: 2}
    assert {one.attenuation_db for one in driver.swept} == {10.0, 20.0}
    assert all(one.source is None for one in driver.swept)
    assert replayed(archive).is_exact


async def test_a_job_with_looks_measures_what_it_measures_without(
    inside: Any, job_table: Any, tmp_path: Path
) -> None:
    """The same sweeps again without the looks give the same findings, but for the looks."""
    driver = Harbour(156.3e6, 156.7e6)
    table = job_table("watch") + ZOOM.format(more="")
    async with inside({"mast": driver}, [table]) as here:
        await here.until("looks", lambda: len(looks_of(open_archive(here.archive))) >= 2)
        await here.stop()
        archive = open_archive(here.archive)
    from acqd.config.load import parse_config

    text = (tmp_path / "station.toml").read_text().partition("[[job.watch.on_finding]]")[0]
    plain = parse_config(text, tmp_path / "plain.toml")
    again = [
        draft
        for told in Replay(archive=archive, job="watch", config=plain).run()
        for output in told.outputs
        for draft in output.findings
    ]
    own = [one for one in archive.findings("watch") if one.what != "looked_closer"]
    assert [(one.what, one.at_s, one.text) for one in again] == [
        (one.what, one.at_s, one.text) for one in own
    ]


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_over_scpi_a_look_tells_the_scenes_truth_and_a_kill_loses_nothing(
    bench: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """A simulated receiver on a socket: what is on the air is found closer; killed in the middle of
    looks and started again, everything is accounted for and replays to the bit."""
    sim = bench.sim()
    table = bench.job("watch", when='every = "200 ms"') + ZOOM.format(more="at_most = 1000\n")
    config = bench.config(sim.addresses, [table])
    run = bench.run(config)
    run.until("finding", what="looked_closer", count=3)
    for _ in range(3):
        # As soon as one begins: its sweeps are being taken.
        run.until("looking_closer", count=len(run.log("looking_closer")) + 1)
        run.kill()
        run = bench.run(config)
        run.until("station_started")
    run.until("finding", what="looked_closer")
    run.stop()

    archive = open_archive(bench.archive)
    findings = archive.findings("watch")
    assert [one.number for one in findings] == list(range(1, len(findings) + 1))
    check_accounts(archive, "watch", every_s=0.2)
    seqs = [one.seq for one in sweeps_of(archive)]
    assert seqs == list(range(1, len(seqs) + 1))
    looks = looks_of(archive)
    truth_hz = {"beacon": 156.8e6, "marker": 156.3e6, "traffic": 156.5e6}
    levels_dbm = {"beacon": -61.5, "marker": -74.0, "traffic": -70.0}
    seen = {}
    for one in looks:
        name = min(truth_hz, key=lambda n: abs(truth_hz[n] - one.figures.get("peak_hz", 0.0)))
        if one.figures["sweeps"] == 3 and "peak_hz" in one.figures:
            seen[name] = one
    for name in ("beacon", "marker"):
        one = seen[name]
        assert abs(one.figures["peak_hz"] - truth_hz[name]) <= one.figures["peak_expanded_hz"]
        assert one.figures["peak_dbm"] == pytest.approx(
            levels_dbm[name], abs=one.figures["peak_expanded_db"]
        )
    if "traffic" in seen:
        assert seen["traffic"].figures["power_dbm"] == pytest.approx(-70.0, abs=2.5)
    check = replayed(archive)
    assert check.is_exact, check.differences


@pytest.mark.parametrize(
    ("more", "told"),
    [
        pytest.param("", "at most 6 in 1 h, about 0.6 s each", id="as it is"),
        pytest.param('share = "0.05 %"\n', "at most 3 in 1 h", id="by time"),
        pytest.param('rbw = "777 Hz"\n', "no closer looks (zoom): rbw: asked for", id="refused"),
    ],
)
async def test_check_tells_what_looks_may_cost(
    inside: Any, job_table: Any, more: str, told: str
) -> None:
    """Before the night: how often, how long, and of how many due times; or that there are none."""
    here = inside({"mast": Harbour(156.3e6)}, [job_table("watch") + ZOOM.format(more=more)])
    (job,) = here.built.jobs

    async def estimate_s(request: SweepRequest) -> float:
        if request.rbw_hz == 777.0:
            raise RequestRefused(setting="rbw", asked="777 Hz", limit="1 kHz")
        return 0.2

    can = Harbour(156.3e6).capabilities
    (said,) = await look_costs(job, can, estimate_s, sweep_s=0.05)
    assert told in said
    if not more:
        # 6 looks of 0.6 s, each over 6 due times of a job that is due every 100 ms.
        assert "at worst 0.1 % of the time and 36 of 36000 due times" in said


async def test_the_looks_stand_with_their_finding(
    inside: Any, job_table: Any, tmp_path: Path
) -> None:
    """On the finding's own sheet, after it in the list, and as a picture; the job's own steps are
    those without them."""
    driver = Harbour(156.3e6, 156.7e6)
    async with inside({"mast": driver}, [job_table("watch") + ZOOM.format(more="")]) as here:
        await here.until("looks", lambda: len(looks_of(open_archive(here.archive))) >= 2)
        await here.stop()
        archive = open_archive(here.archive)
    look = looks_of(archive)[0]
    number = look.figures["finding"]
    source = JobSource(archive, "watch", start_s=0.0, stop_s=4e9, zone="UTC")
    assert source.steps == (0,) and source.look_steps == (LOOK_STEP,)
    (record,) = [one for one in source.finding_records if one.number == number]
    section = closer_section(source, record)
    assert section is not None and section.tables[0].rows[0][1] == "zoom"
    (chart,) = section.charts
    assert len(chart.lines) == 3 and float(chart.lines[0].x[0]) > 156.0e6
    assert closer_section(source, look) is None
    # Right after its finding, whatever else was found between them, and with no place of its own.
    listed = placed(source.findings)
    at = [one.number for one in listed].index(number)
    assert listed[at + 1].number == look.number and listed[at + 1].place is None

    out = tmp_path / "look.png"

    def plot(finding: int) -> Any:
        words = ["--finding", str(finding), "-o", str(out)]
        return CliRunner().invoke(plot_command, [str(here.archive), *words])

    done = await asyncio.to_thread(plot, number)
    assert done.exit_code == 0, done.output
    assert out.read_bytes()[:4] == b"\x89PNG"
    refused = await asyncio.to_thread(plot, look.number)
    assert refused.exit_code == 2 and "has no closer look" in refused.output
