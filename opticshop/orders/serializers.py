from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core import clock
from opticshop.core.serializers import StrictSerializer, TextField

from . import causes, selectors
from .models import Order, OrderedLens, OrderLine, Promise

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"


class OrderedLensOut(serializers.ModelSerializer[OrderedLens]):
    sku = serializers.CharField(source="product.sku", read_only=True)

    class Meta:
        model = OrderedLens
        fields = [
            "eye",
            "product",
            "sku",
            "sphere_dpt",
            "cylinder_dpt",
            "axis_deg",
            "addition_dpt",
            "prism_in_dpt",
            "prism_up_dpt",
            "centration_distance_mm",
            "centration_height_mm",
            "is_special_order",
        ]
        read_only_fields = fields


class PriceReasonOut(serializers.Serializer[Any]):
    """Why a line costs what it costs: first where its unit price comes from, then what was taken off it."""

    kind = serializers.CharField(help_text="catalogue, price_list, plugin, promotion or tax")
    source = serializers.CharField(  # type: ignore[assignment]
        help_text="Name of the list, the plugin or the tax rule, code of the promotion"
    )
    words = serializers.CharField()
    amount = serializers.DecimalField(10, 2, help_text="The unit price, or what was added; negative is a discount")
    rule = serializers.CharField(allow_blank=True, help_text="The plugin's own name for why")
    price_list = serializers.UUIDField(allow_null=True)
    valid_from = serializers.DateField(allow_null=True, help_text="Day from which the list holds")


LINE_FIELDS = [
    "position",
    "kind",
    "eye",
    "sku",
    "description",
    "quantity",
    "unit_price",
    "discount",
    "discount_reason",
    "gross",
    "tax_category",
    "tax_rate_percent",
    "tax",
    "price_list",
    "reasons",
]


class OrderLineOut(serializers.ModelSerializer[OrderLine]):
    reasons = PriceReasonOut(many=True, read_only=True)

    class Meta:
        model = OrderLine
        fields = LINE_FIELDS
        read_only_fields = fields


class OrderWarningOut(serializers.Serializer[Any]):
    code = serializers.CharField()
    detail = serializers.CharField()
    eye = serializers.CharField(allow_null=True)


class ShiftOut(serializers.Serializer[Any]):
    in_mm = serializers.FloatField()
    up_mm = serializers.FloatField()


class EyeComputationOut(serializers.Serializer[Any]):
    """What was computed for one eye. Powers in dioptres, lengths in millimetres, prism in prism dioptres."""

    prescribed = serializers.CharField(help_text="The prescribed power for this purpose, minus-cylinder form")
    sphere_dpt = serializers.FloatField(help_text="Compensated at the worn vertex distance, not rounded")
    cylinder_dpt = serializers.FloatField()
    axis_deg = serializers.FloatField(allow_null=True)
    decentration_in_mm = serializers.FloatField(help_text="From the boxed centre, inwards positive")
    decentration_up_mm = serializers.FloatField()
    minimum_blank_rule_mm = serializers.FloatField(help_text="Effective diameter + 2 x decentration + allowance")
    minimum_blank_exact_mm = serializers.FloatField(help_text="Around the whole outline")
    blank_diameter_mm = serializers.FloatField()
    cuts_out = serializers.BooleanField()
    clearance_mm = serializers.FloatField(help_text="Least distance from outline with margin to the blank's rim")
    centre_thickness_mm = serializers.FloatField(allow_null=True)
    edge_thinnest_mm = serializers.FloatField(allow_null=True)
    edge_thickest_mm = serializers.FloatField(allow_null=True)
    weight_g = serializers.FloatField(allow_null=True)
    best_shift = ShiftOut(allow_null=True, help_text="Smallest shift of the optical centre with which it would cut out")
    prism_in_dpt = serializers.FloatField(help_text="Induced at the centration point, base in positive")
    prism_up_dpt = serializers.FloatField(help_text="Base up positive")
    prism_without_decentration_in_dpt = serializers.FloatField(
        help_text="What leaving the optical centre in the middle of the box would induce"
    )
    prism_without_decentration_up_dpt = serializers.FloatField()
    chromatic_dpt = serializers.FloatField(help_text="Transverse chromatic aberration 10 mm from the optical centre")
    outline_exponent = serializers.FloatField(allow_null=True, help_text="Of the superellipse assumed without a trace")


class TaxRoundingOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    words = serializers.CharField()


class OrderTaxOut(serializers.Serializer[Any]):
    """What the tax rule of the branch said of this price; left out where tax is as the catalogue marks it."""

    rule = serializers.CharField()
    title = serializers.CharField()
    plugin = serializers.CharField()
    version = serializers.CharField()
    rounding = TaxRoundingOut()
    note = serializers.CharField(allow_blank=True, help_text="To be printed on what the customer gets")
    source = serializers.CharField()  # type: ignore[assignment]
    confidence = serializers.CharField()
    reasons = serializers.DictField(
        child=serializers.CharField(), help_text="Why no tax is due, by the category of the lines it holds for"
    )


class ComputationOut(serializers.Serializer[Any]):
    right = EyeComputationOut(required=False)
    left = EyeComputationOut(required=False)
    centre_distance_mm = serializers.FloatField(allow_null=True, help_text="Between the two centration points")
    relative_prism_in_dpt = serializers.FloatField()
    relative_prism_up_dpt = serializers.FloatField(help_text="Right minus left")
    anisometropia_dpt = serializers.FloatField(required=False)
    reading_imbalance_dpt = serializers.FloatField(required=False, help_text="Vertical, 10 mm below the centres")
    size_difference_percent = serializers.FloatField(required=False, allow_null=True)
    assumptions = serializers.ListField(child=serializers.CharField())
    version = serializers.CharField(help_text="Version of the computation, so that it can be repeated")
    tax = OrderTaxOut(required=False)


class PromiseOut(serializers.ModelSerializer[Promise]):
    basis = serializers.DictField(read_only=True, help_text="What the day was reckoned from")
    made_by_name = serializers.CharField(source="made_by", read_only=True, allow_null=True)

    class Meta:
        model = Promise
        fields = ["promised_on", "reason", "basis", "made_at", "made_by", "made_by_name"]
        read_only_fields = fields


class OrderOut(serializers.ModelSerializer[Order]):
    replaced_by: Any = serializers.PrimaryKeyRelatedField(source="replacements", many=True, read_only=True)
    promises = PromiseOut(many=True, read_only=True)
    is_late = serializers.SerializerMethodField(help_text="Promised for a day that has passed, and not yet ready")
    lenses = OrderedLensOut(many=True, read_only=True)
    lines = OrderLineOut(many=True, read_only=True)
    warnings = OrderWarningOut(many=True, read_only=True)
    computation = ComputationOut(read_only=True)

    class Meta:
        model = Order
        fields = [
            "id",
            "branch",
            "number",
            "customer",
            "prescription",
            "measurement",
            "frame",
            "frame_is_customers",
            "purpose",
            "state",
            "placed_at",
            "promised_on",
            "is_late",
            "promises",
            "replaces",
            "replacement_reason",
            "replaced_by",
            "ready_at",
            "collected_at",
            "cancelled_reason",
            "currency",
            "total",
            "tax_total",
            "promotion_code",
            "quotation",
            "lenses",
            "lines",
            "computation",
            "warnings",
            "note",
            "version",
        ]
        read_only_fields = fields

    def get_is_late(self, order: Order) -> bool:
        return selectors.is_late(order, clock.today(order.branch.time_zone))


class QuoteLineOut(serializers.Serializer[Any]):
    kind = serializers.CharField()
    eye = serializers.CharField()
    sku = serializers.CharField()
    description = serializers.CharField()
    quantity = serializers.IntegerField()
    unit_price = serializers.DecimalField(10, 2)
    discount = serializers.DecimalField(10, 2)
    gross = serializers.DecimalField(10, 2)
    tax_category = serializers.CharField()
    tax_rate_percent = serializers.DecimalField(5, 2)
    tax = serializers.DecimalField(10, 2)
    reasons = PriceReasonOut(many=True)


class QuoteOut(serializers.Serializer[Any]):
    computation = ComputationOut(source="computed.record")
    warnings = OrderWarningOut(many=True, source="computed.warnings")
    lines = QuoteLineOut(many=True)
    total = serializers.DecimalField(10, 2)
    tax_total = serializers.DecimalField(10, 2)
    currency = serializers.CharField(source="wanted.branch.currency")
    promised_on = serializers.DateField()
    promise_reason = serializers.CharField(source="promise.reason")
    promise_basis = serializers.DictField(source="promise.basis", help_text="What the day was reckoned from")


def _treatments() -> serializers.ListField:
    return serializers.ListField(
        child=serializers.UUIDField(), required=False, max_length=10, help_text="Services charged for each lens"
    )


class LensChoiceIn(StrictSerializer):
    right = serializers.UUIDField(required=False, help_text="Lens product for the right eye")
    left = serializers.UUIDField(required=False, help_text="Lens product for the left eye")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Choose a lens for at least one eye.", code="empty")
        return attrs


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A pair for distance",
            value={
                "branch": _ID,
                "customer": _ID,
                "prescription": _ID,
                "measurement": _ID,
                "frame": _ID,
                "lenses": {"right": _ID, "left": _ID},
                "purpose": "distance",
            },
        )
    ]
)
class OrderPlaceIn(StrictSerializer):
    branch = serializers.UUIDField()
    customer = serializers.UUIDField()
    prescription = serializers.UUIDField()
    measurement = serializers.UUIDField()
    frame = serializers.UUIDField()
    frame_is_customers = serializers.BooleanField(default=False)
    lenses = LensChoiceIn()
    purpose = serializers.ChoiceField(["distance", "near"], default="distance")
    promised_on = serializers.DateField(required=False)
    note = TextField(required=False, allow_blank=True, max_length=2000)
    treatments = _treatments()
    promotion_code = TextField(required=False, allow_blank=True, max_length=20, help_text="As given at the till")


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "The prescriber amended the prescription",
            value={
                "prescription": _ID,
                "reason": "Right axis amended by the prescriber",
                "cause": "prescriber_change",
                "borne_by": "prescriber",
            },
        )
    ]
)
class OrderReplaceIn(StrictSerializer):
    """What differs from the order that is replaced; everything else is taken from it."""

    prescription = serializers.UUIDField(required=False)
    measurement = serializers.UUIDField(required=False)
    frame = serializers.UUIDField(required=False)
    frame_is_customers = serializers.BooleanField(required=False)
    lenses = LensChoiceIn(required=False)
    purpose = serializers.ChoiceField(["distance", "near"], required=False)
    promised_on = serializers.DateField(required=False)
    note = TextField(required=False, allow_blank=True, max_length=2000)
    treatments = _treatments()
    promotion_code = TextField(required=False, allow_blank=True, max_length=20, help_text="Empty: without promotion")
    reason = TextField(max_length=300)
    cause = serializers.ChoiceField(causes.OF_ORDERS, required=False, help_text="Why another order stands in its place")
    borne_by = serializers.ChoiceField(
        causes.Bearer.choices, required=False, help_text="Who bears what was spoilt; usual for the cause by default"
    )


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "Customer changed their mind"})])
class OrderCancelIn(StrictSerializer):
    reason = TextField(max_length=300)


@extend_schema_serializer(
    examples=[OpenApiExample("New day", value={"promised_on": "2030-03-09", "reason": "Lens delayed by the supplier"})]
)
class OrderPromiseIn(StrictSerializer):
    promised_on = serializers.DateField()
    reason = TextField(max_length=300)
