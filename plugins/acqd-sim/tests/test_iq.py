"""Samples of a simulated receiver: levels, times, types, the stream and the recording."""

from __future__ import annotations

import hashlib
import json
import socket
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import sigmf
from acqd_sim.emissions import Comb, Hump, Impulses, NoiseFloor, Tone
from acqd_sim.iq import IqSettings, IqSource, WrongIq
from acqd_sim.iqrecord import record
from acqd_sim.keying import Slots
from acqd_sim.receiver import Receiver
from acqd_sim.scene import Scene
from acqd_sim.scenefile import World, load_world
from acqd_sim.serve import main
from acqd_sim.server import PortTaken, Served, SimServer

from acqd.sweep import Detector, SweepRequest

T0 = 1_780_000_000.0
RATE_HZ = 200e3
CENTRE_HZ = 156.5e6
SETTINGS = IqSettings(rate_hz=RATE_HZ, centre_hz=CENTRE_HZ)
Make = Callable[..., Receiver]


def density_dbm_per_hz(samples: np.ndarray, low_hz: float, high_hz: float) -> float:
    """Mean density between two frequencies off the centre, from plain periodograms."""
    pieces = samples[: samples.size // 1000 * 1000].reshape(-1, 1000)
    power = (np.abs(np.fft.fft(pieces, axis=1)) ** 2).mean(axis=0) / 1000 / RATE_HZ
    at_hz = np.fft.fftfreq(1000, 1 / RATE_HZ)
    return float(10 * np.log10(power[(at_hz >= low_hz) & (at_hz <= high_hz)].mean()))


def level_dbm(samples: np.ndarray, at_hz: float) -> float:
    """Level of a lone carrier, by one correlation."""
    turn = np.exp(-2j * np.pi * at_hz / RATE_HZ * np.arange(samples.size))
    return float(20 * np.log10(np.abs(np.mean(samples * turn))))


@pytest.mark.slow
def test_noise_has_the_density_of_a_sweep(receiver_of: Make) -> None:
    """Own, external and a hump's; within 0.2 dB of what the receiver's rms sweep shows."""
    scene = Scene(
        floor=NoiseFloor(key=3, c_db=40.0, d_db=0.0),
        humps=(
            Hump(
                name="converter",
                start_hz=CENTRE_HZ + 20e3,
                stop_hz=CENTRE_HZ + 60e3,
                density_dbm_per_hz=-130.0,
                edge_hz=1e3,
            ),
        ),
    )
    receiver = receiver_of(scene)
    source = IqSource(receiver, SETTINGS, start_s=T0)
    samples = np.concatenate([source.field(20_000) for _ in range(20)])
    for low_hz, high_hz in ((-70e3, -20e3), (30e3, 50e3)):
        request = SweepRequest(
            start_hz=CENTRE_HZ + low_hz,
            stop_hz=CENTRE_HZ + high_hz,
            points=51,
            rbw_hz=1e3,
            detector=Detector.RMS,
            attenuation_db=0.0,
            sweep_time_s=20.0,
        )
        settings = receiver.model.settings(request)
        shown = receiver.sweep(settings, start_s=T0, counter=0).level_dbm
        theirs = 10 * np.log10(np.mean(10 ** (shown / 10)) / (1.06447 * settings.rbw_hz))
        assert density_dbm_per_hz(samples, low_hz, high_hz) == pytest.approx(theirs, abs=0.2)


def test_a_carrier_has_its_level_and_place(receiver_of: Make) -> None:
    """With the receiver's own errors of level and frequency, as its sweeps have them."""
    tone = Tone(name="beacon", kind="carrier", frequency_hz=CENTRE_HZ + 30e3, power_dbm=-60.0)
    receiver = receiver_of(Scene(tones=(tone,)))
    source = IqSource(receiver, SETTINGS, start_s=T0)
    samples = np.concatenate([source.field(5000) for _ in range(4)])
    at_hz = 30e3 - receiver.frequency_error_ppm * 1e-6 * tone.frequency_hz
    error_db = float(receiver.level_error_db(np.array([tone.frequency_hz]), 0.0)[0])
    # Blocks hang together: a phase that jumped between them would cost decibels here.
    assert level_dbm(samples, at_hz) == pytest.approx(-60.0 + error_db, abs=0.02)


def test_keying_is_at_its_true_times(receiver_of: Make) -> None:
    """On just where the scene's truth says, to the grid of 32 samples."""
    keying = Slots(key=5, slot_s=0.01, duty_fraction=0.5, fill_fraction=0.6)
    tone = Tone(
        name="keyed", kind="carrier", frequency_hz=CENTRE_HZ, power_dbm=-50.0, keying=keying
    )
    scene = Scene(tones=(tone,))
    source = IqSource(receiver_of(scene), SETTINGS, start_s=T0)
    power = np.abs(np.concatenate([source.field(4000) for _ in range(10)])) ** 2
    expected = np.zeros(power.size, dtype=bool)
    for one in scene.truth(T0, T0 + power.size / RATE_HZ):
        first, last = (round((at_s - T0) * RATE_HZ) for at_s in (one.start_s, one.stop_s))
        expected[first:last] = True
    assert 0.1 < expected.mean() < 0.9
    wrong = (power > 10 ** (-5.3)) != expected
    edges = 2 * np.count_nonzero(np.diff(expected))
    assert np.count_nonzero(wrong) <= 32 * edges


def test_a_voice_keeps_its_power_and_its_bandwidth(receiver_of: Make) -> None:
    """A constant envelope of the stated power, and next to nothing beyond the bandwidth."""
    voice = Tone(
        name="traffic",
        kind="voice",
        frequency_hz=CENTRE_HZ,
        power_dbm=-50.0,
        spread_hz=1.7e3,
        peak_hz=5e3,
        rate_hz=3e3,
    )
    receiver = receiver_of(Scene(tones=(voice,)), danl_dbm_per_hz=-170.0)
    samples = IqSource(receiver, SETTINGS, start_s=T0).field(200_000)
    error_db = float(receiver.level_error_db(np.array([CENTRE_HZ]), 0.0)[0])
    power_dbm = 10 * np.log10(np.mean(np.abs(samples) ** 2))
    assert power_dbm == pytest.approx(-50.0 + error_db, abs=0.05)
    spectrum = np.abs(np.fft.fft(samples)) ** 2
    at_hz = np.fft.fftfreq(samples.size, 1 / RATE_HZ)
    outside = spectrum[np.abs(at_hz) > 8e3].sum() / spectrum.sum()
    assert outside < 1e-3
    within = spectrum[np.abs(at_hz) < 500].sum() / spectrum.sum()
    assert within < 0.6


def test_a_carrier_beyond_the_band_does_not_fold_back(receiver_of: Make) -> None:
    """A converter's filter is taken to be perfect."""
    tone = Tone(name="far", kind="carrier", frequency_hz=CENTRE_HZ + 120e3, power_dbm=-20.0)
    samples = IqSource(receiver_of(Scene(tones=(tone,))), SETTINGS, start_s=T0).field(20_000)
    assert 10 * np.log10(np.mean(np.abs(samples) ** 2)) < -80.0


def test_a_comb_has_its_lines(receiver_of: Make) -> None:
    """At each multiple of the fundamental, weaker by the slope."""
    comb = Comb(
        name="converter",
        fundamental_hz=CENTRE_HZ / 5000,
        power_dbm=0.0,
        slope_db_per_decade=20.0,
        jitter_hz=0.0,
        stop_hz=1e9,
    )
    receiver = receiver_of(Scene(combs=(comb,)), frequency_accuracy_ppm=0.0)
    samples = IqSource(receiver, SETTINGS, start_s=T0).field(20_000)
    for number in (4999, 5000, 5001):
        at_hz = number * comb.fundamental_hz
        error_db = float(receiver.level_error_db(np.array([at_hz]), 0.0)[0])
        expected = -20.0 * np.log10(number) + error_db
        assert level_dbm(samples, at_hz - CENTRE_HZ) == pytest.approx(expected, abs=0.3)


def test_impulses_peak_in_their_bandwidth(receiver_of: Make) -> None:
    """A Gaussian filter of the reference bandwidth shows them at their stated peak."""
    source = Impulses(
        name="fence",
        key=9,
        start_hz=100e6,
        stop_hz=200e6,
        peak_dbm=-60.0,
        reference_hz=10e3,
        rate_per_s=20.0,
        spread_db=1e-9,
    )
    receiver = receiver_of(Scene(impulses=(source,)))
    samples = IqSource(receiver, SETTINGS, start_s=T0).field(60_000)
    at_hz = np.fft.fftfreq(samples.size, 1 / RATE_HZ)
    response = 2.0 ** (-2.0 * (at_hz / 10e3) ** 2)  # of the amplitude: 3 dB at half the width
    shown = np.fft.ifft(np.fft.fft(samples) * response)
    assert 20 * np.log10(np.abs(shown).max()) == pytest.approx(-60.0, abs=0.5)


@pytest.mark.parametrize(
    "kind", ["cf32_le", "cf64_be", "ci32_le", "ci16_be", "cu16_le", "ci8", "cu8"]
)
def test_every_type_is_read_by_the_library(world: World, tmp_path: Path, kind: str) -> None:
    """A recording is valid SigMF, its sum right, and its samples are those of the source."""
    settings = IqSettings(rate_hz=RATE_HZ, centre_hz=CENTRE_HZ, type=kind, full_scale_dbm=-70.0)
    out = tmp_path / "night.sigmf-meta"
    assert record(world, "mast", settings, start_s=T0, lasts_s=0.05, out=out) == 10_000
    found = sigmf.sigmffile.fromfile(str(out))
    found.validate()
    samples = found.read_samples()
    source = IqSource(world.receiver("mast"), settings, start_s=T0)
    wanted = source.field(10_000) / 10 ** (-70.0 / 20.0)
    wanted = np.clip(wanted.real, -1, 1) + 1j * np.clip(wanted.imag, -1, 1)
    step = 2.0**-7 if kind.endswith("8") else 2.0**-15
    np.testing.assert_allclose(samples, wanted, atol=step)
    data = (tmp_path / "night.sigmf-data").read_bytes()
    meta = json.loads(out.read_text())
    assert meta["global"]["core:sha512"] == hashlib.sha512(data).hexdigest()


@pytest.mark.slow
def test_the_truth_stands_beside_a_recording(tmp_path: Path) -> None:
    """Each stretch that reaches into the band, cut to it, in samples."""
    world = load_world()
    settings = IqSettings(rate_hz=2e6, centre_hz=156.5e6)
    out = tmp_path / "night.sigmf-meta"
    record(world, "mast", settings, start_s=T0, lasts_s=0.2, out=out)
    meta = json.loads(out.read_text())
    truth = world.hookups["mast"].scene.truth(T0, T0 + 0.2)
    names = {one.name for one in truth if abs(one.frequency_hz - 156.5e6) < 1e6}
    told = {one["core:label"] for one in meta["annotations"]}
    assert names <= told
    for one in meta["annotations"]:
        assert one["core:freq_lower_edge"] >= 155.5e6
        assert one["core:freq_upper_edge"] <= 157.5e6
        assert one["core:sample_start"] + one["core:sample_count"] <= 400_000
    assert meta["captures"][0]["core:datetime"] == "2026-05-28T20:26:40.000000Z"


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        ({"rate": "1 MS/s"}, "centre is missing"),
        ({"rate": "1 MHz", "centre": "156 MHz"}, "MS/s"),
        ({"rate": "1 MS/s", "centre": "156 MHz", "type": "ri16_le"}, "ci16"),
        ({"rate": "1 MS/s", "centre": "156 MHz", "type": "ci16"}, "ci16"),
        ({"rate": "1 MS/s", "centre": "156 MHz", "gain": "3 dB"}, "no 'gain'"),
        ({"rate": "1 MS/s", "centre": "156 MHz", "full_scale": "-20 dBFS"}, "level in dBm"),
        ({"rate": "100 MS/s", "centre": "156 MHz"}, "1000 to 5e\\+07"),
    ],
)
def test_wrong_settings_are_refused(texts: dict[str, str], said: str) -> None:
    """What is wrong, and what would do."""
    with pytest.raises(WrongIq, match=said):
        IqSettings.from_texts(texts)


@pytest.mark.slow
def test_a_client_that_does_not_read_costs_blocks_not_memory(world: World) -> None:
    """Whole blocks are left out while it does not read; when it reads again, samples come."""
    settings = IqSettings(rate_hz=4e6, centre_hz=CENTRE_HZ, type="cf64_le")
    served = Served(iq={"mast": ("127.0.0.1", 0, settings)})
    with SimServer(world, served) as server:
        port = server.samples("mast")
        with socket.create_connection((port.host, port.port), 5.0) as link:
            link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
            until_s = time.monotonic() + 30.0
            while not port.left_out:
                assert time.monotonic() < until_s
                time.sleep(0.02)
            link.settimeout(10.0)
            got = 0
            while got < 20_000_000:
                data = link.recv(1 << 20)
                assert data
                got += len(data)


def test_who_has_gone_leaves_the_place_to_the_next(world: World) -> None:
    """At once, not at the next block, which at this rate is a quarter of a second later: openings
    in quick succession all get samples. One that stays keeps its stream."""
    settings = IqSettings(rate_hz=1e3, centre_hz=CENTRE_HZ, type="cf32_le")
    with SimServer(world, Served(iq={"mast": ("127.0.0.1", 0, settings)})) as server:
        port = server.samples("mast")
        with socket.create_connection((port.host, port.port), 5.0) as stays:
            stays.settimeout(10.0)
            for _ in range(3 * port.connections_max):
                with socket.create_connection((port.host, port.port), 5.0) as link:
                    link.settimeout(10.0)
                    link.sendall(b"nothing is told to it")
                    assert link.recv(1)
            had = 0
            while had < 2 * 256 * settings.frame_bytes:
                data = stays.recv(65536)
                assert data
                had += len(data)


def test_a_recording_by_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From a stated time; what is wrong is one line and exit code 2."""
    words = ["record", "-", "mast", "--centre", "156.5MHz", "--rate", "200 kS/s", "--for", "50ms"]
    out = str(tmp_path / "x.sigmf-meta")
    assert main([*words, "--from", "2026-06-14T22:52:10Z", "--out", out]) == 0
    assert "10000 samples of mast" in capsys.readouterr().out
    meta = json.loads(Path(out).read_text())
    assert meta["captures"][0]["core:datetime"] == "2026-06-14T22:52:10.000000Z"
    for more, said in (
        (["--out", str(tmp_path / "x.iq")], "NAME.sigmf-meta"),
        (["--out", out, "--from", "yesterday"], "2026-06-14T22:52:10Z"),
        (["--out", out, "--type", "ci12"], "ci16"),
        (["--out", out, "--for", "1000000 s"], "a recording lasts"),
        (["--out", out, "--rate", "2 MHz"], "MS/s"),
    ):
        assert main([*words, *more]) == 2
        assert said in capsys.readouterr().err
    assert main([*words, "--out", str(tmp_path / "no" / "x.sigmf-meta")]) == 1
    assert "cannot be written" in capsys.readouterr().err
    assert sorted(one.name for one in tmp_path.iterdir()) == ["x.sigmf-data", "x.sigmf-meta"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("mast=127.0.0.1:0,rate=1 MHz,centre=156 MHz", "MS/s"),
        ("mast=127.0.0.1:0", "rate is missing"),
        ("mast=127.0.0.1,rate=1 MS/s,centre=156 MHz", "expected HOST:PORT"),
        ("127.0.0.1:0,rate", "expected NAME="),
    ],
)
def test_wrong_words_for_a_stream(text: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    """One line, and exit code 2."""
    with pytest.raises(SystemExit):
        main(["serve", "--iq", text])
    assert said in capsys.readouterr().err


def test_samples_need_real_time(world: World) -> None:
    """A faster clock would need a faster converter."""
    served = Served(iq={"mast": ("127.0.0.1", 0, SETTINGS)}, time_scale=0.01)
    with pytest.raises(PortTaken, match="leave the time scale at 1"):
        SimServer(world, served)
