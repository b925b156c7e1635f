"""Registering, amending and letting go of people. Nobody chooses a password for somebody else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid, VersionMismatch

from .. import events
from ..models import User
from ..passwords import normalized
from ..permissions import AccountPermission
from .invitations import Invited, invitation_make
from .roles import keep_head_office, membership_grant, record, require_at, require_everywhere, require_over
from .sessions import credentials_end

#: Names of service accounts begin so.
RESERVED = "service-"


class UsernameTaken(Conflict):
    """Names to sign in with are unique, whatever their case."""

    code = "accounts.username_taken"
    title = "Somebody has this name already"


class UsernameReserved(Invalid):
    """Names that begin with service- are those of service accounts."""

    code = "accounts.username_reserved"
    title = "This name is kept for service accounts"


class AlreadySo(Conflict):
    """A person is deactivated who is not active, or reactivated who is."""

    code = "accounts.already_so"
    title = "The person is that already"


def user_register(
    *, actor: Actor, username: str, password: str | None, display_name: str, registration_number: str = ""
) -> User:
    """A person with a given password: the first one of an installation, and invented ones."""
    actor.require(AccountPermission.MANAGE)
    plain = None if password is None else normalized(password)
    with transaction.atomic():
        user = _created(username, plain, {"display_name": display_name, "registration_number": registration_number})
        record(events.PERSON_REGISTERED, user, actor)
    return user


def person_register(
    *, actor: Actor, username: str, roles: Sequence[tuple[str, Branch | None]], **details: Any
) -> tuple[User, Invited]:
    """A person with roles, as (role, branch) with None for every branch, and the link by which they choose a password.

    Raises UsernameTaken, UsernameReserved, RoleNeedsBranch; Forbidden or NotFound where the actor does not manage.
    """
    for _, branch in roles:
        require_at(actor, branch)
    if not roles:
        require_everywhere(actor)
    with transaction.atomic():
        user = _created(username, None, details)
        record(events.PERSON_REGISTERED, user, actor)
        for role, branch in roles:
            membership_grant(actor=actor, user=user, role=role, branch=branch)
        invited = invitation_make(actor=actor, user=user)
    return user, invited


def _created(username: str, password: str | None, details: Mapping[str, Any]) -> User:
    name = User.normalize_username(username)
    if name.casefold().startswith(RESERVED):
        raise UsernameReserved(f"A name of a person does not begin with {RESERVED}.", field="username")
    if User.objects.filter(username__iexact=name).exists():
        raise UsernameTaken(f"There is already somebody called {name}.", field="username")
    try:
        with transaction.atomic():
            return User.objects.create_user(username=name, password=password, **details)
    except IntegrityError as error:
        raise UsernameTaken(f"There is already somebody called {name}.", field="username") from error


def person_amend(*, actor: Actor, user: User, version: int, changes: Mapping[str, Any]) -> None:
    """Change what a person is called or registered as, guarded by the version that was read."""
    require_over(actor, user)
    with transaction.atomic():
        if not User.objects.filter(id=user.id, version=version).update(version=F("version") + 1, **changes):
            raise VersionMismatch(field="If-Match")
        record(events.PERSON_AMENDED, user, actor, fields=sorted(changes))


def person_deactivate(*, actor: Actor, user: User, reason: str) -> None:
    """The person has left, or is to be kept out: every session and token ends now. Roles and history stay."""
    require_over(actor, user)
    with transaction.atomic():
        keep_head_office(without=user)
        _switch(user, to=False)
        user.invitations.filter(used_at=None).delete()
        credentials_end(user)
        record(events.PERSON_DEACTIVATED, user, actor, reason=reason)


def person_reactivate(*, actor: Actor, user: User, reason: str) -> None:
    """The person is back, with the roles, the password and the second factor of before."""
    require_over(actor, user)
    with transaction.atomic():
        _switch(user, to=True)
        record(events.PERSON_REACTIVATED, user, actor, reason=reason)


def _switch(user: User, *, to: bool) -> None:
    if not User.objects.filter(id=user.id, is_active=not to).update(is_active=to, version=F("version") + 1):
        raise AlreadySo(f"{user} is {'active' if to else 'not active'}.")
