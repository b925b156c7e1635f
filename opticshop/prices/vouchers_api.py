from __future__ import annotations

from decimal import Decimal
from typing import Any

import django_filters
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.core import clock
from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.customers.filters import CustomerFilter
from opticshop.customers.selectors import customer_get_for
from opticshop.prescriptions.selectors import prescription_get_for

from . import claims_services as claims
from . import vouchers_selectors as selectors
from . import vouchers_services as services
from .permissions import PricePermission
from .schemes import SCHEMES
from .vouchers_models import ClaimAdjustment, SchemeClaim, SchemeValue, SchemeVoucher, VoucherState
from .vouchers_serializers import (
    AdjustmentsMadeOut,
    BandFindIn,
    BandFoundOut,
    ClaimAdjustmentOut,
    ClaimPaidIn,
    ClaimRejectedIn,
    ClaimsPaidIn,
    ClaimsSettledOut,
    ClaimsSubmitIn,
    SchemeClaimOut,
    SchemeOut,
    SchemeReasonIn,
    SchemeValueAddIn,
    SchemeValueOut,
    SchemeVoucherOut,
    VoucherGrantIn,
)

VIEW, EDIT = PricePermission.VIEW, PricePermission.EDIT
GRANT, CLAIM = PricePermission.GRANT, PricePermission.CLAIM


class SchemeViewSet(ApiViewSet):
    """What a public scheme knows: bands, supplements, grounds of entitlement, each with its source and confidence."""

    tag, noun, lists_many = "Prices", "scheme", True
    permissions = {"list": VIEW}
    output = SchemeOut
    summaries = {"list": "The rules of the public schemes, as data"}
    pagination_class = None

    def list(self, request: Request) -> Response:
        return Response(SchemeOut(SCHEMES.values(), many=True).data)


class SchemeValueFilter(django_filters.FilterSet):
    scheme = django_filters.CharFilter(field_name="scheme")
    nation = django_filters.CharFilter(field_name="nation")
    kind = django_filters.ChoiceFilter(choices=SchemeValue.Kind.choices)
    code = django_filters.CharFilter(field_name="code")
    on = django_filters.DateFilter(
        method="by_day", label="Not withdrawn, with days that hold this day; of one code the latest first day counts"
    )

    class Meta:
        model = SchemeValue
        fields: list[str] = []

    def by_day(self, queryset: Any, name: str, value: Any) -> Any:
        return selectors.values_in_force(queryset, value)


class SchemeValueViewSet(ResourceViewSet):
    """What schemes pay, dated. Examples are marked; the values in force are entered by head office."""

    tag, noun = "Prices", "scheme value"
    selector = staticmethod(selectors.scheme_values_visible_to)
    filterset_class = SchemeValueFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": EDIT, "withdraw": EDIT, "adjust": EDIT}
    inputs = {"create": SchemeValueAddIn, "withdraw": SchemeReasonIn}
    outputs = {"adjust": AdjustmentsMadeOut}
    output = SchemeValueOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find values of schemes",
        "retrieve": "Get one value with its source",
        "create": "Enter a value; vouchers already granted keep theirs",
        "withdraw": "Take a wrong value out of use",
        "adjust": "Make the claim adjustments that a value for days gone by calls for; a second time makes none",
    }

    def create(self, request: Request) -> Response:
        return self.answer(services.scheme_value_add(actor=self.actor, **self.read_input()), status=201)

    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: str) -> Response:
        value = self.get_object()
        return self.answer(services.scheme_value_withdraw(actor=self.actor, value=value, **self.read_input()))

    @action(detail=True, methods=["post"])
    def adjust(self, request: Request, pk: str) -> Response:
        value = self.get_object()
        made = claims.claim_adjustments_make(actor=self.actor, value=value)
        total = sum((adjustment.amount for adjustment in made), Decimal("0.00"))
        return self.answer({"made": len(made), "total": total, "currency": value.currency})


class SchemeVoucherFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = CustomerFilter(field_name="customer")
    claim = django_filters.UUIDFilter(field_name="claim_id")
    state = django_filters.MultipleChoiceFilter(distinct=False, choices=VoucherState.choices)
    reference = django_filters.CharFilter(field_name="reference", lookup_expr="iexact")
    document = django_filters.CharFilter(field_name="document", label="What it was redeemed for: orders/<id>")
    issued_from = django_filters.DateFilter(field_name="issued_on", lookup_expr="gte", label="Issued on or after")
    issued_to = django_filters.DateFilter(field_name="issued_on", lookup_expr="lte", label="Issued on or before")

    class Meta:
        model = SchemeVoucher
        fields: list[str] = []


class SchemeVoucherViewSet(ResourceViewSet):
    """Vouchers of public schemes. Payments redeem them; what concerns health and means sees only who may grant."""

    tag, noun = "Prices", "scheme voucher"
    selector = staticmethod(selectors.vouchers_visible_to)
    filterset_class = SchemeVoucherFilter
    permissions = {
        "list": PricePermission.VIEW_VOUCHERS,
        "retrieve": PricePermission.VIEW_VOUCHERS,
        "create": GRANT,
        "cancel": GRANT,
        "band": GRANT,
        "paid": CLAIM,
        "rejected": CLAIM,
        "write_off": CLAIM,
    }
    inputs = {
        "create": VoucherGrantIn,
        "cancel": SchemeReasonIn,
        "band": BandFindIn,
        "paid": ClaimPaidIn,
        "rejected": ClaimRejectedIn,
        "write_off": SchemeReasonIn,
    }
    outputs = {"band": BandFoundOut}
    output = SchemeVoucherOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find vouchers and the state of their claims",
        "retrieve": "Get one voucher",
        "create": "Grant a voucher: band from the powers, face value by the day of issue, evidence as seen",
        "cancel": "Cancel a voucher that is not redeemed, or was rejected",
        "band": "Find the band of a pair and what it is worth; nothing is written",
        "paid": "Record that the scheme paid a voucher",
        "rejected": "Record that the scheme rejected a voucher, and why",
        "write_off": "Let a rejected voucher go",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=GRANT)
        customer = customer_get_for(self.actor, body.pop("customer"))
        nation = body.pop("nation", None) or services.nation_of(branch, body["scheme"])
        key = body.pop("prescription", None)
        granted = services.voucher_grant(
            actor=self.actor,
            branch=branch,
            customer=customer,
            nation=nation,
            prescription=None if key is None else prescription_get_for(self.actor, key),
            **body,
        )
        return self.answer(granted, status=201)

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        voucher = self.get_object()
        return self.answer(services.voucher_cancel(actor=self.actor, voucher=voucher, **self.read_input()))

    @action(detail=False, methods=["post"])
    def band(self, request: Request) -> Response:
        body = self.read_input()
        return self.answer(services.band_worth(day=body.pop("issued_on", None) or clock.now().date(), **body))

    @action(detail=True, methods=["post"])
    def paid(self, request: Request, pk: str) -> Response:
        voucher = self.get_object()
        return self.answer(claims.claim_paid(actor=self.actor, voucher=voucher, **self.read_input()))

    @action(detail=True, methods=["post"])
    def rejected(self, request: Request, pk: str) -> Response:
        voucher = self.get_object()
        return self.answer(claims.claim_rejected(actor=self.actor, voucher=voucher, **self.read_input()))

    @action(detail=True, methods=["post"], url_path="write-off")
    def write_off(self, request: Request, pk: str) -> Response:
        voucher = self.get_object()
        return self.answer(claims.claim_write_off(actor=self.actor, voucher=voucher, **self.read_input()))


class SchemeClaimFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    number = django_filters.CharFilter(field_name="number")

    class Meta:
        model = SchemeClaim
        fields: list[str] = []


class SchemeClaimViewSet(ResourceViewSet):
    """What was sent to a scheme together, numbered without gaps per branch and year."""

    tag, noun = "Prices", "scheme claim"
    selector = staticmethod(selectors.claims_visible_to)
    filterset_class = SchemeClaimFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": CLAIM, "paid": CLAIM}
    inputs = {"create": ClaimsSubmitIn, "paid": ClaimsPaidIn}
    outputs = {"paid": ClaimsSettledOut}
    output = SchemeClaimOut
    idempotent = {"create": "required", "paid": "optional"}
    summaries = {
        "list": "Find claims",
        "retrieve": "Get one claim; its vouchers are scheme-vouchers?claim=",
        "create": "Send the redeemed vouchers and open adjustments of a branch to the scheme",
        "paid": "Record that the scheme paid all of a claim that is not settled yet",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=CLAIM)
        nation = body.pop("nation", None) or services.nation_of(branch, body["scheme"])
        return self.answer(claims.claims_submit(actor=self.actor, branch=branch, nation=nation, **body), status=201)

    @action(detail=True, methods=["post"])
    def paid(self, request: Request, pk: str) -> Response:
        claim = self.get_object()
        vouchers, adjustments = claims.claims_paid(actor=self.actor, claim=claim, **self.read_input())
        return self.answer({"vouchers": vouchers, "adjustments": adjustments})


class ClaimAdjustmentFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    voucher = django_filters.UUIDFilter(field_name="voucher_id")
    claim = django_filters.UUIDFilter(field_name="claim_id")
    cause = django_filters.ChoiceFilter(choices=ClaimAdjustment.Cause.choices)
    is_open = YesNoFilter(method="by_open", label="Still to be claimed")

    class Meta:
        model = ClaimAdjustment
        fields: list[str] = []

    def by_open(self, queryset: Any, name: str, value: bool) -> Any:
        is_open = {"state": ClaimAdjustment.State.OPEN}
        return queryset.filter(**is_open) if value else queryset.exclude(**is_open)


class ClaimAdjustmentViewSet(ResourceViewSet):
    """What is to be had from a scheme more or less than a voucher paid at the till. No invoice is altered by it."""

    tag, noun = "Prices", "claim adjustment"
    selector = staticmethod(selectors.adjustments_visible_to)
    filterset_class = ClaimAdjustmentFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "settle": CLAIM}
    output = ClaimAdjustmentOut
    summaries = {
        "list": "Find adjustments of claims",
        "retrieve": "Get one adjustment",
        "settle": "Record that the scheme settled an adjustment",
    }

    @action(detail=True, methods=["post"])
    def settle(self, request: Request, pk: str) -> Response:
        adjustment = self.get_object()
        return self.answer(claims.adjustment_settle(actor=self.actor, adjustment=adjustment))


routes = [
    ("schemes", SchemeViewSet),
    ("scheme-values", SchemeValueViewSet),
    ("scheme-vouchers", SchemeVoucherViewSet),
    ("scheme-claims", SchemeClaimViewSet),
    ("claim-adjustments", ClaimAdjustmentViewSet),
]
