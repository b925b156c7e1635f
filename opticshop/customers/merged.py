"""Records of one person: what belongs to a merged record is read with its survivor, and written only there."""

from __future__ import annotations

import uuid

from django.db.models import Model, Q

from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.core.scoping import BranchQuerySet

from .models import Customer
from .permissions import CustomerPermission


class CustomerMerged(Conflict):
    """The record was merged into another of the same person and is only read. The answer names the survivor, where
    you may see it: write there, or unmerge first."""

    code = "customers.merged"
    title = "This record was merged into another"


class CustomerRestricted(Conflict):
    """The person asked that the record is kept and not used (GDPR, article 18). Lift the restriction first, by a
    request of its own."""

    code = "customers.restricted"
    title = "This record is restricted"


class CustomerErased(Conflict):
    """The person was erased: nothing is written about them any more. Who comes again is registered anew."""

    code = "customers.erased"
    title = "This record was erased"


def refuse_merged(actor: Actor, customer: Customer, *, field: str = "customer") -> None:
    """Raise CustomerMerged for a merged record, CustomerRestricted or CustomerErased for one that is not to be used."""
    refuse_unused(customer, field=field)
    if customer.merged_into is None:
        return
    survivor = visible_survivor(actor, customer)
    if survivor is None:
        raise CustomerMerged("It was merged into a record of another branch.", field=field)
    raise CustomerMerged(
        f"It was merged into customer {survivor}.", field=field, allowed=str(survivor), survivor=str(survivor)
    )


def refuse_unused(customer: Customer, *, field: str = "customer") -> None:
    """Raise CustomerErased or CustomerRestricted; what was begun for a merged record may go on."""
    if customer.erased_at is not None:
        raise CustomerErased(field=field)
    if customer.restricted_at is not None:
        raise CustomerRestricted(f"Restricted since {customer.restricted_at:%Y-%m-%d}.", field=field)


def visible_survivor(actor: Actor, customer: Customer) -> uuid.UUID | None:
    """The record that this one was merged into, for who may see it; None for a record that speaks for itself."""
    survivor = customer.merged_into
    if survivor is None or not actor.may(CustomerPermission.VIEW, survivor.branch_id):
        return None
    return survivor.id


def records_of(customer_id: uuid.UUID) -> BranchQuerySet[Customer]:
    """A customer with what was merged into it: the rows for a subquery, ``customer__in=records_of(id)``."""
    rows = Customer.objects.everywhere("records of one person, within a query that has its own scope")
    return rows.filter(Q(id=customer_id) | Q(merged_into=customer_id))


def root_id(customer: Customer) -> uuid.UUID:
    """The id of the record that speaks for the person."""
    return customer.merged_into_id or customer.id


def belongs_to(document: Model, customer: Customer) -> bool:
    """Whether what ``document.customer`` names is the customer, or another record of the same person."""
    if document.customer_id == customer.id:  # type: ignore[attr-defined]
        return True
    return root_id(document.customer) == root_id(customer)  # type: ignore[attr-defined]
