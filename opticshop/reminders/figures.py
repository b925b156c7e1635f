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
from opticshop.core.shares import share_of
from opticshop.pluginhost.manager import host

from .models import Outcome, Recall
from .permissions import ReminderPermission
from .selectors import cannot_be_told

DAYS_TO_RETURN = 90
ELSEWHERE = (Outcome.DECEASED, Outcome.MOVED, Outcome.OPTED_OUT, Outcome.SUPERSEDED)


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
        return share_of(self.returned, self.due)


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


def return_counts(today: dt.date) -> dict[str, Count]:
    """What is counted of recalls in any grouping: name -> count of rows of ``Recall``. No query.

    ``due``: counted among those due; of these ``told``, ``returned`` (within ``DAYS_TO_RETURN`` of the first notice),
    ``returned_30`` and ``returned_60`` (days), and ``waiting`` (told so lately that they may still come). The rest is
    ``not_counted``.
    """
    told = Q(first_notice_on__isnull=False, notices_made__gt=F("notices_lost"))
    came_before = Q(returned_on__isnull=False) & (~told | Q(returned_on__lt=F("first_notice_on")))
    counted = ~Q(outcome__in=ELSEWHERE) & (
        Q(returned_on__isnull=True) | (told & Q(returned_on__gte=F("first_notice_on")))
    )
    still = Q(returned_on__isnull=True, first_notice_on__gte=today - dt.timedelta(days=DAYS_TO_RETURN))
    return {
        "due": Count("id", filter=counted),
        "told": Count("id", filter=counted & told),
        "returned": Count("id", filter=counted & _came_within(DAYS_TO_RETURN)),
        "returned_30": Count("id", filter=counted & _came_within(30)),
        "returned_60": Count("id", filter=counted & _came_within(60)),
        "waiting": Count("id", filter=counted & told & still),
        "not_counted": Count("id", filter=Q(outcome__in=ELSEWHERE) | came_before),
    }


def _came_within(days: int) -> Q:
    window = ExpressionWrapper(F("first_notice_on") + Value(dt.timedelta(days=days)), DateField())
    return Q(returned_on__gte=F("first_notice_on"), returned_on__lte=Cast(window, DateField()))


def _returns(rows: BranchQuerySet[Recall]) -> list[Returns]:
    counts = return_counts(clock.now().date())
    told_of = {name: counts[name] for name in ("due", "told", "returned", "not_counted")}
    groups = rows.order_by("branch__code", "policy").values_list("branch_id", "policy")
    return [Returns(*group) for group in groups.annotate(**told_of)]


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
