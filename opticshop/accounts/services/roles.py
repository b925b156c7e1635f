"""Who holds which role where; and who has authority over whom."""

from __future__ import annotations

from django.contrib.auth.hashers import UNUSABLE_PASSWORD_PREFIX
from django.db import transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid, NotFound
from opticshop.core.locks import lock_rows

from .. import events, selectors
from ..models import SPANNING_ROLES, Membership, Role, User
from ..permissions import AccountPermission
from .sessions import credentials_end


class RoleNeedsBranch(Invalid):
    """Only some roles can be held in every branch at once; the others are held at one. Names those that span."""

    code = "accounts.role_needs_branch"
    title = "This role is held at a branch"


class LastHeadOffice(Conflict):
    """Somebody must be left who holds the role of head office in every branch and may sign in: make another first."""

    code = "accounts.last_head_office"
    title = "Nobody would be left who may do everything"


def require_everywhere(actor: Actor) -> None:
    """Raise Forbidden unless the actor manages people in every branch."""
    if actor.where(AccountPermission.MANAGE) is not ALL:
        raise Forbidden(
            f"This needs the permission {AccountPermission.MANAGE} in every branch.",
            permission=str(AccountPermission.MANAGE),
        )


def require_at(actor: Actor, branch: Branch | None) -> None:
    """Raise unless the actor manages people at the branch, or, without one, in every branch."""
    if branch is None:
        require_everywhere(actor)
    else:
        actor.require(AccountPermission.MANAGE, branch.id)


def require_over(actor: Actor, user: User) -> None:
    """Raise unless the actor manages people wherever this person has a role: whoever resets a password could sign in
    as that person, so nobody may do it to somebody with more than they manage themselves."""
    managed = actor.where(AccountPermission.MANAGE)
    if managed is ALL:
        return
    held = set(Membership.objects.filter(user=user).values_list("branch_id", flat=True))
    if not held or not held <= managed or user.is_staff or user.is_superuser:
        raise Forbidden(
            f"This needs the permission {AccountPermission.MANAGE} wherever the person has a role.",
            permission=str(AccountPermission.MANAGE),
        )


def membership_grant(*, actor: Actor, user: User, role: str, branch: Branch | None) -> Membership:
    """Give a role. Whoever needs a second factor by it, and has none, is signed out everywhere and led to it."""
    require_at(actor, branch)
    if branch is None and role not in SPANNING_ROLES:
        raise RoleNeedsBranch(f"{role} is held at a branch.", field="branch", allowed=[str(r) for r in SPANNING_ROLES])
    with transaction.atomic():
        membership, is_new = Membership.objects.get_or_create(user=user, role=role, branch=branch)
        if is_new:
            _renew(user)
            if role in selectors.second_factor_roles() and user.kind == User.Kind.PERSON:
                _sign_out_without_factor(user)
            record(events.ROLE_GRANTED, user, actor, branch=branch, role=role)
    return membership


def membership_revoke(*, actor: Actor, user: User, role: str, branch: Branch | None) -> None:
    """Take a role away; it ends with the next request, and with head office in every branch the back office.

    Raises NotFound, LastHeadOffice.
    """
    require_at(actor, branch)
    with transaction.atomic():
        if branch is None and role == Role.HEAD_OFFICE:
            keep_head_office(without=user)
        removed, _ = Membership.objects.filter(user=user, role=role, branch=branch).delete()
        if not removed:
            raise NotFound("The person does not hold this role there.", field="role")
        _renew(user)
        if branch is None and role == Role.HEAD_OFFICE:
            User.objects.filter(id=user.id).update(is_staff=False, is_superuser=False)
        record(events.ROLE_REVOKED, user, actor, branch=branch, role=role)


def keep_head_office(*, without: User) -> None:
    """Raise LastHeadOffice unless somebody else is left who can sign in; in the transaction of what takes this one
    away. Somebody who has not chosen a password yet does not count.

    Who is left is asked after the lock: a person let go of by whom it was waited for is still active in what was read
    with it.
    """
    everywhere = Membership.objects.filter(role=Role.HEAD_OFFICE, branch=None)
    lock_rows(everywhere)
    able = everywhere.filter(user__is_active=True, user__kind=User.Kind.PERSON)
    held_by = set(able.values_list("user_id", flat=True))
    others = able.exclude(user=without).exclude(user__password__startswith=UNUSABLE_PASSWORD_PREFIX)
    if without.id in held_by and not others.exists():
        raise LastHeadOffice(f"{without} is the last one.", allowed="grant the role everywhere to another first")


def _renew(user: User) -> None:
    """A new version of the person: they are shown with their roles."""
    User.objects.filter(id=user.id).update(version=F("version") + 1)


def _sign_out_without_factor(user: User) -> None:
    if not selectors.has_second_factor(user):
        credentials_end(user)


def record(event: str, user: User, actor: Actor, *, branch: Branch | None = None, **data: object) -> None:
    """Write an event about a person, in the transaction of the caller."""
    place = {"branch": str(branch.id) if branch else None} if "role" in data else {}
    outbox.record(
        event_type=event,
        subject=f"people/{user.id}",
        actor=actor,
        branch_id=branch.id if branch else None,
        data={"person": str(user.id), **data, **place},
    )
