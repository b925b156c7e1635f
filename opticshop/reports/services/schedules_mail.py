"""The mail of a scheduled report: sent once, to the proved address of who may see the report at that moment.

It goes the way of all mail: by the e-mail channel of a branch and at its pace, the attempt committed before the channel
is called, the outcome after. What is not certainly unsent is never sent again; the id of the mail is the key that the
channel gets. What is sent to whom is asked anew right before.
"""

from __future__ import annotations

import datetime as dt
import logging
import uuid

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Q, QuerySet

from opticshop.core import clock, outbox
from opticshop.core.locks import lock_rows
from opticshop.correspondence.desk import Desk, NotServed, Serving
from opticshop.correspondence.services.pacing import rate_take
from opticshop.plugin_api import Attachment, OutboundMessage, SendOutcome

from .. import events
from ..files import CONTENT_TYPES, file_name
from ..models import ReportAddress, ReportMail, ReportRun, ReportSchedule, SentFormat
from ..registry import report_of
from ..schedules_wording import code_words, report_words
from .addresses import code_of
from .schedules import SYSTEM, actor_of, fault_of, recipient_stop

log = logging.getLogger("opticshop.reports")
State = ReportMail.State
MAX_ATTEMPTS = 8
SENDING_TAKES_AT_MOST = dt.timedelta(minutes=15)
NOT_KNOWN = "It is not known whether this was sent; it is not sent again."


class _Not(Exception):
    """It is not sent; ``outcome`` says whether it may be tried again."""

    def __init__(self, detail: str, *, for_now: bool = False) -> None:
        super().__init__(detail)
        self.outcome = SendOutcome(state="retry" if for_now else "refused", detail=detail)


def mails_send(*, limit: int = 50) -> int:
    """Send the mails that are due and whose report is made, oldest first; returns how many were handled.

    Safe to run twice and at once.
    """
    handled = _give_up_lost()
    made = Q(run=None) | ~Q(run__state=ReportRun.State.WAITING)
    due = ReportMail.objects.filter(made, state=State.QUEUED, due_at__lte=clock.now()).order_by("due_at", "id")
    for mail_id in list(due.values_list("id", flat=True)[:limit]):
        try:
            handled += _send_one(mail_id)
        except Exception:
            log.exception("the mail %s of a report could not be sent", mail_id)
    return handled


def _send_one(mail_id: uuid.UUID) -> int:
    with transaction.atomic():
        mail = _take(mail_id)
        if mail is None:
            return 0
        try:
            _refuse_not_wanted(mail)
            to = _address(mail)
            serving = _serving(mail)
        except _Not as found:
            mail.attempts, mail.attempted_at = mail.attempts + 1, clock.now()
            _settle(mail, found.outcome)
            return 1
        if not rate_take(mail.sender, serving.channel.name, serving.per_minute):
            ReportMail.objects.filter(id=mail.id).update(due_at=clock.now() + dt.timedelta(minutes=1))
            return 1
        message = _message(mail, to, serving)
        mail.state, mail.attempts, mail.attempted_at = State.SENDING, mail.attempts + 1, clock.now()
        mail.to, mail.channel, mail.is_attached = to, serving.channel.name, bool(message.attachments)
        mail.save(update_fields=["state", "attempts", "attempted_at", "to", "channel", "is_attached"])
    outcome = serving.channel.send(message)
    with transaction.atomic():
        row = _mails().select_for_update(of=("self",)).get(id=mail_id)
        if row.state == State.SENDING and row.attempts == mail.attempts:
            _settle(row, outcome)
    return 1


def _take(mail_id: uuid.UUID) -> ReportMail | None:
    """Hold the row of a mail that is still due; None where somebody else has it."""
    rows = _mails().filter(id=mail_id, state=State.QUEUED, due_at__lte=clock.now())
    if connection.features.has_select_for_update_skip_locked:
        rows = rows.select_for_update(skip_locked=True, of=("self",))
    return rows.first()


def _address(mail: ReportMail) -> str:
    """The proved address; for the code that proves it, the one that is to be proved."""
    known = ReportAddress.objects.filter(user=mail.user).first()
    if not mail.user.is_active:
        raise _Not("The person has left.")
    if known is None or known.address != mail.user.email:
        raise _Not("The address of the account is not confirmed.")
    if mail.occurrence is not None and known.confirmed_at is None:
        raise _Not("The address of the account is not confirmed.")
    return known.address


def _refuse_not_wanted(mail: ReportMail) -> None:
    """Raises _Not where the report was not made, is wanted no more, or may not be seen by the person any more."""
    if mail.occurrence is None or mail.run is None:
        return
    schedule = mail.occurrence.schedule
    if schedule.state == ReportSchedule.State.ENDED:
        raise _Not("The schedule was deleted.")
    if fault := fault_of(mail.user, schedule) or _fault_of_run(mail):
        [held] = lock_rows(ReportSchedule.objects.filter(id=schedule.id))
        recipient_stop(held, mail.user, fault)
        raise _Not(fault)
    if not mail.occurrence.by_hand:
        if schedule.state == ReportSchedule.State.PAUSED:
            raise _Not("The schedule was paused.")
        if not schedule.recipients.filter(user=mail.user, stopped_at=None).exists():
            raise _Not("The person is not sent this any more.")
    if mail.run.state != ReportRun.State.DONE:
        raise _Not(f"The report is {mail.run.state}. {mail.run.last_error}".strip())


def _fault_of_run(mail: ReportMail) -> str:
    """The run has the branches of the moment at which it was due: all of them have to be seen still."""
    assert mail.run is not None
    permission = report_of(mail.run.report).permission
    actor = actor_of(mail.user)
    lost = [branch.code for branch in mail.run.branches.all() if not actor.may(permission, branch.id)]
    return f"{mail.user} may not see this report any more at {', '.join(sorted(lost))}." if lost else ""


def _serving(mail: ReportMail) -> Serving:
    serving = Desk(mail.sender).serving("email")
    if isinstance(serving, NotServed):
        raise _Not(serving.why, for_now=serving.for_now)
    return serving


def _message(mail: ReportMail, to: str, serving: Serving) -> OutboundMessage:
    files: tuple[Attachment, ...] = ()
    if mail.occurrence is None or mail.run is None:
        subject, body = code_words(mail.sender, code_of(ReportAddress.objects.get(user=mail.user)))
    else:
        if serving.channel.carries_files and mail.run.format != SentFormat.JSON:
            files = _files(mail.run)
        codes = sorted(branch.code for branch in mail.run.branches.all())
        subject, body = report_words(mail.occurrence, mail.run, codes, is_attached=bool(files))
    return OutboundMessage(
        id=str(mail.id),
        to=to,
        subject=subject,
        body=body,
        language="en",
        purpose="service",
        branch_name=mail.sender.name,
        recipient_name=str(mail.user),
        attachments=files,
    )


def _files(run: ReportRun) -> tuple[Attachment, ...]:
    """The file, where it is small enough to be sent; nothing where its address is sent."""
    if run.size is None or run.size > settings.OPTICSHOP_REPORT_MAIL_BYTES:
        return ()
    content = ReportRun.objects.values_list("content", flat=True).get(id=run.id)
    name = file_name(run.report, run.since, run.until, run.format)
    media_type = CONTENT_TYPES[run.format].partition(";")[0]
    return (Attachment(name=name, media_type=media_type, content=bytes(content or b"")),)


def _settle(mail: ReportMail, outcome: SendOutcome) -> None:
    """Write what became of an attempt."""
    mail.detail = outcome.detail[:300]
    if outcome.state == "sent":
        mail.state, mail.sent_at = State.SENT, clock.now()
    elif outcome.state == "retry" and mail.attempts < MAX_ATTEMPTS:
        mail.state, mail.due_at = State.QUEUED, clock.now() + dt.timedelta(minutes=2**mail.attempts)
    else:
        mail.state = State.FAILED
        if outcome.state == "unknown":
            mail.detail = f"{NOT_KNOWN} {outcome.detail}".strip()[:300]
    mail.save(update_fields=["state", "sent_at", "due_at", "detail", "attempts", "attempted_at"])
    if mail.state == State.QUEUED:
        return
    is_sent = mail.state == State.SENT
    about = {} if mail.occurrence is None else {"schedule": str(mail.occurrence.schedule_id)}
    outbox.record(
        event_type=events.MAIL_SENT if is_sent else events.MAIL_NOT_SENT,
        subject=f"report_mail:{mail.id}",
        actor=SYSTEM,
        branch_id=None,
        data={"mail": str(mail.id), "user": str(mail.user_id), **about, **({} if is_sent else {"reason": mail.detail})},
    )


def _give_up_lost() -> int:
    """Fail what has been "sending" for too long: its process never came back to say how it went."""
    before = clock.now() - SENDING_TAKES_AT_MOST
    with transaction.atomic():
        rows = list(_mails().filter(state=State.SENDING, attempted_at__lt=before).select_for_update(of=("self",)))
        for mail in rows:
            _settle(mail, SendOutcome(state="unknown"))
    return len(rows)


def _mails() -> QuerySet[ReportMail]:
    rows = ReportMail.objects.select_related("occurrence__schedule", "run", "user", "sender")
    return rows.defer("run__content")
