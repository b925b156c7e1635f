"""Reads of prescriptions and measurements, limited to the branches in which the actor may see them."""

from __future__ import annotations

import datetime as dt
import uuid

from django.db.models import Q

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.fetching import related
from opticshop.core.scoping import BranchQuerySet

from .models import DispensingOverride, Measurement, Prescription
from .permissions import PrescriptionPermission as Permission

_OVERRIDES = related(
    "overrides", lambda: DispensingOverride.objects.everywhere("of prescriptions that are shown").order_by("-id")
)


def prescriptions_visible_to(actor: Actor, permission: str = Permission.VIEW) -> BranchQuerySet[Prescription]:
    """With all that a prescription is shown with: branch, successor, eyes with prisms, overrides newest first."""
    return (
        Prescription.objects.visible_to(actor, permission)
        .select_related("branch", "superseded_by")
        .prefetch_related("eyes__prisms", _OVERRIDES)
    )


def prescription_get_for(
    actor: Actor, prescription_id: uuid.UUID, *, permission: str = Permission.VIEW
) -> Prescription:
    """The prescription with its customer, if the actor holds the permission in its branch; otherwise NotFound."""
    found = prescriptions_visible_to(actor, permission).select_related("customer").filter(id=prescription_id).first()
    if found is None:
        raise NotFound(f"There is no prescription {prescription_id} here.", field="prescription")
    return found


def prescriptions_current(queryset: BranchQuerySet[Prescription], wanted: bool) -> BranchQuerySet[Prescription]:
    """Those neither superseded nor expired on the day of their own branch; or, not wanted, all the others."""
    branches_by_day: dict[dt.date, list[uuid.UUID]] = {}
    for branch_id, zone in Branch.objects.values_list("id", "time_zone"):
        branches_by_day.setdefault(clock.today(zone), []).append(branch_id)
    in_date = Q(pk__in=[])
    for day, branch_ids in branches_by_day.items():
        in_date |= Q(branch_id__in=branch_ids, expires_on__gte=day)
    current = Q(superseded_by__isnull=True) & in_date
    return queryset.filter(current if wanted else ~current)


def latest_of(prescription: Prescription) -> Prescription:
    """The end of the chain of amendments that begins with this prescription; itself if it was never amended."""
    chain = Prescription.objects.everywhere("amendments of a prescription that was shown")
    while successor := chain.filter(supersedes_id=prescription.id).first():
        prescription = successor
    return prescription


def override_on(prescription: Prescription, day: dt.date) -> DispensingOverride | None:
    """The newest leave to dispense that is good on that day."""
    granted = DispensingOverride.objects.everywhere("of a prescription that was shown")
    return granted.filter(prescription=prescription, valid_until__gte=day).order_by("-id").first()


def measurements_visible_to(actor: Actor, permission: str = Permission.VIEW) -> BranchQuerySet[Measurement]:
    return Measurement.objects.visible_to(actor, permission)


def measurement_get_for(actor: Actor, measurement_id: uuid.UUID, *, permission: str = Permission.VIEW) -> Measurement:
    """The measurement, if the actor holds the permission in its branch; otherwise NotFound."""
    found = (
        measurements_visible_to(actor, permission)
        .select_related("branch", "customer", "frame")
        .filter(id=measurement_id)
        .first()
    )
    if found is None:
        raise NotFound(f"There is no measurement {measurement_id} here.", field="measurement")
    return found
