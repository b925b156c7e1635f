"""What the audit trail costs when an order is placed through the API, and how much it grows.

    .venv/bin/pytest -n0 -s tests/benchmarks/audit_placing.py         (add DATABASE_URL=... for PostgreSQL)

Orders are placed in turns with the triggers in place and lifted, in one transaction that is thrown away; medians of the
wall clock, so that neighbours on the machine weigh on both. Then one customer is read in turns with and without the
middleware's write.
"""

from __future__ import annotations

import statistics
import time
from decimal import Decimal

import pytest
from django.db import connection

from opticshop.audit import triggers
from opticshop.audit.models import AuditEntry, AuditRead
from opticshop.stock import services as stock
from tests.orders.conftest import receive, world  # noqa: F401

ROUNDS = 25


@pytest.mark.django_db
def test_cost(api, clerk, world, monkeypatch):  # noqa: F811
    for sphere, cylinder in (("-4.00", "-1.00"), ("-4.50", "0.00")):
        receive(world.branch, stock.lens_item_ensure(world.lens, Decimal(sphere), Decimal(cylinder)), 4 * ROUNDS)
    receive(world.branch, stock.frame_item_ensure(world.frame), 4 * ROUNDS)
    client, body = api(clerk), world.body()

    def place() -> float:
        began = time.perf_counter()
        assert client.post("/api/v1/orders/", body, format="json").status_code == 201
        return time.perf_counter() - began

    place()
    first = AuditEntry.objects.order_by("-id").first().id
    place()
    made = AuditEntry.objects.filter(id__gt=first)
    print(f"\n{connection.vendor}: {made.count()} entries an order")
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f"SELECT sum(pg_column_size(t)) FROM audit_auditentry t WHERE id > {first}")
            print("bytes of rows an order:", cursor.fetchone()[0])
        else:
            names = [field.column for field in AuditEntry._meta.local_concrete_fields]
            size = " + ".join(f'coalesce(length("{name}"), 0)' for name in names)
            cursor.execute(f"SELECT sum({size}) FROM audit_auditentry WHERE id > {first}")
            print("characters of rows an order:", cursor.fetchone()[0])
        cursor.execute(
            f"SELECT table_name, action, count(*) FROM audit_auditentry WHERE id > {first} GROUP BY 1, 2 ORDER BY 1"
        )
        print(cursor.fetchall())
    with_trail, without = [], []
    for _ in range(ROUNDS // 5):
        place()  # after a change of the schema the first one prepares its statements anew
        with_trail += [place() for _ in range(4)]
        triggers.lift(connection)
        place()
        without += [place() for _ in range(4)]
        triggers.install(connection)
    ratio = statistics.median(with_trail) / statistics.median(without)
    print(f"place: {statistics.median(with_trail):.4f} s with, {statistics.median(without):.4f} s without: {ratio:.3f}")

    def read() -> float:
        began = time.perf_counter()
        assert client.get(f"/api/v1/customers/{world.customer.pk}/").status_code == 200
        return time.perf_counter() - began

    noted, plain = [], []
    for _ in range(ROUNDS):
        noted.append(read())
        with monkeypatch.context() as patched:
            patched.setattr("opticshop.audit.middleware.reads_write", lambda *a, **k: None)
            plain.append(read())
    print(f"read: {statistics.median(noted):.4f} s with, {statistics.median(plain):.4f} s without")
    print("reads:", AuditRead.objects.count())
