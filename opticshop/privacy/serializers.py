from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField
from opticshop.core.showing import shown

from .models import (
    AccessFile,
    KeptIdentity,
    PrivacyRequest,
    PrivacyStep,
    RequestKind,
    RetentionPeriod,
    RetentionRun,
)
from .rules import AtErasure, RecordKind
from .selectors import is_due_soon

RECORD_KINDS = [(str(kind), str(kind)) for kind in RecordKind]
AT_ERASURE = [(str(what), str(what)) for what in AtErasure]
_CUSTOMER = "01890a5d-ac96-774b-bcce-b302099a8057"


class PrivacyStepOut(serializers.ModelSerializer[PrivacyStep]):
    counts = serializers.DictField(child=serializers.IntegerField(), help_text="Rows by table")

    class Meta:
        model = PrivacyStep
        fields = ["kind", "created_at", "by", "by_label", "words", "counts"]
        read_only_fields = fields


class AccessFileOut(serializers.ModelSerializer[AccessFile]):
    class Meta:
        model = AccessFile
        fields = ["state", "size", "sha256", "made_at", "expires_at", "fetched_at", "last_error"]
        read_only_fields = fields


class PrivacyRequestOut(serializers.ModelSerializer[PrivacyRequest]):
    is_due_soon = serializers.SerializerMethodField(help_text="Open, and due within a week or over")
    file = serializers.SerializerMethodField(help_text="The copy, for a request for access; null for none")
    steps = PrivacyStepOut(many=True, read_only=True)

    def get_is_due_soon(self, request: PrivacyRequest) -> bool:
        return is_due_soon(request)

    @extend_schema_field(AccessFileOut(allow_null=True))
    def get_file(self, request: PrivacyRequest) -> dict[str, Any] | None:
        file = getattr(request, "file", None)
        return None if file is None else shown(AccessFileOut, file)

    class Meta:
        model = PrivacyRequest
        fields = [
            "id",
            "branch",
            "customer",
            "guardian",
            "kind",
            "state",
            "way",
            "received_on",
            "due_on",
            "is_due_soon",
            "extended_reason",
            "identity_check",
            "words",
            "decision",
            "closed_at",
            "file",
            "steps",
            "created_at",
            "version",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A person asks for a copy at the counter",
            value={
                "customer": _CUSTOMER,
                "kind": "access",
                "way": "in_person",
                "identity_check": "showed a passport; name and birth date agree",
            },
            request_only=True,
        )
    ]
)
class RequestReceiveIn(StrictSerializer):
    customer = serializers.UUIDField()
    kind = serializers.ChoiceField(RequestKind.choices)
    way = serializers.ChoiceField(PrivacyRequest.Way.choices)
    identity_check = TextField(max_length=300, help_text="How it was made sure who asks; no copy of a paper")
    received_on = serializers.DateField(required=False, help_text="Today where it is not said")
    words = TextField(max_length=4000, required=False, allow_blank=True)
    guardian = serializers.UUIDField(required=False, allow_null=True, help_text="Who asks for a child")


@extend_schema_serializer(
    examples=[OpenApiExample("Two months more", value={"reason": "Your records lie at three branches"})]
)
class RequestExtendIn(StrictSerializer):
    reason = TextField(max_length=300, help_text="As the person is told")


@extend_schema_serializer(
    examples=[OpenApiExample("A decision", value={"decision": "The name was corrected as you asked."})]
)
class RequestDecisionIn(StrictSerializer):
    decision = TextField(max_length=4000, help_text="What is decided and why, as the person is told")


@extend_schema_serializer(examples=[OpenApiExample("Nothing to say", value={})])
class PrivacyNothingIn(StrictSerializer):
    """No details are needed."""


class ErasureTableOut(serializers.Serializer[Any]):
    table = serializers.CharField()
    kind = serializers.ChoiceField(RECORD_KINDS)
    what = serializers.ChoiceField(AT_ERASURE)
    rows = serializers.IntegerField()
    until = serializers.DateField(allow_null=True, help_text="First day on which it need not be kept")
    why = serializers.CharField()


class ErasureObstacleOut(serializers.Serializer[Any]):
    code = serializers.CharField()
    about = serializers.CharField(help_text="For instance orders/<id>")
    words = serializers.CharField()


class ErasurePreviewOut(serializers.Serializer[Any]):
    """What erasure would do now; nothing of it is done."""

    obstacles = ErasureObstacleOut(many=True)
    last_seen = serializers.DateField(help_text="From which the years are counted")
    kept_until = serializers.DateField(allow_null=True)
    tables = ErasureTableOut(many=True)


class KeptIdentityOut(serializers.ModelSerializer[KeptIdentity]):
    class Meta:
        model = KeptIdentity
        fields = [
            "id",
            "customer",
            "given_name",
            "family_name",
            "birth_date",
            "kept_until",
            "next_on",
            "reason",
            "created_at",
        ]
        read_only_fields = fields


class RetentionPeriodOut(serializers.ModelSerializer[RetentionPeriod]):
    class Meta:
        model = RetentionPeriod
        fields = ["id", "kind", "jurisdiction", "valid_from", "years", "to_age", "source", "confidence", "created_at"]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Twelve years instead of ten",
            value={
                "kind": "clinical",
                "jurisdiction": "GB",
                "valid_from": "2026-04-01",
                "years": 12,
                "to_age": 25,
                "source": "our adviser, letter of 2 March 2026",
                "confidence": "high",
            },
            request_only=True,
        )
    ]
)
class RetentionPeriodIn(StrictSerializer):
    kind = serializers.ChoiceField(RECORD_KINDS)
    jurisdiction = TextField(max_length=10, help_text='As of the branches, or "*"')
    valid_from = serializers.DateField()
    years = serializers.IntegerField(min_value=0, max_value=100)
    to_age = serializers.IntegerField(min_value=0, max_value=100, required=False, allow_null=True)
    source = TextField(max_length=300)  # type: ignore[assignment]
    confidence = TextField(max_length=80)


class RetentionRunOut(serializers.ModelSerializer[RetentionRun]):
    found = serializers.DictField(child=serializers.IntegerField())
    examples = serializers.DictField(child=serializers.ListField(child=serializers.CharField()))
    done = serializers.DictField(child=serializers.IntegerField())

    class Meta:
        model = RetentionRun
        fields = [
            "id",
            "as_of",
            "state",
            "found",
            "examples",
            "done",
            "decided_by",
            "decided_at",
            "finished_at",
            "created_at",
            "version",
        ]
        read_only_fields = fields
