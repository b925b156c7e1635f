"""Writes of accounts: people, service accounts, their roles, and their OAuth clients."""

from __future__ import annotations

import secrets
from dataclasses import dataclass

from django.db import transaction
from oauth2_provider.models import Application

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor

from ..models import Membership, User
from ..permissions import AccountPermission


@dataclass(frozen=True, slots=True)
class ClientCredentials:
    client_id: str
    client_secret: str


def user_register(
    *, actor: Actor, username: str, password: str | None, display_name: str, registration_number: str = ""
) -> User:
    actor.require(AccountPermission.MANAGE)
    return User.objects.create_user(
        username=username,
        password=password,
        display_name=display_name,
        registration_number=registration_number,
    )


def membership_grant(*, actor: Actor, user: User, role: str, branch: Branch | None) -> Membership:
    actor.require(AccountPermission.MANAGE, branch.id if branch else None)
    membership, _ = Membership.objects.get_or_create(user=user, role=role, branch=branch)
    return membership


def service_client_register(*, actor: Actor, name: str, role: str, branch: Branch | None) -> ClientCredentials:
    """A service account with its OAuth client (client credentials). The secret is returned once and kept hashed."""
    actor.require(AccountPermission.MANAGE, branch.id if branch else None)
    with transaction.atomic():
        user, _ = User.objects.get_or_create(
            username=f"service-{name}", defaults={"display_name": name, "kind": User.Kind.SERVICE}
        )
        user.set_unusable_password()
        user.save(update_fields=["password"])
        Membership.objects.get_or_create(user=user, role=role, branch=branch)
        secret = secrets.token_urlsafe(32)
        application = Application.objects.create(
            name=name,
            user=user,
            client_type=Application.CLIENT_CONFIDENTIAL,
            authorization_grant_type=Application.GRANT_CLIENT_CREDENTIALS,
            client_secret=secret,
        )
    return ClientCredentials(application.client_id, secret)


def staff_client_register(*, actor: Actor, name: str, redirect_uris: list[str]) -> str:
    """A public client for staff apps (authorization code with PKCE); returns its client id."""
    actor.require(AccountPermission.MANAGE)
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
