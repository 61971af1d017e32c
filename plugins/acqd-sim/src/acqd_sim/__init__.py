"""A simulated radio scene, a swept receiver in front of it, and a driver that sweeps it."""

from __future__ import annotations

from acqd_sim.driver import SimDriver

__all__ = ["SimDriver"]
