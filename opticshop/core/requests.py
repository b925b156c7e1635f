"""From a request to its actor, and the default permission: what a view does not declare is refused."""

from __future__ import annotations

from typing import Any, cast

from django.conf import settings
from django.utils.module_loading import import_string
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from . import acting
from .actor import NOBODY, Actor


def actor_of(request: Request) -> Actor:
    """The actor of a request, built once by the factory named in settings."""
    found = getattr(request, "_actor", None)
    if found is None:
        found = import_string(settings.OPTICSHOP_ACTOR_FACTORY)(request) if request.user.is_authenticated else NOBODY
        request._actor = found  # type: ignore[attr-defined]
        acting.named(found, via=_client_of(request))
    return cast(Actor, found)


def _client_of(request: Request) -> str:
    """By which means the caller signed in, without any secret of it."""
    application = getattr(request.auth, "application", None)
    return (
        f"client {application.client_id}"
        if application is not None
        else "session"
        if request.user.is_authenticated
        else ""
    )


class HoldsDeclaredPermission(BasePermission):
    """The actor holds the permission that the view declares for this action, in at least one branch."""

    def has_permission(self, request: Request, view: Any) -> bool:
        if request.method == "OPTIONS" or getattr(view, "action", None) is None:
            return bool(request.user and request.user.is_authenticated)
        wanted = view.permissions.get(view.action)
        if wanted is None:
            return False
        actor = actor_of(request)
        actor.require_confirmed(wanted)
        return actor.may(wanted)
