"""The machine that the station runs on: what keeps it from a whole night, and what to do.

:func:`look` is what ``acqd check --host`` shows, :func:`short_lines` what of it concerns somebody
who is about to begin. Nothing is imported before it is asked for.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from acqd.host.awake import KeepAwake
    from acqd.host.checks import HostCheck, State
    from acqd.host.here import Here
    from acqd.host.looking import look, short_lines
    from acqd.host.needs import Needs

__all__ = ["Here", "HostCheck", "KeepAwake", "Needs", "State", "look", "short_lines"]

_HOMES = {
    "Here": "here",
    "HostCheck": "checks",
    "KeepAwake": "awake",
    "Needs": "needs",
    "State": "checks",
    "look": "looking",
    "short_lines": "looking",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(importlib.import_module(f"acqd.host.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
