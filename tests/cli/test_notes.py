"""``acqd notes`` and ``acqd pin``: what people said, listed by number and taken back."""

from __future__ import annotations

import json
import socket
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from acqd.station.control import socket_paths

JOB = "marine-vhf"


def numbers(acqd: Any, folder: Path, *words: str) -> list[int]:
    answer = acqd("notes", *words, "--json", folder=folder)
    assert answer.code == 0, answer.err
    return [row["number"] for row in answer.json]


def test_nothing_noted_is_said_with_what_to_do(acqd: Any, kept: Path) -> None:
    answer = acqd("notes", folder=kept)
    assert answer.code == 0 and answer.out.startswith("nothing yet; acqd note 21:05")


def test_all_that_was_said_is_listed_by_number(acqd: Any, folder: Path) -> None:
    acqd("note", "lamp off", "--job", JOB, folder=folder)
    acqd("note", "door open", folder=folder)
    acqd("pin", "2026-06-14", "--job", JOB, "--because", "the distress call", folder=folder)
    answer = acqd("notes", folder=folder)
    lines = answer.out.splitlines()
    assert lines[0].split() == ["number", "what", "job", "about", "said", "by", "made"]
    assert "note  marine-vhf" in lines[1] and "lamp off" in lines[1]
    assert "note  all" in lines[2] and "door open" in lines[2]
    assert "14 June 2026, 12:00 to 15 June 2026, 12:00" in lines[3]
    assert "the distress call" in lines[3]
    assert numbers(acqd, folder, JOB) == [1, 2, 3] and numbers(acqd, folder, "calling") == [2]


def test_taking_back_is_a_number_of_its_own_that_can_be_taken_back(acqd: Any, folder: Path) -> None:
    acqd("note", "lamp off", folder=folder)
    answer = acqd("notes", "undo", "1", "wrong lamp", folder=folder)
    assert answer.code == 0, answer.err
    assert answer.out.splitlines() == [
        "number 1 taken back (note: lamp off)",
        "acqd notes undo 2 brings it back",
    ]
    assert numbers(acqd, folder) == [] and numbers(acqd, folder, "--all") == [1, 2]
    assert "2 more, taken back or self-tests (--all lists them)" in acqd("notes", folder=folder).out
    shown = acqd("notes", "--all", folder=folder).out
    assert "note, taken back (2)" in shown and "taken back: wrong lamp" in shown
    twice = acqd("notes", "undo", "1", folder=folder)
    assert twice.code == 2 and "number 1 was taken back already" in twice.complaint
    assert "acqd notes undo 2 brings it back" in twice.complaint
    answer = acqd("notes", "undo", "2", folder=folder)
    assert "number 1 stands again: lamp off" in answer.out
    assert numbers(acqd, folder) == [1]
    twice = acqd("notes", "undo", "2", folder=folder)
    assert twice.code == 2 and "acqd notes undo 3 brings it back" in twice.complaint
    # Nothing was deleted, whatever was said since.
    rows = open_archive(folder / "archive").overlays(undone=True)
    assert [(one.id, one.kind) for one in rows] == [(1, "note"), (2, "undo"), (3, "undo")]
    assert all(one.who for one in rows)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("undo",), "undo and a number: acqd notes undo 12"),
        (("undo", "lamp"), "a number belongs there"),
        (("undo", "99"), "nothing of number 99 is noted; there is none at all"),
        (("undo", "-1"), "No such option"),
        (("marine",), "no job 'marine'; there is marine-vhf"),
        ((JOB, "calling"), "acqd notes takes a JOB, or undo and a number"),
    ],
)
def test_what_is_wrong_is_said(acqd: Any, kept: Path, words: tuple[str, ...], said: str) -> None:
    answer = acqd("notes", *words, folder=kept)
    assert answer.code == 2 and said in answer.err


def test_a_remark_that_was_taken_back_is_in_no_report(
    acqd: Any, kept: Path, tmp_path: Path
) -> None:
    import shutil

    shutil.copytree(kept, tmp_path / "swept")
    folder = tmp_path / "swept"
    first_s = float(open_archive(folder / "archive").sweeps(JOB).started.values[0])
    when = datetime.fromtimestamp(first_s + 0.01, UTC).isoformat()
    acqd("note", when, "whip swapped", folder=folder)

    def told() -> list[str]:
        answer = acqd("report", "archive", "--job", JOB, "--json", "-", folder=folder)
        return [note["text"] for note in answer.json["report"]["jobs"][0]["notes"]]

    assert told() == ["whip swapped"]
    acqd("notes", "undo", "1", folder=folder)
    assert told() == []
    acqd("notes", "undo", "2", folder=folder)
    assert told() == ["whip swapped"]


def test_an_undone_reference_gives_way_to_the_one_before(acqd: Any, folder: Path) -> None:
    for _ in range(2):
        acqd("reference", JOB, "quiet", "--yes", "--sweeps", "1", folder=folder)
    first, second = open_archive(folder / "archive").overlays(JOB)
    answer = acqd("notes", "undo", "2", folder=folder)
    at = datetime.fromtimestamp(first.body["at_s"], UTC).isoformat(timespec="minutes")[:-6]
    assert f"the quiet of marine-vhf is now the one taken {at}Z" in answer.out
    listed = acqd("reference", JOB, "--json", folder=folder).json
    assert first.body["at_s"] != second.body["at_s"]
    assert first.body["at_s"] in json.loads(json.dumps(_numbers_in(listed)))
    answer = acqd("notes", "undo", "1", folder=folder)
    assert "marine-vhf has no quiet now: figures that need one are not given" in answer.out


def _numbers_in(data: Any) -> list[float]:
    if isinstance(data, dict):
        return [number for value in data.values() for number in _numbers_in(value)]
    if isinstance(data, list):
        return [number for value in data for number in _numbers_in(value)]
    return [data] if isinstance(data, float) else []


def test_a_running_station_no_longer_uses_an_undone_reference(
    acqd: Any, folder: Path, start: Any
) -> None:
    """From the next sweep on; and takes it up again where that is undone."""
    station = start(folder / "station.toml")
    station.until('"job": "marine-vhf", "number": 1')
    assert acqd("reference", JOB, "quiet", "-y", "--sweeps", "1", folder=folder).code == 0

    def until(count: int) -> None:
        import time

        archive = open_archive(folder / "archive")
        ends_s = time.monotonic() + 30.0
        while time.monotonic() < ends_s:
            if _references_now(archive) == count:
                return
            time.sleep(0.05)
        raise AssertionError(f"the newest sweep never had {count} references")

    until(1)
    answer = acqd("notes", "undo", "1", folder=folder)
    assert answer.code == 0 and "marine-vhf has no quiet now" in answer.out, answer.err
    until(0)
    assert acqd("notes", "undo", "2", folder=folder).code == 0
    until(1)
    assert station.stop() == 0
    check = acqd("replay", "archive", JOB, "--check", folder=folder)
    assert check.code == 0 and "equal bit for bit" in check.out, check.out


def _references_now(archive: Any) -> int:
    """References in the setup of the newest sweep."""
    newest = str(archive.sweeps(JOB).setup.values[-1])
    setup = next(one for one in archive.setups(JOB) if one.setup == newest)
    return len(setup.details.get("references") or ())


MISFITS: list[tuple[dict[str, Any], str]] = [
    ({"kind": "shrug", "body": {}}, "cannot be asked for"),
    ({"kind": "time", "body": {}}, "not as it has to be: `boot` is missing"),
    (
        {"kind": "time", "body": {"boot": "a", "pieces": 7}},
        "another type than belongs there; `pieces` is a list",
    ),
    ({"kind": "chain", "body": {"changes": [], "reason": "x"}}, "of one job; name it"),
    ({"kind": "chain", "job": JOB, "body": {"changes": [{"do": "x"}], "reason": "x"}}, "not as it"),
    ({"kind": "chain", "job": JOB, "body": []}, "a table belongs there"),
    ({"kind": "undo", "body": {"undoes": True}}, "a number belongs there"),
    ({"kind": "undo", "body": {"undoes": 99}}, "nothing of number 99"),
    ({"kind": "pin", "body": {}, "from_s": "soon"}, "seconds since 1970"),
]


def test_a_station_takes_nothing_that_is_not_as_it_has_to_be(folder: Path, start: Any) -> None:
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    for request, said in MISFITS:
        line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        line.settimeout(30.0)
        with line:
            line.connect(str(next(p for p in socket_paths(folder / "archive") if p.exists())))
            line.sendall(json.dumps({"do": "overlay", "who": "Ada", **request}).encode() + b"\n")
            told = json.loads(line.makefile("rb").readline())
        assert told["code"] == 2 and said in told["error"], request
    assert station.stop() == 0
    assert open_archive(folder / "archive").overlays(undone=True) == []


# -- pins ------------------------------------------------------------------------------------------


def test_a_night_is_pinned_and_taken_back(acqd: Any, folder: Path) -> None:
    answer = acqd("pin", "2026-10-24", folder=folder)
    assert answer.code == 0, answer.err
    assert answer.out.startswith(
        "pinned as number 1: 24 October 2026, 12:00 to 25 October 2026, 12:00 (Europe/London), "
        "all jobs; it is never thinned"
    )
    assert "was another night meant?" in answer.out
    archive = open_archive(folder / "archive")
    noon_s = datetime(2026, 10, 24, 11, tzinfo=UTC).timestamp()
    # The clock goes back in that night: it has 25 hours.
    assert archive.is_pinned(JOB, noon_s + 24.5 * 3600.0, noon_s + 24.6 * 3600.0)
    assert not archive.is_pinned(JOB, noon_s + 25 * 3600.0, noon_s + 26 * 3600.0)
    answer = acqd("pin", "--remove", "2026-10-24", folder=folder)
    assert answer.code == 0 and answer.out.startswith("pin 1 taken back: 24 October 2026")
    assert not archive.is_pinned(JOB, noon_s, noon_s + 1.0)
    again = acqd("pin", "--remove", "2026-10-24", folder=folder)
    assert again.code == 2 and "nothing is pinned there" in again.complaint
    assert acqd("notes", "undo", "2", folder=folder).code == 0
    assert archive.is_pinned(JOB, noon_s, noon_s + 1.0)


def test_a_pin_that_reaches_further_is_not_cut(acqd: Any, folder: Path) -> None:
    words = ("--from", "2026-06-14T12:00Z", "--to", "2026-06-20T12:00Z")
    assert acqd("pin", *words, folder=folder).code == 0
    answer = acqd("pin", "--remove", "2026-06-15", folder=folder)
    assert answer.code == 2 and "a pin reaches beyond that time: 1 (" in answer.complaint
    assert acqd("pin", "--remove", *words, folder=folder).code == 0


def test_what_is_pinned_is_no_surprise(acqd: Any, kept: Path, tmp_path: Path) -> None:
    """Tonight of an archive that has sweeps is pinned without a question; the sheet says it."""
    import shutil

    shutil.copytree(kept, tmp_path / "swept")
    archive = open_archive(tmp_path / "swept" / "archive")
    at_s = float(archive.sweeps(JOB).started.values[0])
    begin, end = (datetime.fromtimestamp(at_s + by, UTC).isoformat() for by in (-60.0, 60.0))
    answer = acqd("pin", "--from", begin, "--to", end, "--job", JOB, folder=tmp_path / "swept")
    assert answer.code == 0 and "another night" not in answer.out
    told = acqd("report", "archive", "--job", JOB, "--json", "-", folder=tmp_path / "swept").json
    facts = {fact["name"]: fact["text"] for fact in told["report"]["jobs"][0]["footer"]}
    assert facts["pinned"].startswith("number 1, ") and facts["pinned"].endswith("never thinned")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "say which night"),
        (("--from", "21:05"), "say which night"),
        (("yesternight",), "is no night; expected last night"),
        (("2026-06-14", "--from", "21:05"), "a NIGHT, or --from and --to"),
        (("2026-06-14", "--job", "calling16"), "no job 'calling16'"),
        (("--from", "2026-06-14T21:00Z", "--to", "2026-06-14T20:00Z"), "is not after"),
    ],
)
def test_what_is_no_night_to_pin_is_said(
    acqd: Any, folder: Path, words: tuple[str, ...], said: str
) -> None:
    answer = acqd("pin", *words, folder=folder)
    assert answer.code == 2 and said in answer.complaint
