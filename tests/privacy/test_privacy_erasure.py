"""Erasure: what goes is nowhere afterwards, what stays is what the table says, and it ends when its time is over.

GDPR, article 17(1) and (3); what stays and how long: ``config/retention.py`` with its sources.
"""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.apps import apps
from django.db import DatabaseError, connection, transaction

from opticshop.appointments.models import Appointment
from opticshop.audit.models import AuditEntry
from opticshop.core import append_only, clock, idempotency, outbox
from opticshop.core.actor import system
from opticshop.core.models import EventDelivery, IdempotencyRecord, OutboxEvent
from opticshop.correspondence.models import Message
from opticshop.customers.merged import CustomerErased
from opticshop.customers.models import Customer
from opticshop.customers.services import customer_amend
from opticshop.imports.models import ImportRow
from opticshop.orders.models import Order, Quotation
from opticshop.orders.services import order_cancel
from opticshop.privacy import services
from opticshop.privacy.models import KeptIdentity
from opticshop.privacy.persons import person_of, personal_models
from opticshop.privacy.planning import plan_for
from opticshop.privacy.rules import AtErasure, policy
from opticshop.privacy.services import erasing
from opticshop.privacy.services.scrubbing import values_going
from opticshop.quality.models import PairReturn
from opticshop.reminders.models import Recall
from opticshop.stock.models import Movement
from tests.factories import CustomerFactory, OrderFactory
from tests.prescriptions.bodies import prescription as prescription_body

pytestmark = pytest.mark.django_db
ACTOR = system("test")


@pytest.fixture
def unobstructed(monkeypatch):
    """The rows of the marked person are not in states that agree with one another."""
    monkeypatch.setattr(erasing, "obstacles_of", lambda person: [])


def tables_now():
    """Everything that the database holds, table by table, as text."""
    found = {}
    with connection.cursor() as cursor:
        for model in apps.get_models(include_auto_created=True):
            table = model._meta.db_table
            cursor.execute(f'SELECT * FROM "{table}"')
            rows = [bytes(each) if isinstance(each, memoryview) else each for row in cursor.fetchall() for each in row]
            texts = (each.decode("utf-8", "replace") if isinstance(each, bytes) else str(each) for each in rows)
            found[table] = "\n".join(texts)
    return found


def may_keep_values():
    kept = {table for table, rule in policy().rules.items() if rule.at_erasure == AtErasure.KEEP}
    return kept | {table for table, each in policy().beyond.items() if each.keeps_values}


def plant_copies(marked, person):
    """What the kernel and the imports keep of a person beside the tables that lead to them."""
    OutboxEvent.objects.create(
        type="customers.changed",
        subject=f"customers/{person.id}",
        actor_label="test",
        data={"customer": str(person.id), "detail": [f"mail to {person.email} came back"]},
    )
    claim = idempotency.claim(credential="c", route="POST /customers/", key="k", body=b"")
    body = f'{{"id": "{person.id}", "family_name": "{person.family_name}"}}'.encode()
    idempotency.store_answer(claim.record, status=201, body=body, content_type="application/json", headers={})
    row = marked.row(ImportRow, "mill")
    ImportRow.objects.everywhere("test").filter(id=row.id).update(
        cells=[person.given_name, person.family_name, person.email], external_id="", state="failed"
    )
    return row


def test_nothing_of_the_person_is_left_but_where_the_table_says_so(marked, person, unobstructed):
    row = plant_copies(marked, person)
    before = person_of(person)
    gone = sorted(values_going(before, plan_for(before)))
    assert len(gone) > 20
    assert person.email in gone
    assert person.family_name in gone
    written = AuditEntry.objects.latest("id").id
    services.person_erase(actor=ACTOR, customer=person, because="test")
    pattern = re.compile("|".join(rf"{re.escape(each)}(?!\d)" for each in gone))
    allowed = may_keep_values()
    found = {table: set(pattern.findall(text)) for table, text in tables_now().items() if table not in allowed}
    assert {table: sorted(marks) for table, marks in found.items() if marks} == {}
    assert IdempotencyRecord.objects.get(key="k").status == 201, "a repeated request writes nothing"
    assert ImportRow.objects.everywhere("test").get(id=row.id).cells == []
    assert Message.objects.everywhere("test").get(customer=person).state == "withdrawn"
    entries = AuditEntry.objects.filter(id__gt=written)
    told = {(each.table_name, each.row_id): each for each in entries if each.action == "change"}
    mine = told["customers_customer", str(person.id)]
    assert mine.before["email"] == "erased", "which columns were emptied is on record"
    assert mine.after["email"] == ""
    held = " ".join(f"{each.before} {each.after}" for each in entries)
    assert not pattern.search(held), "but not once more what they held"


def test_what_must_be_kept_ends_when_its_time_is_over_and_nothing_else_does(
    api, head_office, manager, person, unobstructed
):
    services.person_erase(actor=ACTOR, customer=person, because="test")
    kept = KeptIdentity.objects.everywhere("test").get(customer=person)
    assert (kept.given_name, kept.kept_until) == (person.given_name, dt.date(2036, 3, 2))
    url = f"/api/v1/privacy/kept-identities/?customer={person.id}"
    assert [each["family_name"] for each in api(head_office).get(url).data["results"]] == [person.family_name]
    assert api(manager).get(url).status_code == 403
    held = set(person_of(person).keys)
    six, ten = dt.date(2032, 3, 2), dt.date(2036, 3, 2)
    with clock.at(dt.datetime(2032, 3, 1, tzinfo=dt.UTC)):
        services.person_erase(actor=ACTOR, customer=person, because="test", today=six - dt.timedelta(days=1))
    assert held - set(person_of(person).keys) == {"appointments_appointment", "correspondence_message"}, "two years"
    with clock.at(dt.datetime(2036, 3, 3, tzinfo=dt.UTC)):
        services.person_erase(actor=ACTOR, customer=person, because="test", today=ten + dt.timedelta(days=1))
    left = set(person_of(person).keys)
    ours = {table for table in left if table.startswith("privacy_")}
    assert left - ours == {"customers_customer", "customers_customermerge"}
    assert not KeptIdentity.objects.everywhere("test").exists()
    assert "billing_invoice" in append_only.sealed_tables(), "the seals are back"


def test_who_does_not_own_the_database_leaves_what_is_sealed_and_what_it_refers_to(person, monkeypatch):
    over = dt.date(2036, 3, 3)
    assert "billing_invoice" in plan_for(person_of(person), over).sealed
    monkeypatch.setattr(append_only, "may_open", lambda: False)
    plan = plan_for(person_of(person), over)
    assert not plan.sealed
    kept = {each.table for each in plan.of(AtErasure.KEEP)}
    assert {"billing_invoice", "orders_order", "prescriptions_prescription"} <= kept
    assert "quality_handover" not in kept


def test_an_erased_person_is_seen_by_nobody_and_written_by_nobody(api, manager, head_office, mill, marked, person):
    Customer.objects.everywhere("test").filter(id=person.id).update(erased_at=clock.now())
    client = api(head_office)
    assert client.get(f"/api/v1/customers/{person.id}/").status_code == 404
    listed = client.get("/api/v1/customers/").data["results"]
    assert person.id not in {each["id"] for each in listed}
    person.refresh_from_db()
    with pytest.raises(CustomerErased):
        customer_amend(actor=ACTOR, customer=person, version=person.version, changes={"note": "x"})


def test_every_rule_of_the_table_was_tried_on_a_row(person):
    held = set(person_of(person).keys)
    assert set(personal_models()) - held == {"privacy_keptidentity"}


def test_words_about_an_order_are_not_left_in_the_ledger_of_pieces(api, clerk, world):
    """What an earlier release wrote; a line that names order and code only is not touched."""
    made = api(clerk).post("/api/v1/orders/", world.body()).json()
    order = Order.objects.everywhere("test").get(id=made["id"])
    order_cancel(actor=ACTOR, order=order, reason="is in hospital", cause="other")
    lines = Movement.objects.everywhere("test").filter(document=f"orders/{order.id}")
    assert set(lines.filter(kind="release").values_list("reason", flat=True)) == {
        f"Order {order.number} called off (other)"
    }
    worded = lines.filter(kind="release").first()
    with transaction.atomic(), append_only.opened({"stock_movement"}):
        lines.filter(id=worded.id).update(reason="is in hospital")
    figures = set(lines.values_list("id", "kind", "on_hand_after", "reserved_after"))
    done = services.person_erase(actor=ACTOR, customer=order.customer, because="test")
    assert done["stock_movement"] == 1
    reasons = dict(lines.exclude(reason="").values_list("id", "reason"))
    assert reasons.pop(worded.id) == "erased"
    assert set(reasons.values()) == {f"Order {order.number} called off (other)"}
    assert set(lines.values_list("id", "kind", "on_hand_after", "reserved_after")) == figures
    with pytest.raises(DatabaseError), transaction.atomic():
        lines.update(reason="x")


def test_an_open_offer_is_withdrawn(api, clerk, world):
    offer = api(clerk).post("/api/v1/quotes/", {**world.body(), "valid_days": 20})
    assert offer.status_code == 201, offer.data
    quotation = Quotation.objects.everywhere("test").get(id=offer.data["id"])
    services.person_erase(actor=ACTOR, customer=quotation.customer, because="test")
    quotation.refresh_from_db()
    assert (quotation.state, quotation.withdrawn_reason) == ("withdrawn", "erased")
    assert OutboxEvent.objects.filter(type="orders.quotation_withdrawn", subject=f"quotes/{quotation.id}").exists()


def test_who_is_expected_or_waits_for_a_decision_is_not_erased_before(mill):
    customer = CustomerFactory(branch=mill)
    now = clock.now()
    visits = [
        Appointment.objects.create(
            branch=mill,
            customer=customer,
            kind="examination",
            state=state,
            starts_at=now + shift,
            ends_at=now + shift * 2,
        )
        for state, shift in (("booked", dt.timedelta(hours=1)), ("arrived", dt.timedelta(minutes=1)))
    ]
    Appointment.objects.create(
        branch=mill, customer=customer, kind="other", starts_at=now - dt.timedelta(days=2),
        ends_at=now - dt.timedelta(days=2, hours=-1),
    )  # fmt: skip
    order = OrderFactory(customer=customer, branch=mill, state="cancelled", cancelled_reason="test")
    PairReturn.objects.create(
        branch=mill, order=order, cause="non_tolerance", eye="both", words="swims", reported_at=now
    )
    with pytest.raises(services.ErasureStandsInTheWay) as refused:
        services.person_erase(actor=ACTOR, customer=customer, because="test")
    told = refused.value.allowed
    assert [each["code"] for each in told] == ["return_undecided", "appointment_agreed", "appointment_agreed"]
    assert {each["about"] for each in told[1:]} == {f"appointments/{visit.id}" for visit in visits}
    assert "decide it" in told[0]["first"]
    assert "call the appointment off" in told[1]["first"]
    Appointment.objects.everywhere("test").update(state="cancelled", cancelled_reason="test")
    PairReturn.objects.everywhere("test").update(decision="adjust", decided_at=now, borne_by="shop")
    services.person_erase(actor=ACTOR, customer=customer, because="test")


def test_events_that_are_delivered_late_or_once_more_bring_nothing_back(api, clerk, world, mill):
    """A worker that was down while somebody was erased, and one that repeats what it did."""
    made = api(clerk).post("/api/v1/orders/", world.body()).json()
    order_cancel(actor=ACTOR, order=Order.objects.everywhere("test").get(id=made["id"]), reason="test")
    recorded = api(clerk).post("/api/v1/prescriptions/", prescription_body(world.customer))
    assert recorded.status_code == 201, recorded.data
    person = Customer.objects.everywhere("test").get(id=world.customer.id)
    marks = (person.family_name, person.email)
    services.person_erase(actor=ACTOR, customer=person, because="test")
    for _ in range(2):
        outbox.deliver_all()
        EventDelivery.objects.update(state=EventDelivery.State.PENDING, attempts=0, due_at=clock.now())
    assert not Recall.objects.everywhere("test").filter(customer=person).exists()
    assert not Message.objects.everywhere("test").filter(customer=person, state="queued").exists()
    allowed = may_keep_values()
    held = {table for table, text in tables_now().items() if table not in allowed and any(m in text for m in marks)}
    assert held == set()
