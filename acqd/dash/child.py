"""The process that serves a station's live page: ``python -m acqd.dash.child``.

One line of JSON on standard input says how; where that input ends the station has gone, and the
page goes with it. The page's address, without its token, is said on standard output once it is
served. Ends with 1 and one line on standard error where it cannot be.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import threading
from pathlib import Path
from typing import Any

import structlog

from acqd.clock import SystemClock
from acqd.config.mqtt import Endpoint
from acqd.dash.service import Dashboard, DashSettings
from acqd.errors import AcqdError
from acqd.publish.settings import BrokerSettings, MqttVersion

__all__ = ["main", "settings_of"]

LINGERS_S = 3.0
"""A page that has not ended so long after its station is ended in mid-sentence."""
KEEP_ALIVE_S = 10


def settings_of(told: dict[str, Any]) -> DashSettings:
    """The settings that the station sent."""
    broker = told["broker"]
    return DashSettings(
        broker=BrokerSettings(
            address=Endpoint(host=broker["host"], port=broker["port"], tls=broker["tls"]),
            version=MqttVersion(broker["version"]),
            user=broker["user"],
            password=broker["password"],
            ca_file=None if broker["ca_file"] is None else Path(broker["ca_file"]),
            topic_root=broker["topic_root"],
            keep_alive_s=KEEP_ALIVE_S,
        ),
        stations=tuple(told["stations"]),
        host=told["host"],
        port=told["port"],
        token=told["token"],
        names=tuple(told["names"]),
        own_archive=(told["station"], Path(told["archive"])),
        zone=told["zone"],
    )


async def _serve(settings: DashSettings) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGTERM, stop.set)

    def until_the_station_goes() -> None:
        while os.read(0, 4096):
            pass
        loop.call_soon_threadsafe(stop.set)
        threading.Timer(LINGERS_S, os._exit, (1,)).start()

    dashboard = Dashboard(settings, clock=SystemClock(), log=structlog.get_logger())
    await dashboard.start()
    threading.Thread(target=until_the_station_goes, daemon=True).start()
    sys.stdout.write(dashboard.server.url(with_token=False) + "\n")
    sys.stdout.flush()
    await dashboard.run_until(stop)


def main() -> int:
    """Serve until told to end; the exit code."""
    structlog.configure(
        processors=[structlog.processors.add_log_level, structlog.processors.JSONRenderer()],
        logger_factory=structlog.WriteLoggerFactory(file=sys.stderr),
    )
    line = b""
    while not line.endswith(b"\n"):
        part = os.read(0, 65536)
        if not part:
            return 1
        line += part
    try:
        asyncio.run(_serve(settings_of(json.loads(line))))
    except AcqdError as exc:
        sys.stderr.write(f"acqd: {exc}\n")
        return 1
    return 0


if __name__ == "__main__":
    code = main()
    sys.stderr.flush()
    # A thread waits for the end of standard input, which may outlast us.
    os._exit(code)
