"""The emission meter: its search, its replay, what is kept by hand, and whether its U holds."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from acqd.measure.bandpower import enb_hz
from acqd.measure.emission_guide import LOOKS_MOST, WAIT, guided_pass
from acqd.measure.emission_layout import AGAIN, LAST, LOOK, SEARCH, ZOOM
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.limit_profile import (
    Domain,
    LimitDetector,
    LimitQuantity,
    LimitRow,
    Span,
)
from acqd.measure.meter import (
    Answer,
    GapSeen,
    HourTurned,
    PassStep,
)
from acqd.sweep import NO_FLAGS, Detector, SweepFlag
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ, ratio_from_db
from emission_bench import (
    CARRIER_HZ,
    HOUR_S,
    LOOK_AT,
    POOR,
    POWER_DBM,
    SEARCHED,
    SETTINGS,
    Bench,
    Watched,
    profile,
    run,
    steps,
    watched,
)

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
    "flag",
    [SweepFlag.OVERLOAD, SweepFlag.TRANSMITTING, SweepFlag.SET_ASIDE, SweepFlag.REPEATED],
    ids=lambda f: f.name,
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
