"""A shack as its people meet it: stations as processes, one line to join, a page, one status."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from acqd.publish.child import free_port

LIMIT_S = 60.0
ACQD = [sys.executable, "-c", "from acqd.cli import main; main()"]
SERVE = (
    '[mqtt]\nbroker = "local"\naddress = "127.0.0.1:{own}"\n\n[mqtt.serve]\naddress = "{serve}"\n'
)


@pytest.fixture(scope="session", autouse=True)
def _programs() -> None:
    for name in ("mosquitto", "mosquitto_passwd", "openssl"):
        if shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin") is None:
            (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{name} is not installed")


def until(what: str, found: Callable[[], Any]) -> Any:
    """Wait until something is there, and return it."""
    ends_s = time.monotonic() + LIMIT_S
    while not (value := found()):
        assert time.monotonic() < ends_s, what
        time.sleep(0.1)
    return value


class Shack:
    """Two stations of Gannet Ledge: the one on the ledge serves, that of the slip joins."""

    def __init__(self, folder: Path, start: Callable[..., Any], *, page: bool = True) -> None:
        self.start = start
        self.own, self.port, self.page_port = (free_port("127.0.0.1") for _ in range(3))
        serve = SERVE.format(own=self.own, serve=f"127.0.0.1:{self.port}")
        if page:
            serve += f'\n[dash]\naddress = "127.0.0.1:{self.page_port}"\n'
        self.ledge = self._station(folder / "ledge", folder, "ledge", serve)
        table = (
            f'[mqtt]   # for now\nbroker = "local"\naddress = "127.0.0.1:{free_port("127.0.0.1")}"'
        )
        self.slip = self._station(folder / "slip", folder, "slip", table)

    @staticmethod
    def _station(place: Path, folder: Path, name: str, mqtt: str) -> Path:
        place.mkdir()
        shutil.copy(folder / "scene.toml", place)
        text = (folder / "station.toml").read_text()
        text = text.replace('name = "lookout"', f'name = "{name}"')
        (place / "station.toml").write_text(text.replace('[mqtt]\nbroker = "none"', mqtt))
        return place / "station.toml"

    def share(self, *words: str) -> subprocess.CompletedProcess[str]:
        return self.run("share", *words, "--config", str(self.ledge))

    def run(self, *words: str, **more: Any) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*ACQD, *words], capture_output=True, text=True, timeout=LIMIT_S, check=False, **more
        )

    def join(self, line: str, **more: Any) -> subprocess.CompletedProcess[str]:
        return self.run("join", "-", "--yes", "--config", str(self.slip), input=line, **more)

    def seen(self) -> dict[str, str]:
        """The stations of the live page, and how each is."""
        try:
            url = f"http://127.0.0.1:{self.page_port}/state.json"
            with urllib.request.urlopen(url, timeout=5) as answer:
                told = json.load(answer)
        except OSError:
            return {}
        return {one["station"]: one["status"] for one in told["stations"]}


@pytest.fixture
def shack(folder: Path, start: Callable[..., Any]) -> Shack:
    return Shack(folder, start)


@pytest.mark.slow
def test_a_second_station_joins_with_one_pasted_line(shack: Shack, tmp_path: Path) -> None:
    """Both are on one page and in one status; no password is in anything but its own file."""
    ledge = shack.start(shack.ledge)
    ledge.until('"event": "live_page"')
    made = shack.share("station", "slip")
    assert made.returncode == 0, made.stderr
    assert "The running broker knows it already." in made.stderr
    line = made.stdout.strip()
    password = re.search(r"slip:([^@]+)@", line)[1]
    before = shack.slip.read_text()
    joined = shack.join(line)
    assert joined.returncode == 0, joined.stderr
    assert "writes    acqd/slip/#, no other station's" in joined.stdout
    after = shack.slip.read_text()
    kept = [
        text for text in before.splitlines() if not text.startswith(("broker", 'address = "127'))
    ]
    assert [text for text in after.splitlines() if text in kept] == kept
    slip = shack.start(shack.slip)
    until("both on the page", lambda: shack.seen() == {"ledge": "online", "slip": "online"})
    status = shack.run("status", "--all", "--json", "--config", str(shack.ledge))
    told = {one["station"]: one for one in json.loads(status.stdout)["stations"]}
    assert set(told) == {"ledge", "slip"} and all(one["online"] for one in told.values())
    assert {job["job"] for job in told["slip"]["jobs"]} == {"marine-vhf", "calling"}
    seen_from_slip = shack.run("status", "--config", str(shack.slip))
    # Well, or limping for sweeps that a busy machine took too late.
    assert seen_from_slip.returncode in (0, 3)
    assert re.search(r"(?m)^ledge: online since ", seen_from_slip.stdout)
    args = subprocess.run(["ps", "-eww", "-o", "args"], capture_output=True, text=True, check=True)
    assert password not in args.stdout
    slip.process.kill()
    until("its loss", lambda: shack.seen().get("slip") == "offline")
    status = shack.run("status", "--all", "--config", str(shack.ledge))
    assert status.returncode == 1
    assert "slip: SILENT: it was lost and did not say goodbye" in status.stdout
    # Wherever the password might be by now: in its file, and nowhere else.
    assert ledge.stop() == 0
    said = "\n".join([*ledge.lines, *slip.lines, joined.stdout, joined.stderr, made.stderr])
    assert password not in said + status.stdout + seen_from_slip.stdout
    holding = [
        path
        for path in tmp_path.rglob("*")
        if path.is_file() and password.encode() in path.read_bytes()
    ]
    assert holding == [shack.slip.parent / "shack" / "slip-at-ledge.password"]
    assert holding[0].stat().st_mode & 0o777 == 0o600


@pytest.mark.slow
def test_what_can_go_wrong_when_joining_is_one_clear_line(shack: Shack) -> None:
    """The config stays as it was, and nothing holds the password."""
    ledge = shack.start(shack.ledge)
    ledge.until('"event": "station_started"')
    line = shack.share("station", "slip").stdout.strip()
    password = re.search(r"slip:([^@]+)@", line)[1]
    other = shack.share("station", "ness").stdout.strip()
    own = line.replace("slip:", "ness:")
    gone = line.replace(f":{shack.port}?", f":{free_port('127.0.0.1')}?")
    plain = line.replace("mqtts://", "mqtt://").replace(f":{shack.port}?", f":{shack.own}?")
    before = shack.slip.read_text()
    faketime = ["faketime", "-f", "-40d"]
    for text, words in (
        (line[:-30], "its end is cut off or spoilt"),
        ("mqtt://somebody", "something of its end is missing"),
        ("", "no line came"),
        (other, "the line is for a station called ness, and this one is slip"),
        (own, "the line is for a station called ness"),
        (line.replace(password, "wrong"), "does not take this name and password"),
        (gone, "cannot be reached"),
        (line.replace(f":{shack.port}?", f":{shack.own}?"), "speaks no TLS"),
    ):
        answer = shack.join(text)
        assert answer.returncode in (1, 2), (text, answer.stdout)
        assert words in answer.stderr, (words, answer.stderr)
        assert len(answer.stderr.splitlines()) == 1, answer.stderr
        assert password not in answer.stderr + answer.stdout
    assert shack.join(plain).returncode == 0  # loopback without TLS lets anybody in: said, and done
    shack.slip.write_text(before)
    if shutil.which("faketime"):
        late = subprocess.run(
            [*faketime, *ACQD, "join", "-", "--yes", "--config", str(shack.slip)],
            input=line,
            capture_output=True,
            text=True,
            timeout=LIMIT_S,
            env={**os.environ, "FAKETIME_DONT_FAKE_MONOTONIC": "1"},
            check=False,
        )
        assert late.returncode == 1, late.stdout
        assert "its certificate begins in the future by this machine's clock" in late.stderr
    assert shack.slip.read_text() == before
    # Another of its name is there already.
    shack.join(line)
    twin = shack.slip.with_name("twin.toml")
    text = shack.slip.read_text()
    twin.write_text(text.replace('archive = "archive"', 'archive = "another"'))
    running = shack.start(twin)
    running.until('"event": "broker_connected"')
    answer = shack.join(line)
    assert answer.returncode == 2
    assert "a station called slip is online at the broker of ledge already" in answer.stderr


@pytest.mark.slow
def test_the_brokers_end_is_survived_by_all(shack: Shack) -> None:
    """The shack's broker is killed and comes back; so do both stations, and the page."""
    ledge = shack.start(shack.ledge)
    ledge.until('"event": "live_page"')
    assert shack.join(shack.share("station", "slip").stdout).returncode == 0
    slip = shack.start(shack.slip)
    until("both on the page", lambda: shack.seen() == {"ledge": "online", "slip": "online"})
    (broker,) = _children(ledge.process.pid, "mosquitto")
    os.kill(broker, signal.SIGKILL)
    ledge.until('"event": "broker_restarted"')
    slip.until('"event": "broker_away"')
    until("it is back", lambda: sum('"broker_connected"' in one for one in slip.lines) == 2)
    until("both again", lambda: shack.seen() == {"ledge": "online", "slip": "online"})


@pytest.mark.slow
def test_the_page_comes_back_and_sweeps_go_on(shack: Shack) -> None:
    """Killed, it is started again and said once; the archive has no gap from it."""
    ledge = shack.start(shack.ledge)
    ledge.until('"event": "live_page"')
    until("the page", shack.seen)
    (page,) = _children(ledge.process.pid, "acqd.dash.child")
    assert os.getpriority(os.PRIO_PROCESS, page) > os.getpriority(
        os.PRIO_PROCESS, ledge.process.pid
    )
    os.kill(page, signal.SIGKILL)
    until("again", lambda: sum('"event": "live_page"' in one for one in ledge.lines) == 2)
    until("the page", shack.seen)
    assert sum("no_live_page" in one for one in ledge.lines) == 1
    told = json.loads(shack.run("status", "--json", "--config", str(shack.ledge)).stdout)
    assert all(job["stored"] > 0 for job in told["jobs"])
    assert not any("gap" in one for one in ledge.lines)
    (page,) = _children(ledge.process.pid, "acqd.dash.child")
    began_s = time.monotonic()
    assert ledge.stop() == 0
    assert time.monotonic() - began_s < 10.0
    until("its end", lambda: not os.path.exists(f"/proc/{page}"))


@pytest.mark.slow
def test_a_page_whose_port_is_taken_is_one_line_and_the_station_goes_on(shack: Shack) -> None:
    """It is told once, and served as soon as the port is free."""
    with socket.create_server(("127.0.0.1", shack.page_port)):
        ledge = shack.start(shack.ledge)
        ledge.until('"event": "no_live_page"')
        ledge.until('"job": "marine-vhf", "number": 1')
        time.sleep(3.5)
        (said,) = [json.loads(one) for one in ledge.lines if "no_live_page" in one]
        assert str(shack.page_port) in said["problem"] and "in use" in said["problem"]
        assert "\n" not in said["problem"]
    ledge.until('"event": "live_page"')
    until("the page", shack.seen)


@pytest.mark.slow
def test_a_killed_station_leaves_neither_page_nor_broker(shack: Shack) -> None:
    """Whatever way it goes, what it started goes with it."""
    ledge = shack.start(shack.ledge)
    ledge.until('"event": "live_page"')
    ours = [*_children(ledge.process.pid, "acqd.dash"), *_children(ledge.process.pid, "mosquitto")]
    assert len(ours) == 2
    ledge.process.kill()
    until("their end", lambda: not any(_lives(pid) for pid in ours))


def test_shares_are_refused_in_one_clear_line(acqd: Any, folder: Path, tmp_path: Path) -> None:
    """Without a table, for its own name, for one that is taken, for a name that is none."""
    answer = acqd("share", "station", "slip", folder=folder)
    assert answer.code == 2 and "write a table [mqtt.serve]" in answer.complaint
    text = (folder / "station.toml").read_text()
    ports = {"own": free_port("127.0.0.1"), "serve": f"127.0.0.1:{free_port('127.0.0.1')}"}
    text = text.replace('[mqtt]\nbroker = "none"', SERVE.format(**ports))
    (folder / "station.toml").write_text(text)
    made = acqd("share", "station", "slip", "--reads", "shack/#", folder=folder)
    assert made.code == 0 and "start the station with acqd run first" in made.err
    for words, said in (
        (("station", "lookout"), "this station itself"),
        (("station", "slip"), "there is an account slip already"),
        (("viewer", "slip"), "there is a station called slip"),
        (("station", "Big Slip"), "cannot be a name here"),
        (("station", "ness", "--again"), "no account ness to make anew"),
        (("station", "ness", "--writes", "acqd/#"), "topics of stations are in it"),
        (("remove", "ness"), "there is no account 'ness'; there is slip"),
        (("station", "slip", "--again", "--host", "far.example"), "certificate is not for it"),
        (("page",), "there is no [dash]"),
    ):
        answer = acqd("share", *words, folder=folder)
        assert answer.code == 2 and said in answer.complaint, answer.err
    (one,) = acqd("share", "list", "--json", folder=folder).json
    assert (one["name"], one["kind"], one["reads"]) == ("slip", "station", ["shack/#"])
    again = acqd("share", "station", "slip", "--again", folder=folder)
    assert again.code == 0 and again.out != made.out
    assert acqd("share", "list", "--json", folder=folder).json[0]["reads"] == ["shack/#"]
    assert acqd("share", "remove", "slip", folder=folder).code == 0
    assert "nobody yet" in acqd("share", "list", folder=folder).out
    checked = acqd("check", "--offline", folder=folder).out
    assert "its certificate holds until" in checked and "the shack's authority holds" in checked


def test_the_embedded_broker_serves_nobody(acqd_child: Any, folder: Path) -> None:
    """It says what to do instead."""
    text = (folder / "station.toml").read_text()
    text = text.replace('[mqtt]\nbroker = "none"', SERVE.format(own=1883, serve="0.0.0.0:8883"))
    (folder / "station.toml").write_text(text)
    answer = acqd_child("run", "--broker", "embedded", cwd=folder)
    assert answer.returncode == 1
    assert "cannot serve others: install mosquitto" in answer.stderr


def test_the_pages_address_is_shown_with_its_token(acqd: Any, folder: Path) -> None:
    """The same each time, for it is kept; the code for a phone only where it is asked for."""
    text = (folder / "station.toml").read_text()
    (folder / "station.toml").write_text(f'{text}\n[dash]\naddress = "0.0.0.0:8471"\n')
    (folder / "archive").mkdir()
    one, two = (acqd("share", "page", folder=folder).out for _ in range(2))
    assert one == two and re.fullmatch(r"http://\S+:8471/\?token=[\w-]{22}\n", one)
    assert (folder / "archive" / "dash.token").stat().st_mode & 0o777 == 0o600
    assert len(acqd("share", "page", "--qr", folder=folder).out.splitlines()) > 10


def _children(parent: int, words: str) -> list[int]:
    """The processes that ``parent`` started and that have ``words`` on their command line."""
    listed = subprocess.run(
        ["ps", "-eww", "-o", "pid=,ppid=,args="], capture_output=True, text=True, check=True
    )
    rows = (line.split(None, 2) for line in listed.stdout.splitlines())
    return [int(pid) for pid, ppid, args in rows if int(ppid) == parent and words in args]


def _lives(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"
