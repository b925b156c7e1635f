"""The reporting set: no direct identifier, joined within a set and not between sets (GDPR, article 4(5))."""

from __future__ import annotations

import csv
import datetime as dt
import hmac
import io

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from opticshop.customers.models import Customer
from opticshop.orders.models import Order
from tests.factories import CustomerFactory, OrderFactory

pytestmark = pytest.mark.django_db


def made(folder, **more):
    days = {"first": dt.date(2026, 1, 1), "last": dt.date(2026, 12, 31)}
    call_command("reporting_set", folder, **days, stdout=io.StringIO(), **more)
    found = {}
    for path in folder.glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            found[path.stem] = list(csv.DictReader(file))
    return found


def test_nobody_is_named_and_files_join_within_one_set_only(tmp_path, mill):
    wren = CustomerFactory(branch=mill, email="wrenmark@example.org", phone="020 7946 0777", note="notemark")
    order = OrderFactory(customer=wren, branch=mill, note="ordernotemark")
    held = OrderFactory(customer=CustomerFactory(branch=mill), branch=mill)
    Customer.objects.everywhere("test").filter(id=held.customer_id).update(restricted_at=order.placed_at)
    twin = CustomerFactory(branch=mill, merged_into=wren)
    OrderFactory(customer=twin, branch=mill)
    one, two = made(tmp_path / "one"), made(tmp_path / "two", keep_key=tmp_path / "key")
    text = "".join(path.read_text() for path in (tmp_path / "one").iterdir())
    marks = [wren.family_name, wren.email, wren.phone, wren.note, order.note, order.number, "1984-03-09"]
    marks += [str(key) for row in Order.objects.everywhere("test") for key in (row.id, row.customer_id)]
    assert [mark for mark in marks if mark in text] == []
    [person] = one["persons"]
    assert (person["branch"], person["born"]) == ("MILL", "1980-1989")
    assert {row["person"] for row in one["orders"]} == {person["person"]}, "merged records are one person"
    assert {row["order"] for row in one["sales"]} == {row["order"] for row in one["orders"]}
    assert len(one["orders"]) == 2, "who is restricted is not in it"
    assert one["small-cells"] == [{"branch": "MILL", "born": "1980-1989", "persons": "1"}]
    assert not {row["order"] for row in one["orders"]} & {row["order"] for row in two["orders"]}
    key = bytes.fromhex((tmp_path / "key").read_text())
    again = hmac.digest(key, f"person/{wren.id}".encode(), "sha256").hex()[:16]
    assert two["persons"][0]["person"] == again, "the kept key opens it"


def test_a_set_is_written_once_and_its_key_lies_outside(tmp_path, db):
    made(tmp_path / "set")
    with pytest.raises(CommandError, match="there already"):
        made(tmp_path / "set")
    with pytest.raises(CommandError, match="outside"):
        made(tmp_path / "other", keep_key=tmp_path / "other" / "key")
