"""Promises: reserving for a document, and the three ways a promise ends."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import transaction

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.stock import selectors, services
from opticshop.stock.ledger import post
from opticshop.stock.models import Lot, Movement, Reservation

pytestmark = pytest.mark.django_db
ORDER = "orders/01890a5d-ac96-774b-bcce-b302099a8057"
OTHER = "orders/01890a5d-ac96-774b-bcce-b302099a8058"
TILL = system("till")


@pytest.fixture
def reserve(mill, lens_item):
    def promise(part="right", document=ORDER, item=lens_item, branch=mill):
        return services.stock_reserve(actor=TILL, branch=branch, item=item, document=document, part=part)

    return promise


def balance(lot):
    lot.refresh_from_db()
    return lot.on_hand, lot.reserved


def states(document=ORDER):
    rows = Reservation.objects.everywhere("test").filter(document=document).order_by("id")
    return list(rows.values_list("part", "state"))


def kinds():
    return list(Movement.objects.everywhere("test").order_by("lot", "line").values_list("kind", flat=True))


def events(skip=0):
    return list(OutboxEvent.objects.order_by("id").values_list("type", flat=True))[skip:]


def test_a_piece_is_promised_and_no_longer_available(mill, lens_item, receive, reserve):
    lot = receive(mill, lens_item, 2)
    reservation = reserve()
    assert (reservation.lot, reservation.state, reservation.part) == (lot, "active", "right")
    assert balance(lot) == (2, 1)
    assert selectors.available(mill, lens_item) == 1
    event = OutboxEvent.objects.get(type="stock.reserved")
    assert event.data == {
        "lot": str(lot.id),
        "item": str(lens_item.id),
        "quantity": 1,
        "document": ORDER,
        "part": "right",
    }


def test_the_oldest_lot_goes_first(mill, lens_item, receive, reserve):
    old, new = receive(mill, lens_item, 1, "Z-old"), receive(mill, lens_item, 2, "A-new")
    assert [reserve("right").lot, reserve("left").lot] == [old, new]


def test_nothing_is_promised_twice_or_from_another_branch(mill, quay, lens_item, frame_item, receive, reserve):
    receive(quay, lens_item, 5)
    receive(mill, frame_item, 5)
    lot = receive(mill, lens_item, 1)
    reserve("right")
    before = OutboxEvent.objects.count()
    with pytest.raises(services.OutOfStock) as caught:
        reserve("right", document=OTHER)
    assert caught.value.status == 409
    assert caught.value.extra["missing"] == [{"part": "right", "item": str(lens_item.id)}]
    assert balance(lot) == (1, 1)
    assert OutboxEvent.objects.count() == before
    assert states(OTHER) == []


def test_all_parts_are_promised_or_none(mill, lens_item, frame_item, receive):
    lenses = receive(mill, lens_item, 1)
    wanted = {"right": lens_item, "left": lens_item, "frame": frame_item}
    before = OutboxEvent.objects.count()
    with pytest.raises(services.OutOfStock) as caught:
        services.stock_reserve_many(actor=TILL, branch=mill, document=ORDER, wanted=wanted)
    assert {row["part"] for row in caught.value.extra["missing"]} == {"left", "frame"}
    assert (balance(lenses), states(), OutboxEvent.objects.count()) == ((1, 0), [], before)
    receive(mill, lens_item, 1)
    receive(mill, frame_item, 1)
    reserved = services.stock_reserve_many(actor=TILL, branch=mill, document=ORDER, wanted=wanted)
    assert set(reserved) == set(wanted)
    assert reserved["frame"].lot.item == frame_item
    assert balance(lenses) == (2, 2)


def test_one_part_holds_one_piece(mill, lens_item, receive, reserve):
    lot = receive(mill, lens_item, 3)
    reserve("right")
    with pytest.raises(services.AlreadyReserved):
        reserve("right")
    assert balance(lot) == (3, 1)
    assert kinds() == ["receipt", "reservation"]


def test_a_released_piece_can_be_promised_again(mill, lens_item, receive, reserve):
    lot = receive(mill, lens_item, 1)
    reserve()
    released = services.stock_release(actor=TILL, branch=mill, document=ORDER, reason="called off")
    assert (released, balance(lot), states()) == (1, (1, 0), [("right", "released")])
    assert services.stock_release(actor=TILL, branch=mill, document=ORDER, reason="called off") == 0
    reserve()
    assert states() == [("right", "released"), ("right", "active")]
    assert events(1) == ["stock.reserved", "stock.released", "stock.reserved"]
    assert Movement.objects.everywhere("test").get(kind="release").reason == "called off"


def test_consuming_takes_the_pieces_out(mill, lens_item, frame_item, receive):
    lot, frames = receive(mill, lens_item, 3), receive(mill, frame_item, 1)
    services.stock_reserve_many(
        actor=TILL, branch=mill, document=ORDER, wanted={"right": lens_item, "left": lens_item, "frame": frame_item}
    )
    assert services.stock_consume(actor=TILL, branch=mill, document=ORDER, part="left") == 1
    assert balance(lot) == (2, 1)
    assert services.stock_consume(actor=TILL, branch=mill, document=ORDER) == 2
    assert services.stock_consume(actor=TILL, branch=mill, document=ORDER) == 0
    assert (balance(lot), balance(frames)) == ((1, 0), (0, 0))
    assert {state for _, state in states()} == {"consumed"}
    assert events(5) == ["stock.consumed"] * 3


def test_a_broken_piece_is_written_off_and_another_promised(mill, lens_item, receive, reserve):
    lot = receive(mill, lens_item, 2)
    reserve("right")
    services.stock_write_off(actor=TILL, branch=mill, document=ORDER, part="right", reason="chipped at the edge")
    assert (balance(lot), states()) == ((1, 0), [("right", "written_off")])
    assert reserve("right").lot == lot
    line = Movement.objects.everywhere("test").get(kind="write_off")
    assert (line.on_hand_change, line.reserved_change, line.reason) == (-1, -1, "chipped at the edge")
    assert events(1) == ["stock.reserved", "stock.written_off", "stock.reserved"]


def test_writing_off_needs_a_promise_and_a_reason(mill, lens_item, receive, reserve):
    lot = receive(mill, lens_item, 1)
    with pytest.raises(services.NothingReserved):
        services.stock_write_off(actor=TILL, branch=mill, document=ORDER, part="right", reason="chipped")
    reserve("right")
    with pytest.raises(services.ReasonMissing):
        services.stock_write_off(actor=TILL, branch=mill, document=ORDER, part="right", reason="  ")
    with pytest.raises(services.NothingReserved):
        services.stock_write_off(actor=TILL, branch=mill, document=ORDER, part="left", reason="chipped")
    assert (balance(lot), kinds()) == ((1, 1), ["receipt", "reservation"])


def test_another_document_or_branch_settles_nothing(mill, quay, lens_item, receive, reserve):
    lot = receive(mill, lens_item, 1)
    reserve()
    assert services.stock_consume(actor=TILL, branch=mill, document=OTHER) == 0
    assert services.stock_consume(actor=TILL, branch=quay, document=ORDER) == 0
    assert services.stock_release(actor=TILL, branch=mill, document=ORDER, reason="x", part="left") == 0
    assert balance(lot) == (1, 1)


def test_a_failing_caller_takes_the_promise_back_with_it(mill, lens_item, receive, reserve):
    lot = receive(mill, lens_item, 1)

    def place_and_fail():
        with transaction.atomic():
            reserve()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        place_and_fail()
    assert (balance(lot), kinds(), events(1)) == ((1, 0), ["receipt"], [])


@pytest.mark.parametrize(
    ("on_hand_change", "reserved_change"), [(0, 2), (-2, 0), (-1, 1), (0, -1), (-1, -1), (-3, 0), (-3, -3)]
)
def test_a_lot_never_bears_more_than_it_holds(mill, lens_item, receive, on_hand_change, reserved_change):
    lot = receive(mill, lens_item, 1)
    with transaction.atomic():
        moved = post(
            actor=TILL,
            lot=lot,
            kind=Movement.Kind.WRITE_OFF,
            on_hand_change=on_hand_change,
            reserved_change=reserved_change,
            document="test",
            reason="test",
        )
    assert moved is None
    assert (balance(lot), kinds()) == ((1, 0), ["receipt"])


def test_a_stale_balance_does_not_fool_the_ledger(mill, lens_item, receive, reserve):
    """Two tills read the same last piece; the second is refused though its copy still says one is there."""
    lot = receive(mill, lens_item, 1)
    stale = Lot.objects.everywhere("test").get(id=lot.id)
    reserve()
    assert stale.on_hand - stale.reserved == 1
    with transaction.atomic():
        assert not post(actor=TILL, lot=stale, kind=Movement.Kind.RESERVATION, reserved_change=1, document=OTHER)


def test_available_counts_one_branch_over_all_lots(mill, quay, lens_item, receive, reserve):
    assert selectors.available(mill, lens_item) == 0
    receive(mill, lens_item, 2, "A")
    receive(mill, lens_item, 3, "B")
    receive(quay, lens_item, 7, "A")
    reserve()
    assert (selectors.available(mill, lens_item), selectors.available(quay, lens_item)) == (4, 7)


def test_an_item_is_found_in_either_form_or_not_at_all(lens, frame, frame_item, lens_item):
    assert selectors.lens_item(lens, Decimal("-2.00"), Decimal("-0.50")) == lens_item
    assert selectors.lens_item(lens, Decimal("-2.50"), Decimal("0.50")) == lens_item
    assert selectors.lens_item(lens, Decimal("-2.50"), Decimal("-0.50")) is None
    assert selectors.frame_item(frame) == frame_item
    assert services.frame_item_ensure(frame) == frame_item
    assert services.lens_item_ensure(lens, Decimal("-2.50"), Decimal("0.5")) == lens_item
