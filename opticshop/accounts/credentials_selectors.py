"""Reads of credentials: who is signed in where, and which services may sign in. Never a secret."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.conf import settings
from django.db.models import Exists, OuterRef, Q, QuerySet
from oauth2_provider.models import RefreshToken

from opticshop.core import clock
from opticshop.core.actor import ALL, Actor

from .models import Membership, OperatorPin, ServiceAccount, SignIn, User
from .permissions import AccountPermission


def sign_ins_open() -> QuerySet[SignIn]:
    """Those that stand: somebody's, within their time, and not idle for too long."""
    now = clock.now()
    idle = now - dt.timedelta(seconds=settings.OPTICSHOP_SESSION_IDLE_SECONDS)
    at_till = now - dt.timedelta(seconds=settings.OPTICSHOP_OPERATOR_IDLE_SECONDS)
    live = RefreshToken.objects.filter(token_family=OuterRef("token_family"), revoked=None)
    return SignIn.objects.filter(
        Q(way=SignIn.Way.BROWSER, seen_at__gt=idle)
        | Q(way=SignIn.Way.TILL, seen_at__gt=at_till)
        | (Q(way=SignIn.Way.APP) & Exists(live)),
        expire_date__gt=now,
        user__isnull=False,
    ).select_related("user", "application")


def sign_ins_of(user: User) -> QuerySet[SignIn]:
    return sign_ins_open().filter(user=user)


def sign_ins_visible_to(actor: Actor) -> QuerySet[SignIn]:
    """Of people whom the actor manages wherever they work."""
    return _managed_by(actor, sign_ins_open())


def service_accounts_visible_to(actor: Actor) -> QuerySet[ServiceAccount]:
    """Those whose every branch the actor manages: what reaches further is not there."""
    found = ServiceAccount.objects.select_related("application").prefetch_related("user__memberships")
    return _managed_by(actor, found)


def people_managed_by(actor: Actor) -> QuerySet[User]:
    return _managed_by(actor, User.objects.all(), "pk")


def _managed_by(actor: Actor, rows: QuerySet[Any], user: str = "user") -> QuerySet[Any]:
    where = actor.where(AccountPermission.MANAGE)
    if where is ALL:
        return rows
    theirs = Membership.objects.filter(user=OuterRef(user))
    elsewhere = theirs.filter(Q(branch=None) | ~Q(branch__in=where))
    return rows.filter(Exists(theirs), ~Exists(elsewhere))


def has_pin(user: User) -> bool:
    return OperatorPin.objects.filter(user=user).exists()
