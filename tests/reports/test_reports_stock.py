"""What the stock is worth, how often it turns, what lies dead: two branches by hand, and a walk against its ledger."""

from __future__ import annotations

import datetime as dt
import random
from collections import defaultdict
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.reports.figures.stock import DEAD_STOCK, STOCK_TURN, STOCK_VALUE, dead_stock, stock_turn, stock_value
from opticshop.reports.registry import TOTAL, Scope
from opticshop.stock import services
from opticshop.stock.models import Movement
from opticshop.stock.selectors import ledger_differences, valuations
from tests.conftest import NOON
from tests.factories import BranchFactory
from tests.stock.conftest import frame, frame_item, lens, lens_item, receive
from tests.stock.test_stock_valuation import sell

pytestmark = pytest.mark.django_db
__all__ = ["frame", "frame_item", "lens", "lens_item", "receive"]
TEST = system("test")


def asked(*branches, by="branch", since=dt.date(2026, 2, 1), until=dt.date(2026, 2, 28)):
    return Scope(since=since, until=until, branches=branches, by=by)


def noon(month, day, year=2026):
    return dt.datetime(year, month, day, 12, tzinfo=dt.UTC)


@pytest.fixture
def shops(mill, quay):
    quay.time_zone, quay.currency = "Pacific/Auckland", "NZD"
    quay.save()
    return mill, quay


@pytest.fixture
def example(shops, lens_item, frame_item, receive):
    """First shop: 10 lenses at 4.00 on 15 January, 4 of them used on 10 February, 10 more at 5.00 on 20 February; a
    frame at 31.00 on 1 February. Second: 3 lenses at 8.00 on 10 February; 5 more on 28 February at 20:00 UTC, which is
    1 March by its clock."""
    mill, quay = shops
    with clock.at(noon(1, 15)):
        receive(mill, lens_item, 10, "A", "4.00")
    with clock.at(noon(2, 1)):
        receive(mill, frame_item, 1, "F", "31.00")
    with clock.at(noon(2, 10)):
        sell(mill, lens_item, "orders/x", 4)
        receive(quay, lens_item, 3, "A", "8.00")
    with clock.at(noon(2, 20)):
        receive(mill, lens_item, 10, "B", "5.00")
    with clock.at(dt.datetime(2026, 2, 28, 20, tzinfo=dt.UTC)):
        receive(quay, lens_item, 5, "B", "8.00")
    return mill, quay


@pytest.mark.parametrize("figures", [stock_value, stock_turn])
def test_a_branch_that_was_not_asked_for_is_not_told(example, figures):
    mill, quay = example
    assert [*figures(asked(mill)), *figures(asked(quay))] == figures(asked(mill, quay))


def rows_of(rows, *names):
    return [tuple(row[name] for name in names) for row in rows]


def test_the_value_at_the_end_of_a_day_of_each_branch(example):
    """6 x 4.00 + 10 x 5.00 + 31.00 = 105.00, and 3 x 8.00 = 24.00."""
    names = ("currency", "pieces", "value", "in_transit_pieces", "in_transit_value")
    assert rows_of(stock_value(asked(*example)), "branch", *names) == [
        ("MILL", "GBP", 17, Decimal("105.00"), 0, 0),
        ("QUAY", "NZD", 3, Decimal("24.00"), 0, 0),
    ]
    assert rows_of(stock_value(asked(*example, by="kind")), "kind", *names[:3]) == [
        ("frame", "GBP", 1, Decimal("31.00")),
        ("lens", "GBP", 16, Decimal("74.00")),
        ("lens", "NZD", 3, Decimal("24.00")),
    ]
    by_both = stock_value(asked(*example, by="branch_and_kind", until=dt.date(2026, 3, 1)))
    assert rows_of(by_both, "branch_and_kind", *names[:3]) == [
        ("MILL frame", "GBP", 1, Decimal("31.00")),
        ("MILL lens", "GBP", 16, Decimal("74.00")),
        ("QUAY lens", "NZD", 8, Decimal("64.00")),
    ]
    assert stock_value(asked(*example, until=dt.date(2026, 1, 14))) == []


def test_the_value_by_article_and_in_transit(shops, lens, frame, lens_item, frame_item, receive):
    """Pieces sent stay with who sent them until they are taken in."""
    mill, quay = shops
    quay.currency = "GBP"
    quay.save()
    receive(mill, lens_item, 4, "A", "4.00")
    receive(mill, frame_item, 1, "F", "31.00")
    transfer = services.transfer_draft(actor=TEST, sender=mill, receiver=quay, wanted=[(lens_item, 3)])
    services.transfer_send(actor=TEST, transfer=transfer)
    rows = stock_value(asked(mill, quay, by="product", until=dt.date(2026, 3, 2)))
    names = ("product", "pieces", "value", "in_transit_pieces", "in_transit_value")
    assert rows_of(rows, *names) == [
        (frame.sku, 1, Decimal("31.00"), 0, 0),
        (lens.sku, 1, Decimal("4.00"), 3, Decimal("12.00")),
    ]


TURN = ("currency", "opening_value", "closing_value", "average_value", "issued_cost", "turn", "turn_a_year")


def test_the_turn_of_a_month(example):
    """Lenses of the first: from 40.00 to 74.00, mean 57.00; 16.00 issued; 16 / 57 = 0.28; x 365 / 28 = 3.66."""
    assert rows_of(stock_turn(asked(*example, by="branch_and_kind")), "branch_and_kind", *TURN) == [
        ("MILL frame", "GBP", 0, Decimal("31.00"), Decimal("15.50"), 0, Decimal("0.00"), Decimal("0.00")),
        (
            "MILL lens",
            "GBP",
            Decimal("40.00"),
            Decimal("74.00"),
            Decimal("57.00"),
            Decimal("16.00"),
            Decimal("0.28"),
            Decimal("3.66"),
        ),
        ("QUAY lens", "NZD", 0, Decimal("24.00"), Decimal("12.00"), 0, Decimal("0.00"), Decimal("0.00")),
    ]


def test_the_average_of_more_months_is_weighted_by_their_days(example):
    """0 before January, 40.00 after it, 74.00 after February: (31 x 20 + 28 x 57) / 59 = 37.56; 16 / 37.56 = 0.43;
    x 365 / 59 = 2.64."""
    rows = stock_turn(asked(*example, by="kind", since=dt.date(2026, 1, 1)))
    [row] = [row for row in rows if (row["kind"], row["currency"]) == ("lens", "GBP")]
    assert rows_of([row], *TURN) == [
        ("GBP", 0, Decimal("74.00"), Decimal("37.56"), Decimal("16.00"), Decimal("0.43"), Decimal("2.64"))
    ]


def test_nothing_held_has_no_turn(mill, lens_item, receive):
    assert stock_turn(asked(mill)) == stock_value(asked(mill)) == dead_stock(asked(mill)) == []
    receive(mill, lens_item, 1)  # on 2 March
    assert stock_turn(asked(mill)) == []
    with clock.at(NOON + dt.timedelta(hours=1)):
        sell(mill, lens_item, "orders/x")
    [row] = stock_turn(asked(mill, since=dt.date(2026, 3, 2), until=dt.date(2026, 3, 2)))
    assert rows_of([row], *TURN) == [("GBP", 0, 0, 0, Decimal("4.20"), None, None)]


@pytest.fixture
def sleepers(shops, lens_item, frame_item, receive):
    """5 lenses at 4.00 came in 500 days ago, one was used 400 days ago; 2 frames at 31.00 lie since 800 days; what the
    second shop has, it used last week."""
    mill, quay = shops
    with clock.at(NOON - dt.timedelta(days=800)):
        receive(mill, frame_item, 2, "F", "31.00")
    with clock.at(NOON - dt.timedelta(days=500)):
        receive(mill, lens_item, 5, "A", "4.00")
        receive(quay, lens_item, 5, "A", "4.00")
    with clock.at(NOON - dt.timedelta(days=400)):
        sell(mill, lens_item, "orders/x")
    with clock.at(NOON - dt.timedelta(days=7)):
        sell(quay, lens_item, "orders/y")
        receive(mill, lens_item, 3, "B", "4.00")
    return mill, quay


DEAD = ("currency", "lots", "pieces", "value", "value_idle_two_years", "idle_p50_days", "idle_longest_days")


def test_what_lies_dead_its_value_and_its_age(sleepers, api, manager):
    """4 x 4.00 + 2 x 31.00 = 78.00; the fresh lot of the same lens is not dead. As replenishment lists it."""
    today = asked(*sleepers, until=dt.date(2026, 3, 2))
    assert rows_of(dead_stock(today), "branch", *DEAD) == [
        ("MILL", "GBP", 2, 6, Decimal("78.00"), Decimal("62.00"), 400, 800)
    ]
    assert rows_of(dead_stock(asked(*sleepers, by="kind", until=dt.date(2026, 3, 2))), "kind", "value") == [
        ("frame", Decimal("62.00")),
        ("lens", Decimal("16.00")),
    ]
    listed = api(manager).get("/api/v1/replenishment/dead-stock/").json()["results"]
    assert sum(Decimal(row["value"]) for row in listed) == Decimal("78.00")
    assert sum(row["on_hand"] for row in listed) == 6
    assert dead_stock(asked(sleepers[1], until=dt.date(2026, 3, 2)), months=1) == []
    assert rows_of(dead_stock(today, months=14), "branch", "value") == [("MILL", Decimal("62.00"))]


def test_what_lay_dead_on_a_day_gone_by(sleepers):
    """401 days ago the frames had lain for 399 days and all five lenses for 99. At the second shop it was a day later
    already when they came in, so for 98."""
    then = asked(*sleepers, until=NOON.date() - dt.timedelta(days=401))
    assert rows_of(dead_stock(then), "branch", "pieces", "idle_longest_days") == [("MILL", 2, 399)]
    assert rows_of(dead_stock(then, months=3), "branch", "pieces", "idle_longest_days") == [
        ("MILL", 7, 399),
        ("QUAY", 5, 98),
    ]


@pytest.mark.parametrize("report", [STOCK_VALUE, STOCK_TURN], ids=lambda report: report.key)
def test_every_row_has_the_columns_that_are_defined(example, report):
    for by in (*report.groupings, TOTAL):
        rows = report.figures(asked(*example, by=by))
        assert rows
        for row in rows:
            assert set(row) - {"currency"} == {by, *(column.key for column in report.columns)}, by


def test_every_row_of_dead_stock_has_the_columns_that_are_defined(sleepers):
    for by in (*DEAD_STOCK.groupings, TOTAL):
        [row, *_] = DEAD_STOCK.figures(asked(*sleepers, by=by, until=dt.date(2026, 3, 2)))
        assert set(row) == {by, "currency", *(column.key for column in DEAD_STOCK.columns)}, by


# --- against the ledger --------------------------------------------------------------------------------------------


@pytest.fixture
def walk(shops, lens_item, frame_item, receive):
    """120 movements made by chance over twelve weeks through the services; each article has one cost, so that a value
    is pieces times that cost whatever the method."""
    mill, quay = shops
    quay.currency = "GBP"
    quay.save()
    draw, costs = random.Random(5), {lens_item: "4.00", frame_item: "31.00"}
    moment = noon(12, 1, 2025)
    for n in range(120):
        moment += dt.timedelta(minutes=draw.randint(1, 2000))
        branch, item = draw.choice([mill, quay]), draw.choice([lens_item, lens_item, frame_item])
        other = quay if branch is mill else mill
        with clock.at(moment):
            try:
                match draw.choice(["receive", "sell", "sell", "spoil", "send"]):
                    case "receive":
                        receive(branch, item, draw.randint(1, 6), draw.choice("ABC"), costs[item])
                    case "sell":
                        sell(branch, item, f"orders/{n}")
                    case "spoil":
                        services.stock_reserve(actor=TEST, branch=branch, item=item, document=f"o/{n}", part="x")
                        services.stock_write_off(actor=TEST, branch=branch, document=f"o/{n}", part="x", reason="x")
                    case "send":
                        sent = services.transfer_draft(actor=TEST, sender=branch, receiver=other, wanted=[(item, 2)])
                        sent = services.transfer_send(actor=TEST, transfer=sent)
                        line = sent.lines.order_by("id").first()
                        services.transfer_receive(actor=TEST, transfer=sent, arrived={line.id: 1})
            except (services.OutOfStock, services.NotEnoughToSend):
                continue
    assert ledger_differences() == []
    return mill, quay


PERIODS = [
    (dt.date(2025, 12, 1), dt.date(2026, 2, 28)),
    (dt.date(2025, 12, 20), dt.date(2026, 1, 10)),
    (dt.date(2026, 1, 5), dt.date(2026, 1, 5)),
]


@pytest.mark.parametrize("method", ["fifo", "average"])
def test_a_walk_agrees_with_the_lines_of_its_ledger(walk, settings, method):
    settings.OPTICSHOP_STOCK_VALUATION = method
    lines = list(Movement.objects.everywhere("test").select_related("branch", "lot__item"))
    kinds = {line.kind for line in lines}
    assert kinds >= {"receipt", "consumption", "write_off", "transfer_out", "transfer_in"}
    for since, until in PERIODS:
        held, opened, issued = defaultdict(Decimal), defaultdict(Decimal), defaultdict(Decimal)
        for line in lines:
            day = line.created_at.astimezone(ZoneInfo(line.branch.time_zone)).date()
            key = f"{line.branch.code} {line.lot.item.kind}"
            value = (line.on_hand_change + line.in_transit_change) * line.unit_cost
            if day <= until:
                held[key] += value
            if day < since:
                opened[key] += value
            if since <= day <= until and line.kind == "consumption":
                issued[key] -= line.on_hand_change * line.unit_cost
        scope = asked(*walk, by="branch_and_kind", since=since, until=until)
        told = {row["branch_and_kind"]: row["value"] + row["in_transit_value"] for row in stock_value(scope)}
        assert told == {key: value for key, value in held.items() if value}
        turns = {row["branch_and_kind"]: row for row in stock_turn(scope)}
        assert set(turns) >= set(told)
        for key, row in turns.items():
            assert (row["opening_value"], row["closing_value"], row["issued_cost"]) == (
                opened[key],
                held[key],
                issued[key],
            )
        assert any(issued.values()) or since == until


def test_the_value_today_is_that_of_the_valuation(walk, head_office, actor_of):
    told = {
        row["branch"]: (row["value"], row["in_transit_value"])
        for row in stock_value(asked(*walk, until=dt.date(2026, 3, 2)))
    }
    assert told == {
        each.branch.code: (each.on_hand_value, each.in_transit_value) for each in valuations(actor_of(head_office))
    }


@pytest.mark.parametrize("figures", [stock_value, stock_turn, dead_stock])
@pytest.mark.parametrize("by", ["branch", "product"])
def test_the_queries_do_not_grow_with_branches_or_items(example, frame_item, receive, queries, figures, by):
    def ask():
        return figures(asked(*Branch.objects.filter(time_zone="Europe/London"), by=by, until=dt.date(2027, 6, 30)))

    with clock.at(noon(7, 1, 2027)):
        one = queries(ask)
        assert len(ask()) == (1 if by == "branch" else 2)
    for branch in [BranchFactory() for _ in range(4)]:
        receive(branch, frame_item, 2)
    with clock.at(noon(7, 1, 2027)):
        assert queries(ask) == one
        assert len(ask()) == (5 if by == "branch" else 2)
