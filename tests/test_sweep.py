"""The data model: requests, identities, sweeps and grids."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from acqd.sweep import Grid, Identity, LevelUnit, Reported, Sweep, SweepRequest


def test_request_axis_has_both_ends() -> None:
    """The axis asked for starts and stops where it says."""
    request = SweepRequest(start_hz=156e6, stop_hz=157e6, points=101)
    assert request.frequencies_hz()[[0, -1]].tolist() == [156e6, 157e6]
    assert request.step_hz == pytest.approx(10e3)
    assert SweepRequest(start_hz=1e6, stop_hz=1e6, points=1).step_hz == 0.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"start_hz": float("nan")}, "finite"),
        ({"start_hz": -1.0}, "below 0"),
        ({"stop_hz": 1.0}, "below start_hz"),
        ({"points": 0}, "at least 1"),
        ({"rbw_hz": 0.0}, "rbw_hz must be above 0"),
        ({"sweep_time_s": -1.0}, "sweep_time_s must be above 0"),
    ],
)
def test_impossible_requests_cannot_be_made(change: dict[str, float], words: str) -> None:
    """A request that makes no sense is refused with the field named."""
    fields = {"start_hz": 156e6, "stop_hz": 157e6, "points": 101} | change
    with pytest.raises(ValueError, match=words):
        SweepRequest(**fields)


@pytest.mark.parametrize(
    ("serial", "doubtful"),
    [("", True), ("0000", True), ("0xFFFF", True), ("-1", True), ("GL-0042", False), ("10", False)],
)
def test_empty_serial_numbers_are_doubtful(serial: str, doubtful: bool) -> None:
    """All zeros or all ones are what a bad update leaves behind."""
    assert Identity(serial_number=serial).is_doubtful is doubtful


def test_identity_reads_as_a_sentence() -> None:
    """What is not said is left out."""
    full = Identity(maker="GANNET", model="LS-1", serial_number="7", firmware="1.2")
    assert str(full) == "GANNET LS-1, serial number 7, firmware 1.2"
    assert str(Identity()) == "unnamed sweeper"


def make_sweep(points: int, levels: int) -> Sweep:
    return Sweep(
        request=SweepRequest(start_hz=0, stop_hz=1, points=2),
        reported=Reported(),
        frequency_hz=np.arange(float(points)),
        level=np.zeros(levels, dtype=np.float32),
        unit=LevelUnit.DBM,
        resolution=None,
        started_s=0.0,
        monotonic_s=0.0,
        took_s=0.0,
        boot_id="b",
        clock_synchronised=None,
        identity=Identity(),
    )


def test_sweep_refuses_two_lengths() -> None:
    """Frequencies and levels belong together."""
    with pytest.raises(ValueError, match="one length"):
        make_sweep(3, 2)


def test_sweep_can_be_pickled() -> None:
    """A driver may live in another process."""
    assert pickle.loads(pickle.dumps(make_sweep(3, 3))).unit is LevelUnit.DBM


def test_rising_axis_is_left_alone() -> None:
    """No permutation where none is needed."""
    axis = np.array([1.0, 2.0, 2.0, 5.0])
    grid = Grid.from_axis(axis)
    assert grid.order is None
    level = np.arange(4.0)
    assert grid.rising(level) is level


def test_falling_axis_with_duplicates_is_turned_stably() -> None:
    """Duplicates keep the order in which the sweeper gave them."""
    grid = Grid.from_axis(np.array([30.0, 20.0, 20.0, 10.0]))
    assert grid.frequency_hz.tolist() == [10.0, 20.0, 20.0, 30.0]
    assert grid.rising(np.array([0, 1, 2, 3])).tolist() == [3, 1, 2, 0]


@pytest.mark.parametrize("axis", [[], [1.0, np.nan], [[1.0, 2.0]]], ids=["empty", "nan", "2-d"])
def test_axes_that_are_none_are_refused(axis: list[float]) -> None:
    """An axis is one-dimensional, finite and not empty."""
    with pytest.raises(ValueError, match="axis"):
        Grid.from_axis(np.array(axis))


def test_cells_cover_the_range_once() -> None:
    """Cells meet halfway between points, duplicates share, the ends reach out as far as in."""
    grid = Grid.from_axis(np.array([0.0, 10.0, 10.0, 30.0]))
    assert grid.cell_hz.tolist() == [10.0, 5.0, 10.0, 20.0]
    assert Grid.from_axis(np.array([5.0])).cell_hz.tolist() == [0.0]


@pytest.mark.parametrize(
    ("axis", "even"),
    [([1.0], True), ([1.0, 2.0, 3.0], True), ([1.0, 2.0, 3.1], False), ([1.0, 1.0, 1.0], False)],
)
def test_even_grids_are_told(axis: list[float], even: bool) -> None:
    """Even means all steps agree; no step at all is not even."""
    assert Grid.from_axis(np.array(axis)).is_even is even


def test_digest_knows_the_order() -> None:
    """The same frequencies swept the other way are another grid."""
    up, down = Grid.from_axis(np.array([1.0, 2.0])), Grid.from_axis(np.array([2.0, 1.0]))
    assert up.digest != down.digest
    assert up.digest == Grid.from_axis(np.array([1.0, 2.0])).digest
