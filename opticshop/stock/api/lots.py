from __future__ import annotations

from decimal import Decimal
from typing import Any

import django_filters
from django.db import transaction
from django.db.models import F, Q
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import Serializer

from opticshop.branches.filters import DaysFilterSet, day_filter, instants
from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.catalogue.models import LensProduct
from opticshop.catalogue.selectors import frame_get, lens_get
from opticshop.core.api import ApiViewSet, Lists, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.core.kept import A_KEY, AS_SAID

from .. import selectors, services
from ..models import Lot, Movement, StockItem
from ..permissions import StockPermission
from ..powers import minus_form, powers_in_range, stocked_power
from ..serializers.lots import (
    CustomerReturnIn,
    FindQueryIn,
    FoundOut,
    GoodsReceiptIn,
    GridOut,
    GridQueryIn,
    LotOut,
    LotWriteOffIn,
    MovementOut,
    QuarantinedOut,
    QuarantineIn,
)


class LotFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    kind = django_filters.ChoiceFilter(field_name="item__kind", choices=StockItem.Kind.choices)
    frame = django_filters.UUIDFilter(field_name="item__frame_id")
    lens = django_filters.UUIDFilter(field_name="item__lens_id")
    sphere_dpt = django_filters.NumberFilter(method="by_power", label="Sphere; with a plus cylinder it is transposed")
    cylinder_dpt = django_filters.NumberFilter(method="by_power", label="Cylinder, in either form")
    is_quarantined = YesNoFilter()
    available = YesNoFilter(method="by_available", label="Whether an unpromised piece is left")

    class Meta:
        model = Lot
        fields: list[str] = []

    def by_power(self, queryset: Any, name: str, value: Decimal) -> Any:
        """Either field narrows to the power that the two of them mean, in minus-cylinder form."""
        given = self.form.cleaned_data
        sphere, cylinder = minus_form(given.get("sphere_dpt") or Decimal(0), given.get("cylinder_dpt") or Decimal(0))
        return queryset.filter(**{f"item__{name}": sphere if name == "sphere_dpt" else cylinder})

    def by_available(self, queryset: Any, name: str, value: bool) -> Any:
        free = Q(on_hand__gt=F("reserved"), is_quarantined=False)
        return queryset.filter(free) if value else queryset.exclude(free)


class LotViewSet(ResourceViewSet):
    """What lies in the branch, lot by lot: on hand, reserved, available. Available is what may still be promised."""

    tag, noun = "Stock", "lot"
    prepared = True
    kept_queries = {"branch": A_KEY, "kind": AS_SAID, "frame": A_KEY, "lens": A_KEY, "available": AS_SAID}
    selector = staticmethod(selectors.lots_visible_to)
    filterset_class = LotFilter
    permissions = {
        "list": StockPermission.VIEW,
        "retrieve": StockPermission.VIEW,
        "grid": StockPermission.VIEW,
        "find": StockPermission.VIEW,
        "write_off": StockPermission.WRITE_OFF,
        "quarantine": StockPermission.QUARANTINE,
        "lift_quarantine": StockPermission.LIFT_QUARANTINE,
    }
    inputs = {"write_off": LotWriteOffIn, "quarantine": QuarantineIn, "lift_quarantine": QuarantineIn}
    outputs = {"grid": GridOut, "find": FoundOut, "quarantine": QuarantinedOut}
    output = LotOut
    idempotent = {"write_off": "optional", "quarantine": "optional", "lift_quarantine": "optional"}
    summaries = {
        "list": "List the lots in stock",
        "retrieve": "Get one lot",
        "grid": "The powers of one lens product at a branch, as matrices",
        "find": "What this and other branches hold of one power, given in any cylinder form",
        "write_off": "Write off unpromised pieces of a lot",
        "quarantine": "Keep a lot apart; says who was promised pieces of it before",
        "lift_quarantine": "Let a lot be used again",
    }

    @action(detail=True, methods=["post"], url_path="write-off")
    def write_off(self, request: Request, pk: str) -> Response:
        """Pieces promised to an order are not touched: they are written off by the job that broke them."""
        lot = self.get_object()
        services.lot_write_off(actor=self.actor, lot=lot, **self.read_input())
        return self.answer(lot)

    @action(detail=True, methods=["post"])
    def quarantine(self, request: Request, pk: str) -> Response:
        """Promises made before are kept: the workshop decides piece by piece."""
        return self.answer(services.lot_quarantine(actor=self.actor, lot=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"], url_path="lift-quarantine")
    def lift_quarantine(self, request: Request, pk: str) -> Response:
        lot = self.get_object()
        services.lot_quarantine_lift(actor=self.actor, lot=lot, **self.read_input())
        return self.answer(self.get_object())

    @extend_schema(parameters=[GridQueryIn], filters=False)  # type: ignore[untyped-decorator]
    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def grid(self, request: Request) -> Response:
        """The axes are the product's whole range; the cells name only the powers that the branch has to do with."""
        branch, product, _ = self._asked(GridQueryIn)
        spheres, cylinders = powers_in_range(product)
        cells = selectors.cells_of(self.actor, branch, product)
        return self.answer(
            {
                "branch": branch.id,
                "lens": product.id,
                "spheres_dpt": spheres,
                "cylinders_dpt": cylinders,
                "matrices": selectors.as_matrices(cells, spheres, cylinders),
                "cells": cells,
            }
        )

    @extend_schema(parameters=[FindQueryIn], filters=False)  # type: ignore[untyped-decorator]
    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def find(self, request: Request) -> Response:
        """+1.00 / -0.50 and +0.50 / +0.50 are the same lens and the same drawer; the axis does not matter."""
        branch, product, asked = self._asked(FindQueryIn)
        sphere, cylinder = stocked_power(product, asked["sphere_dpt"], asked.get("cylinder_dpt", Decimal(0)))
        item = selectors.lens_item(product, sphere, cylinder)
        found = selectors.found_of(self.actor, branch, item)
        return self.answer(
            {
                "branch": branch.id,
                "lens": product.id,
                "item": item and item.id,
                "sphere_dpt": sphere,
                "cylinder_dpt": cylinder,
                "on_hand": sum(lot.on_hand for lot in found.lots),
                "reserved": sum(lot.reserved for lot in found.lots),
                "available": sum(lot.on_hand - lot.reserved for lot in found.lots if not lot.is_quarantined),
                "lots": found.lots,
                "elsewhere": found.elsewhere,
            }
        )

    def _asked(self, shape: type[Serializer[Any]]) -> tuple[Branch, LensProduct, dict[str, Any]]:
        query = shape(data=self.request.query_params.dict())
        query.is_valid(raise_exception=True)
        asked = query.validated_data
        branch = branch_get_for(self.actor, asked["branch"], permission=StockPermission.VIEW)
        return branch, lens_get(asked["lens"]), asked


def item_named(body: dict[str, Any]) -> StockItem:
    """The item that a request names by frame, or by lens product and power; made on first use."""
    if body["kind"] == StockItem.Kind.FRAME:
        return services.frame_item_ensure(frame_get(body["frame"]))
    return services.lens_item_ensure(lens_get(body["lens"]), body["sphere_dpt"], body.get("cylinder_dpt", Decimal(0)))


class GoodsReceiptViewSet(ApiViewSet):
    """Goods in: pieces are taken into a lot of the branch and counted from then on."""

    tag, noun = "Stock", "goods receipt"
    permissions = {"create": StockPermission.RECEIVE}
    inputs = {"create": GoodsReceiptIn}
    output = LotOut
    idempotent = {"create": "optional"}
    summaries = {"create": "Receive goods; answers with the lot they are in"}

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body["branch"], permission=StockPermission.RECEIVE)
        delivery = {name: body[name] for name in ("lot_code", "quantity", "unit_cost")}
        delivery["document"] = f"deliveries/{body.get('delivery_note') or body['lot_code']}"
        delivery["quarantine_reason"] = body.get("quarantine_reason", "")
        with transaction.atomic():
            lot = services.goods_receive(actor=self.actor, branch=branch, item=item_named(body), **delivery)
        return self.answer(selectors.lot_get_for(self.actor, lot.id, permission=StockPermission.RECEIVE), status=201)


class MovementFilter(DaysFilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    lot = django_filters.UUIDFilter(field_name="lot_id")
    document = django_filters.CharFilter(field_name="document", label="What caused it, for instance orders/<id>")
    kind = django_filters.ChoiceFilter(choices=Movement.Kind.choices)
    moved_from = day_filter("Written on this day of its branch or later")
    moved_to = day_filter("Written on this day of its branch or earlier")

    spans = {"moved": instants("created_at")}

    class Meta:
        model = Movement
        fields: list[str] = []


class MovementViewSet(Lists):
    """The ledger: every change of a balance, by whom and why. Lines are added, never changed or removed."""

    tag, noun = "Stock", "movement"
    selector = staticmethod(selectors.movements_visible_to)
    filterset_class = MovementFilter
    permissions = {"list": StockPermission.VIEW}
    output = MovementOut
    summaries = {"list": "List the movements of stock"}


class CustomerReturnViewSet(ApiViewSet):
    """A piece that a customer had comes back unused: it lies in the lot it came from again."""

    tag, noun = "Stock", "customer return"
    permissions = {"create": StockPermission.RECEIVE}
    inputs = {"create": CustomerReturnIn}
    output = LotOut
    idempotent = {"create": "optional"}
    summaries = {"create": "Put a piece that a customer had back into stock"}

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=StockPermission.RECEIVE)
        lot = services.stock_return_from_customer(actor=self.actor, branch=branch, **body)
        return self.answer(selectors.lot_get_for(self.actor, lot.id, permission=StockPermission.RECEIVE), status=201)
