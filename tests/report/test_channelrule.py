"""Which channels are busy, told of many sweeps at once, is what the meter says of each."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.measure.band_sweep import _look_at_channels as look_at_channels
from acqd.measure.band_sweep import residual_of
from acqd.report.channelrule import BUSY, FREE, NOT_HEARD, ChannelRule, settings_of

SWEEPS = 400

BAND = 'false_alarm = 1e-7\nchannels = "channels.toml"\n'
NOISE = 'phase_noise_at = [["10 kHz", "-85 dBc/Hz"], ["100 kHz", "-95 dBc/Hz"]]\n'
SWEEPERS = {
    "filter not known": "",
    "filter known": "shape_factor = 4.5\n",
    "phase noise known": f"shape_factor = 11\n{NOISE}",
}

OVERLAPPING = "".join(
    f'[[channel]]\nname = "{name}"\ncentre = "{centre} MHz"\nwidth = "25 kHz"\n\n'
    for name, centre in (
        ("12", 156.7),
        ("72", 156.7125),
        ("16", 156.8),
        ("17", 156.825),
        ("67", 156.9),
    )
)


def busy_night(nights: ModuleType, folder: Path, sweeper: str) -> Any:
    """Sweeps with up to four carriers anywhere, weak and strong, some with levels missing."""
    text: str = vars(nights)["STATION"]
    about = 'title = "Overlapping"\nedition = "made for this"\nsource = "made for this"\n\n'
    known = 'level_accuracy = "1.5 dB"\n'
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nights, "STATION", text.replace(known, known + sweeper))
        night = nights.Night(folder, band=BAND, channels=about + OVERLAPPING)
    random = np.random.default_rng(11)

    def level(number: int) -> Any:
        found = night.noise()
        for _ in range(int(random.integers(0, 5))):
            hz = float(random.uniform(nights.START_HZ, nights.STOP_HZ))
            dbm = float(random.uniform(-108.0, -30.0))
            for away_hz in random.choice([0.0, 2e3, 5e3]) * np.arange(-1, 2):
                found = night.with_carrier(found, hz + away_hz, dbm)
        if number % 20 == 7:
            found[int(random.integers(0, found.size)) :][:9] = np.nan
        return found

    return night.run(SWEEPS, level)


@pytest.mark.parametrize("name", list(SWEEPERS))
def test_many_sweeps_at_once_are_as_the_meter_looks_at_each(
    nights: ModuleType, tmp_path: Path, name: str
) -> None:
    """With overlapping channels, skirts, strong neighbours and missing levels alike."""
    source = busy_night(nights, tmp_path, SWEEPERS[name]).source()
    plain = 0
    states: list[int] = []
    for block in source.blocks():
        settings = settings_of(block.setup)
        assert settings is not None
        rule = ChannelRule(block.setup, settings)
        found = rule.states(block, np.ones(len(block), dtype=np.bool_))
        opening, closing = block.column("threshold_dbm"), block.figures("closing_dbm")
        for at in range(len(block)):
            missing = residual_of(rule._work, block.level[at], None)
            limits = float(opening[at]), float(closing[at])
            anything = bool((rule._work.over > limits[0]).any())
            look = look_at_channels(
                rule._work, settings, block.level[at], *limits, missing, anything
            )
            expected = np.full(rule.channel.size, FREE)
            if look is not None and look.seen is not None:
                expected[~look.seen] = NOT_HEARD
            if look is not None:
                expected[look.own] = BUSY
            assert found[at].tolist() == expected.tolist(), int(block.seq[at])
        which, _ = rule._plain(block.level, opening, closing)
        plain += int((which & np.isfinite(block.level).all(axis=1)).sum())
        states += found.ravel().tolist()
    assert SWEEPS // 2 < plain <= SWEEPS - SWEEPS // 20, "both ways were gone"
    assert set(states) == {NOT_HEARD, FREE, BUSY}


def test_what_did_not_listen_is_neither_free_nor_busy(nights: ModuleType, tmp_path: Path) -> None:
    """However strong it was."""
    source = busy_night(nights, tmp_path, SWEEPERS["filter not known"]).source()
    for block in source.blocks():
        settings = settings_of(block.setup)
        assert settings is not None
        heard = np.arange(len(block)) % 2 == 0
        found = ChannelRule(block.setup, settings).states(block, heard)
        assert (found[~heard] == NOT_HEARD).all()
        assert (found[heard] == BUSY).any()
