"""Recalls: what the facts about a person say is planned, moved, reopened or closed. Asked again, nothing changes.

A person has one planned recall at most: that of the newest prescription, from whichever record of the person it comes.
"""

from __future__ import annotations

import datetime as dt
import logging
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, DomainError
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet
from opticshop.correspondence import services as correspondence
from opticshop.customers.contacting import identity_of
from opticshop.customers.models import Customer
from opticshop.plugin_api import RecallSubject
from opticshop.pluginhost import services as plugins
from opticshop.prescriptions.models import Prescription
from opticshop.prescriptions.recall_facts_selectors import recall_flags_of

from .. import events, selectors
from ..models import Outcome, Recall
from ..notice_kinds import about
from ..permissions import ReminderPermission
from ..scheduling import next_notice_on
from ..selectors import Hold

log = logging.getLogger("opticshop.reminders")
State = Recall.State
NEWER_PRESCRIPTION = "newer prescription"
#: Closed for one of these, a recall is planned again when the reason has gone.
MAY_COME_BACK = frozenset({Outcome.MOVED, Outcome.DECEASED, Outcome.SUPERSEDED})
WORDS = {
    Outcome.DECEASED: "The person has died",
    Outcome.MOVED: "The person has moved away",
    Outcome.OPTED_OUT: "The customer asked not to be recalled",
}

#: What an answer to a notice means for the recall; any other answer is for a person to read.
ANSWERS: Mapping[str, tuple[Outcome, str]] = {
    "came_back": (Outcome.CAME_BACK, "The person answered that they had come"),
    "stop": (Outcome.OPTED_OUT, "The person answered that no more is wanted"),
    "wrong_person": (Outcome.WRONG_PERSON, "Somebody answered that this is the wrong person"),
}
#: How long notices wait for a person to read an answer that says something else.
DAYS_TO_READ = 14
BOOKED = "booked"
#: How long they wait for a visit that somebody says is booked, where no campaign says it. Our definition, no source.
BOOKING_DAYS = 42


class RecallAlreadyClosed(Conflict):
    """A recall is closed once; says why it was."""

    code = "reminders.recall_already_closed"
    title = "This recall is closed"


def recall_review(
    *, actor: Actor, customer: Customer, look_again: bool = False, address_changed: bool = False
) -> Recall | None:
    """Make the recalls of a person what the facts say, and return the planned one; None where none is to be planned.

    The facts: the person's prescriptions under every merged record, the branch's policy with the dated conditions,
    death, moving away, the wish not to be recalled, a booked examination. ``look_again`` forgets what stood in the way
    of telling; ``address_changed`` does too, and plans again what was closed because the address was somebody else's.
    Raises PluginNotAvailable where the branch's policy is not installed.
    """
    actor.require(ReminderPermission.MANAGE, customer.branch_id)
    with transaction.atomic():
        person = _locked_person(customer)
        records = selectors.records_of(person.id)
        prescriptions = selectors.prescriptions_of(records)
        newest = selectors.newest_of(prescriptions)
        rows = lock_rows(selectors.recalls_of(records, prescriptions))
        mine = [row for row in rows if row.prescription.customer_id in records]
        _give_back(actor, [row for row in rows if row not in mine])
        if newest is None:
            return None
        own = _own(mine, selectors.chain_of(newest, prescriptions))
        others = [row for row in mine if row is not own]
        for other in others:
            _settle_older(actor, other, newest)
        outcome = why_none(person)
        if outcome is not None:
            if own is not None and own.state == State.PLANNED:
                _close(actor, own, outcome, WORDS[outcome])
            return None
        day = _day(actor, person, newest, own)
        if day is None or (own is not None and not _may_be_planned(own, address_changed)):
            return None
        hold = selectors.examination_hold(records, person.branch.time_zone)
        return _write_day(actor, day, own, others, _Reach(hold, look_again or address_changed))


def recall_close(*, actor: Actor, recall: Recall, reason: str, outcome: str = Outcome.BY_HAND) -> Recall:
    """Close a planned recall with the reason; what is queued about it is taken back. Raises RecallAlreadyClosed."""
    actor.require(ReminderPermission.MANAGE, recall.branch_id)
    with transaction.atomic():
        [row] = lock_rows(_recalls().filter(id=recall.id).select_related("customer"))
        if row.state == State.CLOSED:
            raise RecallAlreadyClosed(f"It was closed before: {row.closed_reason}.", field="state")
        _close(actor, row, outcome, reason)
    return row


def recalls_plan_forgotten(*, actor: Actor) -> int:
    """Review everybody who has a prescription and never had a recall; returns how many recalls were planned."""
    planned = 0
    for customer_id in selectors.never_planned():
        customer = customer_of(customer_id)
        try:
            if customer is not None and recall_review(actor=actor, customer=customer) is not None:
                planned += 1
        except DomainError:
            log.exception("the recall of customer %s is put off to the next run", customer_id)
    return planned


def reply_heed(*, actor: Actor, recall: Recall, meaning: str, message: str) -> None:
    """Do what a person answered to a notice: close the recall, hold it for the visit that is said to be booked, or
    until somebody has read the answer.
    """
    actor.require(ReminderPermission.MANAGE, recall.branch_id)
    with transaction.atomic():
        [row] = lock_rows(_recalls().filter(id=recall.id).select_related("customer", "branch"))
        if row.state == State.CLOSED:
            return
        if meaning in ANSWERS:
            _close(actor, row, *ANSWERS[meaning])
            return
        campaign, what = selectors.open_campaign_of(row.branch_id), f"messages/{message}"
        days = DAYS_TO_READ
        if meaning == BOOKED:
            if row.held_for.startswith(selectors.APPOINTMENTS):  # the visit is on record: it holds the recall already
                return
            days, what = campaign.booking_days if campaign else BOOKING_DAYS, f"{what}{selectors.SAID_BOOKED}"
        row.held_until = clock.today(row.branch.time_zone) + dt.timedelta(days=days)
        row.held_for = what
        row.next_notice_on = next_notice_on(row, campaign)
        row.save(update_fields=["held_until", "held_for", "next_notice_on"])


def why_none(person: Customer) -> Outcome | None:
    """Why a person is not recalled at all, whatever is due; None where nothing is against it."""
    if person.deceased_on is not None:
        return Outcome.DECEASED
    if person.moved_away_on is not None:
        return Outcome.MOVED
    return None if person.wants_recalls else Outcome.OPTED_OUT


def _locked_person(customer: Customer) -> Customer:
    """The record that speaks for the person, locked; read anew under the lock, as a merge may have just happened."""
    rows = Customer.objects.everywhere("of one person, permission checked by the caller").select_related("branch")
    person_id = identity_of(customer).id
    while True:
        [person] = lock_rows(rows.filter(id=person_id))
        if person.merged_into_id is None:
            return person
        person_id = person.merged_into_id


def _give_back(actor: Actor, strays: Sequence[Recall]) -> None:
    """After a merge was undone: a recall goes back to the record whose prescription it is of."""
    for recall in strays:
        recall.customer = recall.prescription.customer
        recall.branch_id = recall.customer.branch_id
        recall.notices_made, recall.notices_carried = recall.notices_made - recall.notices_carried, 0
        recall.save(update_fields=["customer", "branch", "notices_made", "notices_carried"])


def _own(mine: Sequence[Recall], chain: Sequence[uuid.UUID]) -> Recall | None:
    """The recall of the newest prescription, or of one that it amends: told is told, also before a correction."""
    by_prescription = {recall.prescription_id: recall for recall in mine}
    return next((by_prescription[key] for key in chain if key in by_prescription), None)


def _settle_older(actor: Actor, recall: Recall, newest: Prescription) -> None:
    """A recall of an older prescription: its person came back, unless it is of the same day."""
    came_back = recall.prescription.issued_on < newest.issued_on
    if came_back and recall.returned_on is None:
        recall.returned_on = newest.issued_on
        recall.save(update_fields=["returned_on"])
    if recall.state == State.PLANNED:
        _close(actor, recall, Outcome.CAME_BACK if came_back else Outcome.SUPERSEDED, NEWER_PRESCRIPTION)


@dataclass(frozen=True, slots=True)
class _Day:
    """Whose recall is due when, by which policy and why."""

    person: Customer
    prescription: Prescription
    due_on: dt.date
    policy: str
    reason: str
    source: str


def _day(actor: Actor, person: Customer, newest: Prescription, own: Recall | None) -> _Day | None:
    """What the branch's policy says; None, and what was planned closed, where it gives no day."""
    policy = plugins.recall_policy(branch=person.branch, name=person.branch.recall_policy)
    decision = policy.due_on(_subject(person, newest, clock.today(person.branch.time_zone)))
    if decision.due_on is not None:
        return _Day(person, newest, decision.due_on, policy.name, decision.reason[:300], decision.source[:300])
    if own is not None and own.state == State.PLANNED:
        _close(actor, own, Outcome.SUPERSEDED, decision.reason[:200])
    return None


def _write_day(actor: Actor, day: _Day, own: Recall | None, others: Sequence[Recall], reach: _Reach) -> Recall:
    """Plan a new recall, or make the one there is what the facts say."""
    recall = own or Recall(prescription=day.prescription)
    before, was = (None, "") if own is None else (_shown(own), own.outcome)
    recall.customer, recall.branch, recall.prescription = day.person, day.person.branch, day.prescription
    recall.due_on, recall.policy, recall.reason, recall.source = day.due_on, day.policy, day.reason, day.source
    recall.state, recall.outcome, recall.closed_reason, recall.closed_at = State.PLANNED, "", "", None
    recall.returned_on = None
    _carry(recall, others)
    _hold(recall, reach.hold)
    if reach.look_again:
        recall.obstacle = ""
    recall.next_notice_on = next_notice_on(recall, selectors.open_campaign_of(recall.branch_id))
    recall.save(force_insert=own is None)
    if own is None:
        _record_day(events.RECALL_PLANNED, recall, actor)
    elif was:
        _record(events.RECALL_REOPENED, recall, actor, was=was)
    elif before != _shown(recall):
        _record_day(events.RECALL_MOVED, recall, actor)
    return recall


@dataclass(frozen=True, slots=True)
class _Reach:
    """What holds the notices of a person, and whether to forget what stood in the way of telling."""

    hold: Hold | None
    look_again: bool


def _may_be_planned(recall: Recall, address_changed: bool) -> bool:
    """Planned as it is, or what closed it has gone: a merge that brought a newer prescription may be undone."""
    if recall.state == State.PLANNED:
        return True
    if recall.outcome == Outcome.CAME_BACK:
        return recall.returned_on is not None
    if recall.outcome == Outcome.OPTED_OUT:  # a stop that somebody answered stands, whatever the record says
        return recall.closed_reason == WORDS[Outcome.OPTED_OUT]
    return recall.outcome in MAY_COME_BACK or (address_changed and recall.outcome == Outcome.WRONG_PERSON)


def _hold(recall: Recall, hold: Hold | None) -> None:
    """A booked examination holds the notices until a week after it; called off or missed, it holds them no more. It
    takes the place of what somebody only said.
    """
    for_appointment = recall.held_for.startswith(selectors.APPOINTMENTS)
    known_better = for_appointment or recall.held_for.endswith(selectors.SAID_BOOKED)
    if hold is not None and (known_better or recall.held_until is None or recall.held_until < hold.until):
        recall.held_until, recall.held_for = hold.until, hold.what
    elif hold is None and for_appointment:
        recall.held_until, recall.held_for = None, ""


def _carry(recall: Recall, others: Sequence[Recall]) -> None:
    """Notices that another record of the person got after this prescription was written count for the person."""
    for other in others:
        if other.last_notice_on is None or other.last_notice_on < recall.prescription.issued_on:
            continue
        if other.prescription.customer_id == recall.prescription.customer_id:
            continue
        more = max(0, other.notices_made - recall.notices_made)
        recall.notices_made += more
        recall.notices_carried += more
        recall.first_notice_on = min(filter(None, (recall.first_notice_on, other.first_notice_on)))
        recall.last_notice_on = max(filter(None, (recall.last_notice_on, other.last_notice_on)))


def _close(actor: Actor, recall: Recall, outcome: str, reason: str) -> None:
    recall.state, recall.outcome, recall.closed_reason = State.CLOSED, outcome, reason
    recall.closed_at, recall.next_notice_on = clock.now(), None
    recall.save(update_fields=["state", "outcome", "closed_reason", "closed_at", "next_notice_on"])
    if recall.notices_made:
        correspondence.messages_withdraw(actor=actor, branch=recall.branch, about=about(recall.id), reason=reason)
    _record(events.RECALL_CLOSED, recall, actor, reason=reason, outcome=str(outcome))


def _subject(person: Customer, prescription: Prescription, today: dt.date) -> RecallSubject:
    return RecallSubject(
        date_of_birth=_plausible(person.birth_date, prescription.issued_on),
        issued_on=prescription.issued_on,
        expires_on=prescription.expires_on,
        prescriber_interval_months=prescription.recall_months or None,
        flags=recall_flags_of(person, today),
    )


def _plausible(born_on: dt.date | None, issued_on: dt.date) -> dt.date | None:
    """A birth date later than the prescription is a slip of the pen and says nothing."""
    return None if born_on is None or born_on > issued_on else born_on


def _shown(recall: Recall) -> tuple[Any, ...]:
    return (recall.customer_id, recall.prescription_id, recall.due_on, recall.policy, recall.reason, recall.source)


def _recalls() -> BranchQuerySet[Recall]:
    return Recall.objects.everywhere("of one customer, permission checked by the caller")


def _record_day(event_type: str, recall: Recall, actor: Actor) -> None:
    more = {"prescription": str(recall.prescription_id), "due_on": recall.due_on.isoformat()}
    _record(event_type, recall, actor, **more)


def _record(event_type: str, recall: Recall, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"recalls/{recall.id}",
        actor=actor,
        branch_id=recall.branch_id,
        data={"recall": str(recall.id), "customer": str(recall.customer_id), **more},
    )


def customer_of(customer_id: uuid.UUID | str) -> Customer | None:
    """The customer that an event names."""
    rows = Customer.objects.everywhere("named by an event").select_related("branch", "merged_into")
    return rows.filter(id=customer_id).first()
