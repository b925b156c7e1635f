"""Sales, offers and orders of two branches, reckoned by hand."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal as D

import pytest

from opticshop.billing import services
from opticshop.core import clock
from opticshop.orders import services as orders
from opticshop.orders.models import OrderedLens, Promise, Quotation
from opticshop.reports.figures.promises import promises_kept
from opticshop.reports.figures.selling import conversion, orders_placed, sales
from opticshop.reports.registry import TOTAL
from opticshop.stock.services import frame_receive, stock_consume, stock_reserve, stock_return_from_customer
from opticshop.workshop.models import Job
from tests.conftest import NOON
from tests.factories import FrameFactory, LensProductFactory

from .test_reports_money import DAY, SYSTEM, ordered, over, supplied
from .test_reports_workshop import Pairs

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


def sold_from_stock(branch, price, cost, *, taken_at=None, **more):
    """A pair of which only the frame is asked for, taken from stock at that cost, supplied on day 0."""
    frame, holder = FrameFactory(), taken_at or branch
    with clock.at(NOON):
        order = ordered(branch, price, frame=frame, **more)
        lot = frame_receive(
            actor=SYSTEM, branch=holder, frame=frame, quantity=3, lot_code="L1", unit_cost=D(cost), document="test/1"
        )
        document = f"orders/{order.id}"
        stock_reserve(actor=SYSTEM, branch=holder, item=lot.item, document=document, part="frame")
        if holder != branch:
            stock_consume(actor=SYSTEM, branch=holder, document=document)
        for step in (orders.order_enter_workshop, orders.order_mark_ready, orders.order_collect):
            order = step(actor=SYSTEM, order=order)
        services.supply_book(actor=SYSTEM, order=order)
    return order


COSTED = ("pairs", "net_sales", "cost", "cost_not_known", "margin", "margin_share")


def test_the_margin_is_what_is_left_after_the_pieces_that_the_order_took(mill):
    """By hand: a pair of 120 (100 net) for which a frame that cost 35.50 was taken: 64.50, 0.645 of the net."""
    order = sold_from_stock(mill, "120", "35.50")
    [row] = sales(over(mill))
    assert [row[name] for name in COSTED] == [1, D(100), D("35.50"), 0, D("64.50"), D("0.6450")]
    # a frame that comes back was taken all the same
    stock_return_from_customer(
        actor=SYSTEM, branch=mill, document=f"orders/{order.id}", part="frame", reason="not worn"
    )
    [row] = sales(over(mill))
    assert (row["cost"], row["cost_not_known"]) == (D("35.50"), 0)


def test_no_margin_is_told_where_the_cost_of_a_pair_is_not_known(mill, quay):
    """By hand: mill has a pair of 100 net with its frame at 35.50, one of 50 net of which nothing came from stock: the
    known cost is 35.50, one is not known. Quay's customer brought the frame: nothing to take, the cost is nought."""
    sold_from_stock(mill, "120", "35.50")
    supplied(mill, 0, "60")
    with clock.at(NOON):
        order = ordered(quay, "60", frame_is_customers=True)
        for step in (orders.order_enter_workshop, orders.order_mark_ready, orders.order_collect):
            order = step(actor=SYSTEM, order=order)
        services.supply_book(actor=SYSTEM, order=order)
    found = {row["branch"]: row for row in sales(over(mill, quay))}
    assert [found[mill.code][name] for name in COSTED] == [2, D(150), D("35.50"), 1, None, None]
    assert [found[quay.code][name] for name in COSTED] == [1, D(50), D(0), 0, D(50), D(1)]
    [total] = sales(over(mill, quay, by=TOTAL))
    assert (total["cost_not_known"], total["margin"]) == (1, None)


def test_the_frame_alone_does_not_tell_the_cost_of_a_pair_with_lenses(mill):
    """By hand: two lenses and a frame are three pieces; one of them was taken."""
    order = sold_from_stock(mill, "120", "35.50")
    for eye in ("right", "left"):
        OrderedLens.objects.create(
            order=order,
            eye=eye,
            product=LensProductFactory(sku=f"lens-{eye}"),
            sphere_dpt="-1.00",
            cylinder_dpt="0",
            centration_distance_mm="32",
            centration_height_mm="20",
        )
    [row] = sales(over(mill))
    assert [row[name] for name in COSTED] == [1, D(100), D("35.50"), 1, None, None]


def test_a_piece_kept_in_another_currency_is_not_added(mill, quay):
    quay.currency = "NZD"
    quay.save()
    sold_from_stock(mill, "120", "80", taken_at=quay)
    [row] = sales(over(mill, quay))
    assert (row["currency"], row["cost"], row["cost_not_known"], row["margin"]) == ("GBP", D(0), 1, None)


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


def test_a_promise_is_kept_until_the_end_of_its_day_where_the_pair_is_made(mill, quay):
    """By hand, packed on 3 March by the calendar of the branch. Mill: promised for the 3rd, kept; for the 2nd, then put
    off to the 4th, kept the last only; for the 2nd, kept neither. Quay is 13 hours ahead: packed at 12:00 UTC on the
    2nd is 01:00 on the 3rd there, so the 2nd was missed."""
    quay.time_zone = "Pacific/Auckland"
    quay.save()
    pairs = Pairs()
    evening, noon = NOON + dt.timedelta(days=1, hours=11), NOON
    for branch, packed_at, days in (
        (mill, evening, (3,)),
        (mill, evening, (2, 4)),
        (mill, evening, (2,)),
        (quay, noon, (2,)),
    ):
        job = pairs.packed(branch, NOON - dt.timedelta(days=3), packed_at)
        for day in days:
            promised = dt.date(2026, 3, day)
            Promise.objects.create(order=job.order, promised_on=promised, reason="test", made_at=job.order.placed_at)
        Job.objects.everywhere("test").filter(id=job.id).update(promised_on=promised)
    names = ("finished", "on_first_promise", "on_last_promise", "first_share", "last_share")
    found = {row["branch"]: row for row in promises_kept(over(mill, quay, days=1))}
    assert [found[mill.code][name] for name in names] == [3, 1, 2, D("0.3333"), D("0.6667")]
    assert [found[quay.code][name] for name in names] == [1, 0, 0, D(0), D(0)]
    [total] = promises_kept(over(mill, quay, days=1, by=TOTAL))
    assert [total[name] for name in names] == [4, 1, 2, D("0.25"), D("0.5")]
    assert promises_kept(over(mill, quay, since=DAY + dt.timedelta(days=2))) == []
