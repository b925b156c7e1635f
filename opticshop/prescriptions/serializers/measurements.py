"""Shapes of measurements."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, UnitDecimalField

from ..models import Measurement
from .prescriptions import DoubtOut

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
_EXAMPLE = {
    "customer": _ID,
    "frame": _ID,
    "method": "ruler",
    "pd_right_mm": "31.5",
    "pd_left_mm": "32.0",
    "height_right_mm": "20.0",
    "height_left_mm": "19.5",
    "vertex_distance_mm": "13.0",
    "pantoscopic_deg": "9.0",
    "wrap_deg": "5.0",
}


def _mm(help_text: str = "") -> UnitDecimalField:
    return UnitDecimalField(
        unit="mm", max_digits=4, decimal_places=1, required=False, allow_null=True, help_text=help_text
    )


def _deg(help_text: str = "") -> UnitDecimalField:
    return UnitDecimalField(
        unit="degrees", max_digits=4, decimal_places=1, required=False, allow_null=True, help_text=help_text
    )


@extend_schema_serializer(examples=[OpenApiExample("Per eye, in the chosen frame", value=_EXAMPLE)])
class MeasurementTakeIn(StrictSerializer):
    customer = serializers.UUIDField()
    frame = serializers.UUIDField(
        required=False, allow_null=True, help_text="The frame that was worn; needed for heights, tilt and wrap"
    )
    method = serializers.ChoiceField(Measurement.Method.choices)
    taken_at = serializers.DateTimeField(required=False, allow_null=True, help_text="Now if left out")
    pd_right_mm = _mm("Middle of the bridge to the pupil centre, far")
    pd_left_mm = _mm()
    pd_mm = _mm("Binocular, far; added up from the monocular ones if left out")
    near_pd_right_mm = _mm()
    near_pd_left_mm = _mm()
    near_pd_mm = _mm("Binocular, near; added up from the monocular ones if left out")
    height_right_mm = _mm("Above the lowest tangent of the box")
    height_left_mm = _mm()
    vertex_distance_mm = _mm("As worn")
    pantoscopic_deg = _deg("As worn, lower rim towards the face positive")
    wrap_deg = _deg("Face-form angle of each lens")


class MeasurementOut(serializers.ModelSerializer[Measurement]):
    warnings = serializers.SerializerMethodField()

    class Meta:
        model = Measurement
        fields = [
            "id",
            "branch",
            "customer",
            "frame",
            "taken_at",
            "taken_by",
            "method",
            "pd_right_mm",
            "pd_left_mm",
            "pd_mm",
            "near_pd_right_mm",
            "near_pd_left_mm",
            "near_pd_mm",
            "height_right_mm",
            "height_left_mm",
            "vertex_distance_mm",
            "pantoscopic_deg",
            "wrap_deg",
            "created_at",
            "warnings",
        ]
        read_only_fields = fields

    @extend_schema_field(DoubtOut(many=True))  # type: ignore[untyped-decorator]
    def get_warnings(self, measurement: Measurement) -> Any:
        return measurement.warnings
