"""Configs that are right: what they give, and what their digests depend on."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from acqd.config.load import StationConfig, load_config
from acqd.errors import ConfigError
from acqd.measure.band_work import BandSettings
from acqd.sweep import Detector, SweepRequest

Read = Callable[[str], StationConfig]
Edited = Callable[..., str]


def test_small_config_is_read(read: Read, small: str, tmp_path: Path) -> None:
    """Values arrive in base units, under names that carry them, with defaults filled in."""
    config = read(small)
    assert config.station.name == "gannet-ledge"
    assert config.position == (50.05, -5.7)
    assert config.station.seal_every_s == 300.0
    assert config.station.keep_free_bytes == 1_000_000_000
    assert config.archive == tmp_path / "archive"
    assert config.mqtt.place == "local"
    assert str(config.mqtt.endpoint) == "127.0.0.1:1883"
    assert config.sweepers["mast"].deadline_s == 30.0
    assert config.jobs["watch"].min_share == 0.1
    assert config.jobs["watch"].band.opening_probability == 1e-7
    assert config.jobs["watch"].when.every_s == 2.0
    assert config.text == small
    assert config.notes() == ()


def test_request_of_a_job(edited: Edited, read: Read, small: str) -> None:
    """The job's keys become the request: a step into points, words into detectors."""
    text = edited(
        small,
        ('rbw = "10 kHz"', 'rbw = "10 kHz"\nvbw = "1 kHz"\ndetector = "rms"\naverages = 4'),
        ('step = "5 kHz"', 'step = "5 kHz"\nattenuation = "10 dB"\nsweep_time = "1.5 s"'),
    )
    assert read(text).jobs["watch"].request() == SweepRequest(
        start_hz=156e6,
        stop_hz=162.1e6,
        points=1221,
        rbw_hz=10e3,
        vbw_hz=1e3,
        detector=Detector.RMS,
        averages=4,
        attenuation_db=10.0,
        sweep_time_s=1.5,
    )


def test_centre_and_span_are_start_and_stop(edited: Edited, read: Read, small: str) -> None:
    """Both ways to say a range give the same request and the same digest."""
    other = edited(
        small,
        ('start = "156 MHz"', 'centre = "159.05 MHz"'),
        ('stop = "162.1 MHz"', 'span = "6.1 MHz"'),
        ('step = "5 kHz"', "points = 1221"),
    )
    assert read(other).jobs["watch"].request() == read(small).jobs["watch"].request()
    assert read(other).job_digest("watch") == read(small).job_digest("watch")


def test_schedule_of_a_job(edited: Edited, read: Read, small: str) -> None:
    """The plan gets rhythm, windows, dates, zone and position."""
    when = (
        'when = { every = "1 min", window = ["21:00..06:00", "dusk..dawn"], '
        'from = 2026-03-14, until = "2026-03-16", burst = 3 }'
    )
    schedule = read(edited(small, ('when = { every = "2 s" }', when))).schedule("watch")
    assert schedule.every_s == 60.0
    assert [str(window) for window in schedule.windows] == ["21:00 to 06:00", "dusk to dawn"]
    assert schedule.zone == "Europe/London"
    assert schedule.position == (50.05, -5.7)
    assert (schedule.first_day, schedule.last_day) == (date(2026, 3, 14), date(2026, 3, 16))
    assert schedule.burst == 3


def test_chain_of_a_job(edited: Edited, read: Read, small: str) -> None:
    """Losses become negative gains, in the order of the parts."""
    parts = (
        '[[chain.aerial.part]]\nkind = "aerial"\nname = "whip"\ngain = "2 dB"\n'
        '[[chain.aerial.part]]\nkind = "other"\n'
        'loss_at = [["100 MHz", "1 dB"], ["200 MHz", "3 dB"]]\n'
        'uncertainty = "0.1 dB"\nrated = "2 W"\n'
    )
    config = read(edited(small, ("[job.watch]", f"{parts}\n[job.watch]")))
    chain = config.chain("watch")
    assert chain is not None
    assert [part.name for part in chain.parts] == ["cable", "whip", "other"]
    assert chain.gain_db(150e6) == pytest.approx(-1 + 2 - 2)
    assert [part.uncertainty_db for part in chain.parts] == [0.5, 3.0, 0.1]
    assert chain.parts[2].rated_w == 2.0


def test_every_kind_of_part_is_known_to_the_chain(edited: Edited, read: Read, small: str) -> None:
    """Each word for a part that the config accepts can be turned into one."""
    words = ("cable", "pad", "amplifier", "filter", "coupler", "limiter", "aerial", "other")
    for word in words:
        config = read(edited(small, ('kind = "cable"', f'kind = "{word}"')))
        chain = config.chain("watch")
        assert chain is not None
        assert chain.parts[0].name == word


def test_job_on_a_disabled_sweeper_does_not_run(edited: Edited, read: Read, small: str) -> None:
    """A job runs where it and its sweeper are enabled."""
    text = edited(small, ('driver = "sim"', 'driver = "sim"\nenabled = false'))
    assert list(read(small).enabled_jobs) == ["watch"]
    assert read(text).enabled_jobs == {}


def test_paths_are_relative_to_the_file(
    edited: Edited, read: Read, small: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Archive, secrets, certificates and serial ports; the home folder for ``~``."""
    monkeypatch.setenv("HOME", "/home/keeper")
    mqtt = (
        '[mqtt]\nbroker = "mqtts://broker.example"\npassword_file = "~/secret"\n'
        'ca_file = "ca.pem"\n[sweeper.mast]'
    )
    text = edited(
        small, ("[sweeper.mast]", mqtt), ('address = "sim:mast"', 'address = "serial:run/a.tty"')
    )
    config = read(text)
    assert config.password_file == Path("/home/keeper/secret")
    assert config.ca_file == tmp_path / "ca.pem"
    assert config.address("mast") == f"serial:{tmp_path / 'run/a.tty'}"


@pytest.mark.parametrize("path", ["night.sigmf-meta", "./recordings/*.sigmf-meta", "recordings"])
def test_recordings_are_relative_to_the_config(
    edited: Edited, read: Read, small: str, tmp_path: Path, path: str
) -> None:
    """The path of an iq: address counts from the config's folder, with folders in it or without."""
    config = read(edited(small, ("sim:mast", f"iq:{path}")))
    assert config.address("mast") == f"iq:{tmp_path / path}"


@pytest.mark.parametrize("address", ["usb:1209", "usb:1209:0001@", "usb:ttyACM0"])
def test_an_identity_on_usb_that_is_none_is_told(
    edited: Edited, read: Read, small: str, address: str
) -> None:
    """With its line and the form that would be one; a right one is kept as it is."""
    with pytest.raises(ConfigError, match=r'not an identity on USB .*accepted: "usb:1209:0001"'):
        read(edited(small, ('"sim:mast"', f'"{address}"')))
    right = "usb:1209:0001/GL 17@1-2.3"
    config = read(edited(small, ('"sim:mast"', f'"{right}"')))
    assert config.address("mast") == right


@pytest.mark.parametrize("address", ["serial:COM3", "serial:/dev/ttyACM0", "tcp://h:1", "sim:x/y"])
def test_other_addresses_are_left_alone(
    edited: Edited, read: Read, small: str, address: str
) -> None:
    """Only a serial port that is a relative path is made absolute."""
    config = read(edited(small, ("sim:mast", address)))
    assert config.address("mast") == address


@pytest.mark.parametrize(
    ("broker", "endpoint", "tls"),
    [
        ("mqtt://broker.example", "broker.example:1883", False),
        ("mqtts://broker.example", "broker.example:8883", True),
        ("mqtt://[2001:db8::1]:1999", "[2001:db8::1]:1999", False),
        ("mqtts://192.0.2.1:8884/", "192.0.2.1:8884", True),
    ],
)
def test_broker_url(read: Read, small: str, broker: str, endpoint: str, tls: bool) -> None:
    """A URL names host and port; the registered port is taken where it is left out."""
    config = read(f'{small}\n[mqtt]\nbroker = "{broker}"\n')
    assert config.mqtt.place == "url"
    assert config.mqtt.endpoint is not None
    assert (str(config.mqtt.endpoint), config.mqtt.endpoint.tls) == (endpoint, tls)


def test_no_broker_has_no_endpoint(read: Read, small: str) -> None:
    """``broker = "none"`` is a station without messages."""
    assert read(f'{small}\n[mqtt]\nbroker = "none"\n').mqtt.endpoint is None


def test_mark_of_byte_order_and_windows_lines(tmp_path: Path, small: str) -> None:
    """What editors on other systems add does no harm, and lines are counted right."""
    path = tmp_path / "station.toml"
    path.write_bytes(b"\xef\xbb\xbf" + small.replace("\n", "\r\n").encode())
    assert load_config(path).station.name == "gannet-ledge"
    path.write_bytes(b"\xef\xbb\xbf" + small.replace("rbw", "rwb").replace("\n", "\r\n").encode())
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    assert [problem.line for problem in caught.value.problems] == [23]


@pytest.mark.parametrize(
    "change",
    [
        ("[job.watch]", "# a comment\n[job.watch]\ntitle = 'x'\npriority = 3"),
        ('rbw = "10 kHz"', 'rbw = "10000 Hz"'),
        ('step = "5 kHz"', "points = 1221"),
        ('rbw = "10 kHz"', 'rbw = "10 kHz"\nband = { false_alarm = 1e-7, closing = "3 dB" }'),
        ('every = "2 s"', 'every = "2 s", window = "21:00..06:00", until = 2026-01-01'),
        ('address = "sim:mast"', 'address = "sim:other"'),
    ],
    ids=["words", "unit", "points", "defaults", "window", "port"],
)
def test_digest_stays(edited: Edited, read: Read, small: str, change: tuple[str, str]) -> None:
    """What does not bear on comparing sweeps leaves the job's digest alone."""
    assert read(edited(small, change)).job_digest("watch") == read(small).job_digest("watch")
    assert read(edited(small, change)).digest != read(small).digest


@pytest.mark.parametrize(
    ("written", "where", "given"),
    [
        ('"25:00..06:00"', "when.window:", '"25:00..06:00"'),
        ('["21:00..06:00", "25:00..06:00"]', "when.window[2]:", '"25:00..06:00"'),
    ],
    ids=["alone", "in a list"],
)
def test_a_wrong_window_is_shown_as_it_stands(
    edited: Edited, read: Read, small: str, written: str, where: str, given: str
) -> None:
    """A text that may stand alone is not counted as if it stood in a list."""
    text = edited(small, ('every = "2 s"', f'every = "2 s", window = {written}'))
    with pytest.raises(ConfigError) as caught:
        read(text)
    (problem,) = caught.value.problems
    assert f"job.watch.{where}" in str(problem) and f"(given: {given})" in str(problem)


@pytest.mark.parametrize(
    "change",
    [
        ('rbw = "10 kHz"', 'rbw = "3 kHz"'),
        ('every = "2 s"', 'every = "3 s"'),
        ('loss = "1 dB"', 'loss = "2 dB"'),
        ('driver = "sim"', 'driver = "sim"\nlevel_accuracy = "1 dB"'),
        ('rbw = "10 kHz"', 'rbw = "10 kHz"\nband.margin = "8 dB"'),
        ('rbw = "10 kHz"', 'rbw = "10 kHz"\nband.channels = "marine-vhf"'),
    ],
    ids=["rbw", "rhythm", "chain", "accuracy", "band", "channels"],
)
def test_digest_changes(edited: Edited, read: Read, small: str, change: tuple[str, str]) -> None:
    """What bears on comparing sweeps, or on the figures made of them, changes the digest."""
    assert read(edited(small, change)).job_digest("watch") != read(small).job_digest("watch")


def test_digest_source_is_canonical_json(edited: Edited, read: Read, small: str) -> None:
    """Keys are sorted, quantities have their units, and the channels stand in it."""
    config = read(edited(small, ('rbw = "10 kHz"', 'rbw = "10 kHz"\nband.channels = "pmr446"'),
                         ('stop = "162.1 MHz"', 'stop = "450 MHz"')))  # fmt: skip
    source = config.job_digest_source("watch")
    data = json.loads(source)
    assert json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False) == source
    assert data == config.job_source("watch")
    assert data["rbw"] == "10 kHz"
    assert data["channel_plan"]["channels"][0]["centre_hz"] == 446_006_250.0
    assert data["chain_parts"][0]["gain_db"] == [-1.0]


def test_defaults_are_those_of_the_meter(read: Read, small: str) -> None:
    """What the config fills in for a band and what its meter would take by itself are the same."""
    band, meter = read(small).jobs["watch"].band, BandSettings()
    assert band.opening_probability == meter.false_alarm
    for name in ("margin_db", "closing_db", "min_duration_s", "floor", "learn_s", "floor_step_db"):
        assert getattr(band, name) == getattr(meter, name), name
    assert band.flapping_s == meter.flapping_s
