from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ApiViewSet

from .. import selectors
from ..exports import csv_text
from ..permissions import StockPermission
from ..serializers.levels import ValuationQueryIn, ValuationsOut

_HEADING = (
    "branch",
    "kind",
    "sku",
    "description",
    "sphere_dpt",
    "cylinder_dpt",
    "on_hand",
    "on_hand_value",
    "in_transit",
    "in_transit_value",
    "currency",
)


class CsvRenderer(BaseRenderer):
    """Finished CSV goes out as it is, a problem still as JSON."""

    media_type = "text/csv"
    format = "csv"
    charset = "utf-8"

    def render(self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None) -> Any:
        return data if isinstance(data, str) else JSONRenderer().render(data)


class ValuationViewSet(ApiViewSet):
    """What the stock is worth at any moment, by the method of the company, from the ledger alone."""

    tag, noun = "Stock", "valuation"
    buckets = {"export": "exports"}
    permissions = {"list": StockPermission.VALUE, "export": StockPermission.VALUE}
    output = ValuationsOut
    pagination_class = None
    summaries = {
        "list": "Value the stock, branch by branch",
        "export": "The value of every item as CSV",
    }

    @extend_schema(parameters=[ValuationQueryIn], filters=False, responses=ValuationsOut(many=False))  # type: ignore[untyped-decorator]
    def list(self, request: Request) -> Response:
        """One entry per branch that you may value. In transit counts what a branch sent and nobody took in yet."""
        return self.answer({"results": [_told(each) for each in _asked(self)]})

    @extend_schema(  # type: ignore[untyped-decorator]
        parameters=[ValuationQueryIn], filters=False, responses={(200, CsvRenderer.media_type): OpenApiTypes.STR}
    )
    @action(detail=False, methods=["get"], renderer_classes=[CsvRenderer])
    def export(self, request: Request) -> Response:
        """One row per branch and item that is worth anything; RFC 4180, UTF-8."""
        rows = (
            (
                row.branch.code,
                row.item.kind,
                row.article.sku,
                row.article.name,
                row.item.sphere_dpt,
                row.item.cylinder_dpt,
                row.worth.on_hand,
                row.worth.on_hand_value,
                row.worth.in_transit,
                row.worth.in_transit_value,
                row.branch.currency,
            )
            for row in selectors.valued_items(_asked(self))
        )
        return Response(
            "".join(csv_text(_HEADING, rows)),
            headers={"Content-Disposition": 'attachment; filename="stock-valuation.csv"', "Cache-Control": "no-store"},
        )


def _asked(view: ApiViewSet) -> list[selectors.Valuation]:
    query = ValuationQueryIn(data=view.request.query_params.dict())
    query.is_valid(raise_exception=True)
    asked = query.validated_data
    branch = None
    if "branch" in asked:
        branch = branch_get_for(view.actor, asked["branch"], permission=StockPermission.VALUE)
    return selectors.valuations(view.actor, branch=branch, at=asked.get("at"))


def _told(valuation: selectors.Valuation) -> dict[str, Any]:
    return {
        "branch": valuation.branch.id,
        "code": valuation.branch.code,
        "currency": valuation.branch.currency,
        "method": valuation.method,
        "at": valuation.at,
        "on_hand_pieces": valuation.on_hand_pieces,
        "on_hand_value": valuation.on_hand_value,
        "in_transit_pieces": valuation.in_transit_pieces,
        "in_transit_value": valuation.in_transit_value,
        "by_kind": [_sum(*each) for each in valuation.by_kind],
        "flows": [_sum(*each) for each in valuation.flows],
    }


def _sum(kind: str, pieces: int, value: Any) -> dict[str, Any]:
    return {"kind": kind, "pieces": pieces, "value": value}
