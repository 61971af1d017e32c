"""The pages about configs and channel plans say what the models do."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from acqd.config.alerts import AlertTable, WayTable
from acqd.config.around import AfterTable, BeforeTable, ConfirmTable
from acqd.config.band import AerialTable
from acqd.config.bench import SourceTable, TransmitterTable
from acqd.config.carrier import CarrierTable
from acqd.config.channels import ChannelTable, PlanFile, RasterTable, load_channel_plan
from acqd.config.dash import DashTable
from acqd.config.emission import EmissionTable
from acqd.config.load import parse_config
from acqd.config.models import (
    BandTable,
    ChainTable,
    ContextTable,
    JobTable,
    MqttTable,
    NearbyTable,
    PartTable,
    StationTable,
    SweeperTable,
    WhenTable,
)
from acqd.config.mqtt import ServeTable
from acqd.config.on_finding import OnFindingTable
from acqd.config.quantity import (
    ANGLE,
    BYTES,
    DENSITY,
    DIFFERENCE,
    DURATION,
    FRACTION,
    FREQUENCY,
    LENGTH,
    LEVEL,
    POWER,
    PPM,
    TEMPERATURE,
)
from acqd.config.reflection import ReflectionTable
from acqd.config.report import ReportTable
from acqd.config.retention import AGE, RetentionRuleTable, RetentionTable
from acqd.config.selftest import CarrierTestTable, LoopTestTable, NoiseTestTable, SelfTestTable
from acqd.config.soak import SoakLimitTable, SoakTable
from acqd.config.tables import Table
from acqd.config.transmission import (
    NamedFrequencyTable,
    PadTable,
    PassbandTable,
    StopbandTable,
    TransmissionTable,
)
from acqd.config.witness import WitnessTable
from acqd.errors import ConfigError
from doc_tables import rows

DOCS = Path(__file__).parents[2] / "docs"
CONFIG = (DOCS / "config.md").read_text("utf-8")
PLANS = (DOCS / "channel-plans.md").read_text("utf-8")
TRANSMISSION = (DOCS / "transmission.md").read_text("utf-8")

EMISSION = (DOCS / "emission.md").read_text("utf-8")
SOAK = (DOCS / "soak.md").read_text("utf-8")
CARRIER = (DOCS / "carrier.md").read_text("utf-8")
REFLECTION = (DOCS / "reflection.md").read_text("utf-8")
IDENTITY = (DOCS / "identity.md").read_text("utf-8")
ALERTS = (DOCS / "alerts.md").read_text("utf-8")
READY = (DOCS / "ready.md").read_text("utf-8")
FINDING = (DOCS / "on-finding.md").read_text("utf-8")
SHACK = (DOCS / "shack.md").read_text("utf-8")
DEAF = (DOCS / "deaf.md").read_text("utf-8")

PART = {"kind": "pad", "loss": "3 dB"}
SWEEP = {"kind": "band", "sweeper": "m", "start": "1 MHz", "stop": "2 MHz", "points": 9}
CENTRE = {"centre": "156.8 MHz", "width": "25 kHz"}

SECTIONS: dict[str, tuple[str, type[Table], dict[str, Any]]] = {
    "[station]": (CONFIG, StationTable, {"name": "n", "archive": "a"}),
    "[retention]": (CONFIG, RetentionTable, {}),
    "[retention.job.NAME]": (CONFIG, RetentionRuleTable, {"remove": False}),
    "[mqtt]": (CONFIG, MqttTable, {}),
    "[mqtt.serve]": (SHACK, ServeTable, {}),
    "[dash]": (SHACK, DashTable, {}),
    "[sweeper.NAME]": (CONFIG, SweeperTable, {"driver": "d", "address": "a"}),
    "[chain.NAME]": (CONFIG, ChainTable, {"part": [PART]}),
    "[[chain.NAME.part]]": (CONFIG, PartTable, PART),
    "[job.NAME]": (CONFIG, JobTable, {**SWEEP, "when": {"every": "2 s"}}),
    "[[job.NAME.witness]]": (DEAF, WitnessTable, {"channel": "16", "within": "10 min"}),
    "[[job.NAME.on_finding]]": (FINDING, OnFindingTable, {
        "what": "signal_appeared", "look": "zoom"}),
    "[job.NAME.when]": (CONFIG, WhenTable, {"every": "2 s"}),
    "[job.NAME.report]": (CONFIG, ReportTable, {}),
    "[job.NAME.band]": (CONFIG, BandTable, {}),
    "[job.NAME.band.aerial]": (CONFIG, AerialTable, {}),
    "[job.NAME.carrier]": (CARRIER, CarrierTable, {}),
    "[job.NAME.soak]": (SOAK, SoakTable, {"length": "8 h"}),
    "[[job.NAME.soak.limit]]": (SOAK, SoakLimitTable, {"figure": "floor_dbm", "at_most": -90}),
    "[job.NAME.emission]": (EMISSION, EmissionTable, {}),
    "[job.NAME.reflection]": (REFLECTION, ReflectionTable, {}),
    "[job.NAME.source]": (CONFIG, SourceTable, {"level": "-20 dBm"}),
    "[job.NAME.transmitter]": (CONFIG, TransmitterTable, {"power": "5 W"}),
    "[transmitter.NAME]": (CONFIG, NearbyTable, {
        "power": "5 W", "start": "1 MHz", "stop": "2 MHz", "near": "c"}),
    "[context.NAME]": (CONFIG, ContextTable, {"file": "f"}),
    "[way.NAME]": (ALERTS, WayTable, {"command": ["./ring"]}),
    "[alert.NAME]": (ALERTS, AlertTable, {"on": "finding", "what": "sweeper_lost"}),
    "[job.NAME.before]": (READY, BeforeTable, {
        "publish": "t", "payload": "p", "confirm": {"topic": "u", "is": "p"}}),
    "[job.NAME.after]": (READY, AfterTable, {"publish": "t", "payload": "p"}),
    "[job.NAME.before.confirm]": (READY, ConfirmTable, {"topic": "u", "is": "p"}),
    "[job.NAME.transmission]": (TRANSMISSION, TransmissionTable, {}),
    "[job.NAME.transmission.passband]": (TRANSMISSION, PassbandTable, {"range": "1 MHz..2 MHz"}),
    "[[job.NAME.transmission.stopband]]": (TRANSMISSION, StopbandTable, {"range": "1 MHz..2 MHz"}),
    "[[job.NAME.transmission.frequency]]": (TRANSMISSION, NamedFrequencyTable, {
        "name": "a", "at": "1 MHz"}),
    "[job.NAME.transmission.pad]": (TRANSMISSION, PadTable, {"value": "20 dB"}),
    "[sweeper.NAME.self_test]": (IDENTITY, SelfTestTable, {}),
    "[[sweeper.NAME.self_test.noise]]": (IDENTITY, NoiseTestTable, {}),
    "[sweeper.NAME.self_test.source]": (IDENTITY, LoopTestTable, {
        "level": "-20 dBm", "at": "145 MHz", "loss": "1 dB"}),
    "[[sweeper.NAME.self_test.carrier]]": (IDENTITY, CarrierTestTable, {"frequency": "10 MHz"}),
    "The file": (PLANS, PlanFile, {"title": "T", "edition": "E", "channel": [
        {"name": "16", **CENTRE}]}),
    "[[channel]]": (PLANS, ChannelTable, {"name": "16", **CENTRE}),
    "[[raster]]": (PLANS, RasterTable, {"first": "1 MHz", "step": "1 kHz", "count": 2,
                                        "width": "1 kHz"}),
}  # fmt: skip
"""Each table, the page that describes it, its model, and the least that makes one."""


@pytest.mark.parametrize("section", SECTIONS)
def test_every_key_is_described(section: str) -> None:
    """The page has a row for each key of the model, and none that the model does not have."""
    page, model, _ = SECTIONS[section]
    assert sorted(key for key, _ in rows(page, section)) == sorted(model.fields_by_key())


@pytest.mark.parametrize("section", SECTIONS)
def test_every_default_is_as_described(section: str) -> None:
    """Leaving a key out and writing its described default are the same."""
    page, model, least = SECTIONS[section]
    names = {field.alias or name: (name, field) for name, field in model.model_fields.items()}
    for key, default in rows(page, section):
        name, field = names[key]
        assert field.is_required() == (default == "required"), key
        if default == "none":
            assert field.get_default() is None, key
        elif default != "required" and key not in least:
            written = tomllib.loads(f"x = {default.strip('`')}")["x"]
            table = {**least, key: written}
            # Keys that exclude each other are given alone; their default is "not given".
            if (section, key) == ("[job.NAME.when]", "back_to_back"):
                assert written is field.get_default()
                continue
            assert getattr(model.model_validate(table), name) == getattr(
                model.model_validate(least), name
            ), key


def test_every_unit_is_described() -> None:
    """The list of quantities names exactly the units that are taken."""
    described = {
        "frequency": FREQUENCY,
        "duration": DURATION,
        "level difference": DIFFERENCE,
        "level": LEVEL,
        "power": POWER,
        "share": FRACTION,
        "angle": ANGLE,
        "temperature": TEMPERATURE,
        "density": DENSITY,
        "length": LENGTH,
        "deviation": PPM,
        "data": BYTES,
        "age": AGE,
    }
    table = dict(re.findall(r"(?m)^\| ([a-z ]+) \| ([^|]+) \|$", CONFIG))
    for what, dimension in described.items():
        assert set(table[what].replace(",", "").split()) == set(dimension.units), what


def blocks(page: str) -> list[str]:
    """The TOML examples of a page."""
    return re.findall(r"(?ms)^```toml\n(.*?)^```", page)


def test_example_of_a_station_is_right(tmp_path: Path) -> None:
    """The annotated example is a config without any problem, and without a note."""
    (example,) = blocks(CONFIG)
    config = parse_config(example, tmp_path / "station.toml")
    assert list(config.enabled_jobs) == ["marine-vhf", "lamp-soak"]
    assert config.notes() == ()


def test_examples_of_identity_are_right(tmp_path: Path) -> None:
    """What the page shows of a sweeper goes into a config as it stands."""
    station = '[station]\nname = "n"\narchive = "a"\n[mqtt]\nbroker = "none"\n'
    config = parse_config(station + "".join(blocks(IDENTITY)), tmp_path / "station.toml")
    tests = config.sweepers["mast"].self_test
    assert tests is not None and tests.source is not None
    assert tests.source.loss_at_hz(240e6) == pytest.approx(0.6)


def test_example_of_a_plan_is_right(tmp_path: Path) -> None:
    """The example of a channel plan can be loaded."""
    (example,) = blocks(PLANS)
    (tmp_path / "example.toml").write_text(example)
    names = [channel.name for channel in load_channel_plan("example", tmp_path).channels]
    assert names == ["16", *(f"H{number:02}" for number in range(1, 9))]


def test_examples_of_messages_are_what_is_said() -> None:
    """The messages that the page shows are those of a config with these slips."""
    text = (
        '[job.marine]\nkind = "band"\nrwb = "10 kHz"\nsweeper = "mast"\nwhen.every = "2 s"\n'
        '\n\n\nstart = 156\n[station]\nname = "x"\narchive = "y"\n'
    )
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "station.toml")
    told = [str(problem) for problem in caught.value.problems]
    shown = re.findall(r"(?m)^station\.toml:.*$", CONFIG)
    assert len(shown) == 2
    for line in shown:
        assert any(message.startswith(line.split(" …")[0]) for message in told), (line, told)
