"""The conformance kit: what every driver must do, as tests that a driver's own tests inherit.

A distribution subclasses :class:`DriverConformance` in its tests and gives a fixture ``bench``::

    class TestMyDriver(DriverConformance):
        @pytest.fixture
        def bench(self):
            with my_peer() as peer:
                yield Bench(
                    driver=MyDriver(), address=peer.address, request=SweepRequest(...), ...
                )

The same tests run on any sweeper that is at hand, without a line of code::

    pytest --pyargs acqd.testing.suite --driver NAME --address ADDRESS

What a bench cannot do (unplug, say whether the source is on) is skipped, visibly. A check that does
not fit may be set to None in the subclass, with its reason beside it. Needs pytest and nothing
else; all drivers are driven through the real host, never around it.
"""

from __future__ import annotations

from acqd.testing.bench import Bench
from acqd.testing.checks.endurance import EnduranceChecks
from acqd.testing.checks.introduction import IntroductionChecks
from acqd.testing.checks.limits import LimitChecks
from acqd.testing.checks.sweeping import SweepChecks
from acqd.testing.checks.trouble import TroubleChecks

__all__ = ["Bench", "DriverConformance"]


class DriverConformance(
    EnduranceChecks, TroubleChecks, LimitChecks, SweepChecks, IntroductionChecks
):
    """Subclass it in a driver's tests with a fixture ``bench`` that gives a :class:`Bench`.

    pytest takes what is inherited last first: introduction, sweeps, limits, trouble, endurance.
    """
