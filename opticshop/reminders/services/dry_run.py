"""What a campaign would do today, draft or not: counts and examples. Nothing is written."""

from __future__ import annotations

import datetime as dt
import uuid
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from zoneinfo import ZoneInfo

from django.db.models import Count

from opticshop.branches.calendars import calendar_of
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet
from opticshop.correspondence.desk import Desk
from opticshop.customers.contacting import with_contact_facts
from opticshop.customers.models import Customer

from .. import selectors
from ..models import Campaign, Recall
from ..moments import sendable_at
from ..permissions import ReminderPermission
from ..scheduling import day_for
from .notices import MADE_AT_ONCE, plan_for

EXAMPLES_EACH = 2


@dataclass(frozen=True, slots=True)
class Example:
    """One notice as it would be written."""

    recall: uuid.UUID
    customer: uuid.UUID
    notice: int
    way: str
    language: str
    subject: str
    body: str


@dataclass(slots=True)
class DryRun:
    """``would_make`` by notice and way; ``put_off`` to another day by the cap; ``left_out`` by reason."""

    day: dt.date
    would_leave_at: dt.datetime | None
    would_make: Counter[tuple[int, str]] = field(default_factory=Counter)
    put_off: int = 0
    left_out: Counter[str] = field(default_factory=Counter)
    cannot_be_told: Counter[str] = field(default_factory=Counter)
    examples: list[Example] = field(default_factory=list)


def campaign_try(*, actor: Actor, campaign: Campaign) -> DryRun:
    """What the campaign, as fetched by its selector, would make today if it ran. Raises NoTimeToSend."""
    actor.require(ReminderPermission.MANAGE, campaign.branch_id)
    today, calendar = clock.today(campaign.branch.time_zone), calendar_of(campaign.branch)
    would_leave_at = sendable_at(
        clock.now(),
        quiet_from=campaign.quiet_from,
        quiet_to=campaign.quiet_to,
        calendar=calendar,
        open_days_only=campaign.open_days_only,
    )
    run = DryRun(today, would_leave_at)
    leaves_on = would_leave_at.astimezone(ZoneInfo(campaign.branch.time_zone)).date()
    left = campaign.daily_cap - selectors.notices_made_on(campaign.branch_id, leaves_on)
    if campaign.open_days_only and not calendar.is_open(today):
        left, run.would_leave_at = 0, None
    desk = Desk(campaign.branch)
    rows = _due(campaign, today, run)
    while chunk := list(islice(rows, MADE_AT_ONCE)):
        left = _try(desk, campaign, chunk, run, left)
    run.left_out.update(_closed(campaign, today))
    return run


def _due(campaign: Campaign, today: dt.date, run: DryRun) -> Iterator[Recall]:
    """The recalls that are due by the terms, those due longest first; counts why the others are left out."""
    rows = _recalls().filter(branch_id=campaign.branch_id, state=Recall.State.PLANNED)
    for recall in rows.select_related("customer", "prescription").order_by("due_on", "id").iterator(chunk_size=500):
        reason = _left_out(recall, campaign, today)
        if reason:
            run.left_out[reason] += 1
        else:
            yield recall


def _left_out(recall: Recall, campaign: Campaign, today: dt.date) -> str:
    """A reason in one word, or empty for a recall whose notice is due."""
    if recall.due_on < campaign.not_due_before:
        return "due_too_long_ago"
    day = day_for(recall, campaign)
    if day is None:
        return "all_notices_made"
    if day > today:
        return "on_hold" if recall.held_until == day else "not_due_yet"
    if campaign.promotes and not recall.customer.wants_marketing:
        return "no_consent_to_marketing"
    return ""


def _try(desk: Desk, campaign: Campaign, recalls: Sequence[Recall], run: DryRun, left: int) -> int:
    newer = selectors.with_newer_prescription(recalls)
    rows = Customer.objects.everywhere("of recalls of the branch, permission checked before")
    people = {each.id: each for each in with_contact_facts(rows.filter(id__in={r.customer_id for r in recalls}))}
    for recall in recalls:
        recall.customer = people[recall.customer_id]
        ordinal = recall.notices_made + 1
        plan = plan_for(desk, recall, campaign)
        if recall.id in newer:
            run.left_out["came_back"] += 1
        elif plan.obstacle:
            run.left_out["cannot_be_told"] += 1
            run.cannot_be_told[plan.obstacle] += 1
        elif left <= 0:
            run.put_off += 1
        else:
            left -= 1
            run.would_make[ordinal, plan.way] += 1
            if run.would_make[ordinal, plan.way] <= EXAMPLES_EACH:
                run.examples.append(
                    Example(
                        recall.id,
                        recall.customer_id,
                        ordinal,
                        plan.way,
                        plan.language,
                        plan.subject,
                        plan.body,
                    )
                )
    return left


def _closed(campaign: Campaign, today: dt.date) -> dict[str, int]:
    """Recalls that would be due but are closed, by what became of them."""
    first = min(notice.days_from_due for notice in campaign.notices.all())
    rows = _recalls().filter(
        branch_id=campaign.branch_id,
        state=Recall.State.CLOSED,
        due_on__gte=campaign.not_due_before,
        due_on__lte=today - dt.timedelta(days=first),
    )
    return dict(rows.order_by().values_list("outcome").annotate(Count("id")))


def _recalls() -> BranchQuerySet[Recall]:
    return Recall.objects.everywhere("of one branch, permission checked before")
