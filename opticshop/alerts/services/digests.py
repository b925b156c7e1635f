"""The daily digest: written once when a branch opens, and sent to who asked for it.

A digest is sent like any message: the attempt is committed before the channel is called, the outcome after. What is
not certainly unsent is never sent again; what could not be sent on its day is not sent at all.
"""

from __future__ import annotations

import datetime as dt
import logging
import uuid
from typing import Any

from django.db import IntegrityError, connection, transaction
from django.db.models import Count, Q

from opticshop.accounts.access import actor_for
from opticshop.accounts.models import User
from opticshop.branches.calendars import calendar_of
from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, DomainError, Invalid
from opticshop.core.scoping import BranchQuerySet
from opticshop.plugin_api import OutboundMessage, SendOutcome
from opticshop.pluginhost import services as plugins
from opticshop.pluginhost.services import BoundChannel

from .. import events
from ..causes import CAUSES
from ..hours import Place
from ..kinds import LIVE_STATES, RANK, AlertState, Because
from ..models import Alert, AlertDigest, DigestMail, DigestSubscription
from ..permissions import AlertPermission
from ..wording import digest_text
from .evaluating import alerts_evaluate
from .writing import alerts

log = logging.getLogger("opticshop.alerts")
State = DigestMail.State
OLDEST = 10
MAX_ATTEMPTS = 8
#: Kinds of channel that carry a text of this length to staff.
USABLE_KINDS = ("email", "console")
SENDING_TAKES_AT_MOST = dt.timedelta(minutes=15)
NOT_KNOWN = "It is not known whether this was sent; it is not sent again."


class NoAddress(Invalid):
    """The digest is sent to the e-mail address of the account; this account has none."""

    code = "alerts.no_address"
    title = "Your account has no e-mail address"


class AlreadySubscribed(Conflict):
    """A person is sent the digest of a branch once."""

    code = "alerts.already_subscribed"
    title = "You are sent the digest of this branch already"


def digests_make(*, actor: Actor) -> int:
    """Write today's digest of every branch that has opened today and has none yet; returns how many were written."""
    actor.require(AlertPermission.SET_UP)
    now, made = clock.now(), 0
    branches = list(Branch.objects.filter(is_active=True).prefetch_related("opening_hours", "closures"))
    earliest = now.date() - dt.timedelta(days=1)  # no zone is further behind
    rows = AlertDigest.objects.everywhere("the digests of every branch").filter(day__gte=earliest)
    written = set(rows.values_list("branch_id", "day"))
    for branch in branches:
        place = Place(branch, calendar_of(branch), now)
        opens = place.opens(place.today)
        if opens is None or now < opens or (branch.id, place.today) in written:
            continue
        try:
            alerts_evaluate(actor=actor, branch=branch)
            made += _make(actor, place)
        except Exception:
            log.exception("the digest of branch %s could not be written", branch.code)
    return made


def _make(actor: Actor, place: Place) -> int:
    with transaction.atomic():
        content = _content(place)
        digest = AlertDigest(
            branch=place.branch,
            day=place.today,
            made_at=place.now,
            content=content,
            text=digest_text(place.branch, content),
        )
        try:
            with transaction.atomic():
                digest.save(force_insert=True)
        except IntegrityError:
            return 0  # somebody else wrote it
        _queue(digest)
        outbox.record(
            event_type=events.DIGEST_MADE,
            subject=f"alert-digests/{digest.id}",
            actor=actor,
            branch_id=place.branch.id,
            data={"digest": str(digest.id), "day": place.today.isoformat()},
        )
    return 1


def _content(place: Place) -> dict[str, Any]:
    """Counts, the oldest alerts and what was closed since the open day before. Three queries."""
    here = alerts().filter(branch=place.branch)
    live: Any = here.filter(state__in=LIVE_STATES)
    counted = (
        live.order_by()
        .values("cause", "severity", "state")
        .annotate(n=Count("id"), up=Count("id", filter=Q(level__gt=0)))
    )
    counts: dict[tuple[str, str], int] = {}
    totals: dict[str, int] = dict.fromkeys(LIVE_STATES, 0)
    escalated = 0
    for row in counted:
        key = row["cause"], row["severity"]
        counts[key] = counts.get(key, 0) + row["n"]
        totals[row["state"]] += row["n"]
        escalated += row["up"]
    first = place.open_day_before(place.today)
    closed: Any = here.filter(state=AlertState.CLOSED, closed_at__gte=place.start_of(first))
    ended = (
        closed.filter(closed_at__lt=place.start_of(place.today))
        .order_by()
        .values("cause")
        .annotate(
            by_itself=Count("id", filter=~Q(closed_because=Because.BY_HAND)),
            by_hand=Count("id", filter=Q(closed_because=Because.BY_HAND)),
        )
    )
    return {
        "day": place.today.isoformat(),
        "open": totals[AlertState.OPEN],
        "acknowledged": totals[AlertState.ACKNOWLEDGED],
        "escalated": escalated,
        "counts": [
            {"cause": cause, "title": _title(cause), "severity": severity, "count": counts[cause, severity]}
            for cause, severity in sorted(counts, key=lambda key: (-RANK[key[1]], key[0]))
        ],
        "oldest": [_line(alert) for alert in live.order_by("id")[:OLDEST]],
        "closed_from": first.isoformat(),
        "closed": [{**row, "title": _title(row["cause"])} for row in sorted(ended, key=lambda row: row["cause"])],
    }


def _line(alert: Alert) -> dict[str, Any]:
    return {
        "alert": str(alert.id),
        "cause": alert.cause,
        "title": _title(alert.cause),
        "severity": str(alert.severity),
        "state": str(alert.state),
        "number": alert.number,
        "link": alert.link,
        "since": alert.since.isoformat(),
        "action": CAUSES[alert.cause].action if alert.cause in CAUSES else "",
    }


def _title(cause: str) -> str:
    return CAUSES[cause].title if cause in CAUSES else cause


def _queue(digest: AlertDigest) -> None:
    """One mail for each subscriber who may still see alerts at the branch and has an address."""
    rows = DigestSubscription.objects.everywhere("who is sent this digest").filter(
        branch=digest.branch, user__is_active=True
    )
    wanted = [
        row
        for row in rows.select_related("user").order_by("id")
        if row.user.email and actor_for(row.user).may(AlertPermission.VIEW, digest.branch_id)
    ]
    DigestMail.objects.bulk_create(
        [
            DigestMail(
                branch=digest.branch,
                digest=digest,
                user=row.user,
                channel=row.channel or digest.branch.message_channel,
                to=row.user.email,
            )
            for row in wanted
        ]
    )


def digest_subscribe(*, actor: Actor, branch: Branch, channel: str = "") -> DigestSubscription:
    """The actor is sent the digest of a branch each open day. Raises NoAddress, AlreadySubscribed."""
    actor.require(AlertPermission.VIEW, branch.id)
    user = None if actor.id is None else User.objects.filter(id=actor.id).first()
    if user is None or not user.email:
        raise NoAddress(field="email")
    if channel:
        plugins.channel(branch=branch, name=channel)
    with transaction.atomic():
        try:
            with transaction.atomic():
                made = DigestSubscription.objects.create(branch=branch, user=user, channel=channel)
        except IntegrityError as error:
            raise AlreadySubscribed(field="branch") from error
        _told(events.DIGEST_SUBSCRIBED, actor, made)
    return made


def digest_unsubscribe(*, actor: Actor, subscription: DigestSubscription) -> None:
    """The actor is sent no further digest; what was sent stays on record."""
    actor.require(AlertPermission.VIEW, subscription.branch_id)
    with transaction.atomic():
        _told(events.DIGEST_UNSUBSCRIBED, actor, subscription)
        subscription.delete()


def _told(event: str, actor: Actor, row: DigestSubscription) -> None:
    outbox.record(
        event_type=event,
        subject=f"users/{row.user_id}",
        actor=actor,
        branch_id=row.branch_id,
        data={"user": str(row.user_id), "branch": str(row.branch_id)},
    )


def digests_send(*, actor: Actor, limit: int = 100) -> int:
    """Send the digests that are due, oldest first; returns how many were handled. Safe to run twice at once."""
    actor.require(AlertPermission.SET_UP)
    handled = _give_up_lost(actor)
    due = _mails().filter(state=State.QUEUED, due_at__lte=clock.now()).order_by("due_at", "id")
    for mail_id in list(due.values_list("id", flat=True)[:limit]):
        handled += _send_one(actor, mail_id)
    return handled


def _send_one(actor: Actor, mail_id: uuid.UUID) -> int:
    claimed = _claim(actor, mail_id)
    if claimed is None:
        return 0
    mail, channel = claimed
    if channel is None:
        return 1
    outcome = channel.send(
        OutboundMessage(
            id=str(mail.id),
            to=mail.to,
            subject=mail.digest.text.split("\n", 1)[0],
            body=mail.digest.text,
            language="en",
            purpose="service",
            branch_name=mail.branch.name,
        )
    )
    with transaction.atomic():
        [mail] = _mails().select_for_update(of=("self",)).filter(id=mail_id)
        if mail.state == State.SENDING:
            _settle(actor, mail, outcome)
    return 1


def _claim(actor: Actor, mail_id: uuid.UUID) -> tuple[DigestMail, BoundChannel | None] | None:
    """Take one due mail and commit the attempt. None if it was not ours, no channel if it is not to be sent now."""
    with transaction.atomic():
        rows = _mails().filter(id=mail_id, state=State.QUEUED, due_at__lte=clock.now())
        if connection.features.has_select_for_update_skip_locked:
            rows = rows.select_for_update(skip_locked=True, of=("self",))
        mail = rows.first()
        if mail is None:
            return None
        mail.attempts += 1
        mail.attempted_at = clock.now()
        if mail.digest.day < clock.today(mail.branch.time_zone):
            _settle(actor, mail, SendOutcome(state="refused", detail="Its day is over."))
            return mail, None
        try:
            channel = plugins.channel(branch=mail.branch, name=mail.channel)
        except DomainError as error:
            _settle(actor, mail, SendOutcome(state="retry", detail=error.detail))
            return mail, None
        if channel.kind not in USABLE_KINDS:
            detail = f"{mail.channel} sends by {channel.kind}; a digest goes by {' or '.join(USABLE_KINDS)}."
            _settle(actor, mail, SendOutcome(state="refused", detail=detail))
            return mail, None
        mail.state = State.SENDING
        mail.save(update_fields=["state", "attempts", "attempted_at"])
    return mail, channel


def _settle(actor: Actor, mail: DigestMail, outcome: SendOutcome) -> None:
    """Write what became of an attempt."""
    mail.detail = outcome.detail
    if outcome.state == "sent":
        mail.state, mail.sent_at = State.SENT, clock.now()
    elif outcome.state == "retry" and mail.attempts < MAX_ATTEMPTS:
        mail.state, mail.due_at = State.QUEUED, clock.now() + dt.timedelta(minutes=2**mail.attempts)
    else:
        mail.state = State.FAILED
        if outcome.state == "unknown":
            mail.detail = f"{NOT_KNOWN} {outcome.detail}".strip()
    mail.save(update_fields=["state", "sent_at", "due_at", "detail", "attempts", "attempted_at"])
    if mail.state == State.QUEUED:
        return
    more = {} if mail.state == State.SENT else {"detail": mail.detail}
    outbox.record(
        event_type=events.DIGEST_SENT if mail.state == State.SENT else events.DIGEST_NOT_SENT,
        subject=f"alert-digests/{mail.digest_id}",
        actor=actor,
        branch_id=mail.branch_id,
        data={"digest": str(mail.digest_id), "mail": str(mail.id), "user": str(mail.user_id), **more},
    )


def _give_up_lost(actor: Actor) -> int:
    """Fail what has been "sending" for too long: its process never came back to say how it went."""
    lost = _mails().filter(state=State.SENDING, attempted_at__lt=clock.now() - SENDING_TAKES_AT_MOST)
    with transaction.atomic():
        rows = list(lost.select_for_update(of=("self",)))
        for mail in rows:
            _settle(actor, mail, SendOutcome(state="unknown"))
    return len(rows)


def _mails() -> BranchQuerySet[DigestMail]:
    rows = DigestMail.objects.everywhere("the duty sends for every branch")
    return rows.select_related("branch", "digest")
