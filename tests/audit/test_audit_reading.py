"""Who opened which records, and head office's search for it."""

from __future__ import annotations

import csv
import io
import uuid

import pytest
from django.db import connection
from django.test import override_settings

from opticshop.audit.models import AuditEntry, AuditRead
from opticshop.audit.services import persons_of
from opticshop.core import acting
from opticshop.orders.models import OrderLine
from tests.factories import BranchFactory, CustomerFactory, OrderFactory, PrescriptionFactory

V1 = "/api/v1"
READS, ENTRIES = f"{V1}/audit/reads/", f"{V1}/audit/entries/"


@pytest.mark.django_db
def test_opening_a_record_is_written_down_and_answers_who_opened_it_and_why(api, clerk, head_office, mill):
    person, other = CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    client = api(clerk)
    client.get(f"{V1}/customers/{person.pk}/", headers={"X-Access-Reason": "asked on the phone"})
    client.get(f"{V1}/customers/{other.pk}/")
    found = api(head_office).get(READS, {"customer": str(person.pk)}).json()["results"]
    assert len(found) == 1
    assert (found[0]["actor"], found[0]["actor_label"]) == (str(clerk.pk), "Clerk")
    assert (found[0]["reason"], found[0]["route"]) == ("asked on the phone", "api/v1/customers/{pk}/")
    assert (found[0]["table"], found[0]["rows"]) == ("customers_customer", [str(person.pk)])
    assert found[0]["customers"] == [str(person.pk)]


@pytest.mark.django_db
def test_a_list_is_a_read_of_everybody_on_the_page(api, clerk, mill):
    people = CustomerFactory.create_batch(3, branch=mill)
    api(clerk).get(f"{V1}/customers/", {"page_size": 2})
    (read,) = AuditRead.objects.all()
    assert set(read.ids) == {str(person.pk) for person in people[1:]}
    assert {each.customer_id for each in read.subjects.all()} == {person.pk for person in people[1:]}


@pytest.mark.django_db
def test_an_answer_not_modified_is_a_read_and_a_refused_one_is_none(api, clerk, outsider, mill):
    person = CustomerFactory(branch=mill)
    url = f"{V1}/customers/{person.pk}/"
    tag = api(clerk).get(url)["ETag"]
    assert api(clerk).get(url, headers={"If-None-Match": tag}).status_code == 304
    assert api(outsider).get(url).status_code == 404
    assert api(None).get(url).status_code == 401
    assert [(read.actor_label, read.status) for read in AuditRead.objects.all()] == [("Clerk", 200), ("Clerk", 304)]


@pytest.mark.django_db
def test_orders_and_prescriptions_are_reads_of_their_customers(api, clerk, mill):
    prescription = PrescriptionFactory(branch=mill)
    client = api(clerk)
    client.get(f"{V1}/prescriptions/{prescription.pk}/")
    (read,) = AuditRead.objects.all()
    assert [each.customer_id for each in read.subjects.all()] == [prescription.customer_id]


@pytest.mark.django_db
def test_a_read_by_fhir_is_written_down(api, clerk, mill):
    person = CustomerFactory(branch=mill)
    client = api(clerk)
    assert client.get(f"/fhir/r4/Patient/{person.pk}").status_code == 200
    assert client.get("/fhir/r4/Patient").status_code == 200
    assert [[each.customer_id for each in read.subjects.all()] for read in AuditRead.objects.order_by("id")] == [
        [person.pk],
        [person.pk],
    ]


@pytest.mark.django_db
def test_branches_and_articles_are_no_records_of_people(api, clerk, mill):
    client = api(clerk)
    assert client.get(f"{V1}/branches/").status_code == 200
    assert client.get(f"{V1}/frames/").status_code == 200
    assert not AuditRead.objects.exists()


@pytest.mark.django_db
def test_writing_a_read_down_costs_the_same_for_one_and_for_many(api, clerk, mill, queries):
    client = api(clerk)
    CustomerFactory(branch=mill)
    one = queries(lambda: client.get(f"{V1}/customers/"))
    CustomerFactory.create_batch(5, branch=mill)
    assert queries(lambda: client.get(f"{V1}/customers/")) == one


@pytest.mark.django_db
def test_an_answer_goes_out_though_its_read_cannot_be_written(api, clerk, mill, monkeypatch, caplog):
    def broken(*args, **kwargs):
        raise RuntimeError("disk full")

    monkeypatch.setattr("opticshop.audit.middleware.reads_write", broken)
    person = CustomerFactory(branch=mill)
    assert api(clerk).get(f"{V1}/customers/{person.pk}/").status_code == 200
    assert "was not written into the audit trail" in caplog.text


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite is told once for each connection")
@pytest.mark.parametrize("waits", [False, True])
def test_an_answer_waits_for_the_disk_only_if_it_is_to(api, clerk, mill, settings, waits):
    """``synchronous_commit``: PostgreSQL's documentation, 30.4; whatever is set holds for the note alone."""
    settings.OPTICSHOP_READS_WAIT_FOR_DISK = waits
    person = CustomerFactory(branch=mill)
    seen = []

    def tell(execute, sql, params, many, context):
        if "audit_auditread " in sql:
            with connection.cursor() as cursor:
                cursor.execute("SET SESSION synchronous_commit = on")
            seen.append(sql)
        return execute(sql, params, many, context)

    with connection.execute_wrapper(tell):
        assert api(clerk).get(f"{V1}/customers/{person.pk}/").status_code == 200
    assert ["synchronous_commit" in sql for sql in seen] == [not waits]
    with connection.cursor() as cursor:
        cursor.execute("SHOW synchronous_commit")
        assert cursor.fetchone() == ("on",)
        cursor.execute("RESET synchronous_commit")
    assert AuditRead.objects.count() == 1


@pytest.mark.django_db
def test_only_head_office_asks_the_trail(api, clerk, hand, manager, bookkeeper, head_office):
    for path in (ENTRIES, READS, f"{V1}/audit/seals/", f"{ENTRIES}entries.csv/", f"{READS}reads.csv/"):
        assert [api(user).get(path).status_code for user in (None, clerk, hand, manager, bookkeeper)] == [
            401, 403, 403, 403, 403,
        ]  # fmt: skip
        assert api(head_office).get(path).status_code == 200


@pytest.mark.django_db
def test_entries_are_found_by_each_filter(api, clerk, head_office, mill):
    office = api(head_office)
    trace = acting.Trace(
        actor_id=clerk.pk, actor_label="Clerk", address="2001:db8::7", request_id="request-4711", method="POST"
    )
    with acting.tracing(trace):
        person = CustomerFactory(branch=mill)
    CustomerFactory(branch=BranchFactory())
    mine = {"table": "customers_customer", "row": str(person.pk)}
    for asked in (
        mine,
        {"customer": str(person.pk)},
        {"actor": str(clerk.pk)},
        {"branch": str(mill.pk), "table": "customers_customer"},
        {"request_id": "request-4711"},
        {"address": "2001:0db8:0:0::7"},  # another writing of the same address, RFC 4291 section 2.2
        {**mine, "action": "create", "at_from": "2026-01-01T00:00:00Z"},
    ):
        found = office.get(ENTRIES, asked).json()["results"]
        assert [entry["row"] for entry in found] == [str(person.pk)], asked
    for asked in ({**mine, "action": "delete"}, {**mine, "at_to": "2020-01-01T00:00:00Z"}, {"address": "nonsense"}):
        assert office.get(ENTRIES, asked).json()["results"] == []
    assert office.get(ENTRIES, {"action": "nonsense"}).status_code == 400
    one = office.get(f"{ENTRIES}{found[0]['id']}/").json()
    assert one == found[0]
    assert office.get(f"{ENTRIES}999999999/").status_code == 404


@pytest.mark.django_db
def test_lists_of_the_trail_take_a_constant_number_of_queries(api, head_office, clerk, mill, queries):
    office = api(head_office)
    CustomerFactory(branch=mill)
    api(clerk).get(f"{V1}/customers/")
    few = [queries(lambda path=path: office.get(path)) for path in (ENTRIES, READS)]
    CustomerFactory.create_batch(4, branch=mill)
    api(clerk).get(f"{V1}/customers/")
    assert [queries(lambda path=path: office.get(path)) for path in (ENTRIES, READS)] == few


@pytest.mark.django_db
def test_the_trail_is_exported_as_csv_that_no_spreadsheet_runs(api, head_office, mill, clerk):
    with acting.tracing(acting.Trace(actor_label="=HYPERLINK(1)", reason="@SUM(1)")):
        person = CustomerFactory(branch=mill)
    answer = api(head_office).get(f"{ENTRIES}entries.csv/", {"customer": str(person.pk)})
    text = b"".join(answer.streaming_content).decode()
    heading, row = csv.reader(io.StringIO(text))
    found = dict(zip(heading, row, strict=True))
    assert (found["actor_label"], found["reason"]) == ("'=HYPERLINK(1)", "'@SUM(1)")
    assert found["row"] == str(person.pk)
    assert AuditEntry.objects.filter(action="export", actor_id=head_office.pk).count() == 1
    api(clerk).get(f"{V1}/customers/{person.pk}/")
    answer = api(head_office).get(f"{READS}reads.csv/", {"customer": str(person.pk)})
    assert str(person.pk) in b"".join(answer.streaming_content).decode()


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("behind", "address"), [(False, "127.0.0.1"), (True, "203.0.113.9")], ids=["without a proxy", "behind a proxy"]
)
def test_a_forwarded_address_is_believed_only_behind_our_own_proxy(api, clerk, mill, behind, address):
    """203.0.113.0/24 and 198.51.100.0/24 are for documentation (RFC 5737). The last one is what our proxy added."""
    person = CustomerFactory(branch=mill)
    with override_settings(OPTICSHOP_BEHIND_PROXY=behind):
        headers = {"X-Forwarded-For": "198.51.100.1, 203.0.113.9"}
        api(clerk).get(f"{V1}/customers/{person.pk}/", headers=headers)
    assert AuditRead.objects.get().address == address


@pytest.mark.django_db
@pytest.mark.parametrize(("given", "kept"), [("fe80::1%eth0", "fe80::1"), ("fe80::1%", "fe80::1"), ("%eth0", None)])
def test_the_zone_of_a_link_local_address_is_left_out(api, clerk, mill, given, kept):
    """RFC 4007, 11: a zone has meaning within one machine only; inet of PostgreSQL takes none."""
    person = CustomerFactory(branch=mill)
    client = api(clerk)
    assert client.get(f"{V1}/customers/{person.pk}/", REMOTE_ADDR=given).status_code == 200
    body = {"branch": str(mill.id), "given_name": "Wren", "family_name": "Alder"}
    assert client.post(f"{V1}/customers/", body, format="json", REMOTE_ADDR=given).status_code == 201
    assert AuditRead.objects.get().address == kept
    written = AuditEntry.objects.filter(table_name="customers_customer", route__contains="customers")
    assert set(written.values_list("address", flat=True)) <= {kept, "127.0.0.1"}  # of the database, where none is known


@pytest.mark.django_db
def test_a_reason_of_any_kind_breaks_nothing(api, clerk, mill):
    person = CustomerFactory(branch=mill)
    for reason in ("x" * 5000, "tab\tand more", '"quoted" \\u0000 {}'):
        assert api(clerk).get(f"{V1}/customers/{person.pk}/", headers={"X-Access-Reason": reason}).status_code == 200
    assert AuditRead.objects.count() == 3
    body = {"branch": str(mill.id), "given_name": "Wren", "family_name": "Alder"}
    answer = api(clerk).post(f"{V1}/customers/", body, format="json", headers={"X-Access-Reason": '\\u0000 "{'})
    assert answer.status_code == 201
    assert uuid.UUID(answer.json()["id"])


@pytest.mark.django_db
def test_rows_that_hang_on_an_order_are_about_its_customer_by_one_query(mill, django_assert_num_queries):
    orders = [OrderFactory(branch=mill), OrderFactory(branch=mill)]
    lines = [line for order in orders for line in order.lines.all()]
    people = {order.customer_id for order in orders}
    with django_assert_num_queries(0):
        assert persons_of(OrderLine, lines) == people, "their orders were read already"
    lines = list(OrderLine.objects.filter(order__in=orders))
    with django_assert_num_queries(1):
        assert persons_of(OrderLine, lines) == people
