"""Who is treated how: those who came back, asked for silence, moved, died, were merged, answered, or have booked."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from unittest.mock import patch

import pytest

from opticshop.appointments import services as appointments
from opticshop.core import outbox
from opticshop.core.actor import system
from opticshop.core.duties import run_duty
from opticshop.correspondence.services import callback_take
from opticshop.customers.models import Customer
from opticshop.customers.services import customer_amend, customer_merge, customer_unmerge
from opticshop.plugin_api import DeliveryReport, SendOutcome
from opticshop.pluginhost.services import BoundChannel
from opticshop.prescriptions.models import Prescription
from opticshop.prescriptions.services import prescription_amend, prescription_record
from opticshop.prescriptions.written import WrittenEye, WrittenPrescription
from opticshop.reminders.models import Recall
from opticshop.reminders.services import recall_review
from tests.conftest import NOON
from tests.factories import CustomerFactory, PrescriptionFactory
from tests.reminders.conftest import SYSTEM, later, messages
from tests.reminders.test_reminders_campaigns import client, notices, person, recalls, running
from tests.workshop.conftest import events_of

pytestmark = pytest.mark.django_db
LEAVES_THE_STATE_ALONE = ("plugin",)
__all__ = ["client"]


def written(issued_on: dt.date, **more) -> WrittenPrescription:
    plain = WrittenEye(sphere_dpt=Decimal("-2.00"))
    return WrittenPrescription(
        issued_on=issued_on, right=plain, left=plain, prescriber_name="R. Sorrel (invented)", **more
    )


def record(customer: Customer, issued_on: dt.date) -> Prescription:
    """Through the service, as the counter, an import and the clinical exchange do."""
    made = prescription_record(actor=SYSTEM, customer=customer, written=written(issued_on))
    outbox.deliver_all()
    return made


def fresh(customer: Customer) -> Customer:
    return Customer.objects.everywhere("test").select_related("branch", "merged_into").get(id=customer.id)


def change(customer: Customer, **changes) -> None:
    version = fresh(customer).version
    customer_amend(actor=SYSTEM, customer=fresh(customer), version=version, changes=changes)
    outbox.deliver_all()


def learn(customer: Customer, **columns) -> None:
    """As the status services of customers write it."""
    Customer.objects.everywhere("test").filter(id=customer.id).update(**columns)
    tell("customers.changed", customer=str(customer.id), fields=sorted(columns))


def tell(event_type: str, **data) -> None:
    from django.db import transaction

    with transaction.atomic():
        outbox.record(event_type=event_type, subject="test", actor=system("test"), branch_id=None, data=data)
    outbox.deliver_all()


def states() -> list[tuple[str, str]]:
    return [(recall.state, recall.outcome) for recall in recalls()]


def test_a_recorded_prescription_plans_a_recall_without_any_order(plugin, mill):
    customer = CustomerFactory(branch=mill)
    made = record(customer, dt.date(2026, 2, 20))
    [recall] = recalls()
    assert (recall.prescription_id, recall.due_on) == (made.id, dt.date(2027, 2, 20))
    assert (recall.reason, recall.source) == ("A year on.", "invented for tests")


def test_an_amendment_moves_the_recall_and_keeps_the_notices_made(client, mill):
    recall = person(mill)
    running(client, mill)
    notices()
    first = Prescription.objects.everywhere("test").select_related("branch", "customer").get()
    prescription_amend(actor=SYSTEM, prescription=first, written=written(dt.date(2025, 3, 9)), reason="Slip of the pen")
    outbox.deliver_all()
    [moved] = recalls()
    assert (moved.id, moved.due_on, moved.notices_made) == (recall.id, dt.date(2026, 3, 9), 1)
    assert moved.next_notice_on == dt.date(2026, 3, 30)
    assert notices() == 0


def test_a_newer_prescription_closes_the_recall_and_takes_back_what_is_queued(client, mill):
    recall = person(mill)
    running(client, mill)
    notices()
    with later(days=10):
        record(recall.customer, dt.date(2026, 3, 12))
    assert states() == [("closed", "came_back"), ("planned", "")]
    assert recalls()[0].returned_on == dt.date(2026, 3, 12)
    assert [message.state for message in messages()] == ["withdrawn"]


def test_a_recall_is_planned_again_when_what_closed_it_has_gone(client, mill):
    recall = person(mill)
    running(client, mill)
    for gone, back, outcome in (
        ({"wants_recalls": False}, {"wants_recalls": True}, "opted_out"),
        ({"deceased_on": dt.date(2026, 1, 1)}, {"deceased_on": None}, "deceased"),
        ({"moved_away_on": dt.date(2026, 1, 1)}, {"moved_away_on": None}, "moved"),
    ):
        learn(recall.customer, **gone)
        assert states() == [("closed", outcome)]
        assert recalls()[0].next_notice_on is None
        learn(recall.customer, **back)
        assert states() == [("planned", "")]
        assert recalls()[0].next_notice_on is not None


def test_facts_on_record_change_the_day_and_the_reason(plugin, mill):
    """Memorandum of understanding on sight-test intervals (England and Wales), 2002: diabetes 1 year, else 2."""
    from opticshop.prescriptions.recall_facts_models import RecallFact

    mill.recall_policy = "mou-2002-intervals"
    mill.save()
    recall = person(mill, issued_on=dt.date(2026, 1, 5))
    assert recall.due_on == dt.date(2028, 1, 5)
    fact = RecallFact.objects.create(
        customer=recall.customer,
        branch=mill,
        flag="diabetes",
        since_on=dt.date(2025, 1, 1),
        source="told by the person",
    )
    tell("prescriptions.recall_facts_changed", customer=str(recall.customer_id))
    [moved] = recalls()
    assert moved.due_on == dt.date(2027, 1, 5)
    assert "diabetes" in moved.reason
    assert "2002" in moved.source
    fact.until_on = dt.date(2026, 1, 31)
    fact.save()
    tell("prescriptions.recall_facts_changed", customer=str(recall.customer_id))
    assert recalls()[0].due_on == dt.date(2028, 1, 5)
    assert len(events_of("reminders.recall_moved")) == 2


def test_whoever_has_a_prescription_from_before_is_planned_for_by_the_duty(plugin, mill):
    customers = [CustomerFactory(branch=mill) for _ in range(3)]
    for customer in customers:
        PrescriptionFactory(customer=customer, issued_on=dt.date(2026, 1, 5))
    CustomerFactory(branch=mill)
    PrescriptionFactory(customer=CustomerFactory(branch=mill, wants_recalls=False))
    assert [run_duty("reminders.plan_forgotten"), run_duty("reminders.plan_forgotten")] == [3, 0]
    assert {recall.customer_id for recall in recalls()} == {customer.id for customer in customers}


def merge(survivor: Customer, duplicate: Customer) -> None:
    customer_merge(
        actor=SYSTEM,
        survivor=fresh(survivor),
        version=fresh(survivor).version,
        duplicate=fresh(duplicate),
        reason="Same person",
    )
    outbox.deliver_all()


def part(duplicate: Customer) -> None:
    customer_unmerge(actor=SYSTEM, customer=fresh(duplicate), version=fresh(duplicate).version, reason="Two people")
    outbox.deliver_all()


def test_merged_records_have_one_recall_that_of_the_later_prescription(client, mill):
    early, late = person(mill, issued_on=dt.date(2025, 3, 1)), person(mill, issued_on=dt.date(2025, 3, 5))
    running(client, mill)
    merge(early.customer, late.customer)
    kept = Recall.objects.everywhere("test").get(state="planned")
    assert (kept.id, kept.customer_id) == (late.id, early.customer_id)
    assert notices() == 1
    assert [(message.customer_id, message.subject_ref) for message in messages()] == [
        (early.customer_id, f"recalls/{late.id}")
    ]


def test_notices_that_a_merged_record_got_count_for_the_person(client, mill):
    early, late = person(mill, issued_on=dt.date(2025, 3, 1)), person(mill, issued_on=dt.date(2025, 3, 5), email="")
    running(client, mill)
    assert notices() == 1
    merge(early.customer, late.customer)
    kept = Recall.objects.everywhere("test").get(state="planned")
    assert (kept.id, kept.notices_made, kept.notices_carried) == (late.id, 1, 1)
    assert notices() == 0
    assert kept.next_notice_on == dt.date(2026, 3, 26)


def test_parted_again_each_has_the_recall_of_the_own_prescription(client, mill):
    early, late = person(mill, issued_on=dt.date(2025, 3, 1)), person(mill, issued_on=dt.date(2025, 3, 5), email="")
    running(client, mill)
    notices()
    merge(early.customer, late.customer)
    part(late.customer)
    found = {recall.id: recall for recall in recalls()}
    assert {recall.state for recall in found.values()} == {"planned"}
    assert found[early.id].customer_id == early.customer_id
    assert found[late.id].customer_id == late.customer_id
    assert (found[early.id].notices_made, found[late.id].notices_made) == (1, 0)


@pytest.mark.parametrize(
    ("meaning", "state", "outcome"),
    [
        ("came_back", "closed", "came_back"),
        ("stop", "closed", "opted_out"),
        ("wrong_person", "closed", "wrong_person"),
        ("unclear", "planned", ""),
    ],
)
def test_an_answer_closes_or_holds_the_recall(client, mill, meaning, state, outcome):
    recall = person(mill)
    running(client, mill)
    notices()
    [message] = messages()
    answer = {"message": str(message.id), "customer": str(recall.customer_id), "about": message.subject_ref}
    tell("correspondence.reply_received", meaning=meaning, **answer)
    tell("correspondence.reply_received", meaning=meaning, **answer)
    assert states() == [(state, outcome)]
    if state == "planned":
        assert recalls()[0].held_until == dt.date(2026, 3, 16)
        assert recalls()[0].next_notice_on == dt.date(2026, 3, 23)
    change(recall.customer, note="x")
    learn(recall.customer, wants_marketing=True)
    assert states() == [(state, outcome)]


def test_who_says_that_a_visit_is_booked_is_waited_for_and_then_told_again(client, mill):
    """The branch says how long; a booking that is put on record takes the place of what was said."""
    recall = person(mill)
    running(client, mill, booking_days=30)
    notices()
    [message] = messages()
    answer = {"message": str(message.id), "customer": str(recall.customer_id), "about": message.subject_ref}
    tell("correspondence.reply_received", meaning="booked", **answer)
    assert states() == [("planned", "")]
    assert (recalls()[0].held_until, recalls()[0].next_notice_on) == (dt.date(2026, 4, 1), dt.date(2026, 4, 1))
    learn(recall.customer, wants_marketing=True)
    assert recalls()[0].held_until == dt.date(2026, 4, 1)
    book(recall, days=2)
    assert (recalls()[0].held_until, recalls()[0].next_notice_on) == (dt.date(2026, 3, 11), dt.date(2026, 3, 23))
    tell("correspondence.reply_received", meaning="booked", **answer)
    assert recalls()[0].held_for.startswith("appointments/")


def test_a_notice_that_arrived_after_all_is_not_lost(client, mill, plugin):
    """Given up as not known, then reported as delivered: heard once or twice, it counts as made."""
    person(mill)
    running(client, mill)
    notices()
    plugin.email.answers = [SendOutcome(state="unknown")]
    run_duty("correspondence.send_due")
    outbox.deliver_all()
    assert (recalls()[0].notices_made, recalls()[0].notices_lost) == (1, 1)
    [message] = messages()
    for number in (1, 2):
        note = DeliveryReport(id=f"d-{number}", message_id=str(message.id), state="delivered", at=NOON)
        with patch.object(BoundChannel, "read_callback", return_value=[note]):
            callback_take(actor=SYSTEM, branch_code=mill.code, channel="post-box", headers={}, body=b"")
        outbox.deliver_all()
        assert (recalls()[0].notices_made, recalls()[0].notices_lost) == (1, 0)


def test_another_address_plans_again_what_was_closed_for_a_wrong_one(client, mill):
    recall = person(mill)
    running(client, mill)
    notices()
    about = messages()[0].subject_ref
    tell("correspondence.reply_received", meaning="wrong_person", message="m", customer="c", about=about)
    change(recall.customer, email="right@example.org")
    assert states() == [("planned", "")]
    assert recalls()[0].notices_made == 1


def book(recall: Recall, days: int, kind: str = "examination"):
    start = NOON + dt.timedelta(days=days)
    made = appointments.appointment_book(
        actor=SYSTEM,
        branch=recall.branch,
        customer=fresh(recall.customer),
        kind=kind,
        starts_at=start,
        ends_at=start + dt.timedelta(minutes=30),
    )
    outbox.deliver_all()
    return made


def test_a_booked_examination_holds_the_notices_until_a_week_after_it(client, mill):
    recall = person(mill)
    running(client, mill)
    book(recall, days=2)
    assert (recalls()[0].held_until, recalls()[0].next_notice_on) == (dt.date(2026, 3, 11), dt.date(2026, 3, 11))
    for day, made in ((0, 0), (8, 0), (9, 1)):
        with later(days=day):
            assert notices() == made


def test_another_appointment_holds_nothing(client, mill):
    recall = person(mill)
    running(client, mill)
    book(recall, days=2, kind="adjustment")
    assert notices() == 1


@pytest.mark.parametrize("state", ["cancelled", "missed"])
def test_an_examination_called_off_or_missed_lets_the_notices_go_on(client, mill, state):
    recall = person(mill)
    running(client, mill)
    booked = book(recall, days=2)
    booked.state, booked.cancelled_reason = state, "Ill" if state == "cancelled" else ""
    booked.remind_at = None
    booked.save()
    tell(f"appointments.{state}", appointment=str(booked.id), customer=str(recall.customer_id), kind="examination")
    assert (recalls()[0].held_until, recalls()[0].held_for) == (None, "")
    assert notices() == 1


def test_what_is_queued_is_not_sent_once_an_examination_is_booked(client, mill, plugin):
    recall = person(mill)
    running(client, mill)
    notices()
    book(recall, days=3)
    run_duty("correspondence.send_due")
    assert plugin.email.seen == []
    assert [message.state for message in messages()] == ["withdrawn"]
    outbox.deliver_all()
    assert (recalls()[0].notices_made, recalls()[0].notices_lost) == (1, 1)


def test_reviewing_again_changes_nothing(client, mill, queries):
    recall = person(mill)
    running(client, mill)
    before = Recall.objects.everywhere("test").values().get()
    before_events = len(events_of("reminders.recall_moved"))
    again = recall_review(actor=SYSTEM, customer=recall.customer)
    assert again is not None
    after = Recall.objects.everywhere("test").values().get()
    assert (after | {"next_notice_on": None}) == (before | {"next_notice_on": None})
    assert len(events_of("reminders.recall_moved")) == before_events
