"""What meters tell in one form, held to the message that it goes into."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from acqd.measure.report import (
    finding_on,
    judgement_row,
    limit_finding,
    pass_verdict,
    rounded,
)
from acqd.measure.verdict import Side, Verdict, judge
from acqd.publish.messages import Verdict as Message
from acqd.testing.events import sweep_event

ENVELOPE = {
    "station": "gannet",
    "job": "filter",
    "run_id": "r",
    "kind": "transmission",
    "at": "2026-06-01T00:00:00Z",
    "since": "2026-06-01T00:00:00Z",
}


@pytest.mark.parametrize(
    ("value", "told"),
    [
        pytest.param(1.23456, 1.235, id="rounded"),
        pytest.param(None, None, id="unknown"),
        pytest.param(math.nan, None, id="no-number"),
        pytest.param(-math.inf, None, id="infinite"),
    ],
)
def test_a_number_is_finite_or_none(value: float | None, told: float | None) -> None:
    assert rounded(value, 3) == told


def test_what_is_told_is_a_plain_float() -> None:
    """Numpy's scalars would not survive a checkpoint as what they were."""
    assert type(rounded(np.float64(1.5), 3)) is float


def test_a_verdict_is_what_its_message_takes() -> None:
    """All keys of the message but those that the station adds."""
    row = judgement_row("loss", judge(1.00004, limit=2.0, expanded=0.3, unit="dB"), seq=8)
    sweeps = [
        replace(sweep_event(np.zeros(3), seq=seq, at_s=at_s), took_s=0.25)
        for seq, at_s in ((9, 5.0), (7, 1.0), (8, 3.0))
    ]
    told = pass_verdict(Verdict.PASS, "ok", [row], sweeps=sweeps)
    assert (told["since_s"], told["at_s"]) == (1.0, 5.25)
    message = Message.model_validate({**ENVELOPE, **told})
    assert (message.first_seq, message.last_seq, message.verdict) == (7, 9, "pass")
    assert message.judgements[0].value == 1.0
    assert message.judgements[0].text == judge(1.00004, limit=2.0, expanded=0.3, unit="dB").text


def test_a_bound_that_is_infinite_has_no_number() -> None:
    row = judgement_row("loss", judge(1.0, limit=2.0, expanded=math.inf), seq=None, text="words")
    assert (row["expanded"], row["text"], row["verdict"]) == (None, "words", "cannot tell")


@pytest.mark.parametrize(
    ("value", "side", "what"),
    [
        pytest.param(3.0, "below", "limit_exceeded", id="too-high"),
        pytest.param(3.0, "above", "limit_met", id="high-enough"),
        pytest.param(1.0, "below", "limit_met", id="low-enough"),
        pytest.param(1.0, "above", "limit_exceeded", id="too-low"),
    ],
)
def test_a_limit_has_one_pair_of_words_on_either_side(value: float, side: Side, what: str) -> None:
    """With the figures of the verdict's row, so that a program finds them there by name."""
    row = judgement_row("loss", judge(value, limit=2.0, expanded=0.5, side=side), seq=3)
    found = limit_finding(row, "text", at_s=1.0, seq=3, figures={"name": "ch16"})
    assert (found.what, found.at_s, found.seq, found.text) == (what, 1.0, 3, "text")
    assert found.figures["name"] == "ch16"
    assert found.figures.items() >= {"figure": "loss", "value": value, "limit": 2.0}.items()
    assert found.figures.keys() - {"name"} <= row.keys()


def test_a_finding_is_of_its_sweep() -> None:
    sweep = sweep_event(np.zeros(3), seq=4, at_s=10.0, started_s=10.5)
    found = finding_on(sweep, "loud", "it is loud")
    assert (found.what, found.at_s, found.seq, dict(found.figures)) == ("loud", 10.5, 4, {})
