"""One table of a config is changed, and not a letter of anything else."""

from __future__ import annotations

import pytest

from acqd.config.edit import with_keys
from acqd.errors import WrongUsage

KEYS = {"broker": "mqtts://192.0.2.20:8883", "user": "ness"}
GONE = ("address", "websocket")

BEFORE = '''# Ness Point. [mqtt] is below
[station]
name = "ness"
title = """
[mqtt]
broker = "not this one"
"""

[mqtt]   # ours
# on this machine alone
broker = "local"  # for now
outbox = 500

address = "127.0.0.1:1884"
[job.a]   # last
broker = "of another table"'''

AFTER = '''# Ness Point. [mqtt] is below
[station]
name = "ness"
title = """
[mqtt]
broker = "not this one"
"""

[mqtt]   # ours
broker = "mqtts://192.0.2.20:8883"
user = "ness"
# on this machine alone
outbox = 500

[job.a]   # last
broker = "of another table"'''


@pytest.mark.parametrize("end", ["", "\n", "\n\n# the end"])
@pytest.mark.parametrize("feed", ["\n", "\r\n"], ids=["lf", "crlf"])
def test_keys_are_replaced_in_their_table_alone(end: str, feed: str) -> None:
    """Comments, blank lines, other tables, and texts that look like one stay as they are."""
    before, after = ((text + end).replace("\n", feed) for text in (BEFORE, AFTER))
    assert with_keys(before, "mqtt", KEYS, without=GONE) == after
    assert with_keys(after, "mqtt", KEYS, without=GONE) == after


@pytest.mark.parametrize("text", ["", '[station]\nname = "a"', '[station]\nname = "a"\n'])
def test_a_missing_table_is_added_at_the_end(text: str) -> None:
    """With a line between it and what was there."""
    gap = "" if not text else f"{text.rstrip()}\n\n"
    assert with_keys(text, "mqtt", {"user": 'a"b\\c'}) == gap + '[mqtt]\nuser = "a\\"b\\\\c"\n'


@pytest.mark.parametrize(
    "text",
    [
        'mqtt = { broker = "local" }\n',
        'mqtt.broker = "local"\n',
        "[mqtt.serve]\nopen = true\n",
        '[mqtt]\nbroker = """local"""\naddress = """\n127.0.0.1:1"""\n',
        '[other]\nx = 1\n["mqtt"]\nbroker = "local"\n',
    ],
)
def test_a_table_written_otherwise_is_left_alone(text: str) -> None:
    """A person is told what to write."""
    with pytest.raises(WrongUsage, match=r"nothing is changed|by hand"):
        with_keys(text, "mqtt", KEYS, without=GONE)
