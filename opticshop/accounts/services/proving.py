"""Proving once more who one is: the password, and the code of the second factor where there is one."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from django.db import transaction

from opticshop.audit.services import note
from opticshop.core import acting
from opticshop.core.actor import Actor

from .. import selectors
from ..models import User
from ..passwords import LONGEST, normalized
from .attempts import attempted
from .second_factor import CodeWrong, second_factor_check


@dataclass(frozen=True, slots=True)
class Proof:
    """What somebody gives as proof; every try is counted. Ask for it outside of any transaction."""

    actor: Actor
    user: User
    password: str
    code: str = ""

    def needs_code(self) -> bool:
        return selectors.has_second_factor(self.user)

    def holds(self) -> bool:
        """Whether all of it is right. Raises TooManyAttempts."""
        plain = normalized(self.password)[: LONGEST + 1]
        right = attempted(
            "password", self.user.username, acting.current().address, lambda: self.user.check_password(plain)
        )
        right = right and (not self.needs_code() or self._code_is_right())
        if not right:
            sign_in_noted("sign-in-failed", self.user.pk, by="confirmation")
        return right

    def _code_is_right(self) -> bool:
        try:
            second_factor_check(actor=self.actor, user=self.user, code=self.code)
        except CodeWrong:
            return False
        return True


def sign_in_noted(action: str, user_id: uuid.UUID | None, *, by: str) -> None:
    """Into the audit trail, beside what the page of the password writes there."""
    with transaction.atomic():
        note(action=action, table=User._meta.db_table, row_id=str(user_id or ""), after={"by": by})
