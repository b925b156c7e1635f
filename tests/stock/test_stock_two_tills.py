"""Several tills at once, each with a connection and transactions of its own.

On PostgreSQL they meet in the test database. On SQLite they meet in a file made from the test database, because
connections cannot share one in memory; there a transaction takes the whole file from its beginning.
"""

from __future__ import annotations

import random
import sqlite3
import threading
from collections.abc import Callable
from contextlib import ExitStack, closing, suppress
from typing import Any

import pytest
from django.db import connection, connections, transaction

from opticshop.core.actor import system
from opticshop.core.errors import Busy
from opticshop.stock import services
from opticshop.stock.models import Lot, Reservation
from opticshop.stock.selectors import ledger_differences
from opticshop.stock.services import reserving
from tests import together
from tests.together import afterwards

TILL = system("till")
pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def meeting_place(tmp_path, monkeypatch):
    """Call it when the rows are there: from then on new connections of other threads see them."""
    with ExitStack() as afterwards:

        def open_it() -> None:
            if connection.vendor != "sqlite":
                return
            path = tmp_path / "tills.sqlite3"
            copy = afterwards.enter_context(closing(sqlite3.connect(path)))
            connection.connection.backup(copy)
            copy.execute("PRAGMA journal_mode=WAL")  # as in settings; switching is no thing to do at once
            monkeypatch.setitem(connections.settings["default"], "NAME", str(path))

        yield open_it


def at_once(*jobs: Callable[[], Any]) -> list[Any]:
    return together.at_once(jobs, kept=Exception)


def test_the_last_pieces_are_promised_once(mill, lens_item, receive, meeting_place):
    """Twelve tills want one each of the last five, which lie in two lots: five get one, seven are refused."""
    receive(mill, lens_item, 2, "A")
    receive(mill, lens_item, 3, "B")
    meeting_place()

    def till(number: int) -> Callable[[], Reservation]:
        return lambda: services.stock_reserve(
            actor=TILL, branch=mill, item=lens_item, document=f"orders/{number}", part="right"
        )

    outcomes = at_once(*(till(number) for number in range(12)))
    assert sum(isinstance(outcome, Reservation) for outcome in outcomes) == 5, outcomes
    assert sum(isinstance(outcome, services.OutOfStock) for outcome in outcomes) == 7, outcomes

    def look() -> Any:
        lots = Lot.objects.everywhere("test").order_by("code").values_list("on_hand", "reserved", "lines")
        return list(lots), Reservation.objects.everywhere("test").count(), ledger_differences()

    assert afterwards(look) == ([(2, 2, 3), (3, 3, 4)], 5, [])


def test_one_document_is_settled_once(mill, lens_item, receive, meeting_place):
    """A cancellation and a collection of the same order at the same moment: one of them gets the pieces."""
    receive(mill, lens_item, 2)
    services.stock_reserve_many(
        actor=TILL, branch=mill, document="orders/x", wanted={"right": lens_item, "left": lens_item}
    )
    meeting_place()
    outcomes = at_once(
        lambda: services.stock_release(actor=TILL, branch=mill, document="orders/x", reason="called off"),
        lambda: services.stock_consume(actor=TILL, branch=mill, document="orders/x"),
        lambda: services.stock_release(actor=TILL, branch=mill, document="orders/x", reason="called off"),
        lambda: services.stock_consume(actor=TILL, branch=mill, document="orders/x"),
    )
    assert sorted(outcomes) == [0, 0, 0, 2]
    assert afterwards(ledger_differences) == []


def test_two_deliveries_of_a_new_lot_make_one_lot(mill, lens_item, receive, meeting_place):
    meeting_place()
    outcomes = at_once(*([lambda: receive(mill, lens_item, 3)] * 4))
    assert all(isinstance(outcome, Lot) for outcome in outcomes), outcomes

    def look() -> Any:
        return list(Lot.objects.everywhere("test").values_list("on_hand", "lines")), ledger_differences()

    assert afterwards(look) == ([(12, 4)], [])


def test_orders_that_want_the_same_things_in_another_order_do_not_block_each_other(
    mill, lens_item, frame_item, receive, meeting_place, monkeypatch
):
    """Each till pauses after its first piece until the other has one too, or for a while.

    Were the pieces taken in the order they are named, each would then hold what the other wants.
    """
    receive(mill, lens_item, 5)
    receive(mill, frame_item, 5)
    meeting_place()
    both_hold_one, post = threading.Barrier(2), reserving.post

    def post_and_pause(**line: Any) -> Any:
        moved = post(**line)
        with suppress(threading.BrokenBarrierError):
            both_hold_one.wait(1)
        return moved

    monkeypatch.setattr(reserving, "post", post_and_pause)
    wanted = [("right", lens_item), ("frame", frame_item)]

    def order(name: str, parts: Any) -> Callable[[], Any]:
        return lambda: services.stock_reserve_many(
            actor=TILL, branch=mill, document=f"orders/{name}", wanted=dict(parts)
        )

    outcomes = at_once(order("x", wanted), order("y", reversed(wanted)))
    assert [sorted(outcome) for outcome in outcomes] == [["frame", "right"]] * 2, outcomes
    assert afterwards(ledger_differences) == []


def test_a_busy_afternoon_blocks_nobody_and_adds_up(mill, lens_item, frame_item, receive, meeting_place):
    """Tills that reserve pairs, break and replace lenses, call off and hand over, all on the same few lots."""
    for code in "ABC":
        receive(mill, lens_item, 12, code)
        receive(mill, frame_item, 12, code)
    meeting_place()
    pair = {"right": lens_item, "left": lens_item, "frame": frame_item}

    def order(document: str, chance: random.Random) -> None:
        ours = {"actor": TILL, "branch": mill, "document": document}
        services.stock_reserve_many(**ours, wanted=pair)
        with transaction.atomic():
            services.stock_write_off(**ours, part="left", reason="chipped")
            services.stock_reserve(**ours, part="left", item=lens_item)
        if chance.random() < 0.5:
            services.stock_release(**ours, reason="called off")
        else:
            services.stock_consume(**ours)

    def till(number: int) -> Callable[[], str]:
        def afternoon() -> str:
            for turn in range(5):
                with suppress(services.OutOfStock):
                    order(f"orders/{number}-{turn}", random.Random(100 * number + turn))
            return "closed"

        return afternoon

    assert at_once(*(till(number) for number in range(10))) == ["closed"] * 10
    assert afterwards(ledger_differences) == []


@pytest.mark.postgresql
def test_a_till_that_holds_a_lot_too_long_makes_others_busy(mill, lens_item, receive, settings):
    if connection.vendor != "postgresql":
        pytest.skip("needs PostgreSQL")
    settings.OPTICSHOP_LOCK_TIMEOUT_MS = 200
    receive(mill, lens_item, 5)
    held, done = threading.Event(), threading.Event()

    def slow() -> str:
        with transaction.atomic():
            services.stock_reserve(actor=TILL, branch=mill, item=lens_item, document="orders/slow", part="right")
            held.set()
            done.wait(30)
        return "slow"

    def quick() -> str:
        held.wait(30)
        try:
            services.stock_reserve(actor=TILL, branch=mill, item=lens_item, document="orders/quick", part="right")
        except Busy:
            return "busy"
        finally:
            done.set()
        return "served"

    assert at_once(slow, quick) == ["slow", "busy"]
    assert ledger_differences() == []
