"""Regular expressions of profiles, held against what a sweeper says for a limited time.

A pattern such as ``(\\w+ ?)*;`` takes time without end to see that a short answer does not fit, and
the interpreter's own engine lets no other thread run meanwhile: one sweeper's answer would stop the
whole station. The package regex reads the same patterns, lets others run, and gives up in time.
"""

from __future__ import annotations

import re
from typing import Final

import regex

from acqd.errors import ProtocolViolation

__all__ = ["MATCH_LIMIT_S", "Pattern"]

MATCH_LIMIT_S: Final = 0.25
"""For one text. A pattern that needs more of an answer of any ordinary length never comes to an
end on one that does not fit."""

_BEGINS: Final = re.compile(r"\^((?:[A-Za-z0-9 !#%&,:;<=>@_~'\"/-]|\\[.^$*+?(){}\[\]!#-])+)")
"""The first characters of a pattern that stand for themselves."""


def _beginning(text: str) -> str:
    """What every text begins with that ``text`` fits; nothing where that is not plain to see."""
    found = _BEGINS.match(text)
    if found is None or "|" in text or "(?" in text.replace("(?P<", ""):
        return ""
    plain = re.sub(r"\\(.)", r"\1", found[1])
    # What is repeated may be missing.
    return plain[:-1] if text[found.end() : found.end() + 1] in tuple("*?{+") else plain


class Pattern:
    """A regular expression, compiled.

    Raises:
        regex.error: ``text`` is none.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        self._compiled = regex.compile(text)
        self._begins = _beginning(text)

    def __repr__(self) -> str:
        return f"Pattern({self.text!r})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Pattern) and other.text == self.text

    def __hash__(self) -> int:
        return hash(self.text)

    @property
    def groups(self) -> frozenset[str]:
        return frozenset(self._compiled.groupindex)

    def search(self, text: str) -> regex.Match[str] | None:
        """Where ``text`` fits; None where it does not.

        Raises:
            ProtocolViolation: that cannot be told in :data:`MATCH_LIMIT_S`.
        """
        # A search costs two microseconds, and most lines of a long answer need none.
        if not text.startswith(self._begins):
            return None
        try:
            return self._compiled.search(text, timeout=MATCH_LIMIT_S, concurrent=True)
        except TimeoutError as late:
            raise ProtocolViolation(
                expected=f"an answer against which the pattern {self.text!r} can be held within "
                f"{MATCH_LIMIT_S:g} s (repetitions within repetitions take longest)",
                got=text,
            ) from late
