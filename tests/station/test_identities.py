"""Identities: what makes one doubtful, what changed, who is there twice, and which jobs wait."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.station.build import build
from acqd.station.identities import (
    IdentityBook,
    OnChange,
    Unconfirmed,
    changes,
    without_serial,
)
from acqd.station.references import ReferenceRecord
from acqd.sweep import Identity

ONE = Identity(maker="GANNET", model="LS-1", serial_number="GL0017", firmware="1.0", location="1-2")

DOUBTFUL = {
    "": "empty",
    "  ": "empty",
    "--": "empty",
    "0": "zeros",
    "0x00000000": "zeros",
    "-1": "all ones",
    "FFFFFFFF": "all ones",
    "ffff-ffff": "all ones",
    "4294967295": "all ones",
    "N/A": "stands for none",
    "None": "stands for none",
    "UNKNOWN": "stands for none",
    "Serial Number": "stands for none",
    "1111": "again and again",
    "XXXXXX": "again and again",
    "123456": "counts up",
    "0123456789ABCDEF": "counts up",
    "1234567890": "counts up",
}
GOOD = ["1", "7", "10", "111", "12345", "GL0017", "100000", "F00D", "65535", "SN-0", "abcd"]


@pytest.mark.parametrize(("serial", "says"), DOUBTFUL.items())
def test_a_serial_number_that_tells_nothing_is_doubtful(serial: str, says: str) -> None:
    """And it is said why."""
    doubt = replace(ONE, serial_number=serial).doubt
    assert doubt is not None and says in doubt


@pytest.mark.parametrize("serial", GOOD)
def test_a_short_or_plain_serial_number_is_none_the_worse(serial: str) -> None:
    """Somebody makes instruments and counts them."""
    assert replace(ONE, serial_number=serial).doubt is None


CHANGED = {
    "nothing": ({}, [], ""),
    "serial number": ({"serial_number": "GL0099"}, ["serial_number"], "GL0099: it is another"),
    "model": ({"model": "LS-2"}, ["model"], "the model was LS-1 and is LS-2"),
    "maker": ({"maker": "SHAG"}, ["maker"], "the maker was GANNET and is SHAG"),
    "case alone": ({"maker": "Gannet"}, [], ""),
    "firmware": ({"firmware": "1.1"}, ["firmware"], "the firmware was 1.0 and is 1.1"),
    "place": ({"location": "1-3"}, ["location"], "at USB 1-2 and is at USB 1-3"),
    "update that lost it": (
        {"serial_number": "-1", "firmware": "2.0"},
        ["serial_number", "firmware"],
        "it is lost, as a failed update leaves it",
    ),
    "all of it": (
        {"maker": "S", "model": "M", "serial_number": "X", "firmware": "9", "location": "2-1"},
        ["maker", "model", "serial_number", "firmware", "location"],
        "another instrument",
    ),
}


@pytest.mark.parametrize(("part", "found", "says"), CHANGED.values(), ids=CHANGED)
def test_each_change_has_its_own_sentence(
    part: dict[str, str], found: list[str], says: str
) -> None:
    told = changes(ONE, replace(ONE, **part))
    assert [one.part for one in told] == found
    assert says in "; ".join(one.text for one in told)


ANOTHER = {
    "serial number": ({"serial_number": "GL0099"}, True),
    "model": ({"model": "LS-2"}, True),
    "firmware": ({"firmware": "1.1"}, False),
    "lost serial number": ({"serial_number": "-1"}, False),
    "lost serial number, other model": ({"serial_number": "", "model": "LS-2"}, True),
    "place": ({"location": "1-3"}, False),
}


@pytest.mark.parametrize(("part", "another"), ANOTHER.values(), ids=ANOTHER)
def test_a_serial_number_that_tells_nothing_proves_no_other_instrument(
    part: dict[str, str], another: bool
) -> None:
    """What is told of each part and what is made of the whole say the same."""
    now = replace(ONE, **part)
    assert now.is_other_than(ONE) is another
    assert any(one.is_another for one in changes(ONE, now)) is another


def test_what_is_said_of_one_without_a_serial_number_says_what_to_do() -> None:
    """An empty one is none; a useless one is shown, with why."""
    assert without_serial(replace(ONE, serial_number=" ")).startswith("states no serial number: ")
    assert "(-1: it is all ones" in without_serial(replace(ONE, serial_number="-1"))
    assert "pin what it has of `maker`, `model` and `location`" in without_serial(Identity())


# -- twins -----------------------------------------------------------------------------------------


def test_two_that_say_they_are_one_are_told_once() -> None:
    """About both, with what to do; again when one of them was somebody else in between."""
    book = IdentityBook({"mast": "tcp://a:1", "bench": "tcp://b:1"})
    twin = replace(ONE, location="")
    assert book.arrived("mast", twin) == ()
    (twins,) = book.arrived("bench", twin)
    assert {twins.first, twins.second} == {"mast", "bench"}
    for name, other in (("mast", "bench"), ("bench", "mast")):
        assert twins.text(name).startswith(f"sweeper {name} says that it is GANNET LS-1")
        assert f"so does {other}" in twins.text(name) and "`location`" in twins.text(name)
    book.left("bench")
    assert book.arrived("bench", twin) == ()
    book.is_somebody_else("bench")
    assert len(book.arrived("bench", twin)) == 1


NO_TWINS: dict[str, tuple[Identity, Identity, dict[str, str], tuple[str, ...]]] = {
    "another serial number": (ONE, replace(ONE, serial_number="GL0018"), {}, ()),
    "one address": (ONE, ONE, {"mast": "sim:any", "bench": "sim:any"}, ()),
    "pinned apart": (ONE, replace(ONE, location="1-3"), {}, ("mast", "bench")),
    "who say nothing": (Identity(), Identity(), {}, ()),
    "streams that state no serial number": (
        Identity(model="IQ stream"),
        Identity(model="IQ stream"),
        {},
        (),
    ),
}


@pytest.mark.parametrize(("one", "other", "places", "pinned"), NO_TWINS.values(), ids=NO_TWINS)
def test_those_that_cannot_be_mixed_up_are_no_twins(
    one: Identity, other: Identity, places: dict[str, str], pinned: tuple[str, ...]
) -> None:
    book = IdentityBook(places or {"mast": "tcp://a:1", "bench": "tcp://b:1"}, pinned=pinned)
    assert book.arrived("mast", one) == ()
    assert book.arrived("bench", other) == ()


def test_two_with_one_useless_serial_number_are_twins() -> None:
    """Zeros on both are what a failed update or a clone leaves."""
    book = IdentityBook({"mast": "tcp://a:1", "bench": "tcp://b:1"})
    zeros = replace(ONE, serial_number="0000", location="")
    book.arrived("mast", zeros)
    (twins,) = book.arrived("bench", zeros)
    assert "with no usable serial number" in twins.text("mast")


def test_two_in_places_that_nobody_pinned_are_twins() -> None:
    """Where the cables are swapped nobody would notice."""
    book = IdentityBook({"mast": "serial:a", "bench": "serial:b"})
    book.arrived("mast", ONE)
    assert len(book.arrived("bench", replace(ONE, location="1-3"))) == 1


# -- jobs that wait --------------------------------------------------------------------------------


def waiting(rule: OnChange, *, expected: Identity | None = None) -> Unconfirmed:
    return Unconfirmed(
        "mast", rules={"soak": rule, "fresh": rule}, swept_with={"soak": ONE}, expected=expected
    )


STOPS = {
    "go on": (OnChange.GO_ON, {"serial_number": "GL0099"}, False),
    "stop": (OnChange.STOP, {"serial_number": "GL0099"}, True),
    "stop, firmware": (OnChange.STOP, {"firmware": "1.1"}, False),
    "stop, lost serial number": (OnChange.STOP, {"serial_number": "-1", "firmware": "2"}, False),
    "stop, clone's model": (OnChange.STOP, {"serial_number": "", "model": "LS-X"}, True),
    "any, firmware": (OnChange.STOP_AT_ANY, {"firmware": "1.1"}, True),
    "any, place": (OnChange.STOP_AT_ANY, {"location": "1-3"}, True),
    "any, the same": (OnChange.STOP_AT_ANY, {}, False),
}


@pytest.mark.parametrize(("rule", "part", "stops"), STOPS.values(), ids=STOPS)
def test_a_job_stops_at_what_its_rule_says(
    rule: OnChange, part: dict[str, str], stops: bool
) -> None:
    """One that never swept has nothing to compare with."""
    found = waiting(rule)
    assert found.answered(replace(ONE, **part)) == (("soak",) if stops else ())
    assert set(found.waiting) == ({"soak"} if stops else set())
    if stops:
        assert "`acqd confirm mast`" in found.waiting["soak"]


def test_a_job_waits_until_somebody_confirms_or_the_old_one_is_back() -> None:
    """And is told of once while it waits."""
    other = replace(ONE, serial_number="GL0099")
    found = waiting(OnChange.STOP)
    assert found.answered(other) == ("soak",)
    assert found.answered(other) == () and "soak" in found.waiting
    found.answered(ONE)
    assert found.waiting == {}
    found.answered(other)
    assert found.confirm(other) == ("soak",) and found.waiting == {}
    assert found.answered(other) == ()
    found.swept("soak", other)
    assert found.answered(ONE) == ("soak",)


def test_a_serial_number_in_the_config_is_a_confirmation() -> None:
    """Whoever wrote it there meant this instrument."""
    other = replace(ONE, serial_number="GL0099")
    found = waiting(OnChange.STOP, expected=Identity(serial_number="gl0099"))
    assert found.answered(other) == () and found.waiting == {}


def test_another_instrument_after_a_lost_serial_number_is_noticed() -> None:
    """What the job knew before the update is kept in mind."""
    found = waiting(OnChange.STOP)
    for serial in ("-1", ONE.serial_number, "-1"):
        assert found.answered(replace(ONE, serial_number=serial)) == ()
        found.swept("soak", replace(ONE, serial_number=serial))
    assert "soak" in found.answered(replace(ONE, serial_number="GL0099"))


CONFIG = """\
[station]
name = "lookout"
archive = "archive"
[mqtt]
broker = "none"
[sweeper.mast]
driver = "sim"
address = "sim:shack"
absolute_max = "20 dBm"
maker = "GANNET"
[job.watch]
kind = "band"
sweeper = "mast"
start = "1 MHz"
stop = "2 MHz"
points = 101
when = { every = "2 s" }
"""
RULES = {
    "a band": ("", OnChange.GO_ON),
    "a soak": ('soak = { length = "1 h" }', OnChange.STOP),
    "a source": ('source = { level = "-20 dBm" }', OnChange.STOP),
    "a source, told": (
        'source = { level = "-20 dBm" }\non_change = "go on"',
        OnChange.GO_ON,
    ),
    "firmware too": ('on_change = "stop at any"', OnChange.STOP_AT_ANY),
}


@pytest.mark.parametrize(("more", "rule"), RULES.values(), ids=RULES)
def test_jobs_that_rest_on_one_instrument_stop_unless_told_otherwise(
    more: str, rule: OnChange, tmp_path: Path
) -> None:
    config = parse_config(CONFIG + more, tmp_path / "station.toml")
    built = build(config, load_drivers(), broker="none")
    assert built.jobs[0].on_change is rule
    assert built.sweepers[0].expected == Identity(maker="GANNET")


def test_what_a_job_does_at_a_change_leaves_its_sweeps_comparable(tmp_path: Path) -> None:
    plain = parse_config(CONFIG, tmp_path / "a.toml")
    told = parse_config(CONFIG + 'on_change = "stop"\n', tmp_path / "b.toml")
    assert plain.job_digest("watch") == told.job_digest("watch")


def test_a_reference_of_another_instrument_does_not_fit() -> None:
    """A serial number that tells nothing is not held against it; the model is."""
    import numpy as np

    from acqd.measure.meter import Role
    from acqd.station.references import differences_between

    def reference(**part: str) -> ReferenceRecord:
        one = replace(ONE, **part)
        told = {
            name: getattr(one, name)
            for name in ("maker", "model", "serial_number", "firmware", "location")
        }
        return ReferenceRecord(
            role=Role.THROUGH,
            job="filter",
            at_s=0.0,
            frequency_hz=np.linspace(1e6, 2e6, 3),
            level=np.zeros(3),
            unit="dBm",
            settings={},
            identity=told,
        )

    assert differences_between(reference(), reference(firmware="2.0")) == ()
    assert differences_between(reference(), reference(serial_number="-1")) == ()
    (said,) = differences_between(reference(), reference(serial_number="GL0099"))
    assert "serial number GL0017" in said
    assert differences_between(reference(), reference(serial_number="", model="LS-2"))


ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")


# -- a station -------------------------------------------------------------------------------------


def acqd(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*ACQD, *args], capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.slow
def test_a_swapped_instrument_stops_a_job_until_it_is_confirmed(bench: Any) -> None:
    """Over real sockets: told, shown, accounted for; the job beside it goes on."""
    sim = bench.sim()
    config = bench.config(
        sim.addresses,
        [bench.job("careful", more='on_change = "stop"'), bench.job("plain")],
    )
    run = bench.run(config)
    run.until("sweeper_present", sweeper="mast")
    archive = bench.archive

    def sweeps(job: str) -> int:
        return int(open_archive(archive).coverage(job).sweeps)

    bench.wait_for("sweeps of both", lambda: sweeps("careful") > 2 and sweeps("plain") > 2)
    sim.tell("mast", "identity", "GANNET,LOOKOUT 1,GL0099,1.0")
    sim.tell("mast", "hang-up")
    run.until("job_waits", job="careful")
    held, plain = sweeps("careful"), sweeps("plain")
    bench.wait_for("the other job", lambda: sweeps("plain") > plain + 3)
    assert sweeps("careful") == held

    status = acqd("status", str(config))
    assert re.search(r"careful.*: paused, waits for `acqd confirm mast`", status.stdout)
    wrong = acqd("confirm", "shack", "--config", str(config))
    assert wrong.returncode == 2 and "no sweeper 'shack'; it has mast" in wrong.stderr
    done = acqd("confirm", "mast", "--config", str(config))
    assert done.returncode == 0 and "GL0099" in done.stdout and "careful goes on" in done.stdout
    again = acqd("confirm", "mast", "--config", str(config))
    assert "no job waited" in again.stdout
    bench.wait_for("sweeps again", lambda: sweeps("careful") > held + 2)
    run.stop()
    ended = acqd("confirm", "mast", "--config", str(config))
    assert ended.returncode == 1 and "no station runs" in ended.stderr

    kept = open_archive(archive)
    assert "paused" in {gap.reason for gap in kept.gaps("careful")}
    assert "paused" not in {gap.reason for gap in kept.gaps("plain")}
    assert [one.what for one in kept.findings("careful") if "identity" in one.what] == [
        "identity_unconfirmed"
    ]
    station = {one.what: one for one in kept.findings("station")}
    assert station["identity_changed"].figures["changed"] == "serial_number"
    assert "the serial number was GL0017 and is GL0099" in station["identity_changed"].text
    assert "careful goes on" in station["identity_confirmed"].text


@pytest.mark.slow
def test_two_instruments_of_one_name_are_told_of_both(bench: Any) -> None:
    sim = bench.sim({"mast": "tcp", "bench": "tcp"})
    sim.tell("bench", "identity", "GANNET,LOOKOUT 1,GL0017,1.0")
    config = bench.config(sim.addresses, [bench.job("one"), bench.job("two", "bench")])
    run = bench.run(config)
    for name in ("mast", "bench"):
        run.until("sweeper_present", sweeper=name)
    bench.wait_for(
        "both findings",
        lambda: (
            [one.what for one in open_archive(bench.archive).findings("station")].count(
                "identity_shared"
            )
            == 2
        ),
    )
    run.stop()
    told = open_archive(bench.archive).findings("station")
    assert {one.figures["sweeper"] for one in told if one.what == "identity_shared"} == {
        "mast",
        "bench",
    }


@pytest.mark.slow
def test_an_update_that_lost_the_serial_number_stops_nobody(bench: Any) -> None:
    """Where maker and model are pinned too: told of, shown as doubtful, and swept with."""
    sim = bench.sim()
    config = bench.config(
        sim.addresses,
        [bench.job("careful", more='on_change = "stop"')],
        sweeper_more='maker = "GANNET"\nmodel = "LOOKOUT 1"\nserial_number = "GL0017"',
    )
    run = bench.run(config)
    run.until("sweeper_present", sweeper="mast")

    def sweeps() -> int:
        return int(open_archive(bench.archive).coverage("careful").sweeps)

    bench.wait_for("sweeps", lambda: sweeps() > 2)
    sim.tell("mast", "identity", "GANNET,LOOKOUT 1,-1,2.0")
    sim.tell("mast", "hang-up")
    run.until("sweeper_present", 2, sweeper="mast")
    before = sweeps()
    bench.wait_for("more sweeps", lambda: sweeps() > before + 3)
    status = acqd("status", str(config)).stdout
    assert "mast             present" in status and "of no usable serial number" in status
    run.stop()
    station = {one.what: one for one in open_archive(bench.archive).findings("station")}
    assert station["identity_changed"].figures["changed"] == "serial_number, firmware"
    assert "it is lost, as a failed update leaves it" in station["identity_changed"].text
    assert "all ones" in station["identity_doubtful"].text
    assert not [
        one
        for one in open_archive(bench.archive).findings("careful")
        if one.what == "identity_unconfirmed"
    ]
