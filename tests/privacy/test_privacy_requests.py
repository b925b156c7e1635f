"""Requests through the API: who may ask, by when it is due, what came of it. GDPR, articles 12(3), 15, 17 and 18."""

from __future__ import annotations

import datetime as dt
import io
import json
import zipfile
from decimal import Decimal
from hashlib import sha256

import pytest
from pypdf import PdfReader

from opticshop.audit.models import AuditRead, AuditReadSubject
from opticshop.billing import services as billing
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.duties import run_duty
from opticshop.core.models import OutboxEvent
from opticshop.correspondence.models import Message
from opticshop.customers.contacting import ways_for, who_to_tell, why_not
from opticshop.customers.merged import CustomerErased, CustomerRestricted
from opticshop.customers.models import Customer, CustomerMerge
from opticshop.customers.services import customer_merge, customer_unmerge
from opticshop.integrations.models import FeedEntry, WebhookDelivery, WebhookEndpoint
from opticshop.prescriptions.validity import months_after
from opticshop.prices.vouchers_models import SchemeClaim, SchemeVoucher
from opticshop.privacy.models import PrivacyRequest, PrivacyStep
from opticshop.privacy.persons import person_of
from opticshop.privacy.recipients import recipients_of
from opticshop.purchasing.models import LensOrder, Supplier
from tests.factories import CustomerFactory, OrderFactory, PrescriptionFactory
from tests.prescriptions.bodies import prescription as prescription_body

pytestmark = pytest.mark.django_db
URL = "/api/v1/privacy/requests/"
CHECK = "showed a passport (invented)"


def ask(client, customer, kind="access", **more):
    body = {"customer": str(customer.id), "kind": kind, "way": "in_person", "identity_check": CHECK, **more}
    return client.post(URL, body)


def act(client, request, verb, **body):
    fresh = PrivacyRequest.objects.everywhere("test").get(id=request["id"])
    return client.post(f"{URL}{fresh.id}/{verb}/", body, headers={"If-Match": f'"{fresh.version}"'})


def fresh(customer):
    return Customer.objects.everywhere("test").select_related("branch").get(id=customer.id)


@pytest.mark.parametrize(
    ("day", "due"),
    [("2026-03-02", "2026-04-02"), ("2026-01-31", "2026-02-28"), ("2025-12-31", "2026-01-31")],
)
def test_it_is_due_in_a_month_and_the_month_ends_with_its_last_day(day, due):
    """Regulation (EEC) 1182/71, article 3(2)(c): the same date of the last month, or its last day (from memory)."""
    assert months_after(dt.date.fromisoformat(day), 1).isoformat() == due


def test_a_request_is_received_extended_once_and_refused_with_the_reason(api, head_office, manager, mill):
    client = api(head_office)
    made = ask(client, CustomerFactory(branch=mill), words="what do you know?")
    assert (made.status_code, made.data["due_on"], made.data["is_due_soon"]) == (201, "2026-04-02", False)
    longer = act(client, made.data, "extend", reason="three branches to ask")
    assert (longer.status_code, longer.data["due_on"]) == (200, "2026-06-02")
    again = act(client, made.data, "extend", reason="more")
    assert (again.status_code, again.data["code"]) == (409, "privacy.extended_already")
    refused = act(client, made.data, "refuse", decision="manifestly unfounded, article 12(5)")
    assert refused.data["state"] == "refused"
    assert act(client, made.data, "withdraw", decision="x").data["code"] == "core.move_not_allowed"
    assert [step["kind"] for step in refused.data["steps"]] == ["received", "extended", "refused"]
    told = OutboxEvent.objects.filter(type__startswith="privacy.").order_by("id").values_list("type", flat=True)
    assert list(told) == ["privacy.request_received", "privacy.request_extended", "privacy.request_closed"]
    assert api(manager).get(URL).data["results"][0]["id"] == made.data["id"]
    assert ask(api(manager), CustomerFactory(branch=mill)).status_code == 403


def test_the_list_says_what_presses_and_asks_a_constant_number_of_queries(api, head_office, mill, quay, queries):
    client = api(head_office)
    for day, branch in (("2026-03-01", mill), ("2026-02-05", quay)):
        assert ask(client, CustomerFactory(branch=branch), received_on=day).status_code == 201
    pressing = client.get(URL, {"due_soon": "true"}).data["results"]
    assert [(each["due_on"], each["is_due_soon"]) for each in pressing] == [("2026-03-05", True)]
    few = queries(lambda: client.get(URL))
    for _ in range(3):
        ask(client, CustomerFactory(branch=mill))
    assert queries(lambda: client.get(URL)) <= few


def test_it_is_asked_once_at_a_time_and_not_in_the_future(api, head_office, mill):
    client, customer = api(head_office), CustomerFactory(branch=mill)
    assert ask(client, customer).status_code == 201
    assert ask(client, customer).data["code"] == "privacy.asked_already"
    assert ask(client, customer, "erasure", received_on="2026-03-03").data["code"] == "privacy.received_implausible"
    assert PrivacyRequest.objects.everywhere("test").count() == 1


def test_a_guardian_asks_for_a_child_and_for_nobody_else(api, head_office, mill):
    client, guardian, stranger = api(head_office), CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    child = CustomerFactory(branch=mill, birth_date=dt.date(2015, 5, 1), guardian=guardian)
    grown = CustomerFactory(branch=mill, birth_date=dt.date(2008, 5, 1), guardian=guardian)
    assert ask(client, child, guardian=str(guardian.id)).status_code == 201
    for whose, who in ((child, stranger), (grown, guardian)):
        answer = ask(client, whose, "erasure", guardian=str(who.id))
        assert (answer.status_code, answer.data["code"]) == (422, "privacy.not_the_guardian")


def copy_of(client, customer, **more):
    request = ask(client, customer, **more).data
    assert client.get(f"{URL}{request['id']}/copy/").data["code"] == "privacy.copy_not_ready"
    assert client.post(f"{URL}{request['id']}/prepare/", {}).data["file"]["state"] == "queued"
    assert run_duty("privacy.make_copies") == 1
    assert run_duty("privacy.make_copies") == 0
    answer = client.get(f"{URL}{request['id']}/copy/")
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/zip")
    return request, zipfile.ZipFile(io.BytesIO(answer.content))


def test_the_copy_holds_every_record_of_the_person_and_nothing_of_others(api, head_office, clerk, manager, mill):
    guardian = CustomerFactory(branch=mill, given_name="Sorrel", family_name="Guardianmark")
    child = CustomerFactory(
        branch=mill, given_name="Robin", family_name="Childmark", birth_date=dt.date(2015, 5, 1), guardian=guardian
    )
    twice = CustomerFactory(branch=mill, given_name="Robin", family_name="Twicemark", birth_date=dt.date(2015, 5, 1))
    other = CustomerFactory(branch=mill, given_name="Ash", family_name="Othermark", birth_date=dt.date(2015, 5, 1))
    customer_merge(actor=system("test"), survivor=child, duplicate=twice, version=1, reason="registered twice")
    body = prescription_body(twice) | {"customer": str(child.id), "issued_on": "2026-02-27"}
    assert api(clerk).post("/api/v1/prescriptions/", body).status_code == 201
    PrescriptionFactory(customer=other, branch=mill, note="othernote")
    mistaken = CustomerMerge(survivor=child, merged=other, reason="same as Othermark", filled={"phone": ["", "0777"]})
    mistaken.undone_at, mistaken.undone_reason = clock.now(), "Othermark is the twin"
    mistaken.save()
    api(clerk).get(f"/api/v1/customers/{child.id}/")
    request, archive = copy_of(api(head_office), child, guardian=str(guardian.id))
    names = archive.namelist()
    assert {"README.txt", "manifest.json", "data/identity/customers.json", "data/clinical/prescriptions.json"} <= set(
        names
    )
    for entry in json.loads(archive.read("manifest.json"))["files"]:
        assert sha256(archive.read(entry["name"])).hexdigest() == entry["sha256"]
    everything = b"\n".join(archive.read(name) for name in names).decode("utf-8", "replace")
    for mark in ("Childmark", "Twicemark", "registered twice"):
        assert mark in everything, mark
    for mark in ("Guardianmark", "Othermark", "othernote", "0777", str(guardian.id), "Clerk", str(clerk.id)):
        assert mark not in everything, mark
    [paper] = [name for name in names if name.startswith("papers/prescriptions/")]
    assert archive.read(paper).startswith(b"%PDF-")
    reasons = {each["records"]: each for each in json.loads(archive.read("kept-and-why.json"))["rows"]}
    assert reasons["prescriptions"]["must_be_kept_until"] == "2040-05-01", "a child's: to 25"
    assert "<td>Childmark</td>" in archive.read("everything.html").decode(), "to be read without a program"
    reads = json.loads(archive.read("data/trail/who-read-the-record.json"))["rows"]
    assert "counter" in {each["role"] for each in reads}
    done = act(api(head_office), request, "carry-out", decision="handed over at the counter")
    assert (done.data["state"], done.data["file"]["fetched_at"] is not None) == ("done", True)


def test_the_copy_says_what_for_from_whom_to_whom_how_long_and_what_may_be_asked(api, head_office, mill, webhook_told):
    """GDPR, article 15(1)(a) to (h); recipients are those to whom something was really sent."""
    customer, other = CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    PrescriptionFactory(customer=customer, branch=mill)
    for who, channel in ((customer, "post-of-ours"), (other, "nobody-of-ours")):
        Message.objects.everywhere("test").create(
            branch=mill, customer=who, kind="test", subject_ref="x/1", channel=channel, way="email", to=who.email,
            body="hello", state="sent", sent_at=dt.datetime(2026, 2, 3, tzinfo=dt.UTC),
        )  # fmt: skip
    webhook_told(customer, "https://books.example.org/hooks", "Books")
    webhook_told(other, "https://other.example.org/hooks", "")
    period = {"kind": "clinical", "jurisdiction": "GB", "valid_from": "2026-01-01", "years": 12, "to_age": 26}
    body = period | {"source": "our adviser (invented)", "confidence": "high"}
    assert api(head_office).post("/api/v1/privacy/periods/", body).status_code == 201
    _, archive = copy_of(api(head_office), customer)
    told = " ".join(archive.read("README.txt").decode().split())
    for words in (
        "prescriptions and measurements (data about health) (clinical): to supply spectacles",
        "From: who examined you, as named on each prescription",
        "Books (books.example.org): that something happened (numbers of documents, no names), on 2026-03-02.",
        "carrier of messages: post-of-ours: the address and the text of a message (email), on 2026-02-03.",
        "clinical: 12 years after you were last here; of a child at least to the age of 26 (our adviser (invented)).",
        "messages: 2 years from the day of each",
        "(a), (b) and (g)", "(c)", "(d)", "(e), (f)", "(h)",
        "complain to the authority",
        "erased", "not used", "put right", "object to",
    ):  # fmt: skip
        assert words in told, words
    for words in ("other.example.org", "nobody-of-ours", "bookkeeping:", "maker of lenses", "/hooks"):
        assert words not in told, words
    assert max(map(len, archive.read("README.txt").decode().splitlines())) <= 120


@pytest.fixture
def webhook_told():
    def told(customer, url, description):
        event = OutboxEvent.objects.create(type="customers.changed", subject=f"customers/{customer.id}", data={})
        entry = FeedEntry.objects.create(
            position=FeedEntry.objects.everywhere("test").count() + 1, event=event, type=event.type, area="customers"
        )
        endpoint = WebhookEndpoint.objects.create(
            url=url, description=description, event_types=[event.type], sealed_secret="x"
        )
        WebhookDelivery.objects.create(endpoint=endpoint, entry=entry, state="delivered", settled_at=clock.now())

    return told


def test_who_made_lenses_paid_and_read_over_the_exchange_is_named(marked, person):
    supplier = marked.row(Supplier, "mill")
    LensOrder.objects.everywhere("test").filter(order__customer=person).update(sent_at=clock.now(), supplier=supplier)
    paid = {"document": "orders/x", "redeemed_at": clock.now(), "redeemed_amount": 1, "price": 10, "face_value": 10}
    SchemeVoucher.objects.everywhere("test").update(state="submitted", claim=marked.row(SchemeClaim, "mill"), **paid)
    read = AuditRead.objects.create(
        at=clock.now(), actor_label="eye clinic (invented)", actor_kind="service", route="fhir/r4/VisionPrescription"
    )
    AuditReadSubject.objects.create(read=read, customer_id=person.id)
    names = {each.name for each in recipients_of(person_of(person))}
    assert {f"maker of lenses: {supplier.name}", "exchange of health records: eye clinic (invented)"} <= names
    assert any(name.startswith("public scheme: ") for name in names)


def test_the_copy_is_not_done_before_it_is_fetched_and_goes_after_its_time(api, head_office, mill):
    client = api(head_office)
    request = ask(client, CustomerFactory(branch=mill)).data
    assert act(client, request, "carry-out", decision="x").data["code"] == "privacy.copy_not_fetched"
    client.post(f"{URL}{request['id']}/prepare/", {})
    run_duty("privacy.make_copies")
    with clock.at(clock.now() + dt.timedelta(days=14)):
        assert client.get(f"{URL}{request['id']}/copy/").data["code"] == "privacy.copy_not_ready"
        assert run_duty("privacy.expire_copies") == 1
        assert run_duty("privacy.expire_copies") == 0
        assert client.get(f"{URL}{request['id']}/").data["file"]["state"] == "expired"
        assert client.post(f"{URL}{request['id']}/prepare/", {}).data["file"]["state"] == "queued"


def test_a_restricted_record_is_kept_and_not_used_until_it_is_lifted(api, head_office, clerk, mill):
    client, customer = api(head_office), CustomerFactory(branch=mill)
    message = Message.objects.everywhere("test").create(
        branch=mill, customer=customer, kind="test", subject_ref="x/1", channel="none", to=customer.email, body="hello"
    )
    request = ask(client, customer, "restriction").data
    done = act(client, request, "carry-out", decision="until the dispute is settled")
    assert done.data["steps"][-1]["counts"] == {"correspondence_message": 1}
    message.refresh_from_db()
    assert message.state == "withdrawn"
    held = fresh(customer)
    assert ways_for(held, "service") == []
    assert why_not(held) == who_to_tell(held, dt.date(2026, 3, 2))[1] != ""
    shown = api(clerk).get(f"/api/v1/customers/{customer.id}/")
    assert shown.data["is_restricted"] is True
    refused = api(clerk).post("/api/v1/prescriptions/", prescription_body(customer))
    assert (refused.status_code, refused.data["code"]) == (409, CustomerRestricted.code)
    again = ask(client, customer, "restriction").data
    assert act(client, again, "carry-out", decision="x").data["code"] == "privacy.already_restricted"
    lifting = ask(client, customer, "lifting").data
    assert act(client, lifting, "carry-out", decision="settled").status_code == 200
    assert api(clerk).post("/api/v1/prescriptions/", prescription_body(customer)).status_code == 201
    kinds = OutboxEvent.objects.filter(subject=f"customers/{customer.id}").values_list("type", flat=True)
    assert {"privacy.record_restricted", "privacy.restriction_lifted"} <= set(kinds)


def test_erasure_is_shown_before_it_is_done_and_what_goes_on_stands_in_its_way(api, head_office, mill):
    client, customer = api(head_office), CustomerFactory(branch=mill)
    CustomerFactory(branch=mill, birth_date=dt.date(2015, 5, 1), guardian=customer)
    order = OrderFactory(customer=customer, branch=mill)
    request = ask(client, customer, "erasure").data
    shown = client.get(f"{URL}{request['id']}/preview/").data
    assert [each["code"] for each in shown["obstacles"]] == ["order_open", "guardian_of_child"]
    plans = {each["table"]: (each["what"], each["until"]) for each in shown["tables"]}
    assert plans["orders_order"] == ("keep", "2036-03-02")
    assert plans["customers_customer"] == ("blank", None)
    refused = act(client, request, "carry-out", decision="x")
    assert (refused.status_code, refused.data["code"]) == (409, "privacy.erasure_obstructed")
    assert fresh(customer).given_name == "Wren"
    assert PrivacyStep.objects.filter(kind="done").count() == 0
    assert order.state == "placed"


def test_a_person_without_papers_is_gone_at_once_and_what_was_done_is_on_record(api, head_office, clerk, mill):
    client, customer = api(head_office), CustomerFactory(branch=mill, note="likes green")
    request = ask(client, customer, "erasure").data
    done = act(client, request, "carry-out", decision="erased; nothing had to be kept")
    assert (done.status_code, done.data["state"]) == (200, "done")
    assert done.data["steps"][-1]["counts"]["customers_customer"] == 1
    gone = fresh(customer)
    assert (gone.given_name, gone.email, gone.note, gone.birth_date) == ("(erased)", "", "", None)
    assert api(clerk).get(f"/api/v1/customers/{customer.id}/").status_code == 404
    assert client.get("/api/v1/privacy/kept-identities/").data["results"] == []
    assert ask(client, customer, "access").status_code == 404
    assert OutboxEvent.objects.get(type="privacy.person_erased").data == {
        "customer": str(customer.id),
        "because": "request",
    }


def test_the_papers_of_the_person_are_in_the_copy(api, head_office, mill):
    customer = CustomerFactory(branch=mill)
    order = OrderFactory(customer=customer, branch=mill)
    billing.payment_take(actor=system("test"), order=order, amount=Decimal("50.00"), method="card")
    billing.invoice_issue(actor=system("test"), order=order)
    letter = {"kind": "test", "channel": "none", "form": "letter", "to": "1 Mill Lane", "subject": "Your pair is ready"}
    Message.objects.everywhere("test").create(
        branch=mill, customer=customer, subject_ref="x/1", state="sent", body="Come & fetch it <soon>.", **letter
    )
    _, archive = copy_of(api(head_office), customer)
    papers = {name.split("/")[1]: archive.read(name) for name in archive.namelist() if name.startswith("papers/")}
    assert set(papers) == {"prescriptions", "receipts", "invoices", "letters"}
    words = {name: PdfReader(io.BytesIO(paper)).pages[0].extract_text() for name, paper in papers.items()}
    assert all(word in words["prescriptions"] for word in (str(customer), "−2.25 / −0.50 × 90", "R. Sorrel"))
    assert all(word in words["letters"] for word in ("1 Mill Lane", "Your pair is ready", "Come & fetch it <soon>."))
    assert order.number in words["receipts"]
    assert str(customer) in words["invoices"]


def test_every_record_of_the_person_is_erased_and_they_stay_together(api, head_office, mill):
    kept, twice = CustomerFactory(branch=mill), CustomerFactory(branch=mill, email="twice@example.org")
    customer_merge(actor=system("test"), survivor=kept, duplicate=twice, version=1, reason="registered as Wren twice")
    request = ask(api(head_office), twice, "erasure").data
    assert request["customer"] == str(kept.id), "it stands for the person"
    assert act(api(head_office), request, "carry-out", decision="erased").status_code == 200
    assert [fresh(each).email for each in (kept, twice)] == ["", ""]
    link = CustomerMerge.objects.everywhere("test").get()
    assert (link.reason, link.filled) == ("erased", {})
    with pytest.raises(CustomerErased):
        customer_unmerge(actor=system("test"), customer=fresh(twice), version=fresh(twice).version, reason="two people")
