"""What a branch, or the group, wants otherwise than the defaults of a cause."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Forbidden, Invalid, VersionMismatch

from .. import events, selectors
from ..causes import Cause
from ..models import AlertRule
from ..permissions import AlertPermission
from .handling import NotOfThisBranch


class ThresholdUnknown(Invalid):
    """The cause has no threshold of this name."""

    code = "alerts.threshold_unknown"
    title = "This cause has no such threshold"


class ThresholdOutOfRange(Invalid):
    """A threshold is a whole number within its limits."""

    code = "alerts.threshold_out_of_range"
    title = "This threshold is out of range"


class OwnerOnlyAtBranch(Invalid):
    """A person owns alerts at a branch; the rule of the group names a role."""

    code = "alerts.owner_only_at_branch"
    title = "A rule of the group names a role, not a person"


def rule_set(
    *, actor: Actor, branch: Branch | None, cause: Cause, version: int, changes: Mapping[str, Any]
) -> AlertRule:
    """Set a rule of a branch, or, without one, of the group. A value of None goes back to what stands above it.

    ``version`` 0 is the rule that nobody has set yet. The next evaluation goes by it.
    """
    _may(actor, branch)
    thresholds = dict(changes.get("thresholds", {}))
    _check_thresholds(cause, thresholds)
    if (owner := changes.get("owner")) is not None:
        _check_owner(owner, branch)
    with transaction.atomic():
        rows = AlertRule.objects.everywhere("by branch and cause, permission checked above")
        row = rows.filter(branch=branch, cause=cause.name).first()
        if (0 if row is None else row.version) != version:
            raise VersionMismatch(field="If-Match")
        columns = {
            "owner_id" if name == "owner" else name: _stored(name, value)
            for name, value in changes.items()
            if name != "thresholds"
        }
        if "thresholds" in changes:
            kept = {**({} if row is None else row.thresholds), **thresholds}
            columns["thresholds"] = {name: value for name, value in kept.items() if value is not None}
        if row is None:
            row = _create(branch, cause, columns)
        else:
            if not rows.filter(id=row.id, version=version).update(version=F("version") + 1, **columns):
                raise VersionMismatch(field="If-Match")
            row.refresh_from_db()
        outbox.record(
            event_type=events.RULE_SET,
            subject=f"alert-rules/{cause.name}",
            actor=actor,
            branch_id=None if branch is None else branch.id,
            data={
                "cause": cause.name,
                "branch": None if branch is None else str(branch.id),
                "fields": sorted([*(name for name in changes if name != "thresholds"), *thresholds]),
            },
        )
    return row


def _may(actor: Actor, branch: Branch | None) -> None:
    actor.require(AlertPermission.SET_UP, None if branch is None else branch.id)
    if branch is None and actor.where(AlertPermission.SET_UP) is not ALL:
        raise Forbidden("The rule of the group is set by who sets up alerts in every branch.")


def _check_thresholds(cause: Cause, thresholds: Mapping[str, int | None]) -> None:
    known = {each.name: each for each in cause.thresholds}
    for name, value in thresholds.items():
        if name not in known:
            raise ThresholdUnknown(f"{cause.title} has no threshold {name}.", field="thresholds", allowed=sorted(known))
        lowest, highest = known[name].lowest, known[name].highest
        if value is not None and not lowest <= value <= highest:
            raise ThresholdOutOfRange(
                f"{name} is {value}.", field="thresholds", allowed={"lowest": lowest, "highest": highest}
            )


def _check_owner(owner: uuid.UUID, branch: Branch | None) -> None:
    if branch is None:
        raise OwnerOnlyAtBranch(field="owner")
    if not selectors.works_at(owner, branch):
        raise NotOfThisBranch(f"{owner} does not see to alerts at {branch}.", field="owner")


def _stored(name: str, value: Any) -> Any:
    return "" if name == "owner_role" and value is None else value


def _create(branch: Branch | None, cause: Cause, columns: Mapping[str, Any]) -> AlertRule:
    try:
        with transaction.atomic():
            return AlertRule.objects.create(branch=branch, cause=cause.name, **columns)
    except IntegrityError as error:
        raise VersionMismatch(field="If-Match") from error
