"""The shack's own certificates: an authority, made once, and the broker's, made anew in time.

Both are made by the program ``openssl``. The authority's key never leaves the folder; the others
get the authority's certificate with the line that they paste, and trust nothing but that. So the
broker's certificate may change, for a new address or because it is old, and nobody has to join
again. Certificates begin a day early, for clocks that are not quite right.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import re
import shutil
import socket
import ssl
import subprocess
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from acqd.errors import BrokerError
from acqd.publish.sharing import locked, write_private

__all__ = [
    "AUTHORITY",
    "AUTHORITY_DAYS",
    "BROKER",
    "BROKER_DAYS",
    "RENEW_DAYS",
    "Certificate",
    "certificate_in",
    "ensure_certificates",
    "names_of_host",
    "own_addresses",
]

AUTHORITY, AUTHORITY_KEY = "authority.pem", "authority.key"
BROKER = "broker.pem"
"""The broker's certificate, and its key behind it."""

AUTHORITY_DAYS = 7300
BROKER_DAYS = 397
"""About what the CA/Browser Forum allows a server's certificate (from memory: 398 days)."""
RENEW_DAYS = 30
"""So long before its end the broker's is made anew, by the running station."""
EARLY_DAYS = 1
DAY_S = 86_400.0
PLAUSIBLE_FROM_S = 1_735_689_600.0
"""2025-01-01: a clock before that was never set, and its certificates would be of no use."""
PROGRAM_S = 30.0

_CONFIG = """\
[req]
distinguished_name = name
prompt = no
[name]
commonName = {name}
[ca]
default_ca = here
[here]
database = {folder}/index.txt
new_certs_dir = {folder}
rand_serial = yes
default_md = sha256
policy = any
unique_subject = no
[any]
commonName = supplied
[authority]
basicConstraints = critical,CA:TRUE,pathlen:0
keyUsage = critical,keyCertSign
subjectKeyIdentifier = hash
[broker]
basicConstraints = critical,CA:FALSE
keyUsage = critical,digitalSignature
extendedKeyUsage = serverAuth
authorityKeyIdentifier = keyid
subjectAltName = {names}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """What a certificate says: from when to when it holds, and for which names and addresses."""

    from_s: float
    to_s: float
    names: frozenset[str] = frozenset()

    def left_days(self, now_s: float) -> float:
        """Days until it ends; negative where it has ended."""
        return (self.to_s - now_s) / DAY_S


def certificate_in(path: Path) -> Certificate | None:
    """The certificate at ``path``; None where there is no such file.

    Raises:
        BrokerError: it cannot be read, or openssl is missing.
    """
    if not path.exists():
        return None
    said = _openssl(
        *("x509", "-in", str(path), "-noout", "-startdate", "-enddate", "-ext", "subjectAltName"),
        doing=f"reading {path}",
    )
    ends = dict(re.findall(r"(notBefore|notAfter)=(.+)", said))
    names = re.findall(r"(?:DNS|IP Address):([^,\s]+)", said)
    try:
        return Certificate(
            from_s=float(ssl.cert_time_to_seconds(ends["notBefore"].strip())),
            to_s=float(ssl.cert_time_to_seconds(ends["notAfter"].strip())),
            names=frozenset(_plain(name) for name in names),
        )
    except (KeyError, ValueError) as exc:
        raise BrokerError(f"{path}: openssl says nothing of a certificate's time") from exc


def ensure_certificates(
    folder: Path,
    *,
    station: str,
    names: Sequence[str],
    now_s: float,
    days: float = BROKER_DAYS,
) -> tuple[Certificate, bool]:
    """The broker's certificate of ``folder``, and whether it was made just now.

    The authority is made where there is none. The broker's is made anew where it is missing, ends
    within :data:`RENEW_DAYS`, or lacks one of ``names``. Takes some tenths of a second.

    Raises:
        BrokerError: openssl is missing or fails, the folder cannot be written, the clock was never
            set, or the authority has ended.
    """
    wanted = frozenset(_plain(name) for name in names)
    with locked(folder):
        try:
            return _ensured(folder, station, wanted, now_s, days)
        except OSError as exc:
            raise BrokerError(
                f"{folder}: the shack's folder cannot be used: {exc.strerror or exc}; give another "
                "`folder` in [mqtt.serve]"
            ) from exc


def _ensured(
    folder: Path, station: str, wanted: frozenset[str], now_s: float, days: float
) -> tuple[Certificate, bool]:
    authority = certificate_in(folder / AUTHORITY)
    if authority is None:
        _refuse_wild_clock(now_s)
        _make_authority(folder, station, now_s)
        authority = _there(folder / AUTHORITY)
    if authority.to_s < now_s + DAY_S:
        raise BrokerError(
            f"{folder / AUTHORITY}: the shack's authority ends or has ended "
            f"({_date(authority.to_s)}), by this machine's clock; is the clock right? If so "
            "remove it and its key, start anew, and let all stations join again"
        )
    broker = certificate_in(folder / BROKER)
    if broker is not None and broker.left_days(now_s) >= RENEW_DAYS and wanted <= broker.names:
        return broker, False
    _refuse_wild_clock(now_s)
    ends_s = min(now_s + days * DAY_S, authority.to_s)
    _make_broker(folder, station, sorted(wanted), now_s, ends_s)
    return _there(folder / BROKER), True


def _there(path: Path) -> Certificate:
    made = certificate_in(path)
    if made is None:
        raise BrokerError(f"{path}: it was made, and is gone")
    return made


def _refuse_wild_clock(now_s: float) -> None:
    if now_s < PLAUSIBLE_FROM_S:
        raise BrokerError(
            f"this machine's clock says {_date(now_s)}, so no certificate can be made; set the "
            "clock first (timedatectl)"
        )


def _make_authority(folder: Path, station: str, now_s: float) -> None:
    with tempfile.TemporaryDirectory(prefix="acqd-") as work:
        key, made = Path(work) / "key.pem", Path(work) / "made.pem"
        _sign(
            *(Path(work), f"acqd shack of {station}", "authority", ["DNS:localhost"]),
            *("-selfsign", "-keyfile", str(key)),
            ends_s=now_s + AUTHORITY_DAYS * DAY_S,
            now_s=now_s,
        )
        write_private(folder / AUTHORITY_KEY, key.read_text("ascii"))
        write_private(folder / AUTHORITY, made.read_text("ascii"))


def _make_broker(
    folder: Path, station: str, names: Sequence[str], now_s: float, ends_s: float
) -> None:
    with tempfile.TemporaryDirectory(prefix="acqd-") as work:
        entries = [f"{'IP' if _is_address(name) else 'DNS'}:{name}" for name in names]
        _sign(
            *(Path(work), f"acqd broker of {station}", "broker", entries),
            *("-cert", str(folder / AUTHORITY), "-keyfile", str(folder / AUTHORITY_KEY)),
            ends_s=ends_s,
            now_s=now_s,
        )
        # In one file, so that no power cut leaves a key beside another one's certificate.
        both = [(Path(work) / name).read_text("ascii") for name in ("made.pem", "key.pem")]
        write_private(folder / BROKER, "".join(both))


def _sign(
    work: Path,
    name: str,
    extensions: str,
    names: Sequence[str],
    *by: str,
    ends_s: float,
    now_s: float,
) -> None:
    """Make ``key.pem`` and ``made.pem`` in ``work``, a folder of our own."""
    config, key, wish = work / "config", work / "key.pem", work / "wish.pem"
    config.write_text(
        _CONFIG.format(folder=work, name=name, names=",".join(names) or "DNS:localhost"), "utf-8"
    )
    (work / "index.txt").write_text("")
    doing = f"making the {extensions}'s certificate"
    _openssl(
        *("genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256", "-out", str(key)),
        doing=doing,
    )
    _openssl(
        "req", "-new", "-key", str(key), "-config", str(config), "-out", str(wish), doing=doing
    )
    begins_s = min(now_s - EARLY_DAYS * DAY_S, ends_s - 1.0)
    _openssl(
        *("ca", "-batch", "-notext", "-config", str(config), "-extensions", extensions),
        *("-in", str(wish), "-out", str(work / "made.pem"), *by),
        *("-startdate", _asn1(begins_s), "-enddate", _asn1(ends_s)),
        doing=doing,
    )


def _openssl(*arguments: str, doing: str) -> str:
    program = shutil.which("openssl")
    if program is None:
        raise BrokerError(
            "openssl is not installed, which makes the shack's certificates: `apt install openssl` "
            "(or your system's way); plain = true in [mqtt.serve] does without, readable for all"
        )
    try:
        done = subprocess.run(
            [program, *arguments],
            capture_output=True,
            text=True,
            timeout=PROGRAM_S,
            check=False,
            stdin=subprocess.DEVNULL,
            env={**os.environ, "LC_ALL": "C"},
        )
    except (OSError, subprocess.SubprocessError) as exc:
        raise BrokerError(f"{doing}: openssl does not work: {type(exc).__name__}") from exc
    if done.returncode != 0:
        lines = [line for line in done.stderr.splitlines() if line.strip()]
        raise BrokerError(f"{doing}: openssl says: {' / '.join(lines[-2:])[:300]}")
    return done.stdout


def names_of_host(more: Sequence[str] = ()) -> tuple[str, ...]:
    """What others may reach this machine by: its names, also as mDNS has them, its addresses."""
    host = socket.gethostname().split(".")[0].lower()
    found = [*more, "localhost", "127.0.0.1", "::1"]
    if re.fullmatch(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?", host):
        found += [host, f"{host}.local"]
    with contextlib.suppress(OSError):
        full = socket.getfqdn().lower()
        if re.fullmatch(r"[a-z0-9][a-z0-9.-]{0,251}[a-z0-9]", full):
            found.append(full)
    return tuple(dict.fromkeys([*found, *own_addresses()]))


def own_addresses() -> tuple[str, ...]:
    """The addresses of this machine in its networks, IPv4 first. Without those of loopback and of
    one link, and IPv6 ones of the internet, of which many systems take a new one each day."""
    import ifaddr

    found: list[str] = []
    for adapter in ifaddr.get_adapters():
        for each in adapter.ips:
            text = each.ip if isinstance(each.ip, str) else each.ip[0]
            with contextlib.suppress(ValueError):
                address = ipaddress.ip_address(text.partition("%")[0])
                is_near = address.version == 4 or address.is_private
                if is_near and not address.is_loopback and not address.is_link_local:
                    found.append(str(address))
    return tuple(sorted(dict.fromkeys(found), key=lambda text: (":" in text, text)))


def _plain(name: str) -> str:
    """One way to write a name or an address."""
    try:
        return str(ipaddress.ip_address(name))
    except ValueError:
        return name.lower()


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _asn1(at_s: float) -> str:
    return time.strftime("%Y%m%d%H%M%SZ", time.gmtime(at_s))


def _date(at_s: float) -> str:
    return time.strftime("%Y-%m-%d", time.gmtime(at_s))
