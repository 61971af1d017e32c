"""What must be repeated nowhere: passwords, tokens, addresses that hold one.

Whoever reads a secret hides it; logs, errors of drivers and the last word of a crash go through
:func:`masked`. That is the second lock: nothing of ours writes a secret anywhere, but libraries,
servers and drivers of others may repeat what they were given.

Limits: a secret of fewer than six characters is not looked for, since it would be found in half the
words there are. One that somebody cut, encoded or encrypted is not recognised, but for how JSON and
URLs write it. What is hidden stays so until the process ends.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

__all__ = ["MASK", "hide", "holds_secret", "is_hidden", "masked", "without_secrets"]

MASK = "***"
LEAST = 6
"""Characters of the shortest secret that is looked for."""
MOST = 1000
"""Secrets that are looked for; a config has a few."""

_hidden: dict[str, None] = {}
_WORDS = frozenset(
    {
        *("auth", "authorization", "credential", "credentials", "key", "passphrase", "passwd"),
        *("password", "pin", "pwd", "secret", "token"),
    }
)


def hide(secret: str | None) -> None:
    """Have ``secret`` masked from now on, as it is and as JSON and URLs write it."""
    if secret is None or len(secret) < LEAST or len(_hidden) >= MOST:
        return
    for text in (secret, json.dumps(secret)[1:-1], quote(secret, safe="")):
        _hidden[text] = None


def is_hidden(secret: str) -> bool:
    """Whether it is masked."""
    return secret in _hidden


def masked(text: str) -> str:
    """``text`` with ``***`` in the place of each secret that is hidden."""
    # The longest first: one may be a part of another.
    for secret in sorted(_hidden, key=len, reverse=True):
        if secret in text:
            text = text.replace(secret, MASK)
    return text


def holds_secret(key: str) -> bool:
    """Whether what stands under ``key`` in somebody's options is one, by what it is called:
    ``password``, ``api_key``, ``token`` and such are words of it."""
    words = re.split(r"[^A-Za-z0-9]+|(?<=[a-z0-9])(?=[A-Z])", key)
    return any(word.lower() in _WORDS or word.lower() == "apikey" for word in words)


def without_secrets(plain: Mapping[str, Any]) -> dict[str, Any]:
    """``plain`` without what stands under the name of a secret, at any depth of its tables."""
    return {
        key: without_secrets(value) if isinstance(value, Mapping) else value
        for key, value in plain.items()
        if not holds_secret(key)
    }
