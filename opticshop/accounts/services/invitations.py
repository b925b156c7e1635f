"""Links by which a person chooses a password: the first one, or one in place of a lost one."""

from __future__ import annotations

import datetime as dt
import secrets
from dataclasses import dataclass

from django.conf import settings
from django.db import transaction
from django.db.models import QuerySet
from django.urls import reverse

from opticshop.core import acting, clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, DomainError, Forbidden
from opticshop.core.locks import lock_rows
from opticshop.core.sealing import digest

from .. import events
from ..models import Invitation, User
from .attempts import attempt_succeeded, attempts_clear
from .passwords import password_write
from .roles import record, require_over
from .sessions import credentials_end

#: For how long a link works (common practice, no source; OWASP, Forgot Password Cheat Sheet: once, and not for long).
LASTS = {Invitation.Purpose.WELCOME: dt.timedelta(days=3), Invitation.Purpose.RESET: dt.timedelta(days=1)}


class InvitationOver(DomainError):
    """The link was used, has expired, was replaced by a newer one, or never was one."""

    code = "accounts.invitation_over"
    title = "This link works no more"
    status = 404


class NotActive(Conflict):
    """The person may not sign in: reactivate them first."""

    code = "accounts.not_active"
    title = "The person is not active"


@dataclass(frozen=True, slots=True)
class Invited:
    """Shown once: hand the link over in person, or by a way that only the person reads."""

    url: str
    purpose: str
    expires_at: dt.datetime


def invitation_make(*, actor: Actor, user: User) -> Invited:
    """A new link; older ones work no more. A person who had a password has none from now on, and is signed out.

    For somebody else only: whoever finds a session open would choose a password without knowing the one before.
    """
    require_over(actor, user)
    if actor.id == user.id:
        raise Forbidden("You change your own password with the one you have; a link is made by somebody else.")
    if not user.is_active:
        raise NotActive(f"{user} is not active.")
    purpose = Invitation.Purpose.RESET if user.has_usable_password() else Invitation.Purpose.WELCOME
    token = secrets.token_urlsafe(32)
    expires_at = clock.now() + LASTS[purpose]
    with transaction.atomic():
        lock_rows(User.objects.filter(id=user.id))
        Invitation.objects.filter(user=user, used_at=None).delete()
        Invitation.objects.create(
            user=user, purpose=purpose, token_digest=digest(token), expires_at=expires_at, made_by_id=actor.id
        )
        if purpose == Invitation.Purpose.RESET:
            user.set_unusable_password()
            user.save(update_fields=["password"])
            credentials_end(user)
        record(events.INVITATION_MADE, user, actor, purpose=str(purpose))
    url = settings.OPTICSHOP_PUBLIC_URL.rstrip("/") + reverse("welcome", args=[token])
    return Invited(url, str(purpose), expires_at)


def invitation_open(token: str) -> Invitation:
    """The invitation behind a link. Raises InvitationOver."""
    found = _open().filter(token_digest=digest(token)).select_related("user").first()
    if found is None:
        raise InvitationOver
    return found


def _open() -> QuerySet[Invitation]:
    return Invitation.objects.filter(used_at=None, expires_at__gt=clock.now(), user__is_active=True)


def invitation_accept(*, actor: Actor, token: str, password: str) -> User:
    """Choose the password, once. Raises InvitationOver, PasswordRefused."""
    with transaction.atomic():
        held = lock_rows(_open().filter(token_digest=digest(token)))
        if not held:
            raise InvitationOver
        user = held[0].user
        password_write(user, password)
        Invitation.objects.filter(id=held[0].id).update(used_at=clock.now())
        credentials_end(user)
        record(events.PASSWORD_SET, user, actor, by="invitation")
    attempts_clear(user.username)
    attempt_succeeded("password", user.username, acting.current().address)
    return user
