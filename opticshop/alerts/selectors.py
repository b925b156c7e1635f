"""Reads of alerts, rules and digests, limited to the branches in which the actor may see them."""

from __future__ import annotations

import uuid
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Count, Q

from opticshop.accounts.models import Membership, Role
from opticshop.branches.models import Branch
from opticshop.core.actor import ALL, Actor
from opticshop.core.fetching import related
from opticshop.core.scoping import BranchQuerySet

from .causes import CAUSES
from .kinds import ESCALATION, LIVE_STATES
from .models import Alert, AlertDigest, AlertRule, AlertStep, DigestSubscription
from .permissions import AlertPermission
from .ruling import Rule, Rules


def alerts_visible_to(actor: Actor, permission: str = AlertPermission.VIEW) -> BranchQuerySet[Alert]:
    """Alerts of causes whose documents the actor may see too: no order by way of an alert, no balance either."""
    rows = Alert.objects.visible_to(actor, permission).filter(_of_what_is_visible(actor))
    return rows.select_related("branch", "owner", "acknowledged_by", "closed_by")


_STEPS = related("steps", lambda: AlertStep.objects.order_by("id"))


def with_steps(alerts: BranchQuerySet[Alert]) -> BranchQuerySet[Alert]:
    return alerts.prefetch_related(_STEPS)


def _of_what_is_visible(actor: Actor) -> Q:
    by_need: dict[str, list[str]] = defaultdict(list)
    for cause in CAUSES.values():
        by_need[cause.needs].append(cause.name)
    shown = Q(pk__in=[])
    for needs, names in by_need.items():
        where = actor.where(needs)
        shown |= Q(cause__in=names) if where is ALL else Q(cause__in=names, branch__in=where)
    return shown


def mine(actor: Actor) -> Q:
    """Alerts that the actor sees to: theirs by name, those of their role that are nobody's by name, and those that
    were escalated to their role. One query."""
    if actor.id is None:
        return Q(pk__in=[])
    found = Q(owner_id=actor.id)
    for role, branch_id in Membership.objects.filter(user_id=actor.id).values_list("role", "branch_id"):
        of_role = Q(owner__isnull=True, owner_role=role)
        if role in ESCALATION:
            of_role |= Q(level__gt=ESCALATION.index(role))
        found |= of_role if branch_id is None else of_role & Q(branch_id=branch_id)
    return found


def works_at(user_id: uuid.UUID, branch: Branch) -> bool:
    """Whether a person may see to alerts at a branch: an active user with a role there that has to do with them."""
    held = Membership.objects.filter(user_id=user_id, user__is_active=True, user__kind="person")
    return held.filter(Q(branch=branch) | Q(branch=None)).exclude(role=Role.BOOKKEEPER).exists()


@dataclass(slots=True)
class Standing:
    """How many alerts of a cause stand at a branch."""

    branch: uuid.UUID
    cause: str
    open: int = 0
    acknowledged: int = 0
    escalated: int = 0
    by_severity: dict[str, int] = field(default_factory=dict)


def standings(alerts: BranchQuerySet[Alert]) -> list[Standing]:
    """Counts of live alerts by branch and cause. One query."""
    rows: Any = alerts.select_related(None).filter(state__in=LIVE_STATES).order_by()
    counted = rows.values("branch_id", "cause", "severity", "state").annotate(
        n=Count("id"), up=Count("id", filter=Q(level__gt=0))
    )
    found: dict[tuple[uuid.UUID, str], Standing] = {}
    for row in counted:
        key = row["branch_id"], row["cause"]
        each = found.setdefault(key, Standing(*key))
        setattr(each, row["state"], getattr(each, row["state"]) + row["n"])
        each.escalated += row["up"]
        each.by_severity[row["severity"]] = each.by_severity.get(row["severity"], 0) + row["n"]
    return [found[key] for key in sorted(found, key=lambda key: (str(key[0]), key[1]))]


def rules_of(branch: Branch | None) -> list[Rule]:
    """What is in force at a branch the caller may see, or for the group, cause by cause. One query."""
    rows = AlertRule.objects.everywhere("of a branch the caller may see, and of the group")
    here = Q(branch=None) if branch is None else Q(branch=None) | Q(branch=branch)
    return Rules(rows.filter(here)).all_at(None if branch is None else branch.id)


def digests_visible_to(actor: Actor) -> BranchQuerySet[AlertDigest]:
    return AlertDigest.objects.visible_to(actor, AlertPermission.VIEW).select_related("branch")


def subscriptions_visible_to(actor: Actor) -> BranchQuerySet[DigestSubscription]:
    """The actor's own."""
    seen = DigestSubscription.objects.visible_to(actor, AlertPermission.VIEW)
    return seen.none() if actor.id is None else seen.filter(user_id=actor.id)
