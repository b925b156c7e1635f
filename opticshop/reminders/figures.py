"""How many people came back, of those due; who cannot be told; which policies there are.

Recall return is people who came within the window over people due, not over messages; who died, moved away, opted out
or had come already is not among those due (common practice, no source; the window of 90 days is ours).
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Count, DateField, ExpressionWrapper, F, Q, Value
from django.db.models.functions import Cast

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet
from opticshop.pluginhost.manager import host

from .models import Outcome, Recall
from .permissions import ReminderPermission
from .selectors import cannot_be_told

DAYS_TO_RETURN = 90
ELSEWHERE = (Outcome.DECEASED, Outcome.MOVED, Outcome.OPTED_OUT, Outcome.SUPERSEDED)
SHARE = Decimal("0.0001")


@dataclass(frozen=True, slots=True)
class Returns:
    branch: uuid.UUID
    policy: str
    due: int
    told: int
    returned: int
    not_counted: int

    @property
    def return_rate(self) -> Decimal | None:
        return (Decimal(self.returned) / self.due).quantize(SHARE) if self.due else None


@dataclass(frozen=True, slots=True)
class Unreachable:
    branch: uuid.UUID
    due_next_month: int
    cannot_be_told: int


@dataclass(frozen=True, slots=True)
class RecallFigures:
    returns: list[Returns]
    unreachable: list[Unreachable]


@dataclass(frozen=True, slots=True)
class KnownPolicy:
    name: str
    title: str
    flags: list[str]


def recall_figures(actor: Actor, branch: Branch | None, first: dt.date, last: dt.date) -> RecallFigures:
    """Two queries. Limited to the branches in which the actor may see recalls."""
    rows = Recall.objects.visible_to(actor, ReminderPermission.VIEW)
    if branch is not None:
        rows = rows.filter(branch=branch)
    return RecallFigures(_returns(rows.filter(due_on__range=(first, last))), _unreachable(rows))


def _returns(rows: BranchQuerySet[Recall]) -> list[Returns]:
    window = ExpressionWrapper(F("first_notice_on") + Value(dt.timedelta(days=DAYS_TO_RETURN)), DateField())
    told = Q(first_notice_on__isnull=False, notices_made__gt=F("notices_lost"))
    came_before = Q(returned_on__isnull=False) & (~told | Q(returned_on__lt=F("first_notice_on")))
    not_counted = Q(outcome__in=ELSEWHERE) | came_before
    counted = ~Q(outcome__in=ELSEWHERE) & (
        Q(returned_on__isnull=True) | (told & Q(returned_on__gte=F("first_notice_on")))
    )
    came = Q(returned_on__gte=F("first_notice_on"), returned_on__lte=Cast(window, DateField()))
    groups = rows.order_by("branch__code", "policy").values_list("branch_id", "policy")
    return [
        Returns(*group)
        for group in groups.annotate(
            due=Count("id", filter=counted),
            told=Count("id", filter=counted & told),
            returned=Count("id", filter=counted & came),
            not_counted=Count("id", filter=not_counted),
        )
    ]


def _unreachable(rows: BranchQuerySet[Recall]) -> list[Unreachable]:
    today = clock.now().date()
    first = (today.replace(day=1) + dt.timedelta(days=32)).replace(day=1)
    last = (first + dt.timedelta(days=32)).replace(day=1) - dt.timedelta(days=1)
    due = rows.filter(state=Recall.State.PLANNED, due_on__range=(first, last))
    groups = (
        due.order_by()
        .values_list("branch_id")
        .annotate(due_next_month=Count("id"), mute=Count("id", filter=cannot_be_told(today)))
    )
    return [Unreachable(*group) for group in groups.order_by("-mute", "branch_id")]


def known_policies() -> list[KnownPolicy]:
    """The policies of the plugins that are on. No query."""
    things = [brought.thing for brought in host().shelves.recall_policies.values()]
    return [
        KnownPolicy(each.name, each.title, sorted(each.flags)) for each in sorted(things, key=lambda each: each.name)
    ]
