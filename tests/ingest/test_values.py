"""Numbers and levels of logs, and what units become."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acqd.canonical import canonical_levels
from acqd.ingest.bad import BadRow
from acqd.ingest.shape import axis_of
from acqd.ingest.tables import LevelTable
from acqd.ingest.values import UNITS, Levels, conversion_of, number_of
from acqd.units import LevelUnit


def levels(unit: str = "dBm", decimal: str = ".", **keys: object) -> Levels:
    return Levels(LevelTable.model_validate({"unit": unit, **keys}), decimal)


def read(table: Levels, *texts: str) -> list[float]:
    return table.read(texts, [f"c{at}" for at in range(len(texts))]).tolist()


@pytest.mark.parametrize(
    ("unit", "text", "kept", "level"),
    [
        ("dBm", "-98.12", LevelUnit.DBM, -98.12),
        ("dBµV", "8.87", LevelUnit.DBUV, 8.87),
        ("dBuV", "8.87", LevelUnit.DBUV, 8.87),
        ("dBFS", "-61.5", LevelUnit.DBFS, -61.5),
        ("digit", "117", LevelUnit.DIGIT, 117.0),
        ("dBmV", "-12.5", LevelUnit.DBUV, 47.5),
        ("dBV", "-100.25", LevelUnit.DBUV, 19.75),
        ("dBW", "-128.5", LevelUnit.DBM, -98.5),
        ("W", "1", LevelUnit.DBM, 30.0),
        ("mW", "1", LevelUnit.DBM, 0.0),
        ("µW", "1", LevelUnit.DBM, -30.0),
        ("nW", "10", LevelUnit.DBM, -50.0),
        ("pW", "1", LevelUnit.DBM, -90.0),
        ("V", "1", LevelUnit.DBUV, 120.0),
        ("mV", "1e-3", LevelUnit.DBUV, 0.0),
        ("µV", "10", LevelUnit.DBUV, 20.0),
    ],
)
def test_units(unit: str, text: str, kept: LevelUnit, level: float) -> None:
    """0 dBm is 1 mW, 0 dBµV is 1 µV: what each unit's number is in the archive's unit."""
    table = levels(unit)
    assert table.conversion.unit is kept
    assert read(table, text) == [pytest.approx(level, abs=1e-12)]


def test_every_unit_of_a_map_is_known() -> None:
    """And what the archive has needs nothing done."""
    for unit in LevelTable.model_fields["unit"].annotation.__args__:
        conversion = conversion_of(unit)
        assert conversion.is_exact is (unit in ("dBm", "dBµV", "dBuV", "dBFS", "digit"))
        assert str(conversion.unit) in conversion.describe()
    assert len(UNITS) == 18


def test_decibels_added_stay_on_the_step() -> None:
    """dBmV of hundredths are dBµV of hundredths, to the last bit that the archive holds."""
    given_db = [f"{value / 100:.2f}" for value in range(-9999, 9999, 7)]
    level = levels("dBmV").read(given_db, given_db)
    kept = canonical_levels(level, 0.01)
    wanted = np.array([f"{value / 100 + 60:.2f}" for value in range(-9999, 9999, 7)], np.float32)
    assert kept.dtype == np.float32
    assert np.array_equal(kept, wanted)


def test_decimal_commas() -> None:
    """A comma where the map says so, and then no point."""
    assert read(levels(decimal=","), "-98,12", "-7") == [-98.12, -7.0]
    with pytest.raises(BadRow, match="decimal comma"):
        read(levels(decimal=","), "-98.12")
    with pytest.raises(BadRow, match="'-98,12' is no level"):
        read(levels(), "-98,12")


def test_missing_levels() -> None:
    """Words and numbers that stand for no level become none; others are named with their column."""
    table = levels(missing=["", "---", "-999"])
    assert np.isnan(read(table, "", " --- ", "-999")).all()
    assert read(table, "-98") == [-98.0]
    with pytest.raises(BadRow, match="'over' is no level") as caught:
        read(table, "-98", "over")
    assert caught.value.column == "c1"
    assert "missing" in caught.value.expected


@pytest.mark.parametrize("text", ["0", "-1e-3"])
def test_what_has_no_logarithm_is_refused(text: str) -> None:
    """A power of nothing is no level, unless the map says that it stands for none."""
    with pytest.raises(BadRow, match="has no logarithm"):
        read(levels("mW"), text)
    assert np.isnan(read(levels("mW", missing=[text]), text)).all()


def test_underscores_are_no_numbers() -> None:
    """Python reads 1_000; a log that has that means something else."""
    with pytest.raises(BadRow):
        read(levels(), "-1_00")
    with pytest.raises(BadRow):
        number_of("1_0", ".")


@given(values=st.lists(st.floats(min_value=-1e6, max_value=1e6), min_size=1, max_size=20))
def test_numbers_come_back(values: list[float]) -> None:
    """What is written out whole is read bit for bit, with a point and with a comma."""
    texts = [repr(value) for value in values]
    assert read(levels("digit"), *texts) == values
    assert read(levels("digit", ","), *[one.replace(".", ",") for one in texts]) == values


@given(texts=st.lists(st.text(max_size=12), min_size=1, max_size=5), decimal=st.sampled_from(".,"))
def test_any_text_is_levels_or_refused(texts: list[str], decimal: str) -> None:
    """Nothing but BadRow comes of any text."""
    try:
        found = read(levels(decimal=decimal), *texts)
    except BadRow:
        return
    assert len(found) == len(texts)


@given(khz=st.integers(min_value=0, max_value=3_000_000_000))
def test_frequencies_are_the_nearest_float(khz: int) -> None:
    """156.025 MHz is 156025000 Hz, not a float's neighbour of it."""
    text = f"{khz // 1000}.{khz % 1000:03d}"
    if khz <= 3_000_000_000:
        assert axis_of([text], "MHz", ".").tolist() == [khz * 1000.0]
        assert axis_of([text.replace(".", ",")], "MHz", ",").tolist() == [khz * 1000.0]


@pytest.mark.parametrize("text", ["", "x", "nan", "-1", "1e30", "4000000000000"])
def test_what_is_no_frequency(text: str) -> None:
    """Refused with the unit."""
    with pytest.raises(BadRow, match="no frequency"):
        axis_of([text], "Hz", ".")
