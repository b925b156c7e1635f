"""From a signed-in user, its memberships and its token's scopes to an Actor.

The table of what each role may do is ``opticshop.config.access``, named in settings; it is the one place to read.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from django.conf import settings
from django.utils.module_loading import import_string
from oauth2_provider.models import RefreshToken
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request

from opticshop.core.actor import ALL, Actor, Where
from opticshop.core.errors import ConfirmFirst
from opticshop.core.prepared import Prepared, a_key_of_nobody

from .models import Membership, SignIn, User


@lru_cache(maxsize=1)
def role_table() -> Mapping[str, frozenset[str]]:
    table: Mapping[str, frozenset[str]] = import_string(settings.OPTICSHOP_ROLE_TABLE)
    return table


def scope_of(permission: str) -> str:
    """The OAuth scope that a token needs for a permission: ``orders.place`` -> ``orders:write``."""
    area, verb = permission.split(".", 1)
    return f"{area}:{'read' if verb == 'view' else 'write'}"


def actor_for(user: User, scopes: Iterable[str] | None = None) -> Actor:
    """What the user may do, narrowed to the scopes of the token if one was used."""
    return _actor(user, _granted(_memberships(user), None if scopes is None else set(scopes)))


def actor_at_till(user: User, scopes: Iterable[str], sign_in: SignIn) -> Actor:
    """An operator who took over a till by PIN: at its branch only, and until it confirms without what is sensitive and
    without what comes of a role that needs the second factor."""
    assert sign_in.branch_id is not None
    allowed, held = set(scopes), _memberships(user)
    here = [(role, sign_in.branch_id) for role, branch_id in held if branch_id in (None, sign_in.branch_id)]
    by_password = [(role, branch_id) for role, branch_id in here if role not in _named("OPTICSHOP_SECOND_FACTOR")]
    whole = _granted(here, allowed)
    if sign_in.is_confirmed():
        return _actor(user, whole if sign_in.confirmed_by_code else _granted(by_password, allowed))
    sensitive = _named("OPTICSHOP_SENSITIVE")
    grants = {name: where for name, where in _granted(by_password, allowed).items() if name not in sensitive}
    after = {name: where for name, where in whole.items() if name not in grants}
    return replace(_actor(user, grants), after_confirming=after)


@lru_cache(maxsize=4)
def _named(setting: str) -> frozenset[str]:
    """The names in a table of ``opticshop.config.access``, which a setting names."""
    return frozenset(map(str, import_string(getattr(settings, setting))))


_MEMBERSHIPS: Prepared[tuple[str, uuid.UUID | None]] = Prepared(
    lambda user: Membership.objects.filter(user=user).values_list("role", "branch_id"),
    field=User._meta.pk,
    stand_in=a_key_of_nobody(User),
)


def _memberships(user: User) -> list[tuple[str, uuid.UUID | None]]:
    return _MEMBERSHIPS.rows(user.pk)


def _granted(held: Iterable[tuple[str, uuid.UUID | None]], allowed: Iterable[str] | None) -> Mapping[str, Where]:
    roles = frozenset((role_table().get(role, frozenset()), branch_id) for role, branch_id in held)
    return _added_up(roles, None if allowed is None else frozenset(allowed))


@lru_cache(maxsize=1024)
def _added_up(
    roles: frozenset[tuple[frozenset[str], uuid.UUID | None]], allowed: frozenset[str] | None
) -> Mapping[str, Where]:
    """The same for everybody who holds the same roles at the same branches with the same scopes."""
    grants: dict[str, Where] = {}
    for permissions, branch_id in roles:
        for permission in permissions:
            if allowed is None or scope_of(permission) in allowed:
                grants[permission] = _widened(grants.get(permission, frozenset()), branch_id)
    return MappingProxyType(grants)


def _actor(user: User, grants: Mapping[str, Where]) -> Actor:
    kind = "service" if user.kind == User.Kind.SERVICE else "person"
    return Actor(id=user.id, label=str(user), kind=kind, grants=grants)  # type: ignore[arg-type]


def _widened(where: Where, branch_id: uuid.UUID | None) -> Where:
    if where is ALL or branch_id is None:
        return ALL
    return where | {branch_id}


def actor_from_request(request: Request) -> Actor:
    user: Any = request.user
    token = request.auth
    if token is None or not hasattr(token, "scope"):
        return actor_for(user)
    sign_in = till_sign_in(request)
    if sign_in is not None:
        return actor_at_till(user, token.scope.split(), sign_in)
    return actor_for(user, token.scope.split())


def till_sign_in(request: Request) -> SignIn | None:
    """The sign-in of an operator who took over a till by PIN, if the request comes with its token."""
    return getattr(request.auth, "sign_in", None)


def sign_in_in_use(request: Request) -> SignIn | None:
    """The sign-in by which the request came: of its session, its app or its till. None for a service."""
    if request.auth is None:
        session = getattr(request._request, "session", None)
        return session.row() if session is not None else None
    at_till = till_sign_in(request)
    family = RefreshToken.objects.filter(access_token=request.auth.pk).values("token_family")
    return at_till or SignIn.objects.filter(token_family__in=family).first()


class SignedInFully(IsAuthenticated):
    """Somebody signed in by password: an operator who took over by PIN has to confirm first."""

    def has_permission(self, request: Request, view: Any) -> bool:
        sign_in = till_sign_in(request)
        if sign_in is not None and not sign_in.is_confirmed():
            raise ConfirmFirst("This")
        return bool(super().has_permission(request, view))
