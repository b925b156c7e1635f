from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import DateFormat, DecimalMark, Encoding, ImportFile, ImportRow, Kind, NearDuplicates
from .reading import DELIMITERS, LONGEST_HEADING, MOST_COLUMNS


class ProblemOfRowOut(serializers.Serializer[Any]):
    field = serializers.CharField(help_text="Our field; empty where the row as a whole is meant")  # type: ignore[assignment]
    column = serializers.CharField(help_text="Its heading in the file; empty where there is none")
    code = serializers.CharField(help_text="Stable dotted code")
    detail = serializers.CharField()
    allowed = serializers.JSONField(allow_null=True, help_text="What would be right, where it can be said")


class TriedProblemOut(ProblemOfRowOut):
    row = serializers.IntegerField(help_text="As a text editor counts; the headings are row 1")
    state = serializers.ChoiceField(ImportRow.State.choices, help_text="That it would have")


class TriedOut(serializers.Serializer[Any]):
    """What a run would do; nothing of it was done."""

    rows = serializers.IntegerField()
    tried_rows = serializers.IntegerField(help_text="How far the dry run is; all of them once it is done")
    would_take_over = serializers.IntegerField()
    would_skip = serializers.IntegerField(help_text="There already, unchanged, or a near-duplicate")
    would_fail = serializers.IntegerField()
    problems = TriedProblemOut(many=True)
    problems_left_out = serializers.IntegerField(help_text="Beyond the most that are told")
    tried_at = serializers.DateTimeField(default=None, allow_null=True)


class ImportFileOut(serializers.ModelSerializer[ImportFile]):
    delimiter = serializers.ChoiceField(DELIMITERS)
    detected = serializers.ListField(
        child=serializers.ChoiceField(["encoding", "delimiter"]),
        help_text="What of the reading was found out; check it against the preview.",
    )
    headings = serializers.ListField(child=serializers.CharField(allow_blank=True))
    mapping = serializers.DictField(child=serializers.CharField(), help_text="Our field -> heading of the file")
    tried = TriedOut(allow_null=True)
    counts = serializers.SerializerMethodField(help_text="Rows in each state, once the file runs")

    class Meta:
        model = ImportFile
        fields = [
            "id",
            "branch",
            "kind",
            "state",
            "file_name",
            "size",
            "sha256",
            "is_repeat",
            "encoding",
            "delimiter",
            "detected",
            "decimal_mark",
            "date_format",
            "near_duplicates",
            "valid_from",
            "price_list",
            "headings",
            "mapping",
            "rows_total",
            "counts",
            "tried",
            "try_due",
            "uploaded_by",
            "run_by",
            "started_at",
            "ended_at",
            "stopped_because",
            "created_at",
            "version",
        ]
        read_only_fields = fields

    @extend_schema_field(serializers.DictField(child=serializers.IntegerField()))  # type: ignore[untyped-decorator]
    def get_counts(self, file: ImportFile) -> dict[str, int]:
        return {str(state): getattr(file, f"rows_{state}") for state in ImportRow.State.values}


class ImportFileWholeOut(ImportFileOut):
    preview = serializers.ListField(
        child=serializers.ListField(child=serializers.CharField(allow_blank=True)),
        help_text="The first rows; empty once all is done",
    )

    class Meta(ImportFileOut.Meta):
        fields = [*ImportFileOut.Meta.fields, "preview"]
        read_only_fields = fields


class ImportRowOut(serializers.ModelSerializer[ImportRow]):
    problems = ProblemOfRowOut(many=True)
    cells = serializers.ListField(
        child=serializers.CharField(allow_blank=True), help_text="As in the file; let go once the row is taken over"
    )

    class Meta:
        model = ImportRow
        fields = [
            "id",
            "file",
            "number",
            "state",
            "external_id",
            "made_type",
            "made_id",
            "problems",
            "cells",
            "settled_at",
        ]
        read_only_fields = fields


class FieldOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    needed = serializers.BooleanField(help_text="Or one of a few of which one is needed")
    words = serializers.ListField(child=serializers.CharField(), help_text="Headings it is known by")


class FieldsOut(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(Kind.choices)
    fields = FieldOut(many=True)  # type: ignore[assignment]


class FieldsQueryIn(StrictSerializer):
    kind = serializers.ChoiceField(Kind.choices)


class _HowRead(StrictSerializer):
    encoding = serializers.ChoiceField(Encoding.choices, required=False)
    delimiter = serializers.ChoiceField(DELIMITERS, required=False)
    decimal_mark = serializers.ChoiceField(DecimalMark.choices, required=False)
    date_format = serializers.ChoiceField(DateFormat.choices, required=False, help_text="Of every day in the file")
    near_duplicates = serializers.ChoiceField(NearDuplicates.choices, required=False)
    valid_from = serializers.DateField(
        required=False,
        allow_null=True,
        help_text="Of prices: first day of a new list of the branch, from tomorrow on; without one the catalogue's "
        "prices are changed",
    )


class ImportUploadIn(_HowRead):
    """Sent as multipart/form-data: a CSV file with a row of headings. What is left out is found out where it can be.

    Powers are taken as written, in either cylinder form. A row may carry its key in the system it comes from
    (``external_id``): it is then taken over once, whatever the file.
    """

    file = serializers.FileField(max_length=120, allow_empty_file=True)
    kind = serializers.ChoiceField(Kind.choices)
    branch = serializers.UUIDField()
    again = serializers.BooleanField(default=False, help_text="Take the same file a second time")


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Two columns and days as written",
            value={
                "mapping": {"given_name": "First", "family_name": "Last", "birth_date": "Born"},
                "date_format": "DD/MM/YYYY",
            },
        )
    ]
)
class ImportAmendIn(_HowRead):
    mapping = serializers.DictField(
        child=TextField(max_length=LONGEST_HEADING, allow_blank=True),
        required=False,
        help_text="Our field -> heading, the whole of it; an empty heading leaves the field out",
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one thing to change.", code="empty")
        if len(attrs.get("mapping", {})) > MOST_COLUMNS:
            raise serializers.ValidationError({"mapping": ["So many fields do not exist."]}, code="too_many")
        return attrs


@extend_schema_serializer(examples=[OpenApiExample("No details", value={})])
class NoDetailsIn(StrictSerializer):
    """No details are needed."""
