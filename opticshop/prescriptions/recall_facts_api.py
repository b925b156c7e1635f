from __future__ import annotations

import datetime as dt
from typing import Any

import django_filters
from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ResourceViewSet
from opticshop.core.serializers import StrictSerializer, TextField
from opticshop.customers.filters import CustomerFilter
from opticshop.customers.selectors import customer_get_for

from . import recall_facts_selectors as selectors
from . import recall_facts_services as services
from .permissions import PrescriptionPermission
from .recall_facts_models import FLAGS, RecallFact


class RecallFactOut(serializers.ModelSerializer[RecallFact]):
    flag = serializers.ChoiceField(list(FLAGS.items()), read_only=True)

    class Meta:
        model = RecallFact
        fields = [
            "id",
            "branch",
            "customer",
            "flag",
            "since_on",
            "until_on",
            "source",
            "note",
            "recorded_by",
            "created_at",
            "ended_by",
            "struck_at",
            "struck_by",
            "struck_reason",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Told at the counter",
            value={
                "customer": "01890a5d-ac96-774b-bcce-b302099a8057",
                "flag": "family_history_of_glaucoma",
                "since_on": "2026-03-02",
                "source": "the person",
            },
        )
    ]
)
class RecallFactRecordIn(StrictSerializer):
    customer = serializers.UUIDField()
    flag = serializers.ChoiceField(list(FLAGS.items()))
    since_on = serializers.DateField()
    source = TextField(max_length=200)  # type: ignore[assignment]
    note = TextField(max_length=500, required=False, allow_blank=True, default="")


@extend_schema_serializer(examples=[OpenApiExample("Its last day", value={"until_on": "2026-03-02"})])
class RecallFactEndIn(StrictSerializer):
    until_on = serializers.DateField()


@extend_schema_serializer(examples=[OpenApiExample("A mistake", value={"reason": "It was another person's letter"})])
class RecallFactStrikeIn(StrictSerializer):
    reason = TextField(max_length=300)


class RecallFactSearch(django_filters.FilterSet):
    customer = CustomerFilter(field_name="customer")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    flag = django_filters.ChoiceFilter(choices=list(FLAGS.items()))
    holds_on = django_filters.DateFilter(method="holding", label="Facts that hold on this day")

    class Meta:
        model = RecallFact
        fields: list[str] = []

    def holding(self, queryset: Any, name: str, value: dt.date) -> Any:
        return selectors.recall_facts_holding(queryset, value)


class RecallFactViewSet(ResourceViewSet):
    """Clinical facts that decide when a person is called back. Never edited: ended, or struck through."""

    tag, noun = "Prescriptions", "recall fact"
    selector = staticmethod(selectors.recall_facts_visible_to)
    filterset_class = RecallFactSearch
    permissions = {
        "list": PrescriptionPermission.RECORD,
        "retrieve": PrescriptionPermission.RECORD,
        "create": PrescriptionPermission.RECORD,
        "end": PrescriptionPermission.RECORD,
        "strike": PrescriptionPermission.RECORD,
    }
    inputs = {"create": RecallFactRecordIn, "end": RecallFactEndIn, "strike": RecallFactStrikeIn}
    output = RecallFactOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Facts that recalls are made by, newest first",
        "retrieve": "Get one such fact",
        "create": "Record a fact that recalls are made by",
        "end": "The fact held until that day and not longer",
        "strike": "The fact was never so: it stays readable and does not count",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        customer = customer_get_for(self.actor, body.pop("customer"))
        return self.answer(services.recall_fact_record(actor=self.actor, customer=customer, **body), status=201)

    @action(detail=True, methods=["post"])
    def end(self, request: Request, pk: str) -> Response:
        fact, body = self.get_object(), self.read_input()
        return self.answer(services.recall_fact_end(actor=self.actor, fact=fact, **body))

    @action(detail=True, methods=["post"])
    def strike(self, request: Request, pk: str) -> Response:
        fact, body = self.get_object(), self.read_input()
        return self.answer(services.recall_fact_strike(actor=self.actor, fact=fact, **body))


routes = [("recall-facts", RecallFactViewSet)]
