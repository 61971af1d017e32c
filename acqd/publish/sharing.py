"""Who may come to a served broker, and what each may say and hear there.

The accounts of a shack are one file, ``accounts.json`` in the folder of ``[mqtt.serve]``, for its
user alone. What the broker reads is made of it: a file of passwords, which mosquitto's own program
has hashed, and a list of topics. A station writes what a station has to say, below its own name and
nowhere else; a viewer writes nothing, an administrator commands and nothing else. A password is
known where it is made and where it is pasted; no file here has it.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import re
import secrets
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args

from acqd.errors import BrokerError, WrongUsage
from acqd.publish.topics import COMMAND, checked_level, station_writes

__all__ = [
    "ACCOUNTS",
    "Account",
    "AccountKind",
    "acl_text",
    "changing_accounts",
    "checked_filters",
    "locked",
    "new_account",
    "password_text",
    "read_accounts",
    "write_private",
]

ACCOUNTS = "accounts.json"
ACCOUNTS_MOST = 200
FILTER_MOST = 200
"""Characters of a topic filter, and how many of them an account may have."""
FILTERS_MOST = 50
HASHING_S = 20.0
_HASH = re.compile(r"\$[67]\$[A-Za-z0-9$+/=]{20,400}")

AccountKind = Literal["station", "viewer", "administrator"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """One that may log in. ``hashed`` is as mosquitto's file of passwords wants it."""

    name: str
    kind: AccountKind
    hashed: str = field(repr=False)
    made_s: float
    reads: tuple[str, ...] = ()
    """Topic filters that it may hear beside those of all stations."""
    writes: tuple[str, ...] = ()
    """Topic filters that it may write beside its own subtree; none of them a station's."""


def new_account(
    name: str,
    kind: AccountKind,
    *,
    now_s: float,
    reads: Sequence[str] = (),
    writes: Sequence[str] = (),
    root: str,
) -> tuple[Account, str]:
    """An account and its password, which is random, 144 bits, and kept nowhere.

    Raises:
        WrongUsage: a name that is no level of a topic, a filter that is none, or one that would
            let a station write what is another's.
        BrokerError: mosquitto's program for passwords is missing, or fails.
    """
    try:
        checked_level(name)
    except ValueError as exc:
        raise WrongUsage(
            f"{name!r} cannot be a name here: expected 1 to 32 of a-z 0-9 _ -, for a station the "
            "name in its [station]"
        ) from exc
    if kind != "station" and writes:
        does = "writes nothing" if kind == "viewer" else "writes commands alone"
        raise WrongUsage(
            f"a{'n' if kind[0] == 'a' else ''} {kind} {does}; give --writes to a station"
        )
    password = secrets.token_urlsafe(18)
    account = Account(
        name=name,
        kind=kind,
        hashed=_hashed(name, password),
        made_s=now_s,
        reads=checked_filters(reads, root=root, may_write=False),
        writes=checked_filters(writes, root=root, may_write=True),
    )
    return account, password


def checked_filters(filters: Sequence[str], *, root: str, may_write: bool) -> tuple[str, ...]:
    """``filters`` where they are topic filters; to write, only where no station's topic is in it.

    Raises:
        WrongUsage: one of them cannot be had.
    """
    if len(filters) > FILTERS_MOST:
        raise WrongUsage(f"{len(filters)} topic filters; at most {FILTERS_MOST} for an account")
    for text in filters:
        if not _is_filter(text):
            raise WrongUsage(
                f"{text!r} is no topic filter; expected such as shack/relay/state or shack/#, at "
                f"most {FILTER_MOST} characters"
            )
        if may_write and _meets(text.split("/"), [*root.split("/"), "#"]):
            raise WrongUsage(
                f"--writes {text}: topics of stations are in it; a station writes below its own "
                "name alone, and what it writes beside that is named more closely"
            )
    return tuple(dict.fromkeys(filters))


def _is_filter(text: str) -> bool:
    levels = text.split("/")
    return (
        0 < len(text) <= FILTER_MOST
        and text.isprintable()
        and not text.startswith("$")
        and text == text.strip()
        and all(level in ("+", "#") or not set("+#") & set(level) for level in levels)
        and "#" not in levels[:-1]
    )


def _meets(one: Sequence[str], other: Sequence[str]) -> bool:
    """Whether a topic can match both filters."""
    if not one or not other:
        # "a/#" matches "a" as well.
        return [*one, *other] in ([], ["#"])
    if "#" in (one[0], other[0]):
        return True
    if one[0] != other[0] and "+" not in (one[0], other[0]):
        return False
    return _meets(one[1:], other[1:])


def _hashed(name: str, password: str) -> str:
    """What mosquitto_passwd makes of a password, handed to it in a file that nobody else can read:
    on a command line every user of this machine would see it."""
    program = shutil.which("mosquitto_passwd", path=f"{os.environ.get('PATH', '')}:/usr/bin")
    if program is None:
        raise BrokerError(
            "mosquitto_passwd is not installed, which comes with mosquitto: "
            "`apt install mosquitto` (or your system's way)"
        )
    with tempfile.TemporaryDirectory(prefix="acqd-") as folder:
        file = Path(folder) / "passwords"
        write_private(file, f"{name}:{password}\n")
        try:
            done = subprocess.run(
                [program, "-U", str(file)], capture_output=True, timeout=HASHING_S, check=False
            )
            hashed = file.read_text("utf-8").strip().removeprefix(f"{name}:")
        except (OSError, subprocess.SubprocessError, UnicodeDecodeError) as exc:
            raise BrokerError(f"{program} does not work: {type(exc).__name__}") from exc
    if done.returncode != 0 or not _HASH.fullmatch(hashed):
        raise BrokerError(f"{program} made no password file (code {done.returncode})")
    return hashed


def password_text(accounts: Sequence[Account]) -> str:
    """The broker's file of passwords."""
    return "".join(f"{account.name}:{account.hashed}\n" for account in accounts)


def acl_text(accounts: Sequence[Account], *, root: str) -> str:
    """The broker's list of who may say and hear what. Whoever is not in it may nothing."""
    lines = ["# Generated anew at each start and each change."]
    for account in accounts:
        lines += [f"user {account.name}", f"topic read {root}/#"]
        if account.kind == "station":
            lines += [f"topic write {root}/{account.name}/{what}" for what in station_writes()]
        elif account.kind == "administrator":
            lines.append(f"topic write {root}/+/{COMMAND}")
        lines += [f"topic read {text}" for text in account.reads]
        lines += [f"topic write {text}" for text in account.writes]
    return "\n".join(lines) + "\n"


def read_accounts(folder: Path) -> tuple[Account, ...]:
    """The accounts kept in ``folder``; none where there is no file yet.

    Raises:
        BrokerError: the file cannot be read, or is none of ours.
    """
    path = folder / ACCOUNTS
    try:
        kept = json.loads(path.read_text("utf-8"))
        return tuple(_account(one) for one in kept["accounts"])
    except FileNotFoundError:
        return ()
    except OSError as exc:
        raise BrokerError(f"{path}: the accounts cannot be read: {exc.strerror or exc}") from exc
    except (ValueError, KeyError, TypeError) as exc:
        raise BrokerError(
            f"{path}: this is no list of accounts; put back a good copy, or remove it and make "
            "them anew with acqd share"
        ) from exc


def _account(kept: dict[str, Any]) -> Account:
    account = Account(
        name=checked_level(kept["name"]),
        kind=kept["kind"] if kept["kind"] in get_args(AccountKind) else "viewer",
        hashed=str(kept["hashed"]),
        made_s=float(kept["made_s"]),
        reads=tuple(map(str, kept["reads"])),
        writes=tuple(map(str, kept["writes"])),
    )
    # What is written into files of lines must be one.
    if not all(map(_is_filter, (*account.reads, *account.writes))):
        raise ValueError("a filter that is none")
    if not _HASH.fullmatch(account.hashed):
        raise ValueError("a password that is not hashed")
    return account


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """The shack's folder, which is made where it is missing, for one process at a time.

    Raises:
        BrokerError: it cannot be used.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        lock = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as exc:
        raise BrokerError(
            f"{folder}: the shack's folder cannot be used: {exc.strerror or exc}; run this as the "
            "station's user, or give another `folder` in [mqtt.serve]"
        ) from exc
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
    finally:
        os.close(lock)


@contextlib.contextmanager
def changing_accounts(folder: Path) -> Iterator[dict[str, Account]]:
    """The accounts of ``folder`` by name, to be changed; kept at the end unless something raised.
    One at a time: another that changes them meanwhile waits.

    Raises:
        BrokerError: the folder cannot be used, or there are too many accounts.
    """
    with locked(folder):
        accounts = {account.name: account for account in read_accounts(folder)}
        yield accounts
        if len(accounts) > ACCOUNTS_MOST:
            raise BrokerError(f"{len(accounts)} accounts; at most {ACCOUNTS_MOST} for a shack")
        kept = {"version": 1, "accounts": [asdict(one) for one in accounts.values()]}
        try:
            write_private(folder / ACCOUNTS, json.dumps(kept, indent=1) + "\n")
        except OSError as exc:
            raise BrokerError(f"{folder}: cannot be written: {exc.strerror or exc}") from exc


def write_private(path: Path, text: str) -> None:
    """Put ``text`` in the place of ``path``, whole or not at all, for its user alone (0600).

    Raises:
        OSError: it cannot be written.
    """
    other = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        made = os.open(other, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        with os.fdopen(made, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        other.replace(path)
    finally:
        other.unlink(missing_ok=True)
