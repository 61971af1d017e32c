"""Notes: what is no error but may not be what was meant."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from acqd.config.load import StationConfig

Read = Callable[[str], StationConfig]
Edited = Callable[..., str]


@pytest.mark.parametrize(
    ("changes", "line", "words"),
    [
        ([('rbw = "10 kHz"', 'rbw = "5 kHz"')], None, ""),
        ([('rbw = "10 kHz"', 'rbw = "2.5 kHz"')], 23, "2 RBW apart"),
        ([('rbw = "10 kHz"', 'rbw = "2.5 kHz"')], 23, "reads 12.0 dB low"),
        ([('rbw = "10 kHz"', 'rbw = "100 Hz"')], 23, "is not seen"),
        ([('rbw = "10 kHz"', 'sweep_time = "2 s"')], None, ""),
        ([('rbw = "10 kHz"', 'rbw = "10 kHz"\nsweep_time = "160 ms"')], None, ""),
        ([('rbw = "10 kHz"', 'rbw = "10 kHz"\nsweep_time = "50 ms"')], 24, "wants 0.152 s"),
        ([('rbw = "10 kHz"', 'sweep_time = "3 s"')], 24, "due times will be missed"),
        (
            [
                ('rbw = "10 kHz"', 'sweep_time = "1 s"'),
                ('every = "2 s"', 'every = "2 s", burst = 3'),
            ],
            24,
            "sweeping takes 3 s",
        ),
        ([('rbw = "10 kHz"', 'band.flapping = "1 s"')], 23, "joins nothing"),
        ([('rbw = "10 kHz"', 'band.learn = "1 h"')], 23, "has no effect without"),
        ([('rbw = "10 kHz"', 'band = { learn = "1 h", floor = "learnt" }')], None, ""),
        (
            [('rbw = "10 kHz"', 'band.channels = "marine-vhf"'), ("162.1 MHz", "157 MHz")],
            23,
            "channels do not lie whole in the sweep",
        ),
        (
            [('rbw = "10 kHz"', 'band.channels = "marine-vhf"\nrbw = "100 kHz"')],
            23,
            "narrower than the RBW",
        ),
        (
            [('rbw = "10 kHz"', 'band.channels = "marine-vhf"'), ("5 kHz", "100 kHz")],
            23,
            "narrower than the step",
        ),
        (
            [('loss = "1 dB"', 'loss_at = [["100 MHz", "1 dB"], ["157 MHz", "2 dB"]]')],
            25,
            "does not reach 83.5 % of the sweep",
        ),
        ([('chain = "aerial"', "")], 12, "no job uses this chain"),
        ([('driver = "sim"', 'driver = "sim"\nenabled = false')], 20, "`mast` is not enabled"),
        (
            [('time_zone = "Europe/London"\n', ""), ('"2 s"', '"2 s", window = "21:00..06:00"')],
            23,
            "its times are UTC",
        ),
        (
            [('time_zone = "Europe/London"\n', ""), ('"2 s"', '"2 s", window = "dusk..dawn"')],
            None,
            "",
        ),
        (
            [("[station]", '[mqtt]\nbroker = "none"\naddress = "127.0.0.1:1884"\n[station]')],
            3,
            "has no effect with broker",
        ),
        (
            [
                (
                    "[station]",
                    '[mqtt]\nbroker = "mqtt://broker.example"\nuser_env = "U"\n'
                    'password_env = "P"\n[station]',
                )
            ],
            2,
            "readable for all",
        ),
        (
            [
                (
                    "[station]",
                    '[mqtt]\nbroker = "mqtts://broker.example"\nuser_env = "U"\n'
                    'password_env = "P"\n[station]',
                )
            ],
            None,
            "",
        ),
        ([("[station]", '[mqtt]\nuser_env = "U"\n[station]')], 1, "asks for no user"),
        ([("[station]", '[mqtt]\nuser = "u"\n[station]')], 1, "asks for no user"),
        (
            [("[station]", '[mqtt]\nbroker = "none"\n[dash]\n[station]')],
            3,
            "there is nothing to show",
        ),
        (
            [('rbw = "10 kHz"', 'band.channels = "marine-vhf"\nrbw = "8 kHz"')],
            23,
            "powers of channels are not given",
        ),
    ],
    ids=str,
)
def test_note(
    read: Read,
    small: str,
    edited: Edited,
    changes: list[tuple[str, str]],
    line: int | None,
    words: str,
) -> None:
    """Each thing worth a note is noted at its line; what is fine is not."""
    notes = read(edited(small, *changes)).notes()
    if line is None:
        assert notes == ()
        return
    assert any(f"station.toml:{line}: " in note and words in note for note in notes), notes


def test_station_without_jobs(read: Read, small: str) -> None:
    """A config without jobs can be read, and says that there is nothing to do."""
    notes = read(small[: small.index("[chain.aerial]")]).notes()
    assert len(notes) == 2
    assert "there is no job to run" in notes[0]
    assert "no job uses this sweeper" in notes[1]


def test_shares_that_are_made_smaller(read: Read, small: str) -> None:
    """Ten jobs with the share that they have by default are one too many for 90 %."""
    job = small[small.index("[job.watch]") :]
    text = small + "".join(job.replace("watch", f"watch-{number}") for number in range(8))
    assert read(text).notes() == ()
    (note,) = read(text + job.replace("watch", "watch-8")).notes()
    assert ":8: sweeper.mast: the shares of its jobs come to 100 %" in note
