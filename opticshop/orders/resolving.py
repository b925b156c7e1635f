"""From the ids of a request to rows the actor may see; anything else is not there."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from typing import Any

from opticshop.branches.selectors import branch_get_for
from opticshop.catalogue.models import ServiceItem
from opticshop.catalogue.selectors import frame_get, lens_get
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid, NotFound
from opticshop.customers.selectors import customer_get_for
from opticshop.prescriptions.selectors import measurement_get_for, prescription_get_for

from .permissions import OrderPermission
from .services import Wanted


class NotATreatment(Invalid):
    """The dispensing is charged on every pair by itself, retired services are not charged, and nothing twice."""

    code = "orders.not_a_treatment"
    title = "This is no treatment of a lens"


def wanted_from(actor: Actor, body: Mapping[str, Any]) -> Wanted:
    return Wanted(
        branch=branch_get_for(actor, body["branch"], permission=OrderPermission.PLACE),
        customer=customer_get_for(actor, body["customer"]),
        prescription=prescription_get_for(actor, body["prescription"]),
        measurement=measurement_get_for(actor, body["measurement"]),
        frame=frame_get(body["frame"]),
        lenses={eye: lens_get(product) for eye, product in body["lenses"].items()},
        purpose=body["purpose"],
        frame_is_customers=body["frame_is_customers"],
        note=body.get("note", ""),
        promised_on=body.get("promised_on"),
        treatments=treatments_get(body.get("treatments", ())),
        promotion_code=body.get("promotion_code", ""),
    )


def treatments_get(keys: Sequence[uuid.UUID]) -> list[ServiceItem]:
    """The services charged for each lens, in the order given. Raises NotFound, NotATreatment."""
    found = ServiceItem.objects.in_bulk(keys)
    for key in keys:
        if key not in found:
            raise NotFound(f"There is no service {key} here.", field="treatments")
        if found[key].is_dispensing or not found[key].is_active or keys.count(key) > 1:
            raise NotATreatment(f"{found[key]} is the dispensing, retired, or named twice.", field="treatments")
    return [found[key] for key in keys]
