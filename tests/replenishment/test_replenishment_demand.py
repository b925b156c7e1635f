"""Demand models: the distributions against scipy.stats, the test of dispersion, and what a short history borrows."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from opticshop.replenishment.counts import NegativeBinomial, Poisson, counts
from opticshop.replenishment.demand import (
    CellHistory,
    DemandModel,
    dispersion_test,
    drawn,
    fit,
    fit_group,
    prior_of,
)

LEVELS = (-2, -0.5, 0, 0.5, 1, 3, 8, 25)


@pytest.mark.parametrize(
    ("ours", "reference"),
    [
        (Poisson(0.05), stats.poisson(0.05)),
        (Poisson(3.3), stats.poisson(3.3)),
        (Poisson(40), stats.poisson(40)),
        (NegativeBinomial(0.2, 0.3), stats.nbinom(0.2, 0.3)),
        (NegativeBinomial(2.5, 0.4), stats.nbinom(2.5, 0.4)),
    ],
)
def test_the_distributions_are_those_of_scipy(ours, reference):
    pieces = np.arange(5000)
    for level in LEVELS:
        assert ours.cdf(level) == pytest.approx(reference.cdf(level), abs=1e-13)
        assert ours.sf(level) == pytest.approx(reference.sf(level), abs=1e-13)
        summed = float((np.maximum(pieces - level, 0) * reference.pmf(pieces)).sum())
        assert ours.short(level) == pytest.approx(summed, abs=1e-11)
    for probability in (0.001, 0.5, 0.8, 0.95, 0.999, 1 - 1e-9):
        assert ours.ppf(probability) == reference.ppf(probability)


@pytest.mark.parametrize(
    ("mean", "level", "probability"),
    [
        # Cumulative Poisson tables as printed in statistics texts; from memory.
        (1.0, 2, 0.9197),
        (2.0, 5, 0.9834),
        (5.0, 8, 0.9319),
        (5.0, 9, 0.9682),
        (10.0, 15, 0.9513),
    ],
)
def test_the_printed_poisson_table_is_met(mean, level, probability):
    assert Poisson(mean).cdf(level) == pytest.approx(probability, abs=0.00006)


@pytest.mark.parametrize(
    ("stock", "backorders"),
    # Expected backorders of an item whose resupply pipeline is Poisson with mean 1 (Sherbrooke's METRIC literature on
    # spares; from memory). The second is 1/e.
    [(0, 1.000), (1, 0.368), (2, 0.104), (3, 0.023), (4, 0.004)],
)
def test_expected_backorders_of_a_poisson_pipeline(stock, backorders):
    assert Poisson(1.0).short(stock) == pytest.approx(backorders, abs=0.0005)


@given(mean=st.floats(0.01, 50), ratio=st.floats(1, 8))
@settings(max_examples=60, deadline=None)
def test_a_distribution_has_the_mean_and_variance_asked_for(mean, ratio):
    made = counts(mean, mean * ratio)
    assert made.mean() == pytest.approx(mean)
    if isinstance(made, NegativeBinomial):
        assert stats.nbinom(made.shape, made.p).var() == pytest.approx(mean * ratio)
    else:
        assert ratio == pytest.approx(1)


def test_over_time_poisson_with_a_gamma_rate_is_what_the_posterior_predicts():
    """D = 1: shape a and rate b predict, over t weeks, the negative binomial with r = a and p = b / (b + t)."""
    a, b, t = 6.0, 20.0, 3.0
    model = DemandModel(a / b, rate_variance=a / b**2)
    reference = stats.nbinom(a, b / (b + t))
    for level in range(8):
        assert model.over(t).cdf(level) == pytest.approx(reference.cdf(level), abs=1e-12)


def test_clumps_add_up_over_time():
    """v = 0: a fortnight is the sum of two independent weeks (the negative binomial keeps its p)."""
    model = DemandModel(1.3, dispersion=2.2)
    week, fortnight = model.over(1), model.over(2)
    pieces = np.arange(120)
    one = np.diff([0, *(week.cdf(k) for k in pieces)])
    two = np.convolve(one, one)[:40]
    assert np.cumsum(two) == pytest.approx([fortnight.cdf(k) for k in range(40)], abs=1e-10)


def test_fishers_index_of_dispersion_is_the_chi_square_against_equal_expectations():
    weekly = [3, 0, 5, 1, 0, 7, 2, 2]
    reference = stats.chisquare(weekly)  # expects the mean everywhere
    tested = dispersion_test([weekly])
    assert tested.index * tested.degrees_of_freedom == pytest.approx(reference.statistic)
    assert tested.probability == pytest.approx(reference.pvalue)
    assert tested.index == pytest.approx(np.var(weekly, ddof=1) / np.mean(weekly))


def test_the_test_calls_poisson_over_dispersed_about_one_time_in_twenty_and_finds_clumps():
    generator = np.random.default_rng(20260302)
    plain = sum(dispersion_test([generator.poisson(1.5, 52)]).significant for _ in range(2000)) / 2000
    assert 0.03 < plain < 0.075
    model = DemandModel(1.5, dispersion=2.5)
    week = model.over(1)
    clumped = sum(
        dispersion_test([generator.negative_binomial(week.shape, week.p, 52)]).significant for _ in range(200)
    )
    assert clumped > 190


def test_a_cell_alone_keeps_its_own_rate():
    model = fit(CellHistory((0, 1, 0, 2) * 13))
    assert model.mean_per_week == pytest.approx(0.75)
    assert model.borrowed == 0
    assert model.rate_variance == pytest.approx(0.75 / 52)


def test_even_demand_is_poisson_and_pairs_are_not():
    """Lenses bought in pairs come two at a time: variance over mean near 2."""
    singly = CellHistory((1, 0, 1, 1, 0, 2, 0, 1, 1, 0, 1, 1, 2) * 4)
    assert fit(singly).dispersion == 1
    generator = np.random.default_rng(7)
    in_pairs = CellHistory(tuple(2 * int(k) for k in generator.poisson(0.8, 104)))
    assert fit(in_pairs).dispersion == pytest.approx(2, abs=0.5)
    assert fit(in_pairs).family == "negative_binomial"


def test_nothing_asked_for_anywhere_is_nothing_expected():
    for model in fit_group([CellHistory((0,) * 52), CellHistory((0,) * 8)]):
        assert model.family == "none"
        assert model.over(4).ppf(0.999) == 0


def test_branches_that_do_not_differ_share_one_rate_in_the_measure_of_their_size():
    big, small = fit_group([CellHistory((2, 1, 3, 2) * 13, size=1.6), CellHistory((0, 1, 0, 1) * 13, size=0.4)])
    assert big.mean_per_week / small.mean_per_week == pytest.approx(4)
    assert big.mean_per_week + small.mean_per_week == pytest.approx(2.5)


def test_a_new_branch_borrows_and_an_old_one_hardly():
    old = [(1, 2, 0, 1), (0, 1, 1, 1), (2, 3, 0, 2)]
    new, *others = fit_group([CellHistory((0,) * 4), *(CellHistory(weekly * 26) for weekly in old)])
    assert 0 < new.mean_per_week < 1
    assert new.borrowed > 0.3
    assert all(model.borrowed < 0.15 for model in others)
    assert others[2].mean_per_week == pytest.approx(1.75, abs=0.05)


def test_the_moment_prior_finds_the_gamma_it_was_drawn_from():
    generator = np.random.default_rng(11)
    rates = generator.gamma(4.0, 0.5 / 4.0, 4000)  # mean 0.5, shape 4
    exposures = generator.integers(10, 104, 4000).astype(float)
    prior = prior_of(generator.poisson(rates * exposures), exposures)
    assert prior.mean == pytest.approx(0.5, rel=0.03)
    assert prior.shape == pytest.approx(4.0, rel=0.15)


def test_drawing_in_is_closer_to_the_truth_than_each_branch_alone():
    """The point of empirical Bayes: less squared error over many short histories (simulation)."""
    generator = np.random.default_rng(5)
    alone = together = 0.0
    for _ in range(150):
        rates = generator.gamma(3.0, 0.4 / 3.0, 12)
        cells = [CellHistory(tuple(int(k) for k in generator.poisson(rate, 8))) for rate in rates]
        for rate, cell, model in zip(rates, cells, fit_group(cells), strict=True):
            alone += (cell.pieces / cell.weeks - rate) ** 2
            together += (model.mean_per_week - rate) ** 2
    assert together < 0.9 * alone


def test_one_rate_for_all_when_chance_explains_the_difference():
    assert math.isinf(prior_of([5, 5, 5], [10.0, 10.0, 10.0]).shape)
    assert prior_of([0, 0], [10.0, 10.0]).mean == 0


def test_drawn_demand_has_the_mean_and_the_clumps_of_its_model():
    model = DemandModel(3.5, dispersion=2.0)
    days = drawn(model, 70_000, np.random.default_rng(1))
    weeks = days.reshape(-1, 7).sum(axis=1)
    assert weeks.mean() == pytest.approx(3.5, rel=0.03)
    assert weeks.var() / weeks.mean() == pytest.approx(2.0, rel=0.06)
    assert (days == drawn(model, 70_000, np.random.default_rng(1))).all()


@pytest.mark.parametrize("wrong", [{"weekly": ()}, {"weekly": (1, -1)}, {"weekly": (1,), "size": 0}])
def test_a_history_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError, match=r"history|size"):
        CellHistory(**wrong)
