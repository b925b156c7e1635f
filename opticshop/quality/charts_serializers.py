"""Shapes of charts and gauge studies."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop import spc
from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField
from opticshop.core.showing import shown

from .charts_models import DeviationPoint, GaugeStudy
from .charts_selectors import By

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
_RULES = [(str(rule), words) for rule, words in spc.RULES.items()]


class ChartQueryIn(StrictSerializer):
    """Which points, and how to chart them."""

    parameter = serializers.SlugField(
        max_length=40, help_text="Of the verdicts, for instance axis, power_m1, prism_vertical."
    )
    by = serializers.ChoiceField(By.choices, required=False, help_text="Narrow to one of these, named by key.")
    key = serializers.UUIDField(required=False)
    branch = serializers.UUIDField(required=False)
    of = serializers.ChoiceField(DeviationPoint.Of.choices, required=False)
    eye = serializers.ChoiceField(["right", "left", "pair"], required=False)
    to = serializers.DateField(required=False, help_text="Last day, in the branch's zone (UTC without a branch).")
    chart = serializers.ChoiceField(
        [("imr", "Single values with moving range"), ("ewma", "Moving average")], default="imr"
    )
    scale = serializers.ChoiceField(
        [("deviation", "In the unit of the parameter"), ("share_of_limit", "As shares of each lens's own limit")],
        default="deviation",
    )
    centre = serializers.ChoiceField([("mean", "The mean"), ("target", "As ordered, 0")], default="mean")
    rules = serializers.RegexField(r"^[1-6](,[1-6])*$", default="1,2,3,4", help_text="Rules to apply, comma-separated.")
    weight = serializers.FloatField(min_value=0.01, max_value=1, default=0.2, help_text="Lambda of the moving average.")
    width = serializers.FloatField(
        min_value=0.5, max_value=6, default=3, help_text="L of the moving average, in sigma."
    )
    baseline_to = serializers.DateField(
        required=False, help_text="Limits come from the points up to this day, and judge all of them."
    )

    def get_fields(self) -> dict[str, Any]:
        """``from`` is a word of Python, so it is added by name."""
        return {**super().get_fields(), "from": serializers.DateField(required=False, help_text="First day.")}

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("by" in attrs) != ("key" in attrs):
            raise serializers.ValidationError({"key": ["Give by and key together."]}, code="incomplete")
        return attrs


class ChartLimitsOut(serializers.Serializer[Any]):
    centre = serializers.FloatField()
    sigma = serializers.FloatField(help_text="Short-term: mean moving range / d2.")
    lower = serializers.FloatField(help_text="Of single values.")
    upper = serializers.FloatField()
    mean_moving_range = serializers.FloatField()
    moving_range_upper = serializers.FloatField()
    points = serializers.IntegerField(help_text="Points that the limits rest on.")
    provisional = serializers.BooleanField(help_text="Too few points for limits to be relied on.")


class ChartPointOut(serializers.Serializer[Any]):
    of = serializers.ChoiceField(DeviationPoint.Of.choices, source="row.of")
    of_id = serializers.UUIDField(source="row.of_id", help_text="The inspection or the reading.")
    job = serializers.UUIDField(source="row.job_id")
    job_number = serializers.CharField(source="row.job.number")
    eye = serializers.CharField(source="row.eye")
    measured_at = serializers.DateTimeField(source="row.measured_at")
    deviation = serializers.DecimalField(9, 3, source="row.deviation", help_text="Measured minus ordered.")
    limit = serializers.DecimalField(9, 3, source="row.limit", allow_null=True)
    value = serializers.FloatField(help_text="On the scale of the chart.")
    plotted = serializers.FloatField(help_text="The value, or the moving average.")
    moving_range = serializers.FloatField(allow_null=True)
    lower = serializers.FloatField()
    upper = serializers.FloatField()
    rules = serializers.ListField(child=serializers.IntegerField(), help_text="Rules this point helps to break.")


class RuleBreakOut(serializers.Serializer[Any]):
    rule = serializers.IntegerField()
    words = serializers.CharField()
    side = serializers.ChoiceField(["above", "below", "both"])
    points = serializers.ListField(child=serializers.IntegerField(), help_text="Positions among the points, from 0.")


class IndexOut(serializers.Serializer[Any]):
    value = serializers.FloatField()
    lower = serializers.FloatField()
    upper = serializers.FloatField()


class CapabilityOut(serializers.Serializer[Any]):
    """Against each lens's own limit: deviations as shares of the limit, so between -1 and +1."""

    count = serializers.IntegerField()
    mean = serializers.FloatField()
    sigma_within = serializers.FloatField()
    sigma_overall = serializers.FloatField()
    confidence = serializers.FloatField(help_text="Of the intervals.")
    cp = IndexOut(allow_null=True)
    cpk = IndexOut()
    pp = IndexOut(allow_null=True)
    ppk = IndexOut()
    outside = serializers.FloatField(help_text="Share of the points beyond their limit.")
    expected_outside = serializers.FloatField(help_text="Share expected of a normal process.")


class ControlChartOut(serializers.Serializer[Any]):
    parameter = serializers.CharField()
    named = serializers.CharField(help_text="Whose points these are; empty without a key.")
    unit = serializers.CharField()
    cut = serializers.BooleanField(help_text="Older points are left out.")
    limits = ChartLimitsOut(allow_null=True)
    tolerance = serializers.FloatField(allow_null=True, help_text="Where all points share one limit.")
    capability = CapabilityOut(allow_null=True)
    breaks = RuleBreakOut(many=True)
    notes = serializers.ListField(child=serializers.CharField())
    points = ChartPointOut(many=True)


class ComponentOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    sigma = serializers.FloatField()
    contribution = serializers.FloatField(help_text="Share of the variance.")
    of_total = serializers.FloatField(help_text="Share of the total standard deviation.")
    of_tolerance = serializers.FloatField(allow_null=True, help_text="Six sigma over the tolerance.")


class AnovaLineOut(serializers.Serializer[Any]):
    source = serializers.CharField()  # type: ignore[assignment]
    freedom = serializers.IntegerField()
    squares = serializers.FloatField()
    mean_square = serializers.FloatField()
    f = serializers.FloatField(allow_null=True)
    probability = serializers.FloatField(allow_null=True)


class GaugeResultOut(serializers.Serializer[Any]):
    gauge_percent = serializers.FloatField(help_text="Share of measuring in the total standard deviation, percent.")
    categories = serializers.IntegerField(help_text="Groups of parts that can be told apart; 5 or more are wanted.")
    components = ComponentOut(many=True)
    anova = AnovaLineOut(many=True, help_text="Empty for averages and ranges.")
    interaction_pooled = serializers.BooleanField()
    ranges_outside = serializers.ListField(
        child=serializers.ListField(child=serializers.IntegerField()),
        help_text="Operator and part, from 0, whose trials disagree more than chance allows.",
    )


class GaugeStudyOut(serializers.ModelSerializer[GaugeStudy]):
    result = serializers.SerializerMethodField()
    studied_by_name = serializers.CharField(source="studied_by", read_only=True, allow_null=True)

    class Meta:
        model = GaugeStudy
        fields = [
            "id",
            "branch",
            "title",
            "instrument",
            "unit",
            "method",
            "tolerance",
            "operators",
            "parts",
            "readings",
            "result",
            "studied_at",
            "studied_by",
            "studied_by_name",
        ]
        read_only_fields = fields

    @extend_schema_field(GaugeResultOut)
    def get_result(self, study: GaugeStudy) -> Any:
        return shown(GaugeResultOut, study.result)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Two people, three lenses, two readings each",
            value={
                "branch": _ID,
                "title": "Focimeter, bench 1",
                "unit": "D",
                "operators": ["A", "B"],
                "parts": ["lens 1", "lens 2", "lens 3"],
                "readings": [
                    [["-2.00", "-2.01"], ["1.50", "1.49"], ["4.02", "4.00"]],
                    [["-2.02", "-2.02"], ["1.48", "1.50"], ["4.01", "4.03"]],
                ],
                "tolerance": "0.24",
            },
        )
    ]
)
class GaugeStudyIn(StrictSerializer):
    branch = serializers.UUIDField()
    title = TextField(max_length=120)
    instrument = serializers.UUIDField(required=False, allow_null=True)
    unit = TextField(max_length=20)
    method = serializers.ChoiceField(GaugeStudy.Method.choices, default=GaugeStudy.Method.ANOVA.value)
    tolerance = UnitDecimalField(
        unit="the unit of the readings: upper minus lower limit",
        max_digits=9,
        decimal_places=3,
        required=False,
        allow_null=True,
    )
    operators = serializers.ListField(child=TextField(max_length=60), min_length=2, max_length=15)
    parts = serializers.ListField(child=TextField(max_length=60), min_length=2, max_length=15)
    readings = serializers.ListField(
        child=serializers.ListField(
            child=serializers.ListField(
                child=UnitDecimalField(unit="the unit of the study", max_digits=12, decimal_places=6),
                min_length=2,
                max_length=15,
            ),
            min_length=2,
            max_length=15,
        ),
        min_length=2,
        max_length=15,
        help_text="For each operator, for each part, the readings in turn.",
    )
