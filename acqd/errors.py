"""Everything acqd raises on purpose, and whose fault each is.

    AcqdError
    ├── ConfigError            the user's text: what, where, what is accepted      (fix the file)
    ├── WrongUsage             a word of a command that cannot be read, or is nothing  (ask anew)
    ├── PluginError            a driver distribution that cannot be used           (fix it)
    ├── SweeperError           one sweeper; costs that sweeper's sweeps only
    │   ├── RequestRefused     asked beyond its limits; nothing was sent           (do not retry)
    │   │   └── InputUnsafe        too much power could arrive at the input        (add a pad)
    │   ├── TransportError     the link broke, also an OSError                     (reopen)
    │   │   ├── TransportTimeout   no answer by the deadline, also a TimeoutError  (reopen)
    │   │   └── TransportClosed    the host closed it under the driver, or the peer (reopen)
    │   ├── PortBusy           somebody else holds the port                        (retry later)
    │   ├── ProtocolViolation  an answer that breaks the protocol                  (reopen)
    │   ├── SweeperReported    the sweeper's own error queue said so               (retry)
    │   ├── SweepInvalid       an answer that cannot be a sweep: length, grid      (retry)
    │   ├── IdentityChanged    another instrument answers at this address          (ask the user)
    │   └── DriverFault        the driver raised something of its own, or hung     (reopen)
    │       └── DriverDied         the process of its own that it ran in is no more    (reopen)
    ├── UnitMismatch           a measurement that needs another unit than it got
    ├── ArchiveError           the archive cannot do what was asked
    │   ├── ArchiveLocked      another process writes this archive
    │   ├── ArchiveFull        no room to commit
    │   └── ArchiveDamaged     a file of the archive is not what it should be
    ├── BrokerError            the MQTT broker cannot be started or reached
    └── HostError              the machine (login manager, service manager) does not do it

Facts are attributes; the sentence is made from them in ``__str__`` or given whole where there is
nothing to look up. Wherever an error is turned into another it is chained with ``raise … from``.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "AcqdError",
    "ArchiveDamaged",
    "ArchiveError",
    "ArchiveFull",
    "ArchiveLocked",
    "BrokerError",
    "ConfigError",
    "ConfigProblem",
    "DriverDied",
    "DriverFault",
    "HostError",
    "IdentityChanged",
    "InputUnsafe",
    "NotReady",
    "PluginError",
    "PortBusy",
    "ProtocolViolation",
    "RequestRefused",
    "SourceLost",
    "SweepInvalid",
    "SweeperError",
    "SweeperReported",
    "TransportClosed",
    "TransportError",
    "TransportTimeout",
    "UnitMismatch",
    "WrongUsage",
]


ASKED_SHOWN = 300
"""Characters of what was asked for that a sentence repeats."""


class AcqdError(Exception):
    """Root of everything acqd raises on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigProblem:
    """One thing wrong in one place of a config file.

    ``where`` is the dotted path of table and key (``job.marine-vhf.rbw``), ``line`` counts from 1
    and is None where the text has no such place (a missing key names the line of its table).
    """

    file: str
    where: str
    line: int | None
    given: str | None
    problem: str
    accepted: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        given = "" if self.given is None else f" (given: {self.given})"
        return f"{place}: {self.where}: {self.problem}{given}; accepted: {self.accepted}"


class ConfigError(AcqdError):
    """A config that cannot be used, with every problem found, in file order."""

    def __init__(self, problems: tuple[ConfigProblem, ...]) -> None:
        self.problems = problems
        super().__init__(problems)

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


class WrongUsage(AcqdError):
    """A word that somebody gave to a command cannot be read, or names nothing there is."""


class PluginError(AcqdError):
    """A driver that cannot be used; names the distribution and its version."""

    def __init__(self, *, name: str, distribution: str, version: str, problem: str) -> None:
        self.name = name
        self.distribution = distribution
        self.version = version
        self.problem = problem
        super().__init__(name, distribution, version, problem)

    def __str__(self) -> str:
        return f"driver {self.name!r} of {self.distribution} {self.version}: {self.problem}"


class SweeperError(AcqdError):
    """Something wrong with one sweeper. Never more than that sweeper's sweeps are lost to it."""


class NotReady(SweeperError):
    """The world before a sweeper is not as its job asks for, so nothing was swept."""


class SourceLost(SweeperError):
    """A sweeper's source cannot be turned off, so that what it feeds must not be changed."""


class RequestRefused(SweeperError):
    """A request beyond what the sweeper can do. The limit is named and nothing was sent."""

    def __init__(self, *, setting: str, asked: str, limit: str) -> None:
        self.setting = setting
        self.asked = asked
        self.limit = limit
        super().__init__(setting, asked, limit)

    def __str__(self) -> str:
        asked = self.asked if self.asked.isprintable() else repr(self.asked)
        if len(asked) > ASKED_SHOWN:
            asked = f"{asked[:ASKED_SHOWN]}…"
        if self.setting == "address" or self.setting.startswith("option "):
            # What the config says of the sweeper, not what a sweep asks of it.
            return f"{self.setting}: {asked} is not accepted; accepted: {self.limit}"
        return f"{self.setting}: asked for {asked}, the sweeper's limit is {self.limit}"


class InputUnsafe(RequestRefused):
    """What can arrive at the input comes too near to what it stands, or nobody knows that."""

    def __init__(self, problem: str) -> None:
        self.problem = problem
        super().__init__(setting="power at the input", asked=problem, limit="the stated margin")

    def __str__(self) -> str:
        return self.problem


class TransportError(SweeperError, OSError):
    """The link to a sweeper broke."""


class TransportTimeout(TransportError, TimeoutError):
    """No complete answer by the deadline. What came so far is in ``partial``."""

    def __init__(self, message: str, *, partial: bytes = b"") -> None:
        self.partial = partial
        super().__init__(message)


class TransportClosed(TransportError):
    """The host closed the link, or the peer did."""


class PortBusy(TransportError):
    """Somebody else holds the port; nothing was written to it."""


class ProtocolViolation(SweeperError):
    """An answer that breaks the protocol it came by."""

    def __init__(self, *, expected: str, got: bytes | str) -> None:
        self.expected = expected
        self.got = got
        super().__init__(expected, got)

    def __str__(self) -> str:
        shown = repr(self.got[:60]) + ("…" if len(self.got) > 60 else "")
        return f"expected {self.expected}, got {shown}"


class SweeperReported(SweeperError):
    """The sweeper's own error queue was not empty after a request."""

    def __init__(self, errors: tuple[tuple[int, str], ...]) -> None:
        self.errors = errors
        super().__init__(errors)

    def __str__(self) -> str:
        said = "; ".join(f"{code} {text[:200]}" for code, text in self.errors)
        # Whatever the sweeper put in: it is shown on terminals and kept in logs.
        plain = "".join(letter if letter.isprintable() else "\ufffd" for letter in said)
        return f"the sweeper reports {plain}"


class SweepInvalid(SweeperError):
    """An answer that cannot be the sweep that was asked for."""


class IdentityChanged(SweeperError):
    """Another instrument answers at this address than the one the station knows there."""

    def __init__(self, *, expected: str, got: str) -> None:
        self.expected = expected
        self.got = got
        super().__init__(expected, got)

    def __str__(self) -> str:
        return f"expected {self.expected} at this address, {self.got} answers"


class DriverFault(SweeperError):
    """A driver raised something that is not a SweeperError, or did not come back in time."""


class DriverDied(DriverFault):
    """The process that a driver runs in ended by itself, or was ended for the memory it took."""

    def __init__(self, *, sweeper: str, doing: str, how: str) -> None:
        self.sweeper = sweeper
        self.doing = doing
        self.how = how
        super().__init__(sweeper, doing, how)

    def __str__(self) -> str:
        return f"{self.sweeper}: the process of its driver died in {self.doing}: {self.how}"


class UnitMismatch(AcqdError):
    """A measurement that needs another unit than the levels have."""

    def __init__(self, *, what: str, needs: str, got: str) -> None:
        self.what = what
        self.needs = needs
        self.got = got
        super().__init__(what, needs, got)

    def __str__(self) -> str:
        return f"{self.what} needs levels in {self.needs}, these are in {self.got}"


class ArchiveError(AcqdError):
    """The archive cannot do what was asked of it."""


class ArchiveLocked(ArchiveError):
    """Another process writes this archive."""


class ArchiveFull(ArchiveError):
    """There is no room to commit; what was committed before is safe."""


class ArchiveDamaged(ArchiveError):
    """A file of the archive is not what it should be."""


class BrokerError(AcqdError):
    """The MQTT broker cannot be started or reached."""


class HostError(AcqdError):
    """The machine does not do what was asked of it: its login manager, or its service manager."""
