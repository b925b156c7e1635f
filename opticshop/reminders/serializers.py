from __future__ import annotations

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import Recall


class RecallOut(serializers.ModelSerializer[Recall]):
    customer_name = serializers.CharField(source="customer", read_only=True)

    class Meta:
        model = Recall
        fields = [
            "id",
            "branch",
            "customer",
            "customer_name",
            "prescription",
            "due_on",
            "policy",
            "reason",
            "source",
            "state",
            "closed_reason",
            "created_at",
        ]
        read_only_fields = fields


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "Appointment booked"})])
class RecallCloseIn(StrictSerializer):
    reason = TextField(max_length=200)
