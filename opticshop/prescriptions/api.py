from __future__ import annotations

from typing import Any

import django_filters
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.catalogue.selectors import frame_get
from opticshop.core.api import ResourceViewSet
from opticshop.core.kept import A_KEY
from opticshop.customers.filters import CustomerFilter
from opticshop.customers.selectors import customer_get_for

from . import selectors, services
from .measured import Measured
from .models import Measurement, Prescription
from .permissions import PrescriptionPermission as Permission
from .recall_facts_api import routes as recall_fact_routes
from .serializers import (
    MeasurementOut,
    MeasurementTakeIn,
    OverrideIn,
    OverrideOut,
    PrescriptionAmendIn,
    PrescriptionOut,
    PrescriptionRecordIn,
    written_from,
)


class PrescriptionFilter(django_filters.FilterSet):
    customer = CustomerFilter(field_name="customer")
    current = django_filters.TypedChoiceFilter(
        method="by_current",
        choices=[("true", "true"), ("false", "false")],
        coerce=lambda text: text == "true",
        empty_value=None,
        label="true: neither superseded nor expired today at its branch; false: all the others",
    )

    class Meta:
        model = Prescription
        fields: list[str] = []

    def by_current(self, queryset: Any, name: str, value: bool | None) -> Any:
        return queryset if value is None else selectors.prescriptions_current(queryset, value)


class PrescriptionViewSet(ResourceViewSet):
    """Prescriptions as written. Never edited: an amendment is a new one that supersedes."""

    tag, noun = "Prescriptions", "prescription"
    prepared = True
    kept_queries = {"customer": A_KEY}
    selector = staticmethod(selectors.prescriptions_visible_to)
    filterset_class = PrescriptionFilter
    permissions = {
        "list": Permission.VIEW,
        "retrieve": Permission.VIEW,
        "create": Permission.RECORD,
        "amend": Permission.RECORD,
        "override": Permission.OVERRIDE,
    }
    inputs = {"create": PrescriptionRecordIn, "amend": PrescriptionAmendIn, "override": OverrideIn}
    outputs = {"override": OverrideOut}
    output = PrescriptionOut
    idempotent = {"create": "optional", "amend": "optional", "override": "optional"}
    statuses = {"amend": 201, "override": 201}
    summaries = {
        "list": "Prescriptions, newest first",
        "retrieve": "Get one prescription with what follows from it",
        "create": "Record a prescription as written; what looks unusual comes back as warnings",
        "amend": "Record a corrected prescription that supersedes this one",
        "override": "Give leave to dispense an expired prescription",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        customer = customer_get_for(self.actor, body["customer"])
        recorded = services.prescription_record(actor=self.actor, customer=customer, written=written_from(body))
        return self._shown(recorded)

    @action(detail=True, methods=["post"])
    def amend(self, request: Request, pk: str) -> Response:
        prescription, body = self.get_object(), self.read_input()
        amended = services.prescription_amend(
            actor=self.actor, prescription=prescription, written=written_from(body), reason=body["reason"]
        )
        return self._shown(amended)

    @action(detail=True, methods=["post"])
    def override(self, request: Request, pk: str) -> Response:
        prescription, body = self.get_object(), self.read_input()
        return self.answer(services.override_grant(actor=self.actor, prescription=prescription, **body))

    def _shown(self, prescription: Prescription) -> Response:
        shown = selectors.prescription_get_for(self.actor, prescription.id, permission=Permission.RECORD)
        return self.answer(shown, status=201)


class MeasurementFilter(django_filters.FilterSet):
    customer = CustomerFilter(field_name="customer")

    class Meta:
        model = Measurement
        fields: list[str] = []


class MeasurementViewSet(ResourceViewSet):
    """What was measured on the face. Never edited: a new measurement replaces an older one."""

    tag, noun = "Measurements", "measurement"
    selector = staticmethod(selectors.measurements_visible_to)
    filterset_class = MeasurementFilter
    permissions = {"list": Permission.VIEW, "retrieve": Permission.VIEW, "create": Permission.MEASURE}
    inputs = {"create": MeasurementTakeIn}
    output = MeasurementOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Measurements, newest first",
        "retrieve": "Get one set of measurements",
        "create": "Record what was measured; what looks unusual comes back as warnings",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        customer = customer_get_for(self.actor, body.pop("customer"))
        frame_id, taken_at = body.pop("frame", None), body.pop("taken_at", None)
        measurement = services.measurement_take(
            actor=self.actor,
            customer=customer,
            frame=frame_get(frame_id) if frame_id else None,
            taken_at=taken_at,
            measured=Measured(**body),
        )
        return self.answer(measurement, status=201)


routes = [("prescriptions", PrescriptionViewSet), ("measurements", MeasurementViewSet), *recall_fact_routes]
