"""Reads of customers, always limited to the branches in which the actor may see them."""

from __future__ import annotations

import uuid

from django.db.models import Q

from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.core.text import folded

from .models import Customer
from .permissions import CustomerPermission


def customers_visible_to(actor: Actor) -> BranchQuerySet[Customer]:
    return Customer.objects.visible_to(actor, CustomerPermission.VIEW)


def customer_get_for(actor: Actor, customer_id: uuid.UUID, *, permission: str = CustomerPermission.VIEW) -> Customer:
    """The customer, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    found = Customer.objects.visible_to(actor, permission).select_related("branch").filter(id=customer_id).first()
    if found is None:
        raise NotFound(f"There is no customer {customer_id} here.", field="customer")
    return found


def customers_named(queryset: BranchQuerySet[Customer], text: str) -> BranchQuerySet[Customer]:
    """Every word of the text begins the given or the family name (or a further word of either)."""
    for word in folded(text).split():
        queryset = queryset.filter(
            Q(search_family__startswith=word)
            | Q(search_given__startswith=word)
            | Q(search_family__contains=f" {word}")
            | Q(search_given__contains=f" {word}")
        )
    return queryset


def customers_like(actor: Actor, person: Customer) -> BranchQuerySet[Customer]:
    """Registered people who may be the same person: same phone or e-mail, or same birth date and a similar name."""
    same = Q(pk__in=[])
    if person.phone_e164:
        same |= Q(phone_e164=person.phone_e164)
    if person.email:
        same |= Q(email__iexact=person.email)
    if person.birth_date:
        same |= Q(birth_date=person.birth_date) & (
            Q(search_family=person.search_family) | Q(search_given=person.search_given)
        )
    same |= Q(search_family=person.search_family, search_given=person.search_given, birth_date=None)
    if person.birth_date is None:
        same |= Q(search_family=person.search_family, search_given=person.search_given)
    return customers_visible_to(actor).filter(same).exclude(pk=person.pk).order_by("-id")[:10]
