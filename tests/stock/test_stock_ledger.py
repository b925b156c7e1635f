"""The ledger cannot be changed, and what was tampered with is found."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, transaction

from opticshop.core.actor import system
from opticshop.core.append_only import seal_statements, unseal_statements
from opticshop.stock import services
from opticshop.stock.models import Movement
from opticshop.stock.selectors import ledger_differences

TILL = system("till")


def sql(statement, *values):
    """Somebody at the database's own prompt."""
    with connection.cursor() as cursor:
        cursor.execute(statement, values or None)


def key(row):
    """A primary key as this database stores it."""
    return row.id if connection.vendor == "postgresql" else row.id.hex


@pytest.fixture
def busy(mill, lens_item, frame_item, receive):
    """A branch with some history; returns a lot with four lines: received 5, reserved, reserved, consumed."""
    lot = receive(mill, lens_item, 5)
    receive(mill, frame_item, 2)
    for part in ("right", "left"):
        services.stock_reserve(actor=TILL, branch=mill, item=lens_item, document="orders/x", part=part)
    services.stock_consume(actor=TILL, branch=mill, document="orders/x", part="left")
    return lot


@pytest.fixture
def unsealed(db):
    """The triggers lifted, as somebody with the owner's password could."""
    for statement in unseal_statements("stock_movement", connection.vendor):
        sql(statement)


def found():
    return [(difference.what, difference.kept, difference.computed) for difference in ledger_differences()]


@pytest.mark.django_db
@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE stock_movement SET on_hand_change = 99",
        "UPDATE stock_movement SET reason = 'tidied'",
        "DELETE FROM stock_movement",
    ],
)
def test_the_database_refuses_to_change_a_line(busy, statement):
    before = list(Movement.objects.everywhere("test").order_by("id").values())
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        sql(statement)
    assert list(Movement.objects.everywhere("test").order_by("id").values()) == before


@pytest.mark.django_db
def test_the_orm_cannot_change_a_line_either(busy):
    line = Movement.objects.everywhere("test").first()
    line.reason = "tidied"
    for attempt in (line.save, line.delete, Movement.objects.everywhere("test").delete):
        with pytest.raises(IntegrityError), transaction.atomic():
            attempt()


@pytest.mark.django_db
def test_a_lot_with_history_cannot_be_deleted(busy):
    from django.db.models import ProtectedError

    with pytest.raises(ProtectedError):
        busy.delete()


@pytest.mark.django_db
@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE stock_lot SET reserved = on_hand + 1",
        "UPDATE stock_lot SET on_hand = -1, reserved = -1",
        "UPDATE stock_lot SET on_hand = 0",
    ],
)
def test_the_database_refuses_a_balance_that_cannot_be(busy, statement):
    with pytest.raises(IntegrityError), transaction.atomic():
        sql(statement)


@pytest.mark.django_db
def test_an_honest_ledger_has_no_differences(busy):
    out = StringIO()
    call_command("stock_verify", stdout=out)
    assert "agrees" in out.getvalue()
    assert ledger_differences() == []


@pytest.mark.django_db
def test_an_empty_stock_has_no_differences():
    assert ledger_differences() == []


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("statement", "expected"),
    [
        ("UPDATE stock_lot SET on_hand = on_hand + 1 WHERE id = %s", [("on hand", 5, 4)]),
        (
            "UPDATE stock_lot SET reserved = 0 WHERE id = %s",
            [("reserved", 0, 1), ("reserved against active reservations", 0, 1)],
        ),
        ("UPDATE stock_lot SET lines = lines - 1 WHERE id = %s", [("number of lines", 3, 4)]),
        (
            "UPDATE stock_reservation SET state = 'released' WHERE lot_id = %s",
            [("reserved against active reservations", 1, 0)],
        ),
    ],
)
def test_a_balance_changed_by_hand_is_found(busy, statement, expected):
    sql(statement, key(busy))
    assert found() == expected
    assert {difference.subject for difference in ledger_differences()} == {f"lot {busy.id}"}
    out = StringIO()
    with pytest.raises(CommandError) as caught:
        call_command("stock_verify", stdout=out)
    assert caught.value.returncode == 1
    assert str(busy.id) in out.getvalue()


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("statement", "expected"),
    [
        (
            "UPDATE stock_movement SET on_hand_change = 6 WHERE lot_id = %s AND line = 1",
            {("on hand", 4, 5), ("line 1: on hand after it", 5, 6)},
        ),
        (
            "UPDATE stock_movement SET on_hand_after = 9 WHERE lot_id = %s AND line = 2",
            {("line 2: on hand after it", 9, 5), ("line 3: on hand after it", 5, 9)},
        ),
        (
            "DELETE FROM stock_movement WHERE lot_id = %s AND line = 4",
            {
                ("on hand", 4, 5),
                ("reserved", 1, 2),
                ("number of lines", 4, 3),
            },
        ),
        (
            "DELETE FROM stock_movement WHERE lot_id = %s AND line = 1",
            {
                ("on hand", 4, -1),
                ("number of lines", 4, 3),
                ("line 2: its number", 2, 1),
                ("line 2: on hand after it", 5, 0),
            },
        ),
    ],
)
def test_a_ledger_rewritten_behind_the_triggers_is_found(busy, unsealed, statement, expected):
    sql(statement, key(busy))
    assert set(found()) == expected


@pytest.mark.django_db
@pytest.mark.parametrize("table", ["stock_movement", "stock_reservation"])
def test_a_row_moved_to_another_branch_is_found(busy, unsealed, quay, table):
    sql(f"UPDATE {table} SET branch_id = %s WHERE lot_id = %s", key(quay), key(busy))
    differences = ledger_differences()
    assert differences
    assert all(d.kept == str(quay.id) and d.computed == str(busy.branch_id) for d in differences)


@pytest.mark.django_db
def test_the_proof_asks_as_many_questions_for_ten_lots_as_for_one(mill, lens_item, receive, queries):
    receive(mill, lens_item, 1)
    one = queries(ledger_differences)
    for n in range(9):
        receive(mill, lens_item, 1, f"L{n}")
    assert queries(ledger_differences) == one


@pytest.mark.django_db
def test_a_balance_without_its_piece_stops_the_consumption(busy, mill):
    sql("UPDATE stock_lot SET reserved = 0 WHERE id = %s", key(busy))
    with pytest.raises(services.BalanceDisagrees):
        services.stock_consume(actor=TILL, branch=mill, document="orders/x")
    assert found() == [("reserved", 0, 1), ("reserved against active reservations", 0, 1)]


@pytest.mark.django_db
def test_the_seal_can_be_lifted_and_put_back(busy, unsealed):
    """The migration is reversible, and putting it back protects again."""
    sql("UPDATE stock_movement SET by_label = 'open'")
    for statement in seal_statements("stock_movement", connection.vendor):
        sql(statement)
    with pytest.raises(IntegrityError), transaction.atomic():
        sql("UPDATE stock_movement SET by_label = 'closed'")


@pytest.mark.django_db
@pytest.mark.parametrize(
    "rewriting", ["UPDATE stock_expectedchange SET change = 9", "DELETE FROM stock_expectedchange"]
)
def test_what_was_ordered_cannot_be_rewritten_either(mill, lens_item, rewriting):
    services.expected_change(actor=TILL, branch=mill, item=lens_item, delta=5, document="purchase-orders/x")
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        sql(rewriting)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("kind", "change"),
    [
        ("receipt", (-1, 0, 0)),
        ("release", (0, 1, 0)),
        ("consumption", (-1, 0, 0)),
        ("transfer_out", (-1, 0, 0)),
        ("transfer_loss", (-1, 0, -1)),
        ("write_off", (0, 0, -1)),
    ],
)
def test_the_database_refuses_a_line_that_does_not_do_what_it_says(mill, lens_item, receive, kind, change):
    lot = receive(mill, lens_item, 3)
    line = Movement(
        branch=mill,
        lot=lot,
        line=2,
        kind=kind,
        on_hand_change=change[0],
        reserved_change=change[1],
        in_transit_change=change[2],
        on_hand_after=3,
        reserved_after=0,
        unit_cost=lot.unit_cost,
        document="test",
        reason="test",
        by_label="test",
    )
    with pytest.raises(IntegrityError, match="stock_movement_does_what_it_says"), transaction.atomic():
        line.save()
