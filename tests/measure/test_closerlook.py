"""What closer looks ask for and what they show, on traces whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from acqd.errors import RequestRefused
from acqd.measure.closerlook import CloserLooks, LookSeen, LookState
from acqd.measure.closerlook_request import look_requests
from acqd.measure.closerlook_settings import (
    FOLLOWED_KINDS,
    LOOK_STEP,
    Follows,
    LookKind,
    LookSettings,
    frequency_of,
    has_frequency,
    is_look,
    look_step,
)
from acqd.measure.finding_words import FINDING_WORDS
from acqd.measure.meter import FindingDraft, SetupChanged, SweepSeen
from acqd.sweep import NO_FLAGS, Capabilities, Detector, Grid, LevelUnit, SweepFlag, SweepRequest

AT_HZ = 156.5e6
JOB = SweepRequest(start_hz=156e6, stop_hz=157e6, points=201, rbw_hz=10e3, detector=Detector.SAMPLE)
CAN = Capabilities(
    start_hz=1e5,
    stop_hz=1e9,
    points_max=1001,
    rbw_steps_hz=(100.0, 300.0, 1e3, 3e3, 10e3, 30e3),
    attenuation_steps_db=(0.0, 5.0, 10.0, 20.0, 30.0),
)


def look(kind: LookKind, **more: Any) -> LookSettings:
    return LookSettings(look=kind, **more)


# -- what is asked for ---------------------------------------------------------------------------


def test_a_zoom_is_narrow_fine_and_around_its_finding() -> None:
    """20 RBWs of the job; a hundredth of that, or the next below, as RBW; two points an RBW."""
    (found,) = look_requests(look(LookKind.ZOOM), JOB, CAN, at_hz=AT_HZ, attenuation_db=10.0)
    assert (found.start_hz, found.stop_hz) == (156.4e6, 156.6e6)
    assert (found.rbw_hz, found.points) == (1e3, 401)
    assert (found.attenuation_db, found.source, found.detector) == (10.0, None, Detector.SAMPLE)


@pytest.mark.parametrize(
    ("at_hz", "edges"), [(150e3, (1e5, 3e5)), (999.99e6, (999.8e6, 1e9)), (2e5, (1e5, 3e5))]
)
def test_a_zoom_near_an_end_is_moved_and_not_cut(at_hz: float, edges: tuple[float, float]) -> None:
    """The sweeper has no frequencies beyond."""
    (found,) = look_requests(look(LookKind.ZOOM), JOB, CAN, at_hz=at_hz, attenuation_db=None)
    assert (found.start_hz, found.stop_hz) == pytest.approx(edges)


def test_findings_that_are_nearly_alike_are_looked_at_alike() -> None:
    """So one setup holds for a signal that comes again a point further on."""
    found = {
        look_requests(look(LookKind.ZOOM), JOB, CAN, at_hz=AT_HZ + off_hz, attenuation_db=None)
        for off_hz in (-4e3, 0.0, 4e3)
    }
    assert len(found) == 1


def test_what_is_asked_for_stays_as_it_is() -> None:
    """Also where the sweeper has no such thing: it says so itself."""
    settings = look(LookKind.ZOOM, span_hz=50e3, rbw_hz=777.0, points=33, sweep_time_s=0.3)
    (found,) = look_requests(settings, JOB, CAN, at_hz=AT_HZ, attenuation_db=None)
    assert (found.span_hz, found.rbw_hz, found.points, found.sweep_time_s) == (50e3, 777.0, 33, 0.3)


def test_a_finer_rbw_keeps_the_range() -> None:
    """A tenth of the job's or the next narrower one, and as many points as the sweeper has."""
    (found,) = look_requests(look(LookKind.FINER), JOB, CAN, at_hz=None, attenuation_db=None)
    assert (found.start_hz, found.stop_hz, found.rbw_hz) == (156e6, 157e6, 1e3)
    assert found.points == 1001


def test_more_attenuation_is_the_jobs_own_sweep_twice() -> None:
    """As it was taken, and with the next attenuation that adds enough; nothing else differs."""
    first, second = look_requests(look(LookKind.HARDER), JOB, CAN, at_hz=AT_HZ, attenuation_db=5.0)
    assert (first.attenuation_db, second.attenuation_db) == (5.0, 20.0)
    assert (first.start_hz, first.points, first.rbw_hz) == (JOB.start_hz, JOB.points, JOB.rbw_hz)


@pytest.mark.parametrize("kind", list(LookKind))
@pytest.mark.parametrize("asked_db", [None, 0.0, 10.0])
@pytest.mark.parametrize("taken_db", [None, 0.0, 10.0, 20.0])
def test_a_look_never_has_less_attenuation_than_its_job_nor_a_source(
    kind: LookKind, asked_db: float | None, taken_db: float | None
) -> None:
    """Whatever the job asked for and whatever the sweeper took (G7)."""
    job = SweepRequest(
        start_hz=156e6, stop_hz=157e6, points=201, rbw_hz=10e3, attenuation_db=asked_db
    )
    least_db = max((one for one in (asked_db, taken_db) if one is not None), default=None)
    if kind is LookKind.HARDER and least_db is None:
        with pytest.raises(RequestRefused, match="nobody says"):
            look_requests(look(kind), job, CAN, at_hz=AT_HZ, attenuation_db=taken_db)
        return
    for found in look_requests(look(kind), job, CAN, at_hz=AT_HZ, attenuation_db=taken_db):
        assert found.source is None
        if least_db is not None:
            assert found.attenuation_db is not None and found.attenuation_db >= least_db


def test_attenuation_that_there_is_not_is_refused() -> None:
    """30 dB is all there is; 2 dB more would tell nothing."""
    for taken_db in (30.0, 28.0):
        with pytest.raises(RequestRefused, match="attenuation"):
            look_requests(look(LookKind.HARDER), JOB, CAN, at_hz=AT_HZ, attenuation_db=taken_db)


@pytest.mark.parametrize("kind", [LookKind.ZOOM, LookKind.ZERO])
def test_no_frequency_no_zoom(kind: LookKind) -> None:
    """It is refused, not made up."""
    with pytest.raises(RequestRefused, match="it has none"):
        look_requests(look(kind), JOB, CAN, at_hz=None, attenuation_db=None)


def test_steps_of_looks_are_no_kinds() -> None:
    """Each look of a job has its own, with one more for its second setting."""
    steps = [look_step(index, second) for index in range(8) for second in (False, True)]
    assert len(set(steps)) == len(steps) and min(steps) == LOOK_STEP
    assert all(is_look(one) for one in steps) and not is_look(LOOK_STEP - 1)


def test_every_kinds_words_are_sorted_out() -> None:
    """A word that is new is of a frequency or is not, and somebody has to say which."""
    without = {
        kind: {word for word in FINDING_WORDS[kind] if not has_frequency(kind, word)}
        for kind in FOLLOWED_KINDS
    }
    assert without == {
        "band": {"signals_appeared", "signals_ended", "floor_rose", "floor_fell"},
        "emission": set(),
        "carrier": set(),
    }
    assert frequency_of("band", "signal_ended", {"peak_hz": 1e6}, watched_hz=2e6) == 1e6
    assert frequency_of("band", "floor_rose", {"start_hz": 1e6}, watched_hz=2e6) is None
    assert frequency_of("carrier", "carrier_lost", {}, watched_hz=2e6) == 2e6


# -- what it shows ---------------------------------------------------------------------------------


def setup_of(step: int, frequency_hz: np.ndarray, **more: Any) -> SetupChanged:
    told = {
        "at_s": 0.0,
        "setup": f"s{step}",
        "grid": Grid.from_axis(frequency_hz),
        "unit": LevelUnit.DBM,
        "rbw_hz": 1e3,
        "detector": Detector.SAMPLE,
        "averages": 1,
        "interval_s": 1.0,
        "sweep_time_s": 0.2,
        "level_accuracy_db": 1.0,
        "step": step,
    }
    return SetupChanged(**(told | more))


def noise(points: int, floor_dbm: float, seed: int = 1) -> np.ndarray:
    """Power of Gaussian noise, one sample a point: exponential about its mean."""
    draw = np.random.default_rng(seed).exponential(size=points)
    return floor_dbm + 10.0 * np.log10(draw)


def line(frequency_hz: np.ndarray, at_hz: float, level_dbm: float, rbw_hz: float) -> np.ndarray:
    """A carrier behind a Gaussian filter."""
    x = (frequency_hz - at_hz) / rbw_hz
    return level_dbm - 10.0 * np.log10(2.0) * (2.0 * x) ** 2


def both(*levels: np.ndarray) -> np.ndarray:
    return 10.0 * np.log10(sum(10.0 ** (one / 10.0) for one in levels))


def seen(
    setup: SetupChanged,
    level: np.ndarray,
    seq: int,
    *,
    pass_id: int = 1,
    flags: SweepFlag = NO_FLAGS,
    follows: Follows | None = None,
    took_s: float = 0.2,
) -> LookSeen:
    return LookSeen(
        follows=follows or Follows(number=12, at_hz=AT_HZ, level=-70.0),
        pass_id=pass_id,
        setup=setup,
        sweep=SweepSeen(
            seq=seq,
            step=setup.step,
            due_s=0.0,
            started_s=100.0 + seq,
            took_s=took_s,
            level=level,
            flags=flags,
        ),
    )


def told(
    looks: CloserLooks, sweeps: Sequence[LookSeen]
) -> tuple[LookState | None, list[FindingDraft]]:
    state, found = None, []
    for one in sweeps:
        # Through bytes each time: a journal may begin anywhere.
        state, drafts = looks.step(None if state is None else looks.load(looks.dump(state)), one)
        found += drafts
    return state, found


ZOOM_HZ = np.linspace(156.4e6, 156.6e6, 401)
ZOOM = CloserLooks((look(LookKind.ZOOM),))


def zoomed(seq: int, **more: Any) -> LookSeen:
    level = both(line(ZOOM_HZ, AT_HZ + 1230.0, -70.0, 1e3), noise(401, -120.0, seq))
    return seen(setup_of(LOOK_STEP, ZOOM_HZ), level, seq, **more)


def test_a_zoom_tells_the_line_with_its_uncertainty() -> None:
    """Place within what it says, level, and what it follows."""
    state, found = told(ZOOM, [zoomed(seq) for seq in (7, 8, 9)])
    assert state is None
    (one,) = found
    figures = one.figures
    assert (one.what, one.seq, one.at_s) == ("looked_closer", 9, 107.0)
    assert (figures["finding"], figures["first_seq"], figures["last_seq"]) == (12, 7, 9)
    assert figures["look"] == "zoom" and figures["sweeps"] == figures["asked"] == 3
    assert abs(figures["peak_hz"] - (AT_HZ + 1230.0)) < 30.0
    assert abs(figures["peak_hz"] - (AT_HZ + 1230.0)) <= figures["peak_expanded_hz"]
    assert figures["peak_dbm"] == pytest.approx(-70.0, abs=0.2)
    assert figures["over_floor_db"] == pytest.approx(50.0, abs=1.5)
    assert one.text.startswith("looked closer at finding 12 (zoom): a lone carrier at 156.50123")


def test_mere_noise_does_not_pass_for_a_line() -> None:
    """100 looks at nothing: with one false line in a thousand none is to be expected."""
    for look_at in range(100):
        empty = [
            seen(setup_of(LOOK_STEP, ZOOM_HZ), noise(401, -120.0, 3 * look_at + seq), seq)
            for seq in (1, 2, 3)
        ]
        _, (one,) = told(ZOOM, empty)
        assert "nothing stands out" in one.text, look_at


def test_a_signal_that_is_gone_is_a_result() -> None:
    """Nothing stands out; that is what the look says."""
    empty = [seen(setup_of(LOOK_STEP, ZOOM_HZ), noise(401, -120.0, seq), seq) for seq in (7, 8, 9)]
    _, (one,) = told(ZOOM, empty)
    assert "nothing stands out there now" in one.text and "peak_hz" not in one.figures
    assert one.figures["strongest_dbm"] < -110.0


def test_a_modulated_signal_has_its_width_and_its_power() -> None:
    """8 kHz of flat density, 60 dB over the floor: 99 % of the power within 7.9 kHz and the RBW."""
    inside = np.abs(ZOOM_HZ - AT_HZ) <= 4e3
    level = both(np.where(inside, -80.0, -300.0), np.full(401, -140.0))
    sweeps = [seen(setup_of(LOOK_STEP, ZOOM_HZ), level, seq) for seq in (7, 8, 9)]
    _, (one,) = told(ZOOM, sweeps)
    assert one.figures["occupied_hz"] == pytest.approx(8e3, rel=0.08)
    assert one.figures["x26_hz"] == pytest.approx(8.5e3, rel=0.1)
    # Density times width: −80 dBm in 1.0645 kHz, over 8.5 kHz.
    assert one.figures["power_dbm"] == pytest.approx(-71.0, abs=0.3)
    assert ": strongest at" in one.text and "in all" in one.text


def test_a_look_that_was_cut_short_says_so_with_what_it_has() -> None:
    """The next look or any other sweep of the job ends it."""
    state, found = told(ZOOM, [zoomed(7), zoomed(8)])
    assert state is not None and found == []
    (one,) = ZOOM.ended(state)
    assert one.text.endswith("; cut short after 2 of 3 sweeps") and one.figures["sweeps"] == 2
    state, (other,) = told(ZOOM, [zoomed(7), zoomed(8), zoomed(9, pass_id=9)])
    assert other == one and state is not None and len(state.kept) == 1


def test_spoilt_sweeps_do_not_count() -> None:
    """One of three is left out and said; where all are, there is no figure at all."""
    keyed = SweepFlag.TRANSMITTING
    _, (one,) = told(ZOOM, [zoomed(7, flags=keyed), zoomed(8), zoomed(9)])
    assert one.figures["spoilt"] == 1 and "peak_hz" in one.figures
    _, (none,) = told(ZOOM, [zoomed(seq, flags=keyed) for seq in (7, 8, 9)])
    assert "nothing of it counts: a transmitter nearby was keyed" in none.text
    assert "peak_hz" not in none.figures


def test_what_was_passed_over_is_told_with_the_next() -> None:
    """Findings that got no look are counted."""
    _, (one,) = told(
        ZOOM,
        [zoomed(seq, follows=Follows(number=40, at_hz=AT_HZ, passed_over=5)) for seq in (1, 2, 3)],
    )
    assert one.figures["passed_over"] == 5
    assert one.text.endswith("; 5 findings before it got no such look")


JOB_HZ = np.linspace(156e6, 157e6, 201)
HARDER = CloserLooks((look(LookKind.HARDER),))


def pair(
    first_dbm: float, second_dbm: float, floors: tuple[float, float] = (-110.0, -109.0), **more: Any
) -> list[LookSeen]:
    sweeps = []
    for number in range(6):
        second = number % 2 == 1
        level = both(
            line(JOB_HZ, AT_HZ, second_dbm if second else first_dbm, 10e3),
            noise(201, floors[second], number),
        )
        setup = setup_of(
            LOOK_STEP + second, JOB_HZ, rbw_hz=10e3, attenuation_db=20.0 if second else 10.0
        )
        sweeps.append(seen(setup, level, number + 1, **more))
    return sweeps


@pytest.mark.parametrize(
    ("first_dbm", "second_dbm", "origin", "order"),
    [
        pytest.param(-60.0, -60.0, "real", None, id="from outside"),
        pytest.param(-60.0, -80.0, "made inside", 3, id="third order"),
        pytest.param(-60.0, -70.0, "made inside", 2, id="second order"),
        pytest.param(-60.0, -64.0, "mixed", None, id="both"),
    ],
)
def test_more_attenuation_tells_what_is_made_inside(
    first_dbm: float, second_dbm: float, origin: str, order: int | None
) -> None:
    """What falls by more than was added is the sweeper's own."""
    _, (one,) = told(HARDER, pair(first_dbm, second_dbm))
    assert (one.figures["origin"], one.figures["order"]) == (origin, order)
    assert one.figures["added_db"] == 10.0
    assert one.figures["fall_db"] == pytest.approx(first_dbm - second_dbm, abs=0.3)


def test_a_signal_that_fades_in_between_is_not_called_made_inside() -> None:
    """Sweeps under the same settings that differ say that it moved by itself."""
    sweeps = pair(-60.0, -60.0)
    faded = [seen(one.setup, one.sweep.level - 20.0, one.sweep.seq) for one in sweeps[3:]]
    _, (one,) = told(HARDER, [*sweeps[:3], *faded])
    assert one.figures["origin"] == "cannot tell" and "under the same settings" in one.text


@pytest.mark.parametrize(
    ("rise_db", "origin", "words"),
    [
        (10.0, "floor", "the sweeper's own noise"),
        (0.0, "real", "noise from outside"),
        (5.0, "mixed", "from outside and the sweeper's own"),
    ],
)
def test_of_a_finding_without_a_frequency_it_is_the_floor_that_is_told_of(
    rise_db: float, origin: str, words: str
) -> None:
    """A floor that rose: noise from outside stays, the sweeper's own follows the attenuation."""
    sweeps = pair(-300.0, -300.0, (-110.0, -110.0 + rise_db), follows=Follows(number=3))
    _, (one,) = told(HARDER, sweeps)
    assert one.figures["origin"] == origin and words in one.text
    assert one.figures["rise_db"] == pytest.approx(rise_db, abs=0.9)


def test_a_sweeper_that_does_not_take_more_attenuation_is_found_out() -> None:
    """It reports the same for both."""
    sweeps = [
        seen(setup_of(one.setup.step, JOB_HZ, attenuation_db=10.0), one.sweep.level, one.sweep.seq)
        for one in pair(-60.0, -80.0)
    ]
    _, (one,) = told(HARDER, sweeps)
    assert "did not take more attenuation" in one.text and "origin" not in one.figures


ZERO = CloserLooks((look(LookKind.ZERO, sweeps=1),))
ONE_HZ = np.full(1000, AT_HZ)


def watched(level: np.ndarray, **more: Any) -> FindingDraft:
    _, (one,) = told(ZERO, [seen(setup_of(LOOK_STEP, ONE_HZ), level, 1, took_s=1.0, **more)])
    return one


def test_zero_span_tells_bursts() -> None:
    """Three bursts of 40, 100 and 160 ms in a second."""
    level = noise(1000, -120.0)
    for start, length in ((100, 40), (300, 100), (700, 160)):
        level[start : start + length] = -70.0
    one = watched(level)
    assert one.figures["duty"] == pytest.approx(0.3, abs=0.005)
    assert (one.figures["bursts"], one.figures["edges"]) == (3, 6)
    assert one.figures["longest_s"] == pytest.approx(0.16, abs=0.002)
    assert one.figures["longest_is_whole"] is True
    assert "on for 30 % of 1 s" in one.text and "159.2 ms" in one.text


def test_one_short_burst_in_a_second_shows() -> None:
    """5 ms: less than a percentile would keep."""
    level = noise(1000, -120.0)
    level[500:505] = -70.0
    one = watched(level)
    assert one.figures["bursts"] == 1 and one.figures["duty"] == pytest.approx(0.005)


@pytest.mark.parametrize(("level_dbm", "duty"), [(-70.5, 1.0), (-95.0, 0.0)])
def test_one_state_is_on_or_off_by_the_findings_own_level(level_dbm: float, duty: float) -> None:
    """Steady all the time: as strong as it was found, or far below."""
    one = watched(np.full(1000, level_dbm))
    assert one.figures["duty"] == duty and "bursts" not in one.figures
    unknown = watched(np.full(1000, level_dbm), follows=Follows(number=1, at_hz=AT_HZ))
    assert unknown.figures["duty"] is None


def test_a_trace_without_levels_tells_nothing_and_fails_at_nothing() -> None:
    """NaN everywhere, in each kind of look."""
    for looks, hz in ((ZOOM, ZOOM_HZ), (ZERO, ONE_HZ)):
        sweeps = [
            seen(setup_of(LOOK_STEP, hz), np.full(hz.size, np.nan), seq)
            for seq in range(1, looks.looks[0].count + 1)
        ]
        _, (one,) = told(looks, sweeps)
        assert one.what == "looked_closer" and "peak_hz" not in one.figures
    gone = [seen(one.setup, np.full(201, np.nan), one.sweep.seq) for one in pair(-60.0, -60.0)]
    _, (one,) = told(HARDER, gone)
    assert "origin" not in one.figures


def test_levels_that_are_no_decibels_are_kept_and_not_worked_on() -> None:
    """A detector's own digits."""
    setup = setup_of(LOOK_STEP, ZOOM_HZ, unit=LevelUnit.DIGIT)
    _, (one,) = told(ZOOM, [seen(setup, np.full(401, 200.0), seq) for seq in (1, 2, 3)])
    assert "no decibels" in one.text
