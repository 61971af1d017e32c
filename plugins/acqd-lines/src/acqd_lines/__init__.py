"""A driver for any sweeper that speaks lines or blocks, described in a profile."""

from __future__ import annotations

from acqd_lines.driver import LinesDriver

__all__ = ["LinesDriver"]
