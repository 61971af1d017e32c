"""What a driver says of its sweeper must be plain data: files and messages are made of it."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from acqd.drivers.plain import (
    RULES,
    is_finite,
    numbers_as_declared,
    printable,
    problem_of,
)
from acqd.sweep import Capabilities, Detector, Identity, Reported


@pytest.mark.parametrize("kind", [Reported, Capabilities, Identity])
def test_every_field_has_a_rule(kind: type) -> None:
    """A new field with a new kind of declaration is noticed here."""
    assert {str(field.type) for field in fields(kind)} <= set(RULES)


@pytest.mark.parametrize(
    "told",
    [
        Reported(),
        Reported(rbw_hz=10_000, detector=Detector.RMS, averages=4, sweep_time_s=0.0),
        Reported(rbw_hz=np.float64(1e4), assumed=("detector",)),
        Capabilities(start_hz=0, stop_hz=1e9, rbw_steps_hz=(1e3, 3e3), resolution=0.01),
        Identity(maker="ACME"),
    ],
)
def test_what_is_declared_fits(told: Any) -> None:
    """Whole numbers pass for numbers, and float64 of numpy is a Python number."""
    assert problem_of(told) is None


WRONG: dict[str, tuple[Any, str]] = {
    "text": (Reported(rbw_hz="10 kHz"), "rbw_hz must be a finite"),
    "NaN": (Reported(sweep_time_s=float("nan")), "sweep_time_s must be a finite"),
    "huge": (Reported(rbw_hz=10**400), "rbw_hz must be a finite"),
    "zero": (Reported(rbw_hz=0.0), "rbw_hz must be above 0"),
    "below zero": (Reported(sweep_time_s=-1.0), "sweep_time_s must not be below 0"),
    "no noise bandwidth": (
        Capabilities(start_hz=0, stop_hz=1, noise_bandwidth_ratio=10.6),
        "noise_bandwidth_ratio must lie in 0.5..2",
    ),
    "float32": (Reported(rbw_hz=np.float32(1e4)), "rbw_hz must be a finite Python"),
    "truth": (Reported(averages=True), "averages must be a whole"),
    "a word": (Reported(detector="sample"), "detector must be a Detector"),
    "a list": (Capabilities(start_hz=0, stop_hz=1, rbw_steps_hz=[1.0]), "must be a tuple"),
    "endless": (Capabilities(start_hz=0, stop_hz=1, rbw_steps_hz=(1.0,) * 2000), "at most 1000"),
    "half a pair": (Reported(assumed=("det\udce4ctor",)), "assumed must be a tuple of printable"),
    "an escape": (Reported(assumed=("detector\x1b[2J",)), "assumed must be a tuple of printable"),
    "beyond 64 bits": (Reported(averages=10**20), "averages must be a whole Python number within"),
    "long": (Identity(model="x" * 300), "at most 256"),
}


@pytest.mark.parametrize(("told", "says"), WRONG.values(), ids=WRONG)
def test_what_does_not_fit_is_named(told: Any, says: str) -> None:
    """The field, what was expected and what was got."""
    problem = problem_of(told)
    assert problem is not None and says in problem


def test_a_value_that_cannot_be_shown_is_still_refused() -> None:
    """Its kind is named instead."""

    class Shy:
        def __repr__(self) -> str:
            raise RuntimeError("no")

    problem = problem_of(Reported(rbw_hz=Shy()))
    assert problem is not None and problem.endswith("got a Shy")


def test_an_identity_keeps_what_can_be_shown() -> None:
    """Fill bytes, escapes and halves of surrogate pairs go; nothing else does."""
    plain = Identity(maker="GANNET µ", model="LOOKOUT 1", serial_number="GL0017")
    assert printable(plain) is plain
    odd = Identity(maker="\x00GANNET\x1b[", model="M\ud800", serial_number=" 7\n")
    assert printable(odd) == Identity(maker="GANNET[", model="M", serial_number="7")


def test_whole_numbers_become_the_floats_that_their_fields_declare() -> None:
    """A database and a digest tell 10000 from 10000.0; what is right already is left alone."""
    right = Reported(rbw_hz=1e4, averages=4)
    assert numbers_as_declared(right) is right
    got = numbers_as_declared(Reported(rbw_hz=10_000, sweep_time_s=np.float64(1), averages=4))
    assert got == Reported(rbw_hz=1e4, sweep_time_s=1.0, averages=4)
    assert (type(got.rbw_hz), type(got.sweep_time_s), type(got.averages)) == (float, float, int)
    can = numbers_as_declared(Capabilities(start_hz=0, stop_hz=10**9, rbw_steps_hz=(1000, 3e3)))
    assert [type(value) for value in (can.start_hz, can.stop_hz, *can.rbw_steps_hz)] == [float] * 4


def test_numbers_are_numbers() -> None:
    """Truth values are not, and what float64 cannot hold is none."""
    assert is_finite(3) and is_finite(0.5)
    assert not any(map(is_finite, (True, "3", None, float("inf"), 10**400, np.int64(3))))
