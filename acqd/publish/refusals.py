"""Why there is no connection to a broker, in a line that says what to do; nothing secret is in it.

What TLS, the system and the broker say is kept in brackets where it may help whoever looks closer.
"""

from __future__ import annotations

import ssl

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from acqd.publish.settings import BrokerSettings

__all__ = ["EXPIRED", "NOT_LET_IN", "NOT_YET", "OTHER_NAME", "why_away"]

NOT_YET, EXPIRED, OTHER_NAME = 9, 10, frozenset({62, 64})
"""Of OpenSSL's X509_V_ERR codes (x509_vfy.h): what a certificate failed by."""

NOT_LET_IN = frozenset({4, 5, 134, 135})
"""CONNACK, of MQTT 3.1.1 and 5: bad user name or password, not authorised."""

_WANTS_ONE_OF_OURS = ("CERTIFICATE_REQUIRED", "HANDSHAKE_FAILURE")
NO_ANSWER = "no answer in time"


def why_away(exc: BaseException, settings: BrokerSettings) -> str:
    """What to say of ``exc``; of a group, of the first in it that says something."""
    if isinstance(exc, BaseExceptionGroup):
        said = (why_away(one, settings) for one in exc.exceptions)
        return next((text for text in said if text != NO_ANSWER), NO_ANSWER)
    if isinstance(exc, ssl.SSLCertVerificationError):
        return _of_certificate(exc, settings)
    if isinstance(exc, ssl.SSLError):
        return _of_tls(exc)
    if isinstance(exc, aiomqtt.MqttError):
        return _of_mqtt(exc, settings)
    if isinstance(exc, ConnectionResetError) and settings.address.tls:
        return f"it hangs up: is {settings.address} its port for TLS, and are we let in there?"
    return str(exc) or NO_ANSWER


def _of_certificate(exc: ssl.SSLCertVerificationError, settings: BrokerSettings) -> str:
    if exc.verify_code == NOT_YET:
        return (
            "its certificate begins in the future by this machine's clock: set the clock here "
            "(timedatectl), or there if that is the wrong one"
        )
    if exc.verify_code == EXPIRED:
        return (
            "its certificate has ended by this machine's clock: if the clocks are right, whoever "
            "runs that broker must renew it"
        )
    if exc.verify_code in OTHER_NAME:
        return (
            f"its certificate is not for {settings.address.host}: give `broker` in [mqtt] a name "
            "that stands in it, or have this one put into it"
        )
    if settings.ca_file is None:
        return (
            f"its certificate is of no authority that this machine knows ({exc.verify_message}): "
            "if it is the right broker, give its authority's certificate as `ca_file` in [mqtt]"
        )
    return (
        f"its certificate is not of the authority in {settings.ca_file} ({exc.verify_message}): is "
        "that the right file, or does somebody else answer there?"
    )


def _of_tls(exc: ssl.SSLError) -> str:
    reason = exc.reason or "no TLS"
    if any(word in reason for word in _WANTS_ONE_OF_OURS):
        return (
            f"it wants a certificate of ours, or no TLS that is known here ({reason}): acqd shows "
            "none; have it let the station in by user and password"
        )
    return (
        f"something answers there that speaks no TLS, or none that is known here ({reason}): is "
        "this its port for TLS? Without TLS the address begins with mqtt://"
    )


def _of_mqtt(exc: aiomqtt.MqttError, settings: BrokerSettings) -> str:
    code = getattr(exc, "rc", None)
    is_refusal = isinstance(exc, MqttConnectError)
    if not is_refusal or getattr(code, "value", code) not in NOT_LET_IN:
        return str(exc) or NO_ANSWER
    if settings.user is None and settings.password is None:
        return (
            f"it does not let us in ({exc}): give `user` and password_file (or password_env) in "
            "[mqtt]"
        )
    return (
        f"it does not let us in ({exc}): see `user` and password_file (or password_env) in [mqtt], "
        "and the account there"
    )
