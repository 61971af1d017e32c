"""Limit profiles from TOML: rows, where they are found, what is refused; and their page."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from acqd.config.limits import (
    LIMIT_LEVEL,
    LimitFile,
    ReferenceBandwidthTable,
    RowTable,
    find_limit_profile,
    load_limit_profile,
    shipped_limit_profiles,
)
from acqd.config.tables import Table
from acqd.errors import ConfigError
from acqd.measure.limit_profile import (
    Domain,
    LimitDetector,
    LimitMark,
    LimitProfile,
    LimitUnit,
    PowerKind,
    Span,
    WidthKind,
)

POWER = 'title = "T"\nedition = "E"\nquantity = "power"\n'
VOLTAGE = POWER.replace("power", "voltage")
FIELD = POWER.replace("power", "field")
ROW = '[[row]]\nat_most = "-36 dBm"\n'
ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "limits.md").read_text("utf-8")


def load(folder: Path, text: str) -> LimitProfile:
    """The profile of a text."""
    (folder / "mine.toml").write_text(text, encoding="utf-8")
    return load_limit_profile("mine", folder)


def test_row_with_everything(tmp_path: Path) -> None:
    """Each key comes to where the arithmetic looks for it."""
    profile = load(
        tmp_path,
        POWER
        + 'power = "peak envelope"\ndomain = "spurious"\nmark = "memory"\nsource = "notice board"\n'
        '[[reference_bandwidth]]\nat_from = "9 kHz"\nat_below = "30 MHz"\nwidth = "10 kHz"\n'
        'kind = "6 dB"\n'
        '[[row]]\nrule = "one"\ncarrier_from = "1 MHz"\ncarrier_below = "30 MHz"\n'
        'power_above = "5 W"\npower_to = "1 kW"\nat_above = "2 MHz"\nat_to = "1 GHz"\n'
        "installed_after = 2003-01-01\ninstalled_by = 2013-01-01\n"
        'detector = "quasi-peak"\nat_most = "50 mW"\nat_least_down = "43 dB"\n'
        'plus_10_log_power = true\ncap = "70 dB"\nfloor = "10 µW"\n',
    )
    assert (profile.name, profile.title, profile.edition) == ("mine", "T", "E")
    assert (profile.unit, profile.power_kind) == (LimitUnit.DBM, PowerKind.PEAK_ENVELOPE)
    assert (profile.domain, profile.mark) == (Domain.SPURIOUS, LimitMark.MEMORY)
    (reference,) = profile.reference_bandwidths
    assert reference.at_hz == Span(low=9e3, high=30e6, high_in=False)
    assert (reference.width_hz, reference.kind) == (1e4, WidthKind.DB_6)
    (row,) = profile.rows
    assert row.carrier_hz == Span(low=1e6, high=30e6, high_in=False)
    assert row.power_w == Span(low=5.0, high=1000.0, low_in=False)
    assert row.at_hz == Span(low=2e6, high=1e9, low_in=False)
    assert (row.installed_after, row.installed_by) == (date(2003, 1, 1), date(2013, 1, 1))
    assert row.detector is LimitDetector.QUASI_PEAK
    assert (row.at_most, row.floor) == pytest.approx((16.9897, -20.0), abs=1e-4)
    assert (row.at_least_down_db, row.plus_10_log_power, row.cap_db) == (43.0, True, 70.0)


@pytest.mark.parametrize(
    ("head", "written", "level"),
    [
        (POWER, "-36 dBm", -36.0),
        (POWER, "0.25 µW", -36.0206),
        (POWER, "25 μW", -16.0206),
        (POWER, "1 W", 30.0),
        (VOLTAGE, "66 dBµV", 66.0),
        (VOLTAGE, "2 mV", 66.0206),
        (FIELD, "40 dBµV/m", 40.0),
        (FIELD, "150 µV/m", 43.5218),
        (FIELD, "1 V/m", 120.0),
    ],
)
def test_ways_to_write_a_level(tmp_path: Path, head: str, written: str, level: float) -> None:
    """Levels and their linear figures are one."""
    distance = 'distance = "3 m"\n' if head is FIELD else ""
    profile = load(tmp_path, f'{head}[[row]]\nat_most = "{written}"\n{distance}')
    assert profile.rows[0].at_most == pytest.approx(level, abs=1e-4)


def test_two_ways_to_write_a_slope(tmp_path: Path) -> None:
    """An end level and a slope per decade can say the same."""
    ends = load(
        tmp_path,
        f'{VOLTAGE}[[row]]\nat_from = "100 kHz"\nat_to = "10 MHz"\nat_most = "60 dBµV"\n'
        'at_most_end = "40 dBµV"\n',
    )
    slope = load(
        tmp_path,
        f'{VOLTAGE}[[row]]\nat_from = "100 kHz"\nat_to = "10 MHz"\nat_most = "50 dBµV"\n'
        'at_most_at = "1 MHz"\nper_decade = "-10 dB"\n',
    )
    assert (ends.rows[0].at_most_at_hz, ends.rows[0].slope_db_per_decade) == (1e5, -10.0)
    assert (slope.rows[0].at_most_at_hz, slope.rows[0].slope_db_per_decade) == (1e6, -10.0)


def test_own_profile_goes_before_a_shipped_one(tmp_path: Path) -> None:
    """A profile beside the config is found by its name, before the shipped one of that name."""
    shipped = shipped_limit_profiles()["europe-transmit"]
    assert find_limit_profile("europe-transmit", tmp_path) == shipped
    (tmp_path / "europe-transmit.toml").write_text(POWER + ROW)
    assert load_limit_profile("europe-transmit", tmp_path).title == "T"
    assert load_limit_profile(str(tmp_path / "europe-transmit.toml"), Path("/x")).title == "T"


def test_profile_that_is_nowhere(tmp_path: Path) -> None:
    """The shipped profiles are named, and the near miss among them."""
    with pytest.raises(ConfigError, match=r"did you mean `cispr-32-b`.*us-97-307-vhf"):
        load_limit_profile("cispr32-b", tmp_path)


@pytest.mark.parametrize("name", shipped_limit_profiles())
def test_shipped_profile_says_what_it_is(name: str) -> None:
    """Each names its edition, how sure it is, and that local rules prevail."""
    profile = load_limit_profile(name, Path("/"))
    assert profile.edition and profile.source
    assert profile.mark is not LimitMark.OWN
    assert profile.prevails.startswith("Local rules")
    if profile.mark is LimitMark.MEMORY:
        assert "from memory" in profile.source.lower()


def test_profiles_are_in_the_wheel() -> None:
    """The build takes them to where an installed acqd looks."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    included = project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    assert included["configs/limits"] == "acqd/shipped/limits"


SLOPE = '[[row]]\nat_most = "60 dBµV"\n'


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (POWER.replace("title", "titel") + ROW, 1, "did you mean `title`?"),
        (POWER.replace('edition = "E"\n', "") + ROW, 1, "`edition` is missing"),
        (POWER, 1, "0 rows"),
        (POWER.replace('"power"', '"powre"') + ROW, 3, "did you mean `power`?"),
        (POWER.replace('"power"', "3") + ROW, 3, "not a word that is known here"),
        (POWER + 'mark = "red"\n' + ROW, 4, "did you mean `read`?"),
        (POWER + ROW.replace("at_most", "atmost"), 5, "did you mean `at_most`?"),
        (POWER + ROW.replace('"-36 dBm"', "-36"), 5, "a number without a unit"),
        (POWER + ROW.replace("dBm", "dbm"), 5, "did you mean `dBm`?"),
        (POWER + ROW.replace("-36 dBm", "25 uW"), 5, "did you mean `µW`?"),
        (POWER + ROW.replace("-36 dBm", "0 W"), 5, "a limit of nothing"),
        (POWER + ROW.replace("-36", "-999"), 5, "out of bounds"),
        (POWER + ROW.replace("dBm", "dBµV"), 5, "a level in dBµV in a profile of power"),
        (VOLTAGE + ROW, 5, "a level in dBm in a profile of voltage"),
        (FIELD + '[[row]]\nat_most = "40 dBµV/m"\n', 4, "a field without its distance"),
        (POWER + ROW + 'distance = "3 m"\n', 6, "a distance in a profile of power"),
        (POWER + ROW + 'distance = "3 metres"\n', 6, "did you mean `m`?"),
        (VOLTAGE + '[[row]]\nat_least_down = "43 dB"\n', 5, "dB below a carrier in a profile"),
        (POWER + "[[row]]\n", 4, "a row that asks nothing"),
        (POWER + ROW + 'no_figure = "x"\n', 6, "a row with a figure that says it has none"),
        (POWER + '[[row]]\nno_figure = "x"\nfloor = "1 W"\n', 6, "a floor under nothing"),
        (POWER + ROW + "plus_10_log_power = true\n", 6, "added to nothing"),
        (POWER + '[[row]]\nat_least_down = "43 dB"\ncap = "70 dB"\n', 6, "does not grow"),
        (POWER + '[[row]]\nat_least_down = "-43 dB"\n', 5, "above 0 dB"),
        (POWER + ROW + 'at_from = "1 MHz"\nat_above = "1 MHz"\n', 7, "exclude each other"),
        (POWER + ROW + 'power_to = "5 W"\npower_below = "5 W"\n', 7, "exclude each other"),
        (POWER + ROW + 'carrier_from = "2 MHz"\ncarrier_to = "1 MHz"\n', 4, "`carrier_…`"),
        (POWER + ROW + 'at_from = "2 MHz"\nat_below = "2 MHz"\n', 4, "nothing lies between"),
        (POWER + ROW + 'installed_by = "2003"\n', 6, "not a date"),
        (POWER + ROW + "installed_by = 2003-01-01T00:00:00Z\n", 6, "not a date"),
        (
            POWER + ROW + "installed_after = 2004-01-01\ninstalled_by = 2003-01-01\n",
            7,
            "no date is between these",
        ),
        (POWER + ROW + 'detector = "quasi"\n', 6, "not a word that is known here"),
        (VOLTAGE + SLOPE + 'at_most_end = "5 dBµV"\n', 6, "without both ends"),
        (VOLTAGE + SLOPE + 'per_decade = "-20 dB"\n', 6, "without `at_most_at`"),
        (
            VOLTAGE + SLOPE + 'at_most_at = "1 Hz"\nper_decade = "1 dB"\nat_most_end = "5 dBµV"\n',
            7,
            "exclude each other",
        ),
        (
            POWER + '[[row]]\nat_least_down = "9 dB"\nat_most_at = "1 Hz"\nper_decade = "1 dB"\n',
            7,
            "a slope of nothing",
        ),
        (POWER + ROW + '[[reference_bandwidth]]\nat_from = "1 Hz"\n', 6, "`width` is missing"),
        (
            POWER + ROW + '[[reference_bandwidth]]\nwidth = "9 kHz"\nkind = "5 dB"\n',
            8,
            "not a word that is known here",
        ),
        ("title = T\n", 1, 'texts in quotes: "T"'),
    ],
)
def test_profile_that_is_wrong(tmp_path: Path, text: str, line: int, words: str) -> None:
    """A slip in a profile is told with the profile's file and line."""
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text)
    told = [str(problem) for problem in caught.value.problems]
    assert any(t.startswith(f"{tmp_path}/mine.toml:{line}: ") and words in t for t in told), told


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    """Slips in two rows and at the top come together, in file order."""
    text = f'{POWER}mark = "x"\n[[row]]\n{ROW}cap = "5 dB"\n'
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text)
    assert [problem.line for problem in caught.value.problems] == [4, 5, 6 + 2]


# ---- the page ------------------------------------------------------------------------------------

SECTIONS: dict[str, tuple[type[Table], dict[str, Any]]] = {
    "The file": (LimitFile, {"title": "T", "edition": "E", "quantity": "power",
                             "row": [{"at_most": "-36 dBm"}]}),
    "[[row]]": (RowTable, {"at_most": "-36 dBm", "at_least_down": "3 dB"}),
    "[[reference_bandwidth]]": (ReferenceBandwidthTable, {"width": "9 kHz"}),
}  # fmt: skip


def described(section: str) -> Iterator[tuple[str, str]]:
    """Key and default of each row of the table under a heading of the page."""
    body = re.split(r"(?m)^## ", PAGE.split(f"\n## {section}\n", 1)[1])[0]
    for line in body.splitlines():
        match = re.match(r"\| ((?:`\w+`(?:, )?)+) \| [^|]+ \| ([^|]+) \|", line)
        if match is not None:
            yield from ((key, match[2].strip()) for key in re.findall(r"`(\w+)`", match[1]))


@pytest.mark.parametrize("section", SECTIONS)
def test_page_describes_every_key_and_default(section: str) -> None:
    """The page has each key of the model and none else, with its default."""
    model, least = SECTIONS[section]
    assert sorted(key for key, _ in described(section)) == sorted(model.fields_by_key())
    names = {field.alias or name: (name, field) for name, field in model.model_fields.items()}
    for key, default in described(section):
        name, field = names[key]
        assert field.is_required() == (default == "required"), key
        if default == "none":
            assert field.get_default() is None, key
        elif default not in ("required", "see below") and key not in least:
            written = tomllib.loads(f"x = {default.strip('`')}")["x"]
            assert getattr(model.model_validate({**least, key: written}), name) == getattr(
                model.model_validate(least), name
            ), key


def test_example_of_the_page_is_right(tmp_path: Path) -> None:
    """The page's profile can be loaded."""
    (example,) = re.findall(r"(?ms)^```toml\n(.*?)^```", PAGE)
    assert len(load(tmp_path, example).rows) == 3


def test_page_names_every_unit_and_every_shipped_profile() -> None:
    """Nothing that is taken or shipped is left out."""
    for unit in LIMIT_LEVEL.units:
        assert f"`{unit}`" in PAGE, unit
    for name in shipped_limit_profiles():
        assert f"`{name}`" in PAGE, name
