"""The driver against a peer on a socket, through the real host."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from acqd_scpi import ScpiDriver
from acqd_scpi.dialect import Dialect

from acqd.drivers.contract import Certainty
from acqd.drivers.finding import look_for
from acqd.drivers.host import SweeperHost
from acqd.drivers.registry import DriverEntry, Registry
from acqd.drivers.transport import open_transport
from acqd.errors import (
    ProtocolViolation,
    RequestRefused,
    SweeperReported,
    SweepInvalid,
    TransportError,
    TransportTimeout,
)
from acqd.sweep import Detector, LevelUnit, SourceRequest, SweepFlag, SweepRequest

Make = Callable[..., SweeperHost]
ASK = SweepRequest(start_hz=156e6, stop_hz=157e6, points=401, rbw_hz=10e3)


async def opened(make: Make, peer: Any, **options: Any) -> SweeperHost:
    """An open host of the peer."""
    host = make(peer.address, **options)
    await host.open()
    return host


async def test_introduces_itself_with_the_limits_it_was_told(peer: Any, host_for: Make) -> None:
    """MIN and MAX queries give the limits; detectors are tried; the rest is marked as assumed."""
    host = await opened(host_for, peer)
    can = host.capabilities
    assert can is not None and host.identity is not None
    assert host.identity.firmware == "1.02,b"
    assert (can.start_hz, can.stop_hz) == (9e3, 3e9)
    assert (can.points_min, can.points_max) == (11, 501)
    assert (can.rbw_min_hz, can.rbw_max_hz) == (1e3, 1e6)
    assert can.detectors == (
        Detector.POSITIVE,
        Detector.NEGATIVE,
        Detector.SAMPLE,
        Detector.RMS,
    )
    assert can.source and (can.source_min_dbm, can.source_max_dbm) == (-40, 0)
    assert can.averages_max == 100
    assert can.assumed == ("level_accuracy_db", "frequency_accuracy_ppm")
    assert can.absolute_max_dbm is None
    await host.close()


async def test_the_power_on_bit_is_asked_for_before_it_is_cleared(
    peer: Any, host_for: Make
) -> None:
    """*ESR? comes before *CLS, and the first sweep after a power-on is flagged, the next not."""
    host = await opened(host_for, peer)
    assert peer.asked.index("*ESR?") < peer.asked.index("*CLS")
    sweeps = [await host.sweep(ASK), await host.sweep(ASK)]
    assert [bool(one.flags & SweepFlag.POWERED_ON) for one in sweeps] == [True, False]
    await host.close()


async def test_a_restart_in_the_middle_of_a_run_is_noticed_and_all_is_set_again(
    peer: Any, host_for: Make
) -> None:
    """The link stayed up, the settings did not."""
    host = await opened(host_for, peer)
    await host.sweep(ASK)
    peer.power_on()
    sweep = await host.sweep(ASK)
    assert sweep.flags & SweepFlag.POWERED_ON
    assert sweep.level.size == 401 and peer.settings["FREQ:STAR"] == 156e6
    assert sweep.reported.rbw_hz == 10e3 and peer.settings["INIT:CONT"] == 0
    await host.close()


async def test_another_one_in_its_place_on_a_link_that_stays_up_gives_no_sweep_as_the_first(
    peer: Any, host_for: Make
) -> None:
    """Behind an adapter nothing hangs up: who restarted is asked, and known after opening anew."""
    host = await opened(host_for, peer)
    await host.sweep(ASK)
    peer.idn = "ACME,MODEL 1,SN0002,1.02,b"
    peer.power_on()
    with pytest.raises(TransportError, match=r"restarted.*SN0002.*opened anew"):
        await host.sweep(ASK)
    again = await host.open()
    assert again.identity_changed_from is not None
    assert (again.identity_changed_from.serial_number, again.identity.serial_number) == (
        "SN0001",
        "SN0002",
    )
    assert (await host.sweep(ASK)).level.size == 401
    await host.close()


async def test_levels_that_do_not_come_are_told_by_their_command(peer: Any, host_for: Make) -> None:
    """Before the host gives up on the sweep as a whole, which could not say what was missing."""
    host = await opened(host_for, peer)
    await host.sweep(ASK)
    peer.silent.add("TRAC? TRACE1")
    with pytest.raises(TransportTimeout, match=r"^TRAC\? TRACE1: no answer in time"):
        await host.sweep(ASK)
    await host.close()


FORMATS = {
    "ascii": {"format": "ascii"},
    "real32": {"format": "real32"},
    "real64": {"format": "real64"},
    "auto": {},
    "told normal": {"format": "real32", "byte_order": "normal"},
    "told swapped": {"format": "real64", "byte_order": "swapped"},
}


@pytest.mark.parametrize("options", FORMATS.values(), ids=FORMATS)
@pytest.mark.parametrize("swapped", [False, True], ids=["as told", "swapped against orders"])
async def test_levels_come_through_in_every_format_with_the_same_bits(
    peer: Any, host_for: Make, options: dict[str, Any], swapped: bool
) -> None:
    """Text, REAL,32 and REAL,64 give one canonical float32, in either byte order."""
    if swapped and "byte_order" in options:
        peer.swapped = options["byte_order"] == "swapped"
    else:
        peer.swapped = swapped
    host = await opened(host_for, peer, **options)
    sweep = await host.sweep(ASK)
    assert sweep.level.dtype == np.float32
    assert np.array_equal(sweep.level, peer.levels().astype(np.float32))
    await host.close()


async def test_a_sweeper_that_refuses_binary_is_asked_for_text(peer: Any, host_for: Make) -> None:
    """ "auto" falls back; an order for binary is refused by name."""
    peer.unknown = {"FORM"}
    host = await opened(host_for, peer)
    await host.sweep(ASK)
    await host.close()
    with pytest.raises(RequestRefused, match="option format: real32 is not accepted"):
        await opened(host_for, peer, format="real32")


async def test_settings_are_sent_only_where_they_change(peer: Any, host_for: Make) -> None:
    """The second sweep of a request is four messages."""
    host = await opened(host_for, peer)
    await host.sweep(ASK)
    peer.asked.clear()
    await host.sweep(ASK)
    assert peer.asked == ["*ESR?", "INIT:IMM;*OPC?", "TRAC? TRACE1", "SYST:ERR?"]
    peer.asked.clear()
    await host.sweep(replace(ASK, rbw_hz=30e3))
    sent = [one for one in peer.asked if "?" not in one]
    assert sent == ["BAND 30000"]
    await host.close()


async def test_all_settings_reach_the_sweeper_and_are_read_back(peer: Any, host_for: Make) -> None:
    """What was asked for is set, and what the sweeper says it took is reported."""
    host = await opened(host_for, peer)
    ask = replace(
        ASK,
        rbw_hz=9e3,
        vbw_hz=1e3,
        detector=Detector.RMS,
        attenuation_db=20.0,
        reference_level_dbm=-30.0,
        sweep_time_s=0.02,
        averages=4,
    )
    sweep = await host.sweep(ask)
    assert sweep.reported == replace(
        sweep.reported,
        rbw_hz=10e3,
        vbw_hz=1e3,
        detector=Detector.RMS,
        attenuation_db=20.0,
        reference_level_dbm=-30.0,
        sweep_time_s=0.02,
        averages=4,
    )
    assert sweep.flags & SweepFlag.SETTINGS_DIFFER
    assert await host.estimate_s(ask) == pytest.approx(0.08)
    await host.close()


async def test_a_setting_left_to_the_sweeper_becomes_automatic_and_back(
    peer: Any, host_for: Make
) -> None:
    """Between two sweeps at 10 kHz one without: the RBW is sent again though it was 10 kHz."""
    host = await opened(host_for, peer)
    await host.sweep(ASK)
    await host.sweep(replace(ASK, rbw_hz=None))
    assert peer.settings["BAND:AUTO"] == 1
    peer.settings["BAND"] = 1e5
    sweep = await host.sweep(ASK)
    assert peer.settings["BAND:AUTO"] == 0 and sweep.reported.rbw_hz == 10e3
    await host.close()


@pytest.mark.slow
async def test_a_setting_that_it_does_not_have_is_refused(peer: Any, host_for: Make) -> None:
    """Nothing is swept with something else silently."""
    peer.unknown = {"BAND:VID", "BAND:VID:AUTO", "INP:ATT", "INP:ATT:AUTO"}
    host = await opened(host_for, peer)
    with pytest.raises(RequestRefused, match=r"vbw_hz: asked for 1000\.0, .* no such setting"):
        await host.sweep(replace(ASK, vbw_hz=1e3))
    with pytest.raises(RequestRefused, match="attenuation_db"):
        await host.sweep(replace(ASK, attenuation_db=10))
    await host.sweep(ASK)
    await host.close()


@pytest.mark.slow
async def test_limits_that_it_does_not_say_are_assumed_and_marked(
    peer: Any, host_for: Make
) -> None:
    """A sweeper that knows no MIN and MAX, no averaging and no source."""
    peer.unknown = {"AVER", "AVER:COUN", "OUTP", "SOUR:POW"}
    peer.silent = {"SWE:POIN? MAX", "FREQ:STOP? MAX"}
    host = await opened(host_for, peer)
    can = host.capabilities
    assert can is not None
    assert {"points_max", "stop_hz"} <= set(can.assumed) and "points_min" not in can.assumed
    assert not can.source and can.averages_max == 1
    await host.close()
    host = await opened(host_for, peer, points_max=2001, stop_hz=1e9)
    assert host.capabilities is not None
    assert host.capabilities.points_max == 2001 and host.capabilities.stop_hz == 1e9
    await host.close()


async def test_the_attenuator_is_found_under_its_other_name(peer: Any, host_for: Make) -> None:
    """[SENSe:]POWer:ATTenuation instead of INPut:ATTenuation."""
    peer.unknown = {"INP:ATT", "INP:ATT:AUTO"}
    peer.settings["POW:ATT"] = 0.0
    host = await opened(host_for, peer)
    sweep = await host.sweep(replace(ASK, attenuation_db=20))
    assert peer.settings["POW:ATT"] == 20 and sweep.reported.attenuation_db == 20
    await host.close()


async def test_what_the_sweeper_reports_comes_back_and_costs_one_sweep(
    peer: Any, host_for: Make
) -> None:
    """An entry in its error queue is an error of this sweep; the next one sets all again."""
    host = await opened(host_for, peer)
    await host.sweep(ASK)

    def overload() -> None:
        peer.errors.append('301,"Overload, input 1"')

    peer.on_trace = overload
    with pytest.raises(SweeperReported, match="301 Overload, input 1"):
        await host.sweep(ASK)
    peer.on_trace = None
    peer.settings["BAND"] = 1e6
    assert host.is_open
    assert (await host.sweep(ASK)).reported.rbw_hz == 10e3
    await host.close()


async def test_an_error_queue_that_is_never_empty_is_not_believed(
    peer: Any, host_for: Make
) -> None:
    """Such a sweeper can be used; what its queue would have said is marked as assumed."""
    peer.stuck_error = '-350,"Queue overflow"'
    host = await opened(host_for, peer)
    assert host.capabilities is not None and "detectors" in host.capabilities.assumed
    sweep = await host.sweep(ASK)
    assert sweep.level.size == 401
    await host.close()


async def test_an_error_queue_that_gets_stuck_is_noticed_and_survived(
    peer: Any, host_for: Make
) -> None:
    """Three sweeps fail, the host opens anew, and then it is not believed any more."""
    host = await opened(host_for, peer)
    peer.stuck_error = '-310,"System error"'
    for _ in range(3):
        with pytest.raises(SweeperReported, match=r"-310 System error$"):
            await host.sweep(ASK)
    assert not host.is_open
    await host.open()
    await host.sweep(ASK)
    await host.close()


async def test_a_sweeper_without_status_and_error_queue_can_be_used(
    peer: Any, host_for: Make
) -> None:
    """With its settings and limits told, none of the optional queries is sent."""
    peer.silent = {"*ESR?", "SYST:ERR?"}
    host = await opened(
        host_for,
        peer,
        status=False,
        errors=False,
        settings=["rbw_hz"],
        source="no",
        start_hz=9e3,
        stop_hz=3e9,
        points_min=11,
        points_max=501,
        format="ascii",
    )
    sweep = await host.sweep(ASK)
    assert sweep.reported.rbw_hz == 10e3
    assert not {"*ESR?", "SYST:ERR?"} & set(peer.asked)
    await host.close()


async def test_not_a_number_becomes_nan_and_a_flag(peer: Any, host_for: Make) -> None:
    """9.91E37 in a text trace."""
    host = await opened(host_for, peer, format="ascii")
    peer.on_trace = lambda: b",".join([b"9.910000E+37"] + [b"-100.5"] * 400)
    sweep = await host.sweep(ASK)
    assert np.isnan(sweep.level[0]) and (sweep.level[1:] == -100.5).all()
    assert sweep.flags & SweepFlag.NOT_FINITE
    await host.close()


WRONG = {
    "a point short": (b",".join([b"-100"] * 400), SweepInvalid, "asked for 401 points, got 400"),
    "not numbers": (b"what?", ProtocolViolation, "a number"),
    "an indefinite block": (b"#0abcd", ProtocolViolation, "indefinite"),
    "levels of nothing": (b",".join([b"1E30"] * 401), SweepInvalid, "levels lie between"),
    "a block of half values": (b"#15abcde", ProtocolViolation, "4 bytes a value"),
}


@pytest.mark.parametrize(("answer", "error", "says"), WRONG.values(), ids=WRONG)
async def test_a_wrong_trace_costs_its_sweep(
    peer: Any, host_for: Make, answer: bytes, error: type[Exception], says: str
) -> None:
    """The next sweep, after opening anew where needed, is good."""
    host = await opened(host_for, peer)
    peer.on_trace = lambda: answer
    with pytest.raises(error, match=says):
        await host.sweep(ASK)
    peer.on_trace = None
    if not host.is_open:
        await host.open()
    assert np.array_equal((await host.sweep(ASK)).level, peer.levels().astype(np.float32))
    await host.close()


async def test_a_block_cut_short_times_out_and_the_rest_never_reaches_the_next_query(
    peer: Any, host_for: Make
) -> None:
    """The late half of a trace is left on the old link."""
    host = await opened(host_for, peer, timeout_s=0.1)
    whole = b"#41604" + bytes(1604) + b"\n"
    peer.answers["TRAC? TRACE1"] = whole[:500]
    with pytest.raises(TransportTimeout, match=r"TRAC\? TRACE1: only .* bytes or more"):
        await host.sweep(ASK)
    assert not host.is_open
    del peer.answers["TRAC? TRACE1"]
    opened_again = await host.open()
    assert opened_again.identity.maker == "ACME" and peer.connections == 2
    await host.sweep(ASK)
    await host.close()


@pytest.mark.slow
async def test_a_late_answer_never_goes_to_the_next_query(peer: Any, host_for: Make) -> None:
    """After a timeout: a new connection, *ESR? first, identified again; the late one is lost."""
    host = await opened(host_for, peer, timeout_s=0.1)
    await host.sweep(ASK)
    peer.delays_s["TRAC? TRACE1"] = 0.4
    with pytest.raises(TransportTimeout):
        await host.sweep(ASK)
    peer.delays_s.clear()
    peer.asked.clear()
    peer.idn = "ACME,MODEL 1,SN0001,2.00"
    host._options["timeout_s"] = 2.0
    again = await host.open()
    order = [one for one in peer.asked if one in ("*ESR?", "*CLS", "*IDN?")]
    assert order[:3] == ["*ESR?", "*CLS", "*IDN?"]
    assert again.identity.firmware == "2.00" and again.identity_changed_from is not None
    assert np.array_equal((await host.sweep(ASK)).level, peer.levels().astype(np.float32))
    await host.close()


@pytest.mark.slow
async def test_a_sweep_that_never_ends_times_out_by_its_own_estimate(
    peer: Any, host_for: Make
) -> None:
    """INIT:IMM;*OPC? has a deadline from the sweep time."""
    host = await opened(host_for, peer)
    await host.sweep(ASK)
    peer.silent = {"INIT:IMM;*OPC?"}
    begun_s = time.monotonic()
    with pytest.raises(TransportTimeout, match="INIT:IMM"):
        await host.sweep(ASK)
    assert time.monotonic() - begun_s < 2.5


async def test_a_dropped_connection_costs_sweeps_until_it_is_opened_anew(
    peer: Any, host_for: Make
) -> None:
    """The error is one of the link; then all works again."""
    host = await opened(host_for, peer)
    peer.drop()
    with pytest.raises(TransportError):
        await host.sweep(ASK)
    assert not host.is_open
    await host.open()
    await host.sweep(ASK)
    await host.close()


async def test_the_source_is_on_only_while_a_sweep_wants_it(peer: Any, host_for: Make) -> None:
    """Off after opening, on during the sweep, off after it, off after a sweep that failed."""
    peer.settings["OUTP"] = 1.0
    host = await opened(host_for, peer)
    assert peer.settings["OUTP"] == 0
    seen: list[Any] = []

    def look() -> None:
        seen.append((peer.settings["OUTP"], peer.settings["SOUR:POW"]))

    peer.on_trace = look
    ask = replace(ASK, source=SourceRequest(on=True, level_dbm=-20.0))
    sweep = await host.sweep(ask)
    assert seen == [(1.0, -20.0)] and peer.settings["OUTP"] == 0
    assert sweep.reported.source_level_dbm == -20.0
    peer.on_trace = lambda: b"junk"
    with pytest.raises(ProtocolViolation):
        await host.sweep(ask)
    await host.close()
    assert peer.settings["OUTP"] == 0


async def test_a_source_that_is_not_recognised_is_turned_off_all_the_same(
    peer: Any, host_for: Make
) -> None:
    """It answers no level, so it is not offered; but it does not stay on."""
    peer.unknown = {"SOUR:POW"}
    peer.settings["OUTP"] = 1.0
    host = await opened(host_for, peer)
    assert host.capabilities is not None and not host.capabilities.source
    assert peer.settings["OUTP"] == 0
    await host.close()


@pytest.mark.slow
async def test_a_source_held_on_goes_off_when_the_sweeper_is_closed(
    peer: Any, host_for: Make
) -> None:
    """Also where the sweep was cancelled in the middle."""
    host = await opened(host_for, peer)
    await host.set_source(SourceRequest(on=True, level_dbm=-30.0))
    assert peer.settings["OUTP"] == 1
    peer.delays_s["INIT:IMM;*OPC?"] = 0.3
    task = asyncio.create_task(host.sweep(ASK))
    await asyncio.sleep(0.1)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    for _ in range(100):
        if peer.settings["OUTP"] == 0:
            break
        await asyncio.sleep(0.01)
    assert peer.settings["OUTP"] == 0
    await host.close()


async def test_a_span_that_the_sweeper_moved_gives_its_own_axis(peer: Any, host_for: Make) -> None:
    """Coarse frequency steps: the axis is what it read back."""
    host = await opened(host_for, peer)
    peer.answers["FREQ:STOP?"] = b"157.001E6\n"
    sweep = await host.sweep(ASK)
    assert sweep.frequency_hz[-1] == pytest.approx(157.001e6)
    assert sweep.frequency_hz[0] == 156e6
    await host.close()


async def test_another_number_of_points_than_asked_for_is_refused(
    peer: Any, host_for: Make
) -> None:
    """The sweeper took what it has; the request names what it took."""
    host = await opened(host_for, peer)
    peer.answers["SWE:POIN?"] = b"400\n"
    with pytest.raises(RequestRefused, match=r"points: asked for 401.*400"):
        await host.sweep(ASK)
    await host.close()


async def test_levels_in_dbuv_keep_their_unit(peer: Any, host_for: Make) -> None:
    """The unit is set, and travels with the sweep."""
    host = await opened(host_for, peer, unit="dBuV")
    sweep = await host.sweep(ASK)
    assert sweep.unit is LevelUnit.DBUV and peer.settings["UNIT:POW"] == "DBUV"
    await host.close()


@pytest.mark.slow
async def test_a_sweeper_that_restarts_on_opening_is_asked_until_it_answers(
    peer: Any, host_for: Make
) -> None:
    """With boot_s the first question is put again."""
    peer.silent = {"*ESR?"}
    host = host_for(peer.address, boot_s=5.0)
    task = asyncio.create_task(host.open())
    await asyncio.sleep(0.3)
    peer.silent = set()
    opened_now = await task
    assert opened_now.identity.maker == "ACME"
    await host.sweep(ASK)
    await host.close()


OPTIONS = {
    "unknown": ({"fromat": "ascii"}, "'fromat', .* did you mean format"),
    "unknown without a near one": ({"zzz": 1}, "known ones; ask_timeout_s"),
    "format": ({"format": "real16"}, "auto, ascii, real32, real64"),
    "terminator": ({"terminator": "\n"}, "lf, crlf, cr"),
    "timeout as text": ({"timeout_s": "2 s"}, "a number of seconds from 0.05 to 60"),
    "timeout not finite": ({"timeout_s": float("inf")}, "a number of seconds"),
    "status": ({"status": "yes"}, "true or false"),
    "a command in a word": ({"trace": "TRACE1;*RST"}, "a SCPI word"),
    "detectors": ({"detectors": {"peak": "POS"}}, "positive, negative"),
    "a command in a detector": ({"detectors": {"rms": "RMS\nOUTP 1"}}, "a SCPI word"),
    "points": ({"points_allowed": [0, 401]}, "whole numbers above 0"),
    "steps": ({"rbw_steps_hz": []}, "a list of numbers"),
    "settings": ({"settings": ["gain"]}, "rbw_hz, vbw_hz"),
    "stop": ({"stop_hz": True}, "a frequency in Hz"),
}


async def test_an_answer_to_an_old_conversation_does_not_pass_for_the_identity(
    peer: Any, host_for: Make
) -> None:
    """A serial line does not end with a conversation: the identity is asked twice."""
    peer.idns = ["0", peer.idn]
    with pytest.raises(ProtocolViolation, match="'0' again from"):
        await opened(host_for, peer)
    host = await opened(host_for, peer)
    assert host.identity is not None and host.identity.maker == "ACME"
    await host.close()


@pytest.mark.parametrize(("options", "says"), OPTIONS.values(), ids=OPTIONS)
def test_a_wrong_option_is_refused_by_name(options: dict[str, Any], says: str) -> None:
    """What was given and what is accepted; nothing can smuggle a command in."""
    with pytest.raises(RequestRefused, match=says):
        Dialect.from_options(options)


def test_options_of_the_link_are_not_the_dialects() -> None:
    """They may stand beside."""
    dialect = Dialect.from_options({"baud": 9600, "dtr": False, "terminator": "cr"})
    assert dialect.terminator == b"\r"


def find(addresses: list[str], *, probe: bool, ports: Any = ()) -> Any:
    """What the driver finds."""
    entry = DriverEntry(name="scpi", distribution="acqd-scpi", version="0", factory=ScpiDriver)
    registry = Registry(drivers={"scpi": entry})
    return look_for(registry, addresses=addresses, probe=probe, list_serial=lambda: list(ports))


def test_finding_without_probe_lists_what_was_named_and_asks_nobody(peer: Any) -> None:
    """No connection is made."""
    result = find([peer.address, "sim:bench"], probe=False)
    assert [(one.address, one.certainty) for one in result.candidates] == [
        (peer.address, Certainty.LISTED)
    ]
    assert peer.connections == 0


def test_finding_with_probe_asks_who_it_is(peer: Any) -> None:
    """*IDN? and nothing else."""
    (found,) = find([peer.address], probe=True).candidates
    assert found.certainty is Certainty.ANSWERED and found.identity.serial_number == "SN0001"
    assert peer.asked == ["*IDN?"]


@pytest.mark.parametrize("answer", ["?", "-113", "login: "])
def test_an_answer_without_the_fields_of_an_identity_is_no_sweeper(peer: Any, answer: str) -> None:
    """IEEE 488.2 has fields with commas between them; a console has none. It is not adopted."""
    peer.idn = answer
    (found,) = find([peer.address], probe=True).candidates
    assert found.certainty is Certainty.LISTED and found.identity is None
    assert "no sweeper that speaks SCPI" in found.what and repr(answer.strip())[1:-1] in found.what


def test_who_does_not_answer_is_listed_with_the_reason() -> None:
    """What the system said; an address that none can open is not taken at all."""
    (found,) = find(["tcp://127.0.0.1:1", "tcp://127.0.0.1:99999"], probe=True).candidates
    assert found.address == "tcp://127.0.0.1:1"
    assert found.what.startswith("does not answer: cannot connect: ")


def test_an_address_that_another_link_has_is_busy(peer: Any) -> None:
    """Nothing is written to it, and its holder loses nothing."""
    link = open_transport(peer.address)
    try:
        (found,) = find([peer.address], probe=True).candidates
        assert found.certainty is Certainty.BUSY
        assert peer.asked == []
    finally:
        link.close()
