"""Reports that are sent again and again: agreed, changed, paused, resumed, ended; and the occurrences of each.

Every occurrence has one row, whoever looks for what is due at the same time. After a time in which no duty ran only the
newest is made. Figures are reckoned for each person by what that person may see at that moment.
"""

from __future__ import annotations

import datetime as dt
import logging
import uuid
from collections.abc import Sequence
from typing import Any
from zoneinfo import available_timezones

from django.db import transaction
from django.db.models import F

from opticshop.accounts.access import actor_for
from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import ALL, Actor, system
from opticshop.core.errors import Conflict, DomainError, Forbidden, Invalid, NotFound, VersionMismatch
from opticshop.core.locks import lock_rows
from opticshop.correspondence.desk import Desk, NotServed

from .. import events
from ..asking import Asked, asked_for, report_known
from ..models import ReportMail, ReportOccurrence, ReportRecipient, ReportSchedule, Rhythm
from ..permissions import ReportPermission
from ..schedules import When, days_of, newest_until, next_after
from .runs import run_write

log = logging.getLogger("opticshop.reports")
State = ReportSchedule.State
SYSTEM = system("reports")
#: How many people one schedule may be sent to.
MOST_RECIPIENTS = 50
#: How many schedules one run of the duty takes up.
AT_ONCE = 200
NOBODY_LEFT = "Nobody is left to send it to."


class RhythmNotWhole(Invalid):
    """A weekly report names the weekday and nothing else, a monthly one the day of the month, a daily one neither."""

    code = "reports.rhythm_not_whole"
    title = "The rhythm does not say on which day"


class RecipientMayNotSee(Invalid):
    """Somebody named is not there, has left, or may not see the report at all of these branches."""

    code = "reports.recipient_may_not_see"
    title = "A person cannot be sent this report"


class NoMailAtBranch(Invalid):
    """The branch that is to send it has no channel for e-mail."""

    code = "reports.no_mail_at_branch"
    title = "This branch sends no e-mail"


class NotInThisState(Conflict):
    """Only what is active is paused, and only what is paused is resumed."""

    code = "reports.schedule_not_in_this_state"
    title = "The schedule is not in the state for this"


def schedule_make(
    *,
    actor: Actor,
    report: str,
    by: str,
    compare: str | None,
    branches: Sequence[uuid.UUID] | None,
    sender: uuid.UUID | None,
    recipients: Sequence[uuid.UUID] | None,
    **details: Any,
) -> ReportSchedule:
    """Agree on a report that is sent again and again, first at the next moment of its rhythm.

    Without ``branches`` each person gets those that they may see then; without ``recipients`` it is sent to the actor;
    without ``sender`` the first of the branches sends it. Raises ReportNotKnown, GroupingNotKnown, RhythmNotWhole,
    NoMailAtBranch, RecipientMayNotSee, Invalid, NotFound, Forbidden.
    """
    assert actor.id is not None, "a schedule belongs to somebody"
    schedule = ReportSchedule(made_by_id=actor.id, report=report, by=by, compare=compare or "", **details)
    people = _checked(actor, schedule, branches, sender, [actor.id] if recipients is None else recipients)
    with transaction.atomic():
        schedule.save(force_insert=True)
        schedule.branches.set(Branch.objects.filter(id__in=branches or ()))
        _send_to(schedule, people)
        _tell(events.SCHEDULE_MADE, actor, schedule)
    return schedule


def schedule_change(*, actor: Actor, schedule: ReportSchedule, version: int, changes: dict[str, Any]) -> ReportSchedule:
    """Change what was agreed, guarded by the version that was read; the next moment is reckoned anew.

    Raises as ``schedule_make``, and VersionMismatch.
    """
    _may_manage(actor, schedule)
    changes = dict(changes)
    branches: Any = changes.pop("branches", [branch.id for branch in schedule.branches.all()]) or None
    recipients = changes.pop("recipients", None)
    sender = changes.pop("sender", schedule.sender_id)
    if "compare" in changes:
        changes["compare"] = changes["compare"] or ""
    if changes.get("rhythm", schedule.rhythm) != schedule.rhythm:
        changes = {"weekday": None, "month_day": None, **changes}
    for name, value in changes.items():
        setattr(schedule, name, value)
    going_on = [row.user_id for row in schedule.recipients.all() if row.stopped_at is None]
    people = _checked(actor, schedule, branches, sender, going_on if recipients is None else recipients)
    columns = {name: getattr(schedule, name) for name in (*changes, "sender_id", "next_due_at")}
    with transaction.atomic():
        rows = ReportSchedule.objects.filter(id=schedule.id, version=version).exclude(state=State.ENDED)
        if not rows.update(version=F("version") + 1, **columns):
            raise VersionMismatch(field="If-Match")
        schedule.branches.set(Branch.objects.filter(id__in=branches or ()))
        if recipients is not None:
            schedule.recipients.exclude(user__in=people).delete()
            _send_to(schedule, people)
        _tell(events.SCHEDULE_CHANGED, actor, schedule)
    return schedule


def schedule_pause(*, actor: Actor, schedule: ReportSchedule, reason: str = "") -> ReportSchedule:
    """Send nothing until it is resumed. Raises NotInThisState."""
    _may_manage(actor, schedule)
    with transaction.atomic():
        row = _held(schedule, State.ACTIVE)
        _pause(actor, row, reason or f"Paused by {actor.label}.")
    return row


def schedule_resume(*, actor: Actor, schedule: ReportSchedule) -> ReportSchedule:
    """Go on with the next moment after now, with everybody who may see the report now.

    What would have been sent meanwhile is not made up for. Raises NotInThisState, RecipientMayNotSee where nobody may.
    """
    _may_manage(actor, schedule)
    with transaction.atomic():
        row = _held(schedule, State.PAUSED)
        faults = [(each, fault_of(each.user, row)) for each in row.recipients.select_related("user").order_by("id")]
        able = [each.id for each, fault in faults if not fault]
        if not able:
            raise RecipientMayNotSee(faults[0][1] if faults else NOBODY_LEFT, field="recipients")
        row.recipients.filter(id__in=able).update(stopped_at=None, stopped_because="")
        row.state, row.paused_because, row.version = State.ACTIVE, "", row.version + 1
        row.next_due_at = next_after(when_of(row), clock.now())
        row.save(update_fields=["state", "paused_because", "next_due_at", "version"])
        _tell(events.SCHEDULE_RESUMED, actor, row)
    return row


def schedule_end(*, actor: Actor, schedule: ReportSchedule) -> None:
    """Delete it: it is shown no more, and what waits of it is not sent. Said twice it is the same."""
    _may_manage(actor, schedule)
    with transaction.atomic():
        [row] = lock_rows(ReportSchedule.objects.filter(id=schedule.id))
        if row.state == State.ENDED:
            return
        row.state, row.next_due_at, row.version = State.ENDED, None, row.version + 1
        row.save(update_fields=["state", "next_due_at", "version"])
        _tell(events.SCHEDULE_ENDED, actor, row)


def schedule_leave(*, actor: Actor, schedule: ReportSchedule) -> None:
    """The actor is sent it no more. Raises NotFound for who was not sent it."""
    assert actor.id is not None, "it is sent to somebody"
    with transaction.atomic():
        [row] = lock_rows(ReportSchedule.objects.filter(id=schedule.id))
        gone, _ = row.recipients.filter(user_id=actor.id).delete()
        if not gone:
            raise NotFound("You are not sent this report.")
        ReportSchedule.objects.filter(id=row.id).update(version=F("version") + 1)
        row.refresh_from_db()
        _tell(events.RECIPIENT_LEFT, actor, row, user=str(actor.id))
        if row.state == State.ACTIVE and not row.recipients.filter(stopped_at=None).exists():
            _pause(actor, row, NOBODY_LEFT)


def schedule_send_now(*, actor: Actor, schedule: ReportSchedule) -> ReportMail:
    """One for the actor alone, of the days that it would be of today. Raises what ``asked_for`` raises, Forbidden."""
    assert actor.id is not None, "it is sent to somebody"
    user = User.objects.get(id=actor.id)
    now = clock.now()
    since, until = days_of(schedule.period, when_of(schedule).day_of(now))
    asked = _asked(actor_of(user), schedule, since, until)
    with transaction.atomic():
        occurrence = ReportOccurrence.objects.create(
            schedule=schedule, due_at=now, by_hand=True, since=since, until=until
        )
        return _mail(occurrence, user, asked)


def schedules_due() -> int:
    """Make what is due of every schedule; returns how many occurrences. Safe to run twice and at once."""
    due = ReportSchedule.objects.filter(state=State.ACTIVE, next_due_at__lte=clock.now()).order_by("next_due_at")
    made = 0
    for schedule_id in list(due.values_list("id", flat=True)[:AT_ONCE]):
        try:
            made += _occur(schedule_id)
        except Exception:
            log.exception("the report schedule %s could not be made", schedule_id)
    return made


def when_of(schedule: ReportSchedule) -> When:
    return When(schedule.rhythm, schedule.hour, schedule.time_zone, schedule.weekday, schedule.month_day)


def actor_of(user: User) -> Actor:
    """With what the person may do now; nothing for who has left."""
    return actor_for(user, None if user.is_active and user.kind == User.Kind.PERSON else ())


def fault_of(user: User, schedule: ReportSchedule) -> str:
    """Why the person cannot be sent the report now; "" where nothing is in the way."""
    if not user.is_active:
        return f"{user} has left."
    day = clock.now().date()
    try:
        _asked(actor_of(user), schedule, day, day)
    except DomainError as error:
        return error.detail
    return ""


def recipient_stop(schedule: ReportSchedule, user: User, reason: str) -> None:
    """Send it to a person no more, in the caller's transaction; where nobody is left the schedule is paused."""
    row = schedule.recipients.filter(user=user, stopped_at=None)
    if not row.update(stopped_at=clock.now(), stopped_because=reason[:300]):
        return
    ReportSchedule.objects.filter(id=schedule.id).update(version=F("version") + 1)
    schedule.refresh_from_db()
    _tell(events.RECIPIENT_STOPPED, SYSTEM, schedule, user=str(user.id), reason=reason)
    if schedule.state == State.ACTIVE and not schedule.recipients.filter(stopped_at=None).exists():
        _pause(SYSTEM, schedule, f"{NOBODY_LEFT} {reason}")


def may_manage(actor: Actor, schedule: ReportSchedule) -> bool:
    """Who made it, and who may schedule reports everywhere."""
    return schedule.made_by_id == actor.id or actor.where(ReportPermission.SCHEDULE) is ALL


def _may_manage(actor: Actor, schedule: ReportSchedule) -> None:
    actor.require(ReportPermission.SCHEDULE)
    if not may_manage(actor, schedule):
        raise Forbidden("It is changed by who made it; you may leave it.")


def _checked(
    actor: Actor,
    schedule: ReportSchedule,
    branches: Sequence[uuid.UUID] | None,
    sender: uuid.UUID | None,
    recipients: Sequence[uuid.UUID],
) -> list[User]:
    """Complete the schedule with its sender and its next moment; returns whom it is sent to."""
    if schedule.time_zone not in available_timezones():
        raise Invalid(f"{schedule.time_zone} is no IANA time zone.", field="time_zone", allowed="Europe/London")
    wanted = {Rhythm.WEEKLY: "weekday", Rhythm.MONTHLY: "month_day"}.get(Rhythm(schedule.rhythm))
    for name in ("weekday", "month_day"):
        if (getattr(schedule, name) is not None) != (name == wanted):
            raise RhythmNotWhole(field=name, allowed="a number" if name == wanted else f"nothing if {schedule.rhythm}")
    day = clock.now().date()
    compare: Any = schedule.compare or None
    asked = asked_for(actor, schedule.report, since=day, until=day, by=schedule.by, branches=branches, compare=compare)
    schedule.sender = _sender(actor, asked, sender)
    if schedule.state == State.ACTIVE:
        schedule.next_due_at = next_after(when_of(schedule), clock.now())
    return _people(schedule, branches, recipients)


def _sender(actor: Actor, asked: Asked, sender: uuid.UUID | None) -> Branch:
    if sender is None:
        where = actor.where(ReportPermission.SCHEDULE)
        mine = [branch for branch in asked.scope.branches if where is ALL or branch.id in where]
        if not mine:
            raise NoMailAtBranch("Name the branch by whose mail it is sent.", field="sender")
        branch = mine[0]
    else:
        actor.require(ReportPermission.SCHEDULE, sender)
        found = Branch.objects.filter(id=sender).first()
        if found is None:
            raise NotFound(f"There is no branch {sender} here.", field="sender")
        branch = found
    serving = Desk(branch).serving("email")
    if isinstance(serving, NotServed) and not serving.for_now:
        raise NoMailAtBranch(serving.why, field="sender")
    return branch


def _people(
    schedule: ReportSchedule, branches: Sequence[uuid.UUID] | None, recipients: Sequence[uuid.UUID]
) -> list[User]:
    found = {user.id: user for user in User.objects.filter(id__in=recipients, kind=User.Kind.PERSON, is_active=True)}
    day = clock.now().date()
    for place, user_id in enumerate(recipients):
        user = found.get(user_id)
        try:
            if user is None:
                raise NotFound
            actor = actor_of(user)
            actor.require(ReportPermission.VIEW)
            asked_for(actor, schedule.report, since=day, until=day, by=schedule.by, branches=branches)
        except (NotFound, Forbidden):
            raise RecipientMayNotSee(f"{user_id} cannot be sent it.", field=f"recipients.{place}") from None
    return [found[user_id] for user_id in dict.fromkeys(recipients)]


def _send_to(schedule: ReportSchedule, people: Sequence[User]) -> None:
    known = set(schedule.recipients.values_list("user_id", flat=True))
    new = [ReportRecipient(schedule=schedule, user=user) for user in people if user.id not in known]
    ReportRecipient.objects.bulk_create(new)
    schedule.recipients.filter(user__in=people).update(stopped_at=None, stopped_because="")


def _occur(schedule_id: uuid.UUID) -> int:
    """The newest occurrence that is due, and with it the run and the mail of each person; 0 where another made it."""
    with transaction.atomic():
        [schedule] = lock_rows(ReportSchedule.objects.filter(id=schedule_id))
        now = clock.now()
        if schedule.state != State.ACTIVE or schedule.next_due_at is None or schedule.next_due_at > now:
            return 0
        when = when_of(schedule)
        due_at, missed = newest_until(when, schedule.next_due_at, now)
        schedule.next_due_at, schedule.version = next_after(when, due_at), schedule.version + 1
        schedule.save(update_fields=["next_due_at", "version"])
        since, until = days_of(schedule.period, when.day_of(due_at))
        try:
            report_known(schedule.report)
        except DomainError as error:  # a report that this release knows no more
            _pause(SYSTEM, schedule, error.detail)
            return 0
        occurrence = ReportOccurrence.objects.create(
            schedule=schedule, due_at=due_at, missed=missed, since=since, until=until
        )
        _tell(events.OCCURRED, SYSTEM, schedule, occurrence=str(occurrence.id))
        for row in schedule.recipients.filter(stopped_at=None).select_related("user").order_by("id"):
            try:
                asked = _asked(actor_of(row.user), schedule, since, until)
            except DomainError as error:
                recipient_stop(schedule, row.user, fault_of(row.user, schedule) or error.detail)
            else:
                _mail(occurrence, row.user, asked)
    return 1


def _asked(actor: Actor, schedule: ReportSchedule, since: dt.date, until: dt.date) -> Asked:
    actor.require(ReportPermission.VIEW)
    branches = [branch.id for branch in schedule.branches.all()] or None
    compare: Any = schedule.compare or None
    return asked_for(
        actor, schedule.report, since=since, until=until, by=schedule.by, branches=branches, compare=compare
    )


def _mail(occurrence: ReportOccurrence, user: User, asked: Asked) -> ReportMail:
    schedule = occurrence.schedule
    run = run_write(actor=SYSTEM, owner_id=user.id, asked=asked, compare=schedule.compare, kind=schedule.format)
    return ReportMail.objects.create(occurrence=occurrence, run=run, user=user, sender_id=schedule.sender_id)


def _held(schedule: ReportSchedule, state: str) -> ReportSchedule:
    [row] = lock_rows(ReportSchedule.objects.filter(id=schedule.id))
    if row.state != state:
        raise NotInThisState(f"It is {row.state}.", state=row.state)
    return row


def _pause(actor: Actor, row: ReportSchedule, reason: str) -> None:
    row.state, row.next_due_at, row.paused_because = State.PAUSED, None, reason[:300]
    row.version += 1
    row.save(update_fields=["state", "next_due_at", "paused_because", "version"])
    _tell(events.SCHEDULE_PAUSED, actor, row, reason=row.paused_because)


def _tell(event: str, actor: Actor, schedule: ReportSchedule, **more: Any) -> None:
    outbox.record(
        event_type=event,
        subject=f"report_schedule:{schedule.id}",
        actor=actor,
        branch_id=None,
        data={"schedule": str(schedule.id), "report": schedule.report, **more},
    )
