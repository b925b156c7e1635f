"""Packages and second pairs. The terms are invented; that such offers exist is common practice, no source."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from opticshop_price_rules import plugin

from opticshop.plugin_api import EarlierOrder, InvalidSettings, PriceAdjustment, PriceLine, PricingContext

DAY = date(2026, 3, 2)
EVERYDAY = {"name": "Everyday pair", "price": "99.00", "frames": ["F-1"], "lenses": ["L-1"]}
HALF = {"percent": "50", "days_within": 30}


def line(kind: str, sku: str, price: str, eye: str | None = None, quantity: int = 1) -> PriceLine:
    return PriceLine(
        kind=kind, sku=sku, description=sku, quantity=Decimal(quantity), unit_price=Decimal(price), eye=eye
    )


def pair(frame: str = "95.00", lens: str = "32.50", treatment: str | None = None) -> tuple[PriceLine, ...]:
    lines = [line("frame", "F-1", frame), line("lens", "L-1", lens, "right"), line("lens", "L-1", lens, "left")]
    if treatment is not None:
        lines.append(line("treatment", "T-1", treatment, quantity=2))
    return (*lines, line("fee", "DISP", "60.00"))


def earlier(days_ago: int, lines: Sequence[PriceLine] = pair(), *, rules: tuple[str, ...] = (), **more) -> EarlierOrder:
    return EarlierOrder(
        order_id=f"order-{days_ago}",
        placed_on=DAY - timedelta(days=days_ago),
        lines=tuple(lines),
        total=Decimal("220.00"),
        rules=frozenset(rules),
        **{"currency": "GBP", "is_complete_pair": True, **more},
    )


def decide(
    lines: Sequence[PriceLine] = pair(), earlier_orders: Sequence[EarlierOrder] = (), *, complete=True, **settings
) -> Sequence[PriceAdjustment]:
    context = PricingContext(
        branch_code="MILL",
        currency="GBP",
        priced_on=DAY,
        customer_age=40,
        lines=tuple(lines),
        is_complete_pair=complete,
        earlier_orders=tuple(earlier_orders),
    )
    return plugin.decide_order_price(context, plugin.manifest.settings_with(settings))


def off(adjustments: Sequence[PriceAdjustment]) -> str:
    return str(-sum((one.amount for one in adjustments), Decimal("0.00")))


def test_without_settings_nothing_is_offered():
    assert off(decide(earlier_orders=[earlier(3)])) == "0.00"


def test_a_package_brings_frame_and_lenses_to_its_price():
    found = decide(packages=[EVERYDAY])
    # 95 + 2 x 32.50 = 160; 61.00 off, shared 95 : 32.50 : 32.50 = 36.21875, 12.390625 twice: largest remainders.
    assert [(one.line_index, str(one.amount)) for one in found] == [(0, "-36.22"), (1, "-12.39"), (2, "-12.39")]
    assert {one.reason for one in found} == {"Everyday pair: frame and lenses for 99.00 GBP"}
    assert {one.rule for one in found} == {"package"}


def test_treatments_and_fees_come_on_top_of_a_package():
    found = decide(pair(treatment="20.00"), packages=[EVERYDAY])
    assert off(found) == "61.00"
    assert {one.line_index for one in found} == {0, 1, 2}


@pytest.mark.parametrize(
    ("lines", "package"),
    [
        (pair(), {**EVERYDAY, "frames": ["F-2"]}),
        (pair(), {**EVERYDAY, "lenses": ["L-2"]}),
        (pair(), {"name": "Up to 90", "price": "99.00", "frame_price_to": "90.00", "lenses": ["L-1"]}),
        (pair()[1:], EVERYDAY),  # own frame
        ((pair()[0], pair()[1], pair()[3]), EVERYDAY),  # one lens
        (pair("20.00", "30.00"), EVERYDAY),  # cheaper without
    ],
)
def test_what_is_no_package_costs_what_it_costs(lines, package):
    assert off(decide(lines, packages=[package])) == "0.00"


def test_the_cheapest_package_that_fits_counts():
    limit = {"name": "Up to 100", "price": "89.00", "frame_price_to": "100.00", "lenses": ["L-1", "L-2"]}
    assert off(decide(packages=[EVERYDAY, limit])) == "71.00"


def test_a_second_pair_costs_half_of_its_goods():
    found = decide(pair(treatment="20.00"), [earlier(30, pair(treatment="25.00"))], second_pair=HALF)
    assert off(found) == "100.00"  # half of 95 + 65 + 2 x 20; the fee of 60 bears nothing
    assert {one.line_index for one in found} == {0, 1, 2, 3}
    assert found[0].reason == "Second pair within 30 days of 2026-01-31: 50 percent off"


def test_it_is_reckoned_on_the_cheaper_pair_unless_the_branch_says_otherwise():
    cheap = earlier(3, pair("15.00", "10.00"))
    assert off(decide(earlier_orders=[cheap], second_pair=HALF)) == "17.50"  # half of 35
    assert off(decide(earlier_orders=[cheap], second_pair={**HALF, "cheaper_pair_only": False})) == "80.00"


def test_an_amount_is_never_more_than_the_pair():
    amount = {"amount": "40.00", "days_within": 30}
    assert off(decide(earlier_orders=[earlier(0)], second_pair=amount)) == "40.00"
    assert off(decide(pair("10.00", "5.00"), [earlier(0)], second_pair=amount)) == "20.00"


@pytest.mark.parametrize(
    "orders",
    [
        [],
        [earlier(31)],
        [earlier(3, currency="EUR")],
        [earlier(3, is_complete_pair=False)],
        [earlier(9), earlier(3, rules=("second-pair",))],  # that first pair has had its second
    ],
)
def test_without_a_first_pair_that_is_free_and_near_there_is_no_second(orders):
    assert off(decide(earlier_orders=orders, second_pair=HALF)) == "0.00"


def test_each_first_pair_counts_once():
    orders = [earlier(40), earlier(20, rules=("second-pair",)), earlier(10)]
    assert off(decide(earlier_orders=orders, second_pair=HALF)) == "80.00"
    assert off(decide(earlier_orders=[*orders, earlier(5, rules=("second-pair",))], second_pair=HALF)) == "0.00"


def test_incomplete_pairs_count_where_the_branch_says_so():
    anything = {**HALF, "complete_pairs_only": False}
    lenses = pair()[1:]
    first = [earlier(3, lenses, is_complete_pair=False)]
    assert off(decide(lenses, first, complete=False, second_pair=anything)) == "32.50"
    assert off(decide(lenses, first, complete=False, second_pair=HALF)) == "0.00"


def test_a_package_as_second_pair_gets_the_greater_saving_or_both():
    both = {"packages": [EVERYDAY], "second_pair": HALF}
    found = decide(earlier_orders=[earlier(3)], **both)
    assert {one.rule for one in found} == {"second-pair"}
    assert off(found) == "80.00"
    assert off(decide(earlier_orders=[earlier(3)], combine=True, **both)) == "110.50"  # 61.00, then half of 99.00


@pytest.mark.parametrize(
    "settings",
    [
        {"packages": [{"name": "No frame", "price": "9.00", "lenses": ["L-1"]}]},
        {"packages": [{**EVERYDAY, "price": "-1.00"}]},
        {"second_pair": {"days_within": 30}},
        {"second_pair": {**HALF, "amount": "10.00"}},
        {"second_pair": {**HALF, "percent": "101"}},
        {"second_pair": {**HALF, "days_within": 366}},
        {"other": True},
    ],
)
def test_settings_that_make_no_offer_are_refused(settings):
    with pytest.raises(InvalidSettings):
        plugin.manifest.settings_with(settings)


prices = st.decimals(min_value=0, max_value=2000, places=2).map(lambda price: f"{price:.2f}")


@given(
    frame=prices,
    lens=prices,
    treatment=prices,
    package=prices,
    first=prices,
    percent=st.integers(0, 100),
    combine=st.booleans(),
)
def test_whatever_the_prices_no_line_falls_below_zero_and_the_parts_add_up(
    frame, lens, treatment, package, first, percent, combine
):
    lines = pair(frame, lens, treatment)
    found = decide(
        lines,
        [earlier(3, pair(first, first))],
        packages=[{**EVERYDAY, "price": package}],
        second_pair={**HALF, "percent": str(percent)},
        combine=combine,
    )
    left = {place: one.amount for place, one in enumerate(lines)}
    for one in found:
        left[one.line_index] += one.amount
        assert one.amount == one.amount.quantize(Decimal("0.01"))
    assert all(amount >= 0 for amount in left.values())
    assert left[len(lines) - 1] == Decimal("60.00")
    packaged = [one.amount for one in found if one.rule == "package"]
    if packaged:
        assert left[0] + left[1] + left[2] <= Decimal(package)
        assert -sum(packaged) == lines[0].amount + 2 * lines[1].amount - Decimal(package)
