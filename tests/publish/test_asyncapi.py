"""The contract against real messages, received by a real client from a real broker."""

from __future__ import annotations

import asyncio
import json
import os
import re
import shutil
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from acqd.measure.band import BandMeter, BandSettings
from acqd.measure.carrier_meter import CarrierMeter
from acqd.measure.channels import Channel, ChannelPlan
from acqd.measure.soak_meter import SoakMeter
from acqd.measure.soak_settings import SoakContext, SoakLimit, SoakSettings
from acqd.publish.asyncapi import VALUE, asyncapi_document
from acqd.publish.messages import (
    HEARD,
    MESSAGES,
    CatchUp,
    ChannelOccupancy,
    ChannelState,
    CommandAnswer,
    Finding,
    JobState,
    Occupancy,
    ReportMade,
    Summary,
    SweeperState,
    Trace,
    Verdict,
    VerdictJudgement,
    rfc3339,
    value_payload,
)
from acqd.publish.reduce import reduce_trace
from acqd.publish.topics import CHANNELS, Topics
from acqd.sweep import LevelUnit
from acqd.testing.events import setup_event, sweep_event

AT_S = 1_780_000_000.0
AT = {"at": rfc3339(AT_S), "at_s": AT_S}
SINCE = {"since": rfc3339(AT_S), "since_s": AT_S}
WHO = {"station": "gannet-ledge", "run_id": "run-1"}
TOPICS = Topics("gannet-ledge")
DOCUMENT = asyncapi_document()
DOCS = Path(__file__).parents[2] / "docs" / "messages.md"


def resolve(ref: str):
    """What a local reference points at."""
    node = DOCUMENT
    for part in ref.removeprefix("#/").split("/"):
        node = node[part]
    return node


def references(node):
    if isinstance(node, dict):
        if isinstance(node.get("$ref"), str):
            yield node["$ref"]
        for value in node.values():
            yield from references(value)
    elif isinstance(node, list):
        for value in node:
            yield from references(value)


def channel_of(topic: str):
    """The channel of the document whose address matches, by the document alone."""
    for channel in DOCUMENT["channels"].values():
        pattern = re.sub(r"{\w+}", "[a-z0-9_-]{1,32}", channel["address"])
        if re.fullmatch(pattern, topic):
            return channel
    raise AssertionError(f"{topic} is in no channel")


def validate(topic: str, payload: bytes | str) -> str:
    """Validate a payload by the schemas of its topic's channel; the name of the message."""
    value = json.loads(payload)
    failures = []
    for name, ref in channel_of(topic)["messages"].items():
        schema = resolve(ref["$ref"])["payload"]
        whole = {**schema, "components": DOCUMENT["components"]}
        errors = list(jsonschema.Draft202012Validator(whole).iter_errors(value))
        if not errors:
            return name
        failures += errors
    raise AssertionError(f"{topic}: {failures[0].message}")


def band_summaries(unit: LevelUnit = LevelUnit.DBM):
    """Summaries of a real meter: noise, a signal, a sweep of nothing but NaN."""
    channel = Channel(name="16", centre_hz=156.8e6, width_hz=25e3)
    plan = ChannelPlan(name="marine", title="", edition="", channels=(channel,))
    meter = BandMeter(BandSettings(channels=plan, margin_db=10.0))
    setup = setup_event(np.linspace(156e6, 158e6, 401), at_s=AT_S, unit=unit)
    state, _ = meter.step(meter.start(), setup)
    rng = np.random.default_rng(7)
    for seq in range(1, 5):
        level = -110.0 + 10.0 * np.log10(rng.exponential(size=401))
        level[158:163] = -70.0 if seq > 1 else level[158:163]
        level[:] = np.nan if seq == 4 else level
        at_s = AT_S + 2.0 * seq
        state, output = meter.step(state, sweep_event(level, seq=seq, at_s=at_s))
        yield seq, output.summary, setup.grid, level


def summary_message(seq, band, unit=LevelUnit.DBM):
    what = {"job": "marine-vhf", "seq": seq, "pass_id": seq, "kind": "band", "took_s": 0.5}
    how = {"unit": unit.value, "sweeper": "mast", "setup": "abc", "band": band}
    return Summary.model_validate({**WHO, **AT, **what, **how})


def test_every_reference_resolves():
    """No dangling reference, and none left inside a schema of its own."""
    found = list(references(DOCUMENT))
    assert len(found) > 30
    for ref in found:
        assert ref.startswith("#/")
        resolve(ref)
    assert "$defs" not in json.dumps(DOCUMENT)


def test_every_topic_is_in_the_document_with_its_delivery():
    """The table of topics and the document say the same."""
    assert set(DOCUMENT["channels"]) == {spec.name for spec in CHANNELS}
    for spec in CHANNELS:
        channel = DOCUMENT["channels"][spec.name]
        assert channel["address"] == f"acqd/{spec.pattern}"
        assert set(channel["parameters"]) == set(re.findall(r"{(\w+)}", spec.pattern))
        action = "receive" if spec.received else "send"
        operation = DOCUMENT["operations"][f"{action}{spec.name[0].upper()}{spec.name[1:]}"]
        assert operation["action"] == action
        assert operation["bindings"]["mqtt"]["qos"] == spec.qos
        assert operation["bindings"]["mqtt"]["retain"] == spec.retain
    used = {name for spec in CHANNELS for name in spec.messages}
    assert used == {model.__name__ for model in (*MESSAGES, *HEARD)} | {VALUE}
    assert used == set(DOCUMENT["components"]["messages"])


def test_every_schema_is_valid_and_closed():
    """Each is a JSON schema, and refuses what it does not know."""
    for name, schema in DOCUMENT["components"]["schemas"].items():
        jsonschema.Draft202012Validator.check_schema(schema)
        if name != VALUE:
            assert schema["additionalProperties"] is False, name


def test_a_station_and_a_root_can_be_filled_in():
    """The document of one station has its name in the addresses."""
    document = asyncapi_document(root="coast/watch", station="gannet-ledge", host="b:1884")
    channel = document["channels"]["state"]
    assert channel["address"] == "coast/watch/gannet-ledge/job/{job}/state"
    assert set(channel["parameters"]) == {"job"}
    assert "parameters" not in document["channels"]["status"]
    assert document["servers"]["broker"]["host"] == "b:1884"


def every_message():
    """One of each, from what really makes them."""
    yield TOPICS.sweeper("mast"), SweeperState(**WHO, **SINCE, sweeper="mast", state="away")
    yield (
        TOPICS.state("marine-vhf"),
        JobState(**WHO, **SINCE, job="marine-vhf", kind="band", sweeper="mast", state="idle"),
    )
    for seq, band, grid, level in band_summaries():
        yield TOPICS.summary("marine-vhf"), summary_message(seq, band)
        reduced = reduce_trace(grid.frequency_hz, level, 50)
        levels = tuple(None if x != x else x for x in reduced.level.round(2).tolist())
        yield (
            TOPICS.trace("marine-vhf"),
            Trace.model_validate(
                {**WHO, **AT, "job": "marine-vhf", "seq": seq, "unit": "dBm", "level": levels}
                | {"start_hz": 156e6, "stop_hz": 158e6, "points": 50, "source_points": 401}
                | {"frequency_hz": tuple(reduced.frequency_hz.tolist())}
            ),
        )
    curve = {"figure": "insertion loss", "unit": "dB", "start_hz": 1e6, "stop_hz": 2e6}
    mask = {"name": "ch", "start_hz": 1e6, "stop_hz": 1e6, "limit": 2.0, "side": "below"}
    yield (
        TOPICS.trace("stop-filter"),
        Trace.model_validate(
            {**WHO, **AT, "job": "stop-filter", "seq": 1, "unit": "dBm", "level": (-20.0, None)}
            | {"start_hz": 1e6, "stop_hz": 2e6, "points": 2, "source_points": 2}
            | {"curve": {**curve, "values": (0.4, None)}, "mask": ({**mask, "unit": "dB"},)}
        ),
    )
    finding = {"number": 1, "what": "signal_appeared", "text": "a signal appeared"}
    figures = {"figures": {"peak_dbm": -70.0, "channel": "16", "flaps": 3, "known": True}}
    yield TOPICS.finding("marine-vhf"), Finding(**WHO, **AT, **finding, **figures, job="marine-vhf")
    yield TOPICS.station_finding, Finding(**WHO, **AT, **finding)
    asked = {"id": "c1", "verb": "pause", "job": "marine-vhf", "outcome": "done", "text": "paused"}
    yield TOPICS.command_answer, CommandAnswer(**WHO, **AT, **asked)
    numbers = {"first": 1, "last": 2, "count": 2, "reason": "refused by the broker"}
    yield TOPICS.finding("marine-vhf"), CatchUp(**WHO, **AT, **numbers, job="marine-vhf")
    hour = {"hour_start": rfc3339(0), "hour_start_s": 0, "hour_end": rfc3339(3600)}
    none = {"due": 0, "stored": 0, "coverage": None, "fbo": None, "sro": None}
    share = ChannelOccupancy(
        channel="16", name="16", visits=9, busy=1, fco=1 / 9, fco_low=0.0, fco_high=0.5
    )
    yield (
        TOPICS.occupancy("marine-vhf"),
        Occupancy(**WHO, **hour, **none, job="marine-vhf", hour_end_s=3600.0, channels=(share,)),
    )
    yield (
        TOPICS.channel("marine-vhf", "16"),
        ChannelState(
            **WHO,
            **SINCE,
            job="marine-vhf",
            channel="16",
            name="16",
            state="free",
            unit="dBm",
            seq=1,
        ),
    )
    yield (
        TOPICS.report("marine-vhf"),
        ReportMade.model_validate(
            {**WHO, **AT, "job": "marine-vhf", "from": rfc3339(0), "from_s": 0, "to": rfc3339(60)}
            | {"to_s": 60, "file": "marine-vhf-1970-01-01-0100.html", "bytes": 4096}
            | {"sha256": "0" * 64, "title": "Marine VHF", "headline": "nobody called"}
        ),
    )
    yield (
        TOPICS.verdict("lamp-soak"),
        Verdict(
            **WHO,
            **AT,
            **SINCE,
            job="lamp-soak",
            kind="band",
            of="soak",
            verdict="cannot tell",
            text="one of two limits cannot be told",
            judgements=(
                VerdictJudgement(
                    figure="floor_dbm",
                    value=-91.0,
                    unit="dBm",
                    limit=-90.0,
                    side="below",
                    expanded=1.5,
                    verdict="cannot tell",
                    text="−91.0 of −90.0 dBm ± 1.5: cannot tell",
                ),
            ),
        ),
    )


async def test_real_messages_from_a_real_broker_validate(
    mosquitto, make_publisher, make_status, outbox, hear, tasks
):
    """All kinds of messages, published, received by a client of its own, hold the contract."""
    heard = await hear(mosquitto.endpoint)
    publisher = make_publisher(mosquitto.endpoint)
    tasks(publisher.run())
    publisher.retain(TOPICS.status, make_status())
    publisher.retain(TOPICS.value("marine-vhf", "floor_dbm"), value_payload(-110.25))
    await heard.until(lambda: len(heard.messages) == 2)
    sent = 2
    for topic, message in every_message():
        spec = TOPICS.spec_of(topic)
        (publisher.retain if spec.retain else publisher.live)(topic, message.to_json())
        sent += 1
        await heard.until(lambda n=sent: len(heard.messages) == n)
    outbox.add(1)
    publisher.findings_waiting()
    await heard.until(lambda: len(heard.messages) == sent + 1)
    names = {validate(str(m.topic), m.payload) for m in heard.messages}
    assert names == set(DOCUMENT["components"]["messages"]) - {"Command"}, "others say that"


async def test_mosquitto_sub_sees_them_as_documented(
    mosquitto, make_publisher, make_status, outbox, tasks
):
    """A client that nobody here wrote prints topic and payload of each, and they validate."""
    publisher = make_publisher(mosquitto.endpoint)
    publisher.retain(TOPICS.status, make_status())
    program = shutil.which("mosquitto_sub")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("mosquitto_sub is not installed")
        pytest.skip("mosquitto_sub is not installed")
    where = ["-h", mosquitto.endpoint.host, "-p", str(mosquitto.endpoint.port)]
    listening = await asyncio.create_subprocess_exec(
        *(program, *where, "-v", "-q", "1", "-C", "5", "-W", "5", "-t", TOPICS.everything),
        stdout=asyncio.subprocess.PIPE,
    )
    tasks(publisher.run())
    printing = asyncio.ensure_future(listening.communicate())
    while not (await asyncio.wait([printing], timeout=0.02))[0]:
        # It does not say when it has subscribed, and passes by what came before.
        outbox.add(1)
        publisher.findings_waiting()
    text, _ = printing.result()
    assert listening.returncode == 0
    lines = [line for line in text.decode().splitlines() if line.startswith("acqd/")]
    names = [validate(*line.split(" ", 1)) for line in lines]
    assert len(names) == 5 and set(names) == {"Finding", "StationStatus"}


@pytest.mark.parametrize(
    "unit", [u for u in LevelUnit if u is not LevelUnit.RATIO], ids=lambda u: u.name
)
def test_summaries_of_every_unit_hold_the_contract(unit):
    """The unit is in the keys of a summary, and the schema knows them all."""
    for seq, band, _, _ in band_summaries(unit):
        payload = summary_message(seq, band, unit).to_json()
        assert validate(TOPICS.summary("marine-vhf"), payload) == "Summary"


def test_a_carrier_on_soak_holds_the_contract():
    """Summaries with two parts and a real verdict, from the first sweep to the end."""
    limit = SoakLimit(figure="level_dbm", unit="dBm", high=-50.0, drift=1.0)
    beside = (SoakContext(name="bench", unit="°C", least_span=1.0),)
    asked = SoakSettings(job="beacon", length_s=100.0, limits=(limit,), contexts=beside)
    meter = SoakMeter(CarrierMeter(), asked)
    axis = np.linspace(156.7e6, 156.9e6, 101)
    setup = setup_event(axis, at_s=AT_S, frequency_accuracy_ppm=2.0)
    state, _ = meter.step(meter.start(), setup)
    rng = np.random.default_rng(7)
    line = -60.0 - 3.0103 * (2.0 * (axis - 156.8e6) / 10e3) ** 2
    for seq in range(1, 60):
        noise = 10.0**-11.0 * rng.exponential(size=101)
        level = 10.0 * np.log10(noise + 10.0 ** (line / 10.0))
        at_s = AT_S + 2.0 * seq
        seen = sweep_event(
            np.full(101, np.nan) if seq == 9 else level,
            seq=seq,
            at_s=at_s,
            context={"bench": 20.0 + seq % 11},
        )
        state, output = meter.step(state, seen)
        parts = dict(output.summary)
        soak = parts.pop("soak")
        what = {"job": "beacon", "seq": seq, "pass_id": seq, "kind": "carrier", "took_s": 0.5}
        how = {"unit": "dBm", "sweeper": "mast", "setup": "abc", "carrier": parts, "soak": soak}
        message = Summary.model_validate({**WHO, **AT, **what, **how})
        assert validate(TOPICS.summary("beacon"), message.to_json()) == "Summary"
        if output.verdict is not None:
            told = {**WHO, "job": "beacon", "kind": "carrier", **output.verdict, **AT, **SINCE}
            payload = Verdict.model_validate(told).to_json()
            assert validate(TOPICS.verdict("beacon"), payload) == "Verdict"
    assert soak["state"] == "ended"
    assert soak["limits"][0]["contexts"][0]["text"].startswith(("−", "0", "cannot tell"))


def examples():
    """Topic and payload of each example in the documentation."""
    text = DOCS.read_text("utf-8")
    return re.findall(r"^`(acqd/\S+)`\n\n```json\n(.*?)\n```$", text, re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize(("topic", "payload"), examples(), ids=[t for t, _ in examples()])
def test_examples_in_the_documentation_hold_the_contract(topic, payload):
    """Each example validates, and the model that it names reads it."""
    name = validate(topic, payload)
    for model in MESSAGES:
        if model.__name__ == name:
            assert json.loads(model.model_validate_json(payload).to_json()) == json.loads(payload)


def test_the_documentation_shows_every_message_and_topic():
    """No message without an example, no topic missing from the table, delivery as it is."""
    shown = {validate(topic, payload) for topic, payload in examples()}
    assert shown == set(DOCUMENT["components"]["messages"])
    rows = re.findall(r"^\| `(\S+)` \| (\d) \| (yes|no) \|", DOCS.read_text("utf-8"), re.MULTILINE)
    listed = {(re.sub(r"<\w+>", "{}", topic), int(qos), keep == "yes") for topic, qos, keep in rows}
    expected = {
        (re.sub(r"{\w+}", "{}", spec.pattern.removeprefix("{station}/")), spec.qos, spec.retain)
        for spec in CHANNELS
    }
    assert listed == expected


@pytest.mark.parametrize(
    ("topic", "change"),
    [
        (TOPICS.state("marine-vhf"), {"state": "deaf-ish"}),
        (TOPICS.state("marine-vhf"), {"coverage": 1.5}),
        (TOPICS.state("marine-vhf"), {"extra": 1}),
        (TOPICS.state("marine-vhf"), {"station": "Gannet Ledge"}),
        (TOPICS.state("marine-vhf"), {"since": "yesterday"}),
        (TOPICS.state("marine-vhf"), {"schema": "state/2"}),
        (TOPICS.channel("marine-vhf", "16"), {"unit": "dBW"}),
        (TOPICS.summary("marine-vhf"), {"band": {}}),
    ],
    ids=["word", "share", "extra", "name", "time", "version", "unit", "empty-band"],
)
def test_what_breaks_the_contract_is_refused_on_both_sides(topic, change):
    """Model and schema are equally strict."""
    message = next(m for t, m in every_message() if t == topic)
    broken = json.loads(message.to_json()) | change
    with pytest.raises(ValueError):
        type(message).model_validate(broken)
    with pytest.raises(AssertionError):
        validate(topic, json.dumps(broken))


def test_a_summary_refuses_levels_it_does_not_know():
    """Keys with another name or unit, and numbers that are none, are refused on both sides."""
    _, band, _, _ = next(band_summaries())
    for key, value in (
        ("floor_dbw", 1.0),
        ("flor_dbm", 1.0),
        ("floor_dbuv", "x"),
        ("peak_u_db", 0),
    ):
        with pytest.raises(ValueError):
            summary_message(1, {**band, key: value})
        broken = json.loads(summary_message(1, band).to_json())
        broken["band"][key] = value
        with pytest.raises(AssertionError):
            validate(TOPICS.summary("marine-vhf"), json.dumps(broken))
    with pytest.raises(ValueError, match="finite"):
        summary_message(1, {**band, "floor_dbm": float("nan")})


@pytest.mark.parametrize(
    ("at_s", "text"),
    [
        (0.0, "1970-01-01T00:00:00.000Z"),
        (1_780_000_000.1239, "2026-05-28T20:26:40.123Z"),
        (951_782_400.5, "2000-02-29T00:00:00.500Z"),
    ],
    ids=["epoch", "cut-to-ms", "leap-day"],
)
def test_times_as_text(at_s, text):
    """RFC 3339 in UTC, to the millisecond."""
    assert rfc3339(at_s) == text


@pytest.mark.parametrize("value", [-110.25, 0.0, 1e-7, 156.8e6, 1 / 3])
def test_a_value_reads_back(value):
    """A bare number is what it was, for JSON and for float()."""
    assert float(value_payload(value)) == value == json.loads(value_payload(value))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_a_value_must_be_a_number(value):
    """There is no JSON for the others."""
    with pytest.raises(ValueError, match="finite"):
        value_payload(value)
