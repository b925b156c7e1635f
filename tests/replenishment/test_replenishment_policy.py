"""Levels, fill rates and newsvendor quantities, against worked examples of inventory texts and simulation."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from opticshop.replenishment.choosing import CellState, packs, purchases_for, transfers_for
from opticshop.replenishment.classes import abc_classes
from opticshop.replenishment.counts import Poisson
from opticshop.replenishment.demand import DemandModel, drawn
from opticshop.replenishment.policy import (
    Levels,
    base_stock,
    cycle_service,
    expected_left,
    fill_rate,
    levels_for,
    newsvendor_cost,
    newsvendor_quantity,
)
from opticshop.replenishment.simulating import NEVER, Plan, base_level, replay


@dataclass
class Normal:
    """Normal demand, as most printed examples have it, with the standard loss function."""

    mu: float
    sigma: float

    def mean(self):
        return self.mu

    def ppf(self, probability):
        return float(stats.norm.ppf(probability, self.mu, self.sigma))

    def short(self, level):
        z = (level - self.mu) / self.sigma
        return self.sigma * float(stats.norm.pdf(z) - z * stats.norm.sf(z))


def test_newsvendor_worked_example_with_holding_and_penalty():
    """Snyder and Shen, Fundamentals of Supply Chain Theory, newsvendor chapter: h = 0.18, p = 0.70, N(50, 8^2):
    S* = 56.6 at a cost of 1.9976 (from memory)."""
    demand = Normal(50, 8)
    best = newsvendor_quantity(demand, underage=0.70, overage=0.18)
    assert best == pytest.approx(56.6, abs=0.05)
    assert newsvendor_cost(demand, best, underage=0.70, overage=0.18) == pytest.approx(1.9976, abs=0.0002)


def test_newsvendor_worked_example_of_the_wet_suit():
    """Cachon and Terwiesch, Matching Supply with Demand, wet suit example: price 190, cost 110, salvage 90,
    N(3192, 1181): critical ratio 0.80; at 3,500 expected lost sales 334, left over 642 (loss table; from memory)."""
    demand = Normal(3192, 1181)
    best = newsvendor_quantity(demand, underage=190 - 110, overage=110 - 90)
    assert best == pytest.approx(3192 + 0.8416 * 1181, abs=1)
    assert demand.short(3500) == pytest.approx(334, abs=2)
    assert expected_left(demand, 3500) == pytest.approx(642, abs=2)


def test_newsvendor_worked_example_of_the_weekly_magazine():
    """Nahmias, Production and Operations Analysis, newsstand example: cost 25, price 75, salvage 10 cents,
    N(11.73, 4.74^2): critical ratio 0.77, Q = 15 (from memory)."""
    assert round(newsvendor_quantity(Normal(11.73, 4.74), underage=50, overage=15)) == 15


def test_lot_size_reorder_point_worked_example():
    """Nahmias, (Q, R) example of the specialty shop: lead time demand N(100, 25^2), Q = 100. Type 1 service 98 %:
    R = 151; type 2 service 98 % allows n(R) = 2 per cycle: R = 126 (from memory)."""
    demand = Normal(100, 25)
    assert round(demand.ppf(0.98)) == 151
    assert demand.short(126) == pytest.approx((1 - 0.98) * 100, abs=0.1)


@pytest.mark.parametrize(
    ("mean", "service", "level"),
    [
        # Read off cumulative Poisson tables (from memory): P(D <= 8) = 0.9319 and P(D <= 9) = 0.9682 at mean 5.
        (5.0, 0.95, 9),
        (2.0, 0.98, 5),
        (10.0, 0.95, 15),
        # Cachon and Terwiesch, the pacemaker territory: 0.29 a day over lead time 1 and review 1 day is 0.58; 99.9 %: 4
        # (from memory).
        (0.58, 0.999, 4),
    ],
)
def test_base_stock_for_poisson_demand(mean, service, level):
    model = DemandModel(mean / 2)
    assert base_stock(model, service=service, kind="cycle", lead=1, review=1) == level


def test_one_for_one_replenishment_fills_what_is_found_on_the_shelf():
    """Continuous review (S - 1, S): the fill rate is P(D(lead) <= S - 1); at lead demand 1 and S = 3 that is 0.9197
    (Poisson table; Palm's theorem)."""
    assert fill_rate(DemandModel(0.5), 3, lead=2, review=0) == pytest.approx(0.9197, abs=0.00005)


def test_newsvendor_quantity_is_the_cheapest_whole_quantity():
    demand = Poisson(6)
    best = newsvendor_quantity(demand, underage=4, overage=1)
    costs = [newsvendor_cost(demand, q, underage=4, overage=1) for q in range(20)]
    assert best == int(np.argmin(costs))
    pieces = np.arange(200)
    summed = (np.maximum(pieces - 8, 0) * 4 + np.maximum(8 - pieces, 0)) * stats.poisson(6).pmf(pieces)
    assert costs[8] == pytest.approx(summed.sum())


models = st.builds(
    DemandModel,
    mean_per_week=st.floats(0.01, 12),
    dispersion=st.floats(1, 4),
    rate_variance=st.floats(0, 0.5),
)
services = st.floats(0.5, 0.995)
kinds = st.sampled_from(["cycle", "fill"])


@given(models, services, services, kinds)
@settings(max_examples=80, deadline=None)
def test_more_service_never_needs_less_stock(model, one, other, kind):
    low, high = sorted((one, other))
    levels = [base_stock(model, service=s, kind=kind, lead=1.4, review=1) for s in (low, high)]
    assert levels[0] <= levels[1]


@given(models, services, kinds, st.floats(0, 6), st.floats(0, 6))
@settings(max_examples=80, deadline=None)
def test_a_longer_lead_time_never_needs_less_stock(model, service, kind, one, other):
    short, long = sorted((one, other))
    levels = [base_stock(model, service=service, kind=kind, lead=lead, review=1) for lead in (short, long)]
    assert levels[0] <= levels[1]


@given(models, services, kinds)
@settings(max_examples=80, deadline=None)
def test_the_level_is_the_smallest_that_serves(model, service, kind):
    served = cycle_service if kind == "cycle" else fill_rate
    level = base_stock(model, service=service, kind=kind, lead=1, review=1)
    assert served(model, level, lead=1, review=1) >= service
    assert level == 0 or served(model, level - 1, lead=1, review=1) < service


@given(models)
@settings(max_examples=40, deadline=None)
def test_shortage_falls_and_by_less_with_every_piece(model):
    demand = model.over(2)
    short = [demand.short(k) for k in range(30)]
    saved = -np.diff(short)
    assert (saved >= -1e-12).all()
    assert (np.diff(saved) <= 1e-9).all()
    assert short[0] == pytest.approx(model.mean_per_week * 2)


def test_what_nobody_asks_for_is_not_kept():
    nothing = levels_for(DemandModel(0.0), service=0.95, kind="cycle", lead=1, review=1)
    assert nothing == Levels(None, 0, 1.0, 1.0)
    seldom = levels_for(DemandModel(0.01), service=0.95, kind="cycle", lead=1, review=1)
    assert (seldom.reorder_point, seldom.order_up_to) == (None, 0)


def test_cover_brings_more_with_each_order():
    plain = levels_for(DemandModel(2.0), service=0.95, kind="cycle", lead=1, review=1)
    covered = levels_for(DemandModel(2.0), service=0.95, kind="cycle", lead=1, review=1, cover=3)
    assert plain.order_up_to == plain.reorder_point + 1
    assert (covered.reorder_point, covered.order_up_to) == (plain.reorder_point, plain.order_up_to + 6)


def plan_of(levels: Levels, *, lead_days: int, review_days: int, pack: int = 1) -> Plan:
    point = NEVER if levels.reorder_point is None else levels.reorder_point
    return Plan(*(np.array([n]) for n in (point, levels.order_up_to, lead_days, pack)), review_days)


@pytest.mark.parametrize("dispersion", [1.0, 2.0])
@pytest.mark.parametrize("service", [0.85, 0.95])
def test_the_simulated_fill_rate_is_the_predicted_one(dispersion, service):
    """30,000 days of Poisson (and of clumped) demand under the level computed for the fill rate."""
    model = DemandModel(2.1, dispersion)
    levels = levels_for(model, service=service, kind="fill", lead=5 / 7, review=1)
    demand = drawn(model, 30_000, np.random.default_rng(3))[:, None]
    outcome = replay(demand, plan_of(levels, lead_days=5, review_days=7), np.array([4.2]))
    assert outcome.fill_rate == pytest.approx(levels.fill_rate, abs=0.01)
    assert outcome.fill_rate > service - 0.01


def test_the_simulated_share_of_cycles_without_shortage_is_the_predicted_one():
    model = DemandModel(2.1)
    levels = levels_for(model, service=0.9, kind="cycle", lead=1, review=1)
    demand = drawn(model, 28_000, np.random.default_rng(4))
    fortnights = np.convolve(demand, np.ones(14, dtype=int), "valid")[::7]
    assert (fortnights <= levels.order_up_to).mean() == pytest.approx(levels.cycle_service, abs=0.01)


def test_a_replay_by_hand():
    """One cell, level 2, review every 2 days, lead 1 day; asked for 1, 2, 1, 0, 1, 2.

    Day 0: 2 there, give 1. Day 1: 1 there, give 1, one waits. Day 2: review, position -1: order 3; nothing there, one
    more waits. Day 3: 3 arrive, two waited for; 1 lies. Day 4: review, position 1: order 1; give 1. Day 5: 1
    arrives, give 1 of 2. With customers who leave: day 2 position 0, order 2; day 4 position 2, no order; day 5 give 1.
    """
    demand = np.array([[1], [2], [1], [0], [1], [2]])
    plan = base_level(2, 1, lead_days=np.array([1]), pack=np.array([1]), review_days=2)
    outcome = replay(demand, plan, np.array([10.0]))
    assert (outcome.asked, outcome.filled, outcome.stock_out_days) == (7, 4, 3)
    assert (outcome.orders, outcome.order_lines, outcome.pieces_ordered) == (2, 2, 4)
    assert outcome.average_pieces == pytest.approx((1 + 0 + 0 + 1 + 0 + 0) / 6)
    assert outcome.average_value == pytest.approx(10 * 2 / 6)
    lost = replay(demand, plan, np.array([10.0]), customers_wait=False)
    assert (lost.filled, lost.pieces_ordered) == (4, 2)


@given(
    st.lists(st.integers(0, 4), min_size=5, max_size=60),
    st.integers(0, 5),
    st.integers(0, 4),
    st.integers(1, 9),
    st.integers(1, 3),
    st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_pieces_are_neither_made_nor_lost_in_a_replay(asked, level, lead, review, pack, wait):
    demand = np.array(asked)[:, None]
    plan = base_level(level, 1, lead_days=np.array([lead]), pack=np.array([pack]), review_days=review)
    outcome = replay(demand, plan, np.array([1.0]), customers_wait=wait)
    assert 0 <= outcome.filled <= outcome.asked
    assert outcome.pieces_ordered % pack == 0
    if not wait:
        assert outcome.filled <= level + outcome.pieces_ordered
        assert outcome.average_pieces <= level + pack


def cell(branch, item, position, *, point=2, upto=3, available=None, cost="4.00", pack=1, mean=2.0):
    return CellState(
        branch=branch,
        item=item,
        levels=Levels(point, upto, 0.95, 0.95),
        available=position if available is None else available,
        position=position,
        demand=Poisson(mean),
        unit_cost=None if cost is None else Decimal(cost),
        pack=pack,
    )


def test_nothing_is_bought_above_the_reorder_point():
    assert purchases_for([cell("M", 1, 3), cell("M", 2, 9)]) == []
    [bought] = purchases_for([cell("M", 1, 2)])
    assert bought.quantity == 1


def test_needs_are_rounded_up_to_packs():
    assert [packs(n, 4) for n in (1, 4, 5)] == [4, 4, 8]
    [bought] = purchases_for([cell("M", 1, 0, upto=5, pack=4)])
    assert (bought.quantity, bought.cost) == (8, Decimal("32.00"))


def test_what_has_no_price_is_not_bought():
    assert purchases_for([cell("M", 1, 0, cost=None)]) == []


def test_surplus_is_sent_before_anything_is_bought():
    cells = [cell("M", 1, 0), cell("Q", 1, 5), cell("R", 1, 4, available=1)]
    [sent] = transfers_for(cells)
    assert (sent.origin, sent.destination, sent.quantity) == ("Q", "M", 2)
    [bought] = purchases_for(cells, arriving={("M", 1): sent.quantity})
    assert bought.quantity == 1


def test_a_budget_buys_where_it_saves_most():
    urgent, idle = cell("M", "urgent", 0, mean=4.0), cell("M", "idle", 2, mean=0.5)
    bought = {b.cell.item: b.quantity for b in purchases_for([idle, urgent], budget=Decimal("8.00"))}
    assert bought == {"urgent": 2, "idle": 0}


@given(
    st.lists(
        st.tuples(st.integers(0, 4), st.integers(1, 8), st.integers(1, 3), st.integers(0, 900), st.floats(0.1, 6)),
        min_size=1,
        max_size=12,
    ),
    st.integers(0, 5000),
)
@settings(max_examples=80, deadline=None)
def test_the_budget_is_never_exceeded_and_no_need_overrun(cells, pence):
    budget = Decimal(pence) / 100
    states = [
        cell("M", n, position, point=point, upto=point + 1, pack=pack, cost=Decimal(cost) / 100, mean=mean)
        for n, (position, point, pack, cost, mean) in enumerate(cells)
    ]
    bought = purchases_for(states, budget=budget)
    assert sum((b.cost for b in bought), Decimal(0)) <= budget
    assert all(0 <= b.quantity <= b.wanted and b.quantity % b.cell.pack == 0 for b in bought)
    if sum((b.wanted * b.cell.unit_cost for b in bought), Decimal(0)) <= budget:
        assert all(b.quantity == b.wanted for b in bought)


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 5), st.integers(0, 9)), min_size=2, max_size=6))
@settings(max_examples=80, deadline=None)
def test_transfers_never_bring_the_sender_into_need_or_give_what_is_not_there(rows):
    cells = [
        cell(branch, "item", position, point=point, upto=point + 1, available=min(available, position))
        for branch, (position, point, available) in enumerate(rows)
    ]
    sent = transfers_for(cells)
    for row in cells:
        given_away = sum(t.quantity for t in sent if t.origin == row.branch)
        got = sum(t.quantity for t in sent if t.destination == row.branch)
        assert given_away <= row.available
        assert not given_away or row.position - given_away >= row.levels.order_up_to
        assert got <= row.need
        assert sum(t.destination == row.branch for t in sent) <= 1


def test_abc_by_value_with_the_item_that_reaches_a_share_in_its_class():
    values = {"a": "60", "b": "25", "c": "8", "d": "4", "e": "3", "f": "0"}
    classes = abc_classes({key: Decimal(value) for key, value in values.items()})
    assert classes == {"a": "A", "b": "A", "c": "B", "d": "B", "e": "C", "f": "D"}
    assert abc_classes({}) == {}
    with pytest.raises(ValueError, match="shares"):
        abc_classes({}, a_share=Decimal("0.9"), b_share=Decimal("0.5"))
