from __future__ import annotations

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import Message, Recall


class MessageOut(serializers.ModelSerializer[Message]):
    class Meta:
        model = Message
        fields = [
            "id",
            "branch",
            "customer",
            "kind",
            "subject_ref",
            "channel",
            "to",
            "language",
            "subject",
            "body",
            "state",
            "due_at",
            "attempts",
            "attempted_at",
            "sent_at",
            "provider_reference",
            "detail",
            "created_at",
        ]
        read_only_fields = fields


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
