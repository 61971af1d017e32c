"""Verdicts: the decision rule, bounds, and how they read."""

from __future__ import annotations

import itertools
import math

import pytest

from acqd.measure import verdict
from acqd.measure.verdict import Bound, Side, Verdict, combine, judge, reads, stands

PASS, FAIL = Verdict.PASS, Verdict.FAIL
CANNOT_TELL, INCOMPLETE = Verdict.CANNOT_TELL, Verdict.INCOMPLETE


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (-40.0, PASS),
        (-38.0, PASS),
        (-37.9, CANNOT_TELL),
        (-36.0, CANNOT_TELL),
        (-34.1, CANNOT_TELL),
        (-34.0, FAIL),
        (-20.0, FAIL),
    ],
)
def test_an_emission_has_to_be_below_its_limit_by_u(value: float, expected: Verdict) -> None:
    """−36 dBm ± 2: what reaches the guard band exactly counts."""
    assert judge(value, limit=-36.0, expanded=2.0, unit="dBm").verdict is expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [(54.9, PASS), (54.89, CANNOT_TELL), (51.2, CANNOT_TELL), (51.1, FAIL), (40.0, FAIL)],
)
def test_a_suppression_has_to_be_above_its_limit_by_u(value: float, expected: Verdict) -> None:
    """53.0 dB ± 1.9; 53.0 − 51.1 is 1.9 although its last bit says otherwise."""
    assert judge(value, limit=53.0, expanded=1.9, side="above").verdict is expected


@pytest.mark.parametrize("expanded", [0.7, 1e-3, 0.0])
@pytest.mark.parametrize("guard", [0.0, 0.5, 1.0])
def test_both_sides_mirror_each_other(expanded: float, guard: float) -> None:
    """Below a limit is above its negative."""
    for tenth in range(-20, 21):
        value = tenth / 10
        below = judge(value, limit=0.5, expanded=expanded, guard=guard)
        above = judge(-value, limit=-0.5, expanded=expanded, guard=guard, side="above")
        assert below.verdict is above.verdict
        assert below.margin == pytest.approx(above.margin)


@pytest.mark.parametrize(("value", "expected"), [(0.9, PASS), (1.0, PASS), (1.1, FAIL)])
def test_simple_acceptance_always_decides(value: float, expected: Verdict) -> None:
    """Guard 0: on the limit passes."""
    assert judge(value, limit=1.0, expanded=5.0, guard=0.0).verdict is expected


def test_frequencies_are_judged_to_their_last_digit() -> None:
    """145000000.1 − 144999000.0 falls short of 1000.1 by more than 1e−9."""
    limit, u = 145e6 + 0.1, 1000.1
    assert limit - 144_999_000.0 < u - 1e-9
    assert judge(144_999_000.0, limit=limit, expanded=u, unit="Hz").verdict is PASS
    assert judge(144_999_000.1, limit=limit, expanded=u, unit="Hz").verdict is CANNOT_TELL


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_no_figure_gives_no_verdict(value: float | None) -> None:
    """Whatever the limit, and on either side."""
    for side in ("below", "above"):
        found = judge(value, limit=1.0, expanded=0.1, side=side)
        assert found.verdict is CANNOT_TELL
        assert (found.value, found.margin) == (None, None)
        assert found.text == "no reading, limit 1.00 dB: cannot tell"


@pytest.mark.parametrize("expanded", [None, math.nan])
def test_unknown_uncertainty_gives_no_verdict(expanded: float | None) -> None:
    """Not even with simple acceptance, and never by taking it as none."""
    for guard in (0.0, 1.0):
        found = judge(-90.0, limit=-36.0, expanded=expanded, guard=guard, unit="dBm")
        assert found.verdict is CANNOT_TELL
        assert found.guard_band is None
        assert found.text == ("−90.0 of −36.0 dBm: cannot tell, the uncertainty is not known")


def test_infinite_uncertainty_gives_no_verdict() -> None:
    """A directivity bound without an upper end."""
    for guard in (0.0, 1.0):
        found = judge(90.0, limit=14.0, expanded=math.inf, side="above", guard=guard)
        assert found.verdict is CANNOT_TELL
        assert found.text == (
            "90.0 of 14.0 dB ± ∞: cannot tell, the limit lies within the uncertainty"
        )


@pytest.mark.parametrize(("bound", "side"), [("at least", "below"), ("at most", "above")])
def test_a_bound_on_the_limit_itself_does_not_fail(bound: Bound, side: Side) -> None:
    """The true figure may be the limit, which would pass."""
    found = judge(50.0, limit=50.0, expanded=2.0, side=side, guard=0.0, bound=bound)
    assert found.verdict is CANNOT_TELL


BOUNDS: list[tuple[Bound, Side, float, Verdict]] = [
    # limit 50 ± 2
    ("at least", "above", 55.0, PASS),
    ("at least", "above", 52.0, PASS),
    ("at least", "above", 51.0, CANNOT_TELL),
    ("at least", "above", 45.0, CANNOT_TELL),
    ("at least", "above", 0.0, CANNOT_TELL),
    ("at most", "above", 60.0, CANNOT_TELL),
    ("at most", "above", 49.0, CANNOT_TELL),
    ("at most", "above", 48.0, FAIL),
    ("at most", "below", 45.0, PASS),
    ("at most", "below", 49.0, CANNOT_TELL),
    ("at most", "below", 70.0, CANNOT_TELL),
    ("at least", "below", 10.0, CANNOT_TELL),
    ("at least", "below", 51.0, CANNOT_TELL),
    ("at least", "below", 52.0, FAIL),
]


@pytest.mark.parametrize(("bound", "side", "value", "expected"), BOUNDS)
def test_a_bound_decides_only_where_it_suffices(
    bound: Bound, side: Side, value: float, expected: Verdict
) -> None:
    """And never the other way round."""
    found = judge(value, limit=50.0, expanded=2.0, side=side, bound=bound)
    assert found.verdict is expected


@pytest.mark.parametrize(("bound", "side", "value", "expected"), BOUNDS)
def test_a_bound_never_contradicts_what_it_allows(
    bound: Bound, side: Side, value: float, expected: Verdict
) -> None:
    """Whatever the true figure is on the bound's side, it gets the same verdict or none."""
    for more in (0.0, 1.0, 10.0, 100.0):
        true = value + more if bound == "at least" else value - more
        exact = judge(true, limit=50.0, expanded=2.0, side=side).verdict
        assert expected in (CANNOT_TELL, exact)


def test_a_judgement_keeps_what_it_rests_on() -> None:
    """Margin inside, guard band and text."""
    found = judge(51.2, limit=53.0, expanded=1.9, side="above", guard=0.5)
    assert found.margin == pytest.approx(-1.8)
    assert found.guard_band == pytest.approx(0.95)
    assert (found.value, found.limit, found.expanded) == (51.2, 53.0, 1.9)
    assert (found.side, found.bound, found.unit) == ("above", None, "dB")
    assert found.text == "51.2 of 53.0 dB ± 1.9: fail"


@pytest.mark.parametrize(
    ("value", "bound", "text"),
    [
        (55.0, None, "55.0 of 53.0 dB ± 1.9: pass"),
        (51.2, None, "51.2 of 53.0 dB ± 1.9: cannot tell, the limit lies within the uncertainty"),
        (45.0, "at least", "at least 45.0 of 53.0 dB ± 1.9: cannot tell, more cannot be seen"),
        (56.0, "at least", "at least 56.0 of 53.0 dB ± 1.9: pass"),
    ],
)
def test_a_judgement_says_why_it_cannot_tell(value: float, bound: Bound | None, text: str) -> None:
    """In one line."""
    assert judge(value, limit=53.0, expanded=1.9, side="above", bound=bound).text == text


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"limit": math.nan, "expanded": 1.0}, "limit must be finite, got nan"),
        ({"limit": math.inf, "expanded": 1.0}, "limit must be finite, got inf"),
        ({"limit": 1.0, "expanded": -1.0}, "expanded must not be below 0, got -1.0"),
        ({"limit": 1.0, "expanded": 1.0, "guard": -0.1}, "guard must be finite and not below 0"),
        ({"limit": 1.0, "expanded": 1.0, "guard": math.nan}, "guard must be finite"),
    ],
)
def test_rules_that_cannot_be_are_refused(arguments: dict[str, float], text: str) -> None:
    """A limit, a U or a guard that is none."""
    with pytest.raises(ValueError, match=text):
        judge(0.0, **arguments)


@pytest.mark.parametrize(
    ("value", "limit", "expanded", "unit", "bound", "text"),
    [
        (51.2, 53.0, 1.9, "dB", None, "51.2 of 53.0 dB ± 1.9"),
        (-31.04, -36.0, 2.0, "dBm", None, "−31.0 of −36.0 dBm ± 2.0"),
        (-70.0, -54.0, 2.6, "dBm", "at most", "at most −70.0 of −54.0 dBm ± 2.6"),
        (3.0123, 3.0, 0.067, "dB", None, "3.012 of 3.000 dB ± 0.067"),
        (145_001_234.0, 145_002_000.0, 1234.0, "Hz", None, "145001200 of 145002000 Hz ± 1200"),
        (0.31, 0.5, 0.12, "°C", None, "0.31 of 0.50 °C ± 0.12"),
        (None, 53.0, 1.9, "dB", None, "no reading, limit 53.0 dB"),
        (51.2, 53.0, None, "dB", None, "51.2 of 53.0 dB"),
        (51.2, 53.0, 0.0, "dB", None, "51.2 of 53.0 dB ± 0.0"),
    ],
)
def test_figures_read_as_the_trade_writes_them(
    value: float | None,
    limit: float,
    expanded: float | None,
    unit: str,
    bound: Bound | None,
    text: str,
) -> None:
    """Figure, limit and U with as many decimals as U has figures for."""
    assert reads(value, limit, expanded, unit, bound=bound) == text


@pytest.mark.parametrize(
    ("found", "text"),
    [
        (PASS, "below limit 47 CFR 97.307(e), edition 2024"),
        (FAIL, "above limit 47 CFR 97.307(e), edition 2024"),
        (CANNOT_TELL, "cannot tell whether below limit 47 CFR 97.307(e), edition 2024"),
        (INCOMPLETE, "not measured to the end against limit 47 CFR 97.307(e), edition 2024"),
    ],
)
def test_where_a_thing_stands_names_limit_and_edition(found: Verdict, text: str) -> None:
    """A measurement says where a figure lies, not what the law makes of it."""
    assert stands(found, limit="47 CFR 97.307(e)", edition="2024") == text


def test_where_a_thing_stands_above() -> None:
    """A filter's rejection is above its limit when it passes."""
    assert stands(PASS, limit="stop band", edition="2", side="above").startswith("above limit")
    assert stands(FAIL, limit="stop band", edition="2", side="above").startswith("below limit")


@pytest.mark.parametrize(
    ("guard", "text"),
    [
        (1.0, "inside the limit by U or more"),
        (0.82, "inside the limit by 0.82·U or more"),
        (0.0, "the uncertainty is not counted"),
    ],
)
def test_the_rule_is_stated(guard: float, text: str) -> None:
    """Beside the verdicts, in a sentence."""
    assert text in verdict.rule_text(guard)


def test_nothing_judged_is_incomplete() -> None:
    """Not a pass."""
    assert combine([]) is INCOMPLETE


def test_many_verdicts_become_the_worst() -> None:
    """In whatever order they come: fail, incomplete, cannot tell, pass."""
    worst_first = [FAIL, INCOMPLETE, CANNOT_TELL, PASS]
    for count in (1, 2, 3):
        for found in itertools.product(worst_first, repeat=count):
            assert combine(found) is min(found, key=worst_first.index)


def test_judgements_combine_with_verdicts() -> None:
    """A run that was cut short is incomplete, unless something failed already."""
    good = judge(0.0, limit=1.0, expanded=0.5)
    bad = judge(2.0, limit=1.0, expanded=0.5)
    assert combine([good]) is PASS
    assert combine([good, INCOMPLETE]) is INCOMPLETE
    assert combine([good, INCOMPLETE, bad]) is FAIL
    assert combine(iter([good, good])) is PASS
