from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .asking import COMPARISONS
from .models import PeriodInWords, ReportAddress, ReportMail, ReportRecipient, ReportSchedule, Rhythm, SentFormat
from .registry import TOTAL
from .services.schedules import MOST_RECIPIENTS

_TO = "Users who may see the report at all of its branches; without it you alone"
_MOST_BRANCHES = 500


class _When(StrictSerializer):
    """``weekday`` and ``month_day``: the one that the rhythm asks for, and not the other."""

    weekday = serializers.IntegerField(
        required=False, allow_null=True, min_value=1, max_value=7, help_text="1 is Monday; for a weekly report"
    )
    month_day = serializers.IntegerField(
        required=False,
        allow_null=True,
        min_value=1,
        max_value=31,
        help_text="For a monthly report; in a shorter month the last day, so 31 is always the last",
    )


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Sales of the last week by branch, each Monday at seven",
            request_only=True,
            value={
                "report": "sales-and-margin",
                "by": "branch",
                "compare": "year_before",
                "format": "xlsx",
                "period": "last_week",
                "rhythm": "weekly",
                "weekday": 1,
                "hour": 7,
                "time_zone": "Europe/London",
            },
        )
    ]
)
class ReportScheduleIn(_When):
    report = serializers.CharField(max_length=60, help_text="Key of the report")
    by = serializers.CharField(max_length=40, default=TOTAL, help_text="A grouping of the report, or total")
    compare = serializers.ChoiceField(list(COMPARISONS), allow_null=True, default=None)
    branches = serializers.ListField(
        child=serializers.UUIDField(),
        default=None,
        allow_null=True,
        max_length=_MOST_BRANCHES,
        help_text="Without it each person gets all that they may see at that moment",
    )
    format = serializers.ChoiceField(SentFormat.choices, default=SentFormat.XLSX)
    period = serializers.ChoiceField(PeriodInWords.choices)
    rhythm = serializers.ChoiceField(Rhythm.choices)
    hour = serializers.IntegerField(min_value=0, max_value=23)
    time_zone = TextField(max_length=60, help_text="IANA name")
    sender = serializers.UUIDField(
        default=None, allow_null=True, help_text="Branch by whose mail it is sent; without it the first of the branches"
    )
    recipients = serializers.ListField(
        child=serializers.UUIDField(),
        default=None,
        allow_null=True,
        min_length=1,
        max_length=MOST_RECIPIENTS,
        help_text=_TO,
    )


@extend_schema_serializer(examples=[OpenApiExample("An hour later", request_only=True, value={"hour": 8})])
class ReportScheduleChangeIn(_When):
    by = serializers.CharField(max_length=40, required=False)
    compare = serializers.ChoiceField(list(COMPARISONS), required=False, allow_null=True)
    branches = serializers.ListField(
        child=serializers.UUIDField(), required=False, allow_null=True, max_length=_MOST_BRANCHES
    )
    format = serializers.ChoiceField(SentFormat.choices, required=False)
    period = serializers.ChoiceField(PeriodInWords.choices, required=False)
    rhythm = serializers.ChoiceField(Rhythm.choices, required=False)
    hour = serializers.IntegerField(min_value=0, max_value=23, required=False)
    time_zone = TextField(max_length=60, required=False)
    sender = serializers.UUIDField(required=False)
    recipients = serializers.ListField(
        child=serializers.UUIDField(), required=False, min_length=1, max_length=MOST_RECIPIENTS, help_text=_TO
    )


@extend_schema_serializer(examples=[OpenApiExample("For a while", value={"reason": "Nobody reads it in August."})])
class ReportSchedulePauseIn(StrictSerializer):
    reason = TextField(max_length=300, required=False, allow_blank=True)


class ReportRecipientOut(serializers.ModelSerializer[ReportRecipient]):
    name = serializers.CharField(source="user", read_only=True)
    has_confirmed_address = serializers.BooleanField(read_only=True, help_text="Nothing is sent to any other address")

    class Meta:
        model = ReportRecipient
        fields = ["user", "name", "has_confirmed_address", "stopped_at", "stopped_because"]
        read_only_fields = fields


class ReportScheduleOut(serializers.ModelSerializer[ReportSchedule]):
    recipients = ReportRecipientOut(many=True, read_only=True)

    class Meta:
        model = ReportSchedule
        fields = [
            "id",
            "report",
            "by",
            "compare",
            "branches",
            "format",
            "period",
            "rhythm",
            "weekday",
            "month_day",
            "hour",
            "time_zone",
            "sender",
            "recipients",
            "state",
            "paused_because",
            "next_due_at",
            "made_by",
            "created_at",
            "version",
        ]
        read_only_fields = fields


class ReportMailOut(serializers.ModelSerializer[ReportMail]):
    schedule = serializers.UUIDField(source="occurrence.schedule_id", read_only=True)
    occurred_at = serializers.DateTimeField(source="occurrence.due_at", read_only=True, help_text="When it was due")
    by_hand = serializers.BooleanField(source="occurrence.by_hand", read_only=True)
    missed = serializers.IntegerField(
        source="occurrence.missed", read_only=True, help_text="Earlier times left out because the service was away"
    )
    since = serializers.DateField(source="occurrence.since", read_only=True)
    until = serializers.DateField(source="occurrence.until", read_only=True)

    class Meta:
        model = ReportMail
        fields = [
            "id",
            "schedule",
            "occurred_at",
            "by_hand",
            "missed",
            "since",
            "until",
            "run",
            "user",
            "state",
            "is_attached",
            "attempts",
            "due_at",
            "sent_at",
            "detail",
            "created_at",
        ]
        read_only_fields = fields


@extend_schema_serializer(examples=[OpenApiExample("By the mail of the first branch", value={})])
class ReportAddressIn(StrictSerializer):
    branch = serializers.UUIDField(default=None, allow_null=True, help_text="Whose mail carries the code")


@extend_schema_serializer(examples=[OpenApiExample("As it stands in the mail", value={"code": "ABCD-EFGH-IJKL-MNOP"})])
class ReportAddressConfirmIn(StrictSerializer):
    code = TextField(max_length=40)


class ReportAddressOut(serializers.ModelSerializer[ReportAddress]):
    class Meta:
        model = ReportAddress
        fields = ["id", "address", "asked_at", "confirmed_at"]
        read_only_fields: Any = fields
