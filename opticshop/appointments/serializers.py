from __future__ import annotations

import datetime as dt
from typing import Any

from django.core.validators import MaxValueValidator, MinValueValidator
from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import Appointment, CalendarFeed

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
_WITH = "Who sees the customer: a person who works at the branch."
#: Days that are asked about lie within these.
DAYS = (MinValueValidator(dt.date(2000, 1, 1)), MaxValueValidator(dt.date(2199, 12, 31)))
MOST_DAYS = 31


class InstantField(serializers.DateTimeField):
    """A moment with its offset from UTC: without one it is not known when it is."""

    default_error_messages = {"naive": "Say the offset from UTC, for instance 2026-03-29T09:00:00+01:00."}

    def enforce_timezone(self, value: dt.datetime) -> dt.datetime:
        if timezone.is_naive(value):
            self.fail("naive")
        return super().enforce_timezone(value)


class _WithPerson(serializers.Serializer[Any]):
    """``with`` is a word of Python, so it cannot be declared as the other fields are."""

    def get_fields(self) -> dict[str, Any]:
        person = serializers.UUIDField(source="seen_by", required=False, allow_null=True, help_text=_WITH)
        return {**super().get_fields(), "with": person}


class AppointmentOut(serializers.ModelSerializer[Appointment]):
    customer_name = serializers.CharField(source="customer", read_only=True)
    order_number = serializers.SerializerMethodField()

    class Meta:
        model = Appointment
        fields = [
            "id",
            "branch",
            "customer",
            "customer_name",
            "kind",
            "starts_at",
            "ends_at",
            "place",
            "order",
            "order_number",
            "note",
            "state",
            "cancelled_reason",
            "sequence",
            "remind_at",
            "created_at",
            "version",
        ]
        read_only_fields = fields

    def get_order_number(self, row: Appointment) -> str | None:
        return row.order.number if row.order else None

    def get_fields(self) -> dict[str, Any]:
        person = serializers.UUIDField(source="seen_by_id", read_only=True, allow_null=True, help_text=_WITH)
        name = serializers.SerializerMethodField(method_name="get_with_name")
        return {**super().get_fields(), "with": person, "with_name": name}

    def get_with_name(self, row: Appointment) -> str | None:
        return str(row.seen_by) if row.seen_by else None


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Half an hour",
            value={
                "branch": _ID,
                "customer": _ID,
                "kind": "dispensing",
                "starts_at": "2026-03-30T09:00:00+01:00",
                "ends_at": "2026-03-30T09:30:00+01:00",
                "with": _ID,
                "place": "Desk 2",
            },
        )
    ]
)
class AppointmentBookIn(_WithPerson, StrictSerializer):
    branch = serializers.UUIDField()
    customer = serializers.UUIDField()
    kind = serializers.ChoiceField(Appointment.Kind.choices)
    starts_at = InstantField()
    ends_at = InstantField()
    place = TextField(max_length=80, required=False, allow_blank=True)
    order = serializers.UUIDField(required=False, allow_null=True, help_text="The order that is collected.")
    note = TextField(max_length=2000, required=False, allow_blank=True, help_text="For the branch alone.")


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Put off",
            value={"starts_at": "2026-03-31T09:00:00+01:00", "ends_at": "2026-03-31T09:30:00+01:00"},
        )
    ]
)
class AppointmentChangeIn(_WithPerson, StrictSerializer):
    starts_at = InstantField(required=False)
    ends_at = InstantField(required=False)
    place = TextField(max_length=80, required=False, allow_blank=True)
    note = TextField(max_length=2000, required=False, allow_blank=True)


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "Asked for a later day"})])
class AppointmentCancelIn(StrictSerializer):
    reason = TextField(max_length=300)


@extend_schema_serializer(examples=[OpenApiExample("Nothing to say", value={})])
class AppointmentStepIn(StrictSerializer):
    """Nothing has to be said."""


class FreeAsked(StrictSerializer):
    """Whose time, on which days, for how long."""

    branch = serializers.UUIDField()
    to = serializers.DateField(
        required=False, validators=DAYS, help_text="Last day; if left out, six days after the first."
    )
    minutes = serializers.IntegerField(min_value=5, max_value=480, default=30)
    customer = serializers.UUIDField(required=False, help_text="Whose own appointments, in any branch, count too.")

    def get_fields(self) -> dict[str, Any]:
        first = serializers.DateField(
            source="first", required=False, validators=DAYS, help_text="First day of the branch; today if left out."
        )
        person = serializers.UUIDField(source="person", required=False, help_text="Who is to see the customer.")
        return {**super().get_fields(), "from": first, "with": person}


class SpanOut(serializers.Serializer[Any]):
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()


class FreeOut(serializers.Serializer[Any]):
    branch = serializers.UUIDField()
    minutes = serializers.IntegerField()
    stretches = SpanOut(
        many=True, help_text="All that is free and long enough: whatever lies within one can be booked."
    )
    slots = SpanOut(many=True, help_text="The stretches cut into appointments, one after another.")


class CalendarFeedOut(serializers.ModelSerializer[CalendarFeed]):
    class Meta:
        model = CalendarFeed
        fields = [
            "id",
            "branch",
            "what",
            "person",
            "name",
            "shows_given_names",
            "created_by",
            "created_at",
            "last_read_at",
            "revoked_at",
        ]
        read_only_fields = fields


class CalendarFeedSharedOut(CalendarFeedOut):
    url = serializers.CharField(help_text="The address to subscribe to. It is shown this once and kept only as a hash.")

    class Meta(CalendarFeedOut.Meta):
        fields = [*CalendarFeedOut.Meta.fields, "url"]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[OpenApiExample("Whole branch", value={"branch": _ID, "what": "everything", "name": "Front desk"})]
)
class CalendarFeedShareIn(StrictSerializer):
    branch = serializers.UUIDField()
    what = serializers.ChoiceField(CalendarFeed.What.choices)
    name = TextField(max_length=80)
    person = serializers.UUIDField(required=False, allow_null=True, help_text="Of whom, where it is of one person.")
    shows_given_names = serializers.BooleanField(
        default=False, help_text="Given name and initial instead of two initials."
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if (attrs["what"] == CalendarFeed.What.PERSON) != (attrs.get("person") is not None):
            raise serializers.ValidationError({"person": ["Named where the calendar is of one person, only then."]})
        return attrs
