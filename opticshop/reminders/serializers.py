from __future__ import annotations

import datetime as dt
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import WAYS, Campaign, CampaignNotice, Outcome, Recall

_BRANCH = "01890a5d-ac96-774b-bcce-b302099a8057"
#: What a person may say became of a recall; the rest is found from the facts.
BY_PERSON = [(each.value, each.label) for each in (Outcome.BY_HAND, Outcome.CAME_BACK, Outcome.WRONG_PERSON)]
_TERMS: dict[str, Any] = {
    "name": "Recalls of spring (invented)",
    "notices": [
        {"days_from_due": -14},
        {"days_from_due": 21, "min_gap_days": 21},
        {"days_from_due": 56, "min_gap_days": 28},
    ],
    "ways": ["email", "text", "letter"],
    "quiet_from": "20:00",
    "quiet_to": "09:00",
    "open_days_only": True,
    "daily_cap": 60,
    "not_due_before": "2026-01-01",
    "promotes": False,
}


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
            "outcome",
            "closed_reason",
            "closed_at",
            "returned_on",
            "notices_made",
            "notices_lost",
            "first_notice_on",
            "last_notice_on",
            "next_notice_on",
            "held_until",
            "held_for",
            "obstacle",
            "created_at",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[OpenApiExample("Reason", value={"reason": "Will come in spring", "outcome": "by_hand"})]
)
class RecallCloseIn(StrictSerializer):
    reason = TextField(max_length=200)
    outcome = serializers.ChoiceField(BY_PERSON, default=Outcome.BY_HAND)


class NoticeIn(StrictSerializer):
    days_from_due = serializers.IntegerField(min_value=-365, max_value=730, help_text="Negative: before the due day.")
    min_gap_days = serializers.IntegerField(
        min_value=1, max_value=365, default=14, help_text="At least so long after the notice before."
    )


class CampaignAmendIn(StrictSerializer):
    name = TextField(max_length=120)
    notices = NoticeIn(many=True, help_text="First, second and final notice, one to three of them.")
    ways = serializers.ListField(
        child=serializers.ChoiceField(WAYS), help_text="In the order in which they are tried after the preferred one."
    )
    quiet_from = serializers.TimeField(help_text="Branch's time; the same as quiet_to: no quiet hours.")
    quiet_to = serializers.TimeField()
    open_days_only = serializers.BooleanField(help_text="Only while the branch is open.")
    daily_cap = serializers.IntegerField(min_value=1, max_value=100_000, help_text="Notices on a day of the branch.")
    not_due_before = serializers.DateField(help_text="Who was due earlier is left alone.")
    promotes = serializers.BooleanField(help_text="Marketing: only for who agreed to it.")
    booking_days = serializers.IntegerField(
        required=False,
        min_value=1,
        max_value=365,
        help_text="After an answer that a visit is booked, notices wait so long to see it; 42 where nothing is said.",
    )


@extend_schema_serializer(examples=[OpenApiExample("Three notices", value={"branch": _BRANCH, **_TERMS})])
class CampaignIn(CampaignAmendIn):
    branch = serializers.UUIDField()
    quiet_from = serializers.TimeField(default=dt.time(20))
    quiet_to = serializers.TimeField(default=dt.time(9))
    open_days_only = serializers.BooleanField(default=True)
    promotes = serializers.BooleanField(default=False)


@extend_schema_serializer(examples=[OpenApiExample("A lower cap", value={"daily_cap": 30})])
class CampaignPatchIn(CampaignAmendIn):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, partial=True, **{k: v for k, v in kwargs.items() if k != "partial"})


class NoticeOut(serializers.ModelSerializer[CampaignNotice]):
    class Meta:
        model = CampaignNotice
        fields = ["ordinal", "days_from_due", "min_gap_days"]
        read_only_fields = fields


class CampaignOut(serializers.ModelSerializer[Campaign]):
    notices = NoticeOut(many=True, read_only=True)
    ways = serializers.ListField(child=serializers.ChoiceField(WAYS), read_only=True)

    class Meta:
        model = Campaign
        fields = [
            "id",
            "branch",
            "name",
            "state",
            "notices",
            "ways",
            "quiet_from",
            "quiet_to",
            "open_days_only",
            "daily_cap",
            "not_due_before",
            "promotes",
            "booking_days",
            "started_at",
            "finished_at",
            "version",
            "created_at",
        ]
        read_only_fields = fields


class TriedCountOut(serializers.Serializer[Any]):
    notice = serializers.IntegerField(help_text="1 is the first notice, 3 the final one.")
    way = serializers.CharField()
    count = serializers.IntegerField()


class TriedReasonOut(serializers.Serializer[Any]):
    reason = serializers.CharField()
    count = serializers.IntegerField()


class TriedExampleOut(serializers.Serializer[Any]):
    recall = serializers.UUIDField()
    customer = serializers.UUIDField()
    notice = serializers.IntegerField()
    way = serializers.CharField()
    language = serializers.CharField()
    subject = serializers.CharField()
    body = serializers.CharField()


class CampaignTriedOut(serializers.Serializer[Any]):
    day = serializers.DateField(help_text="Today at the branch.")
    would_leave_at = serializers.DateTimeField(allow_null=True, help_text="Null: the branch is closed today.")
    would_make = serializers.SerializerMethodField()
    put_off = serializers.IntegerField(help_text="Due, but more than the cap of the day leaves room for.")
    left_out = serializers.SerializerMethodField()
    cannot_be_told = serializers.SerializerMethodField(help_text="Of those left out, by the obstacle in words.")
    examples = TriedExampleOut(many=True)

    @extend_schema_field(TriedCountOut(many=True))
    def get_would_make(self, run: Any) -> list[dict[str, Any]]:
        return [{"notice": each, "way": way, "count": n} for (each, way), n in sorted(run.would_make.items())]

    @extend_schema_field(TriedReasonOut(many=True))
    def get_left_out(self, run: Any) -> list[dict[str, Any]]:
        return [{"reason": reason, "count": count} for reason, count in sorted(run.left_out.items())]

    @extend_schema_field(TriedReasonOut(many=True))
    def get_cannot_be_told(self, run: Any) -> list[dict[str, Any]]:
        return [{"reason": reason, "count": count} for reason, count in sorted(run.cannot_be_told.items())]


class FiguresQueryIn(StrictSerializer):
    branch = serializers.UUIDField(required=False, help_text="All that you may see when left out.")
    vars()["from"] = serializers.DateField(help_text="First due day.")
    to = serializers.DateField(help_text="Last due day.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["from"] > attrs["to"]:
            raise serializers.ValidationError({"to": ["It lies before the first day."]}, code="before_from")
        return attrs


class ReturnOut(serializers.Serializer[Any]):
    branch = serializers.UUIDField()
    policy = serializers.CharField()
    due = serializers.IntegerField(help_text="People due, without the deceased, moved, opted out, already come.")
    told = serializers.IntegerField(help_text="Of those, people with a notice that was not lost.")
    returned = serializers.IntegerField(
        help_text="Of those due, people with a newer prescription within 90 days of the first notice."
    )
    return_rate = serializers.DecimalField(
        max_digits=5, decimal_places=4, allow_null=True, help_text="returned / due; null where nobody was due."
    )
    not_counted = serializers.IntegerField(help_text="Deceased, moved, opted out, already come, superseded.")


class UnreachableOut(serializers.Serializer[Any]):
    branch = serializers.UUIDField()
    due_next_month = serializers.IntegerField()
    cannot_be_told = serializers.IntegerField()


class RecallFiguresOut(serializers.Serializer[Any]):
    returns = ReturnOut(many=True)
    unreachable = UnreachableOut(many=True, help_text="Worst first; the people are at `recalls/?cannot_be_told=true`.")


class RecallPolicyOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    title = serializers.CharField()
    flags = serializers.ListField(
        child=serializers.CharField(), help_text="Conditions that it takes into account, where they are on record."
    )
