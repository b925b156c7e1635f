"""Proving once more who one is: the password, and the code of the second factor where there is one."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from django.db import transaction
from django_otp import devices_for_user, match_token

from opticshop.audit.services import note
from opticshop.core import acting

from ..models import User
from .attempts import attempted


@dataclass(frozen=True, slots=True)
class Proof:
    """What somebody gives as proof; every try is counted. Ask for it outside of any transaction."""

    user: User
    password: str
    code: str = ""

    def needs_code(self) -> bool:
        return any(True for _ in devices_for_user(self.user, confirmed=True))

    def holds(self) -> bool:
        """Whether all of it is right. Raises TooManyAttempts."""
        address, name = acting.current().address, self.user.username
        right = attempted("password", name, address, lambda: self.user.check_password(self.password))
        if right and self.needs_code():
            right = attempted("code", name, address, lambda: match_token(self.user, self.code) is not None)
        if not right:
            sign_in_noted("sign-in-failed", self.user.pk, by="confirmation")
        return right


def sign_in_noted(action: str, user_id: uuid.UUID | None, *, by: str) -> None:
    """Into the audit trail, beside what the page of the password writes there."""
    with transaction.atomic():
        note(action=action, table=User._meta.db_table, row_id=str(user_id or ""), after={"by": by})
