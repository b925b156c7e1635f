"""Shapes of prescriptions. What a shape lets through is judged by the services, with an error of its own each."""

from __future__ import annotations

import uuid
from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core import clock
from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField
from opticshop.core.showing import shown

from ..computing import computed
from ..doubts import doubts_about
from ..models import DispensingOverride, Eye, PrescribedEye, PrescribedPrism, Prescription
from ..validity import Status, status_on
from ..written import WrittenEye, WrittenPrescription, WrittenPrism, as_written

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
_WRITTEN = {
    "purpose": "general",
    "issued_on": "2026-02-20",
    "prescriber": {
        "name": "R. Sorrel (invented)",
        "registration": "01-00001",
        "practice": "Sorrel Eye Care (invented)",
    },
    "recall_months": 24,
    "vertex_distance_mm": "12.0",
    "right": {"sphere_dpt": "-3.50", "cylinder_dpt": "-2.00", "axis_deg": 175, "addition_dpt": "2.00"},
    "left": {
        "sphere_dpt": "-3.25",
        "cylinder_dpt": "-1.50",
        "axis_deg": 5,
        "addition_dpt": "2.00",
        "prism": [{"amount_dpt": "1.00", "base": "in"}, {"amount_dpt": "0.50", "base": "down"}],
    },
}


def _power(**kwargs: Any) -> UnitDecimalField:
    """Wider than what is accepted, so that a power off the grid or out of bounds is answered by its own rule."""
    return UnitDecimalField(unit="D", max_digits=10, decimal_places=6, **kwargs)


class PrismIn(StrictSerializer):
    amount_dpt = _power(help_text="Prism dioptres, positive")
    base = serializers.ChoiceField(PrescribedPrism.Base.choices, required=False, allow_null=True)
    base_deg = UnitDecimalField(
        unit="degrees, 0 to 360 as the examiner faces the wearer",
        max_digits=4,
        decimal_places=1,
        required=False,
        allow_null=True,
    )


class EyeIn(StrictSerializer):
    entry = serializers.ChoiceField(PrescribedEye.Entry.choices, default=PrescribedEye.Entry.LENS)
    sphere_dpt = _power(required=False, allow_null=True)
    cylinder_dpt = _power(required=False, allow_null=True)
    axis_deg = serializers.IntegerField(required=False, allow_null=True, help_text="1 to 180, only with a cylinder")
    addition_dpt = _power(required=False, allow_null=True)
    prism = serializers.ListField(child=PrismIn(), required=False, max_length=4)


class PrescriberIn(StrictSerializer):
    name = TextField(max_length=120, required=False, allow_blank=True, default="", help_text="Must be stated")
    registration = TextField(max_length=40, required=False, allow_blank=True, default="")
    practice = TextField(max_length=200, required=False, allow_blank=True, default="")


class _PrescriptionIn(StrictSerializer):
    purpose = serializers.ChoiceField(Prescription.Purpose.choices, default=Prescription.Purpose.GENERAL)
    issued_on = serializers.DateField()
    expires_on = serializers.DateField(
        required=False, allow_null=True, help_text="Last day of use if the prescriber states one; else from the rules"
    )
    prescriber = PrescriberIn(required=False, allow_null=True, help_text="Must be stated")
    recall_months = serializers.IntegerField(required=False, allow_null=True, min_value=1, max_value=120)
    vertex_distance_mm = UnitDecimalField(
        unit="mm", max_digits=4, decimal_places=1, required=False, allow_null=True, help_text="At which it was tested"
    )
    note = TextField(max_length=2000, required=False, allow_blank=True, default="")
    right = EyeIn()
    left = EyeIn()


@extend_schema_serializer(examples=[OpenApiExample("Two eyes with prism", value={"customer": _ID, **_WRITTEN})])
class PrescriptionRecordIn(_PrescriptionIn):
    customer = serializers.UUIDField()


@extend_schema_serializer(
    examples=[OpenApiExample("A corrected axis", value={"reason": "Axis misread: 5, not 15", **_WRITTEN})]
)
class PrescriptionAmendIn(_PrescriptionIn):
    reason = TextField(max_length=300)


@extend_schema_serializer(
    examples=[OpenApiExample("For one day", value={"reason": "Spectacles broken; examination booked for next week"})]
)
class OverrideIn(StrictSerializer):
    reason = TextField(max_length=500)
    valid_until = serializers.DateField(required=False, allow_null=True, help_text="Today if left out")


def written_from(body: dict[str, Any]) -> WrittenPrescription:
    """What a validated body says, as plain values; an absent cylinder is none, a null is left out."""
    prescriber = body.get("prescriber") or {}
    return WrittenPrescription(
        right=_written_eye(body["right"]),
        left=_written_eye(body["left"]),
        prescriber_name=prescriber.get("name", ""),
        prescriber_registration=prescriber.get("registration", ""),
        prescriber_practice=prescriber.get("practice", ""),
        purpose=body["purpose"],
        issued_on=body["issued_on"],
        expires_on=body.get("expires_on"),
        recall_months=body.get("recall_months"),
        vertex_distance_mm=body.get("vertex_distance_mm"),
        note=body["note"],
    )


def _written_eye(body: dict[str, Any]) -> WrittenEye:
    return WrittenEye(
        entry=body["entry"],
        sphere_dpt=body.get("sphere_dpt"),
        cylinder_dpt=body.get("cylinder_dpt") or Decimal(0),
        axis_deg=body.get("axis_deg"),
        addition_dpt=body.get("addition_dpt"),
        prisms=tuple(
            WrittenPrism(prism["amount_dpt"], prism.get("base") or "", prism.get("base_deg"))
            for prism in body.get("prism", ())
        ),
    )


class PowerFormOut(serializers.Serializer[Any]):
    sphere_dpt = UnitDecimalField(unit="D", max_digits=5)
    cylinder_dpt = UnitDecimalField(unit="D", max_digits=5)
    axis_deg = serializers.IntegerField(allow_null=True)


class ComputedEyeOut(serializers.Serializer[Any]):
    """What follows from the power as written. Null where no power is stated."""

    minus_cylinder = PowerFormOut(allow_null=True)
    plus_cylinder = PowerFormOut(allow_null=True)
    spherical_equivalent_dpt = UnitDecimalField(unit="D", decimal_places=3, allow_null=True)
    prism_in_dpt = UnitDecimalField(unit="prism dioptres, base in positive")
    prism_up_dpt = UnitDecimalField(unit="prism dioptres, base up positive")


class PrismOut(serializers.Serializer[Any]):
    amount_dpt = UnitDecimalField(unit="prism dioptres", max_digits=4)
    base = serializers.ChoiceField(PrescribedPrism.Base.choices, allow_blank=True)
    base_deg = UnitDecimalField(unit="degrees", max_digits=4, decimal_places=1, allow_null=True)


class EyeOut(serializers.Serializer[Any]):
    """One eye as written, in the cylinder form of the prescriber, and what follows from it."""

    entry = serializers.ChoiceField(PrescribedEye.Entry.choices)
    sphere_dpt = UnitDecimalField(unit="D", max_digits=5, allow_null=True)
    cylinder_dpt = UnitDecimalField(unit="D", max_digits=5)
    axis_deg = serializers.IntegerField(allow_null=True)
    addition_dpt = UnitDecimalField(unit="D", max_digits=4, allow_null=True)
    prism = PrismOut(many=True, source="prisms")
    computed = ComputedEyeOut()


class PrescriberOut(serializers.Serializer[Any]):
    name = serializers.CharField(source="prescriber_name")
    registration = serializers.CharField(source="prescriber_registration")
    practice = serializers.CharField(source="prescriber_practice")


class DoubtOut(serializers.Serializer[Any]):
    """Something accepted that should be looked at again."""

    code = serializers.CharField()
    field = serializers.CharField()
    detail = serializers.CharField()


class OverrideOut(serializers.ModelSerializer[DispensingOverride]):
    class Meta:
        model = DispensingOverride
        fields = ["id", "prescription", "reason", "granted_by", "valid_until", "created_at"]
        read_only_fields = fields


class PrescriptionOut(serializers.ModelSerializer[Prescription]):
    prescriber = PrescriberOut(source="*")
    right = serializers.SerializerMethodField()
    left = serializers.SerializerMethodField()
    status = serializers.SerializerMethodField()
    days_left = serializers.SerializerMethodField()
    superseded_by = serializers.SerializerMethodField()
    overrides = OverrideOut(many=True)
    warnings = serializers.SerializerMethodField()

    class Meta:
        model = Prescription
        fields = [
            "id",
            "branch",
            "customer",
            "purpose",
            "issued_on",
            "expires_on",
            "expiry_source",
            "prescriber",
            "recall_months",
            "vertex_distance_mm",
            "note",
            "right",
            "left",
            "status",
            "days_left",
            "supersedes",
            "superseded_by",
            "amendment_reason",
            "overrides",
            "recorded_by",
            "created_at",
            "warnings",
        ]
        read_only_fields = fields

    @extend_schema_field(EyeOut)  # type: ignore[untyped-decorator]
    def get_right(self, prescription: Prescription) -> Any:
        return _eye_shown(Eye.RIGHT, as_written(prescription).right)

    @extend_schema_field(EyeOut)  # type: ignore[untyped-decorator]
    def get_left(self, prescription: Prescription) -> Any:
        return _eye_shown(Eye.LEFT, as_written(prescription).left)

    def get_status(self, prescription: Prescription) -> Status:
        successor = getattr(prescription, "superseded_by", None)
        today = clock.today(prescription.branch.time_zone)
        return status_on(today, expires_on=prescription.expires_on, is_superseded=successor is not None)

    def get_days_left(self, prescription: Prescription) -> int:
        """Days until the last day of use; negative once that has passed."""
        return (prescription.expires_on - clock.today(prescription.branch.time_zone)).days

    def get_superseded_by(self, prescription: Prescription) -> uuid.UUID | None:
        successor = getattr(prescription, "superseded_by", None)
        return successor.id if successor else None

    @extend_schema_field(DoubtOut(many=True))  # type: ignore[untyped-decorator]
    def get_warnings(self, prescription: Prescription) -> list[dict[str, str]]:
        return [doubt.as_dict() for doubt in doubts_about(as_written(prescription))]


def _eye_shown(side: str, eye: WrittenEye) -> Any:
    facts = {
        "entry": eye.entry,
        "sphere_dpt": eye.sphere_dpt,
        "cylinder_dpt": eye.cylinder_dpt,
        "axis_deg": eye.axis_deg,
        "addition_dpt": eye.addition_dpt,
        "prisms": eye.prisms,
        "computed": computed(side, eye),
    }
    return shown(EyeOut, facts)
