"""Campaigns: drafted, started, paused, resumed, finished; each change sets anew when whose next notice is due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Q

from opticshop.branches.calendars import calendar_of
from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid, VersionMismatch
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet
from opticshop.core.states import check_move

from .. import events
from ..models import CAMPAIGN_MOVES, WAYS, Campaign, CampaignNotice, CampaignState, Recall
from ..moments import sendable_at
from ..permissions import ReminderPermission
from ..scheduling import day_of, whom_it_is_for

State = CampaignState


class CampaignAlreadyOpen(Conflict):
    """A branch has one campaign that runs or is paused; finish it before another is started."""

    code = "reminders.campaign_already_open"
    title = "This branch has an open campaign"


class CampaignIsOver(Conflict):
    """A finished campaign is not changed any more."""

    code = "reminders.campaign_is_over"
    title = "This campaign is finished"


class NoticesOutOfOrder(Invalid):
    """A campaign has one to three notices, each on a later day from the due day than the one before."""

    code = "reminders.notices_out_of_order"
    title = "The notices do not follow one another"


class WaysUnknown(Invalid):
    """The ways of a campaign are a choice of those that there are, each once."""

    code = "reminders.ways_unknown"
    title = "These are not ways by which people are told"


@dataclass(frozen=True, slots=True)
class Notice:
    """So many days from the due day, and at least so many after the notice before."""

    days_from_due: int
    min_gap_days: int = 0


def campaign_draft(
    *, actor: Actor, branch: Branch, name: str, notices: Sequence[Notice], ways: Sequence[str], **terms: Any
) -> Campaign:
    """Draft a campaign for a branch; nobody is told anything before it is started."""
    actor.require(ReminderPermission.MANAGE, branch.id)
    _check(notices=notices, ways=ways)
    with transaction.atomic():
        campaign = Campaign.objects.create(branch=branch, name=name, ways=list(ways), **terms)
        _write_notices(campaign, notices)
        _record(events.CAMPAIGN_DRAFTED, campaign, actor)
    return campaign


def campaign_amend(*, actor: Actor, campaign: Campaign, version: int, changes: Mapping[str, Any]) -> Campaign:
    """Change the terms; an open campaign is scheduled anew at once. Notices that were made stay made.

    Raises VersionMismatch, CampaignIsOver, NoTimeToSend, and what is wrong with the notices or ways.
    """
    actor.require(ReminderPermission.MANAGE, campaign.branch_id)
    values = dict(changes)
    notices = values.pop("notices", None)
    _check(notices=notices, ways=values.get("ways"))
    with transaction.atomic():
        row = _locked(campaign)
        if row.version != version:
            raise VersionMismatch(field="If-Match")
        if row.state == State.FINISHED:
            raise CampaignIsOver(field="state")
        for name, value in values.items():
            setattr(row, name, value)
        row.version = version + 1
        row.save(update_fields=[*values, "version"])
        if notices is not None:
            row.notices.all().delete()
            _write_notices(row, notices)
        if row.state == State.RUNNING:
            _check_hours(row)
            schedule(row)
        _record(events.CAMPAIGN_AMENDED, row, actor, fields=sorted(changes))
    return row


def campaign_start(*, actor: Actor, campaign: Campaign) -> Campaign:
    """Start a draft: from now on notices are made. Raises MoveNotAllowed, CampaignAlreadyOpen, NoTimeToSend."""
    return _set_going(actor, campaign, events.CAMPAIGN_STARTED, started_at=clock.now())


def campaign_resume(*, actor: Actor, campaign: Campaign) -> Campaign:
    """Let a paused campaign go on where it was. Raises MoveNotAllowed, NoTimeToSend."""
    return _set_going(actor, campaign, events.CAMPAIGN_RESUMED)


def campaign_pause(*, actor: Actor, campaign: Campaign) -> Campaign:
    """Make no further notices until it is resumed; messages that are queued already still go out."""
    return _stop(actor, campaign, State.PAUSED, events.CAMPAIGN_PAUSED)


def campaign_finish(*, actor: Actor, campaign: Campaign) -> Campaign:
    """End a campaign for good. Recalls stay planned for the next one, which goes on with the notice they stand at."""
    return _stop(actor, campaign, State.FINISHED, events.CAMPAIGN_FINISHED, finished_at=clock.now())


def schedule(campaign: Campaign) -> int:
    """Set for every recall of the branch when its next notice is due under a running campaign; returns how many."""
    notices = list(campaign.notices.all())
    left_out = Q(due_on__lt=campaign.not_due_before) | ~Q(obstacle="") | Q(notices_made__gte=len(notices))
    if campaign.promotes:
        left_out |= Q(customer__wants_marketing=False)
    _scheduled(campaign).filter(left_out).update(next_notice_on=None)
    return sum(_awaiting(campaign, notice).update(next_notice_on=day_of(notice)) for notice in notices)


def schedule_missing(campaign: Campaign) -> int:
    """Schedule those that a change at the same moment left out; returns how many."""
    return sum(
        _awaiting(campaign, notice).filter(next_notice_on=None).update(next_notice_on=day_of(notice))
        for notice in campaign.notices.all()
    )


def _scheduled(campaign: Campaign) -> BranchQuerySet[Recall]:
    return _recalls().filter(branch_id=campaign.branch_id, state=Recall.State.PLANNED, next_notice_on__isnull=False)


def _awaiting(campaign: Campaign, notice: CampaignNotice) -> BranchQuerySet[Recall]:
    return whom_it_is_for(_recalls(), campaign).filter(notices_made=notice.ordinal - 1)


def _set_going(actor: Actor, campaign: Campaign, event: str, **values: Any) -> Campaign:
    actor.require(ReminderPermission.MANAGE, campaign.branch_id)
    with transaction.atomic():
        row = _locked(campaign)
        _move(row, State.RUNNING, values)
        _check_hours(row)
        _record(event, row, actor, scheduled=schedule(row))
    return row


def _stop(actor: Actor, campaign: Campaign, state: str, event: str, **values: Any) -> Campaign:
    actor.require(ReminderPermission.MANAGE, campaign.branch_id)
    with transaction.atomic():
        row = _locked(campaign)
        ran = row.state == State.RUNNING
        _move(row, state, values)
        if ran:
            _scheduled(row).update(next_notice_on=None)
        _record(event, row, actor)
    return row


def _move(campaign: Campaign, state: str, values: Mapping[str, Any]) -> None:
    check_move(CAMPAIGN_MOVES, campaign.state, state, of="The campaign")
    campaign.state, campaign.version = state, campaign.version + 1
    for name, value in values.items():
        setattr(campaign, name, value)
    try:
        with transaction.atomic():
            campaign.save(update_fields=["state", "version", *values])
    except IntegrityError as error:
        raise CampaignAlreadyOpen("Finish the open one first.", field="branch") from error


def _check(*, notices: Sequence[Notice] | None, ways: Sequence[str] | None) -> None:
    if ways is not None and (not ways or len(set(ways)) < len(ways) or not set(ways) <= set(WAYS)):
        raise WaysUnknown(f"Given were {', '.join(ways) or 'none'}.", field="ways", allowed=list(WAYS))
    if notices is None:
        return
    days = [notice.days_from_due for notice in notices]
    if not 1 <= len(days) <= 3 or sorted(set(days)) != days:
        raise NoticesOutOfOrder(
            f"Days from the due day: {', '.join(map(str, days)) or 'none'}.",
            field="notices",
            allowed="one to three, each on a later day than the one before",
        )


def _check_hours(campaign: Campaign) -> None:
    sendable_at(
        clock.now(),
        quiet_from=campaign.quiet_from,
        quiet_to=campaign.quiet_to,
        calendar=calendar_of(campaign.branch),
        open_days_only=campaign.open_days_only,
    )


def _write_notices(campaign: Campaign, notices: Sequence[Notice]) -> None:
    CampaignNotice.objects.bulk_create(
        CampaignNotice(
            campaign=campaign, ordinal=ordinal, days_from_due=each.days_from_due, min_gap_days=each.min_gap_days
        )
        for ordinal, each in enumerate(notices, start=1)
    )


def _locked(campaign: Campaign) -> Campaign:
    rows = Campaign.objects.everywhere("by key, permission checked before").select_related("branch")
    [row] = lock_rows(rows.filter(id=campaign.id))
    return row


def _recalls() -> BranchQuerySet[Recall]:
    return Recall.objects.everywhere("of one branch, permission checked before")


def _record(event_type: str, campaign: Campaign, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"recall-campaigns/{campaign.id}",
        actor=actor,
        branch_id=campaign.branch_id,
        data={"campaign": str(campaign.id), **more},
    )
