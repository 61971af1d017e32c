"""A driver with one fault fails just the checks that are about it, and is told what to do."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest

from acqd.drivers.contract import Driver
from acqd.sweep import SourceRequest, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance
from acqd.testing.relay import TcpRelay
from bad_drivers import FAULTS, GoodDriver, LedgePeer

pytestmark = pytest.mark.slow

CHECKS = sorted(name for name in dir(DriverConformance) if name.startswith("test_"))

EXPECTED: dict[str, dict[str, str]] = {
    "WrittenForAnotherContract": {"states_the_contract": "it states 99"},
    "CountsInItsSerialNumber": {
        "introduces_itself": r"identify\(\) gave Identity.*, then Identity",
        "falls_silent": "A late answer never reaches the next question",
    },
    "HasNoName": {"introduces_itself": "no maker, no model and no serial number"},
    "ChangesItsLimits": {"introduces_itself": r"capabilities\(\) differ in stop_hz"},
    "ReturnsWhatCannotBePickled": {"be_pickled": r"the answer of sweep\(\) cannot be pickled"},
    "AsksWithoutProbe": {"without_probe": "connected to /dev/ttyACM0"},
    "OpensPortsItself": {"without_probe": r"connected to \('127.0.0.1', "},
    "FallsOverABusyPort": {"is_busy": "Catch PortBusy"},
    "LosesMostLevels": {"is_the_one_asked_for": "6.% of the levels are not"},
    "ReportsTheSweepBefore": {"back_and_forth": "and after another sweep"},
    "EstimatesADay": {"an_estimate": r"it estimated 8.64e\+04 s"},
    "ReadsNothing": {"levels_are_sane": "all 51 levels are -100 dBm"},
    "ReadsTheSameTrace": {"levels_are_sane": "four sweeps in a row were the same"},
    "ForgetsTheSign": {"levels_are_sane": "the median level is 5. dBm|the median level is 49"},
    "StatesAStepItDoesNotHave": {"lie_on_the_step": "is no multiple of it"},
    "StatesTooFineAStep": {"lie_on_the_step": "State 0.05"},
    "PromisesTimes": {"says_when_it_swept": "gives_time is True, and the trace has none"},
    "KeepsItsSettingsToItself": {"what_was_set": "the trace reports none"},
    "NeverSetsTheRbw": {
        "what_was_set": "was reported as 10000.0 each time",
        "each_rbw": "it took 10000.0",
    },
    "SweepsLessFar": {
        "highest_frequency": "stop_hz says 999000000 to 1000000000 Hz",
        "its_source_goes": "-222 Data out of range",
    },
    "HasFewerPoints": {"number_of_points": "It takes 101 points, as capabilities"},
    "HasFewerRbws": {"each_rbw": "rbw_hz 1000.*-222"},
    "HasFewerDetectors": {"each_detector": "detector positive", "what_was_set": "positive"},
    "SetsAnotherAttenuation": {"each_attenuation": "it took 5.0"},
    "AveragesLessOften": {"averages_as_often": "averages 20"},
    "HasAStrongerSource": {"its_source_goes": "on at -40 dBm"},
    "RaisesItsOwnErrors": {"error_tree": "to vbw_hz 1e-06: .* raised ValueError in sweep: vbw"},
    "SleepsThroughIt": {
        "cancel_token": r"context.cancel.wait\(seconds\) instead of sleeping",
        "a_cancelled_sweep": "its thread did not come back",
        "after_a_sweep_was_cancelled": "the source was on",
    },
    "WaitsOnAndOn": {
        "cancel_token": "had not come back by itself",
        "a_cancelled_sweep": "its thread did not come back",
        "falls_silent": "its thread did not come back",
        "after_a_sweep_was_cancelled": "the source was on",
    },
    "InventsWhatDoesNotCome": {"falls_silent": "from a sweeper that did not answer"},
    "SweepsWithoutALink": {"unplugging": "it swept without a link"},
    "CallsABrokenLinkAReport": {"unplugging": "SweeperReported, which leaves the session open"},
    "LeavesTheSourceOn": {
        "after_opening_and_after_closing": r"after close\(\) the source was on",
        "after_a_sweep_was_cancelled": "the source was on",
    },
    "CannotTurnTheSourceOff": {"left_on_by_a_broken_link": r"a new open\(\), the source was on"},
    "RaisesInClose": {
        "closing_ends_its_thread": "it raised: .*the link is no more",
        "unplugging": "it raised: .*the link is no more",
    },
    "TakesLongToClose": {"closing_ends_its_thread": "its thread is still in it"},
    "LeavesAThread": {
        "starts_no_threads": "these are: keepalive",
        "leaves_nothing_behind": "more threads",
    },
    "KeepsEveryTrace": {"without_a_leak": r"KiB more.*\n.*bad_drivers.py:\d+"},
}
"""By fault: words of the name of each check that fails, and what its message says."""

WAITING = (
    "test_a_cancelled_sweep",
    "test_a_sweeper_that_falls_silent",
    "test_source_is_off_after_a_sweep",
    "test_sweeps_on_and_on",
    "test_unplugging",
)
"""These wait for half a second and more, and are left out for faults in what a driver says."""

FIRST_IN_TROUBLE = "RaisesItsOwnErrors"
"""From here on in FAULTS a fault is in what a driver does when things go wrong."""

SLOW = ("TakesLongToClose", "WaitsOnAndOn")
"""Each failure costs these seconds, or leaves a thread for some: only what must fail is tried."""

OF_THE_HOST = "test_absurd_requests_are_refused_and_do_no_harm"
"""The host refuses these before a driver sees them, so no single fault of a driver shows there."""


@pytest.fixture(scope="module")
def peer() -> Iterator[LedgePeer]:
    """One sweeper for all drivers."""
    made = LedgePeer()
    yield made
    made.stop()


@pytest.fixture
def relay(peer: LedgePeer) -> Iterator[TcpRelay]:
    """A cable of its own for each."""
    made = TcpRelay(peer.address)
    yield made
    made.close()


def outcome_of(
    driver: Driver, peer: LedgePeer, relay: TcpRelay, checks: Sequence[str] = CHECKS
) -> dict[str, str]:
    """What each check that fails or is skipped says, by its name."""
    request = SweepRequest(start_hz=156e6, stop_hz=157e6, points=51, rbw_hz=10e3)
    # Most are slow as their answer is held back; one fault is in how it waits for itself.
    sleeps = isinstance(driver, FAULTS["SleepsThroughIt"])
    failed = {}
    for name in checks:
        peer.source_on = False
        bench = Bench(
            driver=driver,
            address=relay.address,
            request=request,
            slow_request=replace(request, sweep_time_s=1.5) if sleeps else None,
            unplug=relay.unplug,
            replug=relay.replug,
            hold=relay.hold,
            release=relay.release,
            source_is_on=lambda: peer.source_on,
            source_request=SourceRequest(on=True, level_dbm=-20.0),
            sweeps=50,
            endurance_s=0.5,
        )
        try:
            getattr(DriverConformance(), name)(bench)
        except pytest.fail.Exception as failure:
            failed[name] = str(failure)
        except pytest.skip.Exception as skipped:
            failed[name] = f"skipped: {skipped}"
    return failed


def checks_for(name: str) -> list[str]:
    """What to try on the driver with this fault."""
    names = list(FAULTS)
    in_trouble = names.index(name) >= names.index(FIRST_IN_TROUBLE) and name not in SLOW
    left_out = () if in_trouble else ("test_",) if name in SLOW else WAITING
    expected = EXPECTED[name]
    return [
        check
        for check in CHECKS
        if not check.startswith(left_out) or any(part in check for part in expected)
    ]


def test_a_driver_that_keeps_the_contract_passes_all(peer: LedgePeer, relay: TcpRelay) -> None:
    """The one that the faults are put into."""
    assert outcome_of(GoodDriver(), peer, relay) == {}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_fails_the_checks_that_are_about_it(
    peer: LedgePeer, relay: TcpRelay, name: str
) -> None:
    """Those and no others, with the reason in words."""
    failed = outcome_of(FAULTS[name](), peer, relay, checks_for(name))
    expected = EXPECTED[name]
    found = {part for part in expected for check in failed if part in check}
    assert found == set(expected) and len(failed) == len(expected), failed
    for part, words in expected.items():
        said = next(text for check, text in failed.items() if part in check)
        assert re.search(words, said, re.DOTALL), said
        assert said.startswith("\ncontract: ") and "\nwhat to do: " in said


def test_every_check_has_a_fault_that_fails_it() -> None:
    """So none of them can be passed by anything."""
    parts = [part for checks in EXPECTED.values() for part in checks]
    unfailed = [check for check in CHECKS if not any(part in check for part in parts)]
    assert unfailed == [OF_THE_HOST]
    assert set(EXPECTED) == set(FAULTS)
