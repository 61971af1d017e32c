"""docs/lines.md names every key with its default, and its examples are what it says."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from acqd_lines.placeholders import KINDS
from acqd_lines.profile import Profile, parse_profile
from acqd_lines.tables import (
    SETTINGS,
    AnswerTable,
    AxisTable,
    ChecksumTable,
    CommandTable,
    ErrorTable,
    FetchTable,
    IdentifyTable,
    LengthTable,
    LimitsTable,
    LinkTable,
    PollTable,
    ReadTable,
    SettingsTable,
    SourceTable,
    SweepTable,
    TalkTable,
    TimingTable,
    UsbTable,
    ValuesTable,
)
from pydantic import BaseModel

from acqd.config.tables import Table
from acqd.errors import ConfigError
from doc_tables import rows

PAGE = (Path(__file__).parents[3] / "docs" / "lines.md").read_text("utf-8")
WHO = {"send": "who", "expect": "^X$"}
LIMITS = {"start": "1 MHz", "stop": "2 MHz", "points_max": 9}
FETCH = {"fetch": {"send": "go {start:Hz} {stop:Hz} {points}"}}
READ = {"send": "x", "expect": "(?P<value>.*)"}

SECTIONS: dict[str, tuple[type[Table], dict[str, Any]]] = {
    "The file": (Profile, {"title": "t", "identify": WHO, "sweep": FETCH, "limits": LIMITS}),
    "[link]": (LinkTable, {}),
    "[talk]": (TalkTable, {}),
    "[[error]]": (ErrorTable, {"pattern": "^E"}),
    "[identify]": (IdentifyTable, WHO),
    "answer": (AnswerTable, {"kind": "block"}),
    "length_field": (LengthTable, {}),
    "checksum": (ChecksumTable, {"kind": "crc16"}),
    "Commands of a sweep": (CommandTable, {"send": "x"}),
    "read": (ReadTable, READ),
    "[sweep]": (SweepTable, FETCH),
    "[sweep.poll]": (PollTable, WHO),
    "[sweep.fetch]": (FetchTable, {"send": "x"}),
    "[sweep.values]": (ValuesTable, {}),
    "[sweep.axis]": (AxisTable, {}),
    "[timing]": (TimingTable, {}),
    "[limits]": (LimitsTable, LIMITS),
    "[source]": (SourceTable, {"on": "x", "off": "y"}),
    "[[usb]]": (UsbTable, {"vid": 1, "pid": 2}),
}
"""Each table of the page, its model, and the least that makes one."""


@pytest.mark.parametrize("section", SECTIONS)
def test_every_key_is_described(section: str) -> None:
    """A row for each key of the model, and none that it does not have."""
    assert sorted(key for key, _ in rows(PAGE, section)) == sorted(
        SECTIONS[section][0].fields_by_key()
    )


@pytest.mark.parametrize("section", SECTIONS)
def test_every_default_is_as_described(section: str) -> None:
    """Leaving a key out and writing its described default are the same."""
    model, least = SECTIONS[section]
    names = {field.alias or name: (name, field) for name, field in model.model_fields.items()}
    for key, default in rows(PAGE, section):
        name, field = names[key]
        assert field.is_required() == (default == "required"), key
        if default == "none":
            assert not field.get_default(), key
        elif default != "required" and key not in least:
            written = tomllib.loads(f"x = {default.strip('`')}")["x"]
            got = getattr(model.model_validate({**least, key: written}), name)
            assert plain(got) == plain(getattr(model.model_validate(least), name)), key


def plain(value: Any) -> Any:
    return value.model_dump() if isinstance(value, BaseModel) else value


def test_every_key_of_every_setting_is_described() -> None:
    """All settings together have the keys of the page, and their names stand there."""
    keys = set()
    for field in SettingsTable.model_fields.values():
        table = field.annotation.__args__[0]
        keys |= set(table.fields_by_key())
    assert {key for key, _ in rows(PAGE, "[setting.NAME]")} == keys
    body = PAGE.split("\n## [setting.NAME]\n", 1)[1]
    named = re.findall(r"`(\w+)`", body[: body.index(". A setting")])
    assert set(named) == set(SETTINGS)


def test_every_placeholder_is_described() -> None:
    """The row of names has each of them."""
    row = next(line for line in PAGE.splitlines() if line.startswith("| name | "))
    assert set(re.findall(r"`(\w+)`", row)) == set(KINDS)


def example() -> str:
    found = re.search(r"<!-- example -->\n```toml\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    return found[1]


def test_the_example_is_a_profile() -> None:
    """Nothing is wrong with it."""
    profile = parse_profile(example(), "ledge.toml")
    assert profile.capabilities().rbw_steps_hz == (1e3, 1e4, 1e5)
    assert profile.link.as_options() == {"baud": 57600}


def test_the_message_of_the_page_is_what_is_said() -> None:
    """Of the example with that slip."""
    with pytest.raises(ConfigError) as caught:
        parse_profile(example().replace("{rbw}", "{rwb}"), "ledge.toml")
    said = str(caught.value)
    shown = next(line for line in PAGE.splitlines() if line.startswith("ledge.toml:"))
    assert said.startswith(shown.removesuffix(" …"))
