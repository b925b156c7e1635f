"""Reads of recalls and campaigns, limited to the branches in which the actor may see them."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection, Iterator, Sequence
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from django.db import connection
from django.db.models import Exists, OuterRef, Q

from opticshop.appointments.models import TAKES_TIME, Appointment
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.customers.contacting import GUARDIAN_BELOW, identity_of, why_not
from opticshop.customers.models import Customer
from opticshop.prescriptions.models import Prescription

from .models import Campaign, CampaignState, Recall
from .permissions import ReminderPermission

#: How many rows of a scan are in memory at once.
SCANNED_AT_ONCE = 2_000
#: What names a hold for an appointment.
APPOINTMENTS = "appointments/"
#: What ends the name of a hold for an answer that says that a visit is booked.
SAID_BOOKED = "/booked"


def recalls_visible_to(actor: Actor) -> BranchQuerySet[Recall]:
    return Recall.objects.visible_to(actor, ReminderPermission.VIEW).select_related("customer")


def campaigns_visible_to(actor: Actor) -> BranchQuerySet[Campaign]:
    return (
        Campaign.objects.visible_to(actor, ReminderPermission.VIEW)
        .select_related("branch")
        .prefetch_related("notices", "branch__opening_hours", "branch__closures")
    )


def campaign_get_for(actor: Actor, campaign_id: uuid.UUID, *, permission: str = ReminderPermission.VIEW) -> Campaign:
    """The campaign with its notices and branch, if the actor holds the permission there; otherwise NotFound."""
    found = campaigns_visible_to(actor).filter(id=campaign_id).first()
    if found is None:
        raise NotFound(f"There is no campaign {campaign_id} here.", field="campaign")
    actor.require(permission, found.branch_id)
    return found


def open_campaign_of(branch_id: uuid.UUID) -> Campaign | None:
    """The campaign of a branch that runs or is paused, with its notices."""
    rows = Campaign.objects.everywhere("of one branch, permission checked by the caller")
    is_open = rows.filter(branch_id=branch_id, state__in=[CampaignState.RUNNING, CampaignState.PAUSED])
    return is_open.prefetch_related("notices").first()


def campaign_with_hours(branch_id: uuid.UUID) -> Campaign | None:
    """The open campaign of a branch with what says when its notices may leave: three queries."""
    rows = Campaign.objects.everywhere("when a message of the branch may leave")
    is_open = rows.filter(branch_id=branch_id, state__in=[CampaignState.RUNNING, CampaignState.PAUSED])
    calendar = ("branch__opening_hours", "branch__closures")
    return is_open.select_related("branch").prefetch_related(*calendar).first()


def running_campaigns() -> list[Campaign]:
    """Every campaign that runs, with its branch, notices and calendar: four queries."""
    rows = Campaign.objects.everywhere("the duty makes notices for every branch").filter(state=CampaignState.RUNNING)
    calendars = ("notices", "branch__opening_hours", "branch__closures")
    return list(rows.select_related("branch").prefetch_related(*calendars))


class DueNotice(NamedTuple):
    """A recall whose next notice is due."""

    branch_id: uuid.UUID
    next_notice_on: dt.date
    recall_id: uuid.UUID
    customer_id: uuid.UUID
    notices_made: int


def notices_due(branch_ids: Collection[uuid.UUID], day: dt.date) -> Iterator[DueNotice]:
    """The recalls of these branches whose next notice is due by the day, branch by branch, oldest first.

    One statement. PostgreSQL hands the rows over in pieces, so that memory does not grow with them; on SQLite, which
    serves one shop, they are read at once, because an open statement would stand in the way of the next transaction.
    """
    rows = (
        Recall.objects.everywhere("the duty makes notices for every branch")
        .filter(state=Recall.State.PLANNED, branch_id__in=branch_ids, next_notice_on__lte=day)
        .order_by("branch_id", "next_notice_on", "id")
        .values_list("branch_id", "next_notice_on", "id", "customer_id", "notices_made")
    )
    yield from map(DueNotice._make, _in_pieces(rows))


def never_planned() -> Iterator[uuid.UUID]:
    """People who have a prescription, want recalls and never had one, one by one."""
    prescribed = Prescription.objects.everywhere("whether there is one").filter(customer_id=OuterRef("id"))
    recalled = Recall.objects.everywhere("whether there is one").filter(customer_id=OuterRef("id"))
    people = Customer.objects.everywhere("the duty plans for every branch").filter(
        Exists(prescribed),
        ~Exists(recalled),
        merged_into=None,
        deceased_on=None,
        moved_away_on=None,
        wants_recalls=True,
    )
    yield from _in_pieces(people.order_by("id").values_list("id", flat=True))


def _in_pieces(rows: Any) -> Iterator[Any]:
    return iter(rows.iterator(chunk_size=SCANNED_AT_ONCE) if connection.vendor == "postgresql" else rows)


def notices_made_on(branch_id: uuid.UUID, day: dt.date) -> int:
    """How many notices a branch has made on a day."""
    return (
        Recall.objects.everywhere("a count for the daily cap").filter(branch_id=branch_id, last_notice_on=day).count()
    )


def records_of(person_id: uuid.UUID) -> list[uuid.UUID]:
    """The ids of the record that speaks for a person and of those that were merged into it."""
    rows = Customer.objects.everywhere("records of one person, permission checked by the caller")
    return [person_id, *rows.filter(merged_into_id=person_id).values_list("id", flat=True)]


def prescriptions_of(records: Sequence[uuid.UUID]) -> list[Prescription]:
    """Every prescription of a person under any of the records, the newest first; amended ones too."""
    rows = Prescription.objects.everywhere("of one person, permission checked by the caller")
    return list(rows.filter(customer_id__in=records).order_by("-issued_on", "-id"))


def newest_of(prescriptions: Sequence[Prescription]) -> Prescription | None:
    """The newest that was not amended."""
    amended = {each.supersedes_id for each in prescriptions}
    return next((each for each in prescriptions if each.id not in amended), None)


def chain_of(prescription: Prescription, prescriptions: Sequence[Prescription]) -> list[uuid.UUID]:
    """The prescription with those that it amended, newest first."""
    known = {each.id: each for each in prescriptions}
    ids = [prescription.id]
    while (before := known[ids[-1]].supersedes_id) is not None and before in known:
        ids.append(before)
    return ids


def recalls_of(records: Sequence[uuid.UUID], prescriptions: Sequence[Prescription]) -> BranchQuerySet[Recall]:
    """Every recall that stands under one of the records, or was made from one of the prescriptions."""
    rows = Recall.objects.everywhere("of one person, permission checked by the caller")
    mine = Q(customer_id__in=records) | Q(prescription_id__in=[each.id for each in prescriptions])
    return rows.filter(mine).select_related("branch", "customer", "prescription__customer")


class Hold(NamedTuple):
    """No notice before the day, because of what is named."""

    until: dt.date
    what: str


#: So long after an examination that was booked its prescription should be on record.
DAYS_AFTER_EXAMINATION = 7


def examination_hold(records: Sequence[uuid.UUID], zone: str) -> Hold | None:
    """The hold for an examination of a person that is booked, or was attended within the week."""
    since = clock.now() - dt.timedelta(days=DAYS_AFTER_EXAMINATION)
    rows = Appointment.objects.everywhere("of one person, permission checked by the caller").filter(
        customer_id__in=records, kind=Appointment.Kind.EXAMINATION, state__in=TAKES_TIME, starts_at__gte=since
    )
    last = rows.order_by("-starts_at").values_list("id", "starts_at").first()
    if last is None:
        return None
    day = last[1].astimezone(ZoneInfo(zone)).date()
    return Hold(day + dt.timedelta(days=DAYS_AFTER_EXAMINATION), f"{APPOINTMENTS}{last[0]}")


def cannot_be_told(today: dt.date) -> Q:
    """Recalls whose people nobody can tell, as far as the columns say: no wish, no address, a child without guardian.

    What only the channel or a wrong address shows stands in ``obstacle`` once a notice was tried.
    """
    child_since = today.replace(year=today.year - GUARDIAN_BELOW.age, day=min(today.day, 28))
    is_child = Q(customer__birth_date__gt=child_since)
    no_guardian = Q(customer__guardian__isnull=True) | _mute("customer__guardian__")
    return ~Q(obstacle="") | (is_child & no_guardian) | (~is_child & _mute("customer__"))


def _mute(path: str) -> Q:
    nowhere = Q(**{f"{path}email": "", f"{path}phone_e164": "", f"{path}address": ""})
    return Q(**{f"{path}preferred_channel": Customer.Channel.NONE}) | nowhere


def with_newer_prescription(recalls: Sequence[Recall]) -> set[uuid.UUID]:
    """Which of the recalls, with their prescriptions, are of people who have a newer one under any record: two
    queries."""
    people = {recall.customer_id for recall in recalls}
    merged = Customer.objects.everywhere("records of the same people").filter(merged_into_id__in=people)
    owners = {person: person for person in people} | dict(merged.values_list("id", "merged_into_id"))
    rows = Prescription.objects.everywhere("of people who are to be told").filter(
        customer_id__in=owners, issued_on__gt=min((r.prescription.issued_on for r in recalls), default=dt.date.max)
    )
    newest: dict[uuid.UUID, dt.date] = {}
    for customer_id, issued_on in rows.values_list("customer_id", "issued_on"):
        person = owners[customer_id]
        newest[person] = max(issued_on, newest.get(person, issued_on))
    return {r.id for r in recalls if newest.get(r.customer_id, dt.date.min) > r.prescription.issued_on}


def why_not_told(recall_id: uuid.UUID) -> str:
    """In words why the notices of a recall are not to be sent (any more); empty where nothing stands against it."""
    rows = Recall.objects.everywhere("of a message that is about to be sent")
    recall = rows.filter(id=recall_id).select_related("customer__merged_into", "branch", "prescription").first()
    if recall is None:
        return "There is no such recall."
    if recall.state == Recall.State.CLOSED:
        return f"The recall is closed: {recall.closed_reason}."
    person = identity_of(recall.customer)
    if reason := why_not(person):
        return reason
    if not person.wants_recalls:
        return "The person asked not to be recalled."
    if recall.held_until is not None and recall.held_until > clock.today(recall.branch.time_zone):
        return f"No notice is to be made before {recall.held_until}."
    records = records_of(person.id)
    if hold := examination_hold(records, recall.branch.time_zone):
        return f"An examination is booked; no notice is to be made before {hold.until}."
    newest = newest_of(prescriptions_of(records))
    if newest is not None and newest.issued_on > recall.prescription.issued_on:
        return "The person has a newer prescription."
    return ""
