"""What is retained at a broker of all stations there: how each stands, by its own last word."""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
from dataclasses import dataclass, field
from typing import Any

import aiomqtt

from acqd.errors import BrokerError
from acqd.publish.link import connection, new_link, reachable
from acqd.publish.settings import BrokerSettings
from acqd.publish.threads import OwnThreads
from acqd.publish.topics import CHANNELS

__all__ = ["StationTold", "gather", "take"]

QUIET_S = 0.4
"""Nothing more comes for so long: all that is retained is here."""
STATIONS_MOST = 64
PIECES_MOST = 256
"""Sweepers of a station, and jobs, each."""
KINDS = frozenset({"status", "sweeper", "state"})


@dataclass(slots=True, kw_only=True)
class StationTold:
    """One station. The dictionaries are its messages as they came; docs/messages.md says what is
    in them, and nothing of that is promised where somebody else wrote them."""

    station: str
    status: dict[str, Any] | None = None
    sweepers: dict[str, dict[str, Any]] = field(default_factory=dict)
    jobs: dict[str, dict[str, Any]] = field(default_factory=dict)

    @property
    def is_online(self) -> bool:
        """By what is retained; a frozen one is noticed by the broker within 40 s."""
        return self.status is not None and self.status.get("state") == "online"

    @property
    def was_lost(self) -> bool:
        """It is away, and did not say goodbye: the broker says so, by its last will."""
        return not self.is_online and (
            self.status is None or self.status.get("reason") != "stopped"
        )


async def gather(settings: BrokerSettings, *, within_s: float = 4.0) -> list[StationTold]:
    """All stations that the broker knows, by name; at most :data:`STATIONS_MOST`.

    Raises:
        BrokerError: it cannot be reached, or does not let us read.
    """
    stations: dict[str, StationTold] = {}
    tls, threads = settings.tls_context(), OwnThreads("mqtt")
    try:
        async with asyncio.timeout(within_s):
            await reachable(settings, tls, threads)
            link = new_link(
                settings, client_id=f"acqd-status-{secrets.token_hex(6)}", tls=tls, threads=threads
            )
            async with connection(link):
                await _listen(link, settings.topic_root, stations)
    except (aiomqtt.MqttError, OSError, TimeoutError) as exc:
        if not stations:
            reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
            raise BrokerError(
                f"broker {settings.address}: {reason or 'no answer'}; does the station run that "
                "serves it?"
            ) from exc
    return [stations[name] for name in sorted(stations)]


async def _listen(link: Any, root: str, stations: dict[str, StationTold]) -> None:
    waiting: asyncio.Queue[tuple[str, bytes]] = asyncio.Queue()
    # At once instead of through aiomqtt's queue, which throws the oldest away when it is full.
    link._client.on_message = lambda client, userdata, message: waiting.put_nowait(
        (message.topic, bytes(message.payload))
    )
    filters = [(f"{root}/+/{rest}", 0) for rest in ("status", "sweeper/+", "job/+/state")]
    codes = await link.subscribe(filters)
    if any(getattr(code, "is_failure", False) for code in codes):
        raise BrokerError("the broker lets us in, and does not let us hear the stations")
    with contextlib.suppress(TimeoutError):
        while True:
            async with asyncio.timeout(QUIET_S):
                topic, payload = await waiting.get()
            take(stations, root, topic, payload)


def take(stations: dict[str, StationTold], root: str, topic: str, payload: bytes) -> None:
    """Put one message where it belongs; what makes no sense is passed over."""
    rest = topic.removeprefix(f"{root}/")
    spec = next((spec for spec in CHANNELS if spec.matches(rest)), None)
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return
    if spec is None or spec.name not in KINDS or not isinstance(said, dict):
        return
    name, *more = rest.split("/")
    if name not in stations and len(stations) >= STATIONS_MOST:
        return
    station = stations.setdefault(name, StationTold(station=name))
    if spec.name == "status":
        station.status = said
        return
    pieces = station.sweepers if spec.name == "sweeper" else station.jobs
    if len(pieces) < PIECES_MOST:
        pieces[more[1]] = said
