"""TLS and logins against a real broker that insists on them."""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import socket
import ssl
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from acqd.config.mqtt import Endpoint
from acqd.errors import BrokerError
from acqd.publish.child import free_port
from acqd.publish.link import PACKET_MOST_BYTES, connection, new_link, round_trip
from acqd.publish.settings import BrokerSettings, MqttVersion
from acqd.publish.sharing_certificate import AUTHORITY, BROKER, ensure_certificates
from acqd.publish.topics import Topics
from peers import Mosquitto

pytestmark = pytest.mark.usefixtures("have_mosquitto")


def program(name: str) -> str:
    """The path of a program; without it the test is skipped, in CI it fails."""
    path = shutil.which(name, path=os.environ["PATH"] + ":/usr/sbin")
    if path is None:
        if os.environ.get("CI"):
            pytest.fail(f"{name} is not installed")
        pytest.skip(f"{name} is not installed")
    return path


@pytest.fixture
def certificate(folder):
    """A certificate of 127.0.0.1 that signs itself, and its key."""
    made, key = folder / "cert.pem", folder / "key.pem"
    words = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=gannet"
    words += " -addext subjectAltName=IP:127.0.0.1"
    subprocess.run(
        [program("openssl"), *words.split(), "-keyout", str(key), "-out", str(made)],
        check=True,
        capture_output=True,
    )
    return made, key


@pytest.fixture
async def tls_broker(make_mosquitto, certificate):
    """A broker that speaks TLS on the port of ``tls`` beside its plain one."""
    made, key = certificate
    port = free_port("127.0.0.1")
    broker = make_mosquitto(f"listener {port} 127.0.0.1", f"certfile {made}", f"keyfile {key}")
    await broker.up()
    broker.tls = Endpoint(host="127.0.0.1", port=port, tls=True)
    return broker


@pytest.mark.slow
@pytest.mark.parametrize("version", list(MqttVersion), ids=lambda v: f"mqtt-{v}")
async def test_tls_with_a_certificate_file(version, tls_broker, certificate):
    """With the broker's certificate to trust, a round trip works."""
    settings = BrokerSettings(address=tls_broker.tls, ca_file=certificate[0])
    assert await round_trip(tls_broker.tls, version, 3.0, settings=settings) < 1.0


@pytest.mark.slow
async def test_tls_refuses_a_certificate_it_does_not_know(tls_broker):
    """The system's certificates do not vouch for this broker: no connection."""
    with pytest.raises(BrokerError, match="certificate verify failed"):
        await round_trip(tls_broker.tls, MqttVersion.V5, 3.0)


@pytest.mark.slow
async def test_tls_refuses_another_host(tls_broker, certificate):
    """A certificate of 127.0.0.1 is not one of localhost."""
    other = Endpoint(host="localhost", port=tls_broker.tls.port, tls=True)
    settings = BrokerSettings(address=other, ca_file=certificate[0])
    with pytest.raises(BrokerError, match="certificate verify failed"):
        await round_trip(other, MqttVersion.V5, 3.0, settings=settings)


def test_a_socket_whose_handshake_fails_is_closed(certificate):
    """By itself: the library that made it lets go of it."""
    settings = BrokerSettings(
        address=Endpoint(host="127.0.0.1", port=8883, tls=True), ca_file=certificate[0]
    )
    near, far = socket.socketpair()
    with far:
        ours = settings.tls_context().wrap_socket(
            near, server_hostname="127.0.0.1", do_handshake_on_connect=False
        )
        far.sendall(b"no TLS is spoken here, and never was")
        with pytest.raises(ssl.SSLError):
            ours.do_handshake()
        assert ours.fileno() == -1


def test_what_connects_when_the_loop_has_gone_is_closed():
    """In a thread that nobody waits for any more."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        there = Endpoint(host="127.0.0.1", port=server.getsockname()[1])

        async def made():
            return new_link(BrokerSettings(address=there), client_id="late", tls=None)

        link = asyncio.run(made())
        link._connect_now()
        server.accept()[0].close()
        assert link._client.socket().fileno() == -1


@pytest.mark.parametrize("text", [None, "no certificate"], ids=["missing", "nonsense"])
def test_a_certificate_file_that_cannot_be_used_is_named(text, folder):
    """One line with the file's name."""
    path = folder / "ca.pem"
    if text is not None:
        path.write_text(text)
    settings = BrokerSettings(address=Endpoint(host="b", port=8883, tls=True), ca_file=path)
    with pytest.raises(BrokerError, match=r"cannot use the certificates of .*ca\.pem"):
        settings.tls_context()


@pytest.fixture
def passwords(folder):
    """A password file in which watch has the password right."""
    path = folder / "passwords"
    path.touch(mode=0o600)
    subprocess.run(
        [program("mosquitto_passwd"), "-b", str(path), "watch", "right"],
        check=True,
        capture_output=True,
    )
    return path


@pytest.mark.slow
async def test_login(make_mosquitto, passwords):
    """The right password works; with a wrong one the broker's own reason is given."""
    broker = make_mosquitto("allow_anonymous false", f"password_file {passwords}")
    broker.config.write_text(broker.config.read_text().replace("allow_anonymous true\n", ""))
    right = BrokerSettings(address=broker.endpoint, user="watch", password="right")
    await broker.up(right)
    wrong = BrokerSettings(address=broker.endpoint, user="watch", password="hunter2-secret")
    for version in MqttVersion:
        with pytest.raises(BrokerError, match=r"(?i)not authori[sz]ed") as caught:
            await round_trip(broker.endpoint, version, 2.0, settings=wrong)
        assert "hunter2" not in str(caught.value) + repr(wrong)


DAY_S = 86_400.0
PASSWORD = "a-fine-word-for-the-watch"


@dataclass
class Guarded:
    """A broker that wants TLS and a password, its files, and how it may be spoken to."""

    broker: Mosquitto
    folder: Path
    address: Endpoint

    def settings(self, **changes) -> dict:
        told = {"user": "watch", "password": PASSWORD, "ca_file": self.folder / AUTHORITY}
        return {**told, "timeout_s": 3.0, **changes}

    def certificate(self, *, names=("127.0.0.1",), shift_days=0.0, days=30.0) -> None:
        """Make the broker's certificate anew, by the same authority."""
        (self.folder / BROKER).unlink(missing_ok=True)
        at_s = time.time() + shift_days * DAY_S
        ensure_certificates(self.folder, station="g", names=names, now_s=at_s, days=days)

    def stranger(self) -> None:
        """Somebody else's certificate, by an authority of his own."""
        other = self.folder / "other"
        ensure_certificates(other, station="g", names=["127.0.0.1"], now_s=time.time())
        shutil.copy(other / BROKER, self.folder / BROKER)

    def again(self, *more: str) -> None:
        self.broker.kill()
        lines = [one for one in self.broker.config.read_text().splitlines() if one not in more]
        self.broker.config.write_text("\n".join([*lines, *more]) + "\n")
        self.broker.start()


@pytest.fixture
def guarded(make_mosquitto, folder, passwords) -> Guarded:
    """Not started."""
    shack = folder / "shack"
    ensure_certificates(shack, station="g", names=["127.0.0.1"], now_s=time.time())
    subprocess.run(
        [program("mosquitto_passwd"), "-b", str(passwords), "watch", PASSWORD],
        check=True,
        capture_output=True,
    )
    port = free_port("127.0.0.1")
    both = shack / BROKER
    broker = make_mosquitto(
        f"password_file {passwords}",
        "allow_anonymous false",
        f"listener {port} 127.0.0.1",
        f"certfile {both}",
        f"keyfile {both}",
    )
    return Guarded(broker, shack, Endpoint(host="127.0.0.1", port=port, tls=True))


async def reason_of(log, limit_s: float = 30.0) -> str:
    """What the log says of why the broker is away, once it does."""
    ends_s = time.monotonic() + limit_s
    while True:
        said = [fields for _, event, fields in log.lines if event == "broker_away"]
        if said and "refused" not in said[-1]["reason"].lower().replace("refuses", ""):
            return str(said[-1]["reason"])
        assert time.monotonic() < ends_s, log.lines
        log.lines.clear()
        await asyncio.sleep(0.05)


async def until_connected(publisher, limit_s: float = 30.0) -> None:
    ends_s = time.monotonic() + limit_s
    while not publisher.statistics().connected:
        assert time.monotonic() < ends_s
        await asyncio.sleep(0.02)


async def until_sent(outbox, limit_s: float = 30.0) -> None:
    ends_s = time.monotonic() + limit_s
    while outbox.rows:
        assert time.monotonic() < ends_s
        await asyncio.sleep(0.02)


async def until_up(guarded: Guarded) -> None:
    """Until something takes connections at its port."""
    for _ in range(500):
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", guarded.address.port)
        except OSError:
            await asyncio.sleep(0.02)
        else:
            writer.close()
            return


TROUBLES = {
    "another authority": (lambda g: g.stranger(), "not of the authority in .*authority.pem"),
    "ended": (lambda g: g.certificate(shift_days=-3, days=1), "has ended .* must renew it"),
    "not yet": (lambda g: g.certificate(shift_days=3), "begins in the future .*set the clock"),
    "another name": (
        lambda g: g.certificate(names=["shack.example"]),
        "is not for 127.0.0.1: give `broker` in .mqtt. a name",
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("trouble", TROUBLES)
async def test_a_certificate_that_is_wrong_is_told_and_tried_again(
    trouble, guarded, make_publisher, tasks, log, outbox
):
    """One line that says what to do; no finding is lost, nothing secret is said, and once it is
    right all goes out."""
    spoil, words = TROUBLES[trouble]
    spoil(guarded)
    guarded.broker.start()
    await until_up(guarded)
    outbox.add(2)
    publisher = make_publisher(guarded.address, **guarded.settings())
    tasks(publisher.run())
    reason = await reason_of(log)
    assert "\n" not in reason and PASSWORD not in repr(log.lines)
    assert re.search(words, reason), reason
    assert outbox.marked == [] and not publisher.statistics().connected
    guarded.certificate()
    guarded.again()
    await until_connected(publisher)
    await until_sent(outbox)
    assert outbox.marked == [1, 2]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"password": "wrong-" + PASSWORD}, "does not let us in .*see `user` and password_file"),
        ({"user": "stranger"}, "does not let us in .*see `user` and password_file"),
        ({"user": None, "password": None}, "does not let us in .*give `user` and password_file"),
        ({"ca_file": None}, "of no authority that this machine knows .*as `ca_file` in .mqtt."),
    ],
    ids=["wrong password", "wrong user", "no login", "no ca_file"],
)
@pytest.mark.parametrize("version", list(MqttVersion), ids=lambda v: f"mqtt-{v}")
async def test_a_login_that_is_wrong_is_told(
    changes, words, version, guarded, make_publisher, tasks, log, outbox
):
    """One line that says where to look, by both versions; nothing secret is in it."""
    guarded.broker.start()
    await until_up(guarded)
    outbox.add(1)
    publisher = make_publisher(guarded.address, **guarded.settings(version=version, **changes))
    tasks(publisher.run())
    reason = await reason_of(log)
    assert re.search(words, reason), reason
    assert PASSWORD not in repr(log.lines) and "\n" not in reason
    assert outbox.marked == []


@pytest.mark.slow
async def test_all_that_is_right_works(guarded, make_publisher, tasks, outbox):
    """So the other tests fail for what they say they fail for."""
    guarded.broker.start()
    outbox.add(2)
    tasks(make_publisher(guarded.address, **guarded.settings()).run())
    await until_sent(outbox)
    assert outbox.marked == [1, 2]


@pytest.mark.slow
async def test_a_port_without_tls_is_told(mosquitto, make_publisher, tasks, log, folder):
    """TLS spoken to a broker's plain port."""
    ensure_certificates(folder / "s", station="g", names=["127.0.0.1"], now_s=time.time())
    address = Endpoint(host="127.0.0.1", port=mosquitto.endpoint.port, tls=True)
    tasks(make_publisher(address, ca_file=folder / "s" / AUTHORITY).run())
    reason = await reason_of(log)
    assert "mqtt://" in reason or "its port for TLS" in reason, reason


@pytest.mark.slow
async def test_a_broker_that_wants_a_certificate_of_ours_is_told(
    guarded, make_publisher, tasks, log
):
    """acqd has none to show, which is said in so many words."""
    more = (f"cafile {guarded.folder / AUTHORITY}", "require_certificate true")
    guarded.again(*more)
    await until_up(guarded)
    publisher = make_publisher(guarded.address, **guarded.settings())
    tasks(publisher.run())
    reason = await reason_of(log)
    assert not publisher.statistics().connected
    # Where the connection is reset at once, what TLS said is lost.
    words = ("it wants a certificate of ours", "want a certificate of each client")
    assert any(word in reason for word in words), reason


# -- what a broker can send -----------------------------------------------------------------------


class Raw:
    """A broker that answers the first packets as it should and then says what a test likes."""

    def __init__(self, after: bytes, *, times: int = 1) -> None:
        self.after, self.times = after, times
        self.sent_bytes = 0
        self.connections = 0
        self.writers = set()

    async def end(self) -> None:
        """Close what is still open."""
        for writer in list(self.writers):
            writer.transport.abort()
        for _ in range(1000):
            if not self.writers:
                break
            await asyncio.sleep(0.01)

    async def serve(self, reader, writer) -> None:
        self.connections += 1
        self.writers.add(writer)
        try:
            await reader.readexactly(1)
            length, shift = 0, 0
            while (digit := (await reader.readexactly(1))[0]) & 0x80:
                length, shift = length | (digit & 0x7F) << shift, shift + 7
            body = await reader.readexactly(length | digit << shift)
            level = body[6]
            writer.write(b"\x20\x03\x00\x00\x00" if level == 5 else b"\x20\x02\x00\x00")
            for _ in range(self.times):
                writer.write(self.after)
                self.sent_bytes += len(self.after)
                await writer.drain()
            await reader.read(1)
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.transport.abort()
            await asyncio.sleep(0)
            self.writers.discard(writer)


GIANT = b"\x30\xff\xff\xff\x7f\x00\x01a" + b"x" * 65536
"""The head of a PUBLISH of 256 MiB less one byte, the most that MQTT has (OASIS, 1.5.5)."""
NONSENSE = {
    "a topic that is no UTF-8": b"\x30\x05\x00\x02\xff\xfe\x00",
    "a length of five bytes": b"\x30\xff\xff\xff\xff\x7f",
    "a packet of no kind": b"\x00\x00",
    "an acknowledgement of nothing": b"\x40\x02\x00\x63",
    "a second CONNACK": b"\x20\x03\x00\x00\x00",
    "a SUBSCRIBE": b"\x82\x06\x00\x01\x00\x01a\x00",
    "a topic longer than its packet": b"\x30\x03\x00\xff\x61",
    "noise": bytes(range(256)),
}


@pytest.mark.parametrize("version", list(MqttVersion), ids=lambda v: f"mqtt-{v}")
async def test_a_giant_message_is_not_read(version, make_publisher, tasks, log):
    """Its head is enough: hung up on, told, and no more of it taken in than there was room for."""
    raw = Raw(GIANT + b"x" * (1 << 20), times=64)
    server = await asyncio.start_server(raw.serve, "127.0.0.1", 0)
    endpoint = Endpoint(host="127.0.0.1", port=server.sockets[0].getsockname()[1])
    async with server:
        running = tasks(make_publisher(endpoint, version=version).run())
        ends_s = time.monotonic() + 30
        while raw.connections < 3:
            assert time.monotonic() < ends_s
            await asyncio.sleep(0.02)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    await raw.end()
    said = [fields["reason"] for _, event, fields in log.lines if event == "broker_away"]
    assert "a message of 268435455 bytes, at most 1048576 are read" in said[0]
    assert raw.sent_bytes < raw.connections * 24 * PACKET_MOST_BYTES


@pytest.mark.parametrize("what", NONSENSE)
async def test_nonsense_ends_a_connection_and_nothing_else(what, make_publisher, tasks, log):
    """Another one is made; the publisher goes on."""
    raw = Raw(NONSENSE[what], times=3)
    server = await asyncio.start_server(raw.serve, "127.0.0.1", 0)
    endpoint = Endpoint(host="127.0.0.1", port=server.sockets[0].getsockname()[1])
    async with server:
        running = tasks(make_publisher(endpoint, timeout_s=0.3).run())
        ends_s = time.monotonic() + 30
        while raw.connections < 3:
            assert time.monotonic() < ends_s
            await asyncio.sleep(0.02)
        assert not running.done()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    await raw.end()


async def test_a_flood_on_its_own_status_does_not_swell_a_station(mosquitto, make_publisher, tasks):
    """Somebody writes into a station's name as fast as he can, large and small: it corrects what
    it says once a second, and holds no more of it than a hundred messages."""
    from acqd.publish.client import CORRECTION_PAUSE_S

    topic = Topics("gannet-ledge").status
    publisher = make_publisher(mosquitto.endpoint)
    publisher.retain(topic, b"ours")
    running = tasks(publisher.run())
    await until_connected(publisher)
    link = new_link(BrokerSettings(address=mosquitto.endpoint), client_id="s", tls=None)
    async with connection(link):
        started_s = time.monotonic()
        for number in range(300):
            await link.put(topic, b"\xff" * (10 if number % 10 else 500_000), qos=0, retain=True)
        await link.put(topic, b"theirs", qos=1, retain=True)
        took_s = time.monotonic() - started_s
        ends_s = time.monotonic() + 30
        while True:
            assert time.monotonic() < ends_s
            other = new_link(BrokerSettings(address=mosquitto.endpoint), client_id="l", tls=None)
            async with connection(other):
                await other.subscribe(topic, 1)
                if (await anext(aiter(other.messages))).payload == b"ours":
                    break
            await asyncio.sleep(0.1)
    assert not running.done() and publisher.statistics().connected
    assert publisher.statistics().sent <= 4 + (took_s + 30) / CORRECTION_PAUSE_S
