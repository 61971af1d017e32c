"""acqd: an acquisition daemon for swept analysers.

Nothing is imported here: the command line starts in a few milliseconds, and a driver that imports
``acqd.sweep`` pays for numpy alone. ``acqd.open_archive`` is loaded when it is first asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from acqd.archive.reader import Archive, open_archive

__all__ = ["Archive", "open_archive"]

__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name in __all__:
        from acqd.archive import reader

        return getattr(reader, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
