"""What the receiver shows, against what is there."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from acqd_sim.chance import stream_key
from acqd_sim.devices import Amplifier, Filter, Pad, Passband, Path, band_edges_hz
from acqd_sim.emissions import Comb, Drift, Hump, Impulses, NoiseFloor, Tone, Warming
from acqd_sim.keying import Bursts, On, Slots
from acqd_sim.model import ENB_PER_RBW, Settings
from acqd_sim.receiver import Receiver
from acqd_sim.scene import Scene

from acqd.errors import RequestRefused
from acqd.sweep import Detector, SourceRequest, SweepRequest

T0 = 1_780_000_000.0
Make = Callable[..., Receiver]


def settings(receiver: Receiver, start_hz: float, stop_hz: float, **rest: object) -> Settings:
    """The settings of a sweep; 1001 points and no attenuation unless told otherwise."""
    given: dict[str, object] = {"points": 1001, "attenuation_db": 0.0, **rest}
    request = SweepRequest(start_hz=start_hz, stop_hz=stop_hz, **given)
    return receiver.model.settings(request)


def mean_power_dbm(receiver: Receiver, wanted: Settings, sweeps: int = 20) -> float:
    """Mean power of several sweeps without the level error."""
    level = np.array(
        [receiver.sweep(wanted, start_s=T0 + 10.0 * n, counter=n).level_dbm for n in range(sweeps)]
    )
    axis = np.linspace(wanted.start_hz, wanted.stop_hz, wanted.points)
    level -= receiver.level_error_db(axis, wanted.attenuation_db)
    return float(10.0 * np.log10((10.0 ** (level / 10.0)).mean()))


@pytest.mark.parametrize("rbw_hz", [1e3, 10e3, 100e3, 1e6])
@pytest.mark.parametrize("attenuation_db", [0.0, 20.0])
def test_floor_follows_rbw_and_attenuation(
    receiver_of: Make, rbw_hz: float, attenuation_db: float
) -> None:
    """DANL + 10 log10(1.06447·RBW) + attenuation, with the thermal noise of a terminated input."""
    receiver = receiver_of()
    wanted = settings(
        receiver, 400e6, 410e6, rbw_hz=rbw_hz, detector=Detector.RMS, attenuation_db=attenuation_db
    )
    density = 10.0 ** ((-148.0 + attenuation_db) / 10.0) + 10.0 ** (-173.975 / 10.0)
    expected = 10.0 * np.log10(density * ENB_PER_RBW * rbw_hz)
    assert mean_power_dbm(receiver, wanted) == pytest.approx(expected, abs=0.1)


def test_two_sweeps_of_noise_have_the_right_spread_and_nothing_in_common(
    receiver_of: Make,
) -> None:
    """σ 5.57 dB, −2.51 dB in the mean of dB, no correlation, never twice the same."""
    receiver = receiver_of()
    wanted = settings(receiver, 400e6, 410e6, points=10_001, detector=Detector.SAMPLE)
    one = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm
    two = receiver.sweep(wanted, start_s=T0, counter=1).level_dbm
    assert one.std() == pytest.approx(5.570, abs=0.15)
    floor = 10.0 * np.log10((10 ** (one / 10.0)).mean())
    assert one.mean() - floor == pytest.approx(-2.507, abs=0.1)
    assert abs(np.corrcoef(one, two)[0, 1]) < 0.05


@pytest.mark.parametrize("detector", list(Detector))
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_carrier_comes_back_within_the_stated_accuracy(
    receiver_of: Make, detector: Detector, seed: int
) -> None:
    """On a point, 50 dB over the noise: within accuracy + half a step."""
    tone = Tone(name="carrier", kind="carrier", frequency_hz=145e6, power_dbm=-50.0)
    receiver = receiver_of(Scene(tones=(tone,)), seed=seed, frequency_accuracy_ppm=0.0)
    wanted = settings(receiver, 144e6, 146e6, rbw_hz=30e3, detector=detector)
    level = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm[500]
    # the filter moves on over half a step to both sides, which costs the mean up to 0.02 dB
    assert abs(level + 50.0) <= receiver.model.level_accuracy_db + 0.005 + 0.1


def test_level_and_frequency_errors_are_fixed_and_within_what_is_stated(
    receiver_of: Make,
) -> None:
    """Over fifty instruments of one model: within the accuracy, and not all alike."""
    axis = np.linspace(1e5, 960e6, 5001)
    worst, ppm = [], []
    for seed in range(50):
        receiver = receiver_of(seed=seed)
        error_db = np.array([receiver.level_error_db(axis, a) for a in (0.0, 10.0, 20.0, 30.0)])
        assert np.array_equal(error_db[0], receiver_of(seed=seed).level_error_db(axis, 0.0))
        worst.append(np.abs(error_db).max())
        ppm.append(receiver.frequency_error_ppm)
    assert max(worst) <= 1.5
    assert min(worst) > 0.2
    assert np.abs(ppm).max() <= 2.5
    assert np.std(ppm) > 0.5


def test_a_carrier_is_shown_where_the_frequency_error_puts_it(receiver_of: Make) -> None:
    """At 900 MHz a few ppm are kilohertz: the peak is off by them."""
    tone = Tone(name="carrier", kind="carrier", frequency_hz=900e6, power_dbm=-40.0)
    receiver = receiver_of(Scene(tones=(tone,)), seed=5, frequency_accuracy_ppm=20.0)
    wanted = settings(receiver, 899.9e6, 900.1e6, rbw_hz=1e3)
    level = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm
    peak_hz = 899.9e6 + wanted.step_hz * level.argmax()
    expected_hz = 900e6 * (1.0 - receiver.frequency_error_ppm * 1e-6)
    assert peak_hz == pytest.approx(expected_hz, abs=2 * wanted.step_hz)


def test_the_filter_is_gaussian(receiver_of: Make) -> None:
    """3 dB width as set, 60 dB width 4.4645 times it (textbook value of a Gaussian filter)."""
    tone = Tone(name="carrier", kind="carrier", frequency_hz=145e6, power_dbm=-10.0)
    receiver = receiver_of(
        Scene(tones=(tone,)),
        danl_dbm_per_hz=-190.0,
        level_accuracy_db=0.0,
        frequency_accuracy_ppm=0.0,
        compression_dbm=60.0,
    )
    wanted = settings(receiver, 144.9e6, 145.1e6, points=2001, rbw_hz=30e3, sweep_time_s=0.3)
    wanted = replace(wanted, detector=Detector.RMS)
    level = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm
    width_3 = np.count_nonzero(level >= level.max() - 3.0103) * wanted.step_hz
    width_60 = np.count_nonzero(level >= level.max() - 60.0) * wanted.step_hz
    assert width_3 == pytest.approx(30e3, rel=0.01)
    assert width_60 / width_3 == pytest.approx(4.4645, rel=0.01)


def test_a_peak_detector_does_not_lose_a_carrier_between_two_points(receiver_of: Make) -> None:
    """100 kHz steps, 10 kHz filter: the sweep passes the carrier inside a point."""
    tone = Tone(name="carrier", kind="carrier", frequency_hz=145.05e6, power_dbm=-50.0)
    receiver = receiver_of(Scene(tones=(tone,)), frequency_accuracy_ppm=0.0)
    wanted = settings(receiver, 100e6, 200e6, rbw_hz=10e3)
    peak = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm.max()
    assert peak == pytest.approx(-50.0, abs=receiver.model.level_accuracy_db + 0.6)
    sample = replace(wanted, detector=Detector.SAMPLE)
    assert receiver.sweep(sample, start_s=T0, counter=0).level_dbm.max() < -80.0


class Once(Slots):
    """On in one stretch only."""

    def __init__(self, start_s: float, stop_s: float) -> None:
        super().__init__(key=0, slot_s=1.0, duty_fraction=1.0)
        object.__setattr__(self, "stretch", On(start_s=start_s, stop_s=stop_s))

    def gain(self, at_s: np.ndarray) -> np.ndarray:
        on = self.stretch
        return ((at_s >= on.start_s) & (at_s < on.stop_s)).astype(np.float64)


@pytest.mark.parametrize(
    ("on_from", "on_to", "seen"),
    [(0.0, 1.0, True), (0.45, 0.55, True), (0.0, 0.4, False), (0.6, 1.0, False)],
    ids=["all the time", "as the sweep passes", "before", "after"],
)
def test_a_burst_is_caught_only_if_the_sweep_passes_then(
    receiver_of: Make, on_from: float, on_to: float, seen: bool
) -> None:
    """Each point is looked at at its own instant; the signal sits in the middle of the span."""
    burst = Once(T0 + on_from, T0 + on_to)
    tone = Tone(name="burst", kind="data", frequency_hz=150e6, power_dbm=-50.0, keying=burst)
    receiver = receiver_of(Scene(tones=(tone,)))
    wanted = settings(receiver, 140e6, 160e6, rbw_hz=30e3, sweep_time_s=1.0)
    peak = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm.max()
    assert (peak > -60.0) == seen


def test_the_share_of_bursts_caught_is_their_share_of_time(receiver_of: Make) -> None:
    """One instantaneous look a sweep: hits / sweeps is the duty of the keying."""
    keying = Bursts(key=stream_key(3, "x"), mean_on_s=0.4, mean_off_s=0.8)
    tone = Tone(name="burst", kind="voice", frequency_hz=150e6, power_dbm=-50.0, keying=keying)
    receiver = receiver_of(Scene(tones=(tone,)))
    wanted = settings(receiver, 149.9e6, 150.1e6, points=101, rbw_hz=10e3)
    hits = [
        receiver.sweep(wanted, start_s=T0 + 7.77 * n, counter=n).level_dbm.max() > -60.0
        for n in range(1500)
    ]
    middle_s = T0 + 7.77 * np.arange(1500) + wanted.sweep_time_s / 2.0
    truly = (keying.gain(middle_s) > 0).mean()
    assert np.mean(hits) == pytest.approx(truly, abs=0.02)
    assert truly == pytest.approx(1.0 / 3.0, abs=0.06)


@pytest.mark.parametrize("rbw_hz", [300.0, 3e3, 30e3, 300e3])
def test_a_voice_keeps_its_power_whatever_the_rbw(receiver_of: Make, rbw_hz: float) -> None:
    """Channel power by the rms detector: the sum over points, over the noise bandwidth."""
    voice = Tone(
        name="voice",
        kind="voice",
        frequency_hz=156.8e6,
        power_dbm=-60.0,
        spread_hz=1667.0,
        peak_hz=5e3,
        rate_hz=3e3,
    )
    receiver = receiver_of(Scene(tones=(voice,)), level_accuracy_db=0.0, rbw_min_hz=100.0)
    half_hz = 20e3 + 3.0 * rbw_hz
    wanted = settings(
        receiver, 156.8e6 - half_hz, 156.8e6 + half_hz, rbw_hz=rbw_hz, detector=Detector.RMS
    )
    power = 0.0
    for n in range(10):
        level = receiver.sweep(wanted, start_s=T0 + n, counter=n).level_dbm
        power += (10.0 ** (level / 10.0)).sum() * wanted.step_hz / (ENB_PER_RBW * rbw_hz) / 10.0
    assert 10.0 * np.log10(power) == pytest.approx(-60.0, abs=0.25)


def test_external_noise_is_what_the_recommendation_says(receiver_of: Make) -> None:
    """F_a = 76.8 − 27.7·log10(145) = 16.93 dB over kT0 (form of Rec. ITU-R P.372, from memory)."""
    floor = NoiseFloor(key=1, c_db=76.8, d_db=27.7)
    amplifier = Amplifier(amplification_db=40.0, noise_figure_db=0.01, start_hz=1.0, stop_hz=1e12)
    receiver = receiver_of(Scene(floor=floor), path=Path(devices=(amplifier,)))
    wanted = settings(receiver, 144.5e6, 145.5e6, rbw_hz=10e3, detector=Detector.RMS)
    expected = 16.93 - 173.975 + 10.0 * np.log10(ENB_PER_RBW * 10e3) + 40.0
    assert mean_power_dbm(receiver, wanted) == pytest.approx(expected, abs=0.1)


def test_the_noise_floor_has_its_course_over_the_day() -> None:
    """Highest at the stated hour, lowest twelve hours away, as far apart as stated."""
    floor = NoiseFloor(key=1, c_db=76.8, d_db=27.7, course_db=6.0, peak_h=18.0)
    midnight = 1_780_012_800.0
    at_s = midnight + 3600.0 * np.array([18.0, 6.0, 0.0])
    level = floor.density_dbm_per_hz(np.full(3, 145e6), at_s)
    assert level - level[2] == pytest.approx([3.0, -3.0, 0.0], abs=1e-6)


def test_a_hump_raises_its_part_of_the_floor_by_its_power(receiver_of: Make) -> None:
    """As much noise again as there was: 3 dB inside, nothing outside."""
    hump = Hump(
        name="hump",
        start_hz=150e6,
        stop_hz=152e6,
        density_dbm_per_hz=-148.0,
        edge_hz=50e3,
    )
    receiver = receiver_of(Scene(humps=(hump,)), level_accuracy_db=0.0)
    inside = settings(receiver, 150.5e6, 151.5e6, rbw_hz=10e3, detector=Detector.RMS)
    outside = settings(receiver, 153.5e6, 154.5e6, rbw_hz=10e3, detector=Detector.RMS)
    rise = mean_power_dbm(receiver, inside) - mean_power_dbm(receiver, outside)
    assert rise == pytest.approx(3.0, abs=0.1)


def test_a_comb_has_its_lines_where_they_belong(receiver_of: Make) -> None:
    """Lines at n·f, falling by the slope."""
    comb = Comb(
        name="converter",
        fundamental_hz=100e3,
        power_dbm=-20.0,
        slope_db_per_decade=40.0,
        jitter_hz=0.0,
        stop_hz=30e6,
    )
    receiver = receiver_of(Scene(combs=(comb,)), level_accuracy_db=0.0, frequency_accuracy_ppm=0.0)
    wanted = settings(receiver, 150e3, 2.15e6, points=2001, rbw_hz=3e3)
    level = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm
    at_hz = np.arange(2, 21) * 100e3
    index = np.rint((at_hz - 150e3) / wanted.step_hz).astype(int)
    assert level[index] == pytest.approx(-20.0 - 40.0 * np.log10(at_hz / 100e3), abs=0.5)
    assert level[index + 50].max() < -90.0


def test_impulses_rise_with_twenty_log_of_the_rbw(receiver_of: Make) -> None:
    """Ten times the bandwidth, 20 dB more peak; a sample detector hardly sees them."""
    source = Impulses(
        name="fence",
        key=5,
        start_hz=1e6,
        stop_hz=400e6,
        peak_dbm=-70.0,
        reference_hz=10e3,
        rate_per_s=200.0,
        spread_db=0.0,
    )
    receiver = receiver_of(Scene(impulses=(source,)), level_accuracy_db=0.0)
    for rbw_hz, expected in ((10e3, -70.0), (100e3, -50.0)):
        wanted = settings(receiver, 100e6, 110e6, rbw_hz=rbw_hz, sweep_time_s=0.5)
        level = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm
        assert np.median(level[level > expected - 6.0]) == pytest.approx(expected, abs=1.5)
        struck = np.count_nonzero(level > expected - 6.0)
        assert struck == pytest.approx(source.strikes(T0, T0 + 0.5).at_s.size, abs=12)
    sample = replace(wanted, detector=Detector.SAMPLE)
    assert np.count_nonzero(receiver.sweep(sample, start_s=T0, counter=0).level_dbm > -60.0) < 20


def test_impulses_are_the_same_in_pieces() -> None:
    """A Poisson stream that is a function of time: the union of pieces is the whole."""
    source = Impulses(
        name="fence",
        key=5,
        start_hz=0.0,
        stop_hz=1e9,
        peak_dbm=-70.0,
        reference_hz=10e3,
        rate_per_s=50.0,
    )
    whole = np.sort(source.strikes(T0, T0 + 100.0).at_s)
    cuts = T0 + np.linspace(0, 100, 37)
    pieces = [source.strikes(a, b).at_s for a, b in pairwise(cuts)]
    assert np.array_equal(whole, np.sort(np.concatenate(pieces)))
    assert whole.size == pytest.approx(5000, abs=5 * 71)


def test_averaging_narrows_the_noise_and_takes_its_time(receiver_of: Make) -> None:
    """N = 16: spread 5.57/√16 in dB averaging, sixteen times the sweep time."""
    receiver = receiver_of()
    wanted = settings(receiver, 400e6, 410e6, detector=Detector.SAMPLE, averages=16)
    level = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm
    level = level - receiver.level_error_db(np.linspace(400e6, 410e6, 1001), 0.0)
    assert level.std() == pytest.approx(5.570 / 4.0, rel=0.1)
    assert wanted.total_s == pytest.approx(16.0 * wanted.sweep_time_s)


def test_levels_lie_on_the_step(receiver_of: Make) -> None:
    """Every level is a multiple of the stated step."""
    for step in (0.01, 0.1, 0.5):
        receiver = receiver_of(level_step_db=step)
        wanted = settings(receiver, 100e6, 200e6)
        level = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm
        assert level == pytest.approx(np.rint(level / step) * step, abs=1e-9)


def test_residual_responses_are_the_receivers_own(receiver_of: Make) -> None:
    """With the input terminated they are there, at fixed places, and rise with attenuation."""
    receiver = receiver_of(residuals=3, residual_dbm=-80.0)
    for residual in receiver.residuals:
        around = (residual.frequency_hz - 50e3, residual.frequency_hz + 50e3)
        for attenuation_db in (0.0, 10.0):
            wanted = settings(receiver, *around, rbw_hz=1e3, attenuation_db=attenuation_db)
            level = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm
            assert level.max() == pytest.approx(residual.power_dbm + attenuation_db, abs=2.0)
            assert abs(level.argmax() - 500) < 10


def test_the_source_through_a_filter_gives_the_filter(receiver_of: Make) -> None:
    """Normalised to a through connection: the prototype's loss at every point above the floor."""
    low_hz, high_hz = band_edges_hz(145e6, 4e6)
    band = Filter(passband=Passband.BAND, order=3, low_hz=low_hz, high_hz=high_hz)
    changes = {"source": True, "source_max_dbm": 0.0}
    through = receiver_of(source_path=Path(), **changes)
    filtered = receiver_of(source_path=Path(devices=(band,)), **changes)
    wanted = settings(
        through,
        135e6,
        155e6,
        rbw_hz=10e3,
        detector=Detector.RMS,
        source=SourceRequest(on=True, level_dbm=-30.0),
    )
    reference = through.sweep(wanted, start_s=T0, counter=0).level_dbm
    loss_db = reference - filtered.sweep(wanted, start_s=T0, counter=1).level_dbm
    axis = np.linspace(135e6, 155e6, 1001)
    assert loss_db == pytest.approx(-band.gain_db(axis), abs=0.15)
    off = replace(wanted, source_on=False)
    assert through.sweep(off, start_s=T0, counter=2).level_dbm.max() < -90.0


def test_the_source_standing_still_is_a_carrier(receiver_of: Make) -> None:
    """A fixed source frequency shows as a line there, less the pad."""
    receiver = receiver_of(
        source_path=Path(devices=(Pad(loss_db=20.0),)),
        source=True,
        source_accuracy_db=0.0,
        level_accuracy_db=0.0,
    )
    source = SourceRequest(on=True, level_dbm=-10.0, frequency_hz=145e6)
    wanted = settings(receiver, 144e6, 146e6, rbw_hz=10e3, source=source)
    level = receiver.sweep(wanted, start_s=T0, counter=0).level_dbm
    assert level.max() == pytest.approx(-30.0, abs=0.3)
    assert abs(level.argmax() - 500) <= 1


def test_a_transmitter_drifts_and_droops_as_it_warms() -> None:
    """1 − exp(−t/τ) of the way after keying; harmonics drift n times as far."""
    keying = Bursts(key=1, mean_on_s=600.0, mean_off_s=60.0, min_on_s=500.0)
    on = keying.intervals(T0, T0 + 5000.0)[1]
    warming = Warming(shift_hz=-300.0, droop_db=1.0, time_constant_s=60.0)
    third = Tone(
        name="harmonic",
        kind="harmonic",
        frequency_hz=3 * 145e6,
        power_dbm=-40.0,
        keying=keying,
        warming=warming,
        order=3,
    )
    at_s = on.start_s + np.array([0.0, 60.0, 490.0])
    share = 1.0 - np.exp(-np.array([0.0, 1.0, 490.0 / 60.0]))
    assert third.carrier_hz(at_s) - 435e6 == pytest.approx(-900.0 * share, abs=0.01)
    assert 10 * np.log10(third.gain(at_s)) == pytest.approx(-share, abs=1e-3)


def test_an_oscillator_wanders_within_its_swing() -> None:
    """Never beyond, and over a day nearly everywhere within."""
    drift = Drift(key=3, swing=8e3, period_s=1500.0)
    offset = drift.at(T0 + np.linspace(0, 86_400, 50_001))
    assert np.abs(offset).max() <= 8e3
    assert np.abs(offset).max() > 6e3


def test_another_process_sees_the_same(receiver_of: Make) -> None:
    """A sweep of the built-in scene is the same, bit for bit, in a process of its own."""
    program = (
        "import hashlib\n"
        "from acqd.sweep import SweepRequest\n"
        "from acqd_sim.scenefile import load_world\n"
        "receiver = load_world().receiver('mast')\n"
        "request = SweepRequest(start_hz=156e6, stop_hz=162.1e6, points=1001, rbw_hz=10e3)\n"
        "wanted = receiver.model.settings(request)\n"
        "level = receiver.sweep(wanted, start_s=1.78e9, counter=4).level_dbm\n"
        "print(hashlib.sha256(level.tobytes()).hexdigest())\n"
    )
    seen = set()
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", program],
            capture_output=True,
            text=True,
            check=True,
            timeout=30,
            env={"PYTHONHASHSEED": seed},
        )
        seen.add(done.stdout)
    assert len(seen) == 1


@pytest.mark.parametrize(
    ("changes", "limit"),
    [
        ({"stop_hz": 2e9}, "9.6e\\+08"),
        ({"points": 20_000}, "10001"),
        ({"rbw_hz": 10e6}, "1e\\+06"),
        ({"attenuation_db": 50.0}, "30 dB"),
        ({"averages": 1000}, "100"),
        ({"vbw_hz": 1.0}, "10 Hz"),
        ({"reference_level_dbm": -500.0}, "-100 to 30 dBm"),
        ({"source": SourceRequest(on=True, level_dbm=-10.0)}, "no source"),
    ],
    ids=["range", "points", "rbw", "attenuation", "averages", "vbw", "level", "source"],
)
def test_requests_beyond_a_limit_are_refused_with_it(
    receiver_of: Make, changes: dict[str, object], limit: str
) -> None:
    """The refusal names what it can do."""
    given: dict[str, object] = {"start_hz": 1e6, "stop_hz": 2e6, "points": 101, **changes}
    with pytest.raises(RequestRefused, match=limit):
        receiver_of().model.settings(SweepRequest(**given))


def test_coupled_settings_follow_the_span(receiver_of: Make) -> None:
    """RBW about a hundredth of the span in 1-3-10 steps; sweep time k·span/RBW²."""
    model = receiver_of().model
    request = SweepRequest(start_hz=100e6, stop_hz=101e6, points=1001)
    assert model.settings(request).rbw_hz == 10e3
    narrow = replace(request, rbw_hz=1100.0)
    assert model.settings(narrow).rbw_hz == 1e3
    assert model.settings(narrow).sweep_time_s == pytest.approx(2.5 * 1e6 / 1e3**2)
    video = replace(request, vbw_hz=1e3)
    assert model.settings(video).sweep_time_s == pytest.approx(2.5 * 1e6 / (10e3 * 1e3))
    assert model.settings(replace(request, reference_level_dbm=0.0)).attenuation_db == 20.0
