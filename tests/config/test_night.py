"""The example of a whole night: its config is right, and its scene is the plugin's own."""

from __future__ import annotations

from pathlib import Path

from acqd_sim.scenefile import load_world

from acqd.config.load import load_config

ROOT = Path(__file__).parents[2]
SCENE = ROOT / "configs" / "scenes" / "gannet-night.toml"


def test_the_nights_watch_is_right() -> None:
    """It loads without a note; all of its sweepers are in the scene, by the station's clock."""
    config = load_config(ROOT / "configs" / "night.toml")
    assert config.notes() == ()
    assert set(config.jobs) == {"marine-vhf", "stray", "lamp-soak"}
    assert config.jobs["lamp-soak"].soak is not None
    assert config.jobs["marine-vhf"].when.window == ("21:00..06:00",)
    world = load_world(str(SCENE))
    for sweeper in config.sweepers.values():
        assert sweeper.address.removeprefix("sim:") in world.models
    assert world.models["mast"].away.zone.name == config.station.time_zone


def test_the_scene_among_the_configs_is_the_plugins_own() -> None:
    """One text, two places."""
    own = ROOT / "plugins" / "acqd-sim" / "src" / "acqd_sim" / "gannet-night.toml"
    assert SCENE.resolve() == own.resolve()
