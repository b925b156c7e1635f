"""Reads of the exchange: what the actor may see in its own right, in branches where it may also exchange it."""

from __future__ import annotations

from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet
from opticshop.customers.models import Customer
from opticshop.customers.selectors import customers_visible_to
from opticshop.prescriptions.models import Prescription
from opticshop.prescriptions.permissions import PrescriptionPermission
from opticshop.prescriptions.selectors import prescriptions_visible_to

from .models import OutsideIdentifier
from .permissions import ExchangePermission


def patients_for(actor: Actor) -> BranchQuerySet[Customer]:
    """Without who was erased, and without who asked that their record is kept and not used (GDPR, article 18)."""
    shown = customers_visible_to(actor).visible_to(actor, ExchangePermission.VIEW)
    return shown.filter(restricted_at=None).select_related("branch")


def prescriptions_for(
    actor: Actor,
    *,
    permission: str = PrescriptionPermission.VIEW,
    exchange: str = ExchangePermission.VIEW,
) -> BranchQuerySet[Prescription]:
    """With all that a VisionPrescription is written from; overrides stay in the house.

    What is kept of an erased or restricted person is kept for claims, not to be told to other systems.
    """
    shown = prescriptions_visible_to(actor, permission).visible_to(actor, exchange)
    shown = shown.filter(customer__erased_at=None, customer__restricted_at=None)
    return shown.prefetch_related(None).prefetch_related("eyes__prisms", "outside_identifiers")


def outside_identifiers(kind: str) -> BranchQuerySet[OutsideIdentifier]:
    """To narrow rows that are limited to the actor's branches themselves."""
    return OutsideIdentifier.objects.everywhere("within rows that the actor may see").filter(kind=kind)
