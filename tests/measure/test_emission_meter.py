"""The emission check: a hand-held, a chain and a sweeper made of numbers, so the truth is known."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.errors import UnitMismatch
from acqd.measure.bandpower import enb_hz
from acqd.measure.emission_guide import LOOKS_MOST, WAIT, guided_pass
from acqd.measure.emission_layout import AGAIN, LAST, LOOK, SEARCH, WIDTH, ZOOM
from acqd.measure.emission_meter import EmissionMeter
from acqd.measure.emission_plan import emission_pass
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.limit_profile import (
    Domain,
    LimitDetector,
    LimitMark,
    LimitProfile,
    LimitQuantity,
    LimitRow,
    Span,
)
from acqd.measure.meter import (
    PASS_CUT_SHORT,
    Answer,
    GapSeen,
    HourTurned,
    Output,
    Pass,
    PassStep,
    SetupChanged,
)
from acqd.measure.passmeter import PassState
from acqd.publish.emission import EmissionSummary
from acqd.publish.messages import Verdict
from acqd.sweep import NO_FLAGS, Detector, Grid, LevelUnit, SweepFlag, SweepRequest
from acqd.testing.events import sweep_event
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ, ratio_from_db

Float = NDArray[np.float64]

CARRIER_HZ = 156.8e6
POWER_DBM = 36.99
LOOK_AT = SweepRequest(
    start_hz=156.6e6,
    stop_hz=157.0e6,
    points=401,
    rbw_hz=3e3,
    detector=Detector.RMS,
    attenuation_db=10.0,
)
HOUR_S = 1_790_000_000.0 - 1_790_000_000.0 % 3600.0


def profile(*rows: LimitRow, **what: Any) -> LimitProfile:
    """A limit of the lookout's own."""
    told: dict[str, Any] = {
        "name": "own",
        "title": "Gannet Ledge's own",
        "edition": "2026",
        "mark": LimitMark.OWN,
        "source": "",
        "prevails": "Local rules prevail.",
        "quantity": LimitQuantity.POWER,
        "domain": Domain.SPURIOUS,
    }
    return LimitProfile(rows=rows, **{**told, **what})


ABSOLUTE = profile(LimitRow(rule="all", at_most=-16.0))
RELATIVE = profile(LimitRow(rule="all", at_least_down_db=43.0))

SETTINGS = EmissionSettings(
    request=LOOK_AT,
    plane="the socket",
    power_w=5.0,
    expected_hz=CARRIER_HZ,
    frequency_tolerance_hz=2e3,
    necessary_hz=16e3,
    bandwidth_rbw_hz=300.0,
    harmonics=3,
    harmonic_rbw_hz=1e3,
    limits=(ABSOLUTE,),
    shi_dbm=60.0,
    toi_dbm=30.0,
)


POOR = {"shi_dbm": 35.0, "toi_dbm": 10.0}
"""Intercepts of a small sweeper."""


@dataclass
class Bench:
    """A transmitter, a chain, a sweeper, a clock, and a hand on the key."""

    harmonics_dbc: tuple[float, ...] = (-62.0, -66.0, -72.0)
    power_dbm: float = POWER_DBM
    others: tuple[tuple[float, float], ...] = ()
    """Frequency and level at the plane of what else there is; not hanging on the key."""
    off_hz: float = 0.0
    pads_db: float = 60.0
    extra_pad_db: float = 0.0
    """One that is not in the chain."""
    shi_dbm: float = 60.0
    toi_dbm: float = 30.0
    phases: tuple[float, ...] = (0.4, 2.0, 1.0)
    noise_figure_db: float = 24.0
    level_error_db: Callable[[float], float] = lambda hz: 0.0
    accuracy_db: float = 1.0
    parts: tuple[tuple[str, float], ...] = (("30 dB pad", 0.5), ("second 30 dB pad", 0.3))
    averages: int = 4
    steps_db: tuple[float, ...] = (0.0, 10.0, 20.0, 30.0)
    range_hz: tuple[float, float] = (100e3, 960e6)
    keyed: Callable[[float], float | None] = lambda at_s: 0.0
    """dB over the power at a time; None while the key is up."""
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(1))
    now_s: float = HOUR_S
    seq: int = 0
    setups: dict[int, SetupChanged] = field(default_factory=dict)
    asked: list[PassStep] = field(default_factory=list)

    def lines(self, attenuation_db: float) -> list[tuple[float, float]]:
        """Frequency and level at the plane of all that is shown, own products included."""
        over_db = self.keyed(self.now_s)
        if over_db is None:
            return list(self.others)
        carrier_hz, power_dbm = CARRIER_HZ + self.off_hz, self.power_dbm + over_db
        loss_db = self.pads_db + self.extra_pad_db
        mixer_dbm = power_dbm - loss_db - attenuation_db
        own = {2: 2.0 * mixer_dbm - self.shi_dbm, 3: 3.0 * mixer_dbm - 2.0 * self.toi_dbm}
        found = [(carrier_hz, power_dbm - self.extra_pad_db), *self.others]
        for order, dbc in enumerate(self.harmonics_dbc, start=2):
            # A transmitter's harmonics keep their distance here when it is turned down.
            outside = 10.0 ** ((power_dbm + dbc - loss_db - attenuation_db) / 20.0)
            inside = 0.0
            if order in own:
                inside = 10.0 ** (own[order] / 20.0)
            at_mixer = abs(outside + inside * np.exp(1j * self.phases[order - 2]))
            shown_dbm = 20.0 * math.log10(at_mixer) + self.pads_db + attenuation_db
            found.append((order * carrier_hz, shown_dbm))
        return found

    def take(self, step: PassStep) -> Answer:
        """What comes of a step."""
        request = step.request
        self.asked.append(step)
        attenuation_db = request.attenuation_db or 0.0
        rbw_hz = request.rbw_hz or 10e3
        frequency = request.frequencies_hz()
        floor_dbm = (
            THERMAL_DENSITY_DBM_PER_HZ
            + self.noise_figure_db
            + 10.0 * math.log10(enb_hz(rbw_hz))
            + attenuation_db
            + self.pads_db
        )
        noise = self.rng.normal(size=(self.averages, 2, frequency.size))
        wave = (noise[:, 0] + 1j * noise[:, 1]) * 10.0 ** (floor_dbm / 20.0) / math.sqrt(2.0)
        for line_hz, level in self.lines(attenuation_db):
            gain_db = -10.0 * math.log10(2.0) * (2.0 * (frequency - line_hz) / rbw_hz) ** 2
            shown = np.where(gain_db > -300.0, level + gain_db, -300.0)
            wave = wave + 10.0 ** (shown / 20.0)
        level = 10.0 * np.log10((np.abs(wave) ** 2).mean(axis=0))
        level += self.level_error_db(float(frequency[frequency.size // 2]))
        took_s = 0.1
        setup = self._setup(step, frequency, rbw_hz, attenuation_db)
        self.seq += 1
        sweep = sweep_event(
            np.round(level, 2), seq=self.seq, at_s=self.now_s, step=step.step, took_s=took_s
        )
        self.now_s += took_s
        return Answer(setup=setup, sweep=sweep)

    def _setup(
        self, step: PassStep, frequency: Float, rbw_hz: float, attenuation_db: float
    ) -> SetupChanged:
        digest = f"{step.step}-{hash(step.request)}"
        before = self.setups.get(step.step)
        if before is not None and before.setup == digest:
            return before
        self.setups[step.step] = SetupChanged(
            at_s=self.now_s,
            setup=digest,
            grid=Grid.from_axis(frequency),
            unit=LevelUnit.DBM,
            rbw_hz=rbw_hz,
            detector=step.request.detector,
            averages=None,
            interval_s=30.0,
            sweep_time_s=0.1,
            level_accuracy_db=self.accuracy_db,
            frequency_accuracy_ppm=2.5,
            resolution=0.01,
            step=step.step,
            attenuation_db=attenuation_db if self.steps_db else None,
            gain_db=np.full(frequency.size, -self.pads_db),
            sweeper_accuracy_db=self.accuracy_db,
            chain_parts=self.parts,
            range_hz=self.range_hz,
            points_max=1001,
            attenuation_steps_db=self.steps_db,
        )
        return self.setups[step.step]


@dataclass
class Watched:
    """A meter that is fed by a pass."""

    meter: EmissionMeter
    state: PassState[Any]
    outputs: list[Output] = field(default_factory=list)
    told: dict[int, str] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)

    def feed(self, answer: Answer) -> None:
        if self.told.get(answer.sweep.step) != answer.setup.setup:
            self.told[answer.sweep.step] = answer.setup.setup
            self.step(answer.setup)
        self.step(answer.sweep)

    def step(self, event: Any) -> None:
        self.state, output = self.meter.step(self.state, event)
        self.outputs.append(output)

    @property
    def summaries(self) -> list[Any]:
        return [one.summary for one in self.outputs if one.summary is not None]

    @property
    def summary(self) -> Any:
        return self.summaries[-1]

    @property
    def verdict(self) -> Any:
        found = [one.verdict for one in self.outputs if one.verdict is not None]
        return found[-1] if found else None

    @property
    def findings(self) -> list[Any]:
        return [finding for one in self.outputs for finding in one.findings]

    def product(self, name: str) -> Any:
        (found,) = [one for one in self.summary["products"] if one["name"] == name]
        return found


def watched(settings: EmissionSettings) -> Watched:
    meter = EmissionMeter(settings)
    return Watched(meter, meter.start())


def run(
    bench: Bench,
    settings: EmissionSettings = SETTINGS,
    *,
    into: Watched | None = None,
    series: Pass | None = None,
    stop_after: int | None = None,
) -> Watched:
    """Take a pass on the bench and feed a meter with it; every summary must fit its message."""
    found = into or watched(settings)
    series = series or emission_pass(settings)
    step: PassStep | None = next(series, None)
    count = 0
    while step is not None and (stop_after is None or count < stop_after):
        if step.say:
            found.said.append(step.say)
        answer = bench.take(step)
        found.feed(answer)
        count += 1
        try:
            step = series.send(lambda answer=answer: answer)
        except StopIteration:
            step = None
    for summary in found.summaries:
        EmissionSummary.model_validate_json(json.dumps(summary, allow_nan=False))
    if found.verdict is not None:
        told = {"station": "lookout", "run_id": "r", "job": "hand-held", "kind": "emission"}
        times = {"at": "2026-06-14T21:00:00Z", "since": "2026-06-14T21:00:00Z"}
        Verdict.model_validate({**told, **times, **found.verdict})
    return found


def steps(bench: Bench) -> list[int]:
    return [one.step for one in bench.asked]


# --- what a pass asks for -------------------------------------------------------------------------


def test_a_key_that_is_up_ends_the_pass_at_once() -> None:
    """One look, a sentence that says what to do, no verdict and no finding."""
    bench = Bench(keyed=lambda at_s: None)
    found = run(bench)
    assert steps(bench) == [LOOK]
    assert found.summary["state"] == "not keyed"
    assert "key the transmitter" in found.summary["said"]
    assert found.verdict is None and found.findings == []
    assert found.outputs[-1].columns["keyed"] == 0.0
    assert found.outputs[-1].values == {}


def test_a_keyed_pass_takes_each_harmonic_by_itself_and_looks_again_at_its_end() -> None:
    """In the stated order, and the meter is done exactly when the pass is."""
    bench = Bench()
    found = run(bench)
    assert [step for step in steps(bench) if step < AGAIN] == [LOOK, WIDTH, 2, 3, 4]
    assert steps(bench)[-1] == LAST
    assert len(found.summaries) == 1
    assert found.summary["state"] == "keyed" and found.summary["complete"]
    for step in bench.asked:
        if 2 <= step.step <= 4:
            middle_hz = (step.request.start_hz + step.request.stop_hz) / 2.0
            assert middle_hz == pytest.approx(step.step * CARRIER_HZ, abs=1.0)
            assert step.request.rbw_hz == 1e3


def test_passes_keep_their_setups_while_the_carrier_wanders() -> None:
    """A carrier that drifts within its tolerance asks for the very same sweeps."""
    bench = Bench()
    found = run(bench)
    before = {one.step: one.request for one in bench.asked}
    bench.asked.clear()
    bench.off_hz = 900.0
    run(bench, into=found)
    after = {one.step: one.request for one in bench.asked}
    both = before.keys() & after.keys()
    assert {2, 3, 4, WIDTH, LAST} <= both
    assert {step: after[step] for step in both} == {step: before[step] for step in both}


def test_without_an_expected_frequency_the_strongest_is_taken() -> None:
    settings = replace(SETTINGS, expected_hz=None, frequency_tolerance_hz=None)
    found = run(Bench(off_hz=31e3), settings)
    assert found.summary["fundamental"]["frequency_hz"] == pytest.approx(156.831e6, abs=100)
    assert found.product("harmonic 2")["frequency_hz"] == pytest.approx(313.662e6, abs=200)


@pytest.mark.parametrize(
    ("harmonics", "up_to_hz", "expected", "verdict"),
    [(None, None, [2, 3, 4, 5, 6], "pass"), (7, None, [2, 3, 4, 5, 6], "incomplete"),
     (None, 500e6, [2, 3], "pass"), (0, None, [], "incomplete")],
    ids=["all that can be reached", "more than can be reached", "up to 500 MHz", "none"],
)  # fmt: skip
def test_the_reach_of_the_sweeper_is_kept(
    harmonics: int | None, up_to_hz: float | None, expected: list[int], verdict: str
) -> None:
    """What was named and lies beyond makes the verdict incomplete; else it says how far it went."""
    bench = Bench(harmonics_dbc=(-70.0,) * 5, phases=(0.4, 1.0, 1.0, 1.0, 1.0))
    found = run(bench, replace(SETTINGS, harmonics=harmonics, up_to_hz=up_to_hz))
    assert [step for step in steps(bench) if 2 <= step <= 21] == expected
    assert found.verdict["verdict"] == verdict
    if harmonics == 7:
        assert found.summary["not_measured"][0] == {
            "what": "harmonic 7",
            "why": "beyond 960.000 MHz",
        }
    if verdict == "pass":
        reach = "500.000 MHz" if up_to_hz else "960.000 MHz"
        assert f"up to {reach}" in found.verdict["text"]


def test_the_key_is_not_held_longer_than_it_may() -> None:
    """The time over, only the last look follows; the rest is not measured."""
    bench = Bench()
    found = run(bench, replace(SETTINGS, keyed_most_s=0.25))
    assert steps(bench) == [LOOK, WIDTH, 2, LAST]
    assert found.verdict["verdict"] == "incomplete"
    why = {one["what"]: one["why"] for one in found.summary["not_measured"]}
    assert why["harmonic 3"] == why["harmonic 4"] == "keyed for 0.25 s, which is all it may be"


def test_a_unit_that_is_no_power_is_refused() -> None:
    bench, found = Bench(), watched(SETTINGS)
    answer = bench.take(next(emission_pass(SETTINGS)))
    with pytest.raises(UnitMismatch):
        found.step(replace(answer.setup, unit=LevelUnit.DBFS))


# --- figures --------------------------------------------------------------------------------------


def test_levels_are_those_at_the_far_end_of_the_chain() -> None:
    found = run(Bench())
    fundamental = found.summary["fundamental"]
    assert fundamental["level_dbm"] == pytest.approx(POWER_DBM, abs=0.2)
    assert fundamental["power_w"] == pytest.approx(5.0, rel=0.05)
    for order, dbc in ((2, -62.0), (3, -66.0)):
        one = found.product(f"harmonic {order}")
        assert one["dbc"] == pytest.approx(dbc, abs=1.2)
        assert one["level_w"] == pytest.approx(10 ** (one["level_dbm"] / 10 - 3), rel=1e-3)
        assert one["origin"] in ("real", "not looked into")
    assert 1.0 < fundamental["expanded_db"] < 3.0
    values = found.outputs[-1].values
    assert set(values) == {
        "fundamental_dbm", "fundamental_hz", "power_w", "occupied_hz", "worst_margin_db",
    }  # fmt: skip


def test_a_result_reads_as_a_figure_its_limit_and_its_uncertainty() -> None:
    """Relative limits are judged as dB below the carrier, absolute ones as levels."""
    relative = run(
        Bench(harmonics_dbc=(-44.0, -70.0, -80.0)), replace(SETTINGS, limits=(RELATIVE,))
    )
    text = relative.product("harmonic 2")["text"]
    assert "dB of" not in text and " of 43.0 dB ± " in text
    assert "limit Gannet Ledge's own, edition 2026" in text
    absolute = run(Bench())
    assert " of −16.0 dBm ± " in absolute.product("harmonic 2")["text"]
    for word in ("legal", "compliant", "conform"):
        assert word not in relative.verdict["text"] + absolute.verdict["text"]


def test_a_budget_goes_with_what_is_nearest_to_its_limit() -> None:
    found = run(Bench())
    budget = found.summary["budget"]
    assert budget["figure"] == "harmonic 2, level"
    assert "largest part" in budget["sentence"]
    names = [line["name"] for line in budget["lines"]]
    assert "30 dB pad" in names and "sweeper's level accuracy" in names
    assert sum(line["share"] for line in budget["lines"]) == pytest.approx(1.0, abs=1e-4)


def test_an_unmodulated_carrier_has_a_bandwidth_of_at_most_the_filter() -> None:
    found = run(Bench())
    assert found.summary["occupied"]["bound"] == "at most"
    assert found.summary["occupied"]["width_hz"] == pytest.approx(2.1877 * 300, rel=0.1)


def test_neighbours_are_measured_where_channel_and_spacing_are_stated() -> None:
    settings = replace(SETTINGS, channel_hz=16e3, spacing_hz=25e3)
    found = run(Bench(others=((CARRIER_HZ + 25e3, POWER_DBM - 62.0),)), settings)
    lower, upper = found.summary["adjacent"]
    assert (lower["place"], upper["place"]) == (-1, 1)
    assert upper["ratio_db"] == pytest.approx(62.0, abs=0.3) and upper["worse"]
    assert lower["ratio_db"] > 70 and not lower["worse"]


# --- verdicts -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dbc", "word", "says"),
    [(-62.0, "pass", "below limit"), (-45.0, "fail", "above limit"),
     (-53.2, "cannot tell", "cannot tell whether below limit")],
    ids=["well below", "well above", "on the limit"],
)  # fmt: skip
def test_verdicts(dbc: float, word: str, says: str) -> None:
    """Of a harmonic that comes from outside."""
    found = run(Bench(harmonics_dbc=(dbc, -70.0, -80.0)))
    assert found.verdict["verdict"] == word
    assert found.verdict["text"].startswith(f"{says} Gannet Ledge's own, edition 2026")
    assert found.product("harmonic 2")["origin"] == "real"
    assert found.verdict["of"] == "pass"
    assert found.verdict["against"] == ["Gannet Ledge's own, edition 2026"]
    rows = [one for one in found.verdict["judgements"] if one["figure"] == "harmonic 2"]
    assert [one["verdict"] for one in rows] == [word]


def test_what_the_sweeper_makes_is_never_judged_as_an_emission() -> None:
    """Too little padding: its own harmonics tower over the limit, and nothing fails by them."""
    bench = Bench(harmonics_dbc=(-85.0,) * 3, pads_db=40.0, **POOR)
    found = run(bench)
    second = found.product("harmonic 2")
    assert second["origin"] == "made inside" and second["origin_order"] == 2
    assert second["bound"] == "at most"
    assert found.product("harmonic 3")["origin"] == "made inside"
    assert found.verdict["verdict"] in ("pass", "cannot tell")
    assert all(one["verdict"] != "fail" for one in found.verdict["judgements"])
    assert found.findings == []


def test_own_products_over_a_limit_that_they_hide_lead_to_advice() -> None:
    """The limit lies so low that what the sweeper makes hides it: cannot tell, and why."""
    tight = profile(LimitRow(rule="all", at_most=-36.0))
    bench = Bench(harmonics_dbc=(-85.0,) * 3, pads_db=40.0, steps_db=(), **POOR)
    found = run(bench, replace(SETTINGS, limits=(tight,)))
    assert found.verdict["verdict"] == "cannot tell"
    assert "the sweeper has no attenuator that helps" in found.verdict["text"]
    assert any("notch" in text or "pads" in text for text in found.summary["proof"])
    assert found.summary["proof"][0].startswith("harmonic 2: the chain cannot prove")


def test_the_check_measures_the_intercept_where_nobody_declares_it() -> None:
    settings = replace(SETTINGS, shi_dbm=None, toi_dbm=None)
    found = run(Bench(harmonics_dbc=(-100.0,) * 3, pads_db=40.0, **POOR), settings)
    orders = {one["order"]: one for one in found.summary["intercepts"]}
    assert orders[2]["known"] == "measured"
    assert orders[2]["intercept_dbm"] == pytest.approx(35.0, abs=0.5)


def test_a_harmonic_in_the_floor_is_a_bound() -> None:
    """It may pass by it and never fails by it."""
    found = run(Bench(harmonics_dbc=(-62.0, -66.0, -130.0)))
    fourth = found.product("harmonic 4")
    assert fourth["bound"] == "at most" and fourth["origin"] == "floor"
    assert fourth["verdict"] == "pass"
    tight = profile(LimitRow(rule="all", at_most=-90.0))
    hidden = run(Bench(harmonics_dbc=(-130.0,) * 3), replace(SETTINGS, limits=(tight,)))
    assert hidden.product("harmonic 4")["verdict"] == "cannot tell"


def test_without_limits_there_are_figures_and_no_verdict() -> None:
    found = run(Bench(), replace(SETTINGS, limits=()))
    assert found.verdict is None and found.summary["verdict"] is None
    assert found.product("harmonic 2")["limit"] is None
    assert found.product("harmonic 2")["origin"] == "real"
    assert found.summary["worst_margin_db"] is None


def test_a_limit_that_has_no_figure_says_so() -> None:
    silent = profile(LimitRow(rule="", no_figure="as far as practicable"))
    found = run(Bench(), replace(SETTINGS, limits=(silent,)))
    assert found.verdict["verdict"] == "incomplete"
    assert any("as far as practicable" in note for note in found.summary["notes"])


def test_a_power_unlike_the_stated_one_is_noted() -> None:
    found = run(Bench(power_dbm=30.0))
    assert any("30.0 dBm, the stated mean power is 37.0 dBm" in n for n in found.summary["notes"])


# --- keying ---------------------------------------------------------------------------------------


def test_a_key_released_in_the_middle_voids_what_came_after() -> None:
    """The harmonic seen before stands, the later ones are not measured."""
    found = run(Bench(keyed=lambda at_s: 0.0 if at_s < HOUR_S + 0.25 else None))
    assert found.summary["state"] == "released" and not found.summary["complete"]
    assert [one["name"] for one in found.summary["products"]] == ["harmonic 2"]
    why = {one["what"]: one["why"] for one in found.summary["not_measured"]}
    assert why == dict.fromkeys(("harmonic 3", "harmonic 4"), "the key was released")
    assert found.verdict["verdict"] == "incomplete"


def test_a_failure_before_the_release_stays_a_failure() -> None:
    bench = Bench(
        harmonics_dbc=(-40.0, -60.0, -60.0),
        keyed=lambda at_s: 0.0 if at_s < HOUR_S + 0.45 else None,
    )
    settings = replace(SETTINGS, check_attenuation_db=0.0, shi_dbm=90.0, toi_dbm=90.0)
    assert run(bench, settings).verdict["verdict"] == "fail"


def test_a_pass_cut_short_is_told_as_such() -> None:
    found = run(Bench(), stop_after=4)
    assert found.summaries == []
    found.step(GapSeen(from_s=HOUR_S, to_s=HOUR_S, count=0, reason=PASS_CUT_SHORT))
    assert found.summary["state"] == "cut short" and found.findings == []
    assert found.verdict["verdict"] == "incomplete"
    assert {one["name"] for one in found.summary["products"]} >= {"harmonic 2"}


def test_keying_that_cannot_be_seen_is_said() -> None:
    """A floor too near to what a tenth of the power would show."""
    found = run(Bench(noise_figure_db=100.0))
    assert found.summary["state"] == "cannot see"
    assert "not far enough above the floor" in found.summary["said"]


# --- what changes from pass to pass ---------------------------------------------------------------


def test_a_limit_that_is_passed_is_told_once_and_once_when_it_is_kept_again() -> None:
    bench, found = Bench(), watched(SETTINGS)
    for dbc in (-62.0, -45.0, -45.0, -53.0, -45.0, -62.0, -62.0):
        bench.harmonics_dbc = (dbc, -70.0, -80.0)
        run(bench, into=found)
        bench.now_s += 30.0
    assert [(one.what, one.text.split(":")[0]) for one in found.findings] == [
        ("limit_exceeded", "harmonic 2 at 313.600 MHz"),
        ("limit_met", "harmonic 2 at 313.600 MHz again"),
    ]
    assert "above limit Gannet Ledge's own, edition 2026" in found.findings[0].text
    assert "below limit Gannet Ledge's own, edition 2026" in found.findings[1].text
    figures = found.findings[0].figures
    assert figures["level_dbm"] == pytest.approx(POWER_DBM - 45, abs=1)
    assert (figures["name"], figures["figure"]) == ("harmonic 2", "harmonic 2")
    assert figures["unit"] in ("dBm", "dB", "dBc") and figures["limit"] is not None


def test_a_carrier_off_its_frequency_is_told_on_change() -> None:
    bench, found = Bench(), watched(SETTINGS)
    for off_hz in (0.0, 6e3, 6e3, 0.0):
        bench.off_hz = off_hz
        run(bench, into=found)
        bench.now_s += 30.0
    assert [one.what for one in found.findings] == ["off_frequency", "on_frequency"]
    assert "6000 Hz from 156.800 MHz" in found.findings[0].text


def test_an_external_pad_tells_what_is_made_inside_where_there_is_no_attenuator() -> None:
    """Seen by the fundamental's fall; the next pass classes the products by both."""
    settings = replace(SETTINGS, external_pad_db=10.0)
    bench = Bench(harmonics_dbc=(-80.0, -52.0, -85.0), pads_db=40.0, steps_db=(), **POOR)
    found = run(bench, settings)
    assert found.product("harmonic 2")["origin"] == "cannot tell"
    assert found.summary["external_pad_db"] is None
    bench.extra_pad_db, bench.now_s = 10.0, bench.now_s + 60.0
    run(bench, settings, into=found)
    assert found.summary["external_pad_db"] == 10.0
    assert found.summary["fundamental"]["level_dbm"] == pytest.approx(POWER_DBM, abs=0.2)
    assert found.product("harmonic 2")["origin"] == "made inside"
    assert found.product("harmonic 3")["origin"] in ("real", "mixed")


def test_a_searched_product_that_wanders_is_one_and_the_same() -> None:
    """It moves by some kilohertz from pass to pass, less than the search's filter is wide."""
    bench, found = Bench(), watched(SEARCHED)
    for wander_hz in (0.0, 3e3, -4e3, 8e3, 2e3):
        bench.others = ((425e6 + wander_hz, -10.0),)
        run(bench, SEARCHED, into=found)
        bench.now_s += 30.0
    assert [one.what for one in found.findings] == ["limit_exceeded"]


# --- the search -----------------------------------------------------------------------------------

SEARCHING = replace(
    SETTINGS, harmonics=1, search=((30e6, 150e6), (165e6, 400e6)), search_rbw_hz=100e3,
    search_detector=Detector.POSITIVE,
)  # fmt: skip


def test_a_search_finds_what_is_no_harmonic_and_looks_at_it_closely() -> None:
    bench = Bench(others=((78.4e6, -12.0), (209.3e6, -22.0)))
    found = run(bench, SEARCHING)
    assert [step for step in steps(bench) if SEARCH <= step < AGAIN] == list(range(100, 108))
    names = [one["name"] for one in found.summary["products"]]
    assert names == ["harmonic 2", "product at 78.400 MHz", "product at 209.300 MHz"]
    low = found.product("product at 78.400 MHz")
    assert low["level_dbm"] == pytest.approx(-12.0, abs=0.3) and low["origin"] == "real"
    assert low["verdict"] == "fail"
    assert found.product("product at 209.300 MHz")["verdict"] == "pass"
    closely = [one for one in bench.asked if ZOOM <= one.step < SEARCH]
    assert len(closely) == 2
    assert len(found.summary["searched"]) == 8


def test_a_search_leaves_out_the_emission_and_its_harmonics() -> None:
    settings = replace(SEARCHING, search=((100e6, 400e6),), harmonics=None, up_to_hz=400e6)
    found = run(Bench(harmonics_dbc=(-45.0, -70.0, -80.0)), settings)
    assert [one["name"] for one in found.summary["products"]] == ["harmonic 2"]


def test_nothing_found_is_said_with_how_low_was_looked() -> None:
    """A range passes where its floor lies below the limit, and cannot tell where it hides it."""
    found = run(Bench(), SEARCHING)
    assert found.verdict["verdict"] == "pass"
    assert all(one["most_dbm"] <= -16.0 for one in found.summary["searched"])
    noisy = run(Bench(noise_figure_db=60.0), replace(SEARCHING, harmonics=1))
    assert {one["verdict"] for one in noisy.summary["searched"]} == {"cannot tell"}
    assert noisy.verdict["verdict"] == "cannot tell"


def test_a_range_beyond_the_sweeper_is_not_searched_and_said() -> None:
    found = run(Bench(), replace(SEARCHING, search=((900e6, 1.2e9),)))
    assert found.summary["not_measured"] == [
        {"what": "search 960.000 to 1200.000 MHz", "why": "beyond 960.000 MHz"}
    ]
    assert found.verdict["verdict"] == "incomplete"


FIELD = profile(
    LimitRow(rule="30 to 88", at_hz=Span(low=30e6, high=88e6), at_most=40.0, distance_m=3.0,
             detector=LimitDetector.QUASI_PEAK),
    quantity=LimitQuantity.FIELD, domain=Domain.ANY,
)  # fmt: skip


@pytest.mark.parametrize(
    ("field", "word"), [(30.0, "pass"), (55.0, "fail")], ids=["below", "above"]
)
def test_a_thing_without_a_key_is_searched_against_a_field_limit(field: float, word: str) -> None:
    """Level at the aerial's socket, its antenna factor, and the limit at its distance."""
    level = field - 8.0 - 106.99
    settings = replace(
        SETTINGS,
        keyed=False,
        power_w=None,
        expected_hz=None,
        request=replace(LOOK_AT, start_hz=30e6, stop_hz=80e6, points=1001, rbw_hz=100e3,
                        attenuation_db=0.0, detector=Detector.POSITIVE),
        limits=(FIELD,),
        distance_m=3.0,
        antenna_factor=((30e6, 8.0), (80e6, 8.0)),
    )  # fmt: skip
    bench = Bench(keyed=lambda at_s: None, others=((50e6, level),), pads_db=0.0, parts=())
    found = run(bench, replace(settings, antenna_factor_uncertainty_db=1.0))
    assert LAST not in steps(bench)
    assert found.summary["state"] == "no key"
    one = found.product("product at 50.000 MHz") if field > 35 else None
    if one is not None:
        assert one["figure"] == pytest.approx(field, abs=0.3)
        assert one["limit_unit"] == "dBµV/m"
    assert found.verdict["verdict"] == word


# --- replay ---------------------------------------------------------------------------------------


def test_a_replay_gives_the_same_and_a_restart_in_the_middle_changes_nothing() -> None:
    """States through bytes after every event: same summaries, findings and verdicts (G4)."""
    settings = replace(SEARCHING, external_pad_db=10.0)
    bench, live = Bench(others=((78.4e6, -12.0),)), watched(settings)
    events: list[Any] = []
    feed = live.step
    live.step = lambda event: (events.append(event), feed(event))[1]
    run(bench, settings, into=live)
    live.step(GapSeen(from_s=HOUR_S, to_s=HOUR_S + 60, count=2, reason="paused"))
    live.step(HourTurned(hour_start_s=HOUR_S, hour_end_s=HOUR_S + 3600))
    run(bench, settings, into=live, stop_after=3)
    run(bench, settings, into=live)
    again = watched(settings)
    for event in events:
        again.step(event)
        kept = again.meter.dump(again.state)
        again.state = again.meter.load(kept)
        assert again.meter.dump(again.state) == kept
    assert again.summaries == live.summaries
    assert again.findings == live.findings
    assert again.verdict == live.verdict
    assert [one.columns for one in again.outputs if one.summary] == [
        pytest.approx(one.columns, nan_ok=True, abs=0) for one in live.outputs if one.summary
    ]


# --- by hand --------------------------------------------------------------------------------------


def by_hand(bench: Bench, settings: EmissionSettings, keys: dict[str, float | None]) -> Watched:
    """A guided pass; the hand does what the first of ``keys`` in a sentence stands for."""
    found = watched(settings)
    state: list[float | None] = [None]
    bench.keyed = lambda at_s: state[0]
    series = guided_pass(settings)
    step: PassStep | None = next(series, None)
    while step is not None:
        if step.say:
            found.said.append(step.say)
            for word, over_db in keys.items():
                if word in step.say:
                    state[0] = over_db
                    break
        answer = bench.take(step)
        found.feed(answer)
        try:
            step = series.send(lambda answer=answer: answer)
        except StopIteration:
            step = None
    return found


HAND = {"Leave the key up": None, "LOWEST": -10.0, "set the power": 0.0, "Release": None}


def test_a_hand_is_led_through_low_power_full_power_and_release() -> None:
    found = by_hand(Bench(), SETTINGS, HAND)
    assert [said.split(":")[0].split(".")[0] for said in found.said] == [
        "Leave the key up",
        "Check the pads and their order once more",
        "Low power reads 27",
        "Hold it",
        "Release the key now",
    ]
    assert len(found.summaries) == 1
    assert found.summary["fundamental"]["level_dbm"] == pytest.approx(POWER_DBM, abs=0.2)
    assert found.verdict["verdict"] == "pass"


def test_a_transmitter_without_a_low_setting_is_not_asked_for_more() -> None:
    found = by_hand(Bench(), SETTINGS, {**HAND, "LOWEST": 0.0})
    assert not any("Low power reads" in said for said in found.said)
    assert found.summary["complete"]


def test_more_than_was_stated_is_not_measured() -> None:
    """The hand is told to release, and nothing is swept that takes time."""
    bench = Bench()
    found = by_hand(bench, SETTINGS, {**HAND, "LOWEST": 6.0, "RELEASE": None})
    assert found.said[-1].startswith("RELEASE THE KEY: 43.0 dBm at the plane, 37.0 dBm are stated")
    assert set(steps(bench)) == {WAIT}


def test_nobody_keys_and_it_gives_up() -> None:
    """Within the stated time, with a summary that says so."""
    bench = Bench()
    found = by_hand(bench, replace(SETTINGS, key_within_s=5.0), {"Leave": None})
    assert found.summary["state"] == "not keyed"
    assert found.said[-1] == "No key-down within 5 s: given up."
    assert len(bench.asked) < 60


def test_looks_are_bounded_however_short_they_are() -> None:
    bench = Bench()
    series = guided_pass(replace(SETTINGS, key_within_s=3600.0))
    bench.keyed = lambda at_s: 0.0
    step: PassStep | None = next(series)
    answer = bench.take(step)
    count = 0
    while step is not None and step.step == WAIT:
        count += 1
        try:
            step = series.send(lambda: answer)
        except StopIteration:
            break
    assert count == LOOKS_MOST


def test_a_hand_is_asked_for_a_pad_where_the_sweeper_has_no_attenuator() -> None:
    settings = replace(SETTINGS, external_pad_db=10.0)
    bench = Bench(harmonics_dbc=(-90.0,) * 3, pads_db=40.0, steps_db=(), **POOR)

    class Hand(dict[str, float | None]):
        def items(self) -> Any:
            yield from {**HAND, "set the power": 0.0, "one more pad": 0.0}.items()

    taken = bench.take

    def take(step: PassStep) -> Answer:
        if "one more pad" in step.say:
            bench.extra_pad_db = 10.0
        return taken(step)

    bench.take = take
    found = by_hand(bench, settings, Hand())
    assert any("put one more pad of 10 dB" in said for said in found.said)
    assert found.summary["external_pad_db"] == 10.0
    assert found.product("harmonic 2")["origin"] == "made inside"


# --- whether the stated uncertainty holds ---------------------------------------------------------


def test_stated_uncertainties_contain_the_truth_at_the_stated_rate() -> None:
    """200 scenes with errors drawn from what is stated: U at k = 2 holds 90 to 99.5 % of levels.

    The sweeper's error is rectangular within its accuracy at each frequency, pads are normal within
    theirs, mismatch has any phase. Bounds must hold as bounds.
    """
    held, total, bounds, bounds_held = 0, 0, 0, 0
    rng = np.random.default_rng(20260614)
    for _ in range(200):
        pads_db = float(rng.choice([50.0, 60.0, 70.0]))
        dbc = tuple(rng.uniform(-80.0, -45.0, size=3).tolist())
        constant = float(rng.uniform(-1.0, 1.0)) * 1.5
        slopes = {n: float(rng.uniform(-1.5, 1.5)) for n in (2, 3, 4)}
        pad_error = float(rng.normal(0.0, 0.25) + rng.normal(0.0, 0.15))
        mismatch = {n: 0.2 * math.sin(rng.uniform(0, 2 * math.pi)) for n in (1, 2, 3, 4)}

        def error(
            hz: float,
            constant: float = constant,
            slopes: dict[int, float] = slopes,
            pad_error: float = pad_error,
            mismatch: dict[int, float] = mismatch,
        ) -> float:
            order = round(hz / CARRIER_HZ)
            own = constant if order <= 1 else slopes[order]
            return own + pad_error + mismatch[max(1, order)]

        bench = Bench(
            harmonics_dbc=dbc,
            pads_db=pads_db,
            level_error_db=error,
            accuracy_db=1.5,
            phases=tuple(rng.uniform(0.0, 2 * math.pi, size=3).tolist()),
            noise_figure_db=float(rng.uniform(20.0, 32.0)),
            rng=rng,
            **POOR,
        )
        declared = POOR if rng.random() < 0.5 else dict.fromkeys(POOR)
        found = run(bench, replace(SETTINGS, **declared))
        truths = [(found.summary["fundamental"], POWER_DBM)]
        for order, below in enumerate(dbc, start=2):
            truths.append((found.product(f"harmonic {order}"), POWER_DBM + below))
        for one, truth in truths:
            inside = abs(one["level_dbm"] - truth) <= one["expanded_db"]
            if one.get("bound") is None:
                held, total = held + inside, total + 1
            else:
                bounds += 1
                bounds_held += truth <= one["level_dbm"] + one["expanded_db"]
    rate, bound_rate = held / total, bounds_held / bounds
    told = f"held {held} of {total}, bounds {bounds_held} of {bounds}"
    assert total > 300 and bounds > 100, told
    assert 0.90 <= rate <= 0.995, told
    assert bound_rate >= 0.95, told


def test_limits_that_hang_on_a_date_take_the_tightest_where_nobody_states_it() -> None:
    old, new = date(2003, 1, 1), date(2003, 1, 1)
    dated = profile(
        LimitRow(rule="new", installed_after=new, at_least_down_db=50.0),
        LimitRow(rule="old", installed_by=old, at_least_down_db=40.0),
    )
    unknown = run(Bench(harmonics_dbc=(-45.0, -70.0, -80.0)), replace(SETTINGS, limits=(dated,)))
    assert unknown.verdict["verdict"] == "fail"
    assert any("when the transmitter was installed" in note for note in unknown.summary["notes"])
    known = replace(SETTINGS, limits=(dated,), installed=date(1999, 5, 1))
    assert run(Bench(harmonics_dbc=(-45.0, -70.0, -80.0)), known).verdict["verdict"] == "pass"


def test_the_bench_itself_shows_what_it_is_told() -> None:
    """The filter's shape, the floor and an own product are those of the formulas."""
    bench = Bench(pads_db=40.0)
    answer = bench.take(PassStep(request=replace(LOOK_AT, attenuation_db=0.0)))
    top = float(answer.sweep.level.max())
    assert top == pytest.approx(POWER_DBM, abs=0.05)
    quiet = ratio_from_db(answer.sweep.level[:50]).mean()
    floor = THERMAL_DENSITY_DBM_PER_HZ + 24 + 10 * math.log10(enb_hz(3e3)) + 40
    assert 10 * math.log10(quiet) == pytest.approx(floor, abs=0.5)
    alone = Bench(pads_db=40.0, harmonics_dbc=(-200.0,), **POOR)
    assert dict(alone.lines(0.0))[2 * CARRIER_HZ] == pytest.approx(2 * -3.01 - 35 + 40, abs=0.01)


# --- what was not heard ---------------------------------------------------------------------------

SECOND_HZ = 2.0 * CARRIER_HZ
SEARCHED = replace(SETTINGS, search=((400e6, 450e6),), search_rbw_hz=100e3)


@dataclass
class Holed(Bench):
    """A sweeper that leaves levels out, or says that something was wrong."""

    holes: tuple[tuple[float, float], ...] = ()
    flags: dict[int, SweepFlag] = field(default_factory=dict)

    def take(self, step: PassStep) -> Answer:
        answer = super().take(step)
        frequency, level = answer.setup.grid.frequency_hz, answer.sweep.level.copy()
        for low_hz, high_hz in self.holes:
            level[(frequency >= low_hz) & (frequency <= high_hz)] = math.nan
        flags = answer.sweep.flags | self.flags.get(step.step, NO_FLAGS)
        return replace(answer, sweep=replace(answer.sweep, level=level, flags=flags))


@pytest.mark.parametrize(
    ("settings", "bench", "hole", "says"),
    [
        pytest.param(
            SETTINGS,
            {"harmonics_dbc": (-30.0, -90.0, -90.0)},
            (SECOND_HZ - 8e3, SECOND_HZ + 8e3),
            "harmonic 2 not measured, the sweep has no levels 313.592 to 313.608 MHz",
            id="over a harmonic",
        ),
        pytest.param(
            SEARCHED,
            {"harmonics_dbc": (-90.0, -90.0, -90.0), "others": ((420e6, 10.0),)},
            (410e6, 430e6),
            "part of the search 400.000 to 450.000 MHz not measured, "
            "the sweep has no levels 410.000 to 430.000 MHz",
            id="in a search",
        ),
        pytest.param(
            SEARCHED,
            {"harmonics_dbc": (-90.0, -90.0, -90.0)},
            (390e6, 460e6),
            "search 400.000 to 450.000 MHz not measured, the sweep has too few levels",
            id="all of a search",
        ),
        pytest.param(
            SETTINGS,
            {"harmonics_dbc": (-90.0, -90.0, -90.0)},
            (CARRIER_HZ - 2e3, CARRIER_HZ - 1e3),
            "the emission not measured, the sweep has no levels 156.798 to 156.799 MHz",
            id="in the fundamental",
        ),
    ],
)
def test_what_no_level_was_brought_of_passes_no_limit(
    settings: EmissionSettings, bench: dict[str, Any], hole: tuple[float, float], says: str
) -> None:
    """A hop that failed leaves a hole, and a product in it is not seen."""
    found = run(Holed(**bench, holes=(hole,)), settings)
    assert found.verdict["verdict"] == "incomplete"
    assert says in found.verdict["text"]
    assert not found.summary["complete"]


def test_a_hole_that_is_too_narrow_for_a_line_hides_none() -> None:
    """One reading in a quarter of the RBW."""
    bench = Holed(harmonics_dbc=(-30.0, -90.0, -90.0))
    clean = run(bench)
    (asked,) = [one for one in bench.asked if one.step == 2]
    axis = asked.request.frequencies_hz()
    at_hz = float(axis[np.argmin(np.abs(axis - SECOND_HZ))])
    holed = run(Holed(harmonics_dbc=(-30.0, -90.0, -90.0), holes=((at_hz - 1, at_hz + 1),)))
    assert holed.verdict["verdict"] == clean.verdict["verdict"] == "fail"
    apart_db = holed.product("harmonic 2")["level_dbm"] - clean.product("harmonic 2")["level_dbm"]
    assert abs(apart_db) < 0.8


@pytest.mark.parametrize(
    "flag", [SweepFlag.OVERLOAD, SweepFlag.TRANSMITTING, SweepFlag.REPEATED], ids=lambda f: f.name
)
@pytest.mark.parametrize(
    ("step", "what"),
    [
        (LOOK, "the emission not measured"),
        (2, "harmonic 2 not measured"),
        (SEARCH, "search 400.000 to 450.000 MHz not measured"),
        (LAST, "whether it was keyed to the end not measured"),
    ],
)
def test_a_sweep_that_something_was_wrong_with_proves_nothing(
    flag: SweepFlag, step: int, what: str
) -> None:
    """Not even that a limit is kept."""
    found = run(Holed(harmonics_dbc=(-90.0, -90.0, -90.0), flags={step: flag}), SEARCHED)
    assert found.verdict["verdict"] == "incomplete"
    assert what in found.verdict["text"]


def test_a_key_that_may_be_down_where_there_is_no_level_is_not_said_to_be_up() -> None:
    found = run(Holed(holes=((CARRIER_HZ - 40e3, CARRIER_HZ + 40e3),)))
    assert found.summary["state"] == "cannot see"
    assert found.verdict is None
