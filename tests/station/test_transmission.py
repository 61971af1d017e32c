"""The kind ``transmission`` from config to message, against the simulator."""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_sim.scenefile import World, load_world

from acqd.cli.show_transmission import show
from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.errors import ConfigError
from acqd.measure.meter import Role
from acqd.publish.messages import Summary, Verdict, rfc3339
from acqd.station.build import build
from acqd.station.references import ReferenceRecord, reference_from
from acqd.station.single import One, one_of_job, take_one
from acqd.sweep import Capabilities, Sweep

SCENE = """\
seed = 11

[device.band-pass]
kind = "band-pass"
centre = "145 MHz"
width = "4 MHz"
order = 3
loss = "0.9 dB"
floor = "110 dB"

[device.broadcast-stop]
kind = "band-stop"
prototype = "chebyshev"
order = 3
ripple = "0.1 dB"
centre = "97 MHz"
width = "24 MHz"
loss = "0.4 dB"
floor = "55 dB"

[device.low-pass]
kind = "low-pass"
prototype = "chebyshev"
order = 7
ripple = "0.1 dB"
edge = "170 MHz"
loss = "0.3 dB"

[device.pad-20]
kind = "pad"
loss = "20.3 dB"

[device.stop-147]
kind = "band-stop"
order = 1
centre = "147.5 MHz"
width = "400 kHz"

[device.stop-152]
kind = "band-stop"
order = 1
centre = "152.1 MHz"
width = "400 kHz"

[device.nothing]
kind = "open"

[instrument.shack]
serial_number = "GL0103"
source_path = ["band-pass"]
points_max = 10001
rbw_min = "300 Hz"
residuals = 0
danl = "-150 dBm"
accuracy = "1 dB"
source_min = "-40 dBm"
source_max = "0 dBm"
"""

CONFIG = """\
[station]
name = "gannet-ledge"
archive = "archive"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.shack]
driver = "sim"
address = "sim:shack"
options = {{ scene = "./scene.toml", time_scale = 0.001, source_path = {path} }}

[job.filter]
kind = "transmission"
sweeper = "shack"
{sweep}
detector = "rms"
attenuation = "10 dB"
source = {{ level = "-20 dBm" }}
when = {{ every = "1 min" }}
transmission = {{ {table} }}
"""

BAND = 'start = "115 MHz"\nstop = "175 MHz"\npoints = 1201\nrbw = "10 kHz"'
BROADCAST = 'start = "60 MHz"\nstop = "180 MHz"\npoints = 1201\nrbw = "10 kHz"'


class Workbench:
    """Sweeps taken with one device after the other between source and input."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "scene.toml").write_text(SCENE)

    def config(self, path: Sequence[str], table: str = "", sweep: str = BAND) -> Path:
        file = self.folder / "station.toml"
        file.write_text(CONFIG.format(path=json.dumps(list(path)), table=table, sweep=sweep))
        return file

    def once(
        self,
        *path: str,
        table: str = "",
        sweep: str = BAND,
        references: Mapping[str, ReferenceRecord] | None = None,
    ) -> One:
        host, spec, _ = one_of_job("filter", config=str(self.config(path, table, sweep)))
        one = asyncio.run(take_one(host, spec, references=references))
        checked(one)
        return one

    def sweeps(self, *path: str, sweep: str = BAND, count: int = 1, **change: Any) -> list[Sweep]:
        """Raw sweeps of the job's request, with something of it changed."""
        host, spec, _ = one_of_job("filter", config=str(self.config(path, sweep=sweep)))

        async def take() -> list[Sweep]:
            await host.open()
            try:
                return [await host.sweep(replace(spec.request, **change)) for _ in range(count)]
            finally:
                await host.close()

        return asyncio.run(take())

    def reference(self, role: Role, *path: str, count: int = 5, **how: Any) -> ReferenceRecord:
        return reference_from("filter", role, self.sweeps(*path, count=count, **how))

    def references(self, sweep: str = BAND) -> dict[str, ReferenceRecord]:
        """A through and a quiet of this minute."""
        return {
            "through": self.reference(Role.THROUGH, sweep=sweep),
            "quiet": self.reference(Role.QUIET, "nothing", sweep=sweep),
        }

    def truth_db(self, frequency_hz: Any, *path: str) -> Any:
        """Loss of some devices as the scene has it."""
        world: World = load_world(str(self.folder / "scene.toml"))
        axis = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        return -sum(world.devices[name].gain_db(axis) for name in path)


def checked(one: One) -> None:
    """What came out makes messages that the models take."""
    Summary.model_validate(
        {
            "station": "gannet-ledge", "run_id": "r", "job": "filter", "seq": 1, "pass_id": 1,
            "kind": "transmission", "at": rfc3339(0.0), "at_s": 0.0, "took_s": 1.0,
            "unit": one.told["unit"], "sweeper": "shack", "setup": "s",
            "transmission": dict(one.summary),
        }
    )  # fmt: skip
    if one.verdict is not None:
        times = {"at": rfc3339(0.0), "since": rfc3339(0.0)}
        told = {"station": "gannet-ledge", "run_id": "r", "job": "filter", "kind": "transmission"}
        Verdict.model_validate({**told, **times, **one.verdict})


def shown(one: One) -> str:
    with contextlib.redirect_stdout(io.StringIO()) as out:
        show(one.told, one.summary)
    return out.getvalue()


@pytest.fixture
def workbench(tmp_path: Path) -> Workbench:
    return Workbench(tmp_path)


def main_passband(one: One) -> Mapping[str, Any]:
    (main,) = (each for each in one.summary["passbands"] if each["main"])
    return main


def test_a_band_pass(workbench: Workbench) -> None:
    """Edges, centre, width, Q and loss of the 145 MHz filter within their U; and a budget."""
    found = workbench.once("band-pass", references=workbench.references())
    summary, passband = found.summary, main_passband(found)
    assert summary["response"] == "band-pass" and summary["refused"] is None
    pair = passband["edges"][0]
    # 143.013792 and 147.013792 MHz are the half-power points; 3 dB is 0.01 dB inside
    assert abs(pair["lower_hz"] - 143.013792e6) < pair["lower_expanded_hz"]
    assert abs(pair["upper_hz"] - 147.013792e6) < pair["upper_expanded_hz"]
    assert abs(pair["centre_hz"] - 145e6) < pair["centre_expanded_hz"]
    assert abs(pair["width_hz"] - 4e6) < pair["width_expanded_hz"]
    assert passband["least_loss_db"] == pytest.approx(0.9, abs=0.02)
    assert passband["q"] == pytest.approx(36.25, abs=0.3)
    assert [one["below_db"] for one in passband["edges"]] == [3.0, 6.0, 60.0]
    assert passband["shape_factors"][0]["factor"] == pytest.approx(10.0, rel=0.03)
    assert summary["floor_from"] == "quiet reference"
    assert summary["budget_of"] == "least_loss_db"
    assert sum(line["share"] for line in summary["budget"]) == pytest.approx(1.0, abs=1e-3)
    assert "mismatch at the device's input" in summary["assumed"]
    text = shown(found)
    assert "band-pass, 145.0" in text and "wide at 3 dB, least loss 0.9 dB ± " in text
    assert found.verdict is None


def test_a_band_stop_with_named_frequencies_and_limits(workbench: Workbench) -> None:
    """The broadcast filter: what goes round it bounds depth and rejection; limits judged."""
    table = (
        'passband = { range = "156 MHz..162.1 MHz", loss_at_most = "3 dB" }, '
        'stopband = { name = "broadcast", range = "92 MHz..102 MHz", at_least = "15 dB" }, '
        'frequency = [{ name = "ch16", at = "156.8 MHz" }, '
        '{ name = "local-fm", at = "97 MHz", role = "stop", at_least = "80 dB" }], '
        "source_vswr = 1.05, load_vswr = 1.05, device_vswr = 1.2"
    )
    found = workbench.once(
        "broadcast-stop",
        table=table,
        sweep=BROADCAST,
        references=workbench.references(BROADCAST),
    )
    summary = found.summary
    assert summary["response"] == "band-stop"
    (notch,) = summary["notches"]
    assert notch["depth_db"] == pytest.approx(55 - 0.4, abs=1.0)
    assert abs(notch["edges"][0]["centre_hz"] - 97e6) < notch["edges"][0]["centre_expanded_hz"]
    (stopband,) = summary["stopbands"]
    truth = workbench.truth_db([92e6, 102e6], "broadcast-stop").min() - 0.4
    assert abs(stopband["rejection_db"] - truth) < stopband["rejection_expanded_db"]
    ch16, fm = summary["named"]
    assert ch16["loss_db"] == pytest.approx(
        workbench.truth_db(156.8e6, "broadcast-stop")[0], abs=0.05
    )
    assert fm["rejection_db"] == pytest.approx(54.6, abs=1.0)
    assert summary["separation"]["value_db"] == pytest.approx(54.6, abs=1.0)
    assert found.verdict is not None
    assert found.verdict["verdict"] == "fail"
    verdicts = {one["figure"]: one["verdict"] for one in found.verdict["judgements"]}
    assert verdicts["rejection in broadcast (92.000 to 102.000 MHz)"] == "pass"
    assert verdicts["rejection at local-fm (97.000 MHz)"] == "fail"
    (told,) = found.findings
    assert told.what == "limit_exceeded" and told.text.startswith(
        "rejection at local-fm (97.000 MHz)"
    )
    text = shown(found)
    assert "notch at 97.0" in text and "local-fm" in text and "broadcast" in text


@pytest.mark.parametrize(
    ("nominal", "within", "verdict"),
    [("20 dB", "1 dB", "pass"), ("19 dB", "0.5 dB", "fail"), ("20 dB", "0.3 dB", "cannot tell")],
)
def test_a_pad(workbench: Workbench, nominal: str, within: str, verdict: str) -> None:
    """Value, deviation and flatness of one of 20.3 dB; judged with U."""
    table = (
        f'pad = {{ value = "{nominal}", within = "{within}", flatness_at_most = "2 dB" }}, '
        'source_vswr = 1.02, load_vswr = 1.02, device_vswr = 1.05, scale_accuracy = "0.05 dB", '
        'repeatability = "0.02 dB"'
    )
    found = workbench.once("pad-20", table=table, references=workbench.references())
    pad = found.summary["pad"]
    assert found.summary["response"] == "flat"
    assert pad["value_db"] == pytest.approx(20.3, abs=0.02)
    assert pad["flatness_db"] < 0.2 and 0.0 < pad["noise_flatness_db"] < 0.2
    assert 0.2 < pad["value_expanded_db"] < 0.4
    assert found.verdict is not None
    assert found.verdict["verdict"] == verdict, found.verdict["text"]
    assert "pad of 20.3" in shown(found)


def test_two_notches_and_a_band_in_one_sweep(workbench: Workbench) -> None:
    """Both found, each with its own centre and width."""
    found = workbench.once("stop-147", "stop-152", references=workbench.references())
    assert found.summary["response"] == "band-stop"
    centres = [one["edges"][0]["centre_hz"] for one in found.summary["notches"]]
    assert centres == pytest.approx([147.5e6, 152.1e6], abs=20e3)
    assert found.summary["passbands_count"] == 3


def test_an_edge_beyond_the_sweep_is_said(workbench: Workbench) -> None:
    """A low-pass: its lower edge lies below the sweep, and no width is guessed."""
    sweep = 'start = "100 MHz"\nstop = "300 MHz"\npoints = 801\nrbw = "10 kHz"'
    found = workbench.once("low-pass", sweep=sweep, references=workbench.references(sweep))
    assert found.summary["response"] == "low-pass"
    pair = main_passband(found)["edges"][0]
    assert pair["lower_hz"] is None and pair["width_hz"] is None
    assert pair["lower_text"].startswith("−3 dB beyond the sweep: below ")
    assert abs(pair["upper_hz"] - 170e6 * 1.0680) < pair["upper_expanded_hz"]
    assert "beyond the sweep" in shown(found)


def test_a_deep_stop_band_is_at_least(workbench: Workbench) -> None:
    """Behind a wide RBW the floor hides the rest; a bound is below the truth."""
    sweep = BAND.replace('rbw = "10 kHz"', 'rbw = "1 MHz"')
    references = workbench.references(sweep)
    table = 'stopband = "115 MHz..120 MHz"'
    found = workbench.once("band-pass", table=table, sweep=sweep, references=references)
    (stopband,) = found.summary["stopbands"]
    truth = workbench.truth_db([120e6], "band-pass")[0] - 0.9
    assert stopband["at_least"]
    assert 45 < stopband["rejection_db"] < truth
    assert stopband["rejection_db"] < found.summary["dynamic_range_db"] < 62
    assert main_passband(found)["edges"][2]["lower_hz"] is None
    assert "hidden by the floor" in main_passband(found)["edges"][2]["lower_text"]


# --- refusals -------------------------------------------------------------------------------------


def test_without_a_through_nothing_is_measured(workbench: Workbench) -> None:
    """One sentence with the command, one finding, an incomplete verdict where there are limits."""
    table = 'frequency = { name = "ch16", at = "145 MHz", at_most = "2 dB" }'
    found = workbench.once("band-pass", table=table)
    assert found.summary["response"] is None and found.summary["passbands"] == []
    assert found.summary["refused"] == (
        "there is no through reference: take one with `acqd reference filter through`"
    )
    (told,) = found.findings
    assert told.what == "reference_refused"
    assert found.verdict is not None and found.verdict["verdict"] == "incomplete"
    assert "not measured: there is no through" in shown(found)


DIFFERENT: dict[str, tuple[dict[str, Any], str]] = {
    "RBW": ({"rbw_hz": 30e3}, "the RBW was 30 kHz and is 10 kHz"),
    "attenuation": ({"attenuation_db": 20.0}, "the attenuation was 20 dB and is 10 dB"),
    "grid": ({"points": 401}, "in 401 points and are"),
}


@pytest.mark.parametrize(("change", "says"), DIFFERENT.values(), ids=DIFFERENT)
def test_a_through_that_differs_is_refused(
    workbench: Workbench, change: dict[str, Any], says: str
) -> None:
    """Saying what differs."""
    through = workbench.reference(Role.THROUGH, count=1, **change)
    found = workbench.once("band-pass", references={"through": through})
    assert says in found.summary["refused"]
    assert "`acqd reference filter through`" in found.summary["refused"]


def test_a_through_at_another_source_level_is_refused(workbench: Workbench) -> None:
    (taken,) = workbench.sweeps()
    assert taken.request.source is not None
    through = workbench.reference(
        Role.THROUGH, count=1, source=replace(taken.request.source, level_dbm=-30.0)
    )
    found = workbench.once("band-pass", references={"through": through})
    assert "the source's level was −30 dBm and is −20 dBm" in found.summary["refused"]


def test_without_a_quiet_reference_the_floor_is_not_known(workbench: Workbench) -> None:
    """Figures, but no bounds, and a note how to get them; a stated floor does instead."""
    references = workbench.references()
    del references["quiet"]
    found = workbench.once("band-pass", references=references)
    assert found.summary["floor_from"] is None and found.summary["dynamic_range_db"] is None
    assert any("`acqd reference filter quiet`" in note for note in found.summary["notes"])
    stated = workbench.once("band-pass", table='floor = "-95 dBm"', references=references)
    assert stated.summary["floor_from"] == "stated"
    assert stated.summary["dynamic_range_db"] == pytest.approx(75.0, abs=2.5)
    assert main_passband(stated)["edges"][2]["lower_hz"] is not None


# --- the whole way --------------------------------------------------------------------------------


def test_what_the_job_cannot_know_is_refused_with_the_config(workbench: Workbench) -> None:
    """Frequencies beyond the sweep, and a context that is not there."""
    table = 'stopband = "10 MHz..20 MHz", temperature = "bench"'
    path = workbench.config(("band-pass",), table)
    with pytest.raises(ConfigError) as caught:
        parse_config(path.read_text(), path)
    assert "the stopband `stopband 1` does not lie whole within the sweep" in str(caught.value)
    assert "there is no context `bench`" in str(caught.value)


def test_a_sweeper_without_a_source_is_foreseen(workbench: Workbench) -> None:
    path = workbench.config(("band-pass",), "")
    (spec,) = build(parse_config(path.read_text(), path), load_drivers(), broker="none").jobs
    without = Capabilities(start_hz=1e6, stop_hz=1e9, source=False)
    assert spec.foresee(None) == spec.foresee(replace(without, source=True)) == ()
    (told,) = spec.foresee(without)
    assert "no source" in told
