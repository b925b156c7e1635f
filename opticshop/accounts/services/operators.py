"""Operators at a shared till: a PIN takes over, a password (and the second factor) opens sensitive acts for a while."""

from __future__ import annotations

import datetime as dt
import secrets
from dataclasses import dataclass

from django.conf import settings
from django.contrib.auth.hashers import check_password, make_password
from django.db import transaction
from django.utils import timezone
from oauth2_provider.models import AccessToken, set_token_value

from opticshop.core import acting, clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid
from opticshop.core.locks import lock_rows

from .. import events
from ..models import Membership, OperatorPin, ServiceAccount, SignIn, User
from ..pins import LONGEST, SHORTEST, pin_fault
from .attempts import attempted, attempts_clear
from .proving import Proof, sign_in_noted

#: For how long a confirmation opens sensitive acts: the ``max_age`` of RFC 9470, in seconds.
CONFIRMED_SECONDS = 300


class PinTooCommon(Invalid):
    """The PIN is too short, no number, or one that many people take."""

    code = "accounts.pin_too_common"
    title = "This cannot be a PIN"


class OperatorUnknown(Invalid):
    """There is nobody of this name with this PIN. Which of the two is wrong is not told."""

    code = "accounts.operator_unknown"
    title = "The name or the PIN is wrong"


class NotATill(Conflict):
    """Operators change at a till: with the token of a service account that is held at one branch."""

    code = "accounts.not_a_till"
    title = "Only a till changes its operator"


class NotAtThisBranch(Forbidden):
    """The person has no role at the branch of the till."""

    code = "accounts.not_at_this_branch"
    title = "You do not work at this branch"


class PasswordWrong(Invalid):
    """The password, or the code of the second factor, is wrong. Which of the two is not told."""

    code = "accounts.password_wrong"
    title = "The password or the code is wrong"


class NothingToConfirm(Conflict):
    """Whoever has signed in in full need not confirm; it is for operators who took over a till by PIN."""

    code = "accounts.nothing_to_confirm"
    title = "There is nothing to confirm"


class SignInFullyFirst(Conflict):
    """A PIN is set by a person who has signed in in full: not with a PIN, and not by a service."""

    code = "accounts.sign_in_fully_first"
    title = "Sign in in full first"


@dataclass(frozen=True, slots=True)
class TakenOver:
    """The till has a new operator. The token is told once and kept as a digest."""

    sign_in: SignIn
    access_token: str
    scope: str


def pin_set(*, actor: Actor, user: User, pin: str, proof: Proof) -> OperatorPin:
    """Set or change one's own PIN; tries against the old one are forgotten. Raises PinTooCommon, PasswordWrong."""
    if fault := pin_fault(pin, (user.username, user.registration_number)):
        raise PinTooCommon(fault, field="pin", allowed=f"{SHORTEST} to {LONGEST} digits that few people would take")
    if not proof.holds():
        raise PasswordWrong(field="password")
    with transaction.atomic():
        row, _ = OperatorPin.objects.update_or_create(user=user, defaults={"secret": make_password(pin)})
        attempts_clear(user.username, ["pin"])
        _record(events.PIN_SET, user, actor)
    return row


def pin_remove(*, actor: Actor, user: User) -> None:
    """Take one's own PIN away, and end where one had taken over by it. Without one nothing happens."""
    with transaction.atomic():
        if OperatorPin.objects.filter(user=user).delete()[0]:
            AccessToken.objects.filter(sign_in__user=user, sign_in__way=SignIn.Way.TILL).delete()
            _record(events.PIN_REMOVED, user, actor)


def operator_change(*, actor: Actor, till: ServiceAccount | None, scope: str, username: str, pin: str) -> TakenOver:
    """Hand the till over: a token for the operator, bounded to the till's scopes and branch; the one before ends.

    Raises NotATill, TooManyAttempts, OperatorUnknown, NotAtThisBranch.
    """
    held = list(Membership.objects.filter(user=till.user).values_list("branch_id", flat=True)) if till else []
    if till is None or len(held) != 1 or held[0] is None:
        raise NotATill("Call with the token of a service account that is held at one branch.")
    trace = acting.current()
    user = attempted("pin", username, trace.address, lambda: _whose_pin(username, pin))
    if user is None:
        sign_in_noted(
            "sign-in-failed", User.objects.filter(username=username).values_list("id", flat=True).first(), by="pin"
        )
        raise OperatorUnknown(field="pin")
    if not Membership.objects.filter(user=user, branch__in=[held[0]]).exists() and not _is_everywhere(user):
        raise NotAtThisBranch("Somebody who does not work here cannot take over the till.")
    raw = secrets.token_urlsafe(32)
    lasts = dt.timedelta(seconds=settings.OPTICSHOP_OPERATOR_SECONDS)
    with transaction.atomic():
        lock_rows(ServiceAccount.objects.filter(id=till.id))
        AccessToken.objects.filter(sign_in__application=till.application_id, sign_in__way=SignIn.Way.TILL).delete()
        token = AccessToken(user=user, application=till.application, scope=scope, expires=timezone.now() + lasts)
        set_token_value(token, raw)
        token.save()
        sign_in = SignIn.objects.create(
            way=SignIn.Way.TILL,
            user=user,
            access_token=token,
            application=till.application,
            branch_id=held[0],
            address=trace.address,
            expire_date=clock.now() + lasts,
        )
        sign_in_noted("sign-in", user.id, by="pin")
        _record(events.OPERATOR_CHANGED, user, actor, till=str(till.id), sign_in=str(sign_in.id))
    return TakenOver(sign_in, raw, scope)


def _is_everywhere(user: User) -> bool:
    return Membership.objects.filter(user=user, branch=None).exists()


def _whose_pin(username: str, pin: str) -> User | None:
    """The active person with that PIN; as long a look for a name that nobody has."""
    row = OperatorPin.objects.filter(user__username=username).select_related("user").first()
    if row is None:
        make_password(pin)
        return None
    is_right = check_password(pin, row.secret)
    return row.user if is_right and row.user.is_active and row.user.kind == User.Kind.PERSON else None


def confirm(*, actor: Actor, sign_in: SignIn | None, proof: Proof) -> SignIn:
    """Open sensitive acts to the operator of a till for ``CONFIRMED_SECONDS``.

    Raises NothingToConfirm, PasswordWrong, TooManyAttempts.
    """
    if sign_in is None or sign_in.way != SignIn.Way.TILL:
        raise NothingToConfirm()
    if not proof.holds():
        raise PasswordWrong(field="password")
    with transaction.atomic():
        sign_in.confirmed_until = clock.now() + dt.timedelta(seconds=CONFIRMED_SECONDS)
        sign_in.confirmed_by_code = proof.needs_code()
        confirmed = {"confirmed_until": sign_in.confirmed_until, "confirmed_by_code": sign_in.confirmed_by_code}
        if not SignIn.objects.filter(id=sign_in.id).update(**confirmed):
            raise NothingToConfirm("The till has another operator by now.")
        assert sign_in.user is not None
        _record(events.OPERATOR_CONFIRMED, sign_in.user, actor, sign_in=str(sign_in.id))
    return sign_in


def _record(event_type: str, user: User, actor: Actor, **more: str) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"people/{user.id}",
        actor=actor,
        branch_id=None,
        data={"user": str(user.id), **more},
    )
