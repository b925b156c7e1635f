"""Finding records that may be of one person."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection

from opticshop.core.actor import system
from opticshop.customers import selectors
from opticshop.customers.models import Customer
from opticshop.customers.selectors import customers_like, duplicates_visible_to
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/customers/duplicates/"
PHONE = {"phone": "020 7946 0018", "phone_e164": "+442079460018"}


def found(client, query=""):
    """(newer, older) -> why"""
    answer = client.get(f"{URL}{query}")
    assert answer.status_code == 200, answer.data
    return {
        (row["customer"]["id"], other["customer"]["id"]): other["why"]
        for row in answer.data["results"]
        for other in row["alike"]
    }


@pytest.mark.parametrize(
    ("older", "newer", "why"),
    [
        (PHONE, PHONE, ["phone"]),
        ({"email": "Wren@Example.org"}, {"email": "wren@example.ORG"}, ["email"]),
        ({"family_name": "Fell"}, {"family_name": "Féll"}, ["name_and_birth_date"]),
        (PHONE | {"family_name": "Fell"}, PHONE | {"family_name": "Fell"}, ["phone", "name_and_birth_date"]),
        ({"family_name": "Fell", "birth_date": None}, {"family_name": "Fell", "birth_date": None}, None),
        ({"family_name": "Fell"}, {"family_name": "Fell", "birth_date": dt.date(1990, 1, 1)}, None),
        ({"email": ""}, {"email": ""}, None),
    ],
)
def test_pairs_are_named_with_why(api, manager, mill, older, newer, why):
    first = CustomerFactory(branch=mill, **older)
    second = CustomerFactory(branch=mill, **newer)
    CustomerFactory(branch=mill)
    expected = {} if why is None else {(str(second.id), str(first.id)): why}
    assert found(api(manager)) == expected


def test_a_child_with_the_guardians_phone_and_a_merged_record_are_none(api, manager, mill):
    adult = CustomerFactory(branch=mill, **PHONE)
    CustomerFactory(branch=mill, guardian=adult, **PHONE)
    CustomerFactory(branch=mill, merged_into=adult, **PHONE)
    assert found(api(manager)) == {}


def test_nothing_of_another_branch_is_seen(api, manager, head_office, clerk, mill, quay):
    older, newer = CustomerFactory(branch=quay, **PHONE), CustomerFactory(branch=mill, **PHONE)
    assert found(api(manager)) == {}
    assert list(found(api(head_office))) == [(str(newer.id), str(older.id))]
    assert list(found(api(head_office), f"?branch={mill.id}")) == [(str(newer.id), str(older.id))]
    assert found(api(head_office), f"?branch={quay.id}") == {}
    assert api(clerk).get(URL).status_code == 403


def test_pages_cost_the_same_however_many_there_are(api, manager, mill, queries):
    client = api(manager)

    def pairs(start, count):
        for number in range(start, start + count):
            same = {"email": f"same{number}@example.org", "phone_e164": f"+4420794600{number:02d}"}
            CustomerFactory.create_batch(2, branch=mill, **same)

    pairs(10, 1)
    few = queries(lambda: client.get(URL))
    pairs(20, 6)
    assert queries(lambda: client.get(URL)) == few
    page = client.get(f"{URL}?page_size=4").data
    assert len(page["results"]) == 4
    assert len(client.get(page["next"]).data["results"]) == 3


def test_many_who_share_a_phone_name_only_the_oldest_few(api, manager, mill):
    crowd = CustomerFactory.create_batch(9, branch=mill, **PHONE)
    oldest = [str(each.id) for each in crowd[:5]]
    rows = api(manager).get(URL).data["results"]
    assert len(rows) == 8
    assert [other["customer"]["id"] for other in rows[0]["alike"]] == oldest


def plan(queryset):
    prefix = "EXPLAIN QUERY PLAN" if connection.vendor == "sqlite" else "EXPLAIN"
    sql, params = queryset.query.sql_with_params()
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL enable_seqscan = off")
        cursor.execute(f"{prefix} {sql}", params)
        return "\n".join(str(row[-1]) for row in cursor.fetchall())


def test_who_is_shown_as_alike_is_read_and_written_down(api, manager, mill):
    from opticshop.audit.models import AuditRead

    older = CustomerFactory(branch=mill, email="same@example.org")
    newer = CustomerFactory(branch=mill, email="same@example.org")
    assert len(api(manager).get(URL).json()["results"]) == 1
    (read,) = AuditRead.objects.all()
    assert {each.customer_id for each in read.subjects.all()} == {older.pk, newer.pk}


def test_near_duplicates_are_looked_up_by_indexes(mill):
    """Whoever registers ten thousand people must not read all of them for each."""
    CustomerFactory.create_batch(3, branch=mill)
    person = Customer(
        email="a@example.org",
        phone_e164="+442079460018",
        search_family="fell",
        search_given="wren",
        birth_date=dt.date(1984, 3, 9),
    )
    assert len(customers_like(system("test"), person)) == 3
    told = {name: getattr(person, name) for name in selectors._STAND_INS}
    text = plan(selectors._like(system("test"), told))
    for index in ("customers_email", "customers_phone", "customers_birth_name"):
        assert index in text, text
    finder = plan(duplicates_visible_to(system("test")))
    for index in ("customers_email", "customers_phone"):
        assert index in finder, finder
