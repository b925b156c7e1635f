from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer

from .asking import COMPARISONS, LONGEST_DAYS

#: How many days are shown where no period is asked, today included.
USUAL_DAYS = 28
KINDS = ["text", "day", "count", "money", "share", "hours", "days", "rate"]


class ReportAsked(StrictSerializer):
    """What a report is asked. ``from`` is no name in Python, so the fields are made in ``get_fields``."""

    def get_fields(self) -> dict[str, Any]:
        return {
            "from": serializers.DateField(
                required=False, help_text=f"First day of the period; {USUAL_DAYS} days where nothing is said"
            ),
            "to": serializers.DateField(
                required=False,
                help_text=f"Last day, included; today if not said. At most {LONGEST_DAYS} days",
            ),
            "by": serializers.CharField(
                required=False, max_length=40, help_text="A grouping of the report; all in one row if not said"
            ),
            "branch": serializers.UUIDField(required=False, help_text="Only this branch"),
            "compare": serializers.ChoiceField(
                list(COMPARISONS), required=False, help_text="Beside it the period before, or that of a year before"
            ),
        }


class ReportColumnOut(serializers.Serializer[Any]):
    key = serializers.CharField()
    title = serializers.CharField()
    kind = serializers.ChoiceField(KINDS, help_text="A share is a fraction of 1; money is in the currency of the row")
    definition = serializers.CharField(help_text="What is counted, in a sentence")


class ReportOut(serializers.Serializer[Any]):
    """A report that may be asked for."""

    key = serializers.CharField()
    title = serializers.CharField()
    purpose = serializers.CharField()
    columns = ReportColumnOut(many=True)
    groupings = serializers.ListField(child=serializers.CharField(), help_text="What rows can be made of")
    reconciled_with = serializers.CharField(help_text="What its figures agree with")
    is_heavy = serializers.BooleanField(help_text="Better asked for as a run when the period is long")


class ReportRowOut(serializers.Serializer[Any]):
    group = serializers.CharField(allow_null=True, help_text="Branch, person, product, day ... as asked by")
    currency = serializers.CharField(allow_null=True, help_text="Where the report has money; never added together")
    values = serializers.DictField(child=serializers.JSONField(allow_null=True), help_text="Column -> value")
    before = serializers.DictField(
        child=serializers.JSONField(allow_null=True), allow_null=True, help_text="The same of the earlier period"
    )
    change = serializers.DictField(
        child=serializers.JSONField(allow_null=True),
        allow_null=True,
        help_text="Column -> how much it rose, and the share of what it was; null where one of the two is not known",
    )
    records = serializers.ListField(child=serializers.CharField(), help_text="Where the records behind it are listed")


class ReportPeriodOut(serializers.Serializer[Any]):
    def get_fields(self) -> dict[str, Any]:
        return {"from": serializers.DateField(), "to": serializers.DateField()}


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "a week of two branches",
            response_only=True,
            value={
                "report": {
                    "key": "recall-return",
                    "title": "Recall return",
                    "purpose": "Of the people due, how many came back once they were told.",
                    "columns": [
                        {"key": "due", "title": "Due", "kind": "count", "definition": "Recalls due in the period."}
                    ],
                    "groupings": ["branch"],
                    "reconciled_with": "the raw recalls",
                    "is_heavy": False,
                },
                "period": {"from": "2026-03-02", "to": "2026-03-08"},
                "compared_with": None,
                "by": "branch",
                "branches": ["MILL", "QUAY"],
                "rows": [
                    {
                        "group": "MILL",
                        "currency": None,
                        "values": {"due": 12},
                        "before": None,
                        "change": None,
                        "records": [],
                    }
                ],
                "totals": [],
            },
        )
    ]
)
class ReportAnswerOut(serializers.Serializer[Any]):
    report = ReportOut()
    period = ReportPeriodOut()
    compared_with = ReportPeriodOut(allow_null=True)
    by = serializers.CharField()
    branches = serializers.ListField(child=serializers.CharField(), help_text="Codes of the branches counted")
    rows = ReportRowOut(many=True)
    totals = ReportRowOut(many=True, help_text="One row, or one a currency; a share is of the whole, not a mean")
