"""The socket of a running station: what it does for its user, and what nobody can do to it."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
import struct
import tempfile
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from acqd_sim.driver import SimDriver

from acqd.archive.reader import open_archive
from acqd.errors import ArchiveError, SweeperError, WrongUsage
from acqd.measure.meter import Role
from acqd.station import control
from acqd.station.control import Control, Conversation, ask_station, socket_paths
from acqd.station.feed import SetupView
from acqd.station.references import stored_references
from acqd.testing.sweepers import ScriptedDriver, trace_of

QUIET = {"do": "reference", "job": "marine-vhf", "role": "quiet", "sweeps": 3, "who": "anna"}
LIMIT_S = 30.0


async def ask(archive: Path, request: Mapping[str, Any], said: list[str] | None = None) -> Any:
    """Ask from another thread, as another process would."""
    say = (lambda text: None) if said is None else said.append
    return await asyncio.to_thread(ask_station, archive, request, say=say)


# ---- a socket with commands of the test's own ------------------------------------------------


@asynccontextmanager
async def served(archive: Path, **commands: Any) -> AsyncIterator[Control]:
    """A socket that serves ``commands`` until the end of the block."""
    one = Control(archive, commands)
    task = asyncio.create_task(one.run())
    while one.path is None or not one.path.exists():
        assert not task.done()
        await asyncio.sleep(0.005)
    await asyncio.sleep(0.02)
    try:
        yield one
    finally:
        task.cancel()
        await asyncio.wait([task])
        assert task.cancelled()


async def echo(asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
    return {"asked": asked.get("what")}


@pytest.fixture
def short() -> Iterator[Path]:
    """A folder with a path that leaves room for a socket's name, wherever pytest has its own."""
    with tempfile.TemporaryDirectory(prefix="acqd-") as folder:
        yield Path(folder)


@pytest.fixture
def archive(short: Path) -> Path:
    folder = short / "archive"
    folder.mkdir(mode=0o755)
    return folder


async def test_it_is_there_for_its_owner_alone_and_goes_with_the_station(archive: Path) -> None:
    async with served(archive, echo=echo) as one:
        assert one.path == archive / "control.sock"
        assert stat.S_IMODE(one.path.stat().st_mode) == 0o600
        assert await ask(archive, {"do": "echo", "what": "16 ✓"}) == {"asked": "16 ✓"}
    assert not one.path.exists()
    assert await ask(archive, {"do": "echo"}) is None


async def test_one_that_a_dead_station_left_is_replaced(archive: Path) -> None:
    left = socket.socket(socket.AF_UNIX)
    left.bind(str(archive / "control.sock"))
    left.close()
    assert await ask(archive, {"do": "echo"}) is None
    async with served(archive, echo=echo):
        assert await ask(archive, {"do": "echo", "what": 1}) == {"asked": 1}


ELSEWHERE: dict[str, Callable[[Path], Path]] = {
    "a path too long for a socket": lambda root: root / ("deep" * 30),
    "a folder that others may write": lambda root: root / "shared",
    "something else of that name": lambda root: root / "taken",
}


@pytest.mark.parametrize("place", ELSEWHERE.values(), ids=ELSEWHERE)
async def test_it_moves_to_the_users_own_folder(
    short: Path, monkeypatch: pytest.MonkeyPatch, place: Callable[[Path], Path]
) -> None:
    """Under a name that is made from the archive's path; both ends find it."""
    runtime = short / "run"
    runtime.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    folder = place(short)
    folder.mkdir(mode=0o755)
    if folder.name == "shared":
        folder.chmod(0o777)
    if folder.name == "taken":
        (folder / "control.sock").write_text("not a socket")
    async with served(folder, echo=echo) as one:
        assert one.path is not None and one.path.parent == runtime / "acqd"
        assert one.path == socket_paths(folder)[-1]
        assert await ask(folder, {"do": "echo", "what": 2}) == {"asked": 2}
        assert await ask(short, {"do": "echo"}) is None
    if folder.name == "taken":
        assert (folder / "control.sock").read_text() == "not a socket"


async def test_without_any_place_the_station_runs_on_without_it(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    os.chmod(archive, 0o777)
    monkeypatch.setattr(control, "lock_folder", lambda: None)
    one = Control(archive, {})
    await asyncio.wait_for(one.run(), LIMIT_S)
    assert one.path is None


async def raises_own(asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
    raise RuntimeError("a fault of ours")


async def raises_known(asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
    raise ArchiveError("no room \ud800")


async def raises_usage(asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
    raise WrongUsage("no such job")


async def gives_nonsense(asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
    return {"level": float("nan")}


ERRORS: dict[str, tuple[Any, type[Exception], str]] = {
    "of ours": (raises_own, SweeperError, "the station failed at this (RuntimeError)"),
    "known": (raises_known, SweeperError, "no room"),
    "of usage": (raises_usage, WrongUsage, "no such job"),
    "an answer that is none": (gives_nonsense, SweeperError, "ValueError"),
}


@pytest.mark.parametrize(("command", "kind", "says"), ERRORS.values(), ids=ERRORS)
async def test_errors_are_answers_and_the_next_request_is_served(
    archive: Path, command: Any, kind: type[Exception], says: str
) -> None:
    async with served(archive, bad=command, echo=echo):
        for _ in range(3):
            with pytest.raises(kind) as told:
                await ask(archive, {"do": "bad"})
            assert says in str(told.value) and type(told.value) is kind
        assert await ask(archive, {"do": "echo", "what": 3}) == {"asked": 3}


LINES: dict[str, tuple[bytes, str]] = {
    "no JSON": (b"hello\n", "not a line of JSON"),
    "no object": (b"[1, 2]\n", "this station does: echo"),
    "an unknown word": (b'{"do": "format"}\n', "this station does: echo"),
    "a word that is none": (b'{"do": ["echo"]}\n', "this station does: echo"),
    "nested beyond reason": (b"[" * 8000 + b"\n", "not a line of JSON"),
    "too long": (b'{"do": "' + b"x" * 80_000 + b'"}\n', "more than 65536 bytes"),
    "bytes of no text": (b"\xff\xfe\x00\n", "not a line of JSON"),
}


@pytest.mark.parametrize(("line", "says"), LINES.values(), ids=LINES)
async def test_lines_that_nobody_should_send(archive: Path, line: bytes, says: str) -> None:
    async with served(archive, echo=echo):
        reader, writer = await asyncio.open_unix_connection(str(archive / "control.sock"))
        writer.write(line)
        answer = json.loads(await asyncio.wait_for(reader.readline(), LIMIT_S))
        assert says in answer["error"]
        writer.close()
        assert await ask(archive, {"do": "echo", "what": 4}) == {"asked": 4}


async def test_more_clients_than_allowed_are_told_so(archive: Path) -> None:
    async with served(archive, echo=echo):
        path = str(archive / "control.sock")
        idle = [await asyncio.open_unix_connection(path) for _ in range(control.CLIENTS_MOST)]
        await asyncio.sleep(0.05)
        with pytest.raises(SweeperError, match="8 others are connected"):
            await ask(archive, {"do": "echo"})
        for _, writer in idle:
            writer.close()
        await asyncio.sleep(0.05)
        assert await ask(archive, {"do": "echo", "what": 5}) == {"asked": 5}


async def test_who_says_nothing_is_dropped(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(control, "IDLE_S", 0.05)
    async with served(archive, echo=echo):
        reader, writer = await asyncio.open_unix_connection(str(archive / "control.sock"))
        assert await asyncio.wait_for(reader.read(), LIMIT_S) == b""
        writer.close()


async def test_a_connection_has_so_many_requests(archive: Path) -> None:
    async with served(archive, echo=echo):
        reader, writer = await asyncio.open_unix_connection(str(archive / "control.sock"))
        for number in range(control.REQUESTS_MOST):
            writer.write(json.dumps({"do": "echo", "what": number}).encode() + b"\n")
            answer = json.loads(await asyncio.wait_for(reader.readline(), LIMIT_S))
            assert answer == {"done": {"asked": number}}
        assert await asyncio.wait_for(reader.read(), LIMIT_S) == b""
        writer.close()


async def test_who_does_not_read_is_dropped_and_costs_a_bounded_memory(archive: Path) -> None:
    left = asyncio.Event()

    async def talks(asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        while at.is_wanted:
            at.say("x" * 1000)
            await asyncio.sleep(0)
        left.set()
        return {}

    async with served(archive, talks=talks, echo=echo):
        line = socket.socket(socket.AF_UNIX)
        line.connect(str(archive / "control.sock"))
        line.sendall(b'{"do": "talks"}\n')
        await asyncio.wait_for(left.wait(), LIMIT_S)
        line.close()
        assert await ask(archive, {"do": "echo", "what": 6}) == {"asked": 6}


@pytest.mark.parametrize("how", ["hangs up", "goes on sending"])
async def test_who_leaves_is_not_waited_for(archive: Path, how: str) -> None:
    """The command is ended, and can see that nobody wants it any more."""
    begun, ended = asyncio.Event(), asyncio.Event()
    seen: list[bool] = []

    async def long(asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        begun.set()
        try:
            await asyncio.sleep(LIMIT_S)
        finally:
            seen.append(at.is_wanted)
            ended.set()
        return {}

    async with served(archive, long=long):
        _, writer = await asyncio.open_unix_connection(str(archive / "control.sock"))
        writer.write(b'{"do": "long"}\n')
        await asyncio.wait_for(begun.wait(), LIMIT_S)
        if how == "hangs up":
            writer.close()
        else:
            writer.write(b'{"do": "long"}\n')
        await asyncio.wait_for(ended.wait(), LIMIT_S)
        assert seen == [False]
        writer.close()


async def test_a_long_command_gives_signs_of_life(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a station that hangs can be told from one that works."""
    monkeypatch.setattr(control, "WORKING_EVERY_S", 0.02)
    monkeypatch.setattr(control, "SILENT_S", 0.3)

    async def long(asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        await asyncio.sleep(0.8)
        return {"at": "last"}

    async with served(archive, long=long):
        assert await ask(archive, {"do": "long"}) == {"at": "last"}
    # One that takes connections and never answers.
    deaf = socket.socket(socket.AF_UNIX)
    deaf.bind(str(archive / "control.sock"))
    deaf.listen()
    with pytest.raises(SweeperError, match=r"has said nothing for 0\.3 s"):
        await ask(archive, {"do": "long"})
    deaf.close()


async def test_a_stop_tells_who_waits(archive: Path) -> None:
    begun = asyncio.Event()

    async def long(asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        begun.set()
        await asyncio.sleep(LIMIT_S)
        return {}

    async with served(archive, long=long):
        asking = asyncio.create_task(ask(archive, {"do": "long"}))
        await asyncio.wait_for(begun.wait(), LIMIT_S)
    with pytest.raises(SweeperError, match="the station is stopping"):
        await asking


# ---- references of a running station ---------------------------------------------------------


async def test_a_station_says_who_it_is(
    inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    async with inside({"mast": SimDriver()}, [job_table("marine-vhf")]) as station:
        hello = await ask(station.archive, {"do": "hello"})
        assert hello == {"station": "lookout", "run_id": "run-1", "jobs": ["marine-vhf"]}


async def test_a_reference_is_taken_between_passes_and_used_from_the_next_sweep_on(
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    check_accounts: Callable[..., list[int]],
) -> None:
    """Stored first, then in every setup; every due time is accounted for; a restart goes on with
    it, in the very same setup."""
    jobs = [job_table("marine-vhf"), job_table("calling")]
    said: list[str] = []
    async with inside({"mast": SimDriver()}, jobs) as station:
        job = station.station._jobs["marine-vhf"]
        await station.until("sweeps", lambda: job.last_seq > 2)
        assert (await ask(station.archive, {**QUIET, "check": True}))["sweep_s"] > 0.0
        told = await ask(station.archive, {**QUIET, "temperature_c": 21.5}, said)
        seq = job.last_seq
        await station.until("more sweeps", lambda: job.last_seq > seq + 3)
        again = await ask(station.archive, {**QUIET, "sweeps": 1}, said)
        assert again["last"]["at_s"] == told["at_s"] and again["last"]["differs"] == []
        seq = job.last_seq
        await station.until("more sweeps", lambda: job.last_seq > seq + 3)
    assert said[:4] == ["waiting for mast to end its pass"] + [f"sweep {n} of 3" for n in (1, 2, 3)]
    assert told["role"] == "quiet" and told["last"] is None and told["number"] == 1
    assert told["sweeps"] == 3 and told["temperature_c"] == 21.5
    archive = open_archive(station.archive)
    (first, second) = archive.overlays("marine-vhf")
    assert (first.kind, first.who) == ("reference", "anna")
    assert second.body["sweeps"] == 1
    setups = [SetupView.of(one, 0.0).event for one in archive.setups("marine-vhf")]
    at_s = [one.references["quiet"].at_s if one.references else None for one in setups]
    assert at_s == [None, told["at_s"], again["at_s"]]
    assert all(one.references["quiet"].is_usable for one in setups[1:])
    assert not any(SetupView.of(one, 0.0).event.references for one in archive.setups("calling"))
    for name in ("marine-vhf", "calling"):
        check_accounts(archive, name, every_s=0.1)

    async with inside({"mast": SimDriver()}, jobs) as station:
        job = station.station._jobs["marine-vhf"]
        assert job.references[Role.QUIET].at_s == again["at_s"]
        seq = job.last_seq
        await station.until("sweeps", lambda: job.last_seq > seq + 2)
    assert len(open_archive(station.archive).setups("marine-vhf")) == 3


WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "no job": ({"job": None}, "has no job None; it has marine-vhf"),
    "an unknown job": ({"job": "nobody"}, "has no job 'nobody'; it has marine-vhf"),
    "no role": ({"role": None}, "`role` of the request is None"),
    "an unknown role": ({"role": "thru"}, "there is: quiet, ambient"),
    "a role of another kind": ({"role": "through"}, "what fits: quiet, ambient"),
    "no sweeps": ({"sweeps": 0}, "1 to 100 belongs there"),
    "too many sweeps": ({"sweeps": 101}, "1 to 100 belongs there"),
    "sweeps that are none": ({"sweeps": True}, "1 to 100 belongs there"),
    "half a sweep": ({"sweeps": 1.5}, "1 to 100 belongs there"),
    "a temperature in words": ({"temperature_c": "warm"}, "a number of °C"),
    "a temperature without end": ({"temperature_c": float("inf")}, "a number of °C"),
    "nobody": ({"who": ""}, "`who` of the request"),
}


async def test_requests_that_cannot_be_meant(
    inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """Each is an answer of its own, for who uses it wrongly; nothing is stored."""
    async with inside({"mast": SimDriver()}, [job_table("marine-vhf")]) as station:
        for name, (change, says) in WRONG.items():
            with pytest.raises(WrongUsage) as told:
                await ask(station.archive, {**QUIET, **change})
            assert says in str(told.value), name
    assert stored_references(station.archive) == {}


async def test_a_sweeper_that_is_away_is_a_clear_answer(
    inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """Before it has come, and when it was lost in the middle of it; afterwards it works again."""
    driver = ScriptedDriver()
    driver.is_unplugged = True
    async with inside({"mast": driver}, [job_table("marine-vhf")]) as station:
        await station.until("its absence", lambda: station.events("sweeper_away"))
        with pytest.raises(SweeperError, match=r"mast: the sweeper is away: unplugged"):
            await ask(station.archive, QUIET)
        driver.is_unplugged = False
        job = station.station._jobs["marine-vhf"]
        await station.until("sweeps", lambda: job.last_seq > 2)

        def on_sweep(text: str) -> None:
            driver.is_unplugged = driver.is_unplugged or text.startswith("sweep 2")

        with pytest.raises(SweeperError, match="unplugged"):
            await asyncio.to_thread(
                ask_station, station.archive, {**QUIET, "sweeps": 100}, say=on_sweep
            )
        await station.until("its loss", lambda: station.events("sweeper_lost"))
        driver.is_unplugged = False
        await station.until("its return", lambda: len(station.events("sweeper_present")) > 1)
        assert (await ask(station.archive, QUIET))["sweeps"] == 3
    assert set(stored_references(station.archive)["marine-vhf"]) == {"quiet"}


async def test_a_job_that_may_not_start_takes_none_here_either(
    inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """What the input stands is unknown, and 5 W can arrive: neither checked nor taken (G7)."""
    driver = ScriptedDriver()
    job = job_table("marine-vhf", more='transmitter = { power = "5 W" }')
    async with inside({"mast": driver}, [job]) as station:
        await station.until("the sweeper", lambda: station.events("sweeper_present"))
        for request in (QUIET, {**QUIET, "check": True}):
            with pytest.raises(SweeperError, match="what the input stands is unknown"):
                await ask(station.archive, request)
    assert driver.swept == [] and stored_references(station.archive) == {}


async def test_a_level_near_the_maximum_ends_it_with_the_source_off(
    inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    strong = threading.Event()

    def step(request: Any, context: Any) -> Any:
        level = [-100.0 + (n % 7) for n in range(request.points)]
        level[5] = 5.0 if strong.is_set() else -90.0
        return trace_of(level, request)

    driver = ScriptedDriver([step] * 10_000)
    table = job_table("marine-vhf", when='every = "1 h"')
    async with inside({"mast": driver}, [table], sweeper_more='absolute_max = "10 dBm"') as station:
        await station.until("the sweeper", lambda: station.events("sweeper_present"))
        driver.source_on = True
        strong.set()
        with pytest.raises(SweeperError, match=r"5\.0 dBm at the sweeper's input, too near"):
            await ask(station.archive, QUIET)
        assert driver.source_on is False
    assert stored_references(station.archive) == {}


async def test_who_leaves_in_the_middle_leaves_nothing_behind(
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    check_accounts: Callable[..., list[int]],
) -> None:
    """No reference is stored, the sweeper is free again, and jobs go on."""
    async with inside({"mast": SimDriver()}, [job_table("marine-vhf")]) as station:
        job = station.station._jobs["marine-vhf"]
        await station.until("sweeps", lambda: job.last_seq > 2)
        path = socket_paths(station.archive)[0]
        reader, writer = await asyncio.open_unix_connection(str(path))
        writer.write(json.dumps({**QUIET, "sweeps": 100}).encode() + b"\n")
        while b"sweep 2" not in await asyncio.wait_for(reader.readline(), LIMIT_S):
            pass
        writer.close()
        seq = job.last_seq
        await station.until("more sweeps", lambda: job.last_seq > seq + 3)
        assert (await ask(station.archive, QUIET))["number"] == 1
    check_accounts(open_archive(station.archive), "marine-vhf", every_s=0.1)


async def test_a_stop_in_the_middle_takes_no_longer(
    inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """Within the two seconds of any stop; who waits is told, and what was not whole is not
    stored."""
    table = job_table("marine-vhf", when='every = "1 h"', more='sweep_time = "400 ms"')
    async with inside({"mast": ScriptedDriver()}, [table]) as station:
        await station.until("the sweeper", lambda: station.events("sweeper_present"))
        said: list[str] = []
        asking = asyncio.create_task(ask(station.archive, {**QUIET, "sweeps": 50}, said))
        await station.until("its second sweep", lambda: "sweep 2 of 50" in said)
        assert await station.stop() < 2.0
        with pytest.raises(SweeperError, match=r"the station is stopping|hung up"):
            await asking
    assert stored_references(station.archive) == {}
    assert not socket_paths(station.archive)[0].exists()


async def test_too_many_at_once_are_told_to_come_again(
    inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """One is being done and four wait; the sixth is refused. All that was taken on is done."""
    table = job_table("marine-vhf", when='every = "1 h"', more='sweep_time = "100 ms"')
    async with inside({"mast": ScriptedDriver()}, [table]) as station:
        await station.until("the sweeper", lambda: station.events("sweeper_present"))
        said: list[str] = []
        first = asyncio.create_task(ask(station.archive, {**QUIET, "sweeps": 10}, said))
        await station.until("its first sweep", lambda: "sweep 1 of 10" in said)
        asking = [
            asyncio.create_task(ask(station.archive, {**QUIET, "sweeps": 1})) for _ in range(5)
        ]
        outcomes = await asyncio.gather(first, *asking, return_exceptions=True)
    refused = [one for one in outcomes if isinstance(one, SweeperError)]
    assert len(refused) == 1 and "4 others wait already" in str(refused[0])
    assert sorted(one["number"] for one in outcomes if one not in refused) == [1, 2, 3, 4, 5]


class OtherEnd:
    """A connection of a user, as the kernel tells of it."""

    def __init__(self, uid: int) -> None:
        self._uid = uid

    def getsockopt(self, level: int, option: int, size: int) -> bytes:
        return struct.pack("3i", 4242, self._uid, 100)


@pytest.mark.parametrize(("uid", "is_ours"), [(1000, True), (0, True), (1001, False)])
def test_another_users_end_is_not_talked_to(
    monkeypatch: pytest.MonkeyPatch, uid: int, is_ours: bool
) -> None:
    """Root's is: it may do anything anyway."""
    here, there = socket.socketpair()
    assert control._is_ours(here)
    here.close()
    there.close()
    monkeypatch.setattr(os, "getuid", lambda: 1000)
    assert control._is_ours(OtherEnd(uid)) is is_ours
