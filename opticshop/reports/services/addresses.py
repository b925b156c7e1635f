"""Proving that a person reads the mail of their account: a code is sent there, and the person, signed in, says it.

Reports go to proved addresses only, so a slip in an address tells figures to nobody. A changed address is proved anew.
The code is reckoned from the secret of the service, the person, the address and the moment; it is kept nowhere.
"""

from __future__ import annotations

import base64
import datetime as dt
import uuid

from django.db import transaction
from django.utils.crypto import constant_time_compare, salted_hmac

from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Invalid, NotFound
from opticshop.core.locks import lock_rows

from .. import events
from ..models import ReportAddress, ReportMail
from ..permissions import ReportPermission

#: How long a code may be said.
STANDS_FOR = dt.timedelta(days=7)
#: Bits of a code; 80 are not guessed.
_BYTES = 10
#: A mail is asked for again after so long, not before.
PAUSE = dt.timedelta(minutes=5)


class NoAddress(Invalid):
    """Reports are sent to the e-mail address of the account; this account has none."""

    code = "reports.no_address"
    title = "Your account has no e-mail address"


class CodeNotRight(Invalid):
    """It is another code, its time is over, or the address of the account was changed: ask for a new one."""

    code = "reports.code_not_right"
    title = "This is not the code that stands"


def address_ask(*, actor: Actor, branch: uuid.UUID | None) -> ReportAddress:
    """Send a code to the address of the actor's account, by the mail of a branch, the first of theirs unless named.

    Nothing is sent where the address is proved already, or a code was sent a moment ago. Raises NoAddress, NotFound.
    """
    user = User.objects.filter(id=actor.id, kind=User.Kind.PERSON).first() if actor.id else None
    if user is None or not user.email:
        raise NoAddress(field="email")
    sender = _sender(actor, branch)
    with transaction.atomic():
        [_] = lock_rows(User.objects.filter(id=user.id))
        now = clock.now()
        row = ReportAddress.objects.filter(user=user).first() or ReportAddress(user=user)
        if row.address == user.email and (row.confirmed_at is not None or row.asked_at > now - PAUSE):
            return row
        row.address, row.asked_at, row.confirmed_at = user.email, now, None
        row.save()
        ReportMail.objects.create(user=user, sender=sender)
    return row


def address_confirm(*, actor: Actor, code: str) -> ReportAddress:
    """The actor says the code that was sent. Said twice it is the same. Raises CodeNotRight."""
    assert actor.id is not None, "an address is somebody's"
    with transaction.atomic():
        rows = lock_rows(ReportAddress.objects.filter(user_id=actor.id).select_related("user"))
        if not rows:
            raise CodeNotRight(field="code")
        [row] = rows
        said = "".join(code.split()).replace("-", "").upper()
        stands = row.asked_at > clock.now() - STANDS_FOR and row.address == row.user.email
        if not stands or not constant_time_compare(said, code_of(row)):
            raise CodeNotRight(field="code")
        if row.confirmed_at is None:
            row.confirmed_at = clock.now()
            row.save(update_fields=["confirmed_at"])
            outbox.record(
                event_type=events.ADDRESS_CONFIRMED,
                subject=f"users/{row.user_id}",
                actor=actor,
                branch_id=None,
                data={"user": str(row.user_id)},
            )
    return row


def code_of(row: ReportAddress) -> str:
    """Sixteen letters and digits."""
    about = f"{row.user_id}|{row.address}|{row.asked_at.astimezone(dt.UTC).isoformat()}"
    digest = salted_hmac("opticshop.reports.address", about, algorithm="sha256").digest()
    return base64.b32encode(digest[:_BYTES]).decode()


def _sender(actor: Actor, branch: uuid.UUID | None) -> Branch:
    if branch is not None:
        actor.require(ReportPermission.VIEW, branch)
    where = actor.where(ReportPermission.VIEW)
    rows = Branch.objects.filter(is_active=True).order_by("code")
    rows = rows if where is ALL else rows.filter(id__in=where)
    found = (rows if branch is None else rows.filter(id=branch)).first()
    if found is None:
        raise NotFound("There is no branch whose mail could be used.", field="branch")
    return found
