"""Pressed orders: keys, plans and drawers by themselves; on PostgreSQL a small group that must hold like one played."""

from __future__ import annotations

import datetime as dt
import re
import uuid
from collections import Counter
from decimal import Decimal

import numpy as np
import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from opticshop.accounts.models import User
from opticshop.audit.proof import findings as audit_findings
from opticshop.billing.models import Payment, TillDay
from opticshop.branches.models import Branch, NumberSeries
from opticshop.config.generating import copying, names, patterns, planning, pressing, stories
from opticshop.config.generating.drawers import SPARE, Stock
from opticshop.core import outbox
from opticshop.core.models import EventDelivery
from opticshop.core.text import folded
from opticshop.customers.models import Customer
from opticshop.ledger.models import Account, Entry
from opticshop.ledger.selectors import ledger_findings
from opticshop.orders.models import Order
from opticshop.stock.selectors import ledger_differences

WHY = "what the generator wrote"
UNTIL = dt.date(2026, 3, 2)


def days(day: dt.date) -> int:
    return (day - dt.date(1970, 1, 1)).days


def test_keys_are_of_version_7_and_tell_their_time():
    """RFC 9562, 5.7: 48 bits of milliseconds from 1970, then the version, and after 12 bits the variant."""
    at = np.array([1_645_557_742_000, 1_645_557_742_000, 1_772_452_800_123])  # the first is that of RFC 9562, A.6
    made = copying.keys_made(at, 7, np.array([1, 2, 1]), salt=5)
    keys = [uuid.UUID(bytes=each.tobytes()) for each in made]
    assert [key.int >> 80 for key in keys] == at.tolist()
    assert str(keys[0]).startswith("017f22e2-79b0-7007-")
    assert {(key.version, key.variant) for key in keys} == {(7, uuid.RFC_4122)}
    assert len(set(keys)) == 3
    assert [each.tobytes().decode() for each in copying.as_text(made)] == [str(key) for key in keys]


def test_names_have_one_length_and_are_marked():
    given, family = pressing.fixed_names(np.arange(500), 3)
    words = [each.tobytes().decode() for each in family]
    assert all(each.endswith(names.MARK) for each in words)
    assert len(set(zip(words, (each.tobytes() for each in given), strict=True))) > 490
    assert pressing._lowered(family)[0].tobytes().decode() == folded(words[0])


def pattern(name: str, began: dt.date, length: int, *, is_open: bool = False, group: int = 0) -> patterns.Pattern:
    return patterns.Pattern(name, is_open, 0.5, days(began), length, (False, group), 0, [0], [], [], [], (0, 0), (0, 0))


def test_plan_keeps_weekdays_and_ends_in_time():
    monday = dt.date(2025, 3, 3)
    told = [
        pattern("collected", monday, 3),
        pattern("deposit", monday + dt.timedelta(days=2), 9, group=1),
        pattern("placed", monday + dt.timedelta(days=4), 0, is_open=True),
        pattern("ready", monday, 4, is_open=True),
    ]
    until = days(UNTIL)
    plan = planning.Plan(
        told, orders=9_000, customers=3_000, until=until, days=730, trail_from=until - 10, books_from=until - 90, seed=4
    )
    (drawn,) = plan.batches()
    shift = drawn.day - np.array([each.began for each in told])[drawn.pattern]
    assert not np.any(shift % 7)
    length = np.array([each.length for each in told])[drawn.pattern]
    assert np.all(drawn.day + length <= until)
    is_open = drawn.pattern >= 2
    assert np.all(drawn.day[is_open] > until - planning.UNCOLLECTED.value[1] - 8)
    assert np.all(drawn.depth[is_open] >= patterns.WORK)
    assert np.all((drawn.depth == patterns.TRAIL) == (drawn.day >= until - 10))
    assert set(Counter(drawn.customer.tolist()).values()) == {3}
    people = drawn.pattern[~is_open], drawn.customer[~is_open]
    kept = {who: set() for who in range(3_000)}
    for which, who in zip(*people, strict=True):
        kept[who].add(which)
    assert max(map(len, kept.values())) == 1, "powers of one person are alike"


def test_drawers_never_run_short():
    """Against the same sums done one movement after the other."""
    rng = np.random.default_rng(2)
    drawer = patterns.Drawer(uuid.uuid4(), stories.LOT, Decimal("6.00"))
    stock = Stock([Branch(code=code) for code in ("A", "B")], [drawer] * 3, days(UNTIL))
    stock.keys(salt=1)
    moves = [(0, 1), (-1, -1)]  # promised and taken out
    lots = np.repeat(rng.integers(0, 6, 400), 2)
    rows = np.column_stack([lots, np.array(moves * 400), np.full(800, days(UNTIL))])
    after = stock.moved(rows)
    came_in = {receipt.lot_id: receipt.on_hand_change for receipt in stock._receipts}
    assert len(stock._receipts) == len(came_in) == 6, "one delivery for each lot, for it was empty"
    held = {place: (1, came_in[stock._id(place)], 0) for place in range(6)}
    for (lot, on_hand, reserved, _), found in zip(rows.tolist(), after.tolist(), strict=True):
        line, here, promised = held[lot]
        held[lot] = (line + 1, here + on_hand, promised + reserved)
        assert tuple(found) == held[lot]
        assert 0 <= held[lot][2] <= held[lot][1]
    assert all(here >= SPARE for _, here, _ in held.values())


@pytest.mark.django_db
@pytest.mark.skipif(connection.vendor == "postgresql", reason="there it is done")
def test_refused_where_it_cannot_be_done():
    with pytest.raises(CommandError, match="PostgreSQL"):
        call_command("generate", branches=1, orders=5, seed=1)
    assert not Branch.objects.exists()


@pytest.mark.postgresql
@pytest.mark.skipif(connection.vendor != "postgresql", reason="COPY is of PostgreSQL")
@pytest.mark.django_db(transaction=True)
def test_pressed_group_holds_and_can_be_worked_with(api, monkeypatch, capsys):
    endings = [
        each for each in stories.ENDINGS if each.name in ("collected", "cancelled_paid", "placed", "ready_unpaid")
    ]
    monkeypatch.setattr(pressing, "ENDINGS", tuple(endings))
    asked = pressing.Asked(
        branches=2, customers=120, orders=300, seed=5, until=UNTIL, years=2, trail_days=20, books_days=90, stories=4
    )
    Account.objects.all().delete()  # the first posting opens them again
    before = schema()
    pressing.Press(asked, print).run()
    assert schema() == before, "indexes, keys and triggers are as they were"

    orders = Order.objects.everywhere(WHY).exclude(branch__code="Z000")
    people = Customer.objects.everywhere(WHY).exclude(branch__code="Z000")
    assert (orders.count(), people.count()) == (300, 120)
    assert all(name.endswith(names.MARK) for name in people.values_list("family_name", flat=True))
    assert ledger_findings() == []
    assert ledger_differences() == []
    assert list(audit_findings()) == []
    assert not EventDelivery.objects.exclude(state="done").exists()
    for order in orders.select_related("customer", "branch").prefetch_related("lines"):
        assert order.total == sum(line.gross for line in order.lines.all())
        assert order.number.startswith(f"{order.branch.code}-O-{order.placed_at.year}-")
        assert order.customer.branch_id == order.branch_id
        assert order.placed_at.date() <= UNTIL
    for series in NumberSeries.objects.filter(kind="O").exclude(branch__code="Z000"):
        given = orders.filter(branch=series.branch, number__contains=f"-O-{series.year}-").order_by("number")
        assert [int(each[-5:]) for each in given.values_list("number", flat=True)] == list(range(1, series.last + 1))
    for branch in Branch.objects.exclude(code="Z000"):
        cash = Payment.objects.everywhere(WHY).filter(branch=branch, method="cash", till_day__isnull=False)
        end = TillDay.objects.everywhere(WHY).filter(branch=branch).order_by("-day").first()
        that_day = sum(cash.filter(till_day=end).values_list("amount", flat=True))
        assert sum(cash.values_list("amount", flat=True)) == end.carried + that_day
        assert end.left_over in (None, end.carried + that_day)
    assert Entry.objects.everywhere(WHY).exclude(branch__code="Z000").exists()

    ready = orders.filter(state="ready").order_by("-id").first()
    client = api(User.objects.get(username=f"manager-{ready.branch.code.lower()}"))
    due = client.get(f"/api/v1/balances/{ready.id}/").json()["due"]
    post(client, "payments", {"order": str(ready.id), "amount": due, "method": "card"})
    post(client, "handovers", {"order": str(ready.id)})
    known = orders.filter(state="collected", branch=ready.branch).prefetch_related("lenses").order_by("-id").first()
    body = {
        "branch": str(known.branch_id),
        "customer": str(known.customer_id),
        "prescription": str(known.prescription_id),
        "measurement": str(known.measurement_id),
        "purpose": known.purpose,
        "frame": str(known.frame_id),
        "lenses": {lens.eye: str(lens.product_id) for lens in known.lenses.all()},
    }
    placed = post(client, "orders", body)
    assert placed["number"].startswith(ready.branch.code)
    outbox.deliver_all()
    assert client.get(f"/api/v1/jobs/?order={placed['id']}").json()["results"]
    oldest = orders.order_by("id").first()
    assert api(User.objects.get(username=f"manager-{oldest.branch.code.lower()}")).get(
        f"/api/v1/orders/{oldest.id}/"
    ).status_code == 200  # fmt: skip
    assert ledger_findings() == []
    assert ledger_differences() == []


def post(client, path, body):
    answer = client.post(f"/api/v1/{path}/", body, format="json", HTTP_IDEMPOTENCY_KEY=str(uuid.uuid4()))
    assert answer.status_code == 201, answer.content
    return answer.json()


def schema() -> list[tuple[str, ...]]:
    """Without brackets and casts: PostgreSQL writes a condition that it has read again with others. Nor with the keys
    that it made itself for each partition: their names are numbered in the order in which the partitions came."""
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT 'index', indexdef FROM pg_indexes WHERE schemaname = 'public'
               UNION ALL SELECT conrelid::regclass::text, conname || pg_get_constraintdef(oid) || convalidated::text
               FROM pg_constraint WHERE connamespace = 'public'::regnamespace AND conparentid = 0
               UNION ALL SELECT tgrelid::regclass::text, tgname || tgenabled::text FROM pg_trigger
               WHERE NOT tgisinternal ORDER BY 1, 2"""
        )
        return [tuple(re.sub(r"::[a-z ]+(\[\])?|[()]", "", part) for part in row) for row in cursor.fetchall()]
