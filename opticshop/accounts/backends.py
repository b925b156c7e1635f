"""The door of the password: every way in that asks for one comes through here."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import get_user_model
from django.http import HttpRequest

from opticshop.audit import services as audit
from opticshop.audit.signing_in import NotedBackend
from opticshop.core import acting

from . import selectors
from .models import User
from .passwords import LONGEST, normalized
from .services.attempts import attempted


class PasswordBackend(NotedBackend):
    """Counts what was tried, and notes a sign-in only where the password is all that is asked for.

    Raises TooManyAttempts, also for a name that nobody has: the two are not told apart, nor by the time they take
    (Django hashes the password in either case).
    """

    def authenticate(
        self, request: HttpRequest | None, username: str | None = None, password: str | None = None, **kwargs: Any
    ) -> Any:
        name = username if username is not None else kwargs.get(get_user_model().USERNAME_FIELD)
        if name is None or password is None:
            return None
        plain = normalized(password)[: LONGEST + 1]
        checked = super().authenticate
        return attempted(
            "password", str(name), acting.current().address, lambda: checked(request, username=name, password=plain)
        )

    def _note(self, user: Any, name: str) -> None:
        if user is not None and (selectors.has_second_factor(user) or selectors.needs_second_factor(user)):
            audit.note(
                action="other", table=User._meta.db_table, row_id=str(user.pk), after={"password": "right, step one"}
            )
        else:
            super()._note(user, name)

    def note_second_step(self, user: User, *, right: bool) -> None:
        """The code was right: that is the sign-in. Or it was not."""
        super()._note(user if right else None, user.username)
