from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField

from .models import Frame, LensProduct, LensSurface, ServiceItem, TaxCategory, TaxRate

_SKU = r"^[A-Za-z0-9][A-Za-z0-9._/-]{0,39}$"
_ARTICLE = ["id", "sku", "name", "price", "currency", "tax_category", "is_active", "created_at", "version"]


def _length(**kwargs: Any) -> UnitDecimalField:
    return UnitDecimalField(unit="mm", max_digits=6, decimal_places=2, **kwargs)


def _power(**kwargs: Any) -> UnitDecimalField:
    return UnitDecimalField(unit="dioptres", max_digits=5, decimal_places=2, **kwargs)


def _price(**kwargs: Any) -> serializers.DecimalField:
    return UnitDecimalField(
        unit="the article's currency, tax included", max_digits=10, decimal_places=2, min_value=0, **kwargs
    )


class QuestionOut(serializers.Serializer[Any]):
    """Something unusual about what was written. It is kept as sent; look at it again."""

    code = serializers.CharField()
    field = serializers.CharField(help_text="Where in the request.")
    detail = serializers.CharField()


class _Asks(serializers.Serializer[Any]):
    warnings = QuestionOut(many=True, read_only=True, help_text="Unusual values, to be looked at again.")


class _SomethingToChange(StrictSerializer):
    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one field to change.", code="empty")
        return attrs


class _ArticleIn(StrictSerializer):
    sku = serializers.RegexField(_SKU, help_text="Your own code of the article; it cannot be changed.")
    name = TextField(max_length=120)
    price = _price()
    currency = serializers.RegexField(r"^[A-Z]{3}$", required=False, help_text="ISO 4217; GBP when left out.")
    tax_category = serializers.ChoiceField(TaxCategory.choices, required=False)
    is_active = serializers.BooleanField(required=False)


class _ArticleChangeIn(_SomethingToChange):
    name = TextField(max_length=120, required=False)
    price = _price(required=False)
    tax_category = serializers.ChoiceField(TaxCategory.choices, required=False)
    is_active = serializers.BooleanField(required=False)


class FrameOut(serializers.ModelSerializer[Frame]):
    class Meta:
        model = Frame
        fields = [
            *_ARTICLE,
            "maker",
            "colour",
            "material",
            "mount",
            "box_width_mm",
            "box_height_mm",
            "bridge_mm",
            "effective_diameter_mm",
            "side_length_mm",
            "gtin",
        ]
        read_only_fields = fields


class FrameWrittenOut(_Asks, FrameOut):
    class Meta(FrameOut.Meta):
        fields = [*FrameOut.Meta.fields, "warnings"]
        read_only_fields = fields


_GTIN = "8, 12, 13 or 14 digits with a right check digit; kept as 14."


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A frame",
            value={
                "sku": "HERON-50-TEAL",
                "name": "Heron 50 teal (invented)",
                "price": "95.00",
                "material": "acetate",
                "box_width_mm": "50",
                "box_height_mm": "38",
                "bridge_mm": "18",
                "effective_diameter_mm": "54",
                "side_length_mm": "145",
                "gtin": "4006381333931",
            },
        )
    ]
)
class FrameAddIn(_ArticleIn):
    maker = TextField(max_length=80, required=False, allow_blank=True)
    colour = TextField(max_length=60, required=False, allow_blank=True)
    material = serializers.ChoiceField(Frame.Material.choices)
    mount = serializers.ChoiceField(Frame.Mount.choices, required=False)
    box_width_mm = _length(help_text="A, the width of the box around the lens.")
    box_height_mm = _length(help_text="B, the height of the box around the lens.")
    bridge_mm = _length(help_text="DBL, the distance between the boxes.")
    effective_diameter_mm = _length(help_text="ED, twice the farthest distance from the boxed centre to the edge.")
    side_length_mm = _length(required=False, allow_null=True)
    gtin = TextField(max_length=20, required=False, allow_blank=True, trim_whitespace=False, help_text=_GTIN)


@extend_schema_serializer(
    examples=[OpenApiExample("A new price", value={"price": "89.00"}), OpenApiExample("B", {"box_height_mm": "37.5"})]
)
class FrameChangeIn(_ArticleChangeIn):
    maker = TextField(max_length=80, required=False, allow_blank=True)
    colour = TextField(max_length=60, required=False, allow_blank=True)
    material = serializers.ChoiceField(Frame.Material.choices, required=False)
    mount = serializers.ChoiceField(Frame.Mount.choices, required=False)
    box_width_mm = _length(required=False)
    box_height_mm = _length(required=False)
    bridge_mm = _length(required=False)
    effective_diameter_mm = _length(required=False)
    side_length_mm = _length(required=False, allow_null=True)
    gtin = TextField(max_length=20, required=False, allow_blank=True, trim_whitespace=False, help_text=_GTIN)


class SurfaceOut(serializers.ModelSerializer[LensSurface]):
    class Meta:
        model = LensSurface
        fields = [
            "sphere_from_dpt",
            "sphere_to_dpt",
            "front_power_dpt",
            "centre_thickness_mm",
            "edge_thickness_mm",
        ]
        read_only_fields = fields


class LensOut(serializers.ModelSerializer[LensProduct]):
    surfaces = SurfaceOut(many=True, read_only=True)

    class Meta:
        model = LensProduct
        fields = [
            *_ARTICLE,
            "kind",
            "supply",
            "material",
            "index",
            "abbe",
            "density_g_cm3",
            "coating",
            "transmittance_percent",
            "impact_resistant",
            "diameter_mm",
            "usable_diameter_mm",
            "sphere_min_dpt",
            "sphere_max_dpt",
            "cylinder_max_dpt",
            "addition_min_dpt",
            "addition_max_dpt",
            "power_step_dpt",
            "minimum_fitting_height_mm",
            "gtin",
            "surfaces",
        ]
        read_only_fields = fields


class LensWrittenOut(_Asks, LensOut):
    class Meta(LensOut.Meta):
        fields = [*LensOut.Meta.fields, "warnings"]
        read_only_fields = fields


class SurfaceIn(StrictSerializer):
    sphere_from_dpt = _power(help_text="First sphere made with this surface, minus-cylinder form.")
    sphere_to_dpt = _power(help_text="Last sphere made with this surface.")
    front_power_dpt = _power(help_text="Front surface power at the material's own index, not a tool's.")
    centre_thickness_mm = _length(help_text="Least centre thickness; a plus lens may need more.")
    edge_thickness_mm = _length(required=False, help_text="Least edge thickness of a plus lens; 1.00 when left out.")


class _LensDetails(StrictSerializer):
    coating = TextField(max_length=60, required=False, allow_blank=True)
    transmittance_percent = UnitDecimalField(
        unit="percent", max_digits=4, decimal_places=1, required=False, allow_null=True
    )
    impact_resistant = serializers.BooleanField(required=False)
    addition_min_dpt = _power(required=False, allow_null=True)
    addition_max_dpt = _power(required=False, allow_null=True)
    power_step_dpt = _power(required=False, help_text="0.25 when left out.")
    minimum_fitting_height_mm = _length(required=False, allow_null=True)
    gtin = TextField(max_length=20, required=False, allow_blank=True, trim_whitespace=False, help_text=_GTIN)


_SURFACES = [
    {
        "sphere_from_dpt": "-6.00",
        "sphere_to_dpt": "-2.25",
        "front_power_dpt": "3.00",
        "centre_thickness_mm": "2.00",
    },
    {
        "sphere_from_dpt": "-2.00",
        "sphere_to_dpt": "4.00",
        "front_power_dpt": "5.50",
        "centre_thickness_mm": "2.00",
    },
]


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A finished single vision lens",
            value={
                "sku": "SV-150-70",
                "name": "Clear 1.5 finished, 70 mm (invented)",
                "price": "32.50",
                "kind": "single_vision",
                "supply": "finished",
                "material": "Allyl diglycol carbonate",
                "index": "1.498",
                "abbe": "58",
                "density_g_cm3": "1.32",
                "diameter_mm": "70",
                "usable_diameter_mm": "68",
                "sphere_min_dpt": "-6.00",
                "sphere_max_dpt": "4.00",
                "cylinder_max_dpt": "2.00",
                "surfaces": _SURFACES,
            },
        )
    ]
)
class LensAddIn(_ArticleIn, _LensDetails):
    kind = serializers.ChoiceField(LensProduct.Kind.choices)
    supply = serializers.ChoiceField(LensProduct.Supply.choices)
    material = TextField(max_length=60)
    index = serializers.DecimalField(max_digits=4, decimal_places=3, help_text="Refractive index of the material.")
    abbe = serializers.DecimalField(max_digits=4, decimal_places=1)
    density_g_cm3 = UnitDecimalField(unit="g/cm3", max_digits=4, decimal_places=2)
    diameter_mm = _length()
    usable_diameter_mm = _length()
    sphere_min_dpt = _power()
    sphere_max_dpt = _power()
    cylinder_max_dpt = _power(help_text="Largest cylinder, minus form, as a positive number.")
    surfaces: Any = serializers.ListSerializer(child=SurfaceIn(), min_length=1, max_length=100)


@extend_schema_serializer(
    examples=[OpenApiExample("A new price", {"price": "34.00"}), OpenApiExample("Surfaces", {"surfaces": _SURFACES})]
)
class LensChangeIn(_ArticleChangeIn, _LensDetails):
    """The material, kind and supply of a lens cannot be changed: that is another product."""

    diameter_mm = _length(required=False)
    usable_diameter_mm = _length(required=False)
    sphere_min_dpt = _power(required=False)
    sphere_max_dpt = _power(required=False)
    cylinder_max_dpt = _power(required=False)
    surfaces: Any = serializers.ListSerializer(
        child=SurfaceIn(),
        min_length=1,
        max_length=100,
        required=False,
        help_text="All surfaces; they replace the present ones.",
    )


class ServiceOut(serializers.ModelSerializer[ServiceItem]):
    class Meta:
        model = ServiceItem
        fields = [*_ARTICLE, "is_dispensing"]
        read_only_fields = fields


_DISPENSING = "Charged once on every pair of spectacles; one active service of the group can be this."


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Dispensing",
            value={
                "sku": "DISP",
                "name": "Dispensing: measuring and fitting",
                "price": "60.00",
                "tax_category": "exempt",
                "is_dispensing": True,
            },
        )
    ]
)
class ServiceAddIn(_ArticleIn):
    is_dispensing = serializers.BooleanField(required=False, help_text=_DISPENSING)


@extend_schema_serializer(examples=[OpenApiExample("Retire a service", value={"is_active": False})])
class ServiceChangeIn(_ArticleChangeIn):
    is_dispensing = serializers.BooleanField(required=False, help_text=_DISPENSING)


class TaxRateOut(serializers.ModelSerializer[TaxRate]):
    class Meta:
        model = TaxRate
        fields = ["id", "jurisdiction", "category", "percent", "valid_from", "source", "confidence", "created_at"]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A standard rate",
            value={
                "jurisdiction": "GB",
                "category": "standard",
                "percent": "20.00",
                "valid_from": "2011-01-04",
                "source": "Ask your accountant for the rule in force and name it here",
                "confidence": "unchecked example",
            },
        )
    ]
)
class TaxRateAddIn(StrictSerializer):
    jurisdiction = serializers.RegexField(r"^[A-Z][A-Z0-9-]{1,19}$", help_text="As the branches name theirs.")
    category = serializers.ChoiceField(TaxCategory.choices)
    percent = UnitDecimalField(unit="percent", max_digits=5, decimal_places=2, min_value=0, max_value=99)
    valid_from = serializers.DateField()
    source = TextField(max_length=200, help_text="Where the rate is written.")  # type: ignore[assignment]
    confidence = TextField(max_length=40)
