"""Tries an account at a broker, as the station that joins will use it: and says what is wrong.

Every way to fail is one sentence of what to do; none of them has the password in it.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import ssl
from dataclasses import dataclass, replace
from typing import Any

import aiomqtt

from acqd.errors import BrokerError
from acqd.publish.link import Link, PublishRefused, connection, new_link, reachable
from acqd.publish.refusals import EXPIRED, NOT_LET_IN, NOT_YET, OTHER_NAME
from acqd.publish.settings import BrokerSettings, MqttVersion
from acqd.publish.threads import OwnThreads
from acqd.publish.topics import TRIAL, Topics

__all__ = ["Tried", "tls_problem", "try_account"]

LISTEN_S = 0.7
"""For what is retained: it follows the subscription at once."""
NOBODY = "acqd-join-test"
"""Stands in for another station; the message, which nobody keeps, must be refused."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What an account may do, as the broker itself says."""

    may_write_own: bool
    may_write_others: bool
    online_run: str | None
    """``run_id`` of a station of this name that is online there now; None where none is."""


async def try_account(settings: BrokerSettings, station: str, *, of: str = "") -> Tried:
    """Connect, read, write below ``station``'s name, and try to write below another's.

    ``of``: what to call whose broker it is, for sentences.

    Raises:
        BrokerError: it does not work, with the reason and what to do.
    """
    settings = replace(settings, version=MqttVersion.V5)
    tls = settings.tls_context()
    threads = OwnThreads("mqtt")
    where = f"{of + ', ' if of else ''}{settings.address}"
    try:
        async with asyncio.timeout(3 * settings.timeout_s):
            await reachable(settings, tls, threads)
            link = new_link(
                settings, client_id=f"acqd-join-{secrets.token_hex(6)}", tls=tls, threads=threads
            )
            async with connection(link):
                return await _tried(link, Topics(station, settings.topic_root), settings)
    except ssl.SSLCertVerificationError as exc:
        raise BrokerError(f"broker of {where}: {tls_problem(exc)}") from exc
    except (ssl.SSLError, ConnectionResetError) as exc:
        reason = exc.reason if isinstance(exc, ssl.SSLError) else "it hangs up"
        raise BrokerError(
            f"broker of {where}: something answers that speaks no TLS, or none that is known "
            f"here ({reason}); is this the port of [mqtt.serve] there?"
        ) from exc
    except aiomqtt.MqttError as exc:
        raise BrokerError(f"broker of {where}: {_mqtt_problem(exc)}") from exc
    except (OSError, TimeoutError) as exc:
        raise BrokerError(
            f"broker of {where} cannot be reached: {_reason(exc)}; does the station run there, is "
            "this its address, and does a firewall there let the port through?"
        ) from exc


async def _tried(link: Link, topics: Topics, settings: BrokerSettings) -> Tried:
    codes = await link.subscribe(topics.status, 1, timeout=settings.timeout_s)
    if any(getattr(code, "is_failure", False) for code in codes):
        raise BrokerError("the broker lets this account in, and does not let it hear its station")
    online = await _online(link)
    others = Topics(NOBODY, settings.topic_root)
    return Tried(
        may_write_own=await _may_write(link, f"{topics.base}/{TRIAL}"),
        may_write_others=await _may_write(link, f"{others.base}/{TRIAL}"),
        online_run=online,
    )


async def _online(link: Link) -> str | None:
    """The run of the station of this name that is online, by what is retained."""
    try:
        async with asyncio.timeout(LISTEN_S):
            async for message in link.messages:
                said = _object(message.payload)
                return str(said.get("run_id")) if said.get("state") == "online" else None
    except TimeoutError:
        pass
    return None


def _object(payload: Any) -> dict[str, Any]:
    try:
        said = json.loads(payload)
    except (ValueError, TypeError):
        return {}
    return said if isinstance(said, dict) else {}


async def _may_write(link: Link, topic: str) -> bool:
    try:
        await link.put(topic, b"{}", qos=1, retain=False)
    except PublishRefused:
        return False
    return True


def tls_problem(exc: ssl.SSLCertVerificationError) -> str:
    """What is wrong with a certificate, and what helps."""
    if exc.verify_code == NOT_YET:
        return (
            "its certificate begins in the future by this machine's clock: set the clock here "
            "(timedatectl), or there if that is the wrong one"
        )
    if exc.verify_code == EXPIRED:
        return (
            "its certificate has ended by this machine's clock: if the clocks are right, start "
            "the station there anew, which makes another one"
        )
    if exc.verify_code in OTHER_NAME:
        return (
            "its certificate is for other names and addresses: add this one to `names` in "
            "[mqtt.serve] there"
        )
    return (
        f"its certificate is not of the authority that the line brought ({exc.verify_message}): "
        "get a new line with `acqd share` there"
    )


def _mqtt_problem(exc: aiomqtt.MqttError) -> str:
    code = getattr(exc, "rc", None)
    code = getattr(code, "value", code)
    if code in NOT_LET_IN:
        return (
            "it does not take this name and password: was the account removed or made anew? "
            "get a new line with `acqd share` there"
        )
    return str(exc)


def _reason(exc: OSError | TimeoutError) -> str:
    if isinstance(exc, TimeoutError) and not exc.args:
        return "no answer in time"
    return exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
