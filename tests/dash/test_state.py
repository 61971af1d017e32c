"""What is known of the stations, told messages and the time."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import pytest

from acqd.dash.reading import NotUnderstood, place_of
from acqd.dash.state import (
    CHANNELS_MOST,
    FINDINGS_MOST,
    JOBS_ALL_MOST,
    JOBS_MOST,
    KEPT_MOST_BYTES,
    SHEETS_MOST,
    STATIONS_MOST,
    State,
)

AT_S = 1_795_617_000.0
STATION, JOB = "gannet-ledge", "marine-vhf"

Tell = Callable[..., None]


def station_of(state: State, now_s: float = AT_S, name: str = STATION) -> dict[str, Any]:
    shown = json.loads(state.slow(now_s)[1])
    return next(one for one in shown["stations"] if one["station"] == name)


def test_every_documented_message_is_understood(
    state: State, tell: Tell, documents: list[tuple[str, Any]]
) -> None:
    assert len(documents) >= 11
    for topic, body in documents:
        if "/command" in topic:
            assert place_of(topic, "acqd") is None, "what people ask of a station is not shown"
            continue
        tell((topic, json.dumps(body).encode()))
    station = station_of(state)
    assert station["status"] == "online"
    assert station["health"]["disk_free_bytes"] == 69225738240
    assert [one["state"] for one in station["sweepers"]] == ["present"]
    jobs = {one["job"]: one for one in station["jobs"]}
    assert list(jobs) == [
        "marine-vhf",
        "calling",
        "harbour",
        "ais",
        "lamp-soak",
        "pmr446",
        "stop-filter",
        "hand-held",
    ]
    vhf = jobs["marine-vhf"]
    assert (vhf["kind"], vhf["state"], vhf["coverage"]) == ("band", "listening", 1.0)
    assert vhf["figures"][0]["value"] == -116.143
    assert vhf["figures"][0]["expanded"] == pytest.approx(0.924)
    assert vhf["busy"] == ["16"]
    assert vhf["has_sheet"]
    assert jobs["lamp-soak"]["verdict"]["verdict"] == "fail"
    everything = state.everything(AT_S)["stations"][0]
    findings = everything["findings"]
    assert {(one["what"], one["number"]) for one in findings} >= {
        ("signal_appeared", 5),
        ("catch-up", 1043),
    }
    detail = {one["job"]: one["detail"] for one in everything["jobs"]}
    assert detail["marine-vhf"]["occupancy"]["hours"][0]["fco"] == [0.024009]
    assert detail["marine-vhf"]["values"] == {"floor_dbm": -116.716}
    assert len(detail["lamp-soak"]["verdict"]["judgements"]) == 5
    job = state.job(STATION, "marine-vhf")
    assert job is not None
    assert (job.threshold, job.floor, job.plane) == (-104.74, -116.143, "the aerial socket")
    assert [mark["label"] for mark in job.marks] == ["16", ""]


def test_a_station_is_silent_after_a_while_and_speaks_again(
    state: State, tell: Tell, say: Any
) -> None:
    tell(say.status(AT_S), now_s=AT_S)
    assert station_of(state, AT_S + 150.0)["silent"] is False
    shown = station_of(state, AT_S + 151.0)
    assert shown["silent"] is True
    assert shown["alarm_since_s"] == AT_S
    assert "silent" in shown["alarm"]
    tell(say.trace(AT_S + 160.0, 1, [-100.0]), now_s=AT_S + 160.0)
    shown = station_of(state, AT_S + 161.0)
    assert (shown["silent"], shown["alarm"]) == (False, "")


def test_what_was_retained_is_as_old_as_it_says(state: State, tell: Tell, say: Any) -> None:
    tell(say.status(AT_S - 3600.0), now_s=AT_S, retained=True)
    # It is given the time in which a station tells its status before an old silence counts.
    assert station_of(state, AT_S + 10.0)["silent"] is False
    shown = station_of(state, AT_S + 76.0)
    assert shown["silent"] is True
    assert shown["alarm_since_s"] == AT_S - 3600.0


def test_a_clock_that_was_an_hour_ahead_delays_no_alarm(state: State, tell: Tell, say: Any) -> None:
    tell(say.status(AT_S + 3600.0), now_s=AT_S + 3600.0)
    state.clock_stepped(AT_S)
    assert not station_of(state, AT_S + 100.0)["silent"]
    assert station_of(state, AT_S + 151.0)["silent"]


def test_a_broker_that_is_away_makes_nobody_silent(state: State, tell: Tell, say: Any) -> None:
    tell(say.status(AT_S), now_s=AT_S)
    state.set_broker(address="x", up=False, now_s=AT_S + 10.0, problem="refused")
    state.set_broker(address="x", up=False, now_s=AT_S + 20.0, problem="refused")
    shown = json.loads(state.slow(AT_S + 900.0)[1])
    assert shown["broker"] == {
        "address": "x", "up": False, "since_s": AT_S + 10.0, "problem": "refused",
    }  # fmt: skip
    assert shown["stations"][0]["silent"] is False
    state.set_broker(address="x", up=True, now_s=AT_S + 1000.0)
    assert station_of(state, AT_S + 1010.0)["silent"] is False
    assert station_of(state, AT_S + 1080.0)["silent"] is True


def test_a_lost_station_is_an_alarm_and_a_stopped_one_is_not(
    state: State, tell: Tell, say: Any
) -> None:
    tell(say.status(AT_S), now_s=AT_S)
    lost = say.status(AT_S, state="offline", reason="the connection was lost")
    tell(lost, now_s=AT_S + 30.0)
    shown = station_of(state, AT_S + 31.0)
    assert shown["alarm"] == "offline: the connection was lost"
    assert shown["alarm_since_s"] == AT_S + 30.0
    tell(say.status(AT_S + 40.0, state="offline", reason="stopped"), now_s=AT_S + 40.0)
    shown = station_of(state, AT_S + 41.0)
    assert (shown["status"], shown["alarm"]) == ("offline", "")


def test_findings_come_once_and_the_newest_are_kept(state: State, tell: Tell, say: Any) -> None:
    for number in range(1, FINDINGS_MOST + 51):
        tell(say.finding(AT_S + number, number), say.finding(AT_S + number, number))
    found = state.findings_after(0, 10_000)
    assert [one["number"] for one in found] == list(range(51, FINDINGS_MOST + 51))
    ids = [one["id"] for one in found]
    assert ids == sorted(set(ids))
    assert state.findings_after(ids[-3], 100) == found[-2:]
    # One that is older than all that is kept does not push out a newer one.
    tell(say.finding(AT_S - 9000.0, 7, job=None))
    assert [one["number"] for one in state.findings_after(0, 10_000)] == [
        one["number"] for one in found
    ]


def test_the_first_findings_of_a_fresh_archive_are_new_ones(
    state: State, tell: Tell, say: Any
) -> None:
    tell(say.finding(AT_S, 1), say.finding(AT_S + 500.0, 1), say.finding(AT_S, 1, job=None))
    assert len(state.findings_after(0, 10)) == 3


def test_hours_are_kept_for_a_day(state: State, tell: Tell, say: Any) -> None:
    hour_s = AT_S // 3600 * 3600
    for hour in range(30):
        tell(say.occupancy(hour_s + 3600 * hour, {"16": hour / 100, "6": 0.0}))
    job = state.job(STATION, JOB)
    assert job is not None
    told = job.whole()["occupancy"]
    assert [one["start_s"] for one in told["hours"]] == [hour_s + 3600 * h for h in range(6, 30)]
    assert told["channels"] == ["16", "6"]
    assert told["hours"][-1]["fco"] == [0.29, 0.0]
    assert told["hours"][-1]["low"] == [0.145, 0.0]


def test_channels_stand_in_the_order_of_their_numbers(state: State, tell: Tell, say: Any) -> None:
    for key in ("16", "6", "ais1", "70"):
        tell(say.channel(AT_S, key))
    job = state.job(STATION, JOB)
    assert job is not None
    assert [one["name"] for one in job.whole()["channels"]] == ["6", "16", "70", "ais1"]


def test_what_is_cleared_at_the_broker_goes(state: State, tell: Tell, say: Any) -> None:
    tell(say.status(AT_S), say.channel(AT_S, "16"), say.channel(AT_S, "6"))
    tell((f"acqd/{STATION}/job/{JOB}/channel/16", b""))
    job = state.job(STATION, JOB)
    assert job is not None
    assert list(job.channels) == ["6"]
    tell((f"acqd/{STATION}/status", b""))
    assert state.stations == {}
    tell((f"acqd/{STATION}/job/{JOB}/channel/6", b""))  # of one that is not known any more
    assert state.stations == {}


def test_jobs_that_the_station_has_no_more_are_not_shown(
    state: State, tell: Tell, say: Any
) -> None:
    tell(say.state(AT_S, job="old-one"))
    assert [one["job"] for one in station_of(state)["jobs"]] == ["old-one"]
    tell(say.status(AT_S, jobs=("calling", JOB)))
    shown = station_of(state, AT_S + 1.0)
    assert [one["job"] for one in shown["jobs"]] == ["calling", JOB]


@pytest.mark.parametrize(
    ("topic", "body"),
    [
        ("status", {"schema": "status/1", "state": "asleep"}),
        ("status", {"schema": "status/2", "state": "online"}),
        ("status", {"schema": "status/1", "state": "online", "station": "another"}),
        ("finding", {"schema": "finding/1", "at_s": 1.0}),
        ("finding", {"schema": "trace/1"}),
        ("job/x/summary", {"schema": "summary/1", "kind": "band"}),
        ("job/x/summary", {"schema": "summary/1", "kind": "weather", "weather": {}}),
        ("job/x/summary", {"schema": "summary/1", "kind": "band", "band": [1]}),
        ("job/x/verdict", {"schema": "verdict/1", "verdict": "maybe"}),
        ("job/x/occupancy", {"schema": "occupancy/1", "hour_start_s": 5.0, "hour_end_s": 4.0}),
        ("job/x/channel/16", {"schema": "channel/1", "state": "on fire"}),
        ("job/x/report", {"schema": "report/1", "file": ""}),
        ("job/x/state", {"schema": "state/1", "job": "another"}),
    ],
)
def test_nonsense_is_refused(state: State, tell: Tell, topic: str, body: dict[str, Any]) -> None:
    with pytest.raises(NotUnderstood):
        tell((f"acqd/{STATION}/{topic}", json.dumps(body).encode()))
    state.slow(AT_S)
    state.everything(AT_S)


@pytest.mark.parametrize("payload", [b"nan", b"inf", b"1e999", b"three", b"{}", b"\xff"])
def test_values_are_finite_numbers(state: State, tell: Tell, payload: bytes) -> None:
    with pytest.raises(NotUnderstood):
        tell((f"acqd/{STATION}/job/x/value/floor_dbm", payload))


def test_a_sheet_too_many_is_told_and_not_made(state: State, tell: Tell, say_of: Any) -> None:
    for station in range(4):
        say = say_of(f"s{station}")
        for job in range(40):
            tell(say.trace(AT_S, 1, [-100.0, -90.0], job=f"j{job}"))
    assert state.sheets == SHEETS_MOST
    last = state.job("s3", "j39")
    assert last is not None
    assert last.sheet is None
    assert "too many jobs" in last.problem


def test_stations_jobs_and_channels_are_bounded(state: State, tell: Tell, say_of: Any) -> None:
    refused = 0
    for one in range(STATIONS_MOST + 5):
        say = say_of(f"s{one}")
        try:
            tell(say.status(AT_S))
        except NotUnderstood:
            refused += 1
    assert (len(state.stations), refused) == (STATIONS_MOST, 5)
    assert json.loads(state.slow(AT_S)[1])["more_stations"] == 5
    say = say_of("s0")
    for one in range(JOBS_MOST - 1):
        tell(say.state(AT_S, job=f"j{one}"))
    with pytest.raises(NotUnderstood, match="jobs"):
        tell(say.state(AT_S, job="one-too-many"))
    for one in range(CHANNELS_MOST):
        tell(say.channel(AT_S, f"c{one}"))
    with pytest.raises(NotUnderstood, match="channels"):
        tell(say.channel(AT_S, "one-too-many"))
    tell(say.channel(AT_S, "c0", "free"))


def test_jobs_of_all_stations_are_bounded(state: State, tell: Tell, say_of: Any) -> None:
    taken = 0
    for station in range(8):
        for job in range(JOBS_MOST):
            try:
                tell(say_of(f"s{station}").state(AT_S, job=f"j{job}"))
                taken += 1
            except NotUnderstood:
                pass
    assert taken == JOBS_ALL_MOST
    # A station that is one too many by its jobs is shown without them.
    jobs = tuple(f"k{one}" for one in range(3))
    tell(say_of("s7").status(AT_S, jobs=jobs))
    assert station_of(state, name="s7")["status"] == "online"
    assert station_of(state, name="s7")["jobs"] == []


def test_what_is_kept_is_bounded_in_bytes(state: State, tell: Tell) -> None:
    """Large messages of many jobs; what is cleared at the broker makes room again."""
    pad = {"summary": ["x" * 2000] * 50}
    body = {"schema": "verdict/1", "verdict": "fail", "at_s": AT_S, "more": pad}
    payload = json.dumps(body).encode()
    places = [
        f"acqd/s{station}/job/j{job}/{what}"
        for station in range(5)
        for job in range(50)
        for what in ("verdict", "occupancy", "state")
    ]
    hour = {"schema": "occupancy/1", "hour_start_s": 0.0, "hour_end_s": 3600.0, "more": pad}
    job_state = {"schema": "state/1", "more": pad}
    payloads = {
        "verdict": payload,
        "occupancy": json.dumps(hour).encode(),
        "state": json.dumps(job_state).encode(),
    }
    reasons = []
    for topic in places * 2:
        try:
            tell((topic, payloads[topic.rpartition("/")[2]]))
        except NotUnderstood as exc:
            reasons.append(str(exc))
    assert set(reasons) == {"more than 64 MiB of messages to keep"}
    assert 0.9 * KEPT_MOST_BYTES < state.kept_bytes <= KEPT_MOST_BYTES
    before = state.kept_bytes
    tell(("acqd/s0/job/j0/occupancy", b""))
    assert state.kept_bytes < before
    tell(("acqd/s0/job/j0/state", b""))
    for station in range(5):
        tell((f"acqd/s{station}/status", b""))
    assert state.kept_bytes == 0


def test_sheets_are_the_most_of_the_memory_and_bounded(
    state: State, tell: Tell, say_of: Any
) -> None:
    for station in range(4):
        for job in range(40):
            tell(say_of(f"s{station}").trace(AT_S, 1, [-100.0] * 1000, job=f"j{job}"))
    sheets = [
        job.sheet.bytes for one in state.stations.values() for job in one.jobs.values() if job.sheet
    ]
    assert len(sheets) == SHEETS_MOST
    assert sum(sheets) <= 160 * 2**20


def test_a_flood_leaves_no_more_than_the_bounds(state: State, say_of: Any) -> None:
    """Names made up by somebody who may publish anything."""
    taken = 0
    for one in range(3000):
        say = say_of(f"s{one % 50}")
        topic, payload = say.channel(AT_S, f"c{one}")
        place = place_of(topic.replace(JOB, f"j{one % 90}"), "acqd")
        assert place is not None
        try:
            payload = payload.replace(JOB.encode(), f"j{one % 90}".encode())
            state.take(place, payload, retained=False, now_s=AT_S)
            taken += 1
        except NotUnderstood:
            pass
    assert 0 < taken < 3000
    assert len(state.stations) <= STATIONS_MOST
    assert all(len(one.jobs) <= JOBS_MOST for one in state.stations.values())
    assert len(state.refused_stations) == 18


def test_the_slow_state_is_made_twice_a_second_at_the_most(
    state: State, tell: Tell, say: Any
) -> None:
    tell(say.status(AT_S))
    versions = set()
    for tenth in range(100):
        now_s = AT_S + tenth / 10.0
        tell(say.state(now_s, reason=str(tenth)), now_s=now_s)
        versions.add(state.slow(now_s)[0])
    assert 15 <= len(versions) <= 21


def test_figures_alone_make_it_anew_each_two_seconds(state: State, tell: Tell, say: Any) -> None:
    tell(say.status(AT_S), say.summary(AT_S, 1))
    versions = set()
    for tenth in range(100):
        now_s = AT_S + tenth / 10.0
        tell(say.summary(now_s, 2 + tenth), now_s=now_s)
        versions.add(state.slow(now_s)[0])
    assert 4 <= len(versions) <= 7


def test_the_slow_state_of_eight_jobs_is_small(state: State, tell: Tell, say: Any) -> None:
    jobs = tuple(f"job-{one}" for one in range(8))
    tell(say.status(AT_S, jobs=jobs))
    for job in jobs:
        tell(say.state(AT_S, job=job), say.summary(AT_S, 1, job=job))
    for one in range(300):
        tell(say.finding(AT_S + one, one + 1))
    assert len(state.slow(AT_S + 1.0)[1]) < 30_000


def test_a_clock_that_is_set_back_does_not_stop_the_state(
    state: State, tell: Tell, say: Any
) -> None:
    tell(say.status(AT_S))
    version, _ = state.slow(AT_S + 10.0)
    tell(say.state(AT_S, state="paused"))
    assert state.slow(AT_S - 5000.0)[0] != version


def test_a_station_clock_that_is_wrong_is_told(state: State, tell: Tell, say: Any) -> None:
    tell(say.trace(AT_S + 7200.0, 1, [-100.0, -90.0]))
    job = state.job(STATION, JOB)
    assert job is not None
    assert job.problem == "the station's clock is 7200 s ahead of this machine's"
    tell(say.trace(AT_S, 2, [-100.0, -90.0]))
    assert job.problem == ""


def test_a_new_grid_begins_a_new_sheet(state: State, tell: Tell, say: Any) -> None:
    tell(say.trace(AT_S, 1, [-100.0, -90.0]))
    job = state.job(STATION, JOB)
    assert job is not None
    assert job.sheet is not None
    epoch = job.sheet.epoch
    tell(say.trace(AT_S + 1, 2, [-100.0, -90.0, -80.0]))
    assert job.sheet.epoch > epoch
    assert job.sheet.grid.rows == 3
    # Looks of a later step of the pass are not columns of this sheet.
    tell(say.trace(AT_S + 2, 3, [-1.0, -2.0], step=4))
    assert job.sheet.seq == 2


def test_limits_stand_at_the_curve_with_what_was_judged_of_them(
    state: State, tell: Tell, say: Any
) -> None:
    curve = {"figure": "insertion loss", "unit": "dB", "start_hz": 90e6, "stop_hz": 160e6,
             "values": [0.4, 41.0, None]}  # fmt: skip
    limits = [
        ("broadcast", 92e6, 102e6, 10.4, "above"),
        ("passband", 156e6, 162e6, 2.0, "below"),
        ("ch16", 156.8e6, 156.8e6, 1.0, "below"),
    ]
    keys = ("name", "start_hz", "stop_hz", "limit", "side")
    mask = [dict(zip(keys, one, strict=True)) | {"unit": "dB"} for one in limits]
    judgements = [
        {"figure": "rejection in broadcast (92.000 to 102.000 MHz)", "limit": 10.0,
         "side": "above", "unit": "dB", "verdict": "pass"},
        {"figure": "largest loss in the passband (156.0 to 162.0 MHz)", "limit": 2.0,
         "side": "below", "unit": "dB", "verdict": "fail"},
        {"figure": "loss at ch16 and something", "limit": 1.0, "side": "below"},
    ]  # fmt: skip
    tell(say.trace(AT_S, 1, [-21.0, -60.0, -21.0], job="filter", curve=curve, mask=mask))
    job = state.job(STATION, "filter")
    assert job is not None
    assert job.curve == {"what": "insertion loss", "unit": "dB",
                         "frequency_hz": [90e6, 125e6, 160e6],
                         "value": pytest.approx([0.4, 41.0, math.nan], nan_ok=True)}  # fmt: skip
    assert [one["label"] for one in job.mask] == ["broadcast", "passband", "ch16"]
    body = {"schema": "verdict/1", "verdict": "fail", "at_s": AT_S, "judgements": judgements}
    tell((f"acqd/{STATION}/job/filter/verdict", json.dumps(body).encode()))
    shown = ("start_hz", "stop_hz", "at_most", "at_least", "label", "verdict")
    assert [tuple(one[key] for key in shown) for one in job.mask] == [
        (92e6, 102e6, None, 10.4, "rejection in broadcast", "pass"),
        (156e6, 162e6, 2.0, None, "largest loss in the passband", "fail"),
        (156.8e6, 156.8e6, 1.0, None, "ch16", ""),
    ]
    # The next sweep was refused for want of a reference: nothing old is shown for it.
    tell(say.trace(AT_S + 1, 2, [-21.0, -60.0, -21.0], job="filter"))
    after = state.job(STATION, "filter")
    assert after is not None
    assert after.curve is None
    assert after.mask == []


def test_a_report_has_an_address_where_its_file_is_at_hand(say: Any) -> None:
    state = State(AT_S, find_report=lambda station, file: f"/x/{file}" if "06" in file else None)
    for file in ("marine-vhf-2026-06-15-0600.html", "marine-vhf-2026-05-01-0700.html"):
        topic, payload = say.report(AT_S, file)
        place = place_of(topic, "acqd")
        assert place is not None
        state.take(place, payload, retained=True, now_s=AT_S)
    reports = station_of(state)["reports"]
    assert {one["file"]: one["url"] for one in reports} == {
        "marine-vhf-2026-06-15-0600.html": "/x/marine-vhf-2026-06-15-0600.html",
        "marine-vhf-2026-05-01-0700.html": None,
    }
    assert reports[0]["headline"] == "kept 100 %"
