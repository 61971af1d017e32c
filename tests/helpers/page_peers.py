"""Stations, a broker and the live page's server as processes, for tests that look at the page."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Awaitable, Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.async_api import Page

from acqd.publish.broker import find_mosquitto
from acqd.publish.child import free_port
from peers import LIMIT_S, skip_without_mosquitto, wait_for

HOST = "127.0.0.1"
ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")
DESK, PHONE = (1440, 900), (390, 844)

SCENE = """\
seed = 7

[scene.harbour]

[[scene.harbour.carrier]]
name = "beacon"
frequency = "156.8 MHz"
power = "-61.5 dBm"

[[scene.harbour.voice]]
name = "traffic"
frequency = "156.5 MHz"
power = "-70 dBm"
on = "4 s"
off = "4 s"
least_on = "2 s"

[scene.quiet]

[device.band-pass]
kind = "band-pass"
prototype = "butterworth"
order = 3
centre = "145 MHz"
width = "4 MHz"
loss = "0.9 dB"
floor = "82 dB"

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
sweep_factor = 1.0
accuracy = "1.5 dB"

[instrument.workbench]
scene = "quiet"
serial_number = "GL0105"
source_path = PATH
start = "100 kHz"
stop = "960 MHz"
danl = "-150 dBm"
accuracy = "1 dB"
source_min = "-40 dBm"
source_max = "0 dBm"
"""

STATION = """\
[station]
name = "{name}"
archive = "{folder}/archive"
time_zone = "Europe/London"
keep_free = "1 MB"

[mqtt]
broker = "mqtt://{host}:{port}"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
options = {{ scene = "{folder}/scene.toml", time_scale = 0.02 }}

[job.marine-vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
detector = "sample"
when = {{ every = "250 ms" }}
band = {{ channels = "marine-vhf", margin = "10 dB", min_duration = "500 ms" }}
"""

MORE = """
[job.calling]
kind = "band"
sweeper = "mast"
centre = "156.8 MHz"
span = "200 kHz"
points = 101
rbw = "3 kHz"
detector = "rms"
when = {{ every = "1 s" }}
band = {{ margin = "10 dB" }}

[sweeper.workbench]
driver = "sim"
address = "sim:workbench"
options = {{ scene = "{folder}/scene.toml", time_scale = 0.02 }}
absolute_max = "10 dBm"

[job.band-pass]
kind = "transmission"
sweeper = "workbench"
start = "135 MHz"
stop = "155 MHz"
points = 201
rbw = "30 kHz"
detector = "rms"
attenuation = "10 dB"
source = {{ level = "-20 dBm" }}
when = {{ every = "1 s" }}

[job.band-pass.transmission]
passband = {{ range = "144 MHz..146 MHz", loss_at_most = "2 dB" }}
frequency = [{{ name = "calling", at = "145 MHz", at_most = "2 dB" }}]
source_vswr = 1.1
load_vswr = 1.1
"""


async def until(page: Page, what: str, script: str, argument: Any = None) -> Any:
    """The first true value of a script in the page."""
    ends_s = time.monotonic() + LIMIT_S
    while not (value := await page.evaluate(script, argument)):
        assert time.monotonic() < ends_s, f"waited in vain for {what}"
        await asyncio.sleep(0.05)
    return value


@dataclass
class Peers:
    """A broker, stations and the page's server, each a process of its own."""

    folder: Path
    port: int = field(default_factory=lambda: free_port(HOST))
    web: int = field(default_factory=lambda: free_port(HOST))
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def start(self, name: str, *words: str) -> None:
        log = (self.folder / f"{name}.log").open("ab")
        self.running[name] = subprocess.Popen([*words], stdout=log, stderr=log)
        log.close()

    def end(self, name: str, number: int = signal.SIGKILL) -> None:
        process = self.running.pop(name)
        process.send_signal(number)
        process.wait(LIMIT_S)

    def close(self) -> None:
        for name in list(self.running):
            self.end(name)

    def broker(self) -> None:
        path = self.folder / "mosquitto.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        path.write_text(f"listener {self.port} {HOST}\nallow_anonymous true\nlog_dest none\n{user}")
        self.start("mosquitto", str(find_mosquitto()), "-c", str(path))
        wait_for("mosquitto", lambda: self.publish("test/up", "1"))

    def publish(self, topic: str, text: str, *more: str) -> bool:
        words = ["mosquitto_pub", "-h", HOST, "-p", str(self.port), "-q", "1", "-t", topic]
        found = subprocess.run([*words, "-m", text, *more], stderr=subprocess.DEVNULL, check=False)
        return found.returncode == 0

    def station(self, name: str, *, more: str = "") -> None:
        folder = self.folder / name
        folder.mkdir(exist_ok=True)
        config = folder / "station.toml"
        fill = {"name": name, "folder": folder, "host": HOST, "port": self.port}
        config.write_text((STATION + more).format(**fill))
        scene = folder / "scene.toml"
        if more:
            # What a person does with two cables before the filter is put in.
            scene.write_text(SCENE.replace("PATH", "[]"))
            words = ["reference", "band-pass", "through", "--yes", "--sweeps", "2"]
            subprocess.run(
                [*ACQD, *words, "--config", str(config)], check=True, capture_output=True
            )
        scene.write_text(SCENE.replace("PATH", '["band-pass"]'))
        self.start(name, *ACQD, "run", str(config))

    def dash(self, *more: str) -> None:
        self.dash_at(HOST, *more)

    def dash_at(self, host: str, *more: str) -> None:
        words = ["dash", "--broker", f"mqtt://{HOST}:{self.port}", "--zone", "Europe/London"]
        self.start("dash", *ACQD, *words, "--listen", f"{host}:{self.web}", *more)
        wait_for("the page's server", self.answers, said=self.log)

    def answers(self) -> bool:
        """Whether the server is there; it says so to everybody."""
        try:
            with urllib.request.urlopen(f"{self.url}health", timeout=5) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    def log(self) -> str:
        return (self.folder / "dash.log").read_text()

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.web}/"

    def told(self) -> dict[str, Any] | None:
        """What /state.json says; None where nobody answers."""
        try:
            with urllib.request.urlopen(f"{self.url}state.json", timeout=5) as answer:
                found: dict[str, Any] = json.load(answer)
                return found
        except OSError:
            return None

    def until_swept(self, *stations: str) -> None:
        def swept() -> bool:
            rows = [self.job(one, "marine-vhf") for one in stations]
            return all(row.get("last_seq", 0) > 8 for row in rows)

        wait_for(f"sweeps of {', '.join(stations)}", swept, said=self.log)

    def job(self, station: str, job: str) -> dict[str, Any]:
        """A job as the server knows it; empty where it does not yet."""
        for one in (self.told() or {"stations": []})["stations"]:
            for row in one["jobs"]:
                if (one["station"], row["job"]) == (station, job):
                    return dict(row)
        return {}


Opened = Callable[..., Awaitable[Page]]


def peers_in(folder: Path, stack: ExitStack) -> Peers:
    skip_without_mosquitto("mosquitto_pub")
    peers = Peers(folder)
    stack.callback(peers.close)
    peers.broker()
    return peers
