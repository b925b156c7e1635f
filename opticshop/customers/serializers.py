from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import Customer

_EXAMPLE = {
    "branch": "01890a5d-ac96-774b-bcce-b302099a8057",
    "given_name": "Wren",
    "family_name": "Alder",
    "birth_date": "1984-03-09",
    "email": "wren.alder@example.org",
    "phone": "+44 20 7946 0018",
    "preferred_channel": "email",
}


class CustomerOut(serializers.ModelSerializer[Customer]):
    class Meta:
        model = Customer
        fields = [
            "id",
            "branch",
            "given_name",
            "family_name",
            "birth_date",
            "email",
            "phone",
            "phone_e164",
            "address",
            "postcode",
            "country",
            "language",
            "guardian",
            "is_sight_impaired",
            "preferred_channel",
            "wants_recalls",
            "wants_marketing",
            "note",
            "created_at",
            "version",
        ]
        read_only_fields = fields


class NearDuplicateOut(serializers.ModelSerializer[Customer]):
    class Meta:
        model = Customer
        fields = ["id", "given_name", "family_name", "birth_date", "phone", "email"]
        read_only_fields = fields


class CustomerRegisteredOut(CustomerOut):
    near_duplicates = NearDuplicateOut(many=True, read_only=True)

    class Meta(CustomerOut.Meta):
        fields = [*CustomerOut.Meta.fields, "near_duplicates"]
        read_only_fields = fields


class _CustomerDetails(StrictSerializer):
    birth_date = serializers.DateField(required=False, allow_null=True)
    email = serializers.EmailField(required=False, allow_blank=True)
    phone = TextField(required=False, allow_blank=True, max_length=40)
    address = TextField(required=False, allow_blank=True, max_length=500)
    postcode = TextField(required=False, allow_blank=True, max_length=12)
    country = serializers.RegexField(r"^[A-Z]{2}$", required=False)
    language = serializers.RegexField(r"^[a-z]{2}(-[A-Z]{2})?$", required=False)
    guardian = serializers.UUIDField(required=False, allow_null=True)
    is_sight_impaired = serializers.BooleanField(required=False)
    preferred_channel = serializers.ChoiceField(Customer.Channel.choices, required=False)
    wants_recalls = serializers.BooleanField(required=False)
    wants_marketing = serializers.BooleanField(required=False)
    note = TextField(required=False, allow_blank=True, max_length=2000)


@extend_schema_serializer(examples=[OpenApiExample("A customer", value=_EXAMPLE)])
class CustomerRegisterIn(_CustomerDetails):
    branch = serializers.UUIDField()
    given_name = TextField(max_length=80)
    family_name = TextField(max_length=80)


@extend_schema_serializer(examples=[OpenApiExample("A new phone number", value={"phone": "020 7946 0021"})])
class CustomerAmendIn(_CustomerDetails):
    given_name = TextField(max_length=80, required=False)
    family_name = TextField(max_length=80, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one field to change.", code="empty")
        return attrs
