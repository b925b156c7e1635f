from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.catalogue.models import LensProduct
from opticshop.core.serializers import StrictSerializer, UnitDecimalField

from ..finding import BRANCH, HERE, SUPPLIER, Option
from .shared import EYES, ID, OTHER_ID, power_field

_WEARER = {"prescription", "measurement", "frame"}


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "For a wearer",
            value={
                "branch": ID,
                "prescription": OTHER_ID,
                "measurement": OTHER_ID,
                "frame": OTHER_ID,
                "lens": OTHER_ID,
            },
        ),
        OpenApiExample("A bare power", value={"branch": ID, "sphere_dpt": "0.50", "cylinder_dpt": "0.50"}),
    ]
)
class LensFinderIn(StrictSerializer):
    """Either prescription, measurement and frame together, or a bare power."""

    branch = serializers.UUIDField()
    lens = serializers.UUIDField(required=False, help_text="The product that was chosen")
    kind = serializers.ChoiceField(LensProduct.Kind.choices, required=False, help_text="Single vision by default")
    prescription = serializers.UUIDField(required=False)
    measurement = serializers.UUIDField(required=False)
    frame = serializers.UUIDField(required=False)
    eyes = serializers.ListField(child=serializers.ChoiceField(EYES), required=False, min_length=1, max_length=2)
    purpose = serializers.ChoiceField(["distance", "near"], required=False)
    sphere_dpt = power_field(required=False)
    cylinder_dpt = power_field(required=False, help_text="In either form.")
    axis_deg = serializers.IntegerField(min_value=1, max_value=180, required=False)
    addition_dpt = UnitDecimalField(unit="dioptres", max_digits=4, min_value=0, max_value=10, required=False)
    diameter_mm = UnitDecimalField(
        unit="millimetres; the least usable diameter", max_digits=5, min_value=1, max_value=200, required=False
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        wearer = _WEARER & attrs.keys()
        power = {"sphere_dpt", "cylinder_dpt", "axis_deg", "addition_dpt", "diameter_mm"} & attrs.keys()
        if bool(wearer) == ("sphere_dpt" in attrs) or (wearer and power):
            raise serializers.ValidationError(
                "Give prescription, measurement and frame, or a power; not both.", code="one_question"
            )
        if wearer and wearer != _WEARER:
            missing = sorted(_WEARER - wearer)
            raise serializers.ValidationError(dict.fromkeys(missing, "This is needed too."), code="required")
        if not wearer and {"eyes", "purpose"} & attrs.keys():
            raise serializers.ValidationError("Eyes and purpose belong to a prescription.", code="one_question")
        return attrs


class CutOutVerdictOut(serializers.Serializer[Any]):
    is_judged = serializers.BooleanField(help_text="False without a frame or a diameter to judge by")
    cuts_out = serializers.BooleanField(allow_null=True)
    clearance_mm = serializers.FloatField(allow_null=True)
    minimum_blank_mm = serializers.FloatField(allow_null=True)


class OptionOut(serializers.Serializer[Any]):
    place = serializers.ChoiceField([HERE, BRANCH, SUPPLIER])
    product = serializers.UUIDField(source="fit.product.id")
    sku = serializers.CharField(source="fit.product.sku")
    name = serializers.CharField(source="fit.product.name")
    diameter_mm = serializers.DecimalField(source="fit.product.diameter_mm", max_digits=6, decimal_places=2)
    is_wanted_product = serializers.BooleanField()
    sphere_dpt = serializers.DecimalField(
        source="fit.sphere_dpt", max_digits=5, decimal_places=2, help_text="Minus-cylinder form"
    )
    cylinder_dpt = serializers.DecimalField(source="fit.cylinder_dpt", max_digits=5, decimal_places=2)
    axis_deg = serializers.IntegerField(source="fit.axis_deg", allow_null=True)
    addition_dpt = serializers.DecimalField(source="fit.addition_dpt", max_digits=4, decimal_places=2, allow_null=True)
    is_transposed = serializers.BooleanField(help_text="The same power, written in the other cylinder form")
    available = serializers.IntegerField(allow_null=True, help_text="Unpromised pieces there; null at a supplier")
    branch = serializers.SerializerMethodField()
    branch_code = serializers.SerializerMethodField()
    travel_days = serializers.IntegerField(allow_null=True, help_text="Working days")
    supplier = serializers.SerializerMethodField()
    supplier_name = serializers.SerializerMethodField()
    lead_days = serializers.SerializerMethodField(help_text="Working days")
    unit_cost = serializers.SerializerMethodField()
    cost_currency = serializers.SerializerMethodField()
    promised_on = serializers.DateField(help_text="When a pair with this lens could be promised")
    price = serializers.DecimalField(source="fit.product.price", max_digits=10, decimal_places=2)
    currency = serializers.CharField(source="fit.product.currency")
    cut_out = CutOutVerdictOut(source="fit.cut_out")
    reasons = serializers.ListField(child=serializers.CharField())

    @extend_schema_field({"type": ["string", "null"], "format": "uuid"})
    def get_branch(self, option: Option) -> str | None:
        return str(option.branch.id) if option.branch else None

    def get_branch_code(self, option: Option) -> str | None:
        return option.branch.code if option.branch else None

    @extend_schema_field({"type": ["string", "null"], "format": "uuid"})
    def get_supplier(self, option: Option) -> str | None:
        return str(option.source.supplier.id) if option.source else None

    def get_supplier_name(self, option: Option) -> str | None:
        return option.source.supplier.name if option.source else None

    def get_lead_days(self, option: Option) -> int | None:
        return option.source.lead_days if option.source else None

    @extend_schema_field({"type": ["string", "null"], "format": "decimal", "pattern": r"^\d{1,8}\.\d{2}$"})
    def get_unit_cost(self, option: Option) -> str | None:
        return str(option.source.price.unit_cost) if option.source and option.source.price else None

    def get_cost_currency(self, option: Option) -> str | None:
        return option.source.price.currency if option.source and option.source.price else None


class RejectedOut(serializers.Serializer[Any]):
    product = serializers.UUIDField(source="product.id")
    sku = serializers.CharField(source="product.sku")
    name = serializers.CharField(source="product.name")
    reason = serializers.CharField()


class EyeAnswerOut(serializers.Serializer[Any]):
    eye = serializers.ChoiceField([*EYES, "either"])
    options = OptionOut(many=True, help_text="Best first")
    rejected = RejectedOut(many=True, help_text="Products that cannot be used, and why")


class LensFinderOut(serializers.Serializer[Any]):
    branch = serializers.UUIDField()
    eyes = EyeAnswerOut(many=True)
