"""Every change of a row is written down by the database itself: whoever makes it, and however."""

from __future__ import annotations

import hashlib
import json
import threading

import pytest
from django.core.checks import run_checks
from django.core.management import call_command
from django.db import DatabaseError, connection, transaction

from opticshop.accounts.models import Membership
from opticshop.audit import triggers
from opticshop.audit.middleware import plain_route
from opticshop.audit.models import AuditEntry, AuditRead, AuditReadSubject, AuditSeal
from opticshop.audit.services import note
from opticshop.core import acting, outbox
from opticshop.core.actor import system
from opticshop.core.duties import duty, duty_named
from opticshop.customers.models import Customer
from opticshop.pluginhost.models import PluginActivation
from opticshop.prescriptions.models import PrescribedEye
from opticshop.workshop.models import Bench
from tests.factories import CustomerFactory, PrescriptionFactory

URL = "/api/v1/customers/"


def entries(table: str, **wanted):
    return list(AuditEntry.objects.filter(table_name=table, **wanted).order_by("id"))


def register(client, branch, **details):
    body = {"branch": str(branch.id), "given_name": "Wren", "family_name": "Alder", **details}
    return client.post(URL, body, format="json", headers={"X-Request-ID": "request-of-the-test"})


@pytest.mark.django_db
def test_a_new_row_is_written_down_with_who_what_from_where_and_in_which_request(api, clerk, mill):
    answer = register(api(clerk), mill)
    (entry,) = entries("customers_customer")
    assert (entry.action, entry.row_id) == ("create", answer.json()["id"])
    assert (entry.actor_id, entry.actor_label, entry.actor_kind, entry.via) == (clerk.id, "Clerk", "person", "session")
    assert (entry.address, entry.method, entry.route) == ("127.0.0.1", "POST", "api/v1/customers/")
    assert entry.request_id == "request-of-the-test"
    assert str(entry.customer_id) == answer.json()["id"]
    assert entry.branch_id == mill.id
    assert entry.before is None
    assert entry.after["family_name"] == "Alder"


@pytest.mark.django_db
def test_a_change_is_written_down_with_the_columns_that_changed_and_no_others(api, clerk, mill):
    client = api(clerk)
    made = register(client, mill)
    headers = {"If-Match": made["ETag"], "X-Access-Reason": "she married"}
    client.patch(f"{URL}{made.json()['id']}/", {"family_name": "Oak"}, format="json", headers=headers)
    entry = entries("customers_customer")[-1]
    assert (entry.action, entry.reason, entry.route) == ("change", "she married", "api/v1/customers/{pk}/")
    assert entry.before == {"version": 1, "family_name": "Alder", "search_family": "alder"}
    assert entry.after == {"version": 2, "family_name": "Oak", "search_family": "oak"}


@pytest.mark.django_db
def test_bulk_updates_raw_sql_and_deletes_are_written_down_too(mill):
    rows = [Bench.objects.create(branch=mill, code=f"B{n}", name="Bench (invented)") for n in (1, 2)]
    Bench.objects.everywhere("test").update(name="Moved (invented)")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE workshop_bench SET code = 'Z9' WHERE code = 'B2'")
    Bench.objects.everywhere("test").filter(pk=rows[0].pk).delete()
    found = entries("workshop_bench")
    assert [entry.action for entry in found] == ["create", "create", "change", "change", "change", "delete"]
    assert (found[4].before, found[4].after) == ({"code": "B2"}, {"code": "Z9"})
    assert (found[5].before["name"], found[5].after, found[5].row_id) == ("Moved (invented)", None, str(rows[0].pk))


@pytest.mark.django_db
def test_a_change_that_changes_nothing_or_only_counts_is_no_entry(clerk):
    before = len(entries("accounts_user"))
    clerk.save()
    type(clerk).objects.filter(pk=clerk.pk).update(last_login="2026-03-02T12:00:00Z")
    assert len(entries("accounts_user")) == before


@pytest.mark.django_db
def test_secrets_are_never_copied_and_files_and_long_texts_only_by_what_they_are(clerk, mill):
    clerk.set_password("a word that nobody guesses")
    clerk.save()
    entry = entries("accounts_user")[-1]
    assert (entry.before, entry.after) == ({"password": "changed"}, {"password": "changed"})
    PluginActivation.objects.create(plugin="console-messages", settings={"key": "very-secret"})
    assert "very-secret" not in json.dumps(entries("pluginhost_pluginactivation")[-1].after)
    person = CustomerFactory(branch=mill, note="long " * 1000)
    assert entries("customers_customer", row_id=str(person.pk))[-1].after["note"] in (
        "long: 5000 characters",
        "long: 5002 characters",  # PostgreSQL counts the quotes of the JSON
    )


@pytest.mark.django_db
def test_a_file_is_written_down_as_its_sha_256(mill, manager):
    from opticshop.imports.models import ImportFile

    content = b"given;family\r\n"
    fields = {field.name for field in ImportFile._meta.fields}
    assert "content" in fields
    shape = triggers.audited()["imports_importfile"]
    assert "content" not in shape.secret
    made = ImportFile.objects.create(
        branch=mill,
        kind="customers",
        file_name="people.csv",
        content=content,
        size=len(content),
        sha256="0" * 64,
        headings=[],
        rows_total=0,
        preview=[],
        mapping={},
        uploaded_by=manager,
    )
    entry = entries("imports_importfile", row_id=str(made.pk))[-1]
    assert hashlib.sha256(content).hexdigest() in entry.after["content"]


@pytest.mark.django_db
def test_a_row_that_hangs_on_another_names_the_person_all_the_same(mill, clerk):
    prescription = PrescriptionFactory(branch=mill)
    eye = PrescribedEye.objects.filter(prescription=prescription).first()
    assert eye is not None
    PrescribedEye.objects.filter(pk=eye.pk).update(sphere_dpt="-2.50")
    entry = entries("prescriptions_prescribedeye", row_id=str(eye.pk))[-1]
    assert entry.action == "change"
    assert entry.customer_id == prescription.customer_id


@pytest.mark.django_db
def test_what_is_rolled_back_was_never_done_and_the_next_actor_is_not_the_last(api, clerk, manager, mill):
    """On PostgreSQL the setting goes with the savepoint; what comes after must be told again who acts."""
    register(api(clerk), mill, family_name="")
    with acting.tracing(acting.Trace(actor_label="first")):
        with transaction.atomic():
            CustomerFactory(branch=mill)
            transaction.set_rollback(True)
        kept = CustomerFactory(branch=mill)
    with acting.tracing(acting.Trace(actor_label="second")):
        Customer.objects.everywhere("test").filter(pk=kept.pk).update(note="x")
    Customer.objects.everywhere("test").filter(pk=kept.pk).update(note="y")
    assert [entry.actor_label for entry in entries("customers_customer")] == ["first", "second", "unknown"]


@pytest.mark.django_db(transaction=True)
def test_each_thread_and_each_statement_of_its_own_is_told_who_acts(mill):
    """Outside of a transaction too, and a connection that is used again carries nobody over."""

    def work(label: str) -> None:
        with acting.tracing(acting.Trace(actor_label=label)), connection.cursor() as cursor:
            cursor.execute("UPDATE branches_branch SET tax_number = %s", [label])
        connection.close()

    for label in ("one", "two"):
        thread = threading.Thread(target=work, args=(label,))
        thread.start()
        thread.join()
    work("three")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE branches_branch SET tax_number = 'none'")
    found = entries("branches_branch", action="change")
    assert [entry.actor_label for entry in found] == ["one", "two", "three", "unknown"]
    assert found[-1].via


@pytest.mark.django_db
def test_a_handler_and_a_duty_act_in_their_own_name(mill):
    def handle(event) -> None:
        mill.__class__.objects.filter(pk=mill.pk).update(tax_number="by handler")

    outbox.subscribe("test.happened", "test.handler")(handle)
    try:
        with transaction.atomic():
            event = outbox.record(
                event_type="test.happened", subject="x/1", actor=system("test"), branch_id=mill.id, data={}
            )
        outbox.deliver_all()
    finally:
        outbox.unsubscribe("test.happened", "test.handler")
    entry = entries("branches_branch")[-1]
    assert (entry.actor_label, entry.actor_kind) == ("system:test.handler", "system")
    assert entry.reason == f"test.happened {event.id} of system:test"
    known = duty_named("audit.seal")
    assert known is not None
    assert duty("audit.seal", every_seconds=10)(known.run.__wrapped__)  # the same function may be declared again


@pytest.mark.django_db
def test_sign_in_and_its_failure_are_written_down_without_a_name_that_nobody_has(client, clerk, mill):
    clerk.set_password("a word that nobody guesses")
    clerk.save()
    client.post("/sign-in/", {"username": "clerk", "password": "wrong"})
    client.post("/sign-in/", {"username": "my password by mistake", "password": "x"})
    client.post("/sign-in/", {"username": "clerk", "password": "a word that nobody guesses"})
    found = list(AuditEntry.objects.filter(action__startswith="sign-in").order_by("id"))
    assert [(each.action, each.row_id) for each in found] == [
        ("sign-in-failed", str(clerk.pk)),
        ("sign-in-failed", ""),
        ("sign-in", str(clerk.pk)),
    ]
    assert [each.actor_label for each in found] == ["nobody", "nobody", "Clerk"]
    assert "mistake" not in json.dumps([each.after for each in found])
    assert found[0].address == "127.0.0.1"


@pytest.mark.django_db
def test_a_role_given_and_taken_is_written_down(head_office):
    Membership.objects.filter(user=head_office).delete()
    given, taken = entries("accounts_membership")
    assert (given.action, taken.action, taken.row_id) == ("create", "delete", given.row_id)
    assert (taken.before["role"], taken.before["user_id"]) == ("head_office", str(head_office.pk))


@pytest.mark.django_db
@pytest.mark.parametrize("table", ["audit_auditentry", "audit_auditread", "audit_auditreadsubject", "audit_auditseal"])
def test_the_database_refuses_to_change_or_delete_what_was_written(table, mill):
    read = AuditRead.objects.create(kind="x")
    AuditReadSubject.objects.create(read=read, customer_id=mill.id)
    AuditSeal.objects.create(
        number=1, at="2026-03-02T12:00:00Z", entries_after=0, entries_upto=0, entry_count=0, reads_after=0,
        reads_upto=0, read_count=0, leaves=b"", previous_hash="0", hash="1",
    )  # fmt: skip
    key = "number" if table == "audit_auditseal" else "id"
    statements = [f"UPDATE {table} SET {key} = {key}", f"DELETE FROM {table}"]
    if connection.vendor == "postgresql":
        statements.append(f"SET CONSTRAINTS ALL IMMEDIATE; TRUNCATE {table} CASCADE")
    for statement in statements:
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)


@pytest.mark.django_db
def test_a_missing_trigger_is_warned_of_and_put_back():
    assert run_checks(databases=["default"], tags=["database"]) == []
    name = next(iter(triggers.present(connection)))
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f'DROP FUNCTION "{name}"() CASCADE')
        else:
            cursor.execute(f'DROP TRIGGER "{name}"')
    assert [each.id for each in run_checks(databases=["default"], tags=["database"])] == ["audit.W001"]
    call_command("audit_install", verbosity=0)
    assert run_checks(databases=["default"], tags=["database"]) == []
    assert triggers.install(connection) == 0


@pytest.mark.django_db
def test_other_things_can_be_noted(mill):
    note(action="export", table="customers_customer", branch_id=mill.id, after={"rows": 3})
    entry = AuditEntry.objects.get(action="export")
    assert (entry.after, entry.branch_id) == ({"rows": 3}, mill.id)
    with pytest.raises(ValueError, match="nonsense"):
        note(action="nonsense")


@pytest.mark.parametrize(
    ("route", "plain"),
    [
        ("api/v1/orders/(?P<pk>[0-9a-fA-F-]{36})/$", "api/v1/orders/{pk}/"),
        ("^a/(?P<b>(x|y)z)/c\\.csv$", "a/{b}/c.csv"),
        ("calendars/<str:token>.ics", "calendars/{token}.ics"),
    ],
)
def test_a_route_is_written_without_its_patterns(route, plain):
    assert plain_route(route) == plain
