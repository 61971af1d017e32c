"""tools/faults: its checks see what is wrong, it plans as it says, a reduced run loses nothing."""

from __future__ import annotations

import copy
import json
import shutil
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import Any

import h5py
import pytest

from peers import skip_without_mosquitto

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def parts() -> Iterator[Callable[[str], Any]]:
    """Parts of the tool, as it imports them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(ROOT / "tools"))
        yield lambda name: import_module(f"faults_parts.{name}")


def run_tool(*options: str, limit_s: float = 60.0) -> subprocess.CompletedProcess[str]:
    """Run the tool."""
    command = [sys.executable, str(ROOT / "tools/faults.py"), *options]
    return subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=limit_s, check=False
    )


# -- the checks, on an archive and a record that are all right, and altered -----------------------


@dataclass
class Leg:
    """What a leg of one kill left: its archive, what was heard of it, and when it last began."""

    archive: Path
    record: Any
    last_start_s: float

    def sql(self, words: str) -> int:
        """Change ledger and journals; how many rows were."""
        count = 0
        for path in (self.archive / "ledger.sqlite", *self.archive.glob("journals/*.sqlite")):
            with closing(sqlite3.connect(path)) as db, db:
                count += db.execute(words).rowcount
        return count

    def heard(self, kind: str, job: str = "marine-vhf") -> list[int]:
        """Places of the messages of a kind."""
        end = f"/job/{job}/{kind}"
        return [at for at, one in enumerate(self.record.heard) if one.topic.endswith(end)]

    def say_otherwise(self, kind: str, change: Callable[[dict[str, Any]], None]) -> None:
        """Alter what a message in the middle said."""
        places = self.heard(kind)
        at = places[len(places) // 2]
        message = json.loads(self.record.heard[at].payload)
        change(message)
        payload = json.dumps(message).encode()
        self.record.heard[at] = replace(self.record.heard[at], payload=payload)


@pytest.fixture(scope="module")
def done_leg(parts: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Leg]:
    """One kill of a station, and then a clean end; nothing is wrong with it."""
    skip_without_mosquitto("mosquitto_pub")
    legs, kill = parts("legs"), parts("registry").faults()["kill-after-finding"]
    leg = legs.Leg(number=1, broker="own", faults=((kill,),), seed=5)
    with ExitStack() as stack:
        bench = parts("bench").FaultBench(
            tmp_path_factory.mktemp("leg"), stack, broker="own", seed=5
        )
        done = legs.through(leg, bench)
        assert done.wrong == done.whole.wrong == [one for o in done.outcomes for one in o.wrong]
        assert done.wrong == []
        assert done.whole.published > 20 and done.whole.findings.heard > 3
        assert done.whole.missed["station down"] > 0
        yield Leg(bench.archive, bench.record, bench.last_start_s)


@pytest.fixture
def leg(done_leg: Leg, tmp_path: Path) -> Leg:
    """A copy to alter."""
    shutil.copytree(done_leg.archive, tmp_path / "archive")
    return Leg(tmp_path / "archive", copy.deepcopy(done_leg.record), done_leg.last_start_s)


def a_file(leg: Leg, job: str = "marine-vhf") -> Path:
    return max(leg.archive.glob(f"sweeps/{job}/*/*.nc"), key=lambda path: path.stat().st_size)


def no_file(leg: Leg) -> None:
    a_file(leg).unlink()


def half_a_file(leg: Leg) -> None:
    path = a_file(leg)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def another_level(leg: Leg) -> None:
    def change(message: dict[str, Any]) -> None:
        message["level"][7] += 0.01

    leg.say_otherwise("trace", change)


def another_figure(leg: Leg) -> None:
    def change(message: dict[str, Any]) -> None:
        message["band"]["floor_dbm"] += 0.002

    leg.say_otherwise("summary", change)


def another_start(leg: Leg) -> None:
    leg.say_otherwise("summary", lambda message: message.update(at_s=message["at_s"] + 1e-3))


def another_flag(leg: Leg) -> None:
    leg.say_otherwise("summary", lambda message: message.update(flags=["overload"]))


def a_number_twice(leg: Leg) -> None:
    path = a_file(leg)
    copied = path.with_name(path.name.replace("_step0", "0_step0"))
    shutil.copy(path, copied)
    with h5py.File(copied, "r+") as file:
        file["time"][0] += 0.05


def no_gap(leg: Leg) -> None:
    assert leg.sql("DELETE FROM gap WHERE job = 'calling' AND reason = 'station down'")


def a_longer_gap(leg: Leg) -> None:
    assert leg.sql(
        "UPDATE gap SET to_s = to_s + 0.1, count = count + 1 "
        "WHERE job = 'marine-vhf' AND reason = 'station down'"
    )


def a_wrong_count(leg: Leg) -> None:
    assert leg.sql(
        "UPDATE gap SET count = count + 1 WHERE job = 'marine-vhf' AND reason = 'station down'"
    )


def no_finding(leg: Leg) -> None:
    assert leg.sql("DELETE FROM finding WHERE job = 'marine-vhf' AND number = 2")


def another_finding(leg: Leg) -> None:
    assert leg.sql("UPDATE finding SET message = X'78' WHERE job = 'marine-vhf' AND number = 2")


def unheard(leg: Leg) -> bytes:
    """The second finding of a job was never heard; gives back what it was."""
    message = leg.record.heard[leg.heard("finding")[1]].payload
    leg.record.heard = [one for one in leg.record.heard if one.payload != message]
    assert leg.sql("SELECT 1")
    return bytes(message)


def never_sent(leg: Leg) -> None:
    payload = unheard(leg)
    leg.record.sent = [one for one in leg.record.sent if one.payload != payload]


def refused(leg: Leg) -> None:
    payload = unheard(leg)
    for one in leg.record.sent:
        if one.payload == payload:
            one.acked_s = None


def passed_on_to_nobody(leg: Leg) -> None:
    unheard(leg)


def out_of_order(leg: Leg) -> None:
    heard = leg.record.heard
    first, second = leg.heard("finding")[:2]
    heard[first], heard[second] = heard[second], heard[first]


def a_traceback(leg: Leg) -> None:
    leg.record.said.append("Traceback (most recent call last):")


def nothing_since(leg: Leg) -> None:
    leg.last_start_s += 3600.0


ALTERED = {
    no_file: ("was published and is not kept", "have no account"),
    half_a_file: ("h5dump cannot read", "the reader warns", "is not kept"),
    another_level: ("was published with another level",),
    another_figure: ("was published with another floor_dbm",),
    another_start: ("was published with another at_s",),
    another_flag: ("was published with another flags",),
    a_number_twice: ("is two sweeps",),
    no_gap: ("have no account",),
    a_longer_gap: ("2 of 1 sweeps are accounted for",),
    a_wrong_count: ("has room for",),
    no_finding: ("was published and is not kept", "are out of order"),
    another_finding: ("was published and is kept otherwise",),
    never_sent: ("was never delivered",),
    refused: ("was never delivered",),
    passed_on_to_nobody: ("was acknowledged and nobody heard it",),
    out_of_order: ("came after",),
    a_traceback: ("a station wrote: Traceback",),
    nothing_since: ("the account ends before the last start",),
}


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("alter", ALTERED, ids=lambda alter: alter.__name__)
def test_each_check_sees_what_is_wrong(
    parts: Any, leg: Leg, alter: Callable[[Leg], object]
) -> None:
    """The archive or what was heard is altered in one place, and the lines for it are given."""
    alter(leg)
    wrong = parts("watching").whole(leg.archive, leg.record, last_start_s=leg.last_start_s).wrong
    for said in ALTERED[alter]:
        assert any(said in line for line in wrong), wrong


@pytest.mark.slow
def test_what_went_with_the_broker_is_no_loss_of_the_station(parts: Any, leg: Leg) -> None:
    """Acknowledged while nobody was subscribed: counted by itself, and nothing is wrong."""
    payload = unheard(leg)
    acked_s = next(one.acked_s for one in leg.record.sent if one.payload == payload)
    leg.record.away.append((acked_s - 0.1, acked_s + 0.1))
    seen = parts("watching").whole(leg.archive, leg.record, last_start_s=leg.last_start_s)
    assert seen.wrong == []
    assert seen.findings.passed == 1


@pytest.mark.parametrize(
    ("code", "lines", "was_asked", "is_wrong"),
    [
        (0, ['{"event": "stopped"}'], True, False),
        (1, ["acqd: something"], True, True),
        (1, ['{"event": "config"}', "acqd: the disk is full; make room"], False, False),
        (0, ["acqd: the disk is full; make room"], False, True),
        (1, [], False, True),
        (1, ["Traceback", "  File", "OSError"], False, True),
        (-11, ["acqd: going"], False, True),
    ],
)
def test_a_station_may_end_with_one_clear_line_and_a_code(
    parts: Any, code: int, lines: list[str], was_asked: bool, is_wrong: bool
) -> None:
    problems = parts("bench").end_problems(code, lines, was_asked=was_asked)
    assert bool(problems) is is_wrong


# -- the tap ---------------------------------------------------------------------------------------


def test_the_tap_reads_packets_however_they_are_cut(parts: Any) -> None:
    """Byte by byte, all at once, and lengths of one and of two bytes (MQTT 5.0, section 1.5.5)."""
    small, large = bytes([0x40, 2, 0, 7]), bytes([0x32, 0xC8, 0x01]) + bytes(200)
    expected = [(4, 0, small[2:]), (3, 2, large[3:])]
    for size in (1, 3, 1000):
        packets = parts("tap").Packets()
        data = small + large
        cuts = [data[at : at + size] for at in range(0, len(data), size)]
        assert [packet for cut in cuts for packet in packets.feed(cut)] == expected


@pytest.mark.parametrize("data", [b"\x30\xff\xff\xff\xff\x01", b"\x30\xff\xff\xff\x7f"])
def test_the_tap_takes_no_length_without_an_end(parts: Any, data: bytes) -> None:
    with pytest.raises(ValueError):
        list(parts("tap").Packets().feed(data))


# -- the plan, and the tool ------------------------------------------------------------------------


def test_kills_are_dealt_out_to_the_last_one(parts: Any) -> None:
    """As many as were asked for, in every way, with every broker; the same by the same seed."""
    legs, faults = parts("legs"), parts("registry").faults()
    for kills in (0, 1, 20, 300):
        planned = legs.plan_legs(faults, seed=3, full=True, kills=kills)
        assert planned == legs.plan_legs(faults, seed=3, full=True, kills=kills)
        steps = [step for leg in planned for step in leg.faults]
        single = Counter(step[0].name for step in steps if len(step) == 1)
        assert sum(single[name] for name, one in faults.items() if one.is_kill) == kills
        for name, one in faults.items():
            assert single[name] == one.times[1] or one.is_kill
        for first, second in (step for step in steps if len(step) == 2):
            assert first.strikes.split()[0] != second.strikes.split()[0]
        for leg in planned:
            assert all(leg.broker in one.brokers for step in leg.faults for one in step)
    assert {leg.broker for leg in planned} == set(parts("registry").BROKERS)


def test_every_fault_says_what_it_does_and_tests(parts: Any) -> None:
    for name, one in parts("registry").faults().items():
        assert name == one.name and one.does and not one.does.endswith(".")
        assert one.guarantees and set(one.guarantees) <= {f"G{n}" for n in range(1, 9)}
        assert set(one.brokers) <= set(parts("registry").BROKERS)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--only", "flood"), "no fault 'flood'"),
        (("--kills", "many"), "expected a whole number"),
        (("--broker", "x"), "unrecognized arguments"),
    ],
)
def test_wrong_options_are_refused(options: tuple[str, ...], said: str) -> None:
    done = run_tool(*options)
    assert done.returncode == 2
    assert said in done.stderr


@pytest.mark.slow
def test_what_is_told_adds_up(tmp_path: Path) -> None:
    """Legs side by side, in a table, as plain data and in words; the whole reduced run is a step of
    its own beside the tests."""
    skip_without_mosquitto("mosquitto_pub")
    told, table = tmp_path / "told.json", tmp_path / "table.md"
    done = run_tool(
        *("--only", "kill-any-time", "--only", "sweeper-garbage", "--kills", "4"),
        *("--side-by-side", "2", "--quiet", "--folder", str(tmp_path)),
        *("--json", str(told), "--markdown", str(table)),
        limit_s=220.0,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    total = json.loads(told.read_text())["total"]
    assert total["kills"] >= 4 and total["lost"] == 0
    assert total["due"] == total["stored"] + sum(total["missed"].values())
    assert total["published"] <= total["stored"]
    assert total["findings"] == total["heard"] + total["passed"] + total["named"]
    assert "| `kill-any-time` |" in table.read_text()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["table.md", "told.json"]
