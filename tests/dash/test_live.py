"""Over a real broker and real WebSockets."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Awaitable, Callable
from typing import Any

import aiohttp
import aiomqtt
import numpy as np
import pytest

from acqd.dash.server import VIEWERS_MOST
from acqd.dash.service import Dashboard, DashSettings
from acqd.dash.state import FINDINGS_MOST
from acqd.publish.settings import BrokerSettings, Endpoint
from acqd.publish.topics import TRIAL

STATION, JOB = "gannet-ledge", "marine-vhf"

Start = Callable[..., Awaitable[Any]]
Look = Callable[..., Awaitable[Any]]


async def said(broker: Any, say: Any, *, at_s: float | None = None) -> float:
    """A station that is there and sweeps; returns when."""
    now_s = time.time() if at_s is None else at_s
    await broker.publish(say.status(now_s), say.state(now_s), say.channel(now_s, "16"), retain=True)
    await broker.publish(say.summary(now_s, 1), say.trace(now_s, 1, [-100.0, -60.0, -90.0]))
    return now_s


async def test_sweeps_reach_a_viewer(broker: Any, start: Start, look: Look, say: Any) -> None:
    dashboard = await start()
    await said(broker, say)
    viewer = await look(dashboard)
    frame = await viewer.until(lambda one: "line" in one.parts)
    assert frame.floats("line").tolist() == [-100.0, -60.0, -90.0]
    assert viewer.state["broker"]["up"] is True
    assert viewer.state["stations"][0]["jobs"][0]["state"] == "listening"
    await viewer.until(lambda one: "channels" in viewer.detail)
    assert viewer.detail["channels"][0]["state"] == "busy"


async def test_a_page_opened_later_is_not_blank(
    broker: Any, start: Start, look: Look, say: Any
) -> None:
    await said(broker, say)
    dashboard = await start()  # after all of it was said
    viewer = await look(dashboard)
    await viewer.until(lambda one: bool(viewer.detail.get("channels")))
    station = viewer.state["stations"][0]
    assert station["status"] == "online"
    assert [one["job"] for one in station["jobs"]] == [JOB]


async def test_each_ask_is_answered_once_within_a_second(
    broker: Any, start: Start, look: Look
) -> None:
    viewer = await look(await start(), job=None)
    await viewer.until(lambda one: one.header["state"] is None)
    started_s = time.monotonic()
    frame = await viewer.frame()
    assert time.monotonic() - started_s < 3.0
    assert frame.header["findings"] == []
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(1.3):
            await viewer.socket.receive()


async def test_news_come_at_once(broker: Any, start: Start, look: Look, say: Any) -> None:
    dashboard = await start()
    await said(broker, say)
    viewer = await look(dashboard)
    await viewer.until(lambda one: "line" in one.parts)
    waits = []
    for seq in range(2, 6):
        await viewer.until(lambda one: not one.parts and one.header["state"] is None)
        await viewer.ask()
        await asyncio.sleep(0.15)
        before_s = time.monotonic()
        await broker.publish(say.trace(time.time(), seq, [-100.0, -60.0, float(-seq)]))
        frame = await viewer.answer()
        waits.append(time.monotonic() - before_s)
        if "line" not in frame.parts:  # the state was due at that very moment
            frame = await viewer.until(lambda one: "line" in one.parts)
        assert frame.view["seq"] == seq
    assert sorted(waits)[len(waits) // 2] < 0.5


async def test_a_newer_ask_takes_the_place_of_the_first(
    broker: Any, start: Start, look: Look, say: Any
) -> None:
    dashboard = await start()
    await said(broker, say)
    await broker.publish(say.trace(time.time(), 1, [-1.0, -2.0], job="calling"))
    viewer = await look(dashboard)
    await viewer.until(lambda one: not one.parts and not one.header["state"])
    await viewer.ask()
    viewer.job, viewer.have["epoch"] = "calling", 0
    await viewer.ask()
    frame = await viewer.answer()
    assert frame.view["job"] == "calling"
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(1.3):
            await viewer.socket.receive()


async def test_a_broker_that_is_killed_and_started_again(
    broker: Any, start: Start, look: Look, say: Any
) -> None:
    dashboard = await start()
    await said(broker, say)
    viewer = await look(dashboard)
    await viewer.until(lambda one: "line" in one.parts)
    broker.kill()
    await viewer.until(lambda one: not viewer.state["broker"]["up"])
    assert viewer.state["broker"]["problem"]
    assert abs(viewer.state["broker"]["since_s"] - time.time()) < 10.0
    assert viewer.state["stations"][0]["station"] == STATION  # what was known is still shown
    await broker.up()
    await viewer.until(lambda one: viewer.state["broker"]["up"])
    await broker.publish(say.trace(time.time(), 2, [-80.0, -81.0, -82.0]))
    frame = await viewer.until(lambda one: one.view["seq"] == 2)
    assert frame.view["seq"] == 2


async def test_a_broker_that_freezes_is_noticed(
    broker: Any, start: Start, log: Any, wait_until: Any
) -> None:
    dashboard = await start(keep_alive_s=1)
    broker.freeze()
    try:
        await wait_until(lambda: not dashboard.state.broker["up"], within_s=30.0)
    finally:
        broker.thaw()
    await wait_until(lambda: dashboard.state.broker["up"], within_s=30.0)
    assert log.events()[:2] == ["broker_there", "broker_away"]


async def test_no_broker_at_the_start_is_told_on_the_page(
    broker: Any, start: Start, look: Look, say: Any
) -> None:
    broker.kill()
    dashboard = await start(listening=False)
    viewer = await look(dashboard, job=None)
    await viewer.until(lambda one: "efused" in viewer.state["broker"]["problem"])
    await broker.up()
    await viewer.until(lambda one: viewer.state["broker"]["up"])


async def test_hostile_messages_cost_a_count(
    broker: Any, start: Start, look: Look, say: Any, log: Any, wait_until: Any
) -> None:
    dashboard = await start()
    hostile = [
        (f"acqd/{STATION}/status", b"\xff" * 100),
        (f"acqd/{STATION}/job/{JOB}/trace", b"[" * 60_000),
        (f"acqd/{STATION}/job/{JOB}/trace", b'{"schema":"trace/1"}'),
        (f"acqd/{STATION}/job/{JOB}/summary", b'{"schema":"summary/1","kind":"band","band":7}'),
        (f"acqd/{STATION}/job/{JOB}/nothing", b"{}"),
        ("acqd/Not-A-Station/status", b"{}"),
        (f"acqd/{STATION}/job/{JOB}/value/x", b"nan"),
        (f"acqd/{STATION}/finding", json.dumps({"schema": "finding/1", "at_s": []}).encode()),
    ]
    await broker.publish(*hostile)
    await wait_until(lambda: dashboard.intake.refused >= len(hostile))
    before = len(log.lines)
    await broker.publish(*(hostile * 20))
    await wait_until(lambda: dashboard.intake.refused >= 21 * len(hostile))
    assert len(log.lines) == before  # each kind is told once
    # What a station tries an account with as it joins is no message, and nothing hostile.
    refused = dashboard.intake.refused
    dashboard.intake.heard(f"acqd/{STATION}/{TRIAL}", b"{}", retained=False)
    assert dashboard.intake.refused == refused
    await said(broker, say)
    viewer = await look(dashboard)
    await viewer.until(lambda one: "line" in one.parts)


async def test_a_message_that_is_too_long_does_not_cost_the_connection(
    broker: Any, start: Start, look: Look, say: Any, wait_until: Any
) -> None:
    dashboard = await start()
    await broker.publish((f"acqd/{STATION}/status", b"x" * 3_000_000))
    await said(broker, say)
    await wait_until(lambda: dashboard.state.sheets == 1)
    assert dashboard.state.broker["up"]


async def test_a_silent_station_is_an_alarm(
    broker: Any, start: Start, look: Look, say: Any, clock: Any
) -> None:
    dashboard = await start()
    await said(broker, say)
    viewer = await look(dashboard, job=None)
    await viewer.until(lambda one: bool(viewer.state["stations"]))
    assert viewer.state["stations"][0]["alarm"] == ""
    clock.ahead_s = 200.0
    await viewer.until(lambda one: viewer.state["stations"][0]["silent"])
    assert "150 s" in viewer.state["stations"][0]["alarm"]
    await broker.publish(say.status(clock.wall_s()), retain=True)
    await viewer.until(lambda one: not viewer.state["stations"][0]["silent"])


async def test_a_laptop_that_slept_cries_wolf_for_nobody(
    broker: Any,
    start: Start,
    look: Look,
    say: Any,
    clock: Any,
    log: Any,
    wait_until: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """While it slept it heard nothing, and the clock that only runs on stood still."""
    monkeypatch.setattr(clock, "monotonic_s", time.monotonic)
    dashboard = await start(silent_after_s=150.0)
    await said(broker, say)
    viewer = await look(dashboard, job=None)
    await viewer.until(lambda one: bool(viewer.state["stations"]))
    clock.ahead_s = 8 * 3600.0
    await wait_until(lambda: "clock_stepped" in log.events())
    await viewer.until(lambda one: viewer.state["broker"]["since_s"] > time.time() + 7 * 3600.0)
    assert not viewer.state["stations"][0]["silent"]
    # A station that has nothing to say afterwards is silent all the same.
    now_s = clock.wall_s()
    assert dashboard.state.everything(now_s + 60.0)["stations"][0]["silent"] is False
    assert dashboard.state.everything(now_s + 80.0)["stations"][0]["silent"] is True


async def test_a_station_that_is_lost_is_an_alarm(
    broker: Any, start: Start, look: Look, say: Any
) -> None:
    """By the broker's word: a client whose will is a station's, cut off without a goodbye."""
    topic, online = say.status(time.time())
    _, offline = say.status(time.time(), state="offline", reason="the connection was lost")
    dashboard = await start()
    link = aiomqtt.Client(
        broker.endpoint.host,
        broker.endpoint.port,
        will=aiomqtt.Will(topic, offline, 1, True),
    )
    async with link as client:
        await client.publish(topic, online, 1, True)
        viewer = await look(dashboard, job=None)
        await viewer.until(lambda one: bool(viewer.state["stations"]))
        assert viewer.state["stations"][0]["status"] == "online"
        sock: Any = client._client.socket()
        sock.shutdown(2)
        await viewer.until(lambda one: viewer.state["stations"][0]["status"] == "offline")
        assert viewer.state["stations"][0]["alarm"] == "offline: the connection was lost"
        # What the client finds at its end is of no interest here.
        client._disconnected.exception() if client._disconnected.done() else None
        if not client._disconnected.done():
            client._disconnected.set_result(None)


async def test_only_the_stations_asked_for_are_listened_to(
    broker: Any, start: Start, say: Any, say_of: Any, wait_until: Any
) -> None:
    dashboard = await start(stations=("north", "south"))
    for name in ("north", "elsewhere", "south"):
        await broker.publish(say_of(name).status(time.time()), retain=True)
    await wait_until(lambda: len(dashboard.state.stations) == 2)
    await asyncio.sleep(0.1)
    assert sorted(dashboard.state.stations) == ["north", "south"]


async def test_no_more_than_so_many_viewers(
    broker: Any, start: Start, look: Look, session: aiohttp.ClientSession
) -> None:
    dashboard = await start()
    viewers = [await look(dashboard, job=None) for _ in range(VIEWERS_MOST)]
    with pytest.raises(aiohttp.WSServerHandshakeError, match="503"):
        await look(dashboard, job=None)
    await viewers.pop().socket.close()
    for _ in range(100):
        if dashboard.server.viewers < VIEWERS_MOST:
            break
        await asyncio.sleep(0.02)
    again = await look(dashboard, job=None)
    assert (await again.frame()).header["state"] is not None


@pytest.mark.parametrize("message", ["nonsense", '{"ask":"frame","view":{"station":"a"}}'])
async def test_who_asks_nonsense_is_let_go(
    broker: Any, start: Start, look: Look, message: str
) -> None:
    dashboard = await start()
    viewer = await look(dashboard)
    await viewer.socket.send_str(message)
    closed = await viewer.socket.receive()
    assert closed.type is aiohttp.WSMsgType.CLOSE
    assert viewer.socket.close_code == aiohttp.WSCloseCode.POLICY_VIOLATION


async def test_who_asks_too_much_is_let_go(broker: Any, start: Start, look: Look) -> None:
    viewer = await look(await start())
    await viewer.socket.send_str('{"ask":"frame","x":"' + "a" * 8000 + '"}')
    assert (await viewer.socket.receive()).type is aiohttp.WSMsgType.CLOSE
    assert viewer.socket.close_code == aiohttp.WSCloseCode.MESSAGE_TOO_BIG


async def test_a_viewer_that_says_nothing_is_sent_nothing(
    broker: Any, start: Start, look: Look, say: Any, wait_until: Any
) -> None:
    """One that froze after an ask costs one frame, whatever is said meanwhile."""
    dashboard = await start()
    await said(broker, say)
    viewer = await look(dashboard)
    await viewer.until(lambda one: "line" in one.parts)
    await viewer.ask()
    await asyncio.sleep(1.3)
    frames = dashboard.server.frames
    many = [say.trace(time.time() + n / 400, n + 2, [-1.0, -2.0, -3.0]) for n in range(400)]
    await broker.publish(*many, qos=0)
    await wait_until(lambda: dashboard.state.job(STATION, JOB).last_seq == 401)
    assert dashboard.server.frames == frames
    await viewer.answer()
    frame = await viewer.frame()
    assert frame.view["seq"] == 401
    assert frame.view["skipped"] >= 398


async def test_twenty_sweeps_a_second_of_eight_jobs_for_four_viewers(
    broker: Any, start: Start, look: Look, say: Any
) -> None:
    """By counts: all that was said was taken, and each viewer ends with all columns and the
    newest line, whatever this machine is doing beside."""
    dashboard = await start()
    jobs = [f"job-{one}" for one in range(8)]
    await broker.publish(say.status(time.time(), jobs=tuple(jobs)), retain=True)
    viewers = [await look(dashboard, job=jobs[one]) for one in range(4)]
    ended = asyncio.Event()

    async def looking(viewer: Any) -> int:
        frames = 0
        while not ended.is_set():
            await viewer.frame()
            frames += 1
        return frames

    rng = np.random.default_rng(11)
    looks = [asyncio.ensure_future(looking(viewer)) for viewer in viewers]
    sweeps, last_s = 120, {}
    link = aiomqtt.Client(broker.endpoint.host, broker.endpoint.port)
    async with link as client:
        for seq in range(sweeps):
            job, at_s = jobs[seq % 8], time.time()
            for topic, payload in (
                say.summary(at_s, seq + 1, job=job),
                say.trace(at_s, seq + 1, rng.normal(-110.0, 2.0, 200), job=job),
            ):
                await client.publish(topic, payload, 0)
            last_s[job] = (seq + 1, at_s)
            await asyncio.sleep(0.05)
    for job in jobs:
        for _ in range(500):
            if dashboard.state.job(STATION, job).last_seq == last_s[job][0]:
                break
            await asyncio.sleep(0.01)
    ended.set()
    frames = await asyncio.gather(*looks)
    assert dashboard.intake.refused == 0
    assert dashboard.intake.taken >= 2 * sweeps
    for viewer in viewers:
        await viewer.until(lambda one: not one.view["more"] and not one.parts)
        job = dashboard.state.job(STATION, viewer.job)
        assert viewer.have["seq"] == last_s[viewer.job][0]
        span = job.sheet.spans[600.0]
        assert sorted(viewer.columns) == sorted(span.number[span.number >= 0].tolist())
        for number, codes in viewer.columns.items():
            assert (codes == span.codes[number % 600]).all()
    # Fifteen sweeps of the job of each came; nobody was shown less than most of them, nor asked
    # for more than ten frames a second.
    assert min(frames) > 10


async def test_findings_are_bounded_and_the_newest_arrive(
    broker: Any, start: Start, look: Look, say: Any, wait_until: Any
) -> None:
    dashboard = await start()
    now_s = time.time()
    many = [say.finding(now_s + one, one) for one in range(1, FINDINGS_MOST + 101)]
    await broker.publish(*many)
    await wait_until(lambda: len(dashboard.state.findings_after(0, 1000)) == FINDINGS_MOST)
    await wait_until(
        lambda: dashboard.state.findings_after(0, 1000)[-1]["number"] == FINDINGS_MOST + 100
    )
    viewer = await look(dashboard, job=None)
    await viewer.until(lambda one: not one.header["findings"])
    assert len(viewer.findings) == FINDINGS_MOST
    assert max(one["number"] for one in viewer.findings.values()) == FINDINGS_MOST + 100


async def test_an_end_says_goodbye(broker: Any, start: Start, look: Look) -> None:
    dashboard = await start()
    viewer = await look(dashboard, job=None)
    await viewer.frame()
    last = asyncio.ensure_future(viewer.socket.receive())
    started_s = time.monotonic()
    await dashboard.stop()
    assert time.monotonic() - started_s < 3.0
    assert (await last).type is aiohttp.WSMsgType.CLOSE
    assert viewer.socket.close_code == aiohttp.WSCloseCode.GOING_AWAY


async def test_a_broker_that_lets_nobody_in_is_told(
    make_mosquitto: Any, clock: Any, log: Any, wait_until: Any
) -> None:
    closed = make_mosquitto("allow_anonymous false")
    closed.start()
    settings = DashSettings(broker=BrokerSettings(address=closed.endpoint), port=0)
    dashboard = Dashboard(settings, clock=clock, log=log, backoff=lambda attempt: 0.05)
    await dashboard.start()
    try:
        await wait_until(lambda: "ot authori" in dashboard.state.broker["problem"])
        assert not dashboard.state.broker["up"]
    finally:
        await dashboard.stop()
    assert log.events() == ["broker_away"]  # told once, though it is tried again and again


async def test_a_broker_that_refuses_the_subscription_is_told(
    clock: Any, log: Any, wait_until: Any
) -> None:
    """By MQTT 5 on the wire: mosquitto grants what it then does not send."""

    async def refusing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while head := await reader.readexactly(1):
                length = shift = 0
                while True:
                    byte = (await reader.readexactly(1))[0]
                    length |= (byte & 127) << shift
                    shift += 7
                    if byte < 128:
                        break
                body = await reader.readexactly(length)
                match head[0] >> 4:
                    case 1:  # CONNECT: come in
                        writer.write(bytes.fromhex("2003000000"))
                    case 8:  # SUBSCRIBE: three times "not authorised"
                        writer.write(b"\x90\x06" + body[:2] + b"\x00\x87\x87\x87")
        except (asyncio.IncompleteReadError, ConnectionError):
            writer.close()

    server = await asyncio.start_server(refusing, "127.0.0.1", 0)
    endpoint = Endpoint(host="127.0.0.1", port=server.sockets[0].getsockname()[1])
    settings = DashSettings(broker=BrokerSettings(address=endpoint), port=0)
    dashboard = Dashboard(settings, clock=clock, log=log, backoff=lambda attempt: 0.05)
    await dashboard.start()
    try:
        await wait_until(lambda: "does not let us hear" in dashboard.state.broker["problem"])
        assert not dashboard.state.broker["up"]
    finally:
        await dashboard.stop()
        server.close()
