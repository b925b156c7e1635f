"""From a signed-in user, its memberships and its token's scopes to an Actor.

The table of what each role may do is ``opticshop.config.access``, named in settings; it is the one place to read.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from functools import lru_cache

from django.conf import settings
from django.utils.module_loading import import_string
from rest_framework.request import Request

from opticshop.core.actor import ALL, Actor, Where

from .models import Membership, User


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
    allowed = None if scopes is None else set(scopes)
    grants: dict[str, Where] = {}
    for role, branch_id in Membership.objects.filter(user=user).values_list("role", "branch_id"):
        for permission in role_table().get(role, frozenset()):
            if allowed is not None and scope_of(permission) not in allowed:
                continue
            grants[permission] = _widened(grants.get(permission, frozenset()), branch_id)
    kind = "service" if user.kind == User.Kind.SERVICE else "person"
    return Actor(id=user.id, label=str(user), kind=kind, grants=grants)  # type: ignore[arg-type]


def _widened(where: Where, branch_id: uuid.UUID | None) -> Where:
    if where is ALL or branch_id is None:
        return ALL
    return where | {branch_id}


def actor_from_request(request: Request) -> Actor:
    token = request.auth
    scopes = token.scope.split() if token is not None and hasattr(token, "scope") else None
    return actor_for(request.user, scopes)  # type: ignore[arg-type]
