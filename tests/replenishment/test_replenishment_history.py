"""Demand read from the ledger: which movements count, into which week, at what cost in queries."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.core import clock
from opticshop.replenishment import selectors
from opticshop.stock import services as stock
from opticshop.stock.models import Movement
from tests.factories import BranchFactory, LensProductFactory
from tests.replenishment.conftest import MONDAY, TEST, noon, take

pytestmark = pytest.mark.django_db


def weekly(branches, lens, weeks=4):
    return selectors.weekly_demand(branches, [lens], weeks=weeks, until=MONDAY)


def test_pieces_used_and_written_off_are_demand_week_by_week(mill, lens, power, used):
    item = power()
    lot = used(mill, item, (2, 0, 1, 3), left=5)
    take(lot, 1, noon(MONDAY - dt.timedelta(days=6)), Movement.Kind.WRITE_OFF)
    found = weekly([mill], lens)
    assert found.of(mill.id, item.id, lens.id) == (2, 0, 1, 4)


def test_what_is_only_promised_moved_or_received_is_no_demand(mill, quay, lens, power, used):
    item = power()
    used(mill, item, (0, 0, 0, 0), left=6)
    with clock.at(noon(MONDAY - dt.timedelta(days=4))):
        stock.stock_reserve(actor=TEST, branch=mill, item=item, document="orders/1", part="right")
        transfer = stock.transfer_draft(actor=TEST, sender=mill, receiver=quay, wanted=[(item, 2)])
        stock.transfer_send(actor=TEST, transfer=transfer)
    assert weekly([mill], lens).counts == {}


def test_the_running_week_and_older_weeks_are_left_out(mill, lens, power, used):
    lot = used(mill, power(), (1, 1, 1, 1, 1, 1), left=4)
    take(lot, 3, noon(MONDAY))
    assert weekly([mill], lens).of(mill.id, lot.item_id, lens.id) == (1, 1, 1, 1)


def test_weeks_begin_on_monday_in_the_branchs_own_zone(lens, power, used):
    """23:30 UTC on Sunday is Monday in Auckland and Sunday in London; both in one call."""
    london, auckland = BranchFactory(code="LON"), BranchFactory(code="AUCK", time_zone="Pacific/Auckland")
    item = power()
    sunday = dt.datetime(2026, 2, 22, 23, 30, tzinfo=dt.UTC)
    for branch in (london, auckland):
        lot = used(branch, item, (0, 0, 0, 0), left=3)
        take(lot, 1, sunday)
    found = weekly([london, auckland], lens)
    assert found.of(london.id, item.id, lens.id) == (0, 0, 1, 0)
    assert found.of(auckland.id, item.id, lens.id) == (0, 0, 0, 1)


def test_history_counts_from_the_week_in_which_the_branch_first_had_the_product(mill, quay, lens, power, used):
    used(mill, power(), (1,) * 10)
    used(quay, power("-1.00"), (1, 0))
    found = weekly([mill, quay], lens, weeks=8)
    assert found.kept == {(mill.id, lens.id): 8, (quay.id, lens.id): 2}


def test_demand_costs_two_queries_however_much_there_is(mill, quay, lens, power, used, queries):
    used(mill, power("-1.00"), (1, 1))
    before = queries(lambda: weekly([mill], lens))
    for step in range(9):
        used(mill, power(f"-{step % 5}.25"), (1, 2, 1), code=f"L{step}")
        used(quay, power(f"-{step % 5}.75"), (1, 2, 1), code=f"L{step}")
    assert queries(lambda: weekly([mill, quay], lens)) == before == 2


def test_daily_demand_is_told_by_day(mill, lens, power, used):
    lot = used(mill, power(), (2, 1), left=1)
    found = selectors.daily_demand(mill, [lens], since=MONDAY - dt.timedelta(weeks=2), until=MONDAY)
    assert found == {lot.item_id: {dt.date(2026, 2, 18): 2, dt.date(2026, 2, 25): 1}}


def test_the_value_moved_is_at_the_cost_of_the_lot(mill, lens, power, used):
    item = power()
    used(mill, item, (2,), cost="4.00", code="A")
    used(mill, item, (1,), cost="4.55", code="B")
    moved = selectors.moved_values([mill], since=MONDAY - dt.timedelta(weeks=1), until=MONDAY)
    assert moved == {(mill.id, item.id): (3, Decimal("12.55"))}


def test_a_position_counts_what_comes_and_goes_and_drafts_as_if_sent(mill, quay, lens, power, used, queries):
    item = power()
    used(mill, item, (0,), left=5)
    used(quay, item, (0,), left=9)
    stock.stock_reserve(actor=TEST, branch=mill, item=item, document="orders/1", part="left")
    stock.expected_change(actor=TEST, branch=mill, item=item, delta=4, document="purchase-orders/1")
    sent = stock.transfer_draft(actor=TEST, sender=quay, receiver=mill, wanted=[(item, 3)])
    stock.transfer_send(actor=TEST, transfer=sent)
    stock.transfer_draft(actor=TEST, sender=mill, receiver=quay, wanted=[(item, 2)])
    found = selectors.positions([mill, quay], [lens])
    here, there = found[mill.id, item.id], found[quay.id, item.id]
    assert (here.on_hand, here.available, here.on_order, here.in_transit) == (5, 4, 4, 3)
    assert (here.drafted, here.spare, here.total) == (-2, 2, 4 + 4 + 3 - 2)
    assert (there.on_hand, there.available, there.drafted, there.total) == (6, 6, 2, 8)
    assert queries(lambda: selectors.positions([mill, quay], [lens])) == 6


def test_pieces_in_quarantine_are_not_available(mill, lens, power, used):
    lot = used(mill, power(), (0,), left=5)
    stock.lot_quarantine(actor=TEST, lot=lot, reason="scratches")
    position = selectors.positions([mill], [lens])[mill.id, lot.item_id]
    assert (position.on_hand, position.available, position.total) == (5, 0, 0)


def test_the_supplier_is_the_preferred_one_with_a_price_in_the_currency(mill, lens, power, sold_by):
    sold_by("Dear (invented)", cost="9.00")
    cheap = sold_by("Cheap (invented)", cost="3.00", lead=10, pack=2)
    sold_by("Foreign (invented)", cost="1.00", currency="EUR")
    found = selectors.Supplies([lens], day=MONDAY, currency="GBP")
    supply = found.of(lens.id, (Decimal("-2.00"), Decimal("-0.50")))
    assert (supply.supplier, supply.unit_cost, supply.pack) == (cheap, Decimal("3.00"), 2)
    assert supply.lead_days == 14  # ten working days, Monday to Friday
    favourite = sold_by("Favourite (invented)", cost="5.00", preferred=True)
    again = selectors.Supplies([lens], day=MONDAY, currency="GBP")
    assert again.of(lens.id, (Decimal("-2.00"), Decimal("-0.50"))).supplier == favourite
    other = LensProductFactory()
    assert selectors.Supplies([other], day=MONDAY, currency="GBP").of(other.id, (Decimal(0), Decimal(0))) is None
