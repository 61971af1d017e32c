"""The band meter with references, trials, overload checks and an aerial that is described."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.band import CheckedPasses
from acqd.measure.band_check import LookedAt, check_signals
from acqd.measure.band_references import residual_limit
from acqd.measure.band_work import AerialNoise, BandSettings
from acqd.measure.bandpower import enb_hz
from acqd.measure.linearity import Origin
from acqd.measure.meter import PASS_CUT_SHORT, Answer, GapSeen, Reference, Role, SetupChanged
from acqd.measure.trial import TrialRange
from acqd.sweep import LevelUnit, SweepRequest
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ

Make = Callable[..., Any]
CH16 = 156.8e6


def of_channel(figures: dict[str, Any], name: str) -> dict[str, Any]:
    return next(c for c in figures["channels"] if c["channel"] == name)


def reference(role: Role, level: NDArray[np.float64] | None, **how: Any) -> dict[str, Reference]:
    return {str(role): Reference(role=role, at_s=1.0, level=level, **how)}


# --- neighbours -----------------------------------------------------------------------------------


def test_declared_phase_noise_is_no_busy_channel(watch: Make) -> None:
    """A strong signal lights every channel by the sweeper's phase noise; one is busy."""
    hits = {}
    for noise in ((), ((10e3, -105.0), (10e6, -105.0))):
        w = watch(phase_noise=noise, noise_averages=50.0)
        w.setup()
        w.sweeps(20)
        width_db = 10.0 * math.log10(enb_hz(w.rbw_hz))
        for _ in range(10):
            level = w.level([(CH16, -30.0)], floor_db=-30.0 - 105.0 + width_db)
            beyond = np.abs(w.frequency_hz - CH16) > 600e3
            level[beyond] = w.level()[beyond]  # the rest of the sweep has its usual floor
            w.sweep(level=level)
        figures = w.hour_figures()
        hits[noise] = {c["channel"]: c["hits"] for c in figures["channels"]}
        assert of_channel(figures, "12")["hits_with_neighbours"] == 10
    told, declared = hits.values()
    assert sum(count == 10 for count in told.values()) > 8
    assert declared == {name: 10 if name == "16" else 0 for name in declared}


@pytest.mark.parametrize(
    ("weak_dbm", "shape_factor", "heard"),
    [(-72.0, None, 10), (-85.0, None, 0), (-85.0, 4.46, 10), (-85.0, 12.7, 0)],
    ids=[
        "clear of it",
        "hidden by any filter's",
        "hidden by no Gaussian's",
        "hidden by four poles'",
    ],
)
def test_a_weak_call_beside_a_strong_one_is_heard_where_nothing_explains_it(
    watch: Make, weak_dbm: float, shape_factor: float | None, heard: int
) -> None:
    """Channel 67 lies under the skirt of 08, 25 kHz away: it depends on how wide that is."""
    w = watch(shape_factor=shape_factor)
    w.setup()
    w.sweeps(10)
    w.sweeps(10, [(156.4e6, -50.0), (156.375e6, weak_dbm)])
    figures = w.hour_figures()
    assert of_channel(figures, "08")["hits"] == 10
    assert of_channel(figures, "67")["hits"] == heard


# --- the quiet reference --------------------------------------------------------------------------


def quiet_of(w: Any) -> dict[str, Reference]:
    return reference(Role.QUIET, w.level([(CH16, -95.0)], floor_db=-120.0), sweeps=10)


def test_residual_responses_are_flagged_and_not_told(watch: Make) -> None:
    """The sweeper's own line on channel 16: seen, flagged, listed; not busy and no finding."""
    w = watch()
    w.setup(references=quiet_of(w))
    w.sweeps(20, [(CH16, -93.0)])
    assert w.findings == []
    summary = w.outputs[-1].summary
    (signal,) = summary["signals"]
    assert signal["residual"] is True and signal["channel"] == "16"
    assert summary["busy"] == [] and summary["tracks"] == 0
    figures = w.hour_figures()
    found = of_channel(figures, "16")
    assert (found["hits"], found["hits_with_neighbours"]) == (0, 20)
    (residual,) = figures["residuals"]
    assert residual["share"] == 1.0 and residual["peak_hz"] == pytest.approx(CH16, abs=5e3)


def test_a_signal_well_above_a_residual_response_is_told(watch: Make) -> None:
    """Twenty decibels more is a call; so is one beside it, of which the reference knows nothing."""
    w = watch()
    w.setup(references=quiet_of(w))
    w.sweeps(10, [(CH16, -95.0)])
    w.sweep([(CH16, -75.0)])
    w.sweep([(CH16, -95.0), (156.6e6, -95.0)])
    whats = [(f.what, f.figures["channel"]) for f in w.findings]
    assert whats == [("signal_appeared", "16"), ("signal_ended", "16"), ("signal_appeared", "12")]
    assert w.outputs[-2].summary["signals"][0]["residual"] is False


def test_a_newer_reference_ends_nothing(watch: Make) -> None:
    """The same setup with a quiet reference that was taken meanwhile."""
    w = watch()
    w.setup()
    w.sweeps(5, [(156.6e6, -70.0)])
    w.setup(references=quiet_of(w))
    w.sweeps(5, [(156.6e6, -70.0), (CH16, -95.0)])
    assert [f.what for f in w.findings] == ["signal_appeared"]
    assert [s["residual"] for s in w.outputs[-1].summary["signals"]] == [False, True]


def test_references_that_differ_are_as_good_as_none(watch: Make) -> None:
    """What was swept another way says nothing here."""
    w = watch()
    differs = reference(Role.QUIET, None, differs=("the RBW was 3 kHz, it is 10 kHz",))
    w.setup(references=differs)
    w.sweeps(3, [(CH16, -95.0)])
    assert [f.what for f in w.findings] == ["signal_appeared"]


def test_the_noise_of_a_reference_is_no_response(watch: Make) -> None:
    """A single noisy sweep, or an empty one, makes no residual responses."""
    w = watch(noise_averages=1.0)
    for _ in range(20):
        found = residual_limit(w.level(), w.frequency_hz, rbw_hz=10e3, margin_db=6.0)
        assert found is None
    nothing = np.full(401, np.nan)
    assert residual_limit(nothing, w.frequency_hz, rbw_hz=10e3, margin_db=6.0) is None


# --- on and off -----------------------------------------------------------------------------------


def test_a_trial_tells_what_the_lamps_do(watch: Make) -> None:
    """Lamps that add 3 dB below 157 MHz in a room that wanders: one range told, one not."""
    ranges = (
        TrialRange(name="low", start_hz=156e6, stop_hz=157e6),
        TrialRange(name="high", start_hz=157.1e6, stop_hz=158e6),
    )
    w = watch(trial="lamps", ranges=ranges, floor_step_db=20.0, margin_db=20.0)
    w.setup()
    room_db = 0.0
    for block in range(13):
        for _ in range(10):
            room_db += w.rng.normal(0.0, 0.1)
            level = w.level(floor_db=-110.0 + room_db)
            on = block % 2 == 1
            level[w.frequency_hz < 157.05e6] += 10.0 * math.log10(2.0) if on else 0.0
            w.sweep(level=level, context={"lamps": float(on), "degrees": 20.0})
    trial = w.hour_figures()["trial"]
    low, high = trial["ranges"]
    assert (trial["switchings"], trial["on_blocks"], trial["off_blocks"]) == (12, 6, 7)
    assert low["low_db"] < 10.0 * math.log10(2.0) < low["high_db"] and low["told"]
    assert low["own_dbm"] == pytest.approx(low["off_dbm"], abs=1.0)
    assert high["low_db"] < 0.0 < high["high_db"] and high["own_dbm"] is None
    assert low["high_db"] - low["low_db"] < 1.5


def test_a_trial_without_news_of_the_lamps_has_no_blocks(watch: Make) -> None:
    """The context was too old to be passed on: nobody knows, so nothing is claimed."""
    w = watch(trial="lamps")
    w.setup()
    w.sweeps(10)
    w.sweeps(10, context={"lamps": math.nan})
    trial = w.hour_figures()["trial"]
    assert (trial["switchings"], trial["on_blocks"], trial["off_blocks"]) == (0, 0, 0)
    assert trial["ranges"][0]["change_db"] is None and trial["from_s"] is None


def test_a_long_trial_keeps_its_newest_blocks(watch: Make) -> None:
    """Bounded memory; what was dropped is said."""
    w = watch(trial="lamps", points=33, channels=None)
    w.setup()
    for i in range(1200):
        w.sweep(context={"lamps": float(i // 2 % 2)})
    trial = w.hour_figures()["trial"]
    assert trial["blocks_dropped"] > 300
    assert trial["on_blocks"] + trial["off_blocks"] <= 257


def test_the_ambient_reference_bounds_what_the_room_has_more(watch: Make) -> None:
    """One decibel more than with the thing off; each hour by itself; drift widens it."""
    w = watch(ambient_drift_db=0.2)
    ambient = np.full(401, -110.0)
    w.setup(references=reference(Role.AMBIENT, ambient, sweeps=10, repeatability_db=1.4))
    w.sweeps(50, floor_db=-109.0)
    first = w.hour_figures()["ambient"]
    w.sweeps(50)
    second = w.hour_figures()["ambient"]
    for figures, truth in ((first, 1.0), (second, 0.0)):
        (found,) = figures["ranges"]
        assert found["low_db"] < truth < found["high_db"]
        assert 0.75 < found["high_db"] - found["low_db"] < 0.95  # the drift's 1.96 · 0.2, twice
    assert first["sweeps"] == 50


# --- the overload check ---------------------------------------------------------------------------


def checks(w: Any, count: int, *, falls_db: float = 20.0, keep: bool = True) -> None:
    """A real carrier on 06, a product on 12 that falls by ``falls_db`` with 10 dB more."""
    for _ in range(count):
        w.sweep([(156.3e6, -60.0), (156.6e6, -80.0)])
        w.sweep([(156.3e6, -60.0), (156.6e6, -80.0 - falls_db)], floor_db=-104.0, step=1)


def with_check(watch: Make, **how: Any) -> Any:
    w = watch()
    w.setup()
    w.setup("setup-check", **({"step": 1, "attenuation_db": 20.0} | how))
    w.sweeps(5)
    return w


def test_a_product_made_inside_is_told_after_three_checks(watch: Make) -> None:
    """Third order falls by 20 dB for 10; the carrier beside it stays and is not accused."""
    w = with_check(watch)
    checks(w, 2)
    assert [f.what for f in w.findings] == ["signal_appeared"] * 2
    checks(w, 4)
    (finding,) = [f for f in w.findings if f.what == "signal_made_inside"]
    assert finding.figures["channel"] == "12"
    assert (finding.figures["origin"], finding.figures["order"]) == ("made inside", 3)
    assert finding.text.startswith("channel 12 (156.600 MHz) is made inside the sweeper")
    figures = w.hour_figures()
    assert figures["overload_check"]["checks"] == 6
    assert figures["overload_check"]["signals"]["real"] == 6
    assert figures["stored"] == 11  # checks are not due
    assert w.hour_figures()["overload_check"] is None


def test_a_signal_that_comes_back_unchanged_is_cleared(watch: Make) -> None:
    """It only ended between two sweeps: twice suspected, then real, then suspected anew."""
    w = with_check(watch)
    checks(w, 2)
    checks(w, 1, falls_db=0.0)
    checks(w, 2)
    assert not [f for f in w.findings if f.what == "signal_made_inside"]


@pytest.mark.parametrize(
    "how",
    [
        {"attenuation_db": 10.0},
        {"attenuation_db": None},
        {"rbw_hz": 30e3},
        {"unit": LevelUnit.DBUV},
        {"step": 2},
    ],
    ids=["no more attenuation", "attenuation not known", "another RBW", "another unit", "step 2"],
)
def test_sweeps_that_do_not_compare_check_nothing(watch: Make, how: dict[str, Any]) -> None:
    """The meter goes by what was done, not by what was asked for."""
    w = with_check(watch, **how)
    checks(w, 4)
    assert not [f for f in w.findings if f.what == "signal_made_inside"]
    assert w.hour_figures()["overload_check"] is None


def test_a_check_that_did_not_come_is_no_gap(watch: Make) -> None:
    """The pass was cut short after its only due sweep: nothing went unwatched."""
    w = with_check(watch)
    w.sweeps(3, [(CH16, -70.0)])
    for _ in range(60):
        w.step(GapSeen(from_s=w.at_s, to_s=w.at_s, count=0, reason=PASS_CUT_SHORT))
    w.sweeps(3, [(CH16, -70.0)])
    assert [f.what for f in w.findings] == ["signal_appeared"]
    assert w.outputs[-1].summary["coverage"] == 1.0


def test_a_weak_signal_in_noise_is_hardly_ever_accused(rng: np.random.Generator) -> None:
    """Single samples 12 dB over the floor scatter: few of 300 checks take a real one for made
    inside, so three in a row are none in a thousand."""
    axis_hz, accused = np.arange(200.0), 0
    for _ in range(300):
        noise = rng.normal(scale=math.sqrt(0.5), size=(2, 200, 2))
        noise[:, 100, 0] += math.sqrt(15.8)
        first, second = 10.0 * np.log10((noise**2).sum(axis=2)) - 110.0
        before = LookedAt(at_s=0.0, floor=-110.0, signals=((-1, 100.0, float(first[100])),))
        (found,) = check_signals(before, second, axis_hz, added_db=10.0, averages=1.0)
        accused += found.test.origin is Origin.INSIDE
    assert accused / 300 < 0.1


class Sweeper:
    """Answers to the steps of a pass."""

    def __init__(self, watch: Any, **setup: Any) -> None:
        self.watch, self.setup = watch, setup

    def answer(self) -> Answer:
        self.watch.setup(**self.setup)
        self.watch.sweep()
        setup, sweep = self.watch.events[-2:]
        assert isinstance(setup, SetupChanged)
        return Answer(setup=setup, sweep=sweep)


@pytest.mark.parametrize(
    ("setup", "asked_db"),
    [
        ({"attenuation_steps_db": (0.0, 10.0, 20.0, 30.0)}, 20.0),
        ({"attenuation_steps_db": (0.0, 10.0, 15.0)}, 15.0),
        ({"attenuation_steps_db": (0.0, 10.0, 12.0)}, None),
        ({"attenuation_steps_db": ()}, None),
        ({"attenuation_steps_db": (0.0, 20.0), "attenuation_db": None}, None),
    ],
    ids=["the step", "nearly", "too little", "no attenuator", "not known"],
)
def test_every_third_pass_ends_with_a_check(
    watch: Make, setup: dict[str, Any], asked_db: float | None
) -> None:
    """More attenuation by what the sweeper has; none where that would say nothing."""
    sweeper = Sweeper(watch(), **setup)
    make_pass = CheckedPasses(added_db=10.0, every=3)
    request = SweepRequest(start_hz=156e6, stop_hz=158e6, points=401)
    asked = []
    for _ in range(6):
        series = make_pass(request, 2)
        steps = [next(series)]
        for _ in range(9):
            try:
                steps.append(series.send(sweeper.answer))
            except StopIteration:
                break
        asked.append([(step.step, step.request.attenuation_db) for step in steps])
    plain = [(0, None), (0, None)]
    last = plain if asked_db is None else [*plain, (1, asked_db)]
    assert asked == [plain, plain, last, plain, plain, last]
    for how in ({"added_db": 0.0, "every": 1}, {"added_db": 10.0, "every": 0}):
        with pytest.raises(ValueError, match="check"):
            CheckedPasses(**how)


# --- external noise -------------------------------------------------------------------------------


def noise_run(watch: Make, aerial: AerialNoise | None, **setup: Any) -> dict[str, Any] | None:
    w = watch(aerial=aerial)
    if setup.pop("quiet", False):
        setup["references"] = reference(Role.QUIET, w.level(floor_db=-125.0), sweeps=10)
    w.setup(**setup)
    w.sweeps(50)
    figures: dict[str, Any] | None = w.hour_figures()["external_noise"]
    return figures


def test_the_external_noise_figure_follows_from_floor_and_chain(watch: Make) -> None:
    """−110 dBm in 10 kHz behind 2 dB of cable: 27 dB over kTB, less the little the sweeper adds."""
    found = noise_run(watch, AerialNoise(chain_gain_db=-2.0), quiet=True)
    assert found is not None
    thermal_dbm = THERMAL_DENSITY_DBM_PER_HZ + 10.0 * math.log10(enb_hz(10e3))
    own = 10.0 ** (-12.5)
    external = 10.0 * math.log10((1e-11 - own) / 10.0 ** (thermal_dbm / 10.0)) + 2.0
    assert found["figure_db"] == pytest.approx(external, abs=0.4)
    assert found["expanded_db"] > 2.0  # the sweeper's accuracy of 2 dB
    assert {one["environment"] for one in found["medians"]} >= {"city", "rural"}


@pytest.mark.parametrize(
    ("aerial", "setup", "reason"),
    [
        (AerialNoise(), {}, "neither a quiet reference"),
        (AerialNoise(instrument_figure_db=23.9), {}, "the instrument's own"),
        (AerialNoise(instrument_figure_db=10.0), {"unit": LevelUnit.DBUV}, "needs dBm"),
        (AerialNoise(instrument_figure_db=10.0), {"rbw_hz": None}, "RBW"),
    ],
    ids=["own noise not known", "floor is its own", "another unit", "RBW not known"],
)
def test_external_noise_is_refused_where_it_cannot_be_told(
    watch: Make, aerial: AerialNoise, setup: dict[str, Any], reason: str
) -> None:
    """The reason is said; nothing is guessed."""
    found = noise_run(watch, aerial, **setup)
    assert found is not None and found["figure_db"] is None
    assert reason in found["reason"]
    assert noise_run(watch, None) is None


# --- zero span ------------------------------------------------------------------------------------


def test_lamp_hash_at_one_frequency_is_told_as_bursts(watch: Make) -> None:
    """Two-millisecond bursts at 100 Hz in sweeps of half a second: length, rate, harmonics."""
    w = watch(frequency_hz=np.full(2500, 7.1e6), channels=None)
    w.setup()
    w.sweeps(10)
    time_s = np.arange(2500) * 0.5 / 2500
    for i in range(8):
        level = w.level()
        level[(time_s + 1e-3 * i) % 0.01 < 2e-3] = -70.0
        w.sweep(level=level)
    summary = w.outputs[-1].summary
    assert summary["floor_dbm"] == pytest.approx(-110.0, abs=0.2)
    assert 0.0 < summary["floor_u_db"] < 0.2
    assert [f.what for f in w.findings] == ["signal_appeared"]
    found = w.hour_figures()["zero_span"]
    assert found["sweeps"] == 18 and found["bursts"] == pytest.approx(8 * 50, abs=8)
    assert found["length_s"]["median"] == pytest.approx(2e-3, abs=2e-4)
    assert found["gap_s"]["median"] == pytest.approx(8e-3, abs=2e-4)
    assert found["duty"] == pytest.approx(0.2 * 8 / 18, rel=0.05)
    assert found["repeating"] == 8
    assert found["rate_hz"]["median"] == pytest.approx(100.0, abs=0.05)
    harmonics = found["clearest"]["harmonics"]
    assert [round(one["frequency_hz"]) for one in harmonics[:3]] == [100, 200, 300]
    # A pulse of duty d swings by 2·|sin(πnd)|/(πnd) at its n-th harmonic.
    for n, one in enumerate(harmonics[:5], start=1):
        depth = 2.0 * abs(math.sin(math.pi * n * 0.2)) / (math.pi * n * 0.2)
        assert one["depth"] == pytest.approx(depth, abs=0.1)
    assert w.hour_figures()["zero_span"] is None


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"shape_factor": 2000.0}, "shape factor"),
        ({"phase_noise": ((10e3, -90.0), (1e3, -80.0))}, "phase noise"),
        ({"neighbour_db": -1.0}, "neighbour_db"),
        ({"residual_db": math.nan}, "residual_db"),
        ({"ranges": (TrialRange(name="x", start_hz=0.0, stop_hz=1.0),) * 33}, "32 ranges"),
    ],
)
def test_impossible_settings_are_refused(settings: dict[str, Any], words: str) -> None:
    """The field and what is accepted are named."""
    with pytest.raises(ValueError, match=words):
        BandSettings(**settings)
