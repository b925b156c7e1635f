"""Signing in with name and password, written down whether it worked or not, by whatever door it was tried."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.backends import ModelBackend
from django.db import transaction
from django.http import HttpRequest

from opticshop.core import acting

from . import services


class NotedBackend(ModelBackend):
    """Django's own backend. A name that nobody has is not kept: people type their password there."""

    def authenticate(
        self, request: HttpRequest | None, username: str | None = None, password: str | None = None, **kwargs: Any
    ) -> Any:
        user = super().authenticate(request, username=username, password=password, **kwargs)
        name = username if username is not None else kwargs.get(get_user_model().USERNAME_FIELD)
        if name is not None and password is not None:
            self._note(user, str(name))
        return user

    def _note(self, user: Any, name: str) -> None:
        whom = user or _users().filter(username=name).first()
        trace = acting.current()
        if user is not None:
            trace.actor_id, trace.actor_label, trace.actor_kind, trace.written = user.pk, str(user), "person", ""
        row: uuid.UUID | None = whom.pk if whom else None
        with transaction.atomic():
            services.note(
                action="sign-in" if user is not None else "sign-in-failed",
                table=get_user_model()._meta.db_table,
                row_id=str(row or ""),
                after={} if whom else {"user": "unknown name"},
            )


def _users() -> Any:
    return get_user_model().objects
