"""What one viewer is sent: told by the documented protocol, without a network."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from acqd.dash.frames import NO_SWEEP, Ask, Viewer, read_ask
from acqd.dash.reading import NotUnderstood
from acqd.dash.state import State

AT_S = 1_795_617_000.0
STATION, JOB = "gannet-ledge", "marine-vhf"
VIEW = {"station": STATION, "job": JOB, "span_s": 600.0}

Tell = Callable[..., None]


def ask_of(have: dict[str, Any] | None = None, view: dict[str, Any] | None = VIEW) -> Ask:
    return read_ask(json.dumps({"ask": "frame", "view": view, "have": have or {}}))


def have_of(frame: Any, before: dict[str, Any] | None = None) -> dict[str, Any]:
    header = frame.header
    have = dict(before or {}) | {"version": header["version"]}
    if header["view"]:
        have |= {"epoch": header["view"].get("epoch", 0), "seq": header["view"].get("seq", 0)}
    if header["findings"]:
        have["finding"] = header["findings"][-1]["id"]
    detail = {name: version for name, (version, _) in header["detail"].items()}
    return have | {"detail": have.get("detail", {}) | detail}


def sweeps(tell: Tell, say: Any, first: int, last: int, level: float = -100.0) -> None:
    for seq in range(first, last + 1):
        tell(say.trace(AT_S + seq, seq, [level, level + 1.0]), now_s=AT_S + seq)


@pytest.mark.parametrize(
    "message",
    [
        "",
        "[]",
        "nonsense",
        '{"ask": "reboot"}',
        '{"ask": "frame", "view": {"station": "a", "job": "b", "span_s": 5}}',
        '{"ask": "frame", "view": {"station": "../a", "job": "b", "span_s": 600}}',
        '{"ask": "frame", "view": {"station": ["a"], "job": "b", "span_s": 600}}',
        '{"ask": "frame", "view": {"station": "a"}}',
        '{"ask": "frame", "view": {"station": "a", "job": "b", "span_s": NaN}}',
    ],
)
def test_what_is_no_ask_is_refused(message: str) -> None:
    with pytest.raises(NotUnderstood):
        read_ask(message)


def test_what_a_viewer_says_it_has_may_be_anything() -> None:
    have = {"version": "x", "finding": -3, "epoch": 1.5, "seq": None, "detail": [1]}
    assert ask_of(have) == ask_of({})
    assert read_ask('{"ask": "frame"}').job == ""


def test_a_page_without_a_job_gets_the_state(
    state: State, tell: Tell, say: Any, take_apart: Any
) -> None:
    tell(say.status(AT_S), say.finding(AT_S, 1))
    viewer = Viewer()
    ask = ask_of(view=None)
    assert viewer.has_news(ask, state, AT_S)
    frame = take_apart(viewer.frame(ask, state, AT_S))
    assert frame.header["view"] is None
    assert frame.parts == {}
    assert frame.header["state"]["stations"][0]["station"] == STATION
    assert frame.header["now_s"] == AT_S
    (finding,) = frame.header["findings"]
    assert (finding["job"], finding["number"], finding["text"]) == (JOB, 1, "a signal")
    have = have_of(frame)
    assert not viewer.has_news(ask_of(have, None), state, AT_S)
    again = take_apart(viewer.frame(ask_of(have, None), state, AT_S))
    assert (again.header["state"], again.header["findings"]) == (None, [])


def test_a_job_that_nobody_knows_is_no_view(state: State, take_apart: Any) -> None:
    frame = take_apart(Viewer().frame(ask_of(), state, AT_S))
    assert frame.header["view"] is None


def test_a_job_without_sweeps_says_so(state: State, tell: Tell, say: Any, take_apart: Any) -> None:
    tell(say.state(AT_S))
    frame = take_apart(Viewer().frame(ask_of(), state, AT_S))
    assert frame.view["problem"] == NO_SWEEP
    assert frame.parts == {}


def test_columns_line_and_held(state: State, tell: Tell, say: Any, take_apart: Any) -> None:
    tell(say.summary(AT_S, 1))
    tell(say.trace(AT_S, 1, [-100.0, -50.0]), now_s=AT_S)
    tell(say.trace(AT_S + 3.0, 2, [-90.0, -60.0]), now_s=AT_S + 3.0)
    viewer = Viewer()
    frame = take_apart(viewer.frame(ask_of(), state, AT_S + 3.0))
    view = frame.view
    assert (view["start_hz"], view["stop_hz"], view["rows"]) == (156e6, 162.1e6, 2)
    assert (view["unit"], view["kind"], view["plane"]) == ("dBm", "band", "the aerial socket")
    assert (view["threshold"], view["seq"], view["more"]) == (-104.74, 2, 0)
    level = {
        number: (view["low_db"] + (codes - 1.0) * view["step_db"]).tolist()
        for number, codes in frame.columns().items()
    }
    assert level == {int(AT_S): [-100.0, -50.0], int(AT_S) + 3: [-90.0, -60.0]}
    assert frame.floats("line").tolist() == [-90.0, -60.0]
    assert frame.floats("held").tolist() == [-90.0, -50.0]
    assert view["every_s"] == 3.0
    have = have_of(frame)
    assert not viewer.has_news(ask_of(have), state, AT_S + 3.0)
    assert take_apart(viewer.frame(ask_of(have), state, AT_S + 3.0)).parts == {}


def test_a_column_that_grew_comes_again(
    state: State, tell: Tell, say: Any, take_apart: Any
) -> None:
    tell(say.trace(AT_S, 1, [-100.0, -100.0]), now_s=AT_S)
    viewer = Viewer()
    have = have_of(take_apart(viewer.frame(ask_of(), state, AT_S)))
    tell(say.trace(AT_S + 0.4, 2, [-90.0, -100.0]), now_s=AT_S + 0.4)
    assert viewer.has_news(ask_of(have), state, AT_S + 0.4)
    frame = take_apart(viewer.frame(ask_of(have), state, AT_S + 0.4))
    assert list(frame.columns()) == [int(AT_S)]
    assert frame.floats("held").tolist() == [-90.0, -100.0]


def test_history_comes_the_newest_first_and_faster_on_a_quick_link(
    state: State, tell: Tell, say: Any, take_apart: Any
) -> None:
    sweeps(tell, say, 1, 600)
    viewer, now_s = Viewer(), AT_S + 600.0
    seen: list[int] = []
    sizes = []
    have: dict[str, Any] = {}
    for _ in range(20):
        ask = ask_of(have)
        viewer.asked(ask, now_s)
        frame = take_apart(viewer.frame(ask, state, now_s))
        numbers = list(frame.columns())
        assert numbers == sorted(numbers)
        assert not seen or not numbers or max(numbers) < min(seen)
        seen = numbers + seen
        sizes.append(len(numbers))
        have = have_of(frame, have)
        now_s += 0.03
        if not frame.view["more"]:
            break
    assert seen == [int(AT_S) + second for second in range(1, 601)]
    assert sizes[0] == 40
    assert max(sizes) <= 300
    assert len(sizes) <= 6


def test_on_a_slow_link_history_stays_in_small_pieces(
    state: State, tell: Tell, say: Any, take_apart: Any
) -> None:
    sweeps(tell, say, 1, 600)
    viewer, now_s = Viewer(), AT_S + 600.0
    have: dict[str, Any] = {}
    for _ in range(5):
        ask = ask_of(have)
        viewer.asked(ask, now_s)
        frame = take_apart(viewer.frame(ask, state, now_s))
        assert len(frame.columns()) == 40
        have = have_of(frame, have)
        now_s += 3.0


def test_a_slow_viewer_gets_the_newest_and_is_told_what_it_missed(
    state: State, tell: Tell, say: Any, take_apart: Any
) -> None:
    sweeps(tell, say, 1, 1)
    viewer = Viewer()
    have = have_of(take_apart(viewer.frame(ask_of(), state, AT_S + 1)))
    sweeps(tell, say, 2, 101)
    frame = take_apart(viewer.frame(ask_of(have), state, AT_S + 101))
    assert frame.view["seq"] == 101
    assert frame.view["skipped"] == 99
    assert list(frame.columns()) == [int(AT_S) + second for second in range(62, 102)]
    assert frame.view["more"] == 60


def test_another_view_begins_anew(state: State, tell: Tell, say: Any, take_apart: Any) -> None:
    sweeps(tell, say, 1, 30)
    viewer, now_s = Viewer(), AT_S + 30
    have = have_of(take_apart(viewer.frame(ask_of(), state, now_s)))
    hour = VIEW | {"span_s": 3600.0}
    frame = take_apart(viewer.frame(ask_of(have, hour), state, now_s))
    assert frame.view["bin_s"] == 6.0
    assert len(frame.columns()) == 6
    assert {"line", "held"} <= set(frame.parts)
    back = take_apart(viewer.frame(ask_of(have_of(frame, have)), state, now_s))
    assert len(back.columns()) == 30


def test_a_viewer_that_lost_what_it_had_gets_it_again(
    state: State, tell: Tell, say: Any, take_apart: Any
) -> None:
    sweeps(tell, say, 1, 10)
    viewer, now_s = Viewer(), AT_S + 10
    viewer.frame(ask_of(), state, now_s)
    frame = take_apart(viewer.frame(ask_of({"epoch": 1}), state, now_s))
    assert len(frame.columns()) == 10


def test_pieces_of_a_job_come_when_they_changed(
    state: State, tell: Tell, say: Any, take_apart: Any
) -> None:
    tell(say.channel(AT_S, "16"), say.occupancy(AT_S // 3600 * 3600, {"16": 0.1}))
    viewer = Viewer()
    frame = take_apart(viewer.frame(ask_of(), state, AT_S))
    detail = {name: piece for name, (_, piece) in frame.header["detail"].items()}
    assert [one["channel"] for one in detail["channels"]] == ["16"]
    assert detail["occupancy"]["hours"][0]["fco"] == [0.1]
    assert "verdict" not in detail
    have = have_of(frame)
    assert take_apart(viewer.frame(ask_of(have), state, AT_S + 1)).header["detail"] == {}
    tell(say.channel(AT_S, "16", "free"))
    frame = take_apart(viewer.frame(ask_of(have), state, AT_S + 2))
    assert list(frame.header["detail"]) == ["channels"]


def test_two_viewers_of_one_job_get_the_same_pieces(
    state: State, tell: Tell, say: Any, take_apart: Any
) -> None:
    tell(say.channel(AT_S, "16"))
    one, two = (
        take_apart(Viewer().frame(ask_of(), state, AT_S + late)).header["detail"]
        for late in (0.0, 0.1)
    )
    assert one == two


def test_findings_come_in_portions(state: State, tell: Tell, say: Any, take_apart: Any) -> None:
    for number in range(1, 181):
        tell(say.finding(AT_S + number, number))
    viewer = Viewer()
    have: dict[str, Any] = {}
    got = []
    for _ in range(3):
        frame = take_apart(viewer.frame(ask_of(have, None), state, AT_S))
        got.append([one["number"] for one in frame.header["findings"]])
        have = have_of(frame, have)
    assert [len(one) for one in got] == [100, 80, 0]
    assert [number for some in got for number in some] == list(range(1, 181))


def test_texts_of_strangers_arrive_as_texts(
    state: State, tell: Tell, say: Any, take_apart: Any
) -> None:
    nasty = "</script>\u2028\u0000\"'\\ 🛟 \x1b[31m"
    tell(say.finding(AT_S, 1, text=nasty))
    frame = take_apart(Viewer().frame(ask_of(view=None), state, AT_S))
    assert frame.header["findings"][0]["text"] == nasty


def test_what_a_frame_costs_does_not_grow_with_what_was_missed(
    state: State, tell: Tell, say: Any
) -> None:
    rng = np.random.default_rng(1)
    sweeps(tell, say, 1, 1)
    viewer = Viewer()
    viewer.frame(ask_of(), state, AT_S)
    for seq in range(2, 3000):
        level = rng.normal(-100.0, 1.0, 2)
        tell(say.trace(AT_S + seq / 20.0, seq, level), now_s=AT_S + seq / 20.0)
    have = {"epoch": viewer._key[3] if viewer._key else 0}
    raw = viewer.frame(ask_of(have), state, AT_S + 150.0)
    assert len(raw) < 6000
