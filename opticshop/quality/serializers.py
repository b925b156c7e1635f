from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField
from opticshop.workshop.models import ORDINARY_STEPS, StepKind
from opticshop.workshop.serializers import VerdictOut

from . import cautions, visual
from .models import Handover, Inspection

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
_OK = {"ok": True}
_REDO = [(kind, StepKind(kind).label) for kind in ORDINARY_STEPS[: ORDINARY_STEPS.index(StepKind.INSPECT) + 1]]


def _power(**kwargs: Any) -> UnitDecimalField:
    return UnitDecimalField(
        unit="dioptres", max_digits=5, min_value=-40, max_value=40, required=False, allow_null=True, **kwargs
    )


def _prism(words: str) -> UnitDecimalField:
    return UnitDecimalField(
        unit=f"prism dioptres at the centration point, {words}",
        max_digits=5,
        min_value=-40,
        max_value=40,
        required=False,
        allow_null=True,
    )


def _length(unit: str = "mm", low: int = 0, high: int = 100) -> UnitDecimalField:
    return UnitDecimalField(unit=unit, max_digits=5, min_value=low, max_value=high, required=False, allow_null=True)


def _uncertainty(unit: str) -> UnitDecimalField:
    return UnitDecimalField(
        unit=unit, max_digits=5, decimal_places=3, min_value=0, max_value=10, required=False, allow_null=True
    )


class MeasuredLensIn(StrictSerializer):
    """One lens as measured in the frame. What is left out was not measured; write 0 where the focimeter shows none."""

    sphere_dpt = _power()
    cylinder_dpt = _power(help_text="In either sign")
    axis_deg = serializers.IntegerField(min_value=1, max_value=180, required=False, allow_null=True)
    addition_dpt = _power()
    prism_in_dpt = _prism("base in positive")
    prism_up_dpt = _prism("base up positive")
    centration_distance_mm = _length("mm from the middle of the bridge to the optical centre or fitting point")
    centration_height_mm = _length("mm above the lowest boxed tangent")
    segment_height_mm = _length("mm above the lowest boxed tangent")
    centre_thickness_mm = _length()
    tilt_deg = UnitDecimalField(
        unit="degrees", max_digits=4, decimal_places=1, min_value=-90, max_value=90, required=False, allow_null=True
    )


class MeasuredPairIn(StrictSerializer):
    centre_distance_mm = _length("mm between the optical centres")
    height_difference_mm = _length("mm, right centre above left positive", low=-50, high=50)


class InstrumentUncertaintyIn(StrictSerializer):
    """Expanded uncertainty (coverage factor 2). A reading closer to a limit than this is undecided, never a pass."""

    power_dpt = _uncertainty("dioptres")
    axis_deg = _uncertainty("degrees")
    prism_dpt = _uncertainty("prism dioptres")
    length_mm = _uncertainty("mm")


class SeenIn(StrictSerializer):
    ok = serializers.BooleanField()
    note = TextField(required=False, allow_blank=True, max_length=300)


class VisualIn(StrictSerializer):
    """What was looked at. A check not in order fails the pair; one that is needed and missing leaves it open."""

    surfaces = SeenIn(required=False)
    coating = SeenIn(required=False)
    edges_and_bevel = SeenIn(required=False)
    fit_in_rim = SeenIn(required=False)
    strain = SeenIn(required=False)
    alignment = SeenIn(required=False)
    screws = SeenIn(required=False)
    tint_match = SeenIn(required=False)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A pair of single-vision lenses",
            value={
                "job": _ID,
                "right": {
                    "sphere_dpt": "-2.02",
                    "cylinder_dpt": "-0.50",
                    "axis_deg": 91,
                    "prism_in_dpt": "0.10",
                    "prism_up_dpt": "0.00",
                },
                "left": {
                    "sphere_dpt": "-2.25",
                    "cylinder_dpt": "0.00",
                    "prism_in_dpt": "0.00",
                    "prism_up_dpt": "0.00",
                },
                "pair": {"centre_distance_mm": "62.5"},
                "visual": {check.name: _OK for check in visual.CHECKS},
            },
        )
    ]
)
class InspectionRecordIn(StrictSerializer):
    job = serializers.UUIDField()
    standard = serializers.SlugField(required=False, max_length=80, help_text="The branch's own standard by default")
    right = MeasuredLensIn(required=False)
    left = MeasuredLensIn(required=False)
    pair = MeasuredPairIn(required=False)
    instrument_uncertainty = InstrumentUncertaintyIn(required=False)
    visual = VisualIn(required=False)
    redo_from = serializers.ChoiceField(
        _REDO, default=StepKind.VERIFY.value, help_text="Where the work goes on if the pair fails"
    )


class InspectionOut(serializers.ModelSerializer[Inspection]):
    job_number = serializers.CharField(source="job.number", read_only=True)
    job_state = serializers.CharField(source="job.state", read_only=True)
    order = serializers.UUIDField(source="job.order_id", read_only=True)
    verdict = VerdictOut(read_only=True)
    missing = serializers.ListField(child=serializers.CharField(), read_only=True)
    reasons = serializers.ListField(child=serializers.CharField(), read_only=True)
    inspected_by_name = serializers.CharField(source="inspected_by", read_only=True, allow_null=True)

    class Meta:
        model = Inspection
        fields = [
            "id",
            "branch",
            "job",
            "job_number",
            "job_state",
            "order",
            "outcome",
            "missing",
            "reasons",
            "standard",
            "standard_version",
            "leaned_on_unconfirmed",
            "verdict",
            "readings",
            "visual",
            "inspected_at",
            "inspected_by",
            "inspected_by_name",
        ]
        read_only_fields = fields


class CautionOut(serializers.Serializer[Any]):
    key = serializers.CharField()
    words = serializers.CharField()
    basis = serializers.CharField()
    confidence = serializers.CharField()


class HandoverOut(serializers.ModelSerializer[Handover]):
    order_number = serializers.CharField(source="order.number", read_only=True)
    advice = serializers.ListField(child=serializers.CharField(), read_only=True)
    cautions = CautionOut(many=True, read_only=True)
    cautions_note = serializers.SerializerMethodField()
    supervised_by_name = serializers.CharField(source="supervised_by", read_only=True, allow_null=True)
    handed_over_by_name = serializers.CharField(source="handed_over_by", read_only=True, allow_null=True)

    class Meta:
        model = Handover
        fields = [
            "id",
            "branch",
            "order",
            "order_number",
            "inspection",
            "collected_by",
            "advice",
            "cautions",
            "cautions_note",
            "is_restricted",
            "supervised_by",
            "supervised_by_name",
            "supervisor_registration",
            "handed_over_at",
            "handed_over_by",
            "handed_over_by_name",
        ]
        read_only_fields = fields

    def get_cautions_note(self, handover: Handover) -> str:
        return cautions.CLOSING


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Collected by the wearer",
            value={"order": _ID, "advice": ["Adjusted to the face", "Cleaning explained"], "supervised_by": _ID},
        )
    ]
)
class HandoverRecordIn(StrictSerializer):
    order = serializers.UUIDField()
    collected_by = TextField(
        required=False, allow_blank=True, max_length=120, help_text="Who took the pair, if not the wearer"
    )
    advice = serializers.ListField(child=TextField(max_length=300), required=False, max_length=20)
    supervised_by = serializers.UUIDField(
        required=False,
        allow_null=True,
        help_text="The registrant who supervises; needed where the supply is restricted",
    )
