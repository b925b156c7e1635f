"""Writes of branches: opening and changing a branch, and giving out numbers."""

from __future__ import annotations

import zoneinfo
from typing import Any

from django.db import IntegrityError, connection, transaction
from django.db.models import F

from opticshop.core import clock, outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid, VersionMismatch

from . import events
from .models import Branch, NumberSeries
from .permissions import BranchPermission


class BranchCodeTaken(Conflict):
    """Branch codes are unique: they begin every number of the branch."""

    code = "branches.code_taken"
    title = "Another branch has this code"


def branch_open(*, actor: Actor, code: str, name: str, **details: Any) -> Branch:
    """Open a branch. Only an actor that edits branches everywhere may."""
    _require_group(actor)
    zone = details.get("time_zone", "Europe/London")
    if zone not in zoneinfo.available_timezones():
        raise Invalid(f"{zone} is no IANA time zone.", field="time_zone", allowed="for instance Europe/London")
    with transaction.atomic():
        try:
            with transaction.atomic():
                branch = Branch.objects.create(code=code.upper(), name=name, **details)
        except IntegrityError as error:
            raise BranchCodeTaken(f"There is already a branch {code.upper()}.", field="code") from error
        outbox.record(
            event_type=events.BRANCH_OPENED,
            subject=f"branches/{branch.id}",
            actor=actor,
            branch_id=branch.id,
            data={"branch": str(branch.id), "code": branch.code},
        )
    return branch


def branch_change(*, actor: Actor, branch: Branch, version: int, changes: dict[str, Any]) -> Branch:
    """Change a branch's details, guarded by its version."""
    actor.require(BranchPermission.EDIT, branch.id)
    zone = changes.get("time_zone")
    if zone is not None and zone not in zoneinfo.available_timezones():
        raise Invalid(f"{zone} is no IANA time zone.", field="time_zone", allowed="for instance Europe/London")
    with transaction.atomic():
        changed = Branch.objects.filter(id=branch.id, version=version).update(version=F("version") + 1, **changes)
        if not changed:
            raise VersionMismatch(field="If-Match")
        outbox.record(
            event_type=events.BRANCH_CHANGED,
            subject=f"branches/{branch.id}",
            actor=actor,
            branch_id=branch.id,
            data={"branch": str(branch.id), "fields": sorted(changes)},
        )
    branch.refresh_from_db()
    return branch


def _require_group(actor: Actor) -> None:
    if actor.where(BranchPermission.EDIT) is not ALL:
        raise Forbidden("Branches are opened by head office.")


def number_next(*, branch: Branch, kind: str) -> str:
    """The next document number of a branch, gapless within the year: ``HI-R-2026-00001``.

    Must run in the transaction that writes the document: the series row stays locked until it ends, so a roll-back
    gives the number back and no number is ever skipped or given twice.
    """
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("numbers are given out inside the document's transaction")
    year = clock.today(branch.time_zone).year
    key = {"branch": branch, "kind": kind, "year": year}
    if not NumberSeries.objects.filter(**key).update(last=F("last") + 1):
        try:
            with transaction.atomic():
                NumberSeries.objects.create(**key, last=1)
        except IntegrityError:
            NumberSeries.objects.filter(**key).update(last=F("last") + 1)
    last = NumberSeries.objects.get(**key).last
    return f"{branch.code}-{kind}-{year}-{last:05d}"
