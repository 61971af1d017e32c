"""What may arrive at an input: planned before a job starts, watched while it runs (G7)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import open_archive
from acqd.chain import Chain, ChainPart, PartKind
from acqd.drivers.contract import OpenContext, Trace
from acqd.station.inputs import Arriving, InputSafety, nearing_maximum
from acqd.sweep import Capabilities, SweepRequest
from acqd.testing.sweepers import ScriptedDriver, trace_of


def pad(loss_db: float, *, rated_w: float | None = None, name: str = "pad") -> ChainPart:
    return ChainPart.flat(PartKind.PAD, name, gain_db=-loss_db, rated_w=rated_w)


def safety(*parts: ChainPart, power_w: float = 5.0, **more: Any) -> InputSafety:
    """A hand-held of 5 W before some pads."""
    one = Arriving(
        name="the transmitter", power_w=power_w, start_hz=150e6, stop_hz=160e6, is_joined=True
    )
    return InputSafety(arriving=(one,), chain=Chain(parts), **more)


def test_five_watts_need_fifty_decibels() -> None:
    """37 dBm + 3 dB, to −10 dBm for an input that stands +10 dBm: 49.99 dB."""
    assert safety(pad(50.0, rated_w=10.0)).refusal(10.0) is None
    problem = safety(pad(49.9, rated_w=10.0)).refusal(10.0)
    assert problem is not None
    assert "the transmitter can bring −9.9 dBm" in problem
    assert "at most −10.0 dBm is allowed, 20 dB below what it stands" in problem
    assert "add a 3 dB pad" in problem


def test_a_smaller_margin_may_be_asked_for() -> None:
    """10 dB: 0 dBm may be planned."""
    assert safety(pad(40.0, rated_w=10.0), margin_db=10.0).refusal(10.0) is None
    assert safety(pad(39.9, rated_w=10.0), margin_db=10.0).refusal(10.0) is not None


def test_an_unknown_maximum_is_refused_whatever_the_pads() -> None:
    problem = safety(pad(90.0, rated_w=10.0)).refusal(None)
    assert problem is not None
    assert "state `absolute_max`" in problem


def test_a_pad_that_gets_too_hot_is_refused() -> None:
    """It takes 4.95 W and is rated for 1 W; behind it nothing is protected once it fails."""
    problem = safety(pad(20.0, rated_w=1.0, name="small"), pad(40.0, rated_w=1.0)).refusal(10.0)
    assert problem is not None
    assert problem.startswith("small turns 4.95 W into heat, rated for 1 W: too much")


def test_what_nobody_states_is_no_concern() -> None:
    assert InputSafety().refusal(None) is None
    assert InputSafety().report(None) == ()


def test_what_a_failed_pad_would_do_is_told() -> None:
    """20 dB that passes everything leaves 40 dBm − 40 dB = 0 dBm: it lives. 40 dB: it does not."""
    lines = safety(
        pad(20.0, rated_w=10.0, name="first"), pad(40.0, rated_w=10.0, name="second")
    ).report(10.0)
    assert "the transmitter: at most −20.0 dBm at the input" in lines[0]
    told = " ".join(lines)
    assert "if first fails, −0.01 dBm arrive at the sweeper's input, below its maximum" in told
    assert "if second fails, 19.99 dBm arrive at the sweeper's input" in told
    assert "it may be destroyed" in told


def test_an_aerial_nearby_counts_with_its_isolation() -> None:
    """25 W, 40 dB between the aerials, nothing in the chain: 44 + 3 − 40 = +7 dBm is too much."""
    one = Arriving(
        name="the transmitter `mast`", power_w=25.0, start_hz=1e6, stop_hz=2e6, isolation_db=40.0
    )
    problem = InputSafety(arriving=(one,)).refusal(10.0)
    assert problem is not None
    assert "the transmitter `mast` can bring 7.0 dBm" in problem
    # 2.5 mW come out of the aerial; at the transmitter a pad would have to take the 25 W.
    assert "between the aerial and the sweeper. At the aerial's end" in problem
    assert "transmitter's end" not in problem
    assert "not in the transmitter's own line, where 25 W would hit it" in problem
    assert InputSafety(arriving=(replace(one, isolation_db=57.0),)).refusal(10.0) is None
    uncounted = InputSafety(arriving=(replace(one, isolation_db=0.0),)).refusal(10.0)
    assert uncounted is not None and "At the aerial's end" in uncounted


# ---- a station ---------------------------------------------------------------------------------


def with_maximum(most_dbm: float | None, **more: Any) -> ScriptedDriver:
    capabilities = ScriptedDriver().capabilities
    return ScriptedDriver(capabilities=replace(capabilities, absolute_max_dbm=most_dbm), **more)


KEYED = 'chain = "pads"\ntransmitter = { power = "5 W" }'
PADS = """
[chain.pads]
[[chain.pads.part]]
kind = "pad"
loss = "{loss} dB"
rated = "10 W"
"""


@pytest.mark.parametrize(
    ("most_dbm", "loss", "why"),
    [(10.0, 30, "add a 20 dB pad"), (None, 60, "state `absolute_max`")],
    ids=["too few pads", "unknown maximum"],
)
async def test_a_job_with_a_transmitter_does_not_start_without_headroom(
    inside: Callable[..., Any], job_table: Any, most_dbm: float | None, loss: int, why: str
) -> None:
    """Not one sweep of it; it says why, once, and its due times are accounted for."""
    driver = with_maximum(most_dbm)
    jobs = [
        job_table("plain", "mast", 'every = "100 ms"'),
        job_table("keyed", "mast", more=KEYED) + PADS.format(loss=loss),
    ]
    async with inside({"mast": driver}, jobs) as station:
        await station.until("sweeps of the other", lambda: len(driver.swept) >= 5)
    archive = open_archive(station.archive)
    (finding,) = archive.findings("keyed")
    assert finding.what == "refused"
    assert finding.text.startswith("this job does not start: the transmitter can bring")
    assert why in finding.text
    assert archive.sweeps("plain").sizes["sweep"] >= 5
    assert "keyed" not in archive.jobs() or archive.coverage("keyed").sweeps == 0
    reasons = {gap.reason for gap in archive.gaps("keyed")}
    assert "refused" in reasons


async def test_a_job_with_enough_pads_starts(inside: Callable[..., Any], job_table: Any) -> None:
    driver = with_maximum(10.0)
    jobs = [job_table("keyed", "mast", more=KEYED) + PADS.format(loss=50)]
    async with inside({"mast": driver}, jobs) as station:
        await station.until("sweeps", lambda: len(driver.swept) >= 2)
    assert not open_archive(station.archive).findings("keyed")


def growing() -> Iterator[Callable[[SweepRequest, OpenContext], Trace]]:
    """Sweeps whose peak comes up by 10 dB each, from −40 dBm on."""
    for peak_dbm in range(-40, 40, 10):

        def step(request: SweepRequest, context: OpenContext, peak_dbm: float = peak_dbm) -> Trace:
            level = np.random.default_rng(peak_dbm + 99).normal(-100.0, 2.0, request.points)
            level[request.points // 2] = peak_dbm
            return trace_of(np.round(level, 2), request)

        yield step


async def test_levels_near_the_maximum_stop_the_job_and_turn_the_source_off(
    inside: Callable[..., Any], job_table: Any
) -> None:
    """At most the sweep that shows it comes; it is kept; the job stays stopped, others go on."""
    driver = with_maximum(10.0, script=tuple(growing()))
    other = ScriptedDriver(seed=3)
    jobs = [
        job_table("loud", "mast", 'every = "50 ms"'),
        job_table("quiet", "bench", 'every = "50 ms"'),
    ]
    async with inside({"mast": driver, "bench": other}, jobs) as station:
        await station.until("the stop", lambda: station.events("input_near_maximum"))
        swept = len(driver.swept)
        assert driver.source_on is False
        seen = len(other.swept)
        await station.until("more of the other", lambda: len(other.swept) > seen + 10)
        assert len(driver.swept) == swept
    archive = open_archive(station.archive)
    peaks = archive.sweeps("loud").level.max("frequency").values
    # 0 dBm is within 10 dB of +10 dBm.
    assert peaks.tolist() == [-40.0, -30.0, -20.0, -10.0, 0.0]
    (finding,) = [one for one in archive.findings("loud") if one.what == "input_near_maximum"]
    assert "which stands 10.0 dBm" in finding.text and "stopped" in finding.text
    assert {gap.reason for gap in archive.gaps("loud")} >= {"paused"}


def test_a_level_is_near_from_ten_decibels_below_on() -> None:
    capabilities: Capabilities = ScriptedDriver().capabilities
    assert capabilities.absolute_max_dbm is None

    class Sweepish:
        unit = trace_of(np.zeros(1), SweepRequest(start_hz=1.0, stop_hz=2.0, points=2)).unit

        def __init__(self, *level: float) -> None:
            self.level = np.array(level)

    assert nearing_maximum(Sweepish(-3.0, np.nan, 0.0), 10.0) == 0.0
    assert nearing_maximum(Sweepish(-3.0, np.nan), 10.0) is None
    assert nearing_maximum(Sweepish(20.0), None) is None
