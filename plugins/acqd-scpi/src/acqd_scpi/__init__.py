"""A driver for any sweeper that speaks SCPI-1999."""

from __future__ import annotations

from acqd_scpi.driver import ScpiDriver

__all__ = ["ScpiDriver"]
