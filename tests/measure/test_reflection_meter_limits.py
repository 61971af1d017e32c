"""The reflection meter: limits and changes, its replay and the truth."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from acqd.measure.match import at_frequencies
from acqd.measure.meter import (
    GapSeen,
    HourTurned,
    Output,
    Role,
    SetupChanged,
    SweepSeen,
)
from acqd.measure.reflection_limits import Standing, settled, sure
from acqd.measure.reflection_meter import ReflectionMeter, reflection_pass
from acqd.measure.reflection_sweep import Measured, ReflectionSettings, measured
from acqd.sweep import SweepFlag, SweepRequest
from bridges import DAY_S, HOUR_S, Bridge, Complex, bridges_of, swr_of, whip


@pytest.fixture
def bridge(rng: np.random.Generator) -> Callable[..., Bridge]:
    return bridges_of(rng)


# --- limits and changes ---------------------------------------------------------------------------


def test_a_limit_is_told_when_it_is_surely_passed_and_when_it_is_kept_again(
    bridge: Callable[..., Bridge],
) -> None:
    """After two passes in a row; what the bounds cannot tell changes nothing."""
    one = bridge(max_swr_at={"ch16": 2.0})
    good, bad = whip(one.frequency_hz), whip(one.frequency_hz, ohm=180.0)
    near = whip(one.frequency_hz, ohm=100.0)
    words = []
    for load in (good, good, bad, good, bad, bad, near, bad, near, good, good, good):
        out = one.sweep(load)
        assert out.verdict is not None
        words.append(out.verdict["verdict"])
    assert words[:3] == ["pass", "pass", "fail"] and words[6] == "cannot tell"
    told = [
        (one_.seq, one_.what)
        for out in one.outputs
        for one_ in out.findings
        if one_.what.startswith("limit_")
    ]
    assert told == [(6, "limit_exceeded"), (11, "limit_met")]
    (passed,) = one.told("limit_exceeded")
    assert passed.figures["name"] == "ch16" and passed.figures["limit"] == 2.0
    assert passed.text.startswith("SWR 3.") and "at ch16 (156.800 MHz)" in passed.text
    assert passed.text.endswith("above the limit of 2")
    (met,) = one.told("limit_met")
    assert met.text.endswith("again within the limit of 2")
    last = one.outputs[-1].verdict
    assert last is not None and last["at_s"] - last["since_s"] == 0.5


def test_the_worst_of_a_range_is_judged(bridge: Callable[..., Bridge]) -> None:
    one = bridge(max_swr=2.0, range_hz=(150.5e6, 163e6))
    out = one.sweep()
    assert out.verdict is not None and out.verdict["verdict"] == "fail"
    row = out.verdict["judgements"][0]
    assert row["figure"] == "worst SWR in the range"
    assert "150.500 MHz, the worst in 150.500 to 163.000 MHz" in row["text"]
    assert out.summary is not None and out.summary["verdict"] == "fail"


def test_guard_zero_is_simple_acceptance(bridge: Callable[..., Bridge]) -> None:
    near = {"max_swr_at": {"ch16": 2.0}}
    words = {}
    for guard in (0.0, 1.0):
        one = bridge(**near, guard=guard)
        out = one.sweep(whip(one.frequency_hz, ohm=95.0))
        assert out.verdict is not None
        words[guard] = out.verdict["verdict"]
    assert words[1.0] == "cannot tell" and words[0.0] in ("pass", "fail")


def test_two_passes_settle_what_is_told() -> None:
    state, told = Standing(name="x"), []
    for word in ("a", "b", "b", "a", "b", "a", "a", "a"):
        state, is_new = settled(state, word)
        told.append(is_new)
    assert told == [False, False, True, False, False, False, True, False]


def test_the_first_good_sweep_is_the_baseline(bridge: Callable[..., Bridge]) -> None:
    """It outlives new references and setups; a doubtful sweep does not become one."""
    one = bridge(installed="new whip, spring")
    one.sweep(flags=SweepFlag.OVERLOAD)
    assert one.state.kind.baseline is None
    first = one.sweep()
    assert first.summary is not None and first.summary["change"] is None
    assert "this sweep is kept as what it was at installation" in first.summary["notes"]
    one.at_s += 6 * DAY_S
    one.gain_db = -0.4
    one.open_and_short()
    one.setup()
    summary = one.sweep().summary
    assert summary is not None
    change = summary["change"]
    assert change["since_seq"] == 2 and change["installed"] == "new whip, spring"
    assert change["moved_points"] == 0 and change["match_shifted"] is False
    assert abs(change["match_shift_hz"]) < 1e3
    assert abs(change["return_loss_change_db"]) < 0.05
    assert one.outputs[-1].values["match_shift_hz"] == change["match_shift_hz"]


def test_a_whip_that_moved_is_told_of_once(bridge: Callable[..., Bridge]) -> None:
    """A resonance 6 MHz lower is beyond the bounds; when it is back that is told too."""
    one = bridge()
    moved = whip(one.frequency_hz, resonance_hz=151.5e6, q=30.0)
    sharp = whip(one.frequency_hz, q=30.0)
    for load in (sharp, sharp, moved, moved, moved, moved, sharp, sharp, sharp):
        one.sweep(load)
    told = one.told("match_moved")
    assert [finding.seq for finding in told] == [4, 8]
    assert told[0].text.startswith("best match moved from 156.943 MHz at installation to 151.4")
    assert told[0].text.endswith("MHz: by −5.53 MHz (−6.90 to −4.20)")
    assert "back where it was" in told[1].text
    assert [finding.seq for finding in one.told("load_changed")] == [4]
    assert [finding.seq for finding in one.told("load_as_it_was")] == [8]
    change = one.outputs[5].summary["change"]
    assert change["match_shifted"] and change["moved_points"] > 100
    assert change["match_shift_low_hz"] <= -5.5e6 <= change["match_shift_high_hz"]


def test_a_dip_is_compared_with_itself(bridge: Callable[..., Bridge]) -> None:
    """Where another dip becomes the best one the first has not moved."""
    one = bridge(bridge={"frequency_hz": np.linspace(140e6, 170e6, 601)})

    def two(first: float, second: float) -> Complex:
        return np.asarray(
            whip(one.frequency_hz, resonance_hz=147e6, q=60.0, ohm=first)
            * whip(one.frequency_hz, resonance_hz=163e6, q=60.0, ohm=second)
        )

    one.sweep(two(45.0, 35.0))
    summary = one.sweep(two(35.0, 45.0)).summary
    assert summary is not None
    assert summary["best"]["frequency_hz"] == pytest.approx(163e6, abs=0.3e6)
    assert abs(summary["change"]["match_shift_hz"]) < 0.5e6
    assert summary["resonances_count"] == 2


def test_another_sweeper_cancels_nothing(bridge: Callable[..., Bridge]) -> None:
    one = bridge()
    one.sweep()
    one.identity = "GANNET SHACK 4"
    one.setup()
    summary = one.sweep().summary
    assert summary is not None and summary["change"]["same_sweeper"] is False


def test_other_frequencies_are_not_compared(bridge: Callable[..., Bridge]) -> None:
    one = bridge()
    one.sweep()
    one.frequency_hz = one.frequency_hz + 1e3
    one.setup()
    summary = one.sweep().summary
    assert summary is not None
    assert summary["change"]["refused"] == "the frequencies are others than at installation"


def test_what_an_hour_saw(bridge: Callable[..., Bridge]) -> None:
    """Ends of the ranges of the best match, beside the counts that all kinds have."""
    one = bridge()
    for resonance_hz in (156e6, 158e6, 157e6):
        one.sweep(whip(one.frequency_hz, resonance_hz=resonance_hz, q=40.0))
    one.step(GapSeen(from_s=one.at_s, to_s=one.at_s + 60.0, count=2, reason="paused"))
    out = one.step(HourTurned(hour_start_s=HOUR_S, hour_end_s=HOUR_S + 3600.0))
    figures = out.hourly[0].figures
    assert figures["measured"] == figures["stored"] == 3 and figures["due"] == 5
    assert figures["best_match_low_hz"] == pytest.approx(156e6, abs=0.4e6)
    assert figures["best_match_high_hz"] == pytest.approx(158e6, abs=0.4e6)
    again = one.step(HourTurned(hour_start_s=HOUR_S + 3600.0, hour_end_s=HOUR_S + 7200.0))
    assert again.hourly[0].figures["measured"] == 0


def test_a_pass_asks_once_for_each_due_sweep() -> None:
    request = SweepRequest(start_hz=150e6, stop_hz=164e6, points=281)
    steps = list(reflection_pass(request, 3))
    assert [step.step for step in steps] == [0, 0, 0]
    assert all(step.request is request for step in steps)


# --- replay and truth -----------------------------------------------------------------------------


def _plain(output: Output) -> str:
    kept = (output.summary, output.columns, output.values, output.verdict)
    findings = [[one.what, one.text, one.seq, dict(one.figures)] for one in output.findings]
    return json.dumps([kept, findings], sort_keys=True)


def test_a_replay_with_restarts_gives_the_same_bits(bridge: Callable[..., Bridge]) -> None:
    """Dumped and loaded before every event the outputs are the same texts."""
    one = bridge(max_swr=2.5, range_hz=(155e6, 159e6))
    for i in range(12):
        one.sweep(whip(one.frequency_hz, resonance_hz=157e6 - (i // 4) * 3e6, q=40.0))
        if i == 6:
            one.open_and_short()
            one.setup()
        if i == 8:
            one.step(HourTurned(hour_start_s=HOUR_S, hour_end_s=HOUR_S + 3600.0))
    assert one.told("match_moved")
    meter = ReflectionMeter(one.settings)
    state = meter.start()
    for event, live in zip(one.events, one.outputs, strict=True):
        kept = meter.dump(state)
        state = meter.load(kept)
        assert meter.dump(state) == kept
        state, output = meter.step(state, event)
        assert _plain(output) == _plain(live)


def test_a_step_leaves_its_state_alone(bridge: Callable[..., Bridge]) -> None:
    one = bridge()
    before = one.state
    kept = one.meter.dump(before)
    one.sweep()
    one.sweep()
    assert one.meter.dump(before) == kept


SCENES = 200


@dataclass
class Counts:
    """How often the truth was where it was said to be, over all scenes and named frequencies."""

    looked: int = 0
    in_bounds: int = 0
    in_interval: int = 0
    pulls: list[float] = field(default_factory=list)
    match_in_bounds: int = 0
    widths: int = 0
    widths_in_bounds: int = 0
    wrong_passes: int = 0
    wrong_fails: int = 0
    verdicts: int = 0
    sure: int = 0


def _scene(rng: np.random.Generator, counts: Counts) -> None:
    """A random whip through a random bridge whose job states what the bridge is, with errors of
    level drawn from what the meter counts on."""
    directivity_db, source_db = rng.uniform(25.0, 40.0), rng.uniform(18.0, 32.0)
    named_hz = {f"f{i}": float(hz) for i, hz in enumerate(rng.uniform(151e6, 163e6, 6))}
    limit_swr = float(rng.uniform(1.4, 3.0))
    settings = ReflectionSettings(
        directivity_db=directivity_db,
        source_match_db=source_db,
        scale_db=float(rng.uniform(0.1, 1.0)),
        named_hz=named_hz,
        max_swr_at=dict.fromkeys(named_hz, limit_swr),
    )
    one = Bridge(settings, rng, directivity_db=directivity_db, source_match_db=source_db)
    if rng.random() < 0.8:
        one.open_and_short()
    else:
        one.refer(Role.OPEN, 1.0)
    one.setup()
    resonance_hz, q, ohm = (
        rng.uniform(153e6, 161e6),
        rng.uniform(8.0, 40.0),
        rng.uniform(25.0, 95.0),
    )
    load = whip(one.frequency_hz, resonance_hz=resonance_hz, q=q, ohm=ohm)
    drift_db = 0.25 + 1 / 60 * 0.05
    slope = rng.uniform(-1.0, 1.0) * (settings.scale_db or 0.0) / 20.0
    level = one.shown(load)
    top = -20.0 + 20 * np.log10(0.25)
    level = level + slope * np.clip(top - level, 0.0, 20.0) + rng.uniform(-drift_db, drift_db)
    one.shown = lambda _: level
    out = one.sweep(load)
    summary, verdict = out.summary, out.verdict
    assert summary is not None and verdict is not None
    setup, sweep = one.events[-2], one.events[-1]
    assert isinstance(setup, SetupChanged) and isinstance(sweep, SweepSeen)
    found = measured(settings, setup, sweep)
    assert isinstance(found, Measured)
    interval = at_frequencies(one.frequency_hz, sure(found.trace), named_hz)
    plain = at_frequencies(one.frequency_hz, found.trace, named_hz)
    u = np.interp(list(named_hz.values()), one.frequency_hz, found.trace.magnitude_u)
    for i, named in enumerate(summary["named"]):
        true = complex(whip(np.array([named["frequency_hz"]]), resonance_hz=resonance_hz, q=q,
                            ohm=ohm)[0])  # fmt: skip
        # Straight lines between points miss a curve by a little where the match is sharp.
        rho, slack = abs(true), 2e-4
        close, read = interval[i].value, plain[i].value
        assert close is not None and read is not None
        counts.looked += 1
        low, high = named["magnitude_low"] - slack, named["magnitude_high"] + slack
        counts.in_bounds += low <= rho <= high
        counts.in_interval += close.magnitude_low - slack <= rho <= close.magnitude_high + slack
        if rho > 2.0 * 10 ** (-directivity_db / 20):
            counts.pulls.append((read.magnitude - rho) / u[i])
        row = verdict["judgements"][i]
        counts.verdicts += 1
        counts.sure += row["verdict"] in ("pass", "fail")
        counts.wrong_passes += row["verdict"] == "pass" and swr_of(rho) > limit_swr
        counts.wrong_fails += row["verdict"] == "fail" and swr_of(rho) < limit_swr
    best = summary["best"]
    counts.match_in_bounds += best["frequency_low_hz"] <= resonance_hz <= best["frequency_high_hz"]
    fine_hz = np.linspace(150e6, 164e6, 28_001)
    rho_fine = np.abs(whip(fine_hz, resonance_hz=resonance_hz, q=q, ohm=ohm))
    for width in best["bandwidths"]:
        good = rho_fine <= (width["swr"] - 1) / (width["swr"] + 1)
        true_hz = float(good.sum() * (fine_hz[1] - fine_hz[0]))
        most_hz = math.inf if width["most_width_hz"] is None else width["most_width_hz"]
        counts.widths += 1
        counts.widths_in_bounds += width["least_width_hz"] - 2e3 <= true_hz <= most_hz + 2e3


def test_the_truth_of_200_scenes_lies_where_it_is_said_to(
    rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    """Worst-case bounds hold the truth always, the ± 2u interval at about the rate of k = 2 or more
    (a lone U-shaped part reaches 1.41 u only), and a guarded verdict is hardly ever wrong."""
    counts = Counts()
    for _ in range(SCENES):
        _scene(rng, counts)
    rate = counts.in_interval / counts.looked
    pulls = np.array(counts.pulls)
    spread = float(np.sqrt(np.mean(pulls**2)))
    with capsys.disabled():
        sys.stdout.write(
            f"\n{SCENES} scenes, {counts.looked} readings: bounds held "
            f"{counts.in_bounds / counts.looked:.4f}, ± 2u held {rate:.4f}, error over u has the "
            f"rms {spread:.3f}; best match in bounds {counts.match_in_bounds / SCENES:.4f}, widths "
            f"{counts.widths_in_bounds / counts.widths:.4f}; of {counts.verdicts} verdicts "
            f"{counts.sure} sure, {counts.wrong_passes} wrong passes, {counts.wrong_fails} wrong "
            "fails\n"
        )
    assert counts.looked == 6 * SCENES
    assert counts.in_bounds == counts.looked
    assert 0.945 <= rate < 1.0
    # Neither too hopeful nor padded: errors are about as large as u says.
    assert 0.6 <= spread <= 1.1
    assert counts.match_in_bounds == SCENES
    assert counts.widths_in_bounds == counts.widths
    assert counts.wrong_passes + counts.wrong_fails <= 0.023 * counts.verdicts
    assert counts.sure > 0.5 * counts.verdicts
