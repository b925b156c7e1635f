"""The second factor: time-based codes (RFC 6238) from a phone, and recovery codes on paper.

The computation is django-otp's (``oath.TOTP``); see ``models.factors`` for why its tables are not.
"""

from __future__ import annotations

import base64
import datetime as dt
import io
import logging
import secrets
from urllib.parse import quote, urlencode

import segno
from django.db import transaction
from django.db.models import QuerySet
from django_otp.oath import TOTP

from opticshop.core import acting, clock, sealing
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid
from opticshop.core.locks import lock_rows

from .. import events, selectors
from ..models import RecoveryCode, SecondFactor, User
from .attempts import attempted
from .roles import record, require_over
from .sessions import credentials_end

#: RFC 4226, section 4, R6: 160 bits recommended. RFC 6238, 5.2: steps of 30 s, one step of delay allowed.
KEY_BYTES, STEP_SECONDS, DIGITS, STEPS_OFF = 20, 30, 6, 1
#: How far a phone's clock may wander off, in steps, before it has to be enrolled anew (no source).
DRIFT_MOST = 10
#: NIST SP 800-63B, look-up secrets: with 112 bits or more a digest keeps them; these have 120.
CODES, CODE_BYTES = 10, 15
ISSUER = "opticshop"
#: How long a key waits for its first code.
ENROLMENT_LASTS = dt.timedelta(minutes=15)
_PURPOSE = "second factor"
log = logging.getLogger("opticshop.accounts")


class CodeWrong(Invalid):
    """The code is wrong, was used before, or is too old. A code of the phone changes every 30 seconds."""

    code = "accounts.code_wrong"
    title = "The code is not right"


class NoEnrolment(Conflict):
    """There is no second factor, or none that waits for its first code."""

    code = "accounts.no_enrolment"
    title = "There is no second factor to do this with"


def enrolment_begin(*, user: User) -> SecondFactor:
    """A key to be taken over by a phone. It counts for nothing until a code of it was right; an earlier try is gone."""
    key = sealing.seal(_PURPOSE, secrets.token_bytes(KEY_BYTES))
    anew = {"sealed_key": key, "created_at": clock.now(), "used_step": -1, "drift": 0}
    return SecondFactor.objects.update_or_create(user=user, confirmed_at=None, defaults=anew)[0]


def enrolment_of(user: User) -> SecondFactor | None:
    """What was begun a moment ago and waits for its first code."""
    return _waiting(user).first()


def _waiting(user: User) -> QuerySet[SecondFactor]:
    return SecondFactor.objects.filter(user=user, confirmed_at=None, created_at__gt=clock.now() - ENROLMENT_LASTS)


def key_text(factor: SecondFactor) -> str:
    """The key for typing it in: base32 in groups of four."""
    text = base64.b32encode(_key(factor)).decode()
    return " ".join(text[at : at + 4] for at in range(0, len(text), 4))


def key_uri(user: User, factor: SecondFactor) -> str:
    """What the QR code says, in the form that authenticator apps read (a convention, no standard)."""
    secret = base64.b32encode(_key(factor)).decode()
    asked = {"secret": secret, "issuer": ISSUER, "algorithm": "SHA1", "digits": DIGITS, "period": STEP_SECONDS}
    return f"otpauth://totp/{quote(f'{ISSUER}:{user.username}')}?{urlencode(asked)}"


def key_picture(user: User, factor: SecondFactor) -> str:
    """The QR code as an SVG element."""
    out = io.BytesIO()
    segno.make(key_uri(user, factor), error="m").save(
        out, kind="svg", xmldecl=False, omitsize=True, border=4, light="#fff"
    )
    return out.getvalue().decode()


def enrolment_confirm(*, actor: Actor, user: User, code: str) -> tuple[SecondFactor, list[str]]:
    """The first code was typed in: from now on codes are asked for. Returns the recovery codes, which are shown once.

    Every session and token of before ends: they were begun without it. Raises CodeWrong, NoEnrolment, TooManyAttempts.
    """
    if enrolment_of(user) is None:
        raise NoEnrolment("Begin anew.")
    if not attempted("code", user.username, acting.current().address, lambda: _matches(user, code, confirmed=False)):
        raise CodeWrong(field="code")
    with transaction.atomic():
        held = lock_rows(_waiting(user))
        if not held:
            raise NoEnrolment("Begin anew.")
        SecondFactor.objects.filter(user=user, confirmed_at__isnull=False).delete()
        factor = held[0]
        factor.confirmed_at = clock.now()
        factor.save(update_fields=["confirmed_at"])
        codes = _codes_write(user)
        credentials_end(user)
        record(events.SECOND_FACTOR_CONFIRMED, user, actor)
    return factor, codes


def second_factor_check(*, actor: Actor, user: User, code: str) -> SecondFactor:
    """A code of the phone, or a recovery code, then used up. Raises CodeWrong, NoEnrolment, TooManyAttempts."""
    factor = selectors.second_factor_of(user)
    if factor is None:
        raise NoEnrolment("There is no second factor.")
    right = attempted(
        "code",
        user.username,
        acting.current().address,
        lambda: _matches(user, code, confirmed=True) or _recovers(actor, user, code),
    )
    if not right:
        raise CodeWrong(field="code")
    return factor


def recovery_codes_make(*, actor: Actor, user: User) -> list[str]:
    """Ten new ones, shown once; the old ones open nothing any more."""
    with transaction.atomic():
        codes = _codes_write(user)
        record(events.RECOVERY_CODES_MADE, user, actor)
    return codes


def second_factor_reset(*, actor: Actor, user: User) -> None:
    """The phone is lost, and the recovery codes with it: every session and token ends, and if a role needs a second
    factor the next sign-in leads to a new one. For somebody else only. Raises NoEnrolment, Forbidden."""
    require_over(actor, user)
    if actor.id == user.id:
        raise Forbidden("Somebody else resets yours; your recovery codes are for this, too.")
    with transaction.atomic():
        if not selectors.has_second_factor(user):
            raise NoEnrolment("There is no second factor.")
        SecondFactor.objects.filter(user=user).delete()
        RecoveryCode.objects.filter(user=user).delete()
        credentials_end(user)
        record(events.SECOND_FACTOR_RESET, user, actor)


def _key(factor: SecondFactor) -> bytes:
    return sealing.unseal(_PURPOSE, factor.sealed_key)


def _matches(user: User, code: str, *, confirmed: bool) -> bool:
    """Whether it is a code of now, one that was not used; it is then (RFC 6238, 5.2). The row is locked for that."""
    plain = "".join(code.split())
    if not (plain.isascii() and plain.isdigit() and len(plain) == DIGITS):
        return False
    with transaction.atomic():
        theirs = SecondFactor.objects.filter(user=user, confirmed_at__isnull=False) if confirmed else _waiting(user)
        held = lock_rows(theirs)
        return bool(held) and _take(held[0], int(plain))


def _take(factor: SecondFactor, code: int) -> bool:
    try:
        key = _key(factor)
    except sealing.Unreadable:
        log.error("second factors were sealed under another SECRET_KEY: only recovery codes open")
        return False
    totp = TOTP(key, STEP_SECONDS, digits=DIGITS, drift=factor.drift)
    totp.time = clock.now().timestamp()
    if not totp.verify(code, tolerance=STEPS_OFF, min_t=factor.used_step + 1):
        return False
    factor.used_step = totp.t()
    factor.drift = max(-DRIFT_MOST, min(DRIFT_MOST, totp.drift))
    if not sealing.is_current(_PURPOSE, factor.sealed_key):
        factor.sealed_key = sealing.seal(_PURPOSE, key)
    factor.save(update_fields=["used_step", "drift", "sealed_key"])
    return True


def _recovers(actor: Actor, user: User, code: str) -> bool:
    plain = "".join(code.split()).replace("-", "").upper()
    mine = RecoveryCode.objects.filter(user=user, used_at=None)
    with transaction.atomic():
        if not mine.filter(secret_digest=sealing.digest(plain)).update(used_at=clock.now()):
            return False
        record(events.RECOVERY_CODE_USED, user, actor, left=mine.count())
    return True


def _codes_write(user: User) -> list[str]:
    plain = [base64.b32encode(secrets.token_bytes(CODE_BYTES)).decode() for _ in range(CODES)]
    RecoveryCode.objects.filter(user=user).delete()
    RecoveryCode.objects.bulk_create(RecoveryCode(user=user, secret_digest=sealing.digest(each)) for each in plain)
    return ["-".join(each[at : at + 4] for at in range(0, len(each), 4)) for each in plain]
