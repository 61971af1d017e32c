"""All checks of the kit, on the driver and the sweeper that the command line names."""

from __future__ import annotations

from acqd.testing.conformance import DriverConformance

__all__ = ["TestDriver"]


class TestDriver(DriverConformance):
    """See :class:`acqd.testing.conformance.DriverConformance`; the bench is made in conftest."""
