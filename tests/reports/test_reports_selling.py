"""Sales, offers and orders of two branches, reckoned by hand."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal as D

import pytest

from opticshop.billing import services
from opticshop.core import clock
from opticshop.orders import services as orders
from opticshop.orders.models import Quotation
from opticshop.reports.figures.promises import promises_kept
from opticshop.reports.figures.selling import conversion, orders_placed, sales
from opticshop.reports.registry import TOTAL
from opticshop.stock.services import frame_receive, stock_reserve
from tests.conftest import NOON
from tests.factories import FrameFactory

from .test_reports_money import DAY, SYSTEM, ordered, over, supplied

pytestmark = pytest.mark.django_db


def test_a_sale_is_of_the_day_of_supply_and_what_is_given_back_of_its_own(mill, quay):
    """By hand, tax 20 %: mill sells 120 (100 net) on day 0 and 60 (50 net) on day 1, and gives 24 (20 net) of the first
    back on day 1. Quay sells 240 NZD (200 net) on day 0. A deposit of 36 on a pair not supplied is no sale."""
    quay.currency = "NZD"
    quay.save()
    first = supplied(mill, 0, "120", "120")
    supplied(mill, 1, "60")
    supplied(quay, 0, "240")
    with clock.at(NOON):
        services.payment_take(actor=SYSTEM, order=ordered(mill, "90"), amount=D(36), method="card")
    with clock.at(NOON + dt.timedelta(days=1)):
        payment = first.payments.get()
        services.payment_refund(actor=SYSTEM, payment=payment, amount=D(24), reason="scratched")
    by_branch = {row["branch"]: row for row in sales(over(mill, quay, days=1))}
    names = ("currency", "pairs", "supplied_net", "given_back", "net_sales")
    assert [by_branch[mill.code][name] for name in names] == ["GBP", 2, D(150), D(20), D(130)]
    assert [by_branch[quay.code][name] for name in names] == ["NZD", 1, D(200), D(0), D(200)]
    by_day = {(row["day"], row["currency"]): row["net_sales"] for row in sales(over(mill, quay, days=1, by="day"))}
    assert by_day == {("2026-03-02", "GBP"): D(100), ("2026-03-03", "GBP"): D(30), ("2026-03-02", "NZD"): D(200)}
    whole = {row["currency"]: row["net_sales"] for row in sales(over(mill, quay, days=1, by=TOTAL))}
    assert whole == {"GBP": D(130), "NZD": D(200)}
    by_kind = {(row["kind"], row["currency"]): row["net_sales"] for row in sales(over(mill, quay, days=1, by="kind"))}
    assert by_kind == {
        ("frame", "GBP"): D(150),
        ("given back after supply", "GBP"): D(-20),
        ("frame", "NZD"): D(200),
    }


def test_the_margin_is_what_is_left_after_the_pieces_that_the_order_took(mill):
    """By hand: a pair of 120 (100 net) for which a frame that cost 35.50 was taken: 64.50, 0.645 of the net."""
    frame = FrameFactory()
    with clock.at(NOON):
        order = ordered(mill, "120", frame=frame)
        lot = frame_receive(
            actor=SYSTEM, branch=mill, frame=frame, quantity=3, lot_code="L1", unit_cost=D("35.50"), document="test/1"
        )
        stock_reserve(actor=SYSTEM, branch=mill, item=lot.item, document=f"orders/{order.id}", part="frame")
        for step in (orders.order_enter_workshop, orders.order_mark_ready, orders.order_collect):
            order = step(actor=SYSTEM, order=order)
        services.supply_book(actor=SYSTEM, order=order)
    [row] = sales(over(mill))
    assert (row["net_sales"], row["cost"], row["margin"]) == (D(100), D("35.50"), D("64.50"))
    assert row["margin_share"] == D("0.6450")


def test_an_average_order_is_one_that_stands(mill, quay):
    """By hand: 100 and 50 placed at mill, 500 called off: 3 orders, 1 cancelled, 150 in all, 75 on average. None
    placed at quay but one of the day before."""
    with clock.at(NOON):
        for price in ("100", "50"):
            ordered(mill, price)
        orders.order_cancel(actor=SYSTEM, order=ordered(mill, "500"), reason="test")
    ordered(quay, "70", placed_at=NOON - dt.timedelta(days=1))
    [row] = orders_placed(over(mill, quay))
    assert [row[name] for name in ("branch", "orders", "cancelled", "value", "average_value")] == [
        mill.code,
        3,
        1,
        D(150),
        D(75),
    ]
    assert row["net_value"] == D(125)


def test_of_four_offers_one_became_an_order(mill):
    """By hand: of four offers of the day one is accepted, one withdrawn, one expired, one open: a quarter."""
    order = ordered(mill, "100")
    for place, (state, reason) in enumerate(
        (("accepted", ""), ("withdrawn", "dearer than thought"), ("expired", ""), ("open", ""))
    ):
        Quotation.objects.create(
            branch=mill,
            number=f"Q{place}",
            customer=order.customer,
            prescription=order.prescription,
            measurement=order.measurement,
            frame=order.frame,
            state=state,
            withdrawn_reason=reason,
            quoted_at=NOON,
            quoted_on=DAY,
            valid_to=DAY,
            currency="GBP",
            total=D(100),
            tax_total=D(0),
        )
    [row] = conversion(over(mill))
    assert row == {
        "branch": mill.code,
        "offers": 4,
        "ordered": 1,
        "open": 1,
        "withdrawn": 1,
        "expired": 1,
        "ordered_share": D("0.25"),
    }
    assert conversion(over(mill, by="day"))[0]["day"] == "2026-03-02"
    assert conversion(over(mill, since=DAY + dt.timedelta(days=1))) == []


def test_nothing_promised_nothing_kept(mill, quay):
    assert promises_kept(over(mill, quay)) == []
