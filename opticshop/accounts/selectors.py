"""Reads of people, limited to the branches in which the actor may see them; and who needs a second factor."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet
from django.utils.module_loading import import_string

from opticshop.core.actor import ALL, Actor

from .models import Invitation, Membership, SecondFactor, User
from .permissions import AccountPermission


def memberships_visible_to(actor: Actor) -> QuerySet[Membership]:
    """Roles at the branches where the actor sees people; those held in every branch only for who sees them all."""
    where = actor.where(AccountPermission.VIEW)
    return Membership.objects.all() if where is ALL else Membership.objects.filter(branch_id__in=where)


def people_visible_to(actor: Actor) -> QuerySet[User]:
    """People with a role at a branch of the actor; for who sees every branch all, also those without a role."""
    people = User.objects.filter(kind=User.Kind.PERSON)
    if actor.where(AccountPermission.VIEW) is ALL:
        return people
    return people.filter(Exists(memberships_visible_to(actor).filter(user=OuterRef("pk"))))


def people_shown_to(actor: Actor) -> QuerySet[User]:
    return with_details(actor, people_visible_to(actor))


def with_details(actor: Actor, people: QuerySet[User]) -> QuerySet[User]:
    """With all that a person is shown with: the roles that the actor may see, second factor, open invitation."""
    roles = Prefetch("memberships", memberships_visible_to(actor).order_by("id"), to_attr="shown_memberships")
    return people.prefetch_related(roles).annotate(
        has_second_factor=Exists(_confirmed()),
        needs_second_factor=_needs(),
        is_invited=Exists(Invitation.objects.filter(user=OuterRef("pk"), used_at=None)),
    )


def people_named(people: QuerySet[User], text: str) -> QuerySet[User]:
    """Every word of the text is part of the name or of the user name. People are few: no index serves it."""
    for word in text.split():
        people = people.filter(Q(display_name__icontains=word) | Q(username__icontains=word))
    return people


def second_factor_roles() -> tuple[str, ...]:
    """The roles that need one, in any branch: ``opticshop.config.access``."""
    roles: tuple[str, ...] = import_string(settings.OPTICSHOP_SECOND_FACTOR)
    return roles


def _confirmed() -> QuerySet[SecondFactor]:
    return SecondFactor.objects.filter(user=OuterRef("pk"), confirmed_at__isnull=False)


def _needs() -> Q:
    """Who holds such a role, or enters the back office, where every record can be seen."""
    held = Membership.objects.filter(user=OuterRef("pk"), role__in=second_factor_roles())
    return Q(Exists(held)) | Q(is_staff=True) | Q(is_superuser=True)


def needs_second_factor(user: User) -> bool:
    """Whether a role asks for it; whoever has one of their own will is asked for its code all the same."""
    return User.objects.filter(_needs(), pk=user.pk).exists()


def second_factor_of(user: User) -> SecondFactor | None:
    return SecondFactor.objects.filter(user=user, confirmed_at__isnull=False).first()


def has_second_factor(user: User) -> bool:
    return SecondFactor.objects.filter(user=user, confirmed_at__isnull=False).exists()


def is_verified(user: User, factor_id: str | None) -> bool:
    """Whether a sign-in that says by which second factor it was made, if by any, is enough for this person."""
    if factor_id is not None:
        key = uuid.UUID(factor_id)
        return SecondFactor.objects.filter(id=key, user=user, confirmed_at__isnull=False).exists()
    return not User.objects.filter(_needs() | Exists(_confirmed()), pk=user.pk).exists()
