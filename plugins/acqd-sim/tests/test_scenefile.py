"""Scene files: read, checked, and refused with the place of what is wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from acqd_sim.scenefile import World, load_world, world_from_text

from acqd.errors import ConfigError

HEAD = "seed = 1\n[instrument.one]\nscene = 'air'\n[scene.air]\n"
T0 = 1_780_000_000.0


def problems_of(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        world_from_text(text, "x.toml")
    return [str(problem) for problem in caught.value.problems]


def test_the_built_in_world_has_its_three_instruments(world: World) -> None:
    """What the demo and the driver count on."""
    assert {"mast", "bench", "shack"} <= set(world.models)
    assert world.hookups["mast"].scene.name == "marine"
    assert world.models["shack"].source


def test_the_example_among_the_configs_is_the_built_in_one() -> None:
    """One text, two places."""
    root = Path(__file__).parents[3]
    example = load_world(str(root / "configs" / "scenes" / "gannet.toml"))
    assert example.scenes == load_world().scenes


def test_the_marine_scene_is_alive_within_minutes(world: World) -> None:
    """Any quarter of an hour of the day has voice on 16, AIS and a rise of the floor."""
    scene = world.scenes["marine"]
    for hour in range(24):
        start_s = T0 + 3600.0 * hour
        names = [one.name for one in scene.truth(start_s, start_s + 900.0)]
        assert names.count("channel 16") >= 5
        assert names.count("AIS 1") > 1000
        assert "drifting oscillator" in names


def test_truth_agrees_with_what_is_shown(world: World) -> None:
    """Channel 16 is over the floor in a sweep exactly where the truth says it was on."""
    from acqd.sweep import SweepRequest

    receiver = world.receiver("mast")
    request = SweepRequest(start_hz=156.7e6, stop_hz=156.9e6, points=101, rbw_hz=10e3)
    settings = receiver.model.settings(request)
    agree, asked = 0, 0
    for n in range(250):
        start_s = T0 + 3.1 * n
        level = receiver.sweep(settings, start_s=start_s, counter=n).level_dbm[40:61].max()
        middle_s = start_s + settings.sweep_time_s / 2.0
        on = {one.name for one in world.scenes["marine"].truth(middle_s, middle_s + 1e-3)}
        if "outboard" not in on:  # its crackle is as strong as a weak voice
            asked += 1
            agree += bool(level > -86.0) == ("channel 16" in on)
    assert asked > 150
    assert asked - agree <= 3  # a burst may begin or end within the sweep


def test_the_seed_is_the_scene() -> None:
    """Another seed, other bursts; the same one, the same."""
    text = HEAD + "[[scene.air.voice]]\nname='v'\nfrequency='1 MHz'\npower='-50 dBm'\n"
    text += "on='2 s'\noff='5 s'\n"
    one = world_from_text(text).scenes["air"].truth(T0, T0 + 100.0)
    assert one == world_from_text(text).scenes["air"].truth(T0, T0 + 100.0)
    assert one != world_from_text(text.replace("seed = 1", "seed = 2")).scenes["air"].truth(
        T0, T0 + 100.0
    )


def test_a_transmitter_brings_its_harmonics() -> None:
    """Each as far below as stated, at n times the frequency."""
    text = HEAD + (
        "[[scene.air.transmitter]]\nname='tx'\nfrequency='100 MHz'\npower='30 dBm'\n"
        "harmonics=['40 dB','50 dB']\nwarm_shift='2 ppm'\n"
    )
    found = world_from_text(text).scenes["air"].truth(T0, T0 + 10.0)
    assert [one.power_dbm for one in found] == pytest.approx([30.0, -10.0, -20.0])
    expected = np.array([1.0, 2.0, 3.0]) * (100e6 - 200.0)
    assert [one.frequency_hz for one in found] == pytest.approx(list(expected))


WRONG = [
    ("seed = 1", "instrument"),
    ("seed = 'x'\n[instrument.a]", "seed"),
    ("nonsense = [", "not TOML"),
    (HEAD + "pad = 1", "unknown key `pad`"),
    (HEAD + "[[scene.air.carrier]]\nname='c'\nfrequency=5\npower='-50 dBm'", "without a unit"),
    (HEAD + "[[scene.air.carrier]]\nname='c'\npower='-50 dBm'", "`frequency` is missing"),
    (
        HEAD + "[[scene.air.carrier]]\nname='c'\nfrequency='1 MHz'\npower='-50 dBm'\non='2 s'",
        "`on` without `off`",
    ),
    (
        HEAD + "[[scene.air.carrier]]\nname='c'\nfrequency='1 MHz'\npower='-50 dBm'\n"
        "on='2 s'\noff='2 s'\nleast_on='3 s'",
        "least_on",
    ),
    ("seed = 1\n[instrument.one]\nscene = 'air'", "no scene of this name"),
    (HEAD + "[instrument.two]\npath = ['pad']", "no device of this name"),
    (HEAD + "[device.f]\nkind='band-pass'\nedge='1 MHz'", "wrong edges for a band-pass"),
    (HEAD + "[device.b]\nkind='bridge'\nload='whip'", "no device of this name"),
    (HEAD + "[device.x]\nkind='wormhole'", "kind"),
    (HEAD + "[instrument.two]\nsource_min = '-40 dBm'", "`source_min` without `source_max`"),
    (HEAD + "[instrument.two]\nrbw_min = '1 MHz'\nrbw_max = '1 kHz'", "above `rbw_max`"),
    (HEAD + "[instrument.two]\nrbw_min = '2 kHz'\nrbw_max = '2.5 kHz'", "no step up to"),
]


@pytest.mark.parametrize(("text", "problem"), WRONG)
def test_what_is_wrong_is_named(text: str, problem: str) -> None:
    """Each with file and what is accepted."""
    found = problems_of(text)
    assert any(problem in one for one in found), found
    assert all("x.toml" in one and "accepted: " in one for one in found)


def test_several_problems_come_at_once_with_their_lines() -> None:
    """Both mistakes, each at its line."""
    text = HEAD + "nonsense = 1\n[[scene.air.voice]]\nname='v'\nfrequency='1 mhz'\npower='-5 dBm'\n"
    found = problems_of(text)
    assert [one.split(":")[1] for one in found] == ["5", "8"]
    assert "did you mean `MHz`" in found[1]


def test_a_file_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    """Missing, a folder, not text, far too long."""
    (tmp_path / "latin").write_bytes(b"title = '\xe4'")
    (tmp_path / "long").write_text("#" * 2_000_000)
    for name in ("missing", ".", "latin", "long"):
        with pytest.raises(ConfigError, match="a scene file in TOML"):
            load_world(str(tmp_path / name))
