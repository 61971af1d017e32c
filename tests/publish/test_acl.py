"""The list of rights in configs/broker holds: tried with each account against a real mosquitto."""

from __future__ import annotations

import asyncio
import os
import secrets
import shutil
import subprocess
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from acqd.publish.child import free_port
from acqd.publish.link import Link, PublishRefused, connection, new_link
from acqd.publish.settings import BrokerSettings, Endpoint
from acqd.publish.sharing import Account, acl_text
from acqd.publish.sharing_certificate import AUTHORITY, BROKER, ensure_certificates
from acqd.publish.topics import CHANNELS, COMMAND, Topics
from peers import Mosquitto

CONFIGS = Path(__file__).parents[2] / "configs" / "broker"
HASH = "$7$101$" + "A" * 40
ACCOUNTS = {
    "gannet-ledge": ("station", ("shack/#",), ("shack/relay/set",)),
    "slip": ("station", (), ()),
    "kitchen": ("viewer", (), ()),
    "watch-officer": ("administrator", (), ()),
}
STATIONS = [name for name, (kind, *_) in ACCOUNTS.items() if kind == "station"]
ROOT_ACCOUNT = "test-harness"
"""Writes and reads all, to see what becomes of what others try."""

OWN = [
    "status", "finding", "sweeper/mast", "job/marine-vhf/state", "job/marine-vhf/finding",
    "job/marine-vhf/channel/16", "job/marine-vhf/value/floor_dbm", "probe", "command/answer",
]  # fmt: skip
"""Below a station's name: what it may write."""
NOT_OWN = ["command", "command/other", "other", "", "job", "status/more", "finding/x", "commands"]
"""Below a station's name: what not even it may write. "job" is let through by ``job/#``."""
OUTSIDE = [
    "acqd", "acqd/", "/acqd/slip/status", "ACQD/gannet-ledge/status", "acqd/Gannet-ledge/status",
    "acqd/gannet-ledge2/status", "acqd/gannet-ledge/../slip/status", "acqd//status",
    "acqd-probe", "shack/relay/state", "shack/relay", "other/command", "acqd/slip/job/x/command",
]  # fmt: skip
"""Nobody of the list may write these."""


def may_write(user: str, topic: str) -> bool:
    """What the page says, in another way than the list says it."""
    kind, _, writes = ACCOUNTS[user]
    if topic in writes:
        return True
    root, *rest = topic.split("/")
    if root != "acqd" or len(rest) < 2:
        return False
    if kind == "administrator":
        return rest[1:] == ["command"]
    if kind != "station" or rest[0] != user:
        return False
    return "/".join(rest[1:]) in OWN or rest[1] == "job"


def lines_of(text: str) -> list[str]:
    return [one for one in text.splitlines() if one and not one.startswith("#")]


def test_the_file_is_what_a_serving_station_makes_of_such_accounts() -> None:
    """The example and the station's own list are one."""
    accounts = [
        Account(name=name, kind=kind, hashed=HASH, made_s=0.0, reads=reads, writes=writes)  # type: ignore[arg-type] # of a table
        for name, (kind, reads, writes) in ACCOUNTS.items()
    ]
    assert lines_of((CONFIGS / "acl").read_text()) == lines_of(acl_text(accounts, root="acqd"))


def test_every_topic_of_a_station_may_be_written_by_it_and_its_command_may_not() -> None:
    """Also those that the table of topics gets later: the rights are made of it."""
    rights = [
        line.removeprefix("topic write acqd/slip/")
        for line in lines_of((CONFIGS / "acl").read_text())
        if line.startswith("topic write acqd/slip/")
    ]
    for spec in CHANNELS:
        rest = spec.pattern.removeprefix("{station}/")
        allowed = any(
            rest == one or (one.endswith("/#") and rest.startswith(one[:-1])) for one in rights
        )
        assert allowed == (rest != COMMAND), spec.name


@pytest.fixture(scope="module")
def passwords() -> dict[str, str]:
    return {name: secrets.token_urlsafe(12) for name in (*ACCOUNTS, ROOT_ACCOUNT)}


@pytest.fixture(scope="module")
def broker(
    tmp_path_factory: pytest.TempPathFactory, passwords: dict[str, str]
) -> Iterator[tuple[Endpoint, Path]]:
    """mosquitto with the example's two files; only paths and port are the test's, and one account
    more that may all."""
    for name in ("mosquitto_passwd", "openssl"):
        if shutil.which(name) is None:
            (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{name} is not installed")
    folder = tmp_path_factory.mktemp("broker")
    import time

    ensure_certificates(folder, station="g", names=["127.0.0.1"], now_s=time.time())
    (folder / "broker.pem").chmod(0o600)
    shutil.copy(folder / BROKER, folder / "broker.key")
    (folder / "acl").write_text(
        (CONFIGS / "acl").read_text() + f"\nuser {ROOT_ACCOUNT}\ntopic readwrite #\n"
        "topic read $SYS/#\n"
    )
    (folder / "passwords").write_text("".join(f"{n}:{p}\n" for n, p in passwords.items()))
    for name in ("acl", "passwords"):
        (folder / name).chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", str(folder / "passwords")], check=True)
    port = free_port("127.0.0.1")
    text = (CONFIGS / "mosquitto.conf").read_text()
    text = text.replace("/etc/mosquitto/acqd", str(folder))
    text = text.replace("listener 8883", f"listener {port} 127.0.0.1")
    user = "user root\n" if os.geteuid() == 0 else ""
    running = Mosquitto(folder)
    running.config.write_text(f"{text}{user}log_dest none\nsys_interval 1\n")
    running.start()
    address = Endpoint(host="127.0.0.1", port=port, tls=True)
    try:
        asyncio.run(_up(address, folder, passwords))
        yield address, folder
    finally:
        running.kill()


async def _up(address: Endpoint, folder: Path, passwords: dict[str, str]) -> None:
    for _ in range(300):
        try:
            async with as_user(ROOT_ACCOUNT, (address, folder), passwords):
                return
        except (aiomqtt.MqttError, OSError):
            await asyncio.sleep(0.02)
    raise AssertionError("mosquitto did not come up")


@asynccontextmanager
async def as_user(
    name: str | None,
    broker: tuple[Endpoint, Path],
    passwords: dict[str, str],
    *,
    will: aiomqtt.Will | None = None,
) -> AsyncIterator[Link]:
    settings = BrokerSettings(
        address=broker[0],
        user=name,
        password=None if name is None else passwords.get(name, "wrong-password"),
        ca_file=broker[1] / AUTHORITY,
        timeout_s=10.0,
    )
    link = new_link(
        settings,
        client_id=f"t{secrets.token_hex(6)}",
        tls=settings.tls_context(),
        will=will,
    )
    async with connection(link):
        yield link


async def refused(link: Link, topic: str, *, retain: bool = False, payload: bytes = b"x") -> bool:
    try:
        await link.put(topic, payload, qos=1, retain=retain)
    except PublishRefused as exc:
        return exc.code == 0x87
    return False


@pytest.mark.parametrize("user", ACCOUNTS)
async def test_who_may_write_what(
    user: str, broker: tuple[Endpoint, Path], passwords: dict[str, str]
) -> None:
    """Each account tries every topic, retained too; the broker's own answer counts."""
    topics = [f"acqd/{name}/{rest}" for name in (*STATIONS, "kitchen", "watch-officer")
              for rest in (*OWN, *NOT_OWN)]  # fmt: skip
    topics += [*OUTSIDE, "shack/relay/set"]
    async with as_user(user, broker, passwords) as link:
        wrong = {
            topic: "refused" if may_write(user, topic) else "let through"
            for topic in topics
            for retain in (False, True)
            if await refused(link, topic, retain=retain) == may_write(user, topic)
        }
    assert wrong == {}


@pytest.mark.parametrize("user", ["kitchen", "watch-officer", "slip"])
async def test_nobody_clears_what_a_station_retained(
    user: str, broker: tuple[Endpoint, Path], passwords: dict[str, str]
) -> None:
    """An empty message would; it is refused as any other."""
    topic = Topics("gannet-ledge").status
    async with as_user("gannet-ledge", broker, passwords) as station:
        await station.put(topic, b"online", qos=1, retain=True)
    async with as_user(user, broker, passwords) as link:
        assert await refused(link, topic, retain=True, payload=b"")
        await link.subscribe(topic, 1)
        async with asyncio.timeout(10):
            async for message in link.messages:
                assert (message.payload, message.retain) == (b"online", True)
                break


@pytest.mark.parametrize("topic", ["acqd/slip/status", "acqd/gannet-ledge/command", "acqd"])
async def test_a_will_is_no_way_around(
    topic: str, broker: tuple[Endpoint, Path], passwords: dict[str, str]
) -> None:
    """What may not be written may not be left behind either: such a client is not let in, or its
    last will is not heard."""
    async with as_user(ROOT_ACCOUNT, broker, passwords) as all_ears:
        await all_ears.subscribe("#", 1)
        try:
            will = aiomqtt.Will(topic, b"a-stranger's-will", 1, True)
            async with as_user("gannet-ledge", broker, passwords, will=will) as link:
                cut: Any = link._client.socket()
                cut.shutdown(2)
                await asyncio.sleep(0.2)
        except (aiomqtt.MqttError, OSError):
            pass
        await all_ears.put("acqd/slip/end-of-test", b"", qos=1, retain=False)
        async with asyncio.timeout(10):
            async for message in all_ears.messages:
                assert message.payload != b"a-stranger's-will"
                if str(message.topic) == "acqd/slip/end-of-test":
                    break


async def test_its_own_will_is_heard(
    broker: tuple[Endpoint, Path], passwords: dict[str, str]
) -> None:
    """Else nobody would be told of a station that was lost."""
    async with as_user("kitchen", broker, passwords) as viewer:
        await viewer.subscribe("acqd/+/status", 1)
        will = aiomqtt.Will("acqd/slip/status", b"offline", 1, True)
        async with as_user("slip", broker, passwords, will=will) as station:
            cut: Any = station._client.socket()
            cut.shutdown(2)
        async with asyncio.timeout(10):
            async for message in viewer.messages:
                if message.payload == b"offline":
                    break


@pytest.mark.parametrize(
    ("user", "reads_shack"),
    [("gannet-ledge", True), ("slip", False), ("kitchen", False), ("watch-officer", False)],
)
async def test_who_hears_what(
    user: str, reads_shack: bool, broker: tuple[Endpoint, Path], passwords: dict[str, str]
) -> None:
    """All hear all stations, commands and answers too, and of the rest what the list names: however
    wide a filter is, shared or not, and never the broker's own topics."""
    said = {
        "acqd/slip/status", "acqd/gannet-ledge/job/a/finding", "acqd/gannet-ledge/command",
        "acqd/gannet-ledge/command/answer", "acqd", "shack/relay/state", "shack", "private/diary",
        "acqdx/slip/status",
    }  # fmt: skip
    expected = {topic for topic in said if topic == "acqd" or topic.startswith("acqd/")}
    expected |= {topic for topic in said if topic.split("/")[0] == "shack" and reads_shack}
    end = "acqd/slip/end-of-reading"
    async with (
        as_user(user, broker, passwords) as link,
        as_user(ROOT_ACCOUNT, broker, passwords) as root,
    ):
        for text in (
            "#",
            "+/#",
            "$SYS/#",
            "private/diary",
            "shack/+/state",
            "$share/mine/private/#",
        ):
            await link.subscribe(text, 1)
        for topic in (*sorted(said), end):
            await root.put(topic, b"x", qos=1, retain=False)
        heard = set()
        async with asyncio.timeout(20):
            # The broker tells of itself every second.
            await asyncio.sleep(1.5)
            async for message in link.messages:
                if not message.retain:
                    heard.add(str(message.topic))
                if str(message.topic) == end:
                    break
    assert heard - {end} == expected


@pytest.mark.parametrize("user", [None, "nobody", "kitchen/", "KITCHEN", ROOT_ACCOUNT + "x"])
async def test_nobody_else_comes_in(
    user: str | None, broker: tuple[Endpoint, Path], passwords: dict[str, str]
) -> None:
    """Without an account, or under another's name written otherwise."""
    with pytest.raises(aiomqtt.MqttError):
        async with as_user(user, broker, passwords):
            pass
