from __future__ import annotations

import datetime as dt
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import Account, Entry, JournalExport, Line, Period


class AccountOut(serializers.ModelSerializer[Account]):
    class Meta:
        model = Account
        fields = ["id", "code", "name", "kind", "role"]
        read_only_fields = fields
        extra_kwargs = {"role": {"help_text": "What the service posts here; null where it posts nothing."}}


class JournalLineOut(serializers.ModelSerializer[Line]):
    account = serializers.CharField(source="account.code", help_text="Code of the account.")
    account_name = serializers.CharField(source="account.name")

    class Meta:
        model = Line
        fields = ["line_no", "account", "account_name", "debit", "credit", "tax_code", "party"]
        read_only_fields = fields


class EntryOut(serializers.ModelSerializer[Entry]):
    lines = JournalLineOut(many=True)
    reversed_by = serializers.SerializerMethodField()

    class Meta:
        model = Entry
        fields = [
            "id",
            "branch",
            "number",
            "booked_on",
            "purpose",
            "document",
            "description",
            "reference",
            "currency",
            "total",
            "lines",
            "reverses",
            "reversed_by",
            "by_label",
            "created_at",
        ]
        read_only_fields = fields

    def get_reversed_by(self, entry: Entry) -> str | None:
        """The entry that corrects this one, null while it stands."""
        mirror = getattr(entry, "reversed_by", None)
        return str(mirror.id) if mirror else None


class TrialBalanceQueryIn(StrictSerializer):
    branch = serializers.UUIDField(required=False, help_text="One branch; without it all whose books you may see.")
    booked_from = serializers.DateField(required=False, help_text="First day; what came before is the opening.")
    booked_to = serializers.DateField(required=False, help_text="Last day, included.")
    by_tax_code = serializers.BooleanField(default=False, help_text="One row for each tax code of an account.")


class TrialRowOut(serializers.Serializer[Any]):
    code = serializers.CharField()
    name = serializers.CharField()
    kind = serializers.ChoiceField(Account.Kind.choices)
    currency = serializers.CharField()
    tax_code = serializers.CharField(allow_null=True, help_text="Null unless asked for; empty for lines without one.")
    opening = serializers.DecimalField(max_digits=16, decimal_places=2, help_text="Debit less credit before the days.")
    debit = serializers.DecimalField(max_digits=16, decimal_places=2)
    credit = serializers.DecimalField(max_digits=16, decimal_places=2)
    closing = serializers.DecimalField(max_digits=16, decimal_places=2, help_text="Debit less credit after the days.")


class TrialSumOut(serializers.Serializer[Any]):
    currency = serializers.CharField()
    debit = serializers.DecimalField(max_digits=16, decimal_places=2)
    credit = serializers.DecimalField(max_digits=16, decimal_places=2)


class TrialBalanceOut(serializers.Serializer[Any]):
    branch = serializers.UUIDField(allow_null=True)
    booked_from = serializers.DateField(allow_null=True)
    booked_to = serializers.DateField(allow_null=True)
    rows = TrialRowOut(many=True)
    sums = TrialSumOut(many=True, help_text="By currency; debit and credit are the same.")


@extend_schema_field({"type": "string", "pattern": "^[0-9]{4}-(0[1-9]|1[0-2])$"})
class MonthField(serializers.DateField):
    """The first day of a month, shown as its year and month."""


class PeriodOut(serializers.ModelSerializer[Period]):
    month = MonthField(format="%Y-%m", help_text="Year and month, for instance 2026-02.")

    class Meta:
        model = Period
        fields = ["id", "branch", "month", "is_closed", "changed_at", "reason", "by_label", "version"]
        read_only_fields = fields
        extra_kwargs = {"branch": {"help_text": "Null for a month of the whole company."}}


@extend_schema_serializer(examples=[OpenApiExample("February, for the whole company", value={"month": "2026-02"})])
class PeriodCloseIn(StrictSerializer):
    month = serializers.RegexField(r"^20[0-9]{2}-(0[1-9]|1[0-2])$", help_text="Year and month, for instance 2026-02.")
    branch = serializers.UUIDField(required=False, help_text="Without one the month is closed for the company.")

    def validate_month(self, text: str) -> dt.date:
        return dt.date.fromisoformat(f"{text}-01")


@extend_schema_serializer(examples=[OpenApiExample("A late invoice", value={"reason": "An invoice came late."})])
class PeriodReopenIn(StrictSerializer):
    reason = TextField(max_length=200)


class JournalExportOut(serializers.ModelSerializer[JournalExport]):
    totals = serializers.DictField(
        child=serializers.DecimalField(max_digits=16, decimal_places=2),
        help_text="Sum of the debits, which is that of the credits, by currency.",
    )

    class Meta:
        model = JournalExport
        fields = [
            "id",
            "branch",
            "exporter",
            "made_by",
            "file_name",
            "media_type",
            "after_position",
            "upto_position",
            "entry_count",
            "line_count",
            "totals",
            "booked_from",
            "booked_to",
            "sha256",
            "byte_count",
            "by_label",
            "created_at",
        ]
        read_only_fields = fields


@extend_schema_serializer(examples=[OpenApiExample("Everything new, as CSV", value={"exporter": "journal-csv"})])
class JournalExportIn(StrictSerializer):
    exporter = TextField(max_length=80, help_text="Name of a format; see the list of exporters.")
    branch = serializers.UUIDField(required=False, help_text="Without one the group as a whole.")


class ExportersQueryIn(StrictSerializer):
    branch = serializers.UUIDField(required=False, help_text="Those switched on there; without it, for the group.")


class ExporterOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    title = serializers.CharField()
    media_type = serializers.CharField()
    file_extension = serializers.CharField()
    made_by = serializers.CharField(help_text="Plugin and version.")
