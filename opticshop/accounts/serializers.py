from __future__ import annotations

from typing import Any

from rest_framework import serializers


class MembershipOut(serializers.Serializer[Any]):
    branch = serializers.UUIDField(source="branch_id", allow_null=True, help_text="null: every branch")
    role = serializers.CharField()


class MeOut(serializers.Serializer[Any]):
    id = serializers.UUIDField(allow_null=True)
    username = serializers.CharField()
    display_name = serializers.CharField()
    kind = serializers.CharField()
    registration_number = serializers.CharField()
    memberships = MembershipOut(many=True)
    permissions = serializers.DictField(
        child=serializers.ListField(child=serializers.CharField()),
        help_text="Permission -> branch ids where it holds, or ['all'].",
    )
