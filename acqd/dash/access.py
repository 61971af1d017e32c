"""Who may look: by the address on loopback, by a token from anywhere else.

A page of somebody else's in the same browser must get nothing: on loopback the name that the
browser asked for has to be one of this machine's (a name that was turned to 127.0.0.1 is not), and
a WebSocket has to come from our own page. The token comes once, in the URL, and goes into a cookie
that no script sees and no other site's link brings along.

Not promised: secrecy on the way. The page is plain HTTP; where others can listen put a proxy with
TLS in front (``--name`` tells by which names it is then called).
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
from collections.abc import Sequence
from urllib.parse import urlencode, urlsplit

from aiohttp import web

__all__ = ["COOKIE", "HEADERS", "TOKEN_LEAST", "Access", "is_loopback_host"]

COOKIE = "acqd-dash-"
"""What the cookie's name begins with; the rest is of the token, for all ports share a host's
cookies."""
COOKIE_S = 30 * 86_400
TOKEN_LEAST = 16
"""Characters of a token; those that are made here have 128 bits."""

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self'; img-src 'self' data:; connect-src 'self'; object-src 'none'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Server": "acqd",
}

AGAIN = """<!doctype html><html lang="en"><meta charset="utf-8"><title>acqd</title>
<meta http-equiv="refresh" content="0"><p>One moment.</p></html>"""

REFUSED = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width"><title>acqd: not let in</title>
<h1>Not let in</h1><p>This page wants a token. Open the address that <code>acqd dash</code>
printed, or scan its code: both bring the token along, and this browser remembers it.</p></html>"""


def is_loopback_host(host: str) -> bool:
    """True where only this machine can be meant."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost" or host.endswith(".localhost")


class Access:
    """Decides on each request.

    Args:
        host: where the server listens.
        token: what has to be shown; None only where ``host`` is loopback.
        names: further host names by which the page may be called.
    """

    def __init__(self, host: str, token: str | None, names: Sequence[str] = ()) -> None:
        if token is None and not is_loopback_host(host):
            raise ValueError(f"{host} is no loopback address: a token is needed")
        self.token = token
        self._is_loopback = is_loopback_host(host)
        self._names = {host.strip("[]").lower(), *(name.lower() for name in names)}
        key = (token or "").encode()
        self._cookie = hmac.new(key, b"acqd dash cookie", hashlib.sha256).hexdigest()
        self._name = COOKIE + hmac.new(key, b"acqd dash name", hashlib.sha256).hexdigest()[:8]

    def knows_name(self, request: web.BaseRequest) -> bool:
        """Whether the request is for a name of ours. Anything goes where a token is asked for on
        an address that others reach: the cookie of another name is another cookie."""
        host = _host_of(request.headers.get("Host", ""))
        return not self._is_loopback or is_loopback_host(host) or host in self._names

    def same_origin(self, request: web.BaseRequest) -> bool:
        """Whether a WebSocket comes from our own page, or from no page at all."""
        origin = request.headers.get("Origin")
        if origin is None:
            return True  # a browser always says it
        try:
            asked = urlsplit(origin)
        except ValueError:
            return False
        if asked.scheme not in ("http", "https"):
            return False
        if asked.netloc.lower() == request.headers.get("Host", "").lower():
            return True
        return (asked.hostname or "") in self._names and not is_loopback_host(asked.hostname or "")

    def lets_in(self, request: web.BaseRequest) -> bool:
        """Whether the request shows the token, as a cookie or as ``Authorization: Bearer``."""
        if self.token is None:
            return True
        shown = request.cookies.get(self._name, "")
        if hmac.compare_digest(shown.encode("utf-8", "replace"), self._cookie.encode()):
            return True
        bearer = request.headers.get("Authorization", "").removeprefix("Bearer ")
        return self._is_token(bearer)

    def exchanged(self, request: web.BaseRequest) -> web.Response | None:
        """Where the token is in the URL: the cookie, and the way to the URL without it."""
        if self.token is None or "token" not in request.query:
            return None
        if not self._is_token(request.query["token"]):
            return self.refusal(request)
        rest = [(key, value) for key, value in request.query.items() if key != "token"]
        where = "/" + (f"?{urlencode(rest)}" if rest else "")
        answer = web.Response(status=303, headers={"Location": where, "Cache-Control": "no-store"})
        answer.set_cookie(
            self._name,
            self._cookie,
            max_age=COOKIE_S,
            httponly=True,
            samesite="Strict",
            secure=request.headers.get("X-Forwarded-Proto") == "https",
            path="/",
        )
        return answer

    def refusal(self, request: web.BaseRequest) -> web.Response:
        """The answer to who shows no token."""
        # A link on another site's page brings no strict cookie along; going on from here does.
        if request.headers.get("Sec-Fetch-Site") == "cross-site" and "token" not in request.query:
            return web.Response(text=AGAIN, content_type="text/html")
        return web.Response(text=REFUSED, content_type="text/html", status=401)

    def _is_token(self, shown: str) -> bool:
        raw = shown.encode("utf-8", "replace")
        return self.token is not None and hmac.compare_digest(raw, self.token.encode())


def _host_of(header: str) -> str:
    """The host of a Host header, without port and brackets."""
    if header.startswith("["):
        return header[1:].partition("]")[0].lower()
    return header.partition(":")[0].lower()
