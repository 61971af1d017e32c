"""The live page beside a station: a real process, served, watched, started again, ended."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import stat
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import structlog

from acqd.errors import BrokerError
from acqd.publish.child import free_port
from acqd.publish.settings import BrokerSettings, Endpoint
from acqd.station.livepage import PROGRAM, LivePage, PageSpec, page_token, restart_after_s

LIMIT_S = 40.0
NOBODY = BrokerSettings(
    address=Endpoint(host="127.0.0.1", port=free_port("127.0.0.1")),
    user="ness",
    password="a-word-that-nobody-else-knows",
)


@pytest.fixture
def said() -> list[dict[str, Any]]:
    """What is logged."""
    with structlog.testing.capture_logs() as lines:
        yield lines


def make(folder: Path, *, host: str = "127.0.0.1", **changes: Any) -> LivePage:
    spec = PageSpec(address=Endpoint(host=host, port=free_port("127.0.0.1")))
    return LivePage(
        changes.pop("spec", spec),
        station="lookout",
        archive=folder,
        zone="Europe/London",
        settings=changes.pop("settings", NOBODY),
        backoff=lambda failures: 0.05,
        **changes,
    )


@asynccontextmanager
async def running(page: LivePage) -> AsyncIterator[asyncio.Task[None]]:
    """The page for a while; its process has ended at the end."""
    task = asyncio.create_task(page.run())
    try:
        yield task
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        if page.process is not None:
            assert page.process.returncode is not None


def shown_of(pid: int) -> bytes:
    """What others, and root, can see of a process: its command line, and its environment."""
    return b"".join(Path(f"/proc/{pid}/{name}").read_bytes() for name in ("cmdline", "environ"))


async def until(condition: Any) -> None:
    ends_s = time.monotonic() + LIMIT_S
    while not condition():
        assert time.monotonic() < ends_s
        await asyncio.sleep(0.05)


def state(page: LivePage, token: str | None = None) -> Any:
    """What the page's server tells."""
    ask = urllib.request.Request(f"http://127.0.0.1:{page._spec.address.port}/state.json")
    if token is not None:
        ask.add_header("Authorization", f"Bearer {token}")
    with urllib.request.urlopen(ask, timeout=10) as answer:
        return json.load(answer)


async def test_it_is_served_until_the_station_stops(tmp_path: Path, said: Any) -> None:
    """At low priority, with the broker's address on it and no secret on its command line."""
    page = make(tmp_path)
    async with running(page):
        await until(lambda: page.starts == 1)
        told = await asyncio.to_thread(state, page)
        while not told["broker"]["address"]:
            # It serves before it has looked for the broker.
            told = await asyncio.to_thread(state, page)
        assert told["broker"]["address"] == str(NOBODY.address) and told["zone"] == "Europe/London"
        assert page.process is not None
        pid = page.process.pid
        command = shown_of(pid)
        assert b"acqd.dash.child" in command and b"nobody-else-knows" not in command
        assert os.getpriority(os.PRIO_PROCESS, pid) > os.getpriority(os.PRIO_PROCESS, 0)
        began_s = time.monotonic()
    assert time.monotonic() - began_s < 2.0
    (line,) = [one for one in said if one["event"] == "live_page"]
    assert line["url"] == f"http://127.0.0.1:{page._spec.address.port}/"
    assert "nobody-else-knows" not in str(said)


async def test_one_that_others_may_look_at_wants_a_token(tmp_path: Path, said: Any) -> None:
    """It is made once and kept for this user alone; the log says where it is, not what it is."""
    page = make(tmp_path, host="0.0.0.0")
    async with running(page):
        await until(lambda: page.starts == 1)
        with pytest.raises(urllib.error.HTTPError, match="401"):
            await asyncio.to_thread(state, page)
        file = tmp_path / "dash.token"
        token = file.read_text().strip()
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        assert (await asyncio.to_thread(state, page, token))["stations"] == []
    assert token not in str(said) and str(file) in str(said)
    assert page_token(page._spec, tmp_path) == (token, file)


async def test_one_that_does_not_answer_is_started_again(tmp_path: Path, said: Any) -> None:
    """A frozen process is as good as none."""
    page = make(tmp_path, probe_every_s=0.1, probe_limit_s=2.0)
    async with running(page):
        await until(lambda: page.starts == 1)
        assert page.process is not None
        page.process.send_signal(signal.SIGSTOP)
        await until(lambda: page.starts == 2)
    assert [one["problem"] for one in said if one["event"] == "no_live_page"] == [
        "the live page does not answer"
    ]


@pytest.mark.parametrize(
    ("program", "words"),
    [
        ((sys.executable, "-c", "import sys; sys.exit('acqd: the reason')"), "the reason"),
        ((sys.executable, "-c", "print(end='')"), "it said nothing"),
    ],
)
async def test_what_keeps_it_away_is_told_once(
    tmp_path: Path, said: Any, program: tuple[str, ...], words: str
) -> None:
    """However often it is tried again."""
    page = make(tmp_path, program=program)
    async with running(page):
        await until(lambda: any(one["event"] == "no_live_page" for one in said))
        await asyncio.sleep(0.5)
    (line,) = [one for one in said if one["event"] == "no_live_page"]
    assert words in line["problem"]


async def test_of_one_that_was_killed_nothing_is_guessed(tmp_path: Path, said: Any) -> None:
    """Its log is about other things, so no line of that is given for the reason."""
    speaks = "import os, time; print('up'); os.write(2, b'{}\\n'); time.sleep(60)"
    page = make(tmp_path, program=(sys.executable, "-uc", speaks))
    async with running(page):
        await until(lambda: any(one["event"] == "page_says" for one in said))
        assert page.process is not None
        page.process.kill()
        await until(lambda: any(one["event"] == "no_live_page" for one in said))
    (problem, *_) = [one["problem"] for one in said if one["event"] == "no_live_page"]
    assert problem == "the live page was killed (signal 9): it said nothing"


async def test_without_a_broker_there_is_no_page(tmp_path: Path, said: Any) -> None:
    """One line, and nothing is started."""
    page = make(tmp_path, settings=None)
    await page.run()
    assert page.process is None
    assert [one["problem"] for one in said] == ["without a broker there is nothing to show"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("short", "can be guessed"),
        (None, "No such file"),
        (b"\xff", "not UTF-8"),
        ("short-no-more-for-once", "everybody on this machine can read it.*chmod 600"),
    ],
)
def test_a_token_file_that_is_none_is_told(tmp_path: Path, content: Any, words: str) -> None:
    """What is in it is not."""
    file = tmp_path / "token"
    if content is not None:
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        file.chmod(0o644 if "everybody" in words else 0o600)
    spec = PageSpec(address=Endpoint(host="127.0.0.1", port=1), token_file=file)
    with pytest.raises(BrokerError, match=words) as caught:
        page_token(spec, tmp_path)
    assert "short" not in str(caught.value)


def test_it_ends_with_its_station_however_that_ends(tmp_path: Path) -> None:
    """The end of its standard input is all that it needs."""
    page = make(tmp_path)
    told = json.dumps(page._told(NOBODY, None)) + "\n"
    child = subprocess.Popen(
        PROGRAM, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    assert child.stdin is not None and child.stdout is not None
    child.stdin.write(told)
    child.stdin.flush()
    assert child.stdout.readline().startswith("http://127.0.0.1:")
    child.stdin.close()
    assert child.wait(LIMIT_S) == 0
    child.stdout.close()


def test_waits_grow_and_are_bounded() -> None:
    """Once a minute at most, for ever."""
    assert [restart_after_s(n) for n in (1, 2, 3, 6, 7, 8, 10_000)] == [1, 2, 4, 32, 60, 60, 60]
