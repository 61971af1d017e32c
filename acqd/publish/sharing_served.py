"""A broker for the local network beside the station's own loopback: what mosquitto is told of it.

The files that mosquitto reads are made anew at each start, in a folder for the user it runs as
alone. Accounts that change, and a certificate that was renewed, are handed to it while it runs
(SIGHUP); a station or a viewer that stays in is not disturbed by that.
"""

from __future__ import annotations

import asyncio
import re
import shutil
import ssl
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from acqd.errors import BrokerError
from acqd.publish.settings import Endpoint, EventLog
from acqd.publish.sharing import ACCOUNTS, acl_text, password_text, read_accounts, write_private
from acqd.publish.sharing_certificate import (
    AUTHORITY,
    BROKER,
    Certificate,
    ensure_certificates,
    names_of_host,
)
from acqd.publish.threads import OwnThreads

__all__ = ["Ears", "Serve", "Served", "joinable"]

LOOK_S = 1.0
"""How soon a new account is taken."""
CERTIFICATE_S = 600.0
"""How often the certificate is looked at, and the machine's addresses."""
REACH_S = 60.0
REACH_LIMIT_S = 5.0
CONNECTIONS_MOST = 200
SAME_LINE_S = 60.0
LINES_MOST = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Serve:
    """Whom a broker is served to, and how."""

    address: Endpoint
    """Where others come in; with TLS, unless by choice."""
    folder: Path
    """Of accounts, keys and certificates."""
    station: str
    topic_root: str
    names: tuple[str, ...] = ()
    """Further names that others reach this machine by."""
    open: bool = False
    """Nobody is asked for a password."""

    def describe(self) -> str:
        """A few words for people."""
        how = "with TLS" if self.address.tls else "without TLS"
        who = "open to anybody" if self.open else "with passwords"
        return f"for this network on {self.address}, {how}, {who}"

    @property
    def near(self) -> Endpoint:
        """Where this machine itself reaches it."""
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(self.address.host, self.address.host)
        return replace(self.address, host=host)

    def own_host(self) -> tuple[str, ...]:
        """The one address that it listens on, where it is one."""
        return () if self.address.host in ("0.0.0.0", "::") else (self.address.host,)

    def warnings(self) -> tuple[str, ...]:
        """What was chosen against caution, a sentence each."""
        said = []
        if self.open:
            said.append(
                "open = true: anybody on this network may read all and write anything, also in the "
                "name of a station"
            )
        if not self.address.tls:
            said.append(
                "plain = true: without TLS passwords and all else can be read on the network"
            )
        return tuple(said)


def joinable(host: str) -> str:
    """``host`` of a served address as others on the network reach it: an address of this machine
    where it is all of them."""
    from acqd.publish.sharing_certificate import own_addresses

    if host not in ("0.0.0.0", "::"):
        return host
    return next(iter(own_addresses()), "127.0.0.1")


class Ears:
    """Picks what matters to a watchkeeper out of what mosquitto says. Pure but for its clock.

    Who was not let in is told with the address that came last before it (mosquitto itself does not
    say whose it was, so with several at once it may be another's); the same line at most once in
    :data:`SAME_LINE_S`.
    """

    def __init__(self, log: EventLog, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._log = log
        self._clock = clock
        self._told: dict[str, float] = {}
        self._last = ""

    def hear(self, line: str) -> None:
        """Take one line."""
        text = re.sub(r"^\d+: ", "", line)
        came = re.match(r"New connection from (\S+):\d+ on port", text)
        if came:
            self._last = came[1]
        elif "not authorised" in text:
            self._tell("broker_refused_login", self._last, client_at=self._last)
        elif _matters(text):
            self._tell("broker_warns", re.sub(r"\d+", "", text), line=text[:300])

    def _tell(self, event: str, key: str, **fields: str) -> None:
        now_s = self._clock()
        if now_s - self._told.get(event + key, -SAME_LINE_S) < SAME_LINE_S:
            return
        if len(self._told) >= LINES_MOST:
            self._told.clear()
        self._told[event + key] = now_s
        self._log.warning(event, **fields)


def _matters(text: str) -> bool:
    is_bad = text.startswith(("Error", "Warning")) or "exceeded" in text or "failed: " in text
    return is_bad and "should not be run as root" not in text


class Served:
    """The files of a served broker, kept in step with the accounts and the clock.

    Args:
        user: whom mosquitto runs as, where that is not us.
        wall_s: the time of day, for certificates.
    """

    def __init__(
        self,
        serve: Serve,
        *,
        user: str | None,
        log: EventLog,
        wall_s: Callable[[], float] = time.time,
    ) -> None:
        self.serve = serve
        self._user = user
        self._log = log
        self._wall_s = wall_s
        self._threads = OwnThreads("shack")
        self._seen: object = None
        self._problem = ""
        self._unreachable = ""
        self.folder: Path | None = None

    def open(self) -> None:
        """Make the folder and all files in it. Blocks for some tenths of a second.

        Raises:
            BrokerError: certificates or accounts cannot be had.
        """
        if self.serve.address.tls:
            self._certificate()
        self.folder = Path(tempfile.mkdtemp(prefix="acqd-shack-"))
        self._give(self.folder)
        self._seen = self._stamp()
        self._write()

    def close(self) -> None:
        """Take the folder away."""
        if self.folder is not None:
            shutil.rmtree(self.folder, ignore_errors=True)

    def config_lines(self) -> list[str]:
        """What mosquitto's configuration says of it."""
        address, folder = self.serve.address, self.folder
        assert folder is not None
        # Without a host it listens on both kinds of addresses; with "::" on IPv6 alone.
        host = "" if address.host == "::" else f" {address.host}"
        lines = [
            f"listener {address.port}{host}",
            f"max_connections {CONNECTIONS_MOST}",
            f"allow_anonymous {'true' if self.serve.open else 'false'}",
        ]
        if not self.serve.open:
            lines += [f"password_file {folder / 'passwords'}", f"acl_file {folder / 'acl'}"]
        if address.tls:
            both = folder / BROKER
            lines += [f"certfile {both}", f"keyfile {both}", "tls_version tlsv1.2"]
        return lines

    async def keep(self, reload: Callable[[], None]) -> None:
        """Look at accounts and certificate until cancelled.

        ``reload`` tells the broker of a change. What goes wrong is said once, and the broker goes
        on with what it has.
        """
        loop = asyncio.get_running_loop()
        certificate_s = reach_s = loop.time()
        while True:
            await asyncio.sleep(LOOK_S)
            try:
                if self.serve.address.tls and loop.time() - certificate_s >= CERTIFICATE_S:
                    certificate_s = loop.time()
                    if await self._threads.run(self._certificate):
                        self._seen = None
                if await self._threads.run(self._changed):
                    reload()
                    self._log.info("shack_accounts", accounts=len(read_accounts(self.serve.folder)))
                self._problem = ""
            except (BrokerError, OSError) as exc:
                if str(exc) != self._problem:
                    self._log.warning("shack_not_in_step", problem=str(exc))
                self._problem = str(exc)
            if loop.time() - reach_s >= REACH_S:
                reach_s = loop.time()
                await self.reach()

    async def reach(self) -> str:
        """Whether others can come in, as far as this machine can tell; what is wrong, or nothing.
        A change of it is logged."""
        problem = ""
        try:
            async with asyncio.timeout(REACH_LIMIT_S):
                await self._knock()
        except ssl.SSLCertVerificationError as exc:
            problem = f"its certificate is refused: {exc.verify_message}"
        except (OSError, TimeoutError) as exc:
            problem = str(exc) or "no answer"
        if problem and not self._unreachable:
            self._log.warning(
                "shack_not_reachable", address=str(self.serve.address), problem=problem
            )
        elif self._unreachable and not problem:
            self._log.info("shack_reachable", address=str(self.serve.address))
        self._unreachable = problem
        return problem

    async def _knock(self) -> None:
        near = self.serve.near
        context = None
        if near.tls:
            authority = self.serve.folder / AUTHORITY
            context = await self._threads.run(
                partial(ssl.create_default_context, cafile=str(authority))
            )
        _, writer = await asyncio.open_connection(
            near.host, near.port, ssl=context, server_hostname=near.host if near.tls else None
        )
        writer.transport.abort()

    def _certificate(self) -> bool:
        serve = self.serve
        certificate, is_new = ensure_certificates(
            serve.folder,
            station=serve.station,
            names=names_of_host((*serve.names, *serve.own_host())),
            now_s=self._wall_s(),
        )
        if is_new:
            self._log.info("shack_certificate", until=_date(certificate))
        if certificate.from_s > self._wall_s():
            self._log.warning(
                "shack_clock",
                problem="the broker's certificate begins in the future: is this clock right?",
            )
        return is_new

    def _stamp(self) -> object:
        """What changes whenever the accounts or the certificate do."""
        found = []
        for name in (ACCOUNTS, BROKER):
            try:
                state = (self.serve.folder / name).stat()
                found.append((state.st_mtime_ns, state.st_size, state.st_ino))
            except OSError:
                found.append((0, 0, 0))
        return tuple(found)

    def _changed(self) -> bool:
        """Write the files anew where something has changed since the last time."""
        stamp = self._stamp()
        if stamp == self._seen:
            return False
        self._write()
        self._seen = stamp
        return True

    def _write(self) -> None:
        serve, folder = self.serve, self.folder
        assert folder is not None
        accounts = read_accounts(serve.folder)
        texts = {
            "passwords": password_text(accounts),
            "acl": acl_text(accounts, root=serve.topic_root),
        }
        if serve.address.tls:
            texts[BROKER] = (serve.folder / BROKER).read_text("ascii")
        for name, text in texts.items():
            write_private(folder / name, text)
            self._give(folder / name)

    def _give(self, path: Path) -> None:
        """To the user that mosquitto runs as; it reads these files again whenever it is told to."""
        if self._user is not None:
            shutil.chown(path, self._user)


def _date(certificate: Certificate) -> str:
    return time.strftime("%Y-%m-%d", time.gmtime(certificate.to_s))
