"""Service accounts of integrators and tills, and the clients of staff apps. A secret is told once and kept hashed."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Sequence
from dataclasses import dataclass

from django.contrib.auth.hashers import make_password
from django.db import IntegrityError, transaction
from oauth2_provider.models import AccessToken, Application

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid
from opticshop.core.locks import lock_rows

from .. import events
from ..access import role_table, scope_of
from ..models import SPANNING_ROLES, Membership, ServiceAccount, User
from ..permissions import AccountPermission

#: An account has to be looked at at least once a year; common practice, no source.
LONGEST = dt.timedelta(days=366)
#: How long the secret before holds beside the new one, at most and if nothing is said; common practice, no source.
LONGEST_OVERLAP_HOURS, OVERLAP_HOURS = 7 * 24, 24


class ServiceAccountNameTaken(Conflict):
    """There is a service account of this name, maybe one that has ended: the trail would mix the two."""

    code = "accounts.service_account_name_taken"
    title = "There is a service account of this name"


class ServiceAccountEnded(Conflict):
    """The service account has been revoked, or its last day is over; make another."""

    code = "accounts.service_account_ended"
    title = "This service account has ended"


class ScopesBeyondRole(Invalid):
    """A service account cannot be given scopes that its role gives nothing for."""

    code = "accounts.scopes_beyond_role"
    title = "The role does not give these scopes"


class ExpiryOutOfRange(Invalid):
    """A service account ends within a year of today, and not before today."""

    code = "accounts.expiry_out_of_range"
    title = "The last day lies outside what is possible"


class BranchesUnsuitable(Invalid):
    """A role is held at branches; only head office and bookkeeper may hold theirs everywhere."""

    code = "accounts.branches_unsuitable"
    title = "The role cannot be held there"


@dataclass(frozen=True, slots=True)
class ClientCredentials:
    client_id: str
    client_secret: str


@dataclass(frozen=True, slots=True)
class Told:
    """A service account with its secret in clear: answered once, kept nowhere."""

    account: ServiceAccount
    client_secret: str


def scopes_of_role(role: str) -> list[str]:
    return sorted({scope_of(permission) for permission in role_table().get(role, ())})


def service_account_create(
    *,
    actor: Actor,
    name: str,
    role: str,
    branches: Sequence[Branch] | None,
    scopes: Sequence[str] | None,
    expires_on: dt.date,
) -> Told:
    """``branches`` None: everywhere, which needs the permission everywhere; ``scopes`` None: all that the role gives.

    Raises BranchesUnsuitable, ScopesBeyondRole, ExpiryOutOfRange, ServiceAccountNameTaken.
    """
    _require_there(actor, role, branches)
    possible, today = scopes_of_role(role), clock.now().date()
    wanted = sorted(set(possible if scopes is None else scopes))
    if beyond := sorted(set(wanted) - set(possible)):
        raise ScopesBeyondRole(", ".join(beyond), field="scopes", allowed=possible)
    if not today <= expires_on <= today + LONGEST:
        raise ExpiryOutOfRange(
            f"{expires_on} is not possible.", field="expires_on", allowed=f"{today} to {today + LONGEST}"
        )
    secret = secrets.token_urlsafe(32)
    with transaction.atomic():
        if ServiceAccount.objects.filter(name=name).exists():
            raise ServiceAccountNameTaken(f"{name!r} is taken.", field="name", allowed="another name")
        user = _user_of(name)
        Membership.objects.filter(user=user).delete()
        for branch in branches if branches is not None else [None]:
            Membership.objects.create(user=user, role=role, branch=branch)
        application = Application.objects.create(
            name=name,
            user=user,
            client_type=Application.CLIENT_CONFIDENTIAL,
            authorization_grant_type=Application.GRANT_CLIENT_CREDENTIALS,
            client_secret=secret,
        )
        try:
            with transaction.atomic():
                account = ServiceAccount.objects.create(
                    application=application, user=user, name=name, role=role, scopes=wanted, expires_on=expires_on
                )
        except IntegrityError as error:  # somebody else was as quick
            raise ServiceAccountNameTaken(f"{name!r} is taken.", field="name", allowed="another name") from error
        _record(events.SERVICE_ACCOUNT_CREATED, account, actor, expires_on=str(expires_on))
    return Told(account, secret)


def _require_there(actor: Actor, role: str, branches: Sequence[Branch] | None) -> None:
    if branches is not None:
        for branch in branches:
            actor.require(AccountPermission.MANAGE, branch.id)
        if not branches:
            raise BranchesUnsuitable("Name a branch.", field="branches", allowed="at least one branch")
        return
    actor.require(AccountPermission.MANAGE)
    if actor.where(AccountPermission.MANAGE) is not ALL:
        raise Forbidden(f"This needs the permission {AccountPermission.MANAGE} everywhere.")
    if role not in SPANNING_ROLES:
        raise BranchesUnsuitable(f"{role} is held at a branch.", field="branches", allowed="at least one branch")


def _user_of(name: str) -> User:
    user, _ = User.objects.get_or_create(
        username=f"service-{name}", defaults={"display_name": name, "kind": User.Kind.SERVICE}
    )
    user.kind, user.is_active = User.Kind.SERVICE, True
    user.set_unusable_password()
    user.save(update_fields=["kind", "is_active", "password"])
    return user


def service_account_rotate(*, actor: Actor, account: ServiceAccount, overlap_hours: int = OVERLAP_HOURS) -> Told:
    """A new secret; the one before holds on for the overlap, and with 0 hours ends at once with all its tokens.

    Raises ServiceAccountEnded.
    """
    actor.require(AccountPermission.MANAGE)
    secret = secrets.token_urlsafe(32)
    with transaction.atomic():
        row = _locked(account)
        if not row.holds():
            raise ServiceAccountEnded(f"{row.name} has ended.")
        application = row.application
        row.rotated_at = clock.now()
        row.previous_secret, row.overlap_ends_at = "", None
        if overlap_hours:
            row.previous_secret = application.client_secret
            row.overlap_ends_at = row.rotated_at + dt.timedelta(hours=min(overlap_hours, LONGEST_OVERLAP_HOURS))
        else:
            AccessToken.objects.filter(application=application).delete()
        application.client_secret = make_password(secret)
        application.save(update_fields=["client_secret"])
        row.save(update_fields=["rotated_at", "previous_secret", "overlap_ends_at"])
        _record(events.SERVICE_ACCOUNT_ROTATED, row, actor, overlap_hours=overlap_hours)
    return Told(row, secret)


def service_account_revoke(*, actor: Actor, account: ServiceAccount) -> ServiceAccount:
    """Ends it at once, with its tokens and those of operators at its till. Revoked again, it stays as it is."""
    actor.require(AccountPermission.MANAGE)
    with transaction.atomic():
        row = _locked(account)
        if row.revoked_at is None:
            row.revoked_at = clock.now()
            row.previous_secret, row.overlap_ends_at = "", None
            row.save(update_fields=["revoked_at", "previous_secret", "overlap_ends_at"])
            User.objects.filter(id=row.user_id).update(is_active=False)
            AccessToken.objects.filter(application=row.application_id).delete()
            _record(events.SERVICE_ACCOUNT_REVOKED, row, actor)
    return row


def _locked(account: ServiceAccount) -> ServiceAccount:
    [row] = lock_rows(ServiceAccount.objects.filter(id=account.id).select_related("application"))
    return row


def _record(event_type: str, account: ServiceAccount, actor: Actor, **more: object) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"service-accounts/{account.id}",
        actor=actor,
        branch_id=None,
        data={"service_account": str(account.id), **more},
    )


def service_client_register(*, actor: Actor, name: str, role: str, branch: Branch | None) -> ClientCredentials:
    """A service account with all that its role gives, for as long as is possible; for the command line."""
    made = service_account_create(
        actor=actor,
        name=name,
        role=role,
        branches=None if branch is None else [branch],
        scopes=None,
        expires_on=clock.now().date() + LONGEST,
    )
    return ClientCredentials(made.account.application.client_id, made.client_secret)


def staff_client_register(*, actor: Actor, name: str, redirect_uris: list[str]) -> str:
    """A public client for staff apps (authorization code with PKCE); returns its client id.

    Raises ServiceAccountNameTaken: its client would become one that anybody may use.
    """
    actor.require(AccountPermission.MANAGE)
    if ServiceAccount.objects.filter(application__name=name).exists():
        raise ServiceAccountNameTaken(f"{name!r} is a service account.", field="name", allowed="another name")
    application, _ = Application.objects.update_or_create(
        name=name,
        defaults={
            "client_type": Application.CLIENT_PUBLIC,
            "authorization_grant_type": Application.GRANT_AUTHORIZATION_CODE,
            "redirect_uris": " ".join(redirect_uris),
            "skip_authorization": True,
        },
    )
    return str(application.client_id)
