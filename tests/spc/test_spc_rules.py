"""Western Electric rules: worked runs, and every answer against a plain search."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.spc import RULES, RuleBreak, SpcError, rule_breaks

few = settings(max_examples=60, deadline=None)
#: Values in quarter sigmas, so that points on a line do occur.
values = st.lists(st.integers(-16, 16).map(lambda quarter: quarter / 4), max_size=40)


def found(points, rules=RULES, sigma=1.0):
    return [(each.rule, each.side, each.points) for each in rule_breaks(points, centre=0, sigma=sigma, rules=rules)]


# Each run by the text of the rule: Western Electric, Statistical Quality Control Handbook (1956), from memory.
@pytest.mark.parametrize(
    ("points", "expected"),
    [
        ([0, 3.1, 0], [(1, "above", (1,))]),
        ([0, -3.1, 0, 3.1], [(1, "below", (1,)), (1, "above", (3,))]),
        ([3.0, -3.0], []),  # on the line is not beyond it
        ([2.1, 0, 2.1], [(2, "above", (0, 2))]),
        ([2.1, 0, 0, 2.1], []),
        ([2.1, -2.1, 0], []),  # not on one side
        ([-2.1, -2.2, 1.9], [(2, "below", (0, 1))]),
        ([1.1, 1.1, -1, 1.1, 1.1], [(3, "above", (0, 1, 3, 4))]),
        ([1.1, 1.1, -1, -1, 1.1, 1.1], []),
        ([0.5, 0.4, 0.6, 0.2, 0.3, 0.4, 0.1, 0.2], [(4, "above", tuple(range(8)))]),
        ([0.5, 0.4, 0.6, 0.0, 0.3, 0.4, 0.1, 0.2], []),  # a point on the centre is on no side
    ],
)
def test_the_four_rules(points, expected):
    assert found(points, rules=(1, 2, 3, 4)) == expected


def test_the_further_runs():
    """NIST e-Handbook 6.3.2: six in a row trending, fourteen in a row alternating (from memory)."""
    rising = [-0.9, -0.5, -0.1, 0.3, 0.5, 0.9]
    assert found(rising, rules=(5,)) == [(5, "above", (0, 1, 2, 3, 4, 5))]
    assert found(rising[::-1], rules=(5,)) == [(5, "below", (0, 1, 2, 3, 4, 5))]
    assert found(rising[:5], rules=(5,)) == []
    swinging = [0.5, -0.5] * 7
    assert found(swinging, rules=(6,)) == [(6, "both", tuple(range(14)))]
    assert found(swinging[:13], rules=(6,)) == []


def test_a_long_run_is_one_break_with_all_its_points():
    assert found([0.5] * 20, rules=(4,)) == [(4, "above", tuple(range(20)))]
    apart = [0.5] * 8 + [-0.5] + [0.5] * 8
    assert found(apart, rules=(4,)) == [(4, "above", tuple(range(8))), (4, "above", tuple(range(9, 17)))]


def test_a_break_says_its_rule_in_words():
    [each] = rule_breaks([0, 4], centre=0, sigma=1)
    assert each == RuleBreak(1, "above", (1,))
    assert (each.first, each.last, each.words) == (1, 1, "one point beyond 3 sigma")


def _plain(points, rule):
    """Positions that a plain reading of the rule finds, per side."""
    needed, window, sigmas = {1: (1, 1, 3), 2: (2, 3, 2), 3: (4, 5, 1), 4: (8, 8, 0)}[rule]
    result = set()
    for sign in (1, -1):
        for start in range(len(points) - window + 1):
            beyond = [i for i in range(start, start + window) if sign * points[i] > sigmas]
            if len(beyond) >= needed:
                result |= {(sign, i) for i in beyond}
    return result


@given(values, st.sampled_from([1, 2, 3, 4]))
@few
def test_a_plain_search_finds_the_same_points(points, rule):
    answer = {(1 if side == "above" else -1, i) for _, side, run in found(points, rules=(rule,)) for i in run}
    assert answer == _plain(points, rule)


@given(values)
@few
def test_turned_upside_down_the_breaks_change_sides_only(points):
    swap = {"above": "below", "below": "above", "both": "both"}
    turned = {(rule, swap[side], run) for rule, side, run in found([-point for point in points])}
    assert turned == set(found(points))


@given(values, st.integers(-5, 5), st.sampled_from([0.5, 2.0, 4.0]))
@few
def test_only_the_distance_in_sigmas_counts(points, shift, scale):
    moved = [point * scale + shift for point in points]
    other = rule_breaks(moved, centre=shift, sigma=scale, rules=RULES)
    assert other == rule_breaks(points, centre=0, sigma=1, rules=RULES)


def test_a_steady_process_breaks_the_first_rule_as_often_as_chance_says():
    """A normal value lies beyond 3 sigma 27 times in 10 000."""
    points = np.random.default_rng(7).normal(size=100_000)
    assert len(rule_breaks(points, centre=0, sigma=1, rules=(1,))) == pytest.approx(270, abs=50)


def test_values_that_do_not_vary_have_no_zones():
    assert found([1.0] * 3, rules=(1, 2, 3), sigma=0) == []
    assert found([1.0] * 8, rules=(4,), sigma=0) == [(4, "above", tuple(range(8)))]


def test_what_cannot_be_asked_is_refused():
    with pytest.raises(SpcError, match="rule 7"):
        rule_breaks([1], centre=0, sigma=1, rules=(7,))
    with pytest.raises(SpcError, match="sigma"):
        rule_breaks([1], centre=0, sigma=-1)
