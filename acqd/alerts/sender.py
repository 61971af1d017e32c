"""A program of its own that posts an alert, or hands it to Apprise: python -m acqd.alerts.sender

The libraries take memory and time to load, resolve names, and run code of many hands; here they can
hang, flood or crash, and nobody waits for them longer than the way's time limit. What to do comes
as JSON on standard input, secrets with it, so that they stand in no list of processes. What became
of each address goes out at once as one line, so that it is known also where the next one hangs and
all of it is killed. Problems are told in words of ours: those of libraries and of servers
may repeat a secret.
"""

from __future__ import annotations

import json
import os
import re
import ssl
import sys
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

__all__ = ["main"]

READ_MOST_BYTES = 1 << 20
REFUSED = (400, 405, 406, 409, 410, 411, 413, 414, 415, 422)
"""Answers that say that it is this alert that is not wanted: more of the same will not help."""


def main() -> int:
    """Do what standard input asks; the exit code is 0 whatever becomes of it."""
    asked = json.loads(sys.stdin.buffer.read(READ_MOST_BYTES))
    # Whatever a library writes must not stand where the answer is read.
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    for at in asked["left"]:
        if asked["kind"] == "post":
            result = _post(asked["urls"][at], asked["headers"], asked["payload"], asked["limit_s"])
        else:
            result = _apprise(asked["urls"][at], asked["payload"], only_look=asked["only_look"])
        answers.write(json.dumps({"at": at, **result}) + "\n")
        answers.flush()
    answers.close()
    return 0


def _well() -> dict[str, Any]:
    return {"ok": True, "problem": "", "refused": False}


def _not(problem: str, *, refused: bool = False) -> dict[str, Any]:
    return {"ok": False, "problem": problem, "refused": refused}


def _status(code: int) -> str:
    try:
        return f"HTTP {code} {HTTPStatus(code).phrase}"
    except ValueError:
        return f"HTTP {code}"


# --- HTTP POST ------------------------------------------------------------------------------------


def _post(
    url: str, headers: Mapping[str, str], payload: Mapping[str, Any], limit_s: float
) -> dict[str, Any]:
    import urllib.error
    import urllib.request

    class Stay(urllib.request.HTTPRedirectHandler):
        """A POST that is sent on becomes a GET, and its headers go to somebody else."""

        def redirect_request(self, *args: Any, **kwargs: Any) -> None:
            return None

    body = json.dumps(payload, ensure_ascii=False).encode()
    own = {"Content-Type": "application/json; charset=utf-8", "User-Agent": "acqd"}
    try:
        request = urllib.request.Request(url, body, {**own, **headers}, method="POST")
        with urllib.request.build_opener(Stay()).open(request, timeout=limit_s) as answer:
            answer.read(1024)
    except urllib.error.HTTPError as exc:
        exc.close()
        if 300 <= exc.code < 400:
            return _not(f"{_status(exc.code)}: it has another address now", refused=False)
        return _not(_status(exc.code), refused=exc.code in REFUSED)
    except (OSError, ValueError) as exc:
        return _not(_reason(exc))
    except Exception as exc:  # http.client has errors of its own for answers that are none
        return _not(f"no HTTP answer ({type(exc).__name__})")
    return _well()


def _reason(exc: Exception) -> str:
    """Why there was no answer, in words that hold nothing of the address."""
    inner = getattr(exc, "reason", None)
    if isinstance(inner, Exception):
        return _reason(inner)
    if isinstance(exc, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted: {exc.verify_message}"
    if isinstance(exc, ssl.SSLError):
        return "no TLS with it"
    if isinstance(exc, TimeoutError):
        return "no answer in time"
    if isinstance(exc, OSError):
        if type(exc).__name__ == "gaierror":
            return "its name is not known"
        return (os.strerror(exc.errno) if exc.errno else "no connection").lower()
    return "not a URL that can be posted to"


# --- Apprise --------------------------------------------------------------------------------------


def _apprise(url: str, payload: Mapping[str, Any], *, only_look: bool) -> dict[str, Any]:
    """``only_look``: whether Apprise can make anything of the address; nothing is sent."""
    import logging

    lines: list[str] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if len(lines) < 200:
                lines.append(record.getMessage()[:1000])

    logger = logging.getLogger("apprise")
    logger.handlers, logger.propagate = [Keep()], False
    logger.setLevel(logging.INFO)
    import apprise

    asset = apprise.AppriseAsset(
        app_id="acqd",
        app_desc=str(payload["station"]),
        app_url="",
        image_url_mask=None,
        image_url_logo=None,
        async_mode=False,
        storage_mode=apprise.PersistentStoreMode.MEMORY,
        secure_logging=True,
    )
    service = apprise.Apprise(asset=asset)
    if not service.add(url):
        return _not("not a URL that Apprise knows; its documentation has the form of each service")
    if only_look:
        return _well()
    sent = service.notify(
        title=str(payload["title"]),
        body=str(payload["text"]),
        notify_type=_type(payload),
        body_format=apprise.NotifyFormat.TEXT,
    )
    return _well() if sent else _judged(lines)


def _type(payload: Mapping[str, Any]) -> str:
    if payload["state"] == "all clear":
        return "success"
    if payload["state"] in ("alert", "still", "more"):
        return "failure" if payload["urgent"] else "warning"
    return "info"


def _judged(lines: Sequence[str]) -> dict[str, Any]:
    """Why the service did not take it, as far as what Apprise logged lets us know."""
    said = "\n".join(lines)
    code = re.search(r"error=(\d{3})\b", said)
    if code is not None:
        number = int(code[1])
        return _not(f"the service answers {_status(number)}", refused=number in REFUSED)
    if re.search(r"connection error|socket|timed out|timeout", said, re.IGNORECASE):
        return _not("no connection to the service")
    return _not("the service did not take it")


if __name__ == "__main__":
    sys.exit(main())
