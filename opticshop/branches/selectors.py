from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass

from django.db.models import QuerySet

from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.prepared import Prepared, a_key_of_nobody

from .calendars import Calendar
from .models import Branch
from .permissions import BranchPermission


def branches_visible_to(actor: Actor) -> QuerySet[Branch]:
    where = actor.where(BranchPermission.VIEW)
    return Branch.objects.all() if where is ALL else Branch.objects.filter(id__in=where)


_BY_KEY: Prepared[Branch] = Prepared(
    lambda key: Branch.objects.filter(id=key), field=Branch._meta.pk, stand_in=a_key_of_nobody(Branch)
)


def branch_get_for(actor: Actor, branch_id: uuid.UUID, *, permission: str = BranchPermission.VIEW) -> Branch:
    """The branch, if the actor holds the permission there: NotFound where it works not at all, else Forbidden."""
    branch = next(iter(_BY_KEY.rows(branch_id)), None)
    if branch is None:
        raise NotFound(f"There is no branch {branch_id} here.", field="branch")
    actor.require(permission, branch.id)
    return branch


@dataclass(frozen=True, slots=True)
class CalendarDay:
    """One day of a branch: open, or closed and why."""

    day: dt.date
    is_open: bool
    why_closed: str | None


def calendar_days(calendar: Calendar, first: dt.date, count: int) -> list[CalendarDay]:
    """``count`` days from ``first`` on."""
    days = [first + dt.timedelta(days=offset) for offset in range(count)]
    return [CalendarDay(day, why is None, why) for day, why in ((day, calendar.why_closed(day)) for day in days)]
