"""Writes of branches: opening and changing a branch, and giving out numbers."""

from __future__ import annotations

import datetime as dt
import uuid
import zoneinfo
from collections.abc import Mapping
from typing import Any

from django.db import IntegrityError, connection, transaction
from django.db.models import F

from opticshop.core import clock, outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid, NotFound, VersionMismatch

from . import events
from .calendars import Hours, subdivisions_of
from .models import Branch, Closure, NumberSeries, OpeningHours
from .permissions import BranchPermission
from .series import Series


class BranchCodeTaken(Conflict):
    """Branch codes are unique: they begin every number of the branch."""

    code = "branches.code_taken"
    title = "Another branch has this code"


class HoursMakeNoDay(Invalid):
    """A branch closes after it opens, on the same day, and is open on one weekday at least."""

    code = "branches.hours_make_no_day"
    title = "These hours are no opening hours"


class ClosureHasNoDays(Invalid):
    """The last day of a closure is not before the first, and a closure is not longer than a year."""

    code = "branches.closure_has_no_days"
    title = "These days are no closure"


class SubdivisionUnknown(Invalid):
    """The part of the country is not one whose public holidays are known; names those that are."""

    code = "branches.subdivision_unknown"
    title = "No public holidays are known for this part of the country"


def branch_open(*, actor: Actor, code: str, name: str, **details: Any) -> Branch:
    """Open a branch. Only an actor that edits branches everywhere may."""
    _require_group(actor)
    zone = details.get("time_zone", "Europe/London")
    if zone not in zoneinfo.available_timezones():
        raise Invalid(f"{zone} is no IANA time zone.", field="time_zone", allowed="for instance Europe/London")
    _check_subdivision(details.get("country", "GB"), details.get("subdivision", ""))
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
    if {"country", "subdivision"} & changes.keys():
        _check_subdivision(changes.get("country", branch.country), changes.get("subdivision", branch.subdivision))
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


def opening_hours_set(*, actor: Actor, branch: Branch, hours: Mapping[int, Hours]) -> None:
    """Set the whole week: weekday (0 is Monday) -> hours; a weekday that is left out is closed."""
    actor.require(BranchPermission.CALENDAR, branch.id)
    if not hours:
        raise HoursMakeNoDay("A branch that never opens has no week.", field="hours")
    for weekday, (opens_at, closes_at) in hours.items():
        if opens_at >= closes_at:
            raise HoursMakeNoDay(f"Weekday {weekday} closes before it opens.", field="hours")
    with transaction.atomic():
        _renew(branch)
        OpeningHours.objects.filter(branch=branch).delete()
        OpeningHours.objects.bulk_create(
            OpeningHours(branch=branch, weekday=weekday, opens_at=opens_at, closes_at=closes_at)
            for weekday, (opens_at, closes_at) in sorted(hours.items())
        )
        _calendar_changed(actor, branch, "hours")


def closure_add(*, actor: Actor, branch: Branch, first_on: dt.date, last_on: dt.date, reason: str) -> Closure:
    """Close a branch from a day to a day, both included. Promises already given stay as they are."""
    actor.require(BranchPermission.CALENDAR, branch.id)
    if not dt.timedelta(0) <= last_on - first_on <= dt.timedelta(days=366):
        raise ClosureHasNoDays(f"From {first_on} to {last_on}.", field="last_on", allowed="up to a year from first_on")
    with transaction.atomic():
        _renew(branch)
        closure = Closure.objects.create(branch=branch, first_on=first_on, last_on=last_on, reason=reason)
        _calendar_changed(actor, branch, "closures")
    return closure


def closure_lift(*, actor: Actor, branch: Branch, closure_id: uuid.UUID) -> None:
    """Take a closure back. Raises NotFound."""
    actor.require(BranchPermission.CALENDAR, branch.id)
    with transaction.atomic():
        _renew(branch)
        removed, _ = Closure.objects.filter(branch=branch, id=closure_id).delete()
        if not removed:
            raise NotFound(f"There is no closure {closure_id} here.", field="closure")
        _calendar_changed(actor, branch, "closures")


def _renew(branch: Branch) -> None:
    """A new version of the branch: who changes its calendar holds its row, and takes turns with others who do."""
    Branch.objects.filter(id=branch.id).update(version=F("version") + 1)


def _calendar_changed(actor: Actor, branch: Branch, what: str) -> None:
    outbox.record(
        event_type=events.CALENDAR_CHANGED,
        subject=f"branches/{branch.id}",
        actor=actor,
        branch_id=branch.id,
        data={"branch": str(branch.id), "what": what},
    )


def _check_subdivision(country: str, subdivision: str) -> None:
    known = subdivisions_of(country)
    if subdivision and subdivision not in (known or []):
        raise SubdivisionUnknown(
            f"{subdivision} is no part of {country} with public holidays of its own.",
            field="subdivision",
            allowed=known or "none: the country is not known",
        )


def _require_group(actor: Actor) -> None:
    if actor.where(BranchPermission.EDIT) is not ALL:
        raise Forbidden("Branches are opened by head office.")


def number_next(*, branch: Branch, kind: Series) -> str:
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
