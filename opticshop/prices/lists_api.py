from __future__ import annotations

import uuid
from typing import Any

import django_filters
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.catalogue.models import Frame, LensProduct, ServiceItem
from opticshop.core import clock
from opticshop.core.api import ApiViewSet, Lists, ResourceViewSet
from opticshop.core.errors import NotFound
from opticshop.core.filters import YesNoFilter

from . import lists_selectors as selectors
from . import lists_services as services
from .lists_models import ListPrice, PriceList
from .lists_serializers import (
    ARTICLES,
    ListPriceOut,
    ListRowsIn,
    SalePriceListAddIn,
    SalePriceListEndIn,
    SalePriceListOut,
    SalePriceOut,
    SalePriceQueryIn,
)
from .permissions import PricePermission

VIEW, EDIT = PricePermission.VIEW, PricePermission.EDIT


class SalePriceListFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    of_group = YesNoFilter(field_name="branch", lookup_expr="isnull", label="Whether it is the group's")
    on = django_filters.DateFilter(method="by_day", label="Holding on this day")

    class Meta:
        model = PriceList
        fields: list[str] = []

    def by_day(self, queryset: Any, name: str, value: Any) -> Any:
        return queryset.filter(selectors.holding_on(value))


class SalePriceListViewSet(ResourceViewSet):
    """Dated price lists of branches and of the group. A list in force is never changed: a new one follows it."""

    tag, noun = "Prices", "sale price list"
    selector = staticmethod(selectors.price_lists_visible_to)
    filterset_class = SalePriceListFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": EDIT, "rows": EDIT, "end": EDIT}
    inputs = {"create": SalePriceListAddIn, "rows": ListRowsIn, "end": SalePriceListEndIn}
    output = SalePriceListOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find price lists",
        "retrieve": "Get one price list; its rows are sale-list-prices",
        "create": "Add a price list from a day on; an open one takes over from the open one before it",
        "rows": "Set prices in a list that is not yet in force",
        "end": "Give an open list its last day",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        key = body.pop("branch", None)
        branch = branch_get_for(self.actor, key, permission=EDIT) if key else None
        rows = _rows(body.pop("rows", []))
        added = services.price_list_add(actor=self.actor, branch=branch, rows=rows, **body)
        return self.answer(self._fresh(added), status=201)

    @action(detail=True, methods=["post"])
    def rows(self, request: Request, pk: str) -> Response:
        found = self.get_object()
        rows = _rows(self.read_input()["rows"])
        return self.answer(self._fresh(services.price_list_rows_set(actor=self.actor, price_list=found, rows=rows)))

    @action(detail=True, methods=["post"])
    def end(self, request: Request, pk: str) -> Response:
        found = self.get_object()
        ended = services.price_list_end(actor=self.actor, price_list=found, **self.read_input())
        return self.answer(self._fresh(ended))

    def _fresh(self, price_list: PriceList) -> PriceList:
        return selectors.price_list_get_for(self.actor, price_list.id)


class ListPriceFilter(django_filters.FilterSet):
    price_list = django_filters.UUIDFilter(field_name="price_list_id")

    class Meta:
        model = ListPrice
        fields: list[str] = []


class ListPriceViewSet(Lists):
    """The rows of price lists."""

    tag, noun = "Prices", "sale list price"
    selector = staticmethod(selectors.list_prices_visible_to)
    filterset_class = ListPriceFilter
    permissions = {"list": VIEW}
    output = ListPriceOut
    summaries = {"list": "What price lists say of each article"}


class SalePriceViewSet(ApiViewSet):
    """What an article costs at a branch on a day: the branch's list, else the group's, else the catalogue."""

    tag, noun = "Prices", "sale price"
    permissions = {"list": VIEW}
    output = SalePriceOut
    summaries = {"list": "What an article costs at a branch on a day, and which list decided"}

    @extend_schema(parameters=[SalePriceQueryIn], responses=SalePriceOut, filters=False)  # type: ignore[untyped-decorator]
    def list(self, request: Request) -> Response:
        query = SalePriceQueryIn(data=request.query_params.dict())
        query.is_valid(raise_exception=True)
        asked = query.validated_data
        branch = branch_get_for(self.actor, asked["branch"], permission=VIEW)
        day = asked.get("on") or clock.today(branch.time_zone)
        kinds = (Frame, LensProduct, ServiceItem)
        article = next((found for kind in kinds if (found := kind.objects.filter(id=asked["article"]).first())), None)
        if article is None:
            raise NotFound(f"There is no article {asked['article']} here.", field="article")
        return self.answer(selectors.sale_prices(branch=branch, articles=[article], day=day)[article.id])


def _rows(given: list[dict[str, Any]]) -> list[services.Row]:
    """Rows with their articles, found in one query for each kind. Raises NotFound."""
    found: dict[str, dict[uuid.UUID, Any]] = {
        name: kind.objects.in_bulk([row[name] for row in given if name in row])
        for kind, name in selectors.COLUMNS.items()
    }
    rows = []
    for place, row in enumerate(given):
        name = next(name for name in ARTICLES if name in row)
        article = found[name].get(row[name])
        if article is None:
            raise NotFound(f"There is no {name} {row[name]} here.", field=f"rows/{place}/{name}")
        rows.append(services.Row(article, row["price"]))
    return rows


routes = [
    ("sale-price-lists", SalePriceListViewSet),
    ("sale-list-prices", ListPriceViewSet),
    ("sale-prices", SalePriceViewSet),
]
