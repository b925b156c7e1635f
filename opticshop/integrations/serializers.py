from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import WebhookAttempt, WebhookDelivery, WebhookEndpoint
from .services import OVERLAP_HOURS

_POINT = "A cursor that a page of the feed gave, or the id of an event: what comes after it."
_BRANCH = "01890a5d-ac96-774b-bcce-b302099a8057"


class EventsAsked(StrictSerializer):
    after = serializers.CharField(
        required=False, max_length=40, help_text=f"{_POINT} Without one, from the oldest that is kept."
    )
    type = serializers.CharField(
        required=False, max_length=500, help_text="Event types, separated by commas; for instance billing.payment_taken"
    )
    branch = serializers.UUIDField(required=False)
    page_size = serializers.IntegerField(required=False, min_value=1, max_value=200, default=50)


class CloudEventOut(serializers.Serializer[Any]):
    """CloudEvents 1.0, JSON format."""

    specversion = serializers.CharField()
    id = serializers.UUIDField(help_text="The same wherever the event is told; remember it to do nothing twice.")
    source = serializers.CharField(  # type: ignore[assignment]
        help_text="/branches/{code}, or / for what concerns the whole group"
    )
    type = serializers.CharField()
    subject = serializers.CharField(help_text="Where the thing is found under /api/v1/")
    time = serializers.DateTimeField()
    sequence = serializers.CharField(help_text="Its place in the feed, of fixed length: later is greater.")
    datacontenttype = serializers.CharField()
    data = serializers.DictField(  # type: ignore[assignment]
        help_text="Ids and facts; never free text, nothing about health"
    )

    def to_representation(self, instance: dict[str, Any]) -> dict[str, Any]:
        return instance  # it was made by telling.cloud_event, word for word what webhooks carry


class EventPageOut(serializers.Serializer[Any]):
    results = CloudEventOut(many=True)
    cursor = serializers.CharField(help_text="Ask with ?after= this next time, also when there was nothing new.")
    more = serializers.BooleanField(help_text="Whether further events are there already.")
    next = serializers.URLField(help_text="The address to ask next, with the same filters.")


class WebhookEndpointOut(serializers.ModelSerializer[WebhookEndpoint]):
    event_types = serializers.ListField(child=serializers.CharField())
    next_attempt_at = serializers.DateTimeField(source="held_until", help_text="Not before then is anything sent.")

    class Meta:
        model = WebhookEndpoint
        fields = [
            "id",
            "branch",
            "url",
            "description",
            "event_types",
            "format",
            "state",
            "previous_until",
            "next_attempt_at",
            "created_at",
            "version",
        ]
        read_only_fields = fields


class WebhookEndpointSecretOut(WebhookEndpointOut):
    secret = serializers.CharField(help_text="Shown this once; the service keeps it encrypted.")

    class Meta(WebhookEndpointOut.Meta):
        fields = [*WebhookEndpointOut.Meta.fields, "secret"]
        read_only_fields = fields


class _EndpointDetails(StrictSerializer):
    description = TextField(required=False, allow_blank=True, max_length=200)
    format = serializers.ChoiceField(WebhookEndpoint.Format.choices, required=False)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Payments of one branch to the bookkeeping",
            value={
                "url": "https://books.example.org/hooks/opticshop",
                "event_types": ["billing.payment_taken", "billing.payment_refunded"],
                "branch": _BRANCH,
                "description": "Bookkeeping (invented)",
                "format": "cloudevents",
            },
        )
    ]
)
class WebhookEndpointAddIn(_EndpointDetails):
    url = TextField(max_length=500)
    event_types = serializers.ListField(child=TextField(max_length=80), min_length=1, max_length=200)
    branch = serializers.UUIDField(required=False, allow_null=True, help_text="Without one, the whole group.")


@extend_schema_serializer(
    examples=[OpenApiExample("Another address", value={"url": "https://books.example.org/hooks/second"})]
)
class WebhookEndpointChangeIn(_EndpointDetails):
    url = TextField(max_length=500, required=False)
    event_types = serializers.ListField(child=TextField(max_length=80), min_length=1, max_length=200, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one field to change.", code="empty")
        return attrs


@extend_schema_serializer(examples=[OpenApiExample("Nothing to say", value={})])
class WebhookStepIn(StrictSerializer):
    """A move that needs no words."""


@extend_schema_serializer(examples=[OpenApiExample("Both secrets sign for two days", value={"overlap_hours": 48})])
class SecretRotateIn(StrictSerializer):
    overlap_hours = serializers.IntegerField(
        required=False, min_value=0, max_value=168, default=OVERLAP_HOURS, help_text="0 ends the old secret at once."
    )


@extend_schema_serializer(examples=[OpenApiExample("All after a cursor", value={"after": "1041"})])
class DeliveriesReplayIn(StrictSerializer):
    after = TextField(max_length=40, help_text=_POINT)


class DeliveriesReplayedOut(serializers.Serializer[Any]):
    deliveries = serializers.IntegerField(help_text="How many were queued, or were waiting already.")


class EndpointTestedOut(serializers.Serializer[Any]):
    delivered = serializers.BooleanField(source="is_welcome")
    status = serializers.IntegerField(allow_null=True)
    duration_ms = serializers.IntegerField()
    response = serializers.CharField(allow_blank=True)
    error = serializers.CharField(allow_blank=True)


class WebhookAttemptOut(serializers.ModelSerializer[WebhookAttempt]):
    class Meta:
        model = WebhookAttempt
        fields = ["number", "started_at", "finished_at", "status", "duration_ms", "response", "error"]
        read_only_fields = fields


class WebhookDeliveryOut(serializers.ModelSerializer[WebhookDelivery]):
    event = serializers.UUIDField(source="entry.event_id")
    type = serializers.CharField(source="entry.type")
    cursor = serializers.SerializerMethodField(help_text="Its place in the feed.")
    attempts = WebhookAttemptOut(many=True)

    class Meta:
        model = WebhookDelivery
        fields = ["id", "endpoint", "event", "type", "cursor", "state", "created_at", "settled_at", "attempts"]
        read_only_fields = fields

    @extend_schema_field(serializers.CharField)
    def get_cursor(self, delivery: WebhookDelivery) -> str:
        return str(delivery.entry_id)
