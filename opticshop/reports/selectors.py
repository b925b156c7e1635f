from __future__ import annotations

import uuid

from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet

from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound

from .models import ReportAddress, ReportMail, ReportRecipient, ReportRun, ReportSchedule
from .permissions import ReportPermission


def runs_visible_to(actor: Actor) -> QuerySet[ReportRun]:
    """The actor's own runs, without their files."""
    return ReportRun.objects.filter(asked_by=actor.id).defer("content").prefetch_related("branches")


def run_get_for(actor: Actor, run_id: uuid.UUID) -> ReportRun:
    found = runs_visible_to(actor).filter(id=run_id).first()
    if found is None:
        raise NotFound(f"There is no report run {run_id} here.")
    return found


def schedules_visible_to(actor: Actor) -> QuerySet[ReportSchedule]:
    """What the actor made or is sent; all for who may schedule reports everywhere. Not what was deleted."""
    rows = ReportSchedule.objects.exclude(state=ReportSchedule.State.ENDED)
    if actor.where(ReportPermission.SCHEDULE) is not ALL:
        mine = ReportRecipient.objects.filter(user=actor.id).values("schedule")
        rows = rows.filter(Q(made_by=actor.id) | Q(id__in=mine))
    proved = ReportAddress.objects.filter(user=OuterRef("user"), address=OuterRef("user__email"))
    people = ReportRecipient.objects.select_related("user").order_by("id")
    people = people.annotate(has_confirmed_address=Exists(proved.filter(confirmed_at__isnull=False)))
    return rows.prefetch_related("branches", Prefetch("recipients", people))


def schedule_get_for(actor: Actor, schedule_id: uuid.UUID) -> ReportSchedule:
    found = schedules_visible_to(actor).filter(id=schedule_id).first()
    if found is None:
        raise NotFound(f"There is no report schedule {schedule_id} here.")
    return found


def mails_visible_to(actor: Actor) -> QuerySet[ReportMail]:
    """Mails of reports to the actor, and of schedules that the actor made."""
    rows = ReportMail.objects.filter(occurrence__isnull=False).select_related("occurrence")
    return rows.filter(Q(user=actor.id) | Q(occurrence__schedule__made_by=actor.id))


def addresses_of(actor: Actor) -> QuerySet[ReportAddress]:
    """The actor's own, if a code was asked for."""
    return ReportAddress.objects.filter(user=actor.id)
