"""Sweeps computed from IQ recordings and streams by Welch's method, for acqd."""

from acqd_iq.driver import IqDriver

__all__ = ["IqDriver"]
