"""The page docs/simulator.md says what is so."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from acqd_sim.control import ORDERS
from acqd_sim.scenefile import World, load_world, world_from_text

from acqd.sweep import SweepRequest

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "docs" / "simulator.md").read_text(encoding="utf-8")


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


def test_the_night_happens_when_the_page_says() -> None:
    """Hours of the table against the truth of the scene, in summer and in winter."""
    world = load_world(str(ROOT / "configs" / "scenes" / "gannet-night.toml"))
    for midnight in ("2026-06-15", "2026-12-01"):
        zone = ZoneInfo("Europe/London")
        middle = datetime.fromisoformat(midnight).replace(tzinfo=zone)
        start_s = middle.timestamp() - 3 * 3600.0
        told: dict[str, tuple[str, str]] = {}
        tones = tuple(one for one in world.scenes["marine"].tones if "AIS" not in one.name)
        scene = replace(world.scenes["marine"], tones=tones)
        for one in scene.truth(start_s, start_s + 9 * 3600.0):
            begin, end = (
                datetime.fromtimestamp(at_s, zone).strftime("%H:%M")
                for at_s in (one.start_s, one.stop_s)
            )
            told[one.name] = told.get(one.name, (begin, ""))[0], end
        assert told["the watch's hand-held, channel 08"] == ("21:15", "21:15")
        assert told["vessel calling, channel 16"][0] == "22:52"
        assert told["vessel calling, channel 06"][1] == "22:57"
        assert told["lamp converter's hiss"] == ("02:10", "06:00")
        assert told["outboard"] == ("05:20", "05:24")
        assert "21:25" <= told["unplanned"][0] <= told["unplanned"][1] <= "21:37"
        assert "03:40" <= told["channel 72"][0] <= told["channel 72"][1] <= "04:05"
        mast = world.models["mast"]
        assert [mast.is_away(middle.timestamp() + 60.0 * n) for n in (-1, 0, 19.9, 20)] == [
            False,
            True,
            True,
            False,
        ]


def test_every_order_is_listed_as_it_is() -> None:
    """Order, argument and effect, in order."""
    section = PAGE.split("## Misbehaviour")[1]
    rows = re.findall(r"^\| `([a-z-]+)(?: ([^`]*))?` \| (.*) \|$", section, re.MULTILINE)
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
        "hut": (156e6, 162.1e6, 10e3, 0.15),
        "slip": (161.9e6, 162.1e6, 3e3, 0.06),
    }
    assert set(ordinary) == set(world.models)
    for name, (start_hz, stop_hz, rbw_hz, sweep_s) in ordinary.items():
        request = SweepRequest(start_hz=start_hz, stop_hz=stop_hz, points=401, rbw_hz=rbw_hz)
        took_s = world.models[name].settings(request).sweep_time_s
        assert abs(took_s - sweep_s) <= 0.005
        assert f"`{name}`" in PAGE
