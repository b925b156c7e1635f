"""On which day the next notice of a recall is due: the same rule for one row in Python and for many rows in SQL.

``max(due day + offset, last notice + gap, held until)``, where the campaign runs, has a further notice, and the recall
is one of those it is for; otherwise none.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django.db.models import DateField, ExpressionWrapper, F, Q, Value
from django.db.models.expressions import Combinable
from django.db.models.functions import Cast, Coalesce, Greatest

from opticshop.core.scoping import BranchQuerySet

from .models import Campaign, CampaignNotice, CampaignState, Recall


def notice_after(made: int, notices: Iterable[CampaignNotice]) -> CampaignNotice | None:
    """The notice that follows when so many were made."""
    return next((notice for notice in notices if notice.ordinal == made + 1), None)


def is_for(recall: Recall, campaign: Campaign) -> bool:
    """Whether the campaign is for this recall at all."""
    return (
        recall.state == Recall.State.PLANNED
        and recall.due_on >= campaign.not_due_before
        and not recall.obstacle
        and (not campaign.promotes or recall.customer.wants_marketing)
    )


def next_notice_on(recall: Recall, campaign: Campaign | None) -> dt.date | None:
    """The day for one recall, with its customer, under the open campaign of its branch."""
    if campaign is None or campaign.state != CampaignState.RUNNING or not is_for(recall, campaign):
        return None
    return day_for(recall, campaign)


def day_for(recall: Recall, campaign: Campaign) -> dt.date | None:
    """The day on which the notice that follows would be due by the terms; None where all were made."""
    notice = notice_after(recall.notices_made, campaign.notices.all())
    if notice is None:
        return None
    days = [recall.due_on + dt.timedelta(days=notice.days_from_due)]
    if recall.last_notice_on is not None:
        days.append(recall.last_notice_on + dt.timedelta(days=notice.min_gap_days))
    if recall.held_until is not None:
        days.append(recall.held_until)
    return max(days)


def day_of(notice: CampaignNotice, *, last: dt.date | None = None) -> Combinable:
    """The same day as an expression over rows; ``last`` stands for the last notice where that is being written."""
    from_due = _plus("due_on", notice.days_from_due)
    after_last: Combinable = _plus("last_notice_on", notice.min_gap_days)
    if last is not None:
        after_last = Value(last + dt.timedelta(days=notice.min_gap_days), DateField())
    held = Coalesce(F("held_until"), from_due)
    return Greatest(from_due, Coalesce(after_last, from_due), held, output_field=DateField())


def whom_it_is_for(recalls: BranchQuerySet[Recall], campaign: Campaign) -> BranchQuerySet[Recall]:
    """Those of the rows that the campaign is for, as ``is_for`` says it."""
    consent = Q(customer__wants_marketing=True) if campaign.promotes else Q()
    return recalls.filter(
        consent,
        branch_id=campaign.branch_id,
        state=Recall.State.PLANNED,
        due_on__gte=campaign.not_due_before,
        obstacle="",
    )


def _plus(column: str, days: int) -> Combinable:
    moved = F(column) + Value(dt.timedelta(days=days))
    return Cast(ExpressionWrapper(moved, output_field=DateField()), DateField())
