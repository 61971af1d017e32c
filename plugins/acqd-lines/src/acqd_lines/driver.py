"""The driver, as a station finds it.

What it does stands in :mod:`acqd_lines.sweeper`, which is imported when a sweeper is opened: the
models of profiles take 5 MB, and a station without such a sweeper has the driver all the same.
"""

from __future__ import annotations

from collections.abc import Iterable

from acqd.drivers.contract import Candidate, Driver, FindContext, OpenContext, Sweeper

__all__ = ["LinesDriver"]


class LinesDriver(Driver):
    """Any sweeper with a line or block protocol that a profile describes."""

    def open(self, context: OpenContext) -> Sweeper:
        """Open it; see :func:`acqd_lines.sweeper.open_sweeper`."""
        from acqd_lines.sweeper import open_sweeper

        return open_sweeper(context)

    def find(self, context: FindContext) -> Iterable[Candidate]:
        """See :mod:`acqd_lines.find`."""
        from acqd_lines.find import candidates

        return candidates(context)

    def guess(self, context: FindContext) -> Iterable[Candidate]:
        """See :mod:`acqd_lines.find`."""
        from acqd_lines.find import guesses

        return guesses(context)
