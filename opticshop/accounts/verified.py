"""Who a session speaks for: nobody, until the second factor was shown by whoever needs one.

This stands where the session is read, so that the API, the back office and the authorization of apps cannot differ. A
session that lacks it is that of a stranger; a person who is given such a role loses what was open before in the same
way, at once.
"""

from __future__ import annotations

from typing import Any

from django.contrib.auth.middleware import AuthenticationMiddleware, get_user
from django.contrib.auth.models import AnonymousUser
from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from . import selectors

#: In the session: the id of the second factor by which it was begun.
MARK = "second_factor"


class VerifiedUserMiddleware(AuthenticationMiddleware):
    """Django's own, with the second factor asked for."""

    def process_request(self, request: HttpRequest) -> None:
        super().process_request(request)
        request.user = SimpleLazyObject(lambda: _verified(request))  # type: ignore[assignment]

        async def auser() -> Any:
            raise NotImplementedError("read request.user: the second factor is asked for there")

        request.auser = auser


def _verified(request: HttpRequest) -> Any:
    user: Any = get_user(request)
    if user.is_authenticated and not selectors.is_verified(user, request.session.get(MARK)):
        return AnonymousUser()
    return user
