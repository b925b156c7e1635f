from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import Branch


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
            "turnaround_days",
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
    turnaround_days = serializers.IntegerField(required=False, min_value=0, max_value=90)


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
