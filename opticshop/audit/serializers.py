from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from .models import AuditEntry, AuditRead, AuditSeal

_TRACED = [
    "id",
    "at",
    "actor_id",
    "actor_label",
    "actor_kind",
    "via",
    "address",
    "request_id",
    "method",
    "route",
    "reason",
]


class AuditEntryOut(serializers.ModelSerializer[AuditEntry]):
    actor = serializers.UUIDField(source="actor_id", allow_null=True)
    table = serializers.CharField(source="table_name")
    row = serializers.CharField(source="row_id")
    customer = serializers.UUIDField(source="customer_id", allow_null=True)
    branch = serializers.UUIDField(source="branch_id", allow_null=True)
    before = serializers.DictField(allow_null=True, help_text="Columns that changed, as they were.")
    after = serializers.DictField(allow_null=True, help_text="The same columns afterwards.")

    class Meta:
        model = AuditEntry
        fields = [
            *("actor" if name == "actor_id" else name for name in _TRACED),
            "action",
            "table",
            "row",
            "customer",
            "branch",
            "before",
            "after",
        ]
        read_only_fields = fields


class AuditReadOut(serializers.ModelSerializer[AuditRead]):
    actor = serializers.UUIDField(source="actor_id", allow_null=True)
    table = serializers.CharField(source="kind", help_text="Of what was shown; empty for a paper or a summary.")
    rows = serializers.ListField(
        source="ids", child=serializers.CharField(), help_text="Keys of what was shown, at most a page."
    )
    customers = serializers.SerializerMethodField(help_text="Whose records they were.")

    class Meta:
        model = AuditRead
        fields = [
            *("actor" if name == "actor_id" else name for name in _TRACED),
            "status",
            "table",
            "rows",
            "customers",
        ]
        read_only_fields = fields

    @extend_schema_field(serializers.ListField(child=serializers.UUIDField()))  # type: ignore[untyped-decorator]
    def get_customers(self, read: AuditRead) -> list[Any]:
        return [each.customer_id for each in read.subjects.all()]


class AuditSealOut(serializers.ModelSerializer[AuditSeal]):
    class Meta:
        model = AuditSeal
        fields = [
            "number",
            "at",
            "entries_after",
            "entries_upto",
            "entry_count",
            "reads_after",
            "reads_upto",
            "read_count",
            "previous_hash",
            "hash",
        ]
        read_only_fields = fields
