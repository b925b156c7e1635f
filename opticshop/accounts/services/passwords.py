"""Choosing a password. What is asked of it stands in ``accounts.passwords``."""

from __future__ import annotations

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from opticshop.core import acting
from opticshop.core.actor import Actor
from opticshop.core.errors import Forbidden, Invalid

from .. import events
from ..models import SignIn, User
from ..passwords import RULES, normalized
from .attempts import attempted
from .roles import record
from .sessions import credentials_end


class PasswordRefused(Invalid):
    """The password is too short, too long, common, or like the person's name. The answer says which, and the rules."""

    code = "accounts.password_refused"
    title = "This cannot be your password"


class OldPasswordWrong(Invalid):
    """The present password, which a change asks for, is not the right one."""

    code = "accounts.old_password_wrong"
    title = "The present password is wrong"


def password_write(user: User, password: str) -> None:
    """Check and keep it, in the transaction of the caller. Raises PasswordRefused."""
    plain = normalized(password)
    try:
        validate_password(plain, user)
    except ValidationError as error:
        raise PasswordRefused(" ".join(error.messages), field="password", allowed=list(RULES)) from error
    user.set_password(plain)
    user.save(update_fields=["password"])


def password_change(*, actor: Actor, user: User, old: str, new: str, keep: SignIn | None = None) -> None:
    """One's own change: every sign-in but ``keep`` ends. Raises OldPasswordWrong, PasswordRefused, TooManyAttempts."""
    if user.kind != User.Kind.PERSON:
        raise Forbidden("A service account has no password.")
    password_confirm(user=user, password=old, field="old_password")
    with transaction.atomic():
        password_write(user, new)
        credentials_end(user, keep=keep)
        record(events.PASSWORD_SET, user, actor, by="change")


def password_confirm(*, user: User, password: str, field: str = "password") -> None:
    """Asked for once more before something that matters. Raises OldPasswordWrong, TooManyAttempts."""
    address = acting.current().address
    if not attempted("password", user.username, address, lambda: user.check_password(normalized(password))):
        raise OldPasswordWrong(field=field)
