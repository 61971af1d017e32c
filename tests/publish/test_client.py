"""The client against a real broker that is killed, frozen, restarted and made to refuse."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import time
from functools import partial

import aiomqtt
import pytest

from acqd.errors import ArchiveError
from acqd.publish.client import BATCH, backoff_s
from acqd.publish.settings import Endpoint, MqttVersion
from acqd.publish.topics import Topics

TOPICS = Topics("gannet-ledge")
STATUS = TOPICS.status
FINDING = TOPICS.finding("marine-vhf")
SUMMARY = TOPICS.summary("marine-vhf")
STATE = TOPICS.state("marine-vhf")


def numbers(payloads: list[bytes]) -> list[int]:
    """Finding numbers in the order of arrival, each once."""
    found = [json.loads(p)["number"] for p in payloads if json.loads(p)["schema"] == "finding/1"]
    return list(dict.fromkeys(found))


@pytest.mark.parametrize("version", list(MqttVersion), ids=lambda v: f"mqtt-{v}")
async def test_all_three_ways_arrive(
    version, mosquitto, make_publisher, outbox, hear, tasks, make_status
):
    """Retained, live and findings reach a subscriber, by both versions of the protocol."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint, version=version)
    outbox.add(3)
    publisher.retain(STATUS, make_status())
    publisher.live(SUMMARY, b'{"a":1}')
    publisher.retain(TOPICS.value("marine-vhf", "floor_dbm"), b"-110.5")
    tasks(publisher.run())
    await heard.until(lambda: len(heard.messages) >= 6)
    assert heard.on(SUMMARY) == [b'{"a":1}']
    assert heard.on(STATUS) == [make_status()]
    assert heard.on(TOPICS.value("marine-vhf", "floor_dbm")) == [b"-110.5"]
    assert numbers(heard.on(FINDING)) == [1, 2, 3]
    await heard.until(lambda: outbox.marked == [1, 2, 3])
    assert publisher.statistics().connected


async def test_findings_survive_a_broker_that_is_killed(
    mosquitto, make_publisher, outbox, hear, tasks
):
    """Broker killed twice in mid-stream: every finding arrives, in order, none is missing."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    tasks(publisher.run())
    for stage in range(3):
        outbox.add(100)
        publisher.findings_waiting()
        await heard.until(lambda n=stage: len(outbox.marked) > 100 * n + 20)
        if stage < 2:
            mosquitto.kill()
            await mosquitto.up()
    await heard.until(lambda: len(outbox.marked) >= 300 and not outbox.rows)
    # What the broker acknowledged and had not delivered when it was killed is gone for this
    # subscriber: the promise ends at the acknowledgement. What did arrive is in order.
    arrived = numbers(heard.on(FINDING))
    assert arrived == sorted(arrived)
    assert set(range(201, 301)) <= set(arrived)
    assert len(arrived) >= 290
    assert outbox.marked == list(range(1, 301))
    assert publisher.statistics().reconnects >= 2


async def test_every_finding_arrives_over_a_link_that_keeps_breaking(
    mosquitto, wire, make_publisher, outbox, hear, tasks
):
    """The broker lives, the link is cut again and again: all arrive, in order, without gaps."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(wire.endpoint)
    tasks(publisher.run())
    outbox.add(400)
    publisher.findings_waiting()
    for stage in range(1, 6):
        await heard.until(lambda n=stage: len(outbox.marked) >= 60 * n)
        wire.cut()
    await heard.until(lambda: not outbox.rows and len(heard.messages) >= 400)
    await heard.until(lambda: len(numbers(heard.on(FINDING))) == 400)
    assert numbers(heard.on(FINDING)) == list(range(1, 401))
    assert publisher.statistics().reconnects >= 3


async def test_a_broken_link_is_noticed_at_once_though_nothing_is_sent(
    mosquitto, wire, make_publisher, hear, tasks
):
    """An idle station, whose status somebody has just contradicted, sees the cut in a moment."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(wire.endpoint)
    publisher.retain(STATUS, b"{}")
    tasks(publisher.run())
    await heard.until(lambda: heard.on(STATUS) != [])
    await asyncio.sleep(0.05)
    for n in range(3):
        wire.cut()
        await heard.until(lambda n=n: publisher.statistics().reconnects == n + 1, 0.5)
        await heard.until(lambda n=n: heard.on(STATUS)[-1] == b"{}", 0.5)


async def test_a_finding_is_marked_only_after_the_acknowledgement(
    mosquitto, wire, make_publisher, outbox, hear, tasks
):
    """While nothing comes back from the broker, no finding is marked as sent."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(wire.endpoint)
    publisher.retain(STATE, b"{}")
    tasks(publisher.run())
    await heard.until(lambda: heard.on(STATE) != [])
    wire.flows.clear()
    outbox.add(1)
    publisher.findings_waiting()
    await asyncio.sleep(0.1)
    assert outbox.marked == []
    wire.flows.set()
    await heard.until(lambda: outbox.marked == [1])


async def test_retained_set_is_back_after_a_restart_of_the_broker(
    mosquitto, make_publisher, make_status, hear, tasks
):
    """A broker without memory is told the whole retained set again, the forgotten one not."""
    publisher = make_publisher(mosquitto.endpoint)
    publisher.retain(STATUS, make_status())
    publisher.retain(STATE, b'{"state":"idle"}')
    publisher.retain(TOPICS.channel("marine-vhf", "16"), b'{"state":"busy"}')
    tasks(publisher.run())
    before = await hear(mosquitto.endpoint)
    await before.until(lambda: len(before.on(TOPICS.channel("marine-vhf", "16"))) == 1)
    publisher.forget(TOPICS.channel("marine-vhf", "16"))
    publisher.retain(STATE, b'{"state":"listening"}')
    await before.until(lambda: b'{"state":"listening"}' in before.on(STATE))
    mosquitto.kill()
    await mosquitto.up()
    await before.until(lambda: publisher.statistics().reconnects == 1)
    after = await hear(mosquitto.endpoint)
    await after.until(lambda: {STATUS, STATE} <= {str(m.topic) for m in after.messages})
    assert {str(m.topic) for m in after.messages} == {STATUS, STATE}
    assert after.on(STATE)[-1] == b'{"state":"listening"}'


async def test_live_keeps_the_newest_only_while_the_broker_is_away(
    mosquitto, make_publisher, hear, tasks
):
    """A thousand summaries while the broker is away: the last one arrives, the rest is counted."""
    publisher = make_publisher(mosquitto.endpoint)
    mosquitto.kill()
    tasks(publisher.run())
    for n in range(1000):
        publisher.live(SUMMARY, str(n).encode())
        publisher.live(TOPICS.trace("marine-vhf"), str(n).encode())
    await mosquitto.up()
    # The first connection may come before the subscription; so one more each, and look at the end.
    heard = await hear(mosquitto.endpoint)
    publisher.live(SUMMARY, b"last")
    await heard.until(lambda: b"last" in heard.on(SUMMARY))
    assert set(heard.on(SUMMARY)) <= {b"999", b"last"}
    assert publisher.statistics().dropped >= 2 * 999


async def test_a_live_message_is_made_when_it_is_sent(mosquitto, make_publisher, hear, tasks):
    """Of ten that are made by functions before there is a connection, only the newest is made."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    made: list[int] = []

    def make(n: int) -> bytes:
        made.append(n)
        return str(n).encode()

    for n in range(10):
        publisher.live(SUMMARY, partial(make, n))
    assert made == []
    tasks(publisher.run())
    await heard.until(lambda: heard.on(SUMMARY) != [])
    assert heard.on(SUMMARY) == [b"9"]
    assert made == [9]
    assert publisher.statistics().dropped == 9


async def test_a_live_message_that_cannot_be_made_costs_only_itself(
    mosquitto, make_publisher, hear, tasks, log
):
    """Functions that raise or make too much: said once a topic, counted, and the link stands."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint, payload_max_bytes=100)
    tasks(publisher.run())
    for n in range(3):
        publisher.live(TOPICS.summary("a"), lambda: bytes(1 // 0))
        publisher.live(TOPICS.summary("b"), lambda: b"x" * 101)
        publisher.live(SUMMARY, str(n).encode())
        await heard.until(lambda n=n: len(heard.on(SUMMARY)) == n + 1)
    assert [event for event in log.events("warning") if event.startswith("message")] == [
        "message_not_made",
        "message_too_large",
    ]
    assert publisher.statistics().dropped == 6
    assert publisher.statistics().reconnects == 0
    assert heard.on(TOPICS.summary("a")) == []


async def test_live_keeps_the_newest_only_while_the_link_is_slow(
    mosquitto, wire, make_publisher, hear, tasks
):
    """A link that stands still holds what the kernel buffers, not the hour of traces behind it."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(wire.endpoint)
    publisher.live(SUMMARY, b"0")
    tasks(publisher.run())
    await heard.until(lambda: heard.on(SUMMARY) != [])
    wire.flows.clear()
    for n in range(1, 4001):
        publisher.live(SUMMARY, str(n).encode().ljust(4000))
        await asyncio.sleep(0)
    assert publisher.statistics().dropped > 1000
    wire.flows.set()
    last = str(4000).encode().ljust(4000)
    await heard.until(lambda: heard.on(SUMMARY)[-1] == last)
    order = [int(payload) for payload in heard.on(SUMMARY)]
    assert order == sorted(order)


async def test_an_outage_beyond_the_outbox_says_once_which_numbers_to_fetch(
    mosquitto, make_publisher, outbox, hear, tasks
):
    """250 findings, room for 100: one message names 1 to 150, then 151 to 250 arrive."""
    heard = await hear(mosquitto.endpoint)
    outbox.add(250)
    publisher = make_publisher(mosquitto.endpoint, outbox=100)
    tasks(publisher.run())
    await heard.until(lambda: not outbox.rows and len(numbers(heard.on(FINDING))) == 100)
    messages = [json.loads(payload) for payload in heard.on(FINDING)]
    catch_ups = [m for m in messages if m["schema"] == "catch-up/1"]
    assert [(m["job"], m["first"], m["last"], m["count"]) for m in catch_ups] == [
        ("marine-vhf", 1, 150, 150)
    ]
    assert messages[0] == catch_ups[0]
    assert numbers(heard.on(FINDING)) == list(range(151, 251))


async def test_a_finding_too_large_is_named_and_does_not_block(
    mosquitto, make_publisher, outbox, hear, tasks, log
):
    """A finding beyond the payload bound is skipped with a catch-up; the next one arrives."""
    heard = await hear(mosquitto.endpoint)
    outbox.add(1)
    outbox.add(1, payload=b'{"x":"' + b"y" * 200_000 + b'"}')
    outbox.add(1)
    tasks(make_publisher(mosquitto.endpoint).run())
    await heard.until(lambda: outbox.marked == [1, 2, 3])
    await heard.until(lambda: numbers(heard.on(FINDING)) == [1, 3])
    catch_up = json.loads(heard.on(FINDING)[1])
    assert (catch_up["first"], catch_up["last"]) == (2, 2)
    assert catch_up["reason"] == "refused by the broker"
    assert log.events("error") == ["finding_not_sent"]


async def test_a_finding_that_breaks_the_connection_is_given_up_after_three(
    make_mosquitto, make_publisher, outbox, hear, tasks, make_status
):
    """A broker that drops whoever sends 2 kB: three connections, then a catch-up, then go on."""
    broker = make_mosquitto("max_packet_size 2000")
    await broker.up()
    heard = await hear(broker.endpoint)
    outbox.add(1)
    outbox.add(1, payload=b'{"x":"' + b"y" * 3000 + b'"}')
    outbox.add(1)
    # MQTT 3.1.1: with 5 mosquitto states its limit beforehand and still only drops the line.
    publisher = make_publisher(broker.endpoint, version=MqttVersion.V311)
    publisher.retain(STATUS, make_status())
    tasks(publisher.run())
    await heard.until(lambda: outbox.marked == [1, 2, 3])
    await heard.until(lambda: numbers(heard.on(FINDING)) == [1, 3])
    assert publisher.statistics().reconnects == 3


async def test_findings_that_may_not_be_written_wait_until_they_may(
    make_mosquitto, folder, make_publisher, outbox, hear, tasks, log, monkeypatch
):
    """MQTT 5 says no in its acknowledgement: not taken for a yes, and no finding given up for it.
    Whoever looks at the statistics sees why; once the rights are put right all goes out."""
    monkeypatch.setattr("acqd.publish.client.REFUSED_PAUSE_S", 0.05)
    acl = folder / "acl"
    rights = "topic read #\ntopic write acqd/gannet-ledge/status\ntopic write acqd-probe\n"
    acl.write_text(rights)
    acl.chmod(0o644)
    broker = make_mosquitto(f"acl_file {acl}")
    await broker.up()
    heard = await hear(broker.endpoint)
    outbox.add(3)
    publisher = make_publisher(broker.endpoint, outbox=10)
    tasks(publisher.run())
    await heard.until(lambda: publisher.statistics().problem != "")
    outbox.add(20)
    publisher.findings_waiting()
    await asyncio.sleep(0.3)
    assert outbox.marked == [] and len(outbox.rows) == 23 and heard.on(FINDING) == []
    assert "does not let this account write findings" in publisher.statistics().problem
    assert publisher.statistics().connected and publisher.statistics().outbox == 23
    assert log.events("error") == ["findings_not_allowed"]
    fields = next(f for _, event, f in log.lines if event == "findings_not_allowed")
    assert "let it write acqd/gannet-ledge/#" in fields["text"]
    acl.write_text(rights + "topic write acqd/gannet-ledge/#\n")
    broker.process.send_signal(signal.SIGHUP)
    # What is beyond the outbox's bound is given up only now, when that can be said.
    await heard.until(lambda: outbox.rows == [])
    await heard.until(lambda: len(heard.on(FINDING)) >= 12)
    assert publisher.statistics().problem == ""
    said = [json.loads(one) for one in heard.on(FINDING)]
    numbers_said = {one["number"] for one in said if "number" in one}
    caught_up = [one for one in said if one["schema"].startswith("catch-up")]
    given_up = {n for one in caught_up for n in range(one["first"], one["last"] + 1)}
    assert numbers_said | given_up == set(range(1, 24)) and 1 in numbers_said


async def test_a_stop_is_not_lost_where_the_link_breaks_in_the_same_moment(
    make_publisher, monkeypatch
):
    """What breaks raises on the way out, in the place of the cancellation; it ends all the same."""
    publisher = make_publisher(Endpoint(host="127.0.0.1", port=1))
    under_way = asyncio.Event()

    async def breaks() -> None:
        under_way.set()
        try:
            await asyncio.sleep(3600)
        except asyncio.CancelledError:
            raise aiomqtt.MqttError("the link is gone") from None

    monkeypatch.setattr(publisher, "_session", breaks)
    running = asyncio.ensure_future(publisher.run())
    await under_way.wait()
    running.cancel()
    assert (await asyncio.wait((running,), timeout=10))[0] == {running}
    assert running.cancelled()


async def test_close_says_offline_and_ends_within_a_second(
    mosquitto, make_publisher, make_status, hear, tasks
):
    """A stop publishes our own last status, and the will stays unsaid."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    publisher.retain(STATUS, make_status())
    running = tasks(publisher.run())
    await heard.until(lambda: heard.on(STATUS) != [])
    publisher.live(SUMMARY, b"newest")
    started_s = time.monotonic()
    await publisher.close(make_status("offline", reason="stopped"))
    assert time.monotonic() - started_s < 1.0
    await running
    await heard.until(lambda: len(heard.on(STATUS)) >= 2)
    await asyncio.sleep(0.05)
    assert heard.on(STATUS) == [make_status(), make_status("offline", reason="stopped")]
    assert heard.on(SUMMARY) == [b"newest"]


async def test_close_sends_what_waits_before_it_says_offline(
    mosquitto, make_publisher, outbox, make_status, hear, tasks
):
    """200 findings that nobody has told the client of: each arrives once, then the last status."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    publisher.retain(STATUS, make_status())
    running = tasks(publisher.run())
    await heard.until(lambda: heard.on(STATUS) != [])
    outbox.add(200)
    assert await publisher.close(make_status("offline"), within_s=2.0)
    await running
    await heard.until(lambda: make_status("offline") in heard.on(STATUS))
    assert outbox.marked == list(range(1, 201))
    assert len(heard.on(FINDING)) == 200
    assert numbers(heard.on(FINDING)) == list(range(1, 201))
    assert str(heard.messages[-1].topic) == STATUS


async def test_close_with_more_than_it_can_send_still_says_offline(
    mosquitto, make_publisher, outbox, make_status, hear, tasks, log
):
    """An outbox that is read for ever costs its share of the time; the rest stays in it."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    publisher.retain(STATUS, make_status())
    running = tasks(publisher.run())
    await heard.until(lambda: heard.on(STATUS) != [])
    working = outbox.acknowledged

    async def slowly(job, number):
        await asyncio.sleep(0.05)
        await working(job, number)

    outbox.acknowledged = slowly
    outbox.add(1000)
    started_s = time.monotonic()
    assert await publisher.close(make_status("offline"), within_s=0.6)
    assert time.monotonic() - started_s < 0.7
    await running
    await heard.until(lambda: make_status("offline") in heard.on(STATUS))
    assert outbox.marked and len(outbox.rows) > 900
    assert "findings_left" in log.events("warning")


async def test_a_finding_whose_note_fails_is_sent_once(
    mosquitto, make_publisher, outbox, hear, tasks, log, monkeypatch
):
    """A full disk: what the broker has is not sent again, nor do others wait; the note is."""
    monkeypatch.setattr("acqd.publish.client.ARCHIVE_PAUSE_S", 0.01)
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    working, tries = outbox.acknowledged, []

    async def full(job, number):
        tries.append(number)
        raise ArchiveError("no room")

    outbox.acknowledged = full
    outbox.add(3)
    tasks(publisher.run())
    await heard.until(lambda: tries.count(1) > 10)
    # Also over a new connection.
    mosquitto.kill()
    await mosquitto.up()
    seen = tries.count(1)
    await heard.until(lambda: tries.count(1) > seen + 10)
    assert numbers(heard.on(FINDING)) == [1, 2, 3]
    assert len(heard.on(FINDING)) == 3
    assert log.events("warning").count("outbox_failed") == 1
    outbox.acknowledged = working
    await heard.until(lambda: not outbox.rows)
    outbox.add(1)
    publisher.findings_waiting()
    await heard.until(lambda: outbox.marked == [1, 2, 3, 4])
    await heard.until(lambda: len(heard.on(FINDING)) == 4)


async def test_close_does_not_wait_for_a_broker_that_is_away(make_publisher, make_status, tasks):
    """Without any broker a stop is quick."""
    publisher = make_publisher(Endpoint(host="127.0.0.1", port=1))
    running = tasks(publisher.run())
    await asyncio.sleep(0.05)
    started_s = time.monotonic()
    await publisher.close(make_status("offline"))
    await running
    assert time.monotonic() - started_s < 0.5


@pytest.mark.slow
@pytest.mark.parametrize("within_s", [1.0, 0.3])
async def test_close_is_bounded_with_a_frozen_broker(
    mosquitto, make_publisher, make_status, outbox, hear, tasks, within_s
):
    """A broker that no longer reads costs a stop what it was given, not more; it is told."""
    publisher = make_publisher(mosquitto.endpoint)
    publisher.retain(STATUS, make_status())
    running = tasks(publisher.run())
    heard = await hear(mosquitto.endpoint)
    await heard.until(lambda: heard.on(STATUS) != [])
    os.kill(mosquitto.process.pid, signal.SIGSTOP)
    outbox.add(100)
    started_s = time.monotonic()
    assert not await publisher.close(make_status("offline"), within_s=within_s)
    await running
    assert time.monotonic() - started_s < within_s + 0.3


async def test_the_will_speaks_when_the_process_dies(
    mosquitto, wire, make_publisher, make_status, hear, tasks
):
    """A link that ends without a goodbye has the broker say offline; then we say online again."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(wire.endpoint)
    publisher.retain(STATUS, make_status())
    tasks(publisher.run())
    await heard.until(lambda: heard.on(STATUS) == [make_status()])
    wire.cut()
    await heard.until(lambda: len(heard.on(STATUS)) >= 3)
    offline = make_status("offline", reason="connection lost")
    assert heard.on(STATUS)[:3] == [make_status(), offline, make_status()]


async def test_cancelling_says_offline_too(mosquitto, make_publisher, make_status, hear, tasks):
    """A cancelled publisher leaves no "online" behind."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    publisher.retain(STATUS, make_status())
    running = tasks(publisher.run())
    await heard.until(lambda: heard.on(STATUS) != [])
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    await heard.until(lambda: len(heard.on(STATUS)) == 2)
    assert json.loads(heard.on(STATUS)[1])["state"] == "offline"


async def test_a_late_will_of_an_old_connection_is_corrected(
    mosquitto, make_publisher, make_status, hear, tasks, log
):
    """Whoever publishes another status of ours, we say anew what is true."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    publisher.retain(STATUS, make_status())
    tasks(publisher.run())
    await heard.until(lambda: heard.on(STATUS) != [])
    await asyncio.sleep(0.05)
    async with aiomqtt.Client(mosquitto.endpoint.host, mosquitto.endpoint.port) as other:
        await other.publish(STATUS, make_status("offline"), 1, True)
    await heard.until(lambda: len(heard.on(STATUS)) >= 3)
    assert heard.on(STATUS)[-1] == make_status()
    assert "status_corrected" in log.events()


async def test_outbox_that_fails_is_asked_again(
    mosquitto, make_publisher, outbox, hear, tasks, log, monkeypatch
):
    """An archive in trouble costs publishing a pause, not the station its client."""
    monkeypatch.setattr("acqd.publish.client.ARCHIVE_PAUSE_S", 0.01)
    heard = await hear(mosquitto.endpoint)
    working, failures = outbox.pending, iter([ArchiveError("the ledger is locked")])

    async def pending(limit):
        assert limit == BATCH
        for error in failures:
            raise error
        return await working(limit)

    outbox.pending = pending
    outbox.add(1)
    tasks(make_publisher(mosquitto.endpoint).run())
    await heard.until(lambda: outbox.marked == [1])
    assert log.events("warning") == ["outbox_failed"]


async def test_changes_of_state_are_logged_once(mosquitto, make_publisher, hear, tasks, log):
    """Dozens of failed attempts in a row are one line, and the return is another."""
    publisher = make_publisher(mosquitto.endpoint)
    heard = await hear(mosquitto.endpoint)
    tasks(publisher.run())
    await heard.until(lambda: publisher.statistics().connected)
    mosquitto.kill()
    await heard.until(lambda: not publisher.statistics().connected)
    await asyncio.sleep(0.2)
    await mosquitto.up()
    await heard.until(lambda: publisher.statistics().connected)
    assert log.events() == ["broker_connected", "broker_away", "broker_connected"]


async def test_secrets_show_nowhere(make_mosquitto, folder, make_publisher, tasks, log, hear):
    """A wrong password is said without the password."""
    passwords = folder / "passwords"
    passwords.write_text("")
    passwords.chmod(0o600)
    broker = make_mosquitto(f"password_file {passwords}", "allow_anonymous false")
    broker.start()
    publisher = make_publisher(broker.endpoint, user="watch", password="hunter2-secret")
    tasks(publisher.run())
    for _ in range(300):
        reasons = [str(f.get("reason")) for _, event, f in log.lines if event == "broker_away"]
        if reasons:
            break
        await asyncio.sleep(0.01)
    said = repr(log.lines) + repr(publisher) + repr(publisher._settings)
    assert "broker_away" in said
    assert "hunter2-secret" not in said and "watch'" not in said


def test_backoff_doubles_up_to_a_minute():
    """1, 2, 4 … 60 s, each within a quarter."""
    for attempt, expected_s in enumerate([1, 2, 4, 8, 16, 32, 60, 60, 60]):
        assert 0.75 * expected_s <= backoff_s(attempt) <= 1.25 * expected_s
    assert backoff_s(10_000) <= 75.0


async def test_bounds_are_kept_and_said(make_publisher, log):
    """Too many topics and too large messages are dropped, counted, and said once."""
    publisher = make_publisher(
        Endpoint(host="127.0.0.1", port=1), topics_max=2, payload_max_bytes=10, retained_advice=1
    )
    for job in ("a", "b", "c", "d"):
        publisher.live(TOPICS.summary(job), b"1")
    publisher.live(TOPICS.summary("a"), b"x" * 11)
    publisher.retain(TOPICS.state("a"), b"1")
    publisher.retain(TOPICS.state("b"), b"1")
    assert publisher.statistics().dropped == 3
    assert log.events("warning") == ["topics_too_many", "message_too_large", "retained_many"]
    with pytest.raises(ValueError, match="forget"):
        publisher.retain(TOPICS.state("a"), b"")


async def p50_p99_s(send, heard):
    """Hand-over to subscriber for 100 messages, one each 5 ms: median and 99th percentile."""
    took_s = []
    for n in range(100):
        before, started_s = len(heard.messages), time.perf_counter()
        await send(n)
        while len(heard.messages) == before:
            heard.changed.clear()
            async with asyncio.timeout(2):
                await heard.changed.wait()
        took_s.append(time.perf_counter() - started_s)
        await asyncio.sleep(0.005)
    took_s.sort()
    return took_s[49], took_s[98]


@pytest.mark.slow
async def test_latency_on_loopback(mosquitto, make_publisher, outbox, hear, tasks):
    """Findings and summaries in turn reach a subscriber within 2 ms, 99 of 100.

    The machine is shared: what the bare client takes in the same minute, doubled, is allowed too,
    and the best of three rounds counts.
    """
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    tasks(publisher.run())
    await heard.until(lambda: publisher.statistics().connected)

    async def send(n):
        if n % 2:
            outbox.add(1)
            publisher.findings_waiting()
        else:
            publisher.live(SUMMARY, b"x" * 600)

    nodelay = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
    where = mosquitto.endpoint
    async with aiomqtt.Client(where.host, where.port, socket_options=nodelay) as bare:
        rounds = []
        for _ in range(3):
            ours_s = await p50_p99_s(send, heard)
            bare_s = await p50_p99_s(lambda n: bare.publish(SUMMARY, b"x" * 600, n % 2), heard)
            rounds.append((ours_s, bare_s))
    assert min(ours[0] for ours, _ in rounds) <= 2e-3, rounds
    assert any(ours[1] <= max(2e-3, 2.0 * bare[1]) for ours, bare in rounds), rounds


async def test_nodelay_is_set(mosquitto, make_publisher, hear, tasks):
    """TCP_NODELAY is on at our end of the connection."""
    from acqd.publish.link import connection, new_link
    from acqd.publish.settings import BrokerSettings

    link = new_link(BrokerSettings(address=mosquitto.endpoint), client_id="t", tls=None)
    async with connection(link):
        made = link._client.socket()
        assert made.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0


async def test_a_cancelled_attempt_leaves_no_connection_behind(monkeypatch):
    """Connecting runs in a thread that goes on; what it brings home is closed at once."""
    from acqd.publish.link import connection, new_link
    from acqd.publish.settings import BrokerSettings

    real = socket.create_connection

    def slowly(*args, **kwargs):
        time.sleep(0.05)
        return real(*args, **kwargs)

    monkeypatch.setattr("paho.mqtt.client.socket.create_connection", slowly)
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        listener.setblocking(False)
        endpoint = Endpoint(host="127.0.0.1", port=listener.getsockname()[1])
        link = new_link(BrokerSettings(address=endpoint), client_id="t", tls=None)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.01), connection(link):
                pass
        loop = asyncio.get_running_loop()
        async with asyncio.timeout(2):
            accepted, _ = await loop.sock_accept(listener)
            with accepted:
                while await loop.sock_recv(accepted, 1000):
                    pass
    assert link._client.socket() is None
