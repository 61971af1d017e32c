"""Commands on an instrument, without any port, on a clock that stands still."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from acqd_sim.emissions import Tone
from acqd_sim.instrument import Instrument
from acqd_sim.interpreter import command_index, run
from acqd_sim.receiver import Receiver
from acqd_sim.scene import Scene

Make = Callable[..., Receiver]


class Bench:
    """An instrument and its clock, which moves on when a message waits."""

    def __init__(self, receiver: Receiver, clock: Any) -> None:
        self.clock = clock
        self.instrument = Instrument("bench", receiver, clock)
        self.waited_s = 0.0
        self("*CLS;:INIT:CONT 0")

    def __call__(self, message: str) -> str:
        return self.raw(message).decode("ascii")

    def raw(self, message: str) -> bytes:
        steps = run(self.instrument, message.encode())
        while True:
            try:
                due_s = next(steps)
            except StopIteration as done:
                answer: bytes = done.value
                return answer
            left_s = max(0.0, due_s - self.clock.steady_s()) + 1e-6
            self.waited_s += left_s
            self.clock.at_s += left_s

    def errors(self) -> list[int]:
        """Numbers in the queue, which is emptied."""
        found = []
        while not (entry := self("SYST:ERR?")).startswith("0,"):
            found.append(int(entry.split(",")[0]))
        return found


@pytest.fixture
def bench(receiver_of: Make, clock: Any) -> Bench:
    """A receiver with a carrier at 145 MHz, and a source."""
    tone = Tone(name="carrier", kind="carrier", frequency_hz=145e6, power_dbm=-50.0)
    receiver = receiver_of(Scene(tones=(tone,)), source=True, level_accuracy_db=0.1)
    return Bench(receiver, clock)


def test_power_on_is_told_once(receiver_of: Make, clock: Any) -> None:
    """PON is set after power-on, read away by *ESR?, and set again after a power cycle."""
    instrument = Instrument("x", receiver_of(), clock)
    assert int(instrument.status.esr) == 128
    bench = Bench(receiver_of(), clock)
    bench.instrument.power_cycle()
    assert bench("*ESR?") == "128"
    assert bench("*ESR?") == "0"


SETTINGS = [
    ("FREQ:STAR", "100E6", 100e6),
    ("FREQ:STOP", "200 MHZ", 200e6),
    ("FREQ:CENT", "145E6", 145e6),
    ("FREQ:SPAN", "2E6", 2e6),
    ("SENS:BAND:RES", "12 KHZ", 10e3),
    ("BAND", "100", 100.0),
    ("BWID:VID", "1E3", 1e3),
    ("SWE:POIN", "501", 501),
    ("SWE:TIME", "2", 2.0),
    ("AVER:COUN", "7", 7),
    ("INP:ATT", "20", 20.0),
    ("DISP:WIND:TRAC:Y:SCAL:RLEV", "-10 DBM", -10.0),
    ("SOUR:POW", "-15", -15.0),
    ("SOUR:POW:LEV:IMM:AMPL", "-16", -16.0),
    ("*ESE", "36", 36),
    ("*SRE", "32", 32),
    ("STAT:OPER:ENAB", "8", 8),
]


@pytest.mark.parametrize(("header", "given", "expected"), SETTINGS)
def test_settings_are_read_back_as_they_are(
    bench: Bench, header: str, given: str, expected: float
) -> None:
    """Set, read back; steps of the receiver show in what is read."""
    bench(f"{header} {given}")
    assert float(bench(f"{header}?")) == pytest.approx(expected, rel=1e-9)
    assert bench.errors() == []


WORDS = [
    ("DET", "POSITIVE", "POS"),
    ("DET:FUNC", "samp", "SAMP"),
    ("DET", "RMS", "RMS"),
    ("DET", "AVERage", "AVER"),
    ("UNIT:POW", "DBUV", "DBUV"),
    ("FORM", "REAL,32", "REAL,32"),
    ("FORM:DATA", "REAL", "REAL,64"),
    ("FORM", "ASC", "ASC,0"),
    ("FORM:BORD", "SWAP", "SWAP"),
    ("INIT:CONT", "ON", "1"),
    ("AVER", "1", "1"),
    ("OUTP", "ON", "1"),
    ("BAND:AUTO", "OFF", "0"),
    ("BAND:VID:AUTO", "0", "0"),
    ("SWE:TIME:AUTO", "0", "0"),
    ("INP:ATT:AUTO", "0", "0"),
]


@pytest.mark.parametrize(("header", "given", "expected"), WORDS)
def test_words_are_read_back_in_their_short_form(
    bench: Bench, header: str, given: str, expected: str
) -> None:
    """Choices and switches."""
    bench(f"{header} {given}")
    assert bench(f"{header}?") == expected
    assert bench.errors() == []


@pytest.mark.parametrize(
    "header", ["FREQ:STAR", "BAND", "SWE:POIN", "INP:ATT", "AVER:COUN", "SOUR:POW", "SWE:TIME"]
)
def test_limits_can_be_asked_and_set_by_word(bench: Bench, header: str) -> None:
    """MIN and MAX as queries and as values; a step beyond is out of range and changes nothing."""
    for word in ("MIN", "MAXimum"):
        limit = float(bench(f"{header}? {word}"))
        bench(f"{header} {word}")
        if header != "SWE:TIME":  # the least sweep time depends on the rest
            assert float(bench(f"{header}?")) == pytest.approx(limit)
    bench(f"{header} DEF")
    before = bench(f"{header}?")
    most = float(bench(f"{header}? MAX"))
    bench(f"{header} {most + abs(most) + 1}")
    assert bench(f"{header}?") == before
    assert bench.errors() == [-222]


def test_start_stop_centre_and_span_are_coupled(bench: Bench) -> None:
    """Four sides of one thing."""
    bench("FREQ:STAR 100E6;STOP 200E6")
    assert bench("FREQ:CENT?;SPAN?") == "1.500000000E+08;1.000000000E+08"
    bench("FREQ:CENT 300E6")
    assert bench("FREQ:STAR?;STOP?") == "2.500000000E+08;3.500000000E+08"
    bench("FREQ:SPAN 10E6")
    assert bench("FREQ:STAR?;STOP?") == "2.950000000E+08;3.050000000E+08"
    bench("FREQ:STAR 400E6")
    assert bench("FREQ:STAR?;STOP?") == "4.000000000E+08;4.000000000E+08"
    bench("FREQ:CENT 1E6;SPAN 500E6")
    assert bench("FREQ:STAR?;STOP?") == "1.000000000E+05;5.001000000E+08"


def test_automatic_settings_follow_and_fixed_ones_stay(bench: Bench) -> None:
    """RBW and sweep time go with the span until they are set."""
    bench("FREQ:CENT 145E6;SPAN 1E6")
    assert float(bench("BAND?")) == 10e3
    bench("FREQ:SPAN 100E6")
    assert float(bench("BAND?")) == 1e6
    bench("BAND 30E3;:FREQ:SPAN 1E6")
    assert bench("BAND:AUTO?") == "0"
    assert float(bench("BAND?")) == 30e3
    bench("BAND:AUTO 1")
    assert float(bench("BAND?")) == 10e3


def test_reset_gives_the_state_that_the_standard_asks_for(bench: Bench) -> None:
    """*RST: ASCII, DBM, idle, source off; it clears neither errors nor masks."""
    bench("FORM REAL,32;:FORM:BORD SWAP;:UNIT:POW V;:OUTP 1;:INIT:CONT 1;*ESE 32;NONSENSE")
    bench("*RST")
    assert bench("FORM?;:FORM:BORD?;:UNIT:POW?;:OUTP?;:INIT:CONT?;*ESE?") == "ASC,0;NORM;DBM;0;0;32"
    assert bench.errors() == [-113]


def test_a_sweep_is_waited_for_and_gives_a_trace(bench: Bench) -> None:
    """INIT:IMM;*OPC? takes the sweep time; the carrier is where it belongs."""
    bench("FREQ:STAR 144E6;STOP 146E6;:BAND 10E3;:SWE:POIN 401")
    sweep_s = float(bench("SWE:TIME?"))
    bench.waited_s = 0.0
    assert bench("INIT:IMM;*OPC?") == "1"
    assert bench.waited_s == pytest.approx(sweep_s, rel=0.01)
    level = np.array([float(text) for text in bench("TRAC? TRACE1").split(",")])
    assert level.size == 401
    assert level.argmax() == 200
    assert level.max() == pytest.approx(-50.0, abs=0.3)


def test_opc_sets_its_bit_when_the_sweep_is_done(bench: Bench) -> None:
    """*OPC does not wait; *WAI does."""
    bench("FREQ:SPAN 1E6;*ESR?")
    bench("INIT;*OPC")
    assert int(bench("*ESR?")) & 1 == 0
    assert int(bench("STAT:OPER:COND?")) & 8
    bench("*WAI")
    assert int(bench("*ESR?")) & 1 == 1
    assert int(bench("STAT:OPER:COND?")) & 8 == 0


def test_a_trace_out_of_date_is_an_error_not_an_old_trace(bench: Bench) -> None:
    """No sweep with these settings: -230, no answer."""
    bench("INIT;*WAI")
    assert bench("TRAC? TRACE1") != ""
    bench("FREQ:SPAN 3E6")
    assert bench("TRAC? TRACE1") == ""
    assert bench.errors() == [-230]


def test_two_sweeps_are_never_alike(bench: Bench) -> None:
    """Noise is new each time."""
    bench("INIT;*WAI")
    first = bench("TRAC? TRACE1")
    bench("INIT;*WAI")
    assert bench("TRAC? TRACE1") != first


def test_continuous_sweeps_go_on_by_themselves(bench: Bench) -> None:
    """The first is waited for; later ones come with time, and INIT is refused meanwhile."""
    bench("INIT:CONT 1")
    first = bench("TRAC? TRACE1")
    assert bench("TRAC? TRACE1") == first
    bench.clock.at_s += 10.0
    assert bench("TRAC? TRACE1") != first
    bench("INIT")
    assert bench.errors() == [-213]


def test_abort_ends_a_sweep(bench: Bench) -> None:
    """Nothing is under way any more, and there is no trace of it."""
    bench("FREQ:SPAN 100E6;:BAND 1E3;:INIT")
    bench.waited_s = 0.0
    assert bench("ABOR;*OPC?") == "1"
    assert bench.waited_s == 0.0
    assert bench("TRAC? TRACE1") == ""


@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize("order", ["NORM", "SWAP"])
def test_blocks_hold_what_ascii_says(bench: Bench, bits: int, order: str) -> None:
    """Definite-length block in both widths and byte orders."""
    bench("SWE:POIN 101;:INIT;*WAI")
    expected = [float(text) for text in bench("TRAC? TRACE1").split(",")]
    bench(f"FORM REAL,{bits};:FORM:BORD {order}")
    block = bench.raw("TRAC? TRACE1")
    size = 101 * bits // 8
    head = b"#3%d" % size
    assert block.startswith(head)
    assert len(block) == len(head) + size
    code = f"{'<' if order == 'SWAP' else '>'}101{'f' if bits == 32 else 'd'}"
    assert struct.unpack(code, block[len(head) :]) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(
    ("unit", "expected"),
    [("DBM", -50.0), ("DBUV", 56.99), ("W", 1e-8), ("V", 7.07e-4)],
)
def test_levels_come_in_the_unit_asked_for(bench: Bench, unit: str, expected: float) -> None:
    """−50 dBm is 56.99 dBµV, 10 nW and 0.707 mV in 50 Ω."""
    bench(f"FREQ:CENT 145E6;SPAN 1E6;:UNIT:POW {unit};:INIT;*WAI")
    peak = max(float(text) for text in bench("TRAC? TRACE1").split(","))
    tolerance = {"DBM": 0.3, "DBUV": 0.3, "W": 1e-9, "V": 4e-5}[unit]
    assert peak == pytest.approx(expected, abs=tolerance)


ERRORS = [
    ("NONSENSE", -113),
    ("FREQ:STARR 1", -113),
    ("*IDN", -113),
    ("TRAC", -113),
    ("INIT?", -113),
    ("BANDW 1E3", -113),
    ("FREQ:STAR", -109),
    ("FREQ:STAR 1E6,2E6", -108),
    ("*RST 1", -108),
    ("FREQ:STAR abc", -104),
    ("FREQ:STAR 5 M", -131),
    ("SWE:POIN 5 HZ", -138),
    ("FREQ:STAR -5", -222),
    ("SWE:POIN 1E9", -222),
    ("DET LOUD", -141),
    ("FORM REAL,16", -224),
    ("TRAC? TRACE7", -114),
    ("TRAC? OTHER", -224),
    ("SENS2:BAND 1E3", -114),
    ("*ESE 999", -222),
    ("FREQ::STAR 1", -102),
    ("TRAC? TRACE1", -230),
    ("*IDN?;*OPC?", -440),
]


@pytest.mark.parametrize(("message", "code"), ERRORS)
def test_mistakes_are_queued_under_their_number(bench: Bench, message: str, code: int) -> None:
    """And the bit of their class is set in the event status register."""
    bench("*ESR?")
    bench(message)
    esr = int(bench("*ESR?"))
    assert bench.errors() == [code]
    assert esr & {1: 32, 2: 16, 4: 4}[-code // 100]


def test_after_a_command_error_the_rest_of_the_message_is_dropped(bench: Bench) -> None:
    """After one of execution it is not."""
    bench("SWE:POIN 200;:NONSENSE;:SWE:POIN 300")
    assert bench("SWE:POIN?") == "200"
    bench("SWE:POIN 400;:SWE:POIN 1E9;:SWE:POIN 500")
    assert bench("SWE:POIN?") == "500"


def test_a_full_queue_says_so_and_keeps_the_oldest(bench: Bench) -> None:
    """Sixteen entries, the newest of them replaced by -350."""
    for _ in range(20):
        bench("NONSENSE")
    assert bench("SYST:ERR:COUN?") == "16"
    assert bench.errors() == [-113] * 15 + [-350]
    assert bench("SYST:ERR?") == '0,"No error"'


def test_all_errors_can_be_read_at_once(bench: Bench) -> None:
    """SYST:ERR:ALL? empties the queue."""
    bench("NONSENSE")
    bench("FREQ:STAR -1")
    answer = bench("SYST:ERR:ALL?")
    assert answer.startswith('-113,"Undefined header;NONSENSE",-222,"Data out of range;')
    assert bench("SYST:ERR:ALL?") == '0,"No error"'


def test_the_status_byte_sums_up(bench: Bench) -> None:
    """Error queue bit 2, event status bit 5 through its mask, master summary bit 6 through its."""
    bench("*CLS;*ESE 32;*SRE 36")
    assert bench("*STB?") == "0"
    bench("NONSENSE")
    assert int(bench("*STB?")) == 4 | 32 | 64
    bench("*CLS")
    assert bench("*STB?") == "0"
    assert bench("*ESE?;*STB?").endswith(";16")  # an answer is waiting: MAV


def test_an_overload_is_a_questionable_power(receiver_of: Make, clock: Any) -> None:
    """Bit 3 of the questionable status follows the last sweep."""
    tone = Tone(name="strong", kind="carrier", frequency_hz=145e6, power_dbm=8.0)
    bench = Bench(receiver_of(Scene(tones=(tone,))), clock)
    bench("FREQ:CENT 145E6;SPAN 1E6;:INP:ATT 0;:INIT;*WAI")
    assert int(bench("STAT:QUES:COND?")) & 8
    bench("INP:ATT 30;:INIT;*WAI")
    assert int(bench("STAT:QUES:COND?")) & 8 == 0
    assert int(bench("STAT:QUES?")) & 8
    assert bench("STAT:QUES?") == "0"


def test_settings_may_pass_through_what_could_not_be_swept(bench: Bench) -> None:
    """A narrow filter first, the span after it; only a sweep that would take hours is refused."""
    bench("BAND 100;:INIT")
    assert bench.errors() == [-221]
    bench("FREQ:CENT 145E6;SPAN 10E3;:INIT;*WAI")
    assert bench.errors() == []


def test_without_a_source_none_can_be_turned_on(receiver_of: Make, clock: Any) -> None:
    """A settings conflict, not silence."""
    bench = Bench(receiver_of(), clock)
    bench("OUTP 1")
    bench("SOUR:POW -10")
    assert bench.errors() == [-221, -221]


def test_no_two_commands_share_a_spelling() -> None:
    """Every way to write a header belongs to one command."""
    from acqd_sim.commands import COMMANDS
    from acqd_sim.grammar import expand

    spellings = [key for command in COMMANDS for key in expand(command.pattern)]
    assert len(spellings) == len(set(spellings)) == len(command_index())
