from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField
from opticshop.core.showing import shown

from . import limits, schedule, selectors, uncertainties
from .kinds import CalibrationState, InstrumentKind, OutOfCalibration, Quantity
from .models import CheckPiece, CheckReading, Instrument, InstrumentPolicy

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"


def _value(unit: str = "the unit of the quantity", **kwargs: Any) -> UnitDecimalField:
    return UnitDecimalField(unit=unit, max_digits=9, decimal_places=3, **kwargs)


def _uncertainty(unit: str) -> UnitDecimalField:
    return _value(unit, required=False, allow_null=True, min_value=0, max_value=10)


class _SomethingToChange(StrictSerializer):
    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one field to change.", code="empty")
        return attrs


class StandingOut(serializers.Serializer[Any]):
    """One check the instrument needs."""

    quantity = serializers.ChoiceField(Quantity.choices, source="need.quantity")
    words = serializers.CharField(source="need.words")
    interval_days = serializers.IntegerField(source="need.interval_days")
    source = serializers.CharField(source="need.source", help_text="What the interval of the table rests on.")  # type: ignore[assignment]
    confidence = serializers.CharField(source="need.confidence")
    state = serializers.ChoiceField(CalibrationState.choices)
    last_good_at = serializers.DateTimeField(allow_null=True)
    due_on = serializers.DateField(allow_null=True)


class CalibrationOut(serializers.Serializer[Any]):
    """Computed from the checks, today in the branch's zone."""

    state = serializers.ChoiceField(CalibrationState.choices)
    reason = serializers.CharField(help_text="One plain sentence.")
    last_good_at = serializers.DateTimeField(
        allow_null=True, help_text="Earliest of the last good checks that are needed; null while one never passed."
    )
    due_on = serializers.DateField(allow_null=True)
    standings = StandingOut(many=True)


class UncertaintyOut(serializers.Serializer[Any]):
    """Expanded uncertainty (coverage factor 2) of what is read on this instrument."""

    power_dpt = _value("dioptres", allow_null=True)
    prism_dpt = _value("prism dioptres", allow_null=True)
    axis_deg = _value("degrees", allow_null=True)
    length_mm = _value("mm", allow_null=True)


class InstrumentOut(serializers.ModelSerializer[Instrument]):
    calibration = serializers.SerializerMethodField()
    uncertainty = serializers.SerializerMethodField()

    class Meta:
        model = Instrument
        fields = [
            "id",
            "branch",
            "kind",
            "name",
            "serial_number",
            "in_service",
            "out_reason",
            "interval_days",
            "power_uncertainty_dpt",
            "prism_uncertainty_dpt",
            "axis_uncertainty_deg",
            "length_uncertainty_mm",
            "uncertainty",
            "calibration",
            "note",
            "created_at",
            "version",
        ]
        read_only_fields = fields

    @extend_schema_field(CalibrationOut)
    def get_calibration(self, instrument: Instrument) -> Any:
        return shown(CalibrationOut, selectors.calibration_of(instrument))

    @extend_schema_field(UncertaintyOut(allow_null=True))
    def get_uncertainty(self, instrument: Instrument) -> Any:
        found = selectors.uncertainty_for(instrument)
        return None if found is None else shown(UncertaintyOut, found)


class _InstrumentDetails(StrictSerializer):
    serial_number = TextField(max_length=60, required=False, allow_blank=True)
    interval_days = serializers.IntegerField(
        min_value=1, max_value=3660, required=False, allow_null=True, help_text="In place of the intervals of its kind."
    )
    power_uncertainty_dpt = _uncertainty("dioptres, expanded (k=2)")
    prism_uncertainty_dpt = _uncertainty("prism dioptres, expanded (k=2)")
    axis_uncertainty_deg = _uncertainty("degrees, expanded (k=2)")
    length_uncertainty_mm = _uncertainty("mm, expanded (k=2)")
    note = TextField(max_length=500, required=False, allow_blank=True)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A focimeter",
            value={"branch": _ID, "kind": "focimeter", "name": "Focimeter, bench 1", "serial_number": "F-0001"},
        )
    ]
)
class InstrumentAddIn(_InstrumentDetails):
    branch = serializers.UUIDField()
    kind = serializers.ChoiceField(InstrumentKind.choices)
    name = TextField(max_length=80)


@extend_schema_serializer(
    examples=[
        OpenApiExample("Out of service", value={"in_service": False, "out_reason": "Lamp replaced, to be checked"}),
        OpenApiExample("Checked more often", value={"interval_days": 7}),
    ]
)
class InstrumentChangeIn(_InstrumentDetails, _SomethingToChange):
    name = TextField(max_length=80, required=False)
    in_service = serializers.BooleanField(required=False)
    out_reason = TextField(max_length=300, required=False)


class CheckOut(serializers.ModelSerializer[CheckReading]):
    instrument_name = serializers.CharField(source="instrument.name", read_only=True)
    piece_name = serializers.CharField(source="piece.name", read_only=True)
    checked_by_name = serializers.CharField(source="checked_by", read_only=True, allow_null=True)

    class Meta:
        model = CheckReading
        fields = [
            "id",
            "branch",
            "instrument",
            "instrument_name",
            "piece",
            "piece_name",
            "quantity",
            "certified_value",
            "piece_uncertainty",
            "reading",
            "deviation",
            "permitted_error",
            "limit_source",
            "limit_confidence",
            "near_limit",
            "outcome",
            "note",
            "checked_at",
            "checked_by",
            "checked_by_name",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[OpenApiExample("A test lens of +5.00", value={"piece": _ID, "reading": "5.03", "note": "after cleaning"})]
)
class CheckRecordIn(StrictSerializer):
    piece = serializers.UUIDField(help_text="The check piece that was read.")
    reading = _value()
    note = TextField(max_length=300, required=False, allow_blank=True)


class CheckPieceOut(serializers.ModelSerializer[CheckPiece]):
    class Meta:
        model = CheckPiece
        fields = [
            "id",
            "branch",
            "name",
            "quantity",
            "certified_value",
            "uncertainty",
            "permitted_error",
            "certificate",
            "certificate_expires_on",
            "is_active",
            "created_at",
            "version",
        ]
        read_only_fields = fields


class _PieceDetails(StrictSerializer):
    permitted_error = _value(
        required=False,
        allow_null=True,
        min_value=Decimal("0.001"),
        help_text="In place of the table, plus or minus, inclusive.",
    )
    certificate = TextField(max_length=120, required=False, allow_blank=True)
    certificate_expires_on = serializers.DateField(required=False, allow_null=True)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A test lens",
            value={
                "branch": _ID,
                "name": "Test lens +5 (invented)",
                "quantity": "power_dpt",
                "certified_value": "5.01",
                "uncertainty": "0.01",
                "certificate": "C-0001 (invented)",
                "certificate_expires_on": "2029-01-31",
            },
        )
    ]
)
class CheckPieceAddIn(_PieceDetails):
    branch = serializers.UUIDField()
    name = TextField(max_length=80)
    quantity = serializers.ChoiceField(Quantity.choices)
    certified_value = _value()
    uncertainty = _value("the unit of the quantity, expanded (k=2)", required=False, min_value=0)


@extend_schema_serializer(examples=[OpenApiExample("Retired", value={"is_active": False})])
class CheckPieceChangeIn(_PieceDetails, _SomethingToChange):
    name = TextField(max_length=80, required=False)
    is_active = serializers.BooleanField(required=False)


class InstrumentPolicyOut(serializers.ModelSerializer[InstrumentPolicy]):
    class Meta:
        model = InstrumentPolicy
        fields = ["branch", "out_of_calibration", "version"]
        read_only_fields = fields


@extend_schema_serializer(examples=[OpenApiExample("Refuse them", value={"out_of_calibration": "block"})])
class InstrumentPolicyIn(StrictSerializer):
    out_of_calibration = serializers.ChoiceField(OutOfCalibration.choices)


class NeedOut(serializers.Serializer[Any]):
    quantity = serializers.ChoiceField(Quantity.choices)
    interval_days = serializers.IntegerField()
    words = serializers.CharField()
    counts = serializers.BooleanField(help_text="False: advice; missing it does not make the instrument overdue.")
    source = serializers.CharField()  # type: ignore[assignment]
    confidence = serializers.CharField()


class BandOut(serializers.Serializer[Any]):
    up_to = serializers.DecimalField(
        9, 3, allow_null=True, help_text="Absolute certified value, inclusive; null: any larger one."
    )
    permitted = serializers.DecimalField(9, 3, help_text="Plus or minus, inclusive.")


class PermittedOut(serializers.Serializer[Any]):
    quantity = serializers.ChoiceField(Quantity.choices)
    bands = BandOut(many=True)
    source = serializers.CharField()  # type: ignore[assignment]
    confidence = serializers.CharField()


class TypicalOut(serializers.Serializer[Any]):
    uncertainty = UncertaintyOut()
    source = serializers.CharField()  # type: ignore[assignment]
    confidence = serializers.CharField()


class InstrumentKindOut(serializers.Serializer[Any]):
    """The tables this service works with for one kind of instrument, with what each line rests on."""

    kind = serializers.ChoiceField(InstrumentKind.choices)
    words = serializers.CharField()
    schedule = NeedOut(many=True)
    permitted = PermittedOut(many=True)
    typical = TypicalOut(allow_null=True)


def kinds_shown() -> list[dict[str, Any]]:
    """What ``InstrumentKindOut`` shows, for every kind."""
    return [
        {
            "kind": kind.value,
            "words": kind.label,
            "schedule": schedule.SCHEDULE[kind],
            "permitted": [
                {"quantity": quantity, "bands": limit.bands, "source": limit.source, "confidence": limit.confidence}
                for (of, quantity), limit in limits.LIMITS.items()
                if of == kind
            ],
            "typical": uncertainties.TYPICAL.get(kind),
        }
        for kind in InstrumentKind
    ]
