from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.accounts.models import Role
from opticshop.core.serializers import StrictSerializer, TextField

from .causes import CAUSES, NAMES
from .kinds import ESCALATION, AlertState, Because, Severity, StepKind
from .models import Alert, AlertDigest, AlertStep, DigestSubscription
from .ruling import BRANCH, DEFAULT, GROUP, HOURS_CONFIDENCE, HOURS_SOURCE, Rule

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
#: Roles that see to alerts.
OWNERS = [(role.value, role.label) for role in Role if role != Role.BOOKKEEPER]


class AlertOut(serializers.ModelSerializer[Alert]):
    cause = serializers.ChoiceField(NAMES)
    title = serializers.SerializerMethodField(help_text="The cause in words.")
    words = serializers.SerializerMethodField(help_text="What is the matter, in one sentence.")
    action = serializers.SerializerMethodField(help_text="What would solve it.")
    escalated_to = serializers.SerializerMethodField(help_text="The role that it was escalated to.")
    closes_by_hand = serializers.SerializerMethodField(help_text="Whether a person may close it with a reason.")
    facts = serializers.DictField(help_text="Numbers, days and ids; never a name, never a fact of health.")
    severity = serializers.ChoiceField(Severity.choices)
    state = serializers.ChoiceField(AlertState.choices)
    owner_role = serializers.ChoiceField(OWNERS)
    closed_because = serializers.ChoiceField(Because.choices, allow_blank=True)

    class Meta:
        model = Alert
        fields = [
            "id",
            "branch",
            "cause",
            "title",
            "words",
            "action",
            "about",
            "link",
            "number",
            "severity",
            "facts",
            "since",
            "state",
            "owner_role",
            "owner",
            "raised_at",
            "acknowledged_at",
            "acknowledged_by",
            "note",
            "snoozed_until",
            "level",
            "escalated_to",
            "escalated_at",
            "closes_by_hand",
            "closed_at",
            "closed_by",
            "closed_because",
            "closed_reason",
            "version",
        ]
        read_only_fields = fields

    def get_title(self, alert: Alert) -> str:
        return CAUSES[alert.cause].title if alert.cause in CAUSES else alert.cause

    def get_words(self, alert: Alert) -> str:
        return CAUSES[alert.cause].words(alert.number, alert.facts) if alert.cause in CAUSES else ""

    def get_action(self, alert: Alert) -> str:
        return CAUSES[alert.cause].action if alert.cause in CAUSES else ""

    @extend_schema_field(serializers.ChoiceField(ESCALATION, allow_null=True))
    def get_escalated_to(self, alert: Alert) -> str | None:
        return ESCALATION[alert.level - 1] if alert.level else None

    def get_closes_by_hand(self, alert: Alert) -> bool:
        return alert.cause not in CAUSES or CAUSES[alert.cause].by_hand


class AlertStepOut(serializers.ModelSerializer[AlertStep]):
    kind = serializers.ChoiceField(StepKind.choices)
    severity = serializers.ChoiceField(Severity.choices)

    class Meta:
        model = AlertStep
        fields = ["kind", "at", "severity", "by", "by_label", "note"]
        read_only_fields = fields


class AlertDetailOut(AlertOut):
    steps = AlertStepOut(many=True, read_only=True)

    class Meta(AlertOut.Meta):
        fields = [*AlertOut.Meta.fields, "steps"]
        read_only_fields = fields


@extend_schema_serializer(examples=[OpenApiExample("Taken up", value={"note": "Ringing the customer now."})])
class AlertAcknowledgeIn(StrictSerializer):
    note = TextField(max_length=300, required=False, allow_blank=True)


@extend_schema_serializer(
    examples=[OpenApiExample("Later", value={"until": "2026-03-05T09:00:00Z", "note": "The supplier says Thursday."})]
)
class AlertSnoozeIn(StrictSerializer):
    until = serializers.DateTimeField()
    note = TextField(max_length=300, required=False, allow_blank=True)


@extend_schema_serializer(examples=[OpenApiExample("To a colleague", value={"owner": _ID})])
class AlertHandOverIn(StrictSerializer):
    owner = serializers.UUIDField(help_text="Somebody who sees to alerts at the branch.")
    note = TextField(max_length=300, required=False, allow_blank=True)


@extend_schema_serializer(examples=[OpenApiExample("Dealt with", value={"reason": "Told by telephone."})])
class AlertCloseIn(StrictSerializer):
    reason = TextField(max_length=300)


class AlertStandingOut(serializers.Serializer[Any]):
    """How many alerts of a cause stand at a branch."""

    branch = serializers.UUIDField()
    cause = serializers.ChoiceField(NAMES)
    open = serializers.IntegerField()
    acknowledged = serializers.IntegerField()
    escalated = serializers.IntegerField()
    by_severity = serializers.DictField(child=serializers.IntegerField())


class AlertSummaryOut(serializers.Serializer[Any]):
    open = serializers.IntegerField()
    acknowledged = serializers.IntegerField()
    standings = AlertStandingOut(many=True)


_SET_BY = (DEFAULT, GROUP, BRANCH)


class ThresholdOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    words = serializers.CharField()
    unit = serializers.CharField()
    value = serializers.IntegerField(help_text="In force here.")
    set_by = serializers.ChoiceField(_SET_BY)
    default = serializers.IntegerField()  # type: ignore[assignment]
    lowest = serializers.IntegerField()
    highest = serializers.IntegerField()
    source = serializers.CharField(help_text="What the default rests on.")  # type: ignore[assignment]
    confidence = serializers.CharField()


class AlertRuleOut(serializers.Serializer[Any]):
    """How a cause is watched at a branch, or, without a branch, in the group; who set each value."""

    cause = serializers.ChoiceField(NAMES, source="cause.name")
    title = serializers.CharField(source="cause.title")
    action = serializers.CharField(source="cause.action")
    closes_by_hand = serializers.BooleanField(source="cause.by_hand")
    branch = serializers.UUIDField(source="branch_id", allow_null=True)
    thresholds = serializers.SerializerMethodField()
    owner_role = serializers.ChoiceField(OWNERS)
    owner = serializers.UUIDField(source="owner_id", allow_null=True)
    escalate_after_hours = serializers.IntegerField(help_text="Working hours; 0: never.")
    is_active = serializers.BooleanField()
    set_by = serializers.SerializerMethodField(help_text="Field -> default, group or branch.")
    hours_source = serializers.SerializerMethodField(help_text="What the default of escalate_after_hours rests on.")
    version = serializers.IntegerField(help_text="Of the rule set at this very place; 0 where none is.")

    @extend_schema_field(ThresholdOut(many=True))
    def get_thresholds(self, rule: Rule) -> Any:
        return [
            {
                "name": each.name,
                "words": each.words,
                "unit": each.unit,
                "value": rule.thresholds[each.name],
                "set_by": rule.set_by[each.name],
                "default": each.default,
                "lowest": each.lowest,
                "highest": each.highest,
                "source": each.source,
                "confidence": each.confidence,
            }
            for each in rule.cause.thresholds
        ]

    @extend_schema_field(serializers.DictField(child=serializers.ChoiceField(_SET_BY)))
    def get_set_by(self, rule: Rule) -> dict[str, str]:
        names = ("owner_role", "owner_id", "escalate_after_hours", "is_active")
        return {name.removesuffix("_id"): rule.set_by[name] for name in names}

    def get_hours_source(self, rule: Rule) -> str:
        return f"{HOURS_SOURCE}; confidence {HOURS_CONFIDENCE}"


@extend_schema_serializer(
    examples=[
        OpenApiExample("Later, and by the counter", value={"thresholds": {"notice_days": 21}, "owner_role": "counter"})
    ]
)
class AlertRuleIn(StrictSerializer):
    """What is named is set; null goes back to the rule of the group, or to the default."""

    thresholds = serializers.DictField(
        child=serializers.IntegerField(allow_null=True, min_value=0, max_value=10_000), required=False
    )
    owner_role = serializers.ChoiceField(OWNERS, required=False, allow_null=True)
    owner = serializers.UUIDField(required=False, allow_null=True)
    escalate_after_hours = serializers.IntegerField(
        required=False, allow_null=True, min_value=0, max_value=400, help_text="Working hours; 0: never."
    )
    is_active = serializers.BooleanField(required=False, allow_null=True)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one field to set.", code="empty")
        return attrs


class DigestCountOut(serializers.Serializer[Any]):
    cause = serializers.CharField()
    title = serializers.CharField()
    severity = serializers.ChoiceField(Severity.choices)
    count = serializers.IntegerField()


class DigestLineOut(serializers.Serializer[Any]):
    alert = serializers.UUIDField()
    cause = serializers.CharField()
    title = serializers.CharField()
    severity = serializers.ChoiceField(Severity.choices)
    state = serializers.ChoiceField(AlertState.choices)
    number = serializers.CharField(allow_blank=True)
    link = serializers.CharField()
    since = serializers.DateTimeField()
    action = serializers.CharField()


class DigestClosedOut(serializers.Serializer[Any]):
    cause = serializers.CharField()
    title = serializers.CharField()
    by_itself = serializers.IntegerField()
    by_hand = serializers.IntegerField()


class DigestContentOut(serializers.Serializer[Any]):
    day = serializers.DateField()
    open = serializers.IntegerField()
    acknowledged = serializers.IntegerField()
    escalated = serializers.IntegerField()
    counts = DigestCountOut(many=True)
    oldest = DigestLineOut(many=True)
    closed_from = serializers.DateField(help_text="The open day before; closed from then until the start of the day.")
    closed = DigestClosedOut(many=True)


class AlertDigestOut(serializers.ModelSerializer[AlertDigest]):
    content = DigestContentOut(read_only=True)

    class Meta:
        model = AlertDigest
        fields = ["id", "branch", "day", "made_at", "content", "text"]
        read_only_fields = fields


class DigestSubscriptionOut(serializers.ModelSerializer[DigestSubscription]):
    class Meta:
        model = DigestSubscription
        fields = ["id", "branch", "user", "channel", "created_at"]
        read_only_fields = fields


@extend_schema_serializer(examples=[OpenApiExample("By the channel of the branch", value={"branch": _ID})])
class DigestSubscribeIn(StrictSerializer):
    branch = serializers.UUIDField()
    channel = serializers.SlugField(
        max_length=80, required=False, allow_blank=True, help_text="Empty: the channel of the branch."
    )
