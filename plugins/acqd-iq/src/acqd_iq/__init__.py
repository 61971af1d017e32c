"""Sweeps computed from IQ recordings and streams by Welch's method, for acqd.

Start reading at :mod:`acqd_iq.welch` for what is estimated, :mod:`acqd_iq.planning` for how a
request becomes segments of samples, :mod:`acqd_iq.driver` for what the station sees.
"""

from __future__ import annotations

from acqd_iq.driver import IqDriver

__all__ = ["IqDriver"]
