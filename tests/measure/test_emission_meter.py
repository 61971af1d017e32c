"""The emission check: a hand-held, a chain and a sweeper made of numbers, so the truth is known."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acqd.errors import UnitMismatch
from acqd.measure.emission_layout import AGAIN, LAST, LOOK, WIDTH
from acqd.measure.emission_plan import emission_pass
from acqd.measure.limit_profile import (
    LimitRow,
)
from acqd.measure.meter import (
    PASS_CUT_SHORT,
    GapSeen,
)
from acqd.sweep import LevelUnit
from emission_bench import (
    CARRIER_HZ,
    HOUR_S,
    POOR,
    POWER_DBM,
    RELATIVE,
    SEARCHED,
    SETTINGS,
    Bench,
    profile,
    run,
    steps,
    watched,
)

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
