from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import Branch, Closure, OpeningHours


class BranchOut(serializers.ModelSerializer[Branch]):
    class Meta:
        model = Branch
        fields = [
            "id",
            "code",
            "name",
            "address",
            "country",
            "jurisdiction",
            "time_zone",
            "currency",
            "language",
            "phone",
            "tax_number",
            "tolerance_standard",
            "uncut_standard",
            "message_channel",
            "recall_policy",
            "tax_rule",
            "prices_include_tax",
            "turnaround_days",
            "special_order_days",
            "daily_capacity",
            "subdivision",
            "keeps_public_holidays",
            "second_check",
            "is_active",
            "version",
        ]
        read_only_fields = fields


class _BranchDetails(StrictSerializer):
    address = TextField(required=False, max_length=500, allow_blank=True)
    country = serializers.RegexField(r"^[A-Z]{2}$", required=False)
    jurisdiction = serializers.RegexField(r"^[A-Z][A-Z0-9-]{1,19}$", required=False)
    time_zone = TextField(required=False, max_length=60)
    currency = serializers.RegexField(r"^[A-Z]{3}$", required=False)
    language = serializers.RegexField(r"^[a-z]{2}(-[A-Z]{2})?$", required=False)
    phone = TextField(required=False, max_length=40, allow_blank=True)
    tax_number = TextField(required=False, max_length=40, allow_blank=True)
    tolerance_standard = serializers.SlugField(required=False, max_length=80)
    uncut_standard = serializers.SlugField(required=False, max_length=80)
    message_channel = serializers.SlugField(required=False, max_length=80)
    recall_policy = serializers.SlugField(required=False, max_length=80)
    tax_rule = serializers.SlugField(required=False, max_length=80, allow_blank=True)
    prices_include_tax = serializers.BooleanField(required=False)
    turnaround_days = serializers.IntegerField(required=False, min_value=0, max_value=90)
    special_order_days = serializers.IntegerField(required=False, min_value=0, max_value=90)
    daily_capacity = serializers.IntegerField(required=False, min_value=1, max_value=1000, allow_null=True)
    subdivision = serializers.RegexField(r"^[A-Z0-9]{1,6}$", required=False, allow_blank=True)
    keeps_public_holidays = serializers.BooleanField(required=False)
    second_check = serializers.BooleanField(required=False)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A branch",
            value={"code": "MILL", "name": "Millrace Opticians (invented)", "time_zone": "Europe/London"},
        )
    ]
)
class BranchOpenIn(_BranchDetails):
    code = serializers.RegexField(r"^[A-Za-z0-9]{2,8}$")
    name = TextField(max_length=120)


@extend_schema_serializer(examples=[OpenApiExample("A longer promise", value={"turnaround_days": 5})])
class BranchChangeIn(_BranchDetails):
    name = TextField(required=False, max_length=120)
    is_active = serializers.BooleanField(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one field to change.", code="empty")
        return attrs


class OpeningHoursOut(serializers.ModelSerializer[OpeningHours]):
    class Meta:
        model = OpeningHours
        fields = ["weekday", "opens_at", "closes_at"]
        read_only_fields = fields


class ClosureOut(serializers.ModelSerializer[Closure]):
    class Meta:
        model = Closure
        fields = ["id", "first_on", "last_on", "reason"]
        read_only_fields = fields


class CalendarDayOut(serializers.Serializer[Any]):
    day = serializers.DateField()
    is_open = serializers.BooleanField()
    why_closed = serializers.CharField(allow_null=True)


class BranchCalendarOut(serializers.Serializer[Any]):
    """When a branch works: its week, its closures to come, and the days asked for one by one."""

    branch = serializers.UUIDField()
    hours = OpeningHoursOut(many=True, help_text="Empty: the ordinary week, Monday to Friday")
    closures = ClosureOut(many=True)
    knows_holidays = serializers.BooleanField(help_text="False: no public holidays are known for this country")
    days = CalendarDayOut(many=True)


class CalendarAsked(StrictSerializer):
    first = serializers.DateField(required=False, help_text="First day; today by default")
    count = serializers.IntegerField(required=False, min_value=1, max_value=366, default=28, help_text="Days to show")


class DayHoursIn(StrictSerializer):
    weekday = serializers.IntegerField(min_value=0, max_value=6, help_text="0 is Monday, 6 is Sunday")
    opens_at = serializers.TimeField()
    closes_at = serializers.TimeField()


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Tuesday to Saturday",
            value={"hours": [{"weekday": day, "opens_at": "09:00", "closes_at": "17:30"} for day in range(1, 6)]},
        )
    ]
)
class OpeningHoursIn(StrictSerializer):
    hours = DayHoursIn(many=True)

    def validate_hours(self, hours: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if len({row["weekday"] for row in hours}) < len(hours):
            raise serializers.ValidationError("Name each weekday once.", code="twice")
        return hours


@extend_schema_serializer(
    examples=[
        OpenApiExample("A week", value={"first_on": "2030-08-05", "last_on": "2030-08-10", "reason": "Refitting"})
    ]
)
class ClosureAddIn(StrictSerializer):
    first_on = serializers.DateField()
    last_on = serializers.DateField()
    reason = TextField(max_length=120)


@extend_schema_serializer(examples=[OpenApiExample("Lift", value={})])
class ClosureLiftIn(StrictSerializer):
    pass
