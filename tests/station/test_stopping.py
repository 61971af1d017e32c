"""One signal, sent twice in a moment, and a second one."""

from __future__ import annotations

import os

import pytest

from acqd.station.stopping import AskedToStop


def test_a_signal_sent_twice_in_a_moment_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """To the process and to its group, as time limits do; a later one leaves at once."""
    now_s, stops, left = [10.0], [], []
    monkeypatch.setattr(os, "_exit", left.append)
    asked = AskedToStop(lambda: stops.append(now_s[0]), now_s=lambda: now_s[0])
    assert not asked.was_asked
    asked()
    now_s[0] += 0.001
    asked()
    assert (asked.was_asked, stops, left) == (True, [10.0], [])
    now_s[0] += 1.0
    asked()
    assert (stops, left) == ([10.0], [130])
