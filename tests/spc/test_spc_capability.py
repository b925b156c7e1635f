"""Capability indices with their intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from opticshop.spc import SpcError, capability
from opticshop.spc.capability import MOVING_RANGE_EFFICIENCY

few = settings(max_examples=30, deadline=None)


def centred(mean, sigma, count):
    """Values with exactly this mean and overall standard deviation."""
    raw = np.random.default_rng(3).normal(size=count)
    return mean + sigma * (raw - raw.mean()) / raw.std(ddof=1)


def test_the_example_of_the_handbook():
    """NIST e-Handbook 6.1.6: limits 8 and 20, mean 16, s 2: Cp 1.0, Cpk 0.6667 (from memory)."""
    found = capability(centred(16, 2, 50), lower=8, upper=20, sigma_within=2)
    assert (found.cp.value, found.cpk.value) == pytest.approx((1.0, 0.6667), abs=5e-5)
    assert (found.pp.value, found.ppk.value) == pytest.approx((1.0, 0.6667), abs=5e-5)


def test_the_interval_of_an_overall_index_is_that_of_a_variance():
    """Textbook: (n-1) s^2 / sigma^2 is chi-square with n-1 degrees of freedom, so Pp sqrt(chi2/(n-1)) bounds it."""
    count = 40
    found = capability(centred(0, 1, count), lower=-4, upper=4)
    for bound, probability in ((found.pp.lower, 0.025), (found.pp.upper, 0.975)):
        sigma = math.sqrt((count - 1) / stats.chi2(count - 1).ppf(probability))
        assert bound == pytest.approx(8 / (6 * sigma))


def test_the_interval_of_the_nearer_index():
    """NIST e-Handbook 6.1.6: Cpk +/- z sqrt(1/(9n) + Cpk^2/(2(n-1))), here by hand for n 50, Ppk 2/3, z 1.96."""
    found = capability(centred(16, 2, 50), lower=8, upper=20)
    reach = 1.959964 * math.sqrt(1 / 450 + (4 / 9) / 98)
    assert (found.ppk.lower, found.ppk.upper) == pytest.approx((2 / 3 - reach, 2 / 3 + reach), abs=1e-6)


def test_the_efficiency_of_moving_ranges_by_derivation():
    """Steps x2-x1 and x3-x2 correlate -1/2; mean and covariance of the absolute values of a bivariate normal are in
    closed form. A standard deviation of v degrees of freedom has relative variance 1/(2v)."""
    mean = 2 / math.sqrt(math.pi)
    variance = 2 - mean**2
    rho = 0.5
    covariance = (2 / math.pi) * 2 * (math.sqrt(1 - rho**2) + rho * math.asin(rho)) - mean**2
    relative = (variance + 2 * covariance) / mean**2
    assert relative == pytest.approx(0.8264, abs=1e-4)  # Cryer and Ryan 1990, from memory
    assert 1 / (2 * relative) == pytest.approx(MOVING_RANGE_EFFICIENCY, abs=5e-4)


def test_the_intervals_hold_the_truth_as_often_as_they_say():
    """500 steady series of 60 values, true Cp and Pp 1: about 95 percent of the intervals hold it."""
    rng = np.random.default_rng(11)
    held = np.zeros(4)
    for _ in range(500):
        found = capability(rng.normal(size=60), lower=-3, upper=3)
        indices = (found.cp, found.pp, found.cpk, found.ppk)
        held += [index.lower <= 1 <= index.upper for index in indices]
    assert held[:2] / 500 == pytest.approx([0.95, 0.95], abs=0.03)
    assert held[2:] / 500 == pytest.approx([0.95, 0.95], abs=0.05)


def test_one_limit_gives_the_one_sided_index_only():
    found = capability(centred(0, 1, 30), upper=3)
    assert (found.cp, found.pp) == (None, None)
    assert found.ppk.value == pytest.approx(1)
    assert found.expected_outside == pytest.approx(stats.norm.sf(3))


@given(st.lists(st.integers(-20, 20), min_size=5, max_size=30).filter(lambda xs: len(set(xs)) > 2))
@few
def test_what_always_holds(values):
    found = capability(values, lower=-10.5, upper=10.5)
    assert found.cpk.value <= found.cp.value + 1e-12
    assert found.ppk.value <= found.pp.value + 1e-12
    assert found.cp.lower < found.cp.value < found.cp.upper
    assert found.outside == sum(abs(value) > 10.5 for value in values) / len(values)
    turned = capability([-value for value in values], lower=-10.5, upper=10.5)
    assert turned.cpk.value == pytest.approx(found.cpk.value)


def test_a_mean_beyond_a_limit_gives_a_negative_index():
    assert capability(centred(5, 1, 20), lower=-3, upper=3).ppk.value == pytest.approx(-2 / 3)


@pytest.mark.parametrize(
    ("values", "limits"),
    [
        ([1, 2], {"upper": 3}),
        ([1, 2, 3], {}),
        ([1, 2, 3], {"lower": 3, "upper": 3}),
        ([1, 1, 1], {"upper": 3}),
        ([1, 2, 3], {"upper": 3, "confidence": 1}),
    ],
)
def test_what_has_no_capability_is_refused(values, limits):
    with pytest.raises(SpcError):
        capability(values, **limits)
