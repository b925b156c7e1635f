"""Control charts against published examples and an independent computation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from opticshop.spc import SpcError, ewma, individuals, range_constants, subgroups
from opticshop.spc.constants import LARGEST

numbers = st.floats(-100, 100, allow_nan=False).map(lambda value: round(value, 3))
series = st.lists(numbers, min_size=2, max_size=40)
few = settings(max_examples=40, deadline=None)

#: NIST/SEMATECH e-Handbook 6.3.2.2, individuals charts: flow rate of ten batches (from memory; its mean 50.81 and mean
#: moving range 1.8778 are checked below).
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
#: NIST/SEMATECH e-Handbook 6.3.2.4, EWMA charts: twenty values and the averages printed there (from memory).
STEADY_THEN_UP = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6]
STEADY_THEN_UP += [52.4, 53.6, 52.1]
AVERAGES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38]
AVERAGES += [49.92, 50.73, 51.23, 51.94, 51.99]


@pytest.mark.parametrize("n", range(2, LARGEST + 1))
def test_the_constants_are_those_of_the_distribution_of_the_range(n):
    """Independent: mean and variance of the range of n standard normal values by integration of its density."""
    x, widths = np.linspace(-9, 9, 601), np.linspace(0, 13, 651)
    lower, upper = x[None, :], x[None, :] + widths[:, None]

    def bell(at):
        return np.exp(-at * at / 2) / np.sqrt(2 * np.pi)

    density = n * (n - 1) * np.trapezoid(bell(lower) * bell(upper) * (ndtr(upper) - ndtr(lower)) ** (n - 2), x, axis=1)
    mean = np.trapezoid(density * widths, widths)
    variance = np.trapezoid(density * widths**2, widths) - mean**2
    found = range_constants(n)
    assert found.d2 == pytest.approx(mean, abs=1e-4)
    assert found.d3 == pytest.approx(np.sqrt(variance), abs=2e-4)


@pytest.mark.parametrize(
    ("n", "d2", "a2", "lower", "upper"),
    [
        # Factors for control charts (NIST e-Handbook 6.3.2 and ASTM manual, from memory): d2, A2, D3, D4.
        (2, 1.128, 1.880, 0, 3.267),
        (3, 1.693, 1.023, 0, 2.574),
        (4, 2.059, 0.729, 0, 2.282),
        (5, 2.326, 0.577, 0, 2.114),
        (6, 2.534, 0.483, 0, 2.004),
        (7, 2.704, 0.419, 0.076, 1.924),
        (8, 2.847, 0.373, 0.136, 1.864),
        (9, 2.970, 0.337, 0.184, 1.816),
        (10, 3.078, 0.308, 0.223, 1.777),
    ],
)
def test_the_factors_are_those_of_the_printed_tables(n, d2, a2, lower, upper):
    found = range_constants(n)
    assert (found.d2, found.a2, found.lower, found.upper) == pytest.approx((d2, a2, lower, upper), abs=6e-4)


@pytest.mark.parametrize(
    # AIAG MSA 4th edition, appendix C, d2* for one sample of m values (from memory).
    ("m", "d2_star"),
    [(2, 1.41421), (3, 1.91155), (4, 2.23887), (5, 2.48124), (6, 2.67253), (8, 2.96288), (10, 3.17905)],
)
def test_the_factor_of_a_single_sample_is_that_of_the_table(m, d2_star):
    assert range_constants(m).d2_star == pytest.approx(d2_star, abs=2e-4)


def test_individuals_as_in_the_handbook():
    """NIST e-Handbook 6.3.2.2: limits 55.8041 and 45.8159. The handbook takes d2 as 1.128; five decimals move
    the limits by 0.002."""
    chart = individuals(FLOW)
    assert chart.centre == pytest.approx(50.81)
    assert chart.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    assert (chart.lower, chart.upper) == pytest.approx((45.8159, 55.8041), abs=0.002)
    assert chart.upper == pytest.approx(50.81 + 2.66 * 1.8778, abs=0.003)
    assert chart.moving_range_upper == pytest.approx(3.267 * 1.8778, abs=0.002)
    assert len(chart.moving_ranges) == 9


def test_ewma_as_in_the_handbook():
    """NIST e-Handbook 6.3.2.4: centre 50, s 2.0539, lambda 0.3: limits 52.5884 and 47.4115, none of the points out."""
    chart = ewma(STEADY_THEN_UP, centre=50, sigma=2.0539, weight=0.3)
    assert chart.averages.tolist() == pytest.approx(AVERAGES, abs=0.0051)
    assert (chart.steady_lower, chart.steady_upper) == pytest.approx((47.4115, 52.5884), abs=1e-4)
    assert chart.outside == []


def test_limits_of_an_ewma_widen_from_those_of_one_value_to_the_steady_ones():
    chart = ewma(STEADY_THEN_UP, centre=50, sigma=2, weight=0.3)
    assert chart.upper[0] == pytest.approx(50 + 3 * 2 * 0.3)  # the first average has variance (lambda sigma)^2
    assert (np.diff(chart.upper) > 0).all()
    assert chart.upper[-1] == pytest.approx(chart.steady_upper, abs=1e-4)


def test_an_ewma_sees_a_small_lasting_shift_that_single_values_hide():
    """Half a sigma for eighty points: the average settles at 0.5, beyond the limit 3 sqrt(0.05/1.95) = 0.48."""
    values = [0.5] * 80
    assert all(abs(value) < 3 for value in values)
    assert ewma(values, centre=0, sigma=1, weight=0.05).outside != []


@given(series)
@few
def test_an_ewma_of_weight_one_is_the_values_themselves(values):
    chart = ewma(values, centre=1, sigma=2, weight=1)
    assert chart.averages.tolist() == pytest.approx(values, abs=1e-9)
    assert chart.upper.tolist() == pytest.approx([7.0] * len(values))


@given(series, st.floats(0.05, 1))
@few
def test_an_ewma_is_the_weighted_sum_of_all_that_came_before(values, weight):
    chart = ewma(values, centre=3, sigma=1, weight=weight)
    weights = weight * (1 - weight) ** np.arange(len(values))[::-1]
    assert chart.averages[-1] == pytest.approx(weights @ np.array(values) + (1 - weight) ** len(values) * 3, abs=1e-7)


@given(series, numbers, st.floats(0.1, 10))
@few
def test_a_chart_moves_and_stretches_with_its_values(values, shift, scale):
    chart, other = individuals(values), individuals([scale * value + shift for value in values])
    for name in ("centre", "lower", "upper"):
        assert getattr(other, name) == pytest.approx(scale * getattr(chart, name) + shift, abs=1e-6)
    assert other.sigma == pytest.approx(scale * chart.sigma, abs=1e-7)


def test_limits_from_a_steady_period_are_kept():
    chart = individuals([5, 6, 7], centre=0, sigma=1)
    assert (chart.centre, chart.lower, chart.upper) == (0, -3, 3)
    assert chart.moving_range_upper == pytest.approx(3.267 * 1.128, abs=0.002)


def test_groups_of_values():
    """AIAG MSA 4th edition, long study: ranges of three trials, mean 0.3417, grand mean 0.0014; limits of the averages
    0.0014 +/- 1.023 x 0.3417, upper limit of the ranges 2.574 x 0.3417 (from memory)."""
    from tests.spc.test_spc_gauge import AIAG

    chart = subgroups(np.array(AIAG).reshape(30, 3))
    assert (chart.centre, chart.mean_range) == pytest.approx((0.0014, 0.3417), abs=5e-5)
    assert (chart.lower, chart.upper) == pytest.approx((0.0014 - 0.3496, 0.0014 + 0.3496), abs=2e-4)
    assert (chart.range_lower, chart.range_upper) == pytest.approx((0, 0.8795), abs=3e-4)
    assert chart.means.shape == chart.ranges.shape == (30,)


@pytest.mark.parametrize(
    "call",
    [
        lambda: individuals([1]),
        lambda: individuals([1, float("nan")]),
        lambda: individuals([1, 2], centre=0, sigma=-1),
        lambda: subgroups([[1, 2]]),
        lambda: subgroups([[1], [2]]),
        lambda: range_constants(16),
        lambda: ewma([1], centre=0, sigma=1, weight=0),
        lambda: ewma([1], centre=0, sigma=1, width=0),
        lambda: ewma([], centre=0, sigma=1),
    ],
)
def test_what_cannot_be_charted_is_refused(call):
    with pytest.raises(SpcError):
        call()
