"""The page docs/simulator.md says what is so."""

from __future__ import annotations

import re
from pathlib import Path

from acqd_sim.control import ORDERS
from acqd_sim.scenefile import World, world_from_text

from acqd.sweep import SweepRequest

PAGE = (Path(__file__).parents[3] / "docs" / "simulator.md").read_text(encoding="utf-8")


def test_the_example_is_a_scene_that_works() -> None:
    """It loads, and sweeps."""
    (text,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    world = world_from_text(text)
    receiver = world.receiver("mast")
    settings = receiver.model.settings(SweepRequest(start_hz=156e6, stop_hz=162e6, points=101))
    assert receiver.sweep(settings, start_s=1.78e9, counter=0).level_dbm.shape == (101,)
    assert {one.name for one in world.scenes["roof"].truth(1.78e9, 1.78e9 + 300)} == {
        "channel 16",
        "AIS 1",
    }


def test_every_order_is_listed_as_it_is() -> None:
    """Order, argument and effect, in order."""
    rows = re.findall(r"^\| `([a-z-]+)(?: ([^`]*))?` \| (.*) \|$", PAGE, re.MULTILINE)
    listed = [(word, argument.replace("\\|", "|"), does) for word, argument, does in rows]
    assert [row for row in listed if row[0] in ORDERS] == [
        (word, order.argument, order.does) for word, order in ORDERS.items()
    ]


def test_sweep_times_are_those_of_the_table(world: World) -> None:
    """What the page says of the built-in instruments."""
    ordinary = {
        "mast": (156e6, 162.1e6, 10e3, 0.305),
        "bench": (150e3, 30e6, 10e3, 0.75),
        "shack": (446e6, 446.2e6, 3e3, 0.06),
        "workbench": (60e6, 180e6, 30e3, 0.33),
        "hand-held-bench": (150e6, 800e6, 100e3, 0.16),
    }
    assert set(ordinary) == set(world.models)
    for name, (start_hz, stop_hz, rbw_hz, sweep_s) in ordinary.items():
        request = SweepRequest(start_hz=start_hz, stop_hz=stop_hz, points=401, rbw_hz=rbw_hz)
        took_s = world.models[name].settings(request).sweep_time_s
        assert abs(took_s - sweep_s) <= 0.005
        assert f"`{name}`" in PAGE
