"""Notices: those that are due are made, each once, at most so many a day; who cannot be told is shown to staff.

A notice is made in the transaction that counts it, and the count is the guard: ``notices_made`` is raised only from
the value that was seen. So two runs at once make one notice, and one that is broken off makes none.
"""

from __future__ import annotations

import datetime as dt
import logging
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, islice
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import F, Q, Value
from django.db.models.functions import Coalesce

from opticshop.branches.calendars import calendar_of
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Busy, DomainError
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet
from opticshop.correspondence import services as correspondence
from opticshop.correspondence.desk import Desk, Plan
from opticshop.correspondence.models import Message
from opticshop.correspondence.services import Draft
from opticshop.customers.contacting import why_not, with_contact_facts
from opticshop.customers.models import Customer

from .. import events, selectors
from ..models import Campaign, CampaignNotice, CampaignState, Outcome, Recall
from ..moments import sendable_at
from ..notice_kinds import NAMES, about, kind_of
from ..scheduling import day_of, notice_after
from ..selectors import DueNotice
from .campaigns import schedule_missing
from .recalls import recall_close, recall_review

log = logging.getLogger("opticshop.reminders")
State = Recall.State
#: How many notices are made in one transaction.
MADE_AT_ONCE = 200
#: So long after the last notice a person may still come because of it (our definition; it is that of the figures).
DAYS_TO_RETURN = 90


def notices_make_due(*, actor: Actor) -> int:
    """Make the notices that are due in every branch with a running campaign; returns how many. Safe to run twice."""
    campaigns = {each.branch_id: each for each in selectors.running_campaigns()}
    rooms = {key: room for key, each in campaigns.items() if (room := _room(each)) is not None}
    if not rooms:
        return 0
    latest = max(room.today for room in rooms.values())
    made = 0
    for branch_id, rows in groupby(selectors.notices_due(list(rooms), latest), key=lambda row: row.branch_id):
        campaign, room = campaigns[branch_id], rooms[branch_id]
        for chunk in _chunks(row for row in rows if row.next_notice_on <= room.today):
            try:
                count = _make(actor, campaign, room, chunk)
            except DomainError:
                log.exception("notices of campaign %s are put off to the next run", campaign.id)
                continue
            if count is None:
                break
            made += count
    return made


def recalls_close_exhausted(*, actor: Actor) -> int:
    """Close the recalls whose notices are all made and whose people did not come within 90 days of the last."""
    closed = 0
    for campaign in selectors.running_campaigns():
        last = clock.today(campaign.branch.time_zone) - dt.timedelta(days=DAYS_TO_RETURN)
        rows = _recalls().filter(
            branch_id=campaign.branch_id,
            state=State.PLANNED,
            notices_made__gte=len(campaign.notices.all()),
            last_notice_on__lt=last,
        )
        for recall in list(rows[:MADE_AT_ONCE]):
            reason = f"All notices were made, the last on {recall.last_notice_on}; nobody came"
            recall_close(actor=actor, recall=recall, reason=reason, outcome=Outcome.EXHAUSTED)
            closed += 1
    return closed


@dataclass(frozen=True, slots=True)
class _Room:
    """What a branch may do today: what day it is there, and when notices made now leave, which may be the next day."""

    today: dt.date
    due_at: dt.datetime
    leaves_on: dt.date


def _room(campaign: Campaign) -> _Room | None:
    """None where no notice may be made today: the branch is closed, or the cap of the day on which they would leave is
    reached."""
    today = clock.today(campaign.branch.time_zone)
    calendar = calendar_of(campaign.branch)
    if campaign.open_days_only and not calendar.is_open(today):
        return None
    try:
        due_at = sendable_at(
            clock.now(),
            quiet_from=campaign.quiet_from,
            quiet_to=campaign.quiet_to,
            calendar=calendar,
            open_days_only=campaign.open_days_only,
        )
    except DomainError:
        log.exception("campaign %s has no hour at which its notices could be sent", campaign.id)
        return None
    leaves_on = due_at.astimezone(ZoneInfo(campaign.branch.time_zone)).date()
    if selectors.notices_made_on(campaign.branch_id, leaves_on) >= campaign.daily_cap:
        return None
    return _Room(today, due_at, leaves_on)


def _chunks(rows: Iterator[DueNotice]) -> Iterator[list[DueNotice]]:
    while chunk := list(islice(rows, MADE_AT_ONCE)):
        yield chunk


def _make(actor: Actor, campaign: Campaign, room: _Room, chunk: Sequence[DueNotice]) -> int | None:
    """One piece in one transaction; how many were made, None where no more may be made today.

    The lock on the campaign makes the runs of a branch take turns, so that the cap holds and a pause holds at once.
    """
    with transaction.atomic():
        [row] = lock_rows(_campaigns().filter(id=campaign.id))
        left = campaign.daily_cap - selectors.notices_made_on(campaign.branch_id, room.leaves_on)
        if row.state != CampaignState.RUNNING or row.version != campaign.version or left <= 0:
            return None
        lock_rows(_customers().filter(id__in={each.customer_id for each in chunk}))
        sorted_out = _sorted_out(_still_due(chunk, room.today), campaign, room)
        _show_to_staff(sorted_out.untold)
        _wait_for_post(sorted_out.waiting)
        made = _count(sorted_out.ready[:left], campaign, room.leaves_on)
        _queue(actor, campaign, room, made)
    for recall in sorted_out.stale:
        recall_review(actor=actor, customer=recall.customer)
    return len(made)


def _still_due(chunk: Sequence[DueNotice], today: dt.date) -> list[Recall]:
    """The rows as they are under their locks, in the order of the piece."""
    rows = _recalls().filter(id__in=[each.recall_id for each in chunk], state=State.PLANNED, next_notice_on__lte=today)
    found = {recall.id: recall for recall in lock_rows(rows.select_related("prescription"))}
    customers = _customers().filter(id__in={recall.customer_id for recall in found.values()})
    people = {each.id: each for each in with_contact_facts(customers)}
    for recall in found.values():
        recall.customer = people[recall.customer_id]
    return [found[each.recall_id] for each in chunk if each.recall_id in found]


@dataclass(frozen=True, slots=True)
class _SortedOut:
    """Those to be told; those whom nobody can tell, with the reason; those of whom something has changed; those whose
    letter of the notice before was not posted so long ago, with the day on which to look again."""

    ready: list[Recall]
    untold: list[tuple[Recall, str]]
    stale: list[Recall]
    waiting: list[tuple[Recall, dt.date]]


def _sorted_out(recalls: Sequence[Recall], campaign: Campaign, room: _Room) -> _SortedOut:
    desk, found = Desk(campaign.branch), _SortedOut([], [], [], [])
    newer = selectors.with_newer_prescription(recalls)
    posted = _letters_of(recalls, campaign)
    for recall in recalls:
        if recall.id in newer or why_not(recall.customer) or not recall.customer.wants_recalls:
            found.stale.append(recall)
            continue
        if (wait := _gap_after_post(recall, campaign, posted, room)) is not None:
            found.waiting.append((recall, wait))
            continue
        plan = plan_for(desk, recall, campaign)
        if not plan.obstacle:
            found.ready.append(recall)
        elif not plan.for_now:
            found.untold.append((recall, plan.obstacle))
    return found


def _letters_of(recalls: Sequence[Recall], campaign: Campaign) -> dict[str, dt.date | None]:
    """By what it is about, the day on which the last letter about it was posted; None while one still waits for that.

    One query, none where nobody had a notice yet.
    """
    told = [recall for recall in recalls if recall.notices_made]
    if not told:
        return {}
    zone, found = ZoneInfo(campaign.branch.time_zone), dict[str, dt.date | None]()
    letters = Message.objects.everywhere("of recalls whose next notice is due").filter(
        customer_id__in={recall.customer_id for recall in told},
        kind__in=NAMES,
        subject_ref__in=[about(recall.id) for recall in told],
        awaits_batch=True,
        state__in=[Message.State.QUEUED, Message.State.SENDING, Message.State.SENT],
    )
    for ref, sent_at in letters.order_by("id").values_list("subject_ref", "sent_at"):
        if ref not in found or found[ref] is not None:
            found[ref] = None if sent_at is None else sent_at.astimezone(zone).date()
    return found


def _gap_after_post(
    recall: Recall, campaign: Campaign, posted: Mapping[str, dt.date | None], room: _Room
) -> dt.date | None:
    """The day on which to look again, where the letter of the notice before was not posted or not long enough ago."""
    ref, notice = about(recall.id), notice_after(recall.notices_made, campaign.notices.all())
    if ref not in posted or notice is None:
        return None
    day = posted[ref]
    if day is None:
        return room.today + dt.timedelta(days=1)
    ready_on = day + dt.timedelta(days=notice.min_gap_days)
    return ready_on if ready_on > room.today else None


def _wait_for_post(waiting: Sequence[tuple[Recall, dt.date]]) -> None:
    """Letters pile up until somebody posts them: the next notice keeps its gap from the day on which they were."""
    for recall, day in waiting:
        recall.next_notice_on = day
    _recalls().bulk_update([recall for recall, _ in waiting], ["next_notice_on"])


def plan_for(desk: Desk, recall: Recall, campaign: Campaign) -> Plan:
    """How the next notice of a recall would be sent now, and in which words, or why it cannot be.

    The recall's customer must have been fetched ``with_contact_facts``; nothing is written.
    """
    draft = _draft(recall, recall.notices_made + 1, campaign)
    message = Message(
        branch=campaign.branch,
        customer=recall.customer,
        kind=draft.kind.name,
        purpose=draft.kind.purpose,
        values=dict(draft.values),
        ways=",".join(draft.ways),
    )
    return desk.plan(message)


def _draft(recall: Recall, ordinal: int, campaign: Campaign, due_at: dt.datetime | None = None) -> Draft:
    return Draft(
        customer=recall.customer,
        kind=kind_of(ordinal, promotes=campaign.promotes),
        about=about(recall.id),
        values={"due_on": recall.due_on.isoformat()},
        due_at=due_at,
        ways=campaign.ways,
    )


def _show_to_staff(untold: Sequence[tuple[Recall, str]]) -> None:
    """Who cannot be told waits, with the reason, until somebody corrects the address."""
    for recall, reason in untold:
        recall.obstacle, recall.next_notice_on = reason[:300], None
    _recalls().bulk_update([recall for recall, _ in untold], ["obstacle", "next_notice_on"])


def _count(recalls: Sequence[Recall], campaign: Campaign, today: dt.date) -> list[tuple[Recall, CampaignNotice]]:
    """Count the notices, each only from the value that was seen; returns those that are ours to make."""
    made: list[tuple[Recall, CampaignNotice]] = []
    for notice in campaign.notices.all():
        mine = [recall for recall in recalls if recall.notices_made == notice.ordinal - 1]
        following = notice_after(notice.ordinal, campaign.notices.all())
        counted = (
            _recalls()
            .filter(id__in=[recall.id for recall in mine], state=State.PLANNED, notices_made=notice.ordinal - 1)
            .update(
                notices_made=notice.ordinal,
                first_notice_on=Coalesce(F("first_notice_on"), Value(today)),
                last_notice_on=today,
                next_notice_on=None if following is None else day_of(following, last=today),
            )
        )
        if counted != len(mine):
            raise Busy(headers={"Retry-After": "1"})
        made += [(recall, notice) for recall in mine]
    return made


def _queue(actor: Actor, campaign: Campaign, room: _Room, made: Sequence[tuple[Recall, CampaignNotice]]) -> None:
    if not made:
        return
    correspondence.messages_queue(
        actor=actor,
        branch=campaign.branch,
        drafts=[_draft(recall, notice.ordinal, campaign, room.due_at) for recall, notice in made],
    )
    outbox.record(
        event_type=events.NOTICES_MADE,
        subject=f"recall-campaigns/{campaign.id}",
        actor=actor,
        branch_id=campaign.branch_id,
        data={"campaign": str(campaign.id), "count": len(made), "day": room.leaves_on.isoformat()},
    )


def notices_lost_count(*, recall_id: uuid.UUID) -> None:
    """Count anew which of the notices made did not reach anybody: they could not be delivered, or were taken back.

    Counted from the messages, so it holds whatever is heard twice, and when one did arrive after all.
    """
    with transaction.atomic():
        for recall in lock_rows(_recalls().filter(id=recall_id)):
            lost = Message.objects.everywhere("notices of one recall").filter(
                Q(state__in=[Message.State.FAILED, Message.State.WITHDRAWN]) | Q(delivery=Message.Delivery.UNDELIVERED),
                kind__in=NAMES,
                subject_ref=about(recall_id),
            )
            recall.notices_lost = min(lost.count(), recall.notices_made)
            recall.save(update_fields=["notices_lost"])


def obstacles_clear(*, branch_id: uuid.UUID | None = None) -> int:
    """Forget why people could not be told, so that it is tried again: in one branch or in all. Returns how many."""
    cleared = 0
    for campaign in selectors.running_campaigns():
        if branch_id in (None, campaign.branch_id):
            blocked = _recalls().filter(branch_id=campaign.branch_id, state=State.PLANNED).exclude(obstacle="")
            with transaction.atomic():
                lock_rows(_campaigns().filter(id=campaign.id))
                cleared += blocked.update(obstacle="")
                schedule_missing(campaign)
    return cleared


def notices_schedule_missing() -> int:
    """Schedule what a planning and a start at the same moment left out; returns how many."""
    return sum(schedule_missing(campaign) for campaign in selectors.running_campaigns())


def _recalls() -> BranchQuerySet[Recall]:
    return Recall.objects.everywhere("the duty makes notices for every branch")


def _campaigns() -> BranchQuerySet[Campaign]:
    return Campaign.objects.everywhere("the duty makes notices for every branch")


def _customers() -> BranchQuerySet[Customer]:
    return Customer.objects.everywhere("the duty makes notices for every branch")
