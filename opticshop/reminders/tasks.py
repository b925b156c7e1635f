"""What reminders do when they hear of an order, a prescription, a customer, an answer or an appointment; duties."""

from __future__ import annotations

import uuid

from opticshop.core import outbox
from opticshop.core.actor import system
from opticshop.core.duties import duty
from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer
from opticshop.orders.models import Order
from opticshop.orders.selectors import order_get_for

from . import selectors, services
from .models import Recall
from .notice_kinds import recall_id_of

REMINDERS = system("reminders")
#: Columns of a customer that decide whether and when, and those by which the person is told.
FACTS = frozenset({"wants_recalls", "wants_marketing", "deceased_on", "moved_away_on", "birth_date", "merged_into"})
FOUND_WRONG = frozenset({"email_address_wrong", "text_address_wrong", "letter_address_wrong"})
ADDRESSES = frozenset({"email", "phone", "address", "postcode", "country", "preferred_channel", "guardian"})


@outbox.subscribe("orders.ready", "reminders.queue_ready_message")
def queue_ready_message(event: OutboxEvent) -> None:
    services.ready_message_queue(actor=REMINDERS, order=_order(event))


@outbox.subscribe("orders.collected", "reminders.withdraw_collected")
def withdraw_collected(event: OutboxEvent) -> None:
    services.ready_messages_withdraw(actor=REMINDERS, order=_order(event), reason="The order was collected.")


@outbox.subscribe("orders.cancelled", "reminders.withdraw_cancelled")
def withdraw_cancelled(event: OutboxEvent) -> None:
    services.ready_messages_withdraw(actor=REMINDERS, order=_order(event), reason="The order was cancelled.")


@outbox.subscribe("orders.collected", "reminders.plan_recall")
def plan_recall(event: OutboxEvent) -> None:
    services.recall_review(actor=REMINDERS, customer=_order(event).customer)


@outbox.subscribe("prescriptions.recorded", "reminders.plan_recall_of_prescription")
@outbox.subscribe("prescriptions.amended", "reminders.plan_recall_of_amendment")
@outbox.subscribe("prescriptions.recall_facts_changed", "reminders.plan_recall_by_facts")
@outbox.subscribe("appointments.booked", "reminders.hold_for_examination")
@outbox.subscribe("appointments.rescheduled", "reminders.hold_for_other_day")
@outbox.subscribe("appointments.cancelled", "reminders.hold_no_more_cancelled")
@outbox.subscribe("appointments.missed", "reminders.hold_no_more_missed")
def review_customer(event: OutboxEvent) -> None:
    """What was heard of changes when the person is to be told, or whether."""
    _review(event.data["customer"])


@outbox.subscribe("customers.changed", "reminders.close_unwanted_recall")
def review_changed_customer(event: OutboxEvent) -> None:
    """Who has died, moved away or asked for silence is left in peace; who has another address can be told again."""
    fields = set(event.data.get("fields", ()))
    if fields & (FACTS | ADDRESSES | FOUND_WRONG):
        heard = {"look_again": bool(fields & FOUND_WRONG), "address_changed": bool(fields & ADDRESSES)}
        _review(event.data["customer"], **heard)
    if fields & (ADDRESSES | FOUND_WRONG):
        _review_wards(event.data["customer"])


@outbox.subscribe("customers.contact_choice_changed", "reminders.heed_contact_choice")
def review_contact_choice(event: OutboxEvent) -> None:
    _review(event.data["customer"], look_again=True)
    _review_wards(event.data["customer"])


@outbox.subscribe("customers.merged", "reminders.join_recalls")
@outbox.subscribe("customers.unmerged", "reminders.part_recalls")
def review_merged(event: OutboxEvent) -> None:
    """One person has one recall; parted, each has that of the own prescription."""
    for key in ("customer", "merged", "parted"):
        if key in event.data:
            _review(event.data[key], look_again=True)


@outbox.subscribe("correspondence.reply_received", "reminders.heed_reply")
def heed_reply(event: OutboxEvent) -> None:
    recall_id = recall_id_of(event.data["about"])
    recall = selectors.recalls_visible_to(REMINDERS).filter(id=recall_id).first() if recall_id else None
    if recall is not None:
        services.reply_heed(
            actor=REMINDERS, recall=recall, meaning=event.data["meaning"], message=event.data["message"]
        )


@outbox.subscribe("correspondence.failed", "reminders.count_failed_notice")
@outbox.subscribe("correspondence.undelivered", "reminders.count_undelivered_notice")
@outbox.subscribe("correspondence.withdrawn", "reminders.count_withdrawn_notice")
@outbox.subscribe("correspondence.outcome_learnt", "reminders.count_notice_in_doubt")
def count_lost_notice(event: OutboxEvent) -> None:
    recall_id = recall_id_of(event.data["about"])
    if recall_id is not None:
        services.notices_lost_count(recall_id=recall_id)


@outbox.subscribe("correspondence.channel_chosen", "reminders.try_other_channel")
def try_other_channel(event: OutboxEvent) -> None:
    if event.branch_id is not None:
        services.obstacles_clear(branch_id=event.branch_id)


@duty("reminders.notices_due", every_seconds=3600, queue="night", soft_seconds=3000, hard_seconds=3300)
def make_due_notices() -> int:
    """Nightly by what is due; asked every hour, because a branch's night is its own."""
    return services.notices_make_due(actor=REMINDERS)


@duty("reminders.close_exhausted", every_seconds=6 * 3600, queue="night")
def close_exhausted_recalls() -> int:
    return services.recalls_close_exhausted(actor=REMINDERS)


@duty("reminders.schedule_missing", every_seconds=24 * 3600, queue="night", soft_seconds=900, hard_seconds=960)
def schedule_missing_notices() -> int:
    return services.notices_schedule_missing()


@duty("reminders.look_again", every_seconds=7 * 24 * 3600, queue="night", soft_seconds=900, hard_seconds=960)
def look_again_at_obstacles() -> int:
    """A child grows up, a plugin is put back: what stood in the way is looked at again every week."""
    return services.obstacles_clear()


@duty("reminders.plan_forgotten", every_seconds=24 * 3600, queue="night", soft_seconds=3000, hard_seconds=3300)
def plan_forgotten() -> int:
    """Whoever has a prescription and no recall, from before we planned at its recording, is planned for."""
    return services.recalls_plan_forgotten(actor=REMINDERS)


def _order(event: OutboxEvent) -> Order:
    return order_get_for(REMINDERS, event.data["order"])


def _review(customer_id: str, **heard: bool) -> None:
    customer = services.customer_of(customer_id)
    if customer is not None:
        services.recall_review(actor=REMINDERS, customer=customer, **heard)


def _review_wards(guardian_id: str) -> None:
    """Children who could not be told because of their guardian."""
    blocked = selectors.recalls_visible_to(REMINDERS).filter(
        customer__guardian_id=uuid.UUID(guardian_id), state=Recall.State.PLANNED
    )
    for ward in Customer.objects.everywhere("children of a guardian").filter(
        id__in=blocked.exclude(obstacle="").values("customer_id")
    ):
        services.recall_review(actor=REMINDERS, customer=ward, look_again=True)
