"""A secret in every place that takes one, a night that goes wrong, and a search of what is left.

Distinctive texts stand as the broker's password, in addresses and headers of alerts, as the page's
token and in a driver's options, by way of the environment, of files and of the config itself. The
station runs verbosely, against a broker that refuses its password, servers that refuse its alerts
and a driver that repeats whatever it is given; it is killed, and runs again against a broker that
lets it in. Then everything that it wrote or said is searched, packed as it may be.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from acqd.publish.broker import find_mosquitto
from acqd.publish.child import free_port

pytestmark = pytest.mark.slow

HOST = "127.0.0.1"
SECRETS = {
    "mqtt": "petrel-mqtt-5c1f",
    "url_env": "petrel-url-77aa",
    "url_file": "petrel-hook-90be",
    "header": "petrel-header-3d21",
    "page": "petrel-page-token-e4",
    "option_env": "petrel-option-env-b8",
    "option_file": "petrel-option-file-06",
    "option_plain": "petrel-option-plain-9f",
}
MARK = "petrel-"

DRIVER = '''
import os, sys
from acqd.drivers.contract import Driver
from acqd.errors import SweeperError

class Leaky(Driver):
    """Repeats whatever it is given, wherever it can."""

    def open(self, context):
        options = dict(context.options)
        main = getattr(sys.modules["__main__"], "__file__", None) or ""
        in_thread = not main.endswith("drivers/child.py")
        if not in_thread:  # else it is the station itself that writes, and its environment
            print("opening with", options, file=sys.stderr, flush=True)
        if not all(str(options[k]).startswith("petrel-") for k in ("password", "api_token", "key")):
            raise SystemExit(f"not what it was to be given: {sorted(options)}")
        if not in_thread and any("petrel-" in value for value in os.environ.values()):
            raise SweeperError("a driver is given passwords that are none of its business")
        if options["how"] == "ours":
            raise SweeperError(f"login refused for {options['password']}")
        raise RuntimeError(f"login with {options} failed")
'''

CONFIG = """\
[station]
name = "lookout"
archive = "archive"
seal_every = "10 s"
keep_free = "1 MB"

[mqtt]
broker = "mqtt://127.0.0.1:{broker}"
user = "watch"
password_file = "mqtt.password"

[dash]
address = "127.0.0.1:{page}"
token_file = "page.token"

[way.phone]
apprise = {{ env = "LOOKOUT_URL" }}

[way.hook]
post = {{ file = "hook.url" }}
headers = {{ Authorization = {{ env = "LOOKOUT_HEADER" }} }}

[alert.lost]
on = "sweeper lost"
hold_off = "0 s"
to = ["phone", "hook"]

[sweeper.mast]
driver = "sim"
address = "sim:mast"
options = {{ time_scale = 0.02 }}
{sweepers}

[job.marine-vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
when = {{ every = "250 ms" }}
{jobs}
"""

SWEEPER = """
[sweeper.{name}]
driver = "leaky"
address = "leaky:{name}"
isolation = "{isolation}"
[sweeper.{name}.options]
how = "{how}"
password = {{ env = "LOOKOUT_OPTION" }}
api_token = {{ file = "option.token" }}
key = "{plain}"
"""

JOB = """
[job.on-{name}]
kind = "band"
sweeper = "{name}"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
when = {{ every = "1 s" }}
"""
LEAKY = (
    ("inside", "thread", "ours"),
    ("outside", "process", "ours"),
    ("wild", "thread", "raises"),
    ("wilder", "process", "raises"),
)


def private(path: Path, text: str) -> None:
    path.write_text(text + "\n")
    path.chmod(0o600)


@pytest.fixture
def lookout(tmp_path: Path) -> Path:
    """The folder of a config with all of them, and of a driver that is installed beside it."""
    plugin = tmp_path / "plugin"
    about = plugin / "leaky-1.0.dist-info"
    about.mkdir(parents=True)
    (plugin / "leaky.py").write_text(DRIVER)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: leaky\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text("[acqd.drivers]\nleaky = leaky:Leaky\n")
    home = tmp_path / "home"
    home.mkdir()
    closed = free_port(HOST)
    private(home / "mqtt.password", SECRETS["mqtt"])
    private(home / "hook.url", f"http://{HOST}:{closed}/{SECRETS['url_file']}")
    private(home / "page.token", SECRETS["page"])
    private(home / "option.token", SECRETS["option_file"])
    sweepers = "".join(
        SWEEPER.format(name=name, isolation=isolation, how=how, plain=SECRETS["option_plain"])
        for name, isolation, how in LEAKY
    )
    config = CONFIG.format(
        broker=free_port(HOST),
        page=free_port(HOST),
        sweepers=sweepers,
        jobs="".join(JOB.format(name=name) for name, *_ in LEAKY),
    )
    (home / "station.toml").write_text(config)
    return home


@pytest.fixture
def environ(lookout: Path) -> dict[str, str]:
    return {
        "LOOKOUT_URL": f"json://{HOST}:{free_port(HOST)}/{SECRETS['url_env']}",
        "LOOKOUT_HEADER": f"Bearer {SECRETS['header']}",
        "LOOKOUT_OPTION": SECRETS["option_env"],
        "PYTHONPATH": str(lookout.parent / "plugin"),
        "TMPDIR": str(lookout.parent / "tmp"),
    }


def port_of(lookout: Path) -> int:
    text = (lookout / "station.toml").read_text()
    return int(text.split("mqtt://127.0.0.1:")[1].split('"')[0])


def broker_with(folder: Path, port: int, password: str) -> subprocess.Popen[bytes]:
    """A mosquitto in which ``watch`` has ``password``, and anybody else may nothing."""
    passwords = folder / "broker.passwords"
    private(passwords, f"watch:{password}\near:only-an-ear")
    subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
    user = "user root\n" if os.geteuid() == 0 else ""
    (folder / "broker.conf").write_text(
        f"listener {port} {HOST}\nallow_anonymous false\npassword_file {passwords}\n{user}"
        "log_dest none\n"
    )
    return subprocess.Popen(
        [str(find_mosquitto()), "-c", str(folder / "broker.conf")], stderr=subprocess.DEVNULL
    )


def processes_of(pid: int) -> dict[str, str]:
    """The command line of a process and of all that it has started, by what it is."""
    import psutil

    found = {}
    for one in (psutil.Process(pid), *psutil.Process(pid).children(recursive=True)):
        try:
            found[f"command line of {one.pid}"] = " ".join(one.cmdline())
        except psutil.Error:
            continue
    return found


def environments_of(pid: int) -> dict[str, str]:
    """The environments of what it has started, drivers and brokers and pages."""
    import psutil

    found = {}
    for one in psutil.Process(pid).children(recursive=True):
        try:
            found[f"environment of {' '.join(one.cmdline())[:90]}"] = repr(one.environ())
        except psutil.Error:
            continue
    return found


def texts_in(folder: Path) -> Iterator[tuple[str, bytes]]:
    """All that files hold: as they are, the rows of databases unpacked, and of HDF5 files every
    attribute and every text."""
    for path in sorted(folder.rglob("*")):
        if not path.is_file() or path.is_symlink():
            continue
        name = str(path.relative_to(folder))
        yield name, path.name.encode() + b" " + path.read_bytes()
        if path.suffix == ".sqlite":
            yield from ((f"{name} unpacked", one) for one in rows_of(path))
        if path.suffix == ".nc":
            yield from ((f"{name} unpacked", one) for one in parts_of(path))


def rows_of(path: Path) -> Iterator[bytes]:
    db = sqlite3.connect(path)
    try:
        tables = [
            name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type='table'")
        ]
        for table in tables:
            for row in db.execute(f'SELECT * FROM "{table}"'):
                for value in row:
                    raw = value if isinstance(value, bytes) else str(value).encode()
                    yield raw
                    for packed in (raw, raw[8:]):
                        try:
                            yield zlib.decompress(packed)
                        except zlib.error:
                            continue
    finally:
        db.close()


def parts_of(path: Path) -> Iterator[bytes]:
    found: list[bytes] = []

    def look(name: str, one: Any) -> None:
        found.extend(f"{key}={value!r}".encode() for key, value in one.attrs.items())
        if isinstance(one, h5py.Dataset) and one.dtype.kind in "SOUu":
            found.append(np.asarray(one[()]).tobytes() if one.dtype.kind == "u" else
                         repr(one[()].tolist() if one.shape else one[()]).encode())  # fmt: skip

    with h5py.File(path) as file:
        look("/", file)
        file.visititems(look)
    yield from found


def leaks(said: dict[str, bytes | str]) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for where, text in said.items():
        raw = text.encode() if isinstance(text, str) else text
        found = [name for name, secret in SECRETS.items() if secret.encode() in raw]
        if found or MARK.encode() in raw:
            out[where] = found or ["a part of one"]
    return out


def test_the_search_finds_what_is_hidden_well(tmp_path: Path) -> None:
    """Else the other test would prove nothing."""
    secret = SECRETS["mqtt"]
    with h5py.File(tmp_path / "a.nc", "w") as file:
        file.create_dataset("x", data=np.array([secret.encode()] * 50), compression="gzip")
        file.create_group("deep").attrs["config"] = json.dumps({"password": secret})
    db = sqlite3.connect(tmp_path / "b.sqlite")
    db.execute("CREATE TABLE t (a BLOB)")
    db.execute("INSERT INTO t VALUES (?)", (zlib.compress(secret.encode() * 20),))
    db.commit()
    db.close()
    (tmp_path / "c.log").write_text(f"login with {secret}")
    found = leaks({f"{n}:{i}": t for i, (n, t) in enumerate(texts_in(tmp_path))})
    names = {where.split(":")[0] for where in found}
    assert names >= {"a.nc unpacked", "b.sqlite unpacked", "c.log"}


def test_no_secret_is_repeated_anywhere(lookout: Path, environ: dict[str, str], bench: Any) -> None:
    """Logs, errors, the archive with its journals, attributes and recorded configs, messages,
    command lines, the environment of what is started, what commands print, what is left behind."""
    if shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto_passwd is not installed")
    (lookout.parent / "tmp").mkdir()
    port, config = port_of(lookout), lookout / "station.toml"
    said: dict[str, bytes | str] = {}
    broker = broker_with(lookout.parent, port, "another-one")
    try:
        run = bench.run(config, "-v", env=environ)
        run.until("station_started")
        away = run.until("broker_away")
        assert "does not let us in" in away["reason"]
        for name, *_ in LEAKY:
            run.until("sweeper_away", sweeper=name)
        bench.wait_for("alerts that were tried", lambda: b"lost" in alerts_of(lookout))
        said |= processes_of(run.process.pid) | environments_of(run.process.pid)
        said |= outputs(lookout, environ)
        run.kill()
        said["the first run"] = run.text
    finally:
        broker.kill()
        broker.wait()
    broker = broker_with(lookout.parent, port, SECRETS["mqtt"])
    try:
        run = bench.run(config, "-v", env=environ)
        run.until("broker_connected")
        ear = bench.ear(port, "-u", "ear", "-P", "only-an-ear")
        ear.until("job/marine-vhf/summary", 20)
        for name, *_ in LEAKY:
            ear.until(f"sweeper/{name}")
        said |= {f"second {key}": one for key, one in processes_of(run.process.pid).items()}
        more = outputs(lookout, environ, only=("status by broker", "report"))
        said |= {f"second {key}": one for key, one in more.items()}
        run.process.send_signal(signal.SIGTERM)
        assert run.wait() == 0
        said["the second run"] = run.text
        said |= {f"message {n} {topic}": text for n, (_, topic, text) in enumerate(ear.messages())}
    finally:
        broker.kill()
        broker.wait()
    said |= {f"archive: {n} {i}": t for i, (n, t) in enumerate(texts_in(lookout / "archive"))}
    said |= {f"left: {n} {i}": t for i, (n, t) in enumerate(texts_in(lookout.parent / "tmp"))}
    assert any(where.endswith(".nc unpacked 0") or ".nc unpacked" in where for where in said)
    assert any("message" in where for where in said)
    assert leaks(said) == {}
    text = said["the first run"]
    assert isinstance(text, str)
    assert '"text": "opening with' in text, "no driver ran in a process of its own"
    assert "login refused for ***" in text and "login with" in text


def alerts_of(lookout: Path) -> bytes:
    path = lookout / "archive" / "alerts.sqlite"
    return b" ".join(rows_of(path)) if path.exists() else b""


def outputs(lookout: Path, environ: dict[str, str], *, only: Sequence[str] = ()) -> dict[str, str]:
    """What commands print that have to do with a config, a station and its archive."""
    from acqd.cli import COMMANDS

    config, archive = str(lookout / "station.toml"), str(lookout / "archive")
    asked = {
        "check": ["check", config, "--json"],
        "check in words": ["check", config, "--offline"],
        "status": ["status", "--config", config, "--json"],
        "status by broker": ["status", "--config", config, "--broker"],
        "alerts": ["alert", "list", config],
        "a test": ["alert", "test", "--config", config],
        "find": ["find", "--config", config, "--json"],
        "once": ["once", "on-wild", "--config", config],
        "notes": ["notes", "--config", config],
        "report": ["report", archive, "--output", str(lookout.parent / "tmp" / "report.html")],
    }
    assert {words[0] for words in asked.values()} <= set(COMMANDS)
    found = {}
    for name, words in asked.items():
        if only and name not in only:
            continue
        done = subprocess.run(
            [sys.executable, "-c", "from acqd.cli import main; main()", *words],
            capture_output=True,
            text=True,
            timeout=120,
            cwd=lookout,
            env={**os.environ, **environ},
            check=False,
        )
        found[f"acqd {name}"] = done.stdout + done.stderr
    return found
