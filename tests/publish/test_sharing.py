"""A broker for the shack: accounts, rights, certificates and the line, against a real mosquitto."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import stat
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from acqd.config.mqtt import Endpoint
from acqd.errors import BrokerError, WrongUsage
from acqd.publish.broker import LocalBroker
from acqd.publish.child import BrokerTimings, free_port
from acqd.publish.gathering import gather
from acqd.publish.link import PublishRefused, connection, new_link
from acqd.publish.settings import BrokerSettings
from acqd.publish.sharing import (
    ACCOUNTS,
    acl_text,
    changing_accounts,
    checked_filters,
    new_account,
    password_text,
    read_accounts,
)
from acqd.publish.sharing_certificate import (
    AUTHORITY,
    BROKER,
    certificate_in,
    ensure_certificates,
    names_of_host,
)
from acqd.publish.sharing_line import JoinLine
from acqd.publish.sharing_served import Ears, Serve
from acqd.publish.sharing_trial import try_account

QUICK = BrokerTimings(probe_every_s=0.2, probe_timeout_s=2.0, restart_first_s=0.02)
DAY_S = 86_400.0
LIMIT_S = 20.0
PASSWORD = "a-fine-word-in-a-line"


@pytest.fixture(scope="session")
def have_openssl() -> None:
    """openssl and mosquitto_passwd, or no test; in CI a failure."""
    for name in ("openssl", "mosquitto_passwd"):
        if shutil.which(name) is None:
            (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{name} is not installed")


@pytest.fixture(scope="session")
def authority(have_openssl: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shack's folder with certificates, to copy: making them costs some tenths of a second."""
    folder = tmp_path_factory.mktemp("authority") / "shack"
    ensure_certificates(folder, station="gannet-ledge", names=names_of_host(), now_s=time.time())
    return folder


@pytest.fixture
def shack(authority: Path, tmp_path: Path) -> Path:
    """A shack's folder with certificates and without accounts."""
    return Path(shutil.copytree(authority, tmp_path / "shack"))


def account(folder: Path, name: str, kind: str = "station", **more: Any) -> str:
    """Make an account; its password."""
    with changing_accounts(folder) as accounts:
        made, password = new_account(name, kind, now_s=time.time(), root="acqd", **more)
        accounts[name] = made
    return password


def serve_in(folder: Path, *, tls: bool = True, is_open: bool = False) -> Serve:
    return Serve(
        address=Endpoint(host="127.0.0.1", port=free_port("127.0.0.1"), tls=tls),
        folder=folder,
        station="gannet-ledge",
        topic_root="acqd",
        open=is_open,
    )


def broker_of(serve: Serve, log: Any) -> LocalBroker:
    here = Endpoint(host="127.0.0.1", port=0)
    return LocalBroker(here, log=log, timings=QUICK, serve=serve)


def login(serve: Serve, user: str | None, password: str | None) -> BrokerSettings:
    return BrokerSettings(
        address=serve.address,
        user=user,
        password=password,
        ca_file=serve.folder / AUTHORITY if serve.address.tls else None,
        timeout_s=5.0,
    )


async def eventually(settings: BrokerSettings, name: str) -> None:
    """Wait until the account is taken."""
    ends_s = time.monotonic() + LIMIT_S
    while True:
        try:
            await try_account(settings, name)
            return
        except BrokerError:
            assert time.monotonic() < ends_s
            await asyncio.sleep(0.1)


# -- the line -------------------------------------------------------------------------------------


def a_line(folder: Path, **changes: Any) -> JoinLine:
    line = JoinLine(
        address=Endpoint(host="192.0.2.20", port=8883, tls=True),
        of="gannet-ledge",
        user="ness",
        password=PASSWORD,
        authority=(folder / AUTHORITY).read_text("ascii"),
    )
    return replace(line, **changes)


def test_a_line_is_read_as_it_was_written(authority: Path) -> None:
    """Whatever is in it comes out again, also pasted with breaks, quotes and the command."""
    for line in (
        a_line(authority),
        a_line(authority, kind="viewer", root="shack/acqd"),
        a_line(authority, kind="administrator"),
        a_line(authority, address=Endpoint(host="fd00::2", port=8884, tls=True)),
        a_line(authority, address=Endpoint(host="h", port=1883), authority=None),
        a_line(authority, user=None, password=None),
    ):
        text = line.text()
        assert JoinLine.parse(text) == line
        wrapped = f"  'acqd join {text[:70]}\n  {text[70:]}'\n"
        assert JoinLine.parse(wrapped) == line
        assert PASSWORD not in repr(line)


def test_a_line_that_is_none_is_told_without_its_secret(authority: Path) -> None:
    """Cut short anywhere, or spoilt: one clear line, never the password."""
    text = a_line(authority).text()
    wrong = [text[:cut] for cut in range(0, len(text) - 1, 7)]
    wrong += [
        text.replace("mqtts", "http"),
        text.replace(":8883", ":x"),
        text.replace("ness", "N!"),
    ]
    wrong += [text.replace("of=", "off="), text + "A" * 9000, text.replace("8883?", "8883/a?")]
    for one in wrong:
        with pytest.raises(WrongUsage) as caught:
            JoinLine.parse(one)
        said = str(caught.value)
        assert PASSWORD not in said and "\n" not in said
        assert "copy the whole line once more" in said


# -- accounts -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("#", "topics of stations are in it"),
        ("acqd/#", "topics of stations are in it"),
        ("acqd", "topics of stations are in it"),
        ("+/ness/status", "topics of stations are in it"),
        ("acqd/slip/status", "topics of stations are in it"),
        ("a/#/b", "no topic filter"),
        ("a\nuser other", "no topic filter"),
        ("$SYS/broker", "no topic filter"),
        (" a", "no topic filter"),
        ("a+", "no topic filter"),
        ("", "no topic filter"),
        ("a" * 201, "no topic filter"),
    ],
)
def test_what_would_let_a_station_write_for_another_is_refused(text: str, words: str) -> None:
    """So is what is no filter, which could put a line of its own into the broker's files."""
    with pytest.raises(WrongUsage, match=words):
        checked_filters([text], root="acqd", may_write=True)


def test_other_topics_may_be_written() -> None:
    """What has nothing to do with stations is a station's to write, where that is said."""
    texts = ("shack/relay/set", "shack/+/set", "acqdx/#", "acqd2")
    assert checked_filters(texts, root="acqd", may_write=True) == texts
    assert checked_filters(["#"], root="acqd", may_write=False) == ("#",)


@pytest.mark.usefixtures("have_openssl")
def test_no_file_holds_a_password(tmp_path: Path) -> None:
    """Accounts are kept hashed, in a file for its user alone."""
    folder = tmp_path / "shack"
    password = account(folder, "ness", reads=["shack/#"], writes=["shack/relay/set"])
    assert len(password) >= 22
    kept = folder / ACCOUNTS
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    (made,) = read_accounts(folder)
    written = kept.read_text() + password_text([made]) + repr(made)
    assert password not in written
    assert acl_text([made], root="acqd").splitlines()[1:] == [
        "user ness",
        "topic read acqd/#",
        "topic write acqd/ness/command/answer",
        "topic write acqd/ness/finding",
        "topic write acqd/ness/job/#",
        "topic write acqd/ness/probe",
        "topic write acqd/ness/status",
        "topic write acqd/ness/sweeper/#",
        "topic read shack/#",
        "topic write shack/relay/set",
    ]


@pytest.mark.usefixtures("have_openssl")
def test_an_administrator_commands_and_writes_nothing_else(tmp_path: Path) -> None:
    """Its rights are one line; a viewer's line of an earlier acqd stays a viewer's."""
    account(tmp_path / "shack", "watch-officer", "administrator")
    (made,) = read_accounts(tmp_path / "shack")
    assert acl_text([made], root="lookout/acqd").splitlines()[1:] == [
        "user watch-officer",
        "topic read lookout/acqd/#",
        "topic write lookout/acqd/+/command",
    ]
    for kind in ("viewer", "administrator"):
        with pytest.raises(WrongUsage, match=f"{kind} writes"):
            new_account("x", kind, now_s=0.0, writes=["a"], root="acqd")  # type: ignore[arg-type] # of a table


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"accounts": [{"name": "x"}]}', "\xff"])
def test_a_spoilt_file_of_accounts_is_told(tmp_path: Path, text: str) -> None:
    """It is not taken for an empty one, which would shut everybody out, and not overwritten."""
    (tmp_path / ACCOUNTS).write_text(text, "latin-1")
    with pytest.raises(BrokerError, match="no list of accounts"), changing_accounts(tmp_path):
        pass
    assert (tmp_path / ACCOUNTS).read_text("latin-1") == text


# -- certificates ---------------------------------------------------------------------------------


def test_a_certificate_is_made_anew_in_time_and_for_new_names(shack: Path) -> None:
    """The authority stays, so nobody has to join again; what is good is left alone."""
    now_s = time.time()
    before = (shack / AUTHORITY).read_bytes()

    def again(at_s: float, *names: str) -> bool:
        return ensure_certificates(shack, station="g", names=names, now_s=at_s)[1]

    assert not again(now_s, "localhost", "127.0.0.1", "::1")
    assert again(now_s, "localhost", "192.0.2.77", "shack.example")
    made = certificate_in(shack / BROKER)
    assert made is not None
    assert made.names == {"localhost", "192.0.2.77", "shack.example"}
    assert made.from_s < now_s - 0.9 * DAY_S and made.to_s == pytest.approx(
        now_s + 397 * DAY_S, abs=2
    )
    assert not again(now_s + 366 * DAY_S, "localhost")
    assert again(now_s + 368 * DAY_S, "localhost")
    assert (shack / AUTHORITY).read_bytes() == before


def test_a_clock_that_was_never_set_makes_no_certificate(
    have_openssl: None, tmp_path: Path
) -> None:
    """It would be of no use to anybody."""
    with pytest.raises(BrokerError, match="clock says 1970-01-01"):
        ensure_certificates(tmp_path / "s", station="g", names=["localhost"], now_s=3600.0)
    assert not (tmp_path / "s" / AUTHORITY).exists()


def test_an_authority_that_has_ended_is_told(shack: Path) -> None:
    """All have to join again, which nobody should find out by himself."""
    with pytest.raises(BrokerError, match="let all stations join again"):
        ensure_certificates(
            shack, station="g", names=["localhost"], now_s=time.time() + 7300 * DAY_S
        )


# -- the broker -----------------------------------------------------------------------------------


@pytest.mark.usefixtures("have_mosquitto")
async def test_each_may_what_it_should_and_no_more(shack: Path, log: Any) -> None:
    """A station writes its own alone, a viewer nothing, and nobody comes in without a password."""
    ness, kitchen = (
        account(shack, "ness", writes=["shack/relay"]),
        account(shack, "kitchen", "viewer"),
    )
    serve = serve_in(shack)
    async with broker_of(serve, log) as broker:
        station = login(serve, "ness", ness)
        tried = await try_account(station, "ness")
        assert (tried.may_write_own, tried.may_write_others) == (True, False)
        assert not (await try_account(station, "slip")).may_write_own
        tried = await try_account(login(serve, "kitchen", kitchen), "ness")
        assert (tried.may_write_own, tried.may_write_others) == (False, False)
        for user, password in ((None, None), ("ness", "wrong"), ("nobody", ness), ("ness", "")):
            with pytest.raises(BrokerError, match="does not take this name and password"):
                await try_account(login(serve, user, password), "ness")
        link = new_link(station, client_id="x", tls=station.tls_context())
        async with connection(link):
            await link.put("shack/relay", b"1", qos=1, retain=False)
            for topic in ("shack/other", "acqd-probe", "acqd", "acqd/slip/status"):
                with pytest.raises(PublishRefused):
                    await link.put(topic, b"1", qos=1, retain=True)
        # The station's own way in stays as it was, and what was refused is nowhere.
        near = BrokerSettings(address=broker.address)
        assert [one.station for one in await gather(near)] == []
    assert "broker_refused_login" in log.events("warning")


@pytest.mark.usefixtures("have_mosquitto")
async def test_accounts_come_and_go_while_it_runs(shack: Path, log: Any) -> None:
    """A new one is let in without a restart, one that is removed is put out."""
    serve = serve_in(shack)
    async with broker_of(serve, log) as broker:
        pid = broker.pid
        ness = account(shack, "ness")
        settings = login(serve, "ness", ness)
        await eventually(settings, "ness")
        link = new_link(settings, client_id="stays", tls=settings.tls_context())
        async with connection(link):
            with changing_accounts(shack) as accounts:
                del accounts["ness"]
            with pytest.raises(aiomqtt.MqttError):
                await asyncio.wait_for(anext(aiter(link.messages)), LIMIT_S)
        with pytest.raises(BrokerError, match="does not take this name"):
            await try_account(settings, "ness")
        assert broker.pid == pid and broker.restarts == 0


@pytest.mark.usefixtures("have_mosquitto")
async def test_a_spoilt_change_leaves_the_broker_as_it_was(shack: Path, log: Any) -> None:
    """Said once; who had an account keeps it."""
    ness = account(shack, "ness")
    serve = serve_in(shack)
    async with broker_of(serve, log):
        (shack / ACCOUNTS).write_text("{")
        ends_s = time.monotonic() + LIMIT_S
        while "shack_not_in_step" not in log.events("warning"):
            assert time.monotonic() < ends_s
            await asyncio.sleep(0.05)
        await asyncio.sleep(1.5)
        assert log.events("warning").count("shack_not_in_step") == 1
        await try_account(login(serve, "ness", ness), "ness")


@pytest.mark.usefixtures("have_mosquitto")
async def test_it_is_served_again_after_it_was_killed(shack: Path, log: Any) -> None:
    """The watch starts it anew, with the same accounts and certificate."""
    ness = account(shack, "ness")
    serve = serve_in(shack)
    async with broker_of(serve, log) as broker:
        await try_account(login(serve, "ness", ness), "ness")
        assert broker.pid is not None
        os.kill(broker.pid, signal.SIGKILL)
        await eventually(login(serve, "ness", ness), "ness")
        ends_s = time.monotonic() + LIMIT_S
        while broker.restarts != 1:
            assert time.monotonic() < ends_s
            await asyncio.sleep(0.05)


@pytest.mark.usefixtures("have_mosquitto")
@pytest.mark.parametrize(
    ("shift_days", "days", "words"),
    [(-3.0, 1.0, "has ended by this machine's clock"), (3.0, 100.0, "begins in the future")],
    ids=["ended", "not yet"],
)
async def test_a_certificate_out_of_its_time_is_told(
    shack: Path, log: Any, shift_days: float, days: float, words: str
) -> None:
    """Whoever comes is told what to do, and so is the log of the station that serves."""
    ness = account(shack, "ness")
    serve = serve_in(shack)
    async with broker_of(serve, log):
        (shack / BROKER).unlink()
        at_s = time.time() + shift_days * DAY_S
        ensure_certificates(shack, station="g", names=names_of_host(), now_s=at_s, days=days)
        settings, ends_s = login(serve, "ness", ness), time.monotonic() + LIMIT_S
        while True:
            try:
                await try_account(settings, "ness")
            except BrokerError as exc:
                said = str(exc)
                break
            assert time.monotonic() < ends_s
            await asyncio.sleep(0.1)
    assert words in said
    assert ness not in said


@pytest.mark.usefixtures("have_mosquitto")
async def test_a_broker_of_another_authority_is_not_trusted(
    shack: Path, have_openssl: None, log: Any, tmp_path: Path
) -> None:
    """It may be anybody: the password is not shown to it."""
    other = tmp_path / "other"
    ensure_certificates(other, station="other", names=names_of_host(), now_s=time.time())
    ness = account(shack, "ness")
    serve = serve_in(shack)
    async with broker_of(serve, log):
        settings = replace(login(serve, "ness", ness), ca_file=other / AUTHORITY)
        with pytest.raises(BrokerError, match="not of the authority that the line brought"):
            await try_account(settings, "ness")
        there = replace(serve.address, host="127.0.0.2")
        with pytest.raises(BrokerError, match=r"cannot be reached|for other names and addresses"):
            await try_account(replace(login(serve, "ness", ness), address=there), "ness")


@pytest.mark.usefixtures("have_mosquitto")
async def test_without_tls_and_without_passwords_by_choice(tmp_path: Path, log: Any) -> None:
    """Both are warned of at the start; the rights of an open broker are what is said of it."""
    serve = serve_in(tmp_path / "shack", tls=False, is_open=True)
    async with broker_of(serve, log) as broker:
        tried = await try_account(login(serve, None, None), "ness")
        assert tried.may_write_own and tried.may_write_others
        assert "without TLS" in broker.describe() and "open to anybody" in broker.describe()
    said = [fields["choice"] for _, event, fields in log.lines if event == "shack_at_risk"]
    assert [text.split(":")[0] for text in said] == ["open = true", "plain = true"]


@pytest.mark.usefixtures("have_mosquitto")
async def test_a_port_that_is_taken_is_one_clear_line(shack: Path, log: Any) -> None:
    """It names the table to change."""
    serve = serve_in(shack)
    server = await asyncio.start_server(lambda r, w: None, "127.0.0.1", serve.address.port)
    async with server:
        with pytest.raises(BrokerError, match=r"in use; stop the other .* in \[mqtt.serve\]"):
            async with broker_of(serve, log):
                pass


@pytest.mark.usefixtures("have_mosquitto")
async def test_its_files_are_for_its_user_alone_and_go_with_it(shack: Path, log: Any) -> None:
    """Keys and hashed passwords lie in a folder that nobody else may enter"""
    account(shack, "ness")
    broker = broker_of(serve_in(shack), log)
    async with broker:
        assert broker._served is not None
        folder = broker._served.folder
        assert folder is not None
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        for file in folder.iterdir():
            assert stat.S_IMODE(file.stat().st_mode) == 0o600, file
    assert not folder.exists()


def test_of_what_mosquitto_says_the_log_has_what_matters(log: Any) -> None:
    """The same once a minute, however often it comes; what is normal not at all."""
    now_s = 0.0
    ears = Ears(log, clock=lambda: now_s)
    for _ in range(3):
        ears.hear("1795904422: New connection from 192.0.2.9:52104 on port 8883.")
        ears.hear("1795904422: Client <unknown> disconnected, not authorised.")
        ears.hear("1795904422: New client connected from 192.0.2.8:1 as x (p5, c1, k60, u'ness').")
        ears.hear(
            "1795904424: Client connection from 192.0.2.7 failed: error:0A00010B:SSL routines"
        )
    ears.hear("1795904422: Warning: Mosquitto should not be run as root/administrator.")
    assert [(event, fields) for _, event, fields in log.lines] == [
        ("broker_refused_login", {"client_at": "192.0.2.9"}),
        (
            "broker_warns",
            {"line": "Client connection from 192.0.2.7 failed: error:0A00010B:SSL routines"},
        ),
    ]
    now_s = 61.0
    ears.hear("Client <unknown> disconnected, not authorised.")
    assert log.events("warning").count("broker_refused_login") == 2
