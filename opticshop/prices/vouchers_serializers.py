from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.requests import actor_of
from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField
from opticshop.core.showing import shown

from .bands import Power
from .permissions import PricePermission
from .vouchers_models import ClaimAdjustment, SchemeClaim, SchemeValue, SchemeVoucher

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
_SCHEME = "uk-optical-voucher"
_POWERS = {"right": {"sphere": "-6.25", "cylinder": "-0.50"}, "left": {"sphere": "-5.75"}}
_MONEY = "the currency of the scheme"


class FactOut(serializers.Serializer[Any]):
    """One fact of a scheme, and how sure it is."""

    code = serializers.CharField()
    words = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    confidence = serializers.CharField()


class GroundOut(FactOut):
    age_from = serializers.IntegerField(allow_null=True)
    age_to = serializers.IntegerField(allow_null=True)


class SupplementOut(FactOut):
    most = serializers.IntegerField(help_text="Of one voucher")


class SchemeOut(serializers.Serializer[Any]):
    """The rules of a scheme. Facts of law: defer to the regulations in force and to the company's adviser."""

    key = serializers.CharField()
    title = serializers.CharField()
    country = serializers.CharField()
    currency = serializers.CharField()
    nations = serializers.ListField(child=serializers.CharField(), help_text="ISO 3166-2 parts of the country")
    single_vision = serializers.ListField(child=serializers.CharField(), help_text="Bands, weakest first")
    multifocal = serializers.ListField(child=serializers.CharField(), help_text="Bands, weakest first")
    stated = serializers.ListField(child=serializers.CharField(), help_text="Bands that no power decides")
    supplements = SupplementOut(many=True)
    grounds = GroundOut(many=True)
    evidence = FactOut(many=True)
    notes = serializers.ListField(child=serializers.CharField())


class SchemeValueOut(serializers.ModelSerializer[SchemeValue]):
    class Meta:
        model = SchemeValue
        fields = [
            "id",
            "scheme",
            "nation",
            "kind",
            "code",
            "amount",
            "currency",
            "valid_from",
            "valid_to",
            "published_on",
            "source",
            "confidence",
            "is_example",
            "entered_by",
            "withdrawn_at",
            "withdrawn_reason",
            "created_at",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A value from the first of April",
            value={
                "scheme": _SCHEME,
                "nation": "ENG",
                "kind": "band",
                "code": "A",
                "amount": "45.00",
                "valid_from": "2030-04-01",
                "published_on": "2030-03-10",
                "source": "Letter of the department (invented)",
                "confidence": "read in the letter",
            },
        )
    ]
)
class SchemeValueAddIn(StrictSerializer):
    scheme = TextField(max_length=40)
    nation = TextField(max_length=6)
    kind = serializers.ChoiceField(SchemeValue.Kind.choices)
    code = TextField(max_length=20)
    amount = UnitDecimalField(unit=_MONEY, max_digits=7, min_value=0)
    valid_from = serializers.DateField(help_text="Counts for vouchers issued from this day on, also one in the past")
    valid_to = serializers.DateField(required=False, help_text="Last day; left out: until a later value")
    published_on = serializers.DateField(help_text="When it was made known")
    source = TextField(max_length=300)  # type: ignore[assignment]
    confidence = TextField(max_length=120)


@extend_schema_serializer(examples=[OpenApiExample("Typed wrongly", value={"reason": "A digit too many"})])
class SchemeReasonIn(StrictSerializer):
    reason = TextField(max_length=200)


class PowerIn(StrictSerializer):
    sphere = UnitDecimalField(unit="dioptres", max_digits=4, min_value=-40, max_value=40)
    cylinder = UnitDecimalField(unit="dioptres", max_digits=4, min_value=-15, max_value=15, required=False)


class SupplementIn(StrictSerializer):
    code = TextField(max_length=20)
    quantity = serializers.IntegerField(min_value=1, max_value=9, required=False, help_text="1 by default")


class _Lenses(StrictSerializer):
    """The lenses as prescribed, and what else the form asks for."""

    scheme = TextField(max_length=40)
    right = PowerIn(required=False)
    left = PowerIn(required=False)
    is_multifocal = serializers.BooleanField(required=False)
    supplements = SupplementIn(many=True, required=False, max_length=10)  # type: ignore[call-arg]

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """``eyes`` and ``supplements`` as the services want them."""
        attrs["eyes"] = {eye: Power(**attrs.pop(eye)) for eye in ("right", "left") if eye in attrs}
        given = attrs.pop("supplements", [])
        attrs["supplements"] = {part["code"]: part.get("quantity", 1) for part in given}
        if len(attrs["supplements"]) != len(given):
            raise serializers.ValidationError({"supplements": ["Name each once, with its quantity."]}, code="twice")
        return attrs


@extend_schema_serializer(
    examples=[OpenApiExample("Two lenses", value={"scheme": _SCHEME, "nation": "ENG", **_POWERS})]
)
class BandFindIn(_Lenses):
    nation = TextField(max_length=6)
    issued_on = serializers.DateField(required=False, help_text="Today by default")


class BandWorthOut(serializers.Serializer[Any]):
    band = serializers.CharField()
    face_value = serializers.DecimalField(10, 2, allow_null=True, help_text="With the supplements; null: not known")
    missing = serializers.CharField(help_text="Which value head office has not entered; empty where none is missing")


class BandFoundOut(serializers.Serializer[Any]):
    """The band of a pair and what it is worth; where in doubt, what else it may be."""

    band = serializers.CharField()
    possible = BandWorthOut(many=True, help_text="Weakest first; more than one where it is in doubt")
    is_doubtful = serializers.BooleanField()
    decided_by = serializers.CharField(help_text="The stronger eye")
    warnings = serializers.ListField(child=serializers.CharField())
    currency = serializers.CharField()


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A child's voucher",
            value={
                "branch": _ID,
                "customer": _ID,
                "scheme": _SCHEME,
                "nation": "ENG",
                "reference": "V-000001",
                "issued_on": "2026-03-01",
                "eligibility": "under_16",
                "evidence": "identity_document",
                **_POWERS,
                "supplements": [{"code": "small_frame"}],
            },
        )
    ]
)
class VoucherGrantIn(_Lenses):
    branch = serializers.UUIDField()
    customer = serializers.UUIDField()
    nation = TextField(max_length=6, required=False, help_text="The branch's by default")
    reference = TextField(max_length=40, help_text="Number of the voucher form, unique in the scheme")
    issued_on = serializers.DateField()
    use_by = serializers.DateField(required=False, help_text="Last day on which it can be redeemed, if there is one")
    eligibility = TextField(max_length=30, help_text="A ground of the scheme")
    evidence = TextField(max_length=30, help_text="Kind of evidence that you saw; no copy is kept")
    band = TextField(
        max_length=2, required=False, help_text="As the form states it: settles a doubt, or where no power decides"
    )
    prescription = serializers.UUIDField(
        required=False, help_text="Of the same customer; the powers above are what counts"
    )


class EntitlementOut(serializers.ModelSerializer[SchemeVoucher]):
    """Health and means: band, powers, why the customer is entitled, what was seen and by whom."""

    class Meta:
        model = SchemeVoucher
        fields = [
            "band",
            "powers",
            "supplements",
            "warnings",
            "eligibility",
            "evidence",
            "evidence_seen_at",
            "evidence_seen_by",
            "prescription",
        ]
        read_only_fields = fields


class SchemeVoucherOut(serializers.ModelSerializer[SchemeVoucher]):
    entitlement = serializers.SerializerMethodField()

    class Meta:
        model = SchemeVoucher
        fields = [
            "id",
            "branch",
            "customer",
            "scheme",
            "nation",
            "reference",
            "issued_on",
            "use_by",
            "face_value",
            "currency",
            "state",
            "document",
            "price",
            "redeemed_amount",
            "redeemed_at",
            "claim",
            "payer_reference",
            "settled_on",
            "reason",
            "entitlement",
            "created_at",
        ]
        read_only_fields = fields

    @extend_schema_field(EntitlementOut(allow_null=True))
    def get_entitlement(self, voucher: SchemeVoucher) -> Any:
        """Null for whoever may not grant vouchers in the branch."""
        if not actor_of(self.context["request"]).may(PricePermission.GRANT, voucher.branch_id):
            return None
        return shown(EntitlementOut, voucher)


@extend_schema_serializer(
    examples=[OpenApiExample("Paid in full", value={"paid_on": "2026-03-31", "payer_reference": "P-0001"})]
)
class ClaimPaidIn(StrictSerializer):
    paid_on = serializers.DateField()
    amount = UnitDecimalField(
        unit=_MONEY, max_digits=8, min_value=0, required=False, help_text="Where it is not what was claimed"
    )
    payer_reference = TextField(max_length=80, required=False, allow_blank=True)


@extend_schema_serializer(
    examples=[OpenApiExample("Paid in full", value={"paid_on": "2026-03-31", "payer_reference": "P-0001"})]
)
class ClaimsPaidIn(StrictSerializer):
    paid_on = serializers.DateField()
    payer_reference = TextField(max_length=80, required=False, allow_blank=True)


@extend_schema_serializer(
    examples=[OpenApiExample("Rejected", value={"rejected_on": "2026-03-31", "reason": "Signature missing"})]
)
class ClaimRejectedIn(StrictSerializer):
    rejected_on = serializers.DateField()
    reason = TextField(max_length=200)
    payer_reference = TextField(max_length=80, required=False, allow_blank=True)


@extend_schema_serializer(
    examples=[
        OpenApiExample("All that is redeemed", value={"branch": _ID, "scheme": _SCHEME, "nation": "ENG"}),
        OpenApiExample("Some, named", value={"branch": _ID, "scheme": _SCHEME, "nation": "ENG", "vouchers": [_ID]}),
    ]
)
class ClaimsSubmitIn(StrictSerializer):
    branch = serializers.UUIDField()
    scheme = TextField(max_length=40)
    nation = TextField(max_length=6, required=False, help_text="The branch's by default")
    vouchers = serializers.ListField(
        child=serializers.UUIDField(),
        required=False,
        min_length=1,
        max_length=500,
        help_text="Left out: all that are redeemed. A rejected one is sent again when it is named.",
    )


class SchemeClaimOut(serializers.ModelSerializer[SchemeClaim]):
    class Meta:
        model = SchemeClaim
        fields = [
            "id",
            "branch",
            "number",
            "scheme",
            "nation",
            "submitted_on",
            "submitted_by",
            "voucher_count",
            "adjustment_count",
            "total",
            "currency",
            "created_at",
        ]
        read_only_fields = fields


class ClaimsSettledOut(serializers.Serializer[Any]):
    vouchers = serializers.IntegerField()
    adjustments = serializers.IntegerField()


class ClaimAdjustmentOut(serializers.ModelSerializer[ClaimAdjustment]):
    class Meta:
        model = ClaimAdjustment
        fields = [
            "id",
            "branch",
            "voucher",
            "cause",
            "sequence",
            "amount",
            "currency",
            "reason",
            "state",
            "claim",
            "created_at",
        ]
        read_only_fields = fields


class AdjustmentsMadeOut(serializers.Serializer[Any]):
    made = serializers.IntegerField()
    total = serializers.DecimalField(10, 2)
    currency = serializers.CharField()
