"""What must be repeated nowhere: masked wherever text goes out, by its value and by its name."""

from __future__ import annotations

import json
from urllib.parse import quote

import pytest

from acqd.hidden import MASK, hide, holds_secret, is_hidden, masked, without_secrets

SECRET = 'gull"s/nest\\7 é&'


def test_a_secret_is_masked_as_it_is_and_as_json_and_urls_write_it() -> None:
    """Two in one text, and one that is a part of another, are both gone."""
    assert masked(f"before: {SECRET}") == f"before: {SECRET}"
    hide(SECRET)
    hide(SECRET + "-longer")
    assert is_hidden(SECRET)
    text = " ".join((SECRET, json.dumps({"p": SECRET}), quote(SECRET, safe=""), SECRET + "-longer"))
    said = masked(f"it said {text}")
    assert "gull" not in said and "longer" not in said and said.count(MASK) == 4
    assert said.startswith("it said ")


@pytest.mark.parametrize("short", ["", "a", "12345", None])
def test_a_secret_too_short_to_tell_from_a_word_is_not_looked_for(short: str | None) -> None:
    """Else half of each line would be stars."""
    hide(short)
    assert masked("a 12345 b") == "a 12345 b"


@pytest.mark.parametrize(
    "key",
    ["password", "Password", "api_key", "apikey", "apiKey", "user-token", "login.secret", "PIN"],
)
def test_a_name_of_a_secret_is_known(key: str) -> None:
    """However its words are put together."""
    assert holds_secret(key)


@pytest.mark.parametrize("key", ["baud", "keyed", "monkey", "tokens_per_s", "spin", "source", ""])
def test_a_name_that_only_looks_so_is_none(key: str) -> None:
    """What a driver is told otherwise is recorded with the sweeps."""
    assert not holds_secret(key)


def test_options_lose_what_is_secret_and_nothing_else() -> None:
    """Also in a table within."""
    given = {"baud": 9600, "password": "x", "link": {"token": {"env": "A"}, "host": "h"}, "l": [1]}
    assert without_secrets(given) == {"baud": 9600, "link": {"host": "h"}, "l": [1]}
