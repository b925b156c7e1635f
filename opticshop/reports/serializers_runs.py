from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer

from .asking import COMPARISONS, LONGEST_DAYS
from .models import Format, ReportRun
from .registry import TOTAL


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Turnaround of February by branch, as a workbook",
            request_only=True,
            value={
                "report": "turnaround",
                "since": "2026-02-01",
                "until": "2026-02-28",
                "by": "branch",
                "format": "xlsx",
            },
        )
    ]
)
class ReportRunIn(StrictSerializer):
    report = serializers.CharField(max_length=60, help_text="Key of the report")
    since = serializers.DateField()
    until = serializers.DateField(help_text=f"The last day, included; {LONGEST_DAYS} days at most")
    by = serializers.CharField(max_length=40, default=TOTAL, help_text="A grouping of the report, or total")
    branches = serializers.ListField(
        child=serializers.UUIDField(), required=False, max_length=500, help_text="Without it all that you may see"
    )
    compare = serializers.ChoiceField(list(COMPARISONS), required=False)
    format = serializers.ChoiceField(Format.choices, default=Format.XLSX)


class ProgressOut(serializers.Serializer[Any]):
    done = serializers.IntegerField()
    of = serializers.IntegerField()


class ReportRunOut(serializers.ModelSerializer[ReportRun]):
    progress = serializers.SerializerMethodField(help_text="Steps: each part of the figures, then the file")

    class Meta:
        model = ReportRun
        fields = [
            "id",
            "report",
            "since",
            "until",
            "by",
            "compare",
            "branches",
            "format",
            "state",
            "progress",
            "rows",
            "size",
            "sha256",
            "ended_at",
            "expires_at",
            "last_error",
            "created_at",
        ]
        read_only_fields = fields

    @extend_schema_field(ProgressOut)  # type: ignore[untyped-decorator]
    def get_progress(self, run: ReportRun) -> dict[str, int]:
        return {"done": run.steps_done, "of": run.steps}
