"""Streams of samples over TCP, from a program that sends them in real time."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from acqd_iq.datatypes import parse_type
from acqd_iq.stream import Stream

from acqd.drivers.transport import open_transport
from acqd.errors import RequestRefused, SweepInvalid, TransportClosed, TransportTimeout
from acqd.sweep import SweepFlag

Opened = Callable[..., Any]


def test_a_stream_is_swept(sender: Any, opened: Opened) -> None:
    """Level and place of what is sent; bare samples do not say who sends them."""
    ear = opened(sender.address, **sender.options)
    sweep = ear.sweep(sweep_time_s=0.05)
    assert sweep.level.max() == pytest.approx(-20.0, abs=0.02)
    assert sweep.frequency_hz[sweep.level.argmax()] == 156.52e6
    assert sweep.took_s >= 0.05
    assert str(ear.opened.identity) == "IQ stream"
    assert ear.opened.identity.is_doubtful
    assert not ear.capabilities.gives_time


def test_a_receiver_at_another_port_is_the_same(sender: Any, opened: Opened) -> None:
    """Who it is stands in the options, not in where its samples come from."""
    named = {"maker": "Gannet Ledge", "model": "mast receiver", "serial_number": "GL0017"}
    here = opened(sender.address, **sender.options, **named).opened.identity
    there = opened(
        sender.address.replace("127.0.0.1", "localhost"), **sender.options, **named
    ).opened.identity
    assert here == there
    assert str(here) == "Gannet Ledge mast receiver, serial number GL0017"


def test_a_sweep_is_of_now(sender: Any, opened: Opened) -> None:
    """What was sent before the sweep began, and lies in buffers, is not in it."""
    ear = opened(sender.address, **sender.options)
    ear.sweep(sweep_time_s=0.02)
    sender.amplitude = 1e-3
    time.sleep(0.05)  # some of the old and some of the new is on its way, unread
    sweep = ear.sweep(sweep_time_s=0.05)
    assert sweep.level.max() == pytest.approx(-60.0, abs=0.2)


@pytest.mark.slow
def test_a_client_that_does_not_read_is_caught_up(opened: Opened, sender: Any) -> None:
    """After the buffers were full and blocks were left out, a sweep has no old sample in it."""
    sender.speed = 200.0
    ear = opened(sender.address, **sender.options)
    until_s = time.monotonic() + 20.0
    while not sender.left_out:
        assert time.monotonic() < until_s
        time.sleep(0.01)
    sender.speed, sender.amplitude = 1.0, 1e-3
    sweep = ear.sweep(sweep_time_s=0.05)
    assert sweep.level.max() == pytest.approx(-60.0, abs=0.2)
    assert not sweep.flags & SweepFlag.NOT_FINITE


@pytest.mark.slow
def test_samples_that_are_cut_in_two_are_put_together(sender: Any, opened: Opened) -> None:
    """Three bytes at a time, of samples of four."""
    sender.chunk = 3
    sender.rate_hz = 20e3
    ear = opened(sender.address, **sender.options)
    for _ in range(3):
        sweep = ear.sweep(
            start_hz=156.495e6, stop_hz=156.505e6, points=101, rbw_hz=300.0, sweep_time_s=0.05
        )
        # Between two bins; a stream that slipped by a byte would be noise over all of them.
        assert sweep.level.max() == pytest.approx(-20.1, abs=0.11)
        assert sweep.frequency_hz[sweep.level.argmax()] == pytest.approx(156.502e6, abs=100)
        assert np.median(sweep.level) < -60.0


@pytest.mark.slow
def test_a_stream_that_stalls_is_given_up(sender: Any, opened: Opened) -> None:
    """After the option stall; the session ends, and it can be opened anew."""
    ear = opened(sender.address, stall="200 ms", **sender.options)
    ear.sweep(sweep_time_s=0.02)
    sender.silent = True
    with pytest.raises(TransportTimeout, match=r"no samples for 0\.2 s"):
        ear.sweep(sweep_time_s=0.02)
    assert not ear.host.is_open


def test_a_stream_that_ends_is_closed(sender: Any, opened: Opened) -> None:
    """The other end went away."""
    ear = opened(sender.address, **sender.options)
    sender.unplug()
    with pytest.raises(TransportClosed):
        ear.sweep(sweep_time_s=0.02)


@pytest.mark.slow
def test_a_stream_that_is_slower_than_stated_is_refused(sender: Any, opened: Opened) -> None:
    """Samples that come late may not be all that there were; the rate may be wrong."""
    sender.speed = 0.4
    ear = opened(sender.address, stall="200 ms", **sender.options)
    with pytest.raises(SweepInvalid, match="some may be missing; is the option rate right"):
        ear.sweep(sweep_time_s=0.2)


def test_a_stream_that_never_pauses_is_refused(
    sender: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Old samples without end: the rate is higher than stated."""
    monkeypatch.setattr("acqd_iq.stream.CATCH_UP_S", 0.2)
    monkeypatch.setattr("acqd_iq.stream.READ_BYTES", 4096)
    sender.speed = 20.0
    link = open_transport(sender.address)
    try:
        kind = parse_type(sender.kind)
        stream = Stream(link, kind, rate_hz=20e3, name="ear", stall_s=2.0)
        with pytest.raises(SweepInvalid, match="faster than 20000 a second"):
            stream.take(100)
    finally:
        link.close()


def test_more_than_one_sweep_may_hold_is_refused(sender: Any, opened: Opened) -> None:
    """256 MiB: 336 s at this rate and type."""
    ear = opened(sender.address, **sender.options)
    with pytest.raises(RequestRefused, match=r"sweep time: asked for 400 s.*335\.5"):
        ear.sweep(sweep_time_s=400.0)


@pytest.mark.parametrize("missing", ["type", "rate", "centre"])
def test_a_stream_needs_to_be_described(sender: Any, opened: Opened, missing: str) -> None:
    """Nothing in it says what it is."""
    options = {key: value for key, value in sender.options.items() if key != missing}
    with pytest.raises(RequestRefused, match=f"without {missing} is not accepted"):
        opened(sender.address, **options)


def test_floats_that_are_no_numbers_cost_the_sweep(opened: Opened, sender: Any) -> None:
    """As of bytes of another type than stated."""
    sender.kind = "cf32_le"
    sender.amplitude = float("nan")
    ear = opened(sender.address, **sender.options)
    with pytest.raises(SweepInvalid, match="is the option type right"):
        ear.sweep(sweep_time_s=0.02)
    assert ear.host.is_open


def test_the_samples_of_a_take_follow_each_other(sender: Any) -> None:
    """No sample is missing or twice within a sweep: the phase runs on."""
    link = open_transport(sender.address)
    try:
        kind = parse_type(sender.kind)
        stream = Stream(link, kind, rate_hz=sender.rate_hz, name="ear", stall_s=2.0)
        samples = kind.decode(stream.take(20_000)).samples
    finally:
        link.close()
    turns = np.angle(samples[1:] * np.conj(samples[:-1])) / (2 * np.pi)
    np.testing.assert_allclose(turns, 0.1, atol=1e-3)
