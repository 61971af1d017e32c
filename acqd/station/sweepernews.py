"""What is told of one sweeper: that it went and came back, moved, or is not who it was.

An outage is told of once at its beginning and once at its end, however often it is tried meanwhile.
"""

from __future__ import annotations

import structlog

from acqd.clock import Clock
from acqd.drivers.host import ABANDONED_MAX, Opened, SweeperHost
from acqd.drivers.usbports import is_usb_address
from acqd.errors import IdentityChanged, SweeperError
from acqd.station.identities import IdentityBook, changes, without_serial
from acqd.station.watch import StationFindings
from acqd.sweep import Identity

__all__ = ["SweeperNews"]

MOVED_AGAIN_S = 600.0
"""A sweeper whose port changes is told of no more often; the log has each change."""


class SweeperNews:
    """Findings of the station about one sweeper.

    ``known``: who it was when it was last there. ``book`` knows who else is there.
    """

    def __init__(
        self,
        *,
        name: str,
        host: SweeperHost,
        clock: Clock,
        findings: StationFindings,
        known: Identity | None,
        book: IdentityBook,
    ) -> None:
        self._name = name
        self._host = host
        self._clock = clock
        self._findings = findings
        self._known = known
        self._book = book
        self._lost_told = False
        self._driver_told: set[str] = set()
        self._stranger: str | None = None
        self._found_at = host.address
        self._moved_told_s: float | None = None
        self._log = structlog.get_logger().bind(sweeper=name)

    async def drift(self, drift_s: float) -> None:
        """Its clock goes away from the station's."""
        await self._findings.tell(
            "sweeper_clock_drift",
            f"the clock of {self._name} has moved {drift_s:+.1f} s against the station's",
            {"sweeper": self._name, "drift_s": round(drift_s, 3)},
        )

    async def lost(self, problem: str) -> None:
        """The conversation with it broke."""
        await self._tell_of_driver()
        if not self._lost_told:
            self._lost_told = True
            await self._findings.tell(
                "sweeper_lost",
                f"sweeper {self._name} was lost: {problem}",
                {"sweeper": self._name},
            )

    async def not_there(self, exc: SweeperError) -> None:
        """It could not be opened."""
        await self._tell_of_driver()
        if isinstance(exc, IdentityChanged):
            self._lost_told = True
            if self._stranger != str(exc):
                self._stranger = str(exc)
                self._log.warning("sweeper_is_another", problem=str(exc))
                await self._findings.tell(
                    "identity_changed",
                    f"sweeper {self._name} is not used: {exc}",
                    {"sweeper": self._name},
                )
        if not self._lost_told:
            self._lost_told = True
            self._log.warning("sweeper_away", problem=str(exc))
            await self._findings.tell(
                "sweeper_lost",
                f"sweeper {self._name} is away: {exc}",
                {"sweeper": self._name},
            )

    async def there(self, opened: Opened, *, is_sure: bool) -> None:
        """It was opened; ``is_sure`` False where only a good sweep will say that it is back."""
        self._stranger = None
        if is_sure:
            await self._back()
        await self._tell_moved(opened)
        await self._compare_identity(opened.identity)

    async def back(self) -> None:
        """It sweeps, so it is there again, and its driver does what it should."""
        self._driver_told.clear()
        await self._back()

    async def _back(self) -> None:
        """It is there again, where it was told of as lost."""
        if not self._lost_told:
            return
        self._lost_told = False
        await self._findings.tell(
            "sweeper_back",
            f"sweeper {self._name} is back: {self._host.identity}",
            {"sweeper": self._name},
        )

    async def _tell_of_driver(self) -> None:
        """How its driver died or hung: each once an outage, however often it does."""
        for trouble in self._host.take_troubles():
            if trouble.what in self._driver_told:
                continue
            self._driver_told.add(trouble.what)
            counted = self._host.statistics()
            figures = {"sweeper": self._name, **trouble.facts}
            if trouble.what == "driver_died":
                await self._findings.tell(
                    "driver_died",
                    f"{trouble.text}; it is started again, after longer and longer waits",
                    {**figures, "deaths": counted.died},
                )
            else:
                await self._findings.tell(
                    "driver_stuck",
                    f"{trouble.text}{_hanging_text(counted.hanging)}",
                    {**figures, "stuck": counted.stuck, "hanging": counted.hanging},
                )

    async def _tell_moved(self, opened: Opened) -> None:
        """A sweeper that is plugged in elsewhere: logged each time, told now and then."""
        place = opened.place
        if place is None:
            return
        before, self._found_at = self._found_at, place.address
        if place.address == before or is_usb_address(before):
            return
        self._log.info("sweeper_moved", address=place.address, before=before, usb=str(place.usb))
        now_s = self._clock.monotonic_s()
        told_s = self._moved_told_s
        # One that the config names by what it is may be at any port; that is no news.
        if is_usb_address(self._host.address) or (
            told_s is not None and now_s - told_s < MOVED_AGAIN_S
        ):
            return
        self._moved_told_s = now_s
        text = f"sweeper {self._name} is at {place.address} now; before it was at {before}"
        if place.moved and place.usb is not None:
            text += f". So that it is found there after a restart too: {place.usb.hint}"
        await self._findings.tell("sweeper_moved", text, {"sweeper": self._name})

    async def _compare_identity(self, identity: Identity) -> None:
        """Tell what is not as it was, and who is there twice."""
        known, self._known = self._known, identity
        if known is not None and known != identity:
            self._book.is_somebody_else(self._name)
            found = changes(known, identity)
            said = "; ".join(one.text for one in found) or f"it was {known}"
            await self._findings.tell(
                "identity_changed",
                f"sweeper {self._name} now says it is {identity}: {said}",
                {"sweeper": self._name, "changed": ", ".join(one.part for one in found)},
            )
        if identity.is_doubtful and (known is None or not known.is_doubtful):
            await self._findings.tell(
                "identity_doubtful",
                f"sweeper {self._name} {without_serial(identity)}",
                {"sweeper": self._name},
            )
        for twins in self._book.arrived(self._name, identity):
            for name in (twins.first, twins.second):
                await self._findings.tell("identity_shared", twins.text(name), {"sweeper": name})


def _hanging_text(hanging: int) -> str:
    """What the threads that hang come to; nothing where none does."""
    if not hanging:
        return ""
    threads = "a thread hangs" if hanging == 1 else f"{hanging} threads hang"
    return f"; {threads} now, and with {ABANDONED_MAX} it is out until the station is restarted"
