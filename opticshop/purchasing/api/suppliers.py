from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.catalogue.selectors import frame_get, lens_get
from opticshop.core.api import Lists, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.core.renderers import SvgRenderer

from .. import selectors, services
from ..csv_files import written
from ..models import Offer, PriceList, Supplier, SupplierPrice
from ..permissions import PurchasingPermission
from ..serializers.suppliers import (
    ImportReportOut,
    OfferAddIn,
    OfferChangeIn,
    OfferOut,
    PriceAddIn,
    PriceListImportIn,
    PriceListOut,
    PriceOut,
    SupplierAddIn,
    SupplierChangeIn,
    SupplierOut,
    TravelOut,
    TravelSetIn,
)
from ..services.price_lists import FIELDS

VIEW, EDIT = PurchasingPermission.VIEW, PurchasingPermission.EDIT_SUPPLIERS
#: Columns of an exported price list: the fields of an import, which reads it back under the same headings.
EXPORTED = tuple(name for name in FIELDS if name not in {"sphere_dpt", "cylinder_dpt"})


class CsvRenderer(SvgRenderer):
    """Text that goes out as it is; a problem still as JSON."""

    media_type = "text/csv"
    format = "csv"


class SupplierFilter(django_filters.FilterSet):
    name = django_filters.CharFilter(lookup_expr="istartswith", label="Beginning of the name")
    is_active = YesNoFilter()

    class Meta:
        model = Supplier
        fields: list[str] = []


class SupplierViewSet(ResourceViewSet):
    """Whom the group buys from; the same in every branch."""

    tag, noun = "Purchasing", "supplier"
    selector = staticmethod(selectors.suppliers_visible_to)
    filterset_class = SupplierFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": EDIT, "partial_update": EDIT}
    inputs = {"create": SupplierAddIn, "partial_update": SupplierChangeIn}
    output = SupplierOut
    summaries = {
        "list": "Find suppliers",
        "retrieve": "Get one supplier",
        "create": "Add a supplier (head office)",
        "partial_update": "Change or retire a supplier (head office)",
    }

    def create(self, request: Request) -> Response:
        return self.answer(services.supplier_add(actor=self.actor, **self.read_input()), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        supplier, version = self.get_object(), self.expected_version()
        changes = self.read_input()
        return self.answer(
            services.supplier_change(actor=self.actor, supplier=supplier, version=version, changes=changes)
        )


class OfferFilter(django_filters.FilterSet):
    supplier = django_filters.UUIDFilter(field_name="supplier_id")
    frame = django_filters.UUIDFilter(field_name="frame_id")
    lens = django_filters.UUIDFilter(field_name="lens_id")
    is_preferred = YesNoFilter()
    is_active = YesNoFilter()

    class Meta:
        model = Offer
        fields: list[str] = []


class OfferViewSet(ResourceViewSet):
    """Which supplier sells which article, in how many days, and which is preferred."""

    tag, noun = "Purchasing", "supplier offer"
    selector = staticmethod(selectors.offers_visible_to)
    filterset_class = OfferFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": EDIT, "partial_update": EDIT}
    inputs = {"create": OfferAddIn, "partial_update": OfferChangeIn}
    output = OfferOut
    summaries = {
        "list": "Find offers of suppliers",
        "retrieve": "Get one offer",
        "create": "Say that a supplier sells an article (head office)",
        "partial_update": "Prefer, change or retire an offer (head office)",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        supplier = selectors.supplier_get_for(self.actor, body.pop("supplier"))
        article: Any = frame_get(body.pop("frame")) if "frame" in body else lens_get(body.pop("lens"))
        offer = services.offer_add(actor=self.actor, supplier=supplier, article=article, **body)
        return self.answer(selectors.offer_get_for(self.actor, offer.id), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        offer, version = self.get_object(), self.expected_version()
        services.offer_change(actor=self.actor, offer=offer, version=version, changes=self.read_input())
        return self.answer(selectors.offer_get_for(self.actor, offer.id))


class PriceFilter(django_filters.FilterSet):
    supplier = django_filters.UUIDFilter(field_name="offer__supplier_id")
    offer = django_filters.UUIDFilter(field_name="offer_id")
    frame = django_filters.UUIDFilter(field_name="offer__frame_id")
    lens = django_filters.UUIDFilter(field_name="offer__lens_id")
    gtin = django_filters.CharFilter(field_name="gtin", label="Fourteen digits")
    supplier_code = django_filters.CharFilter(field_name="supplier_code")
    price_list = django_filters.UUIDFilter(field_name="price_list_id")

    class Meta:
        model = SupplierPrice
        fields: list[str] = []


class PriceViewSet(ResourceViewSet):
    """What articles cost from which day on. A price is never changed by hand: a later one follows."""

    tag, noun = "Purchasing", "supplier price"
    buckets = {"export": "exports"}
    selector = staticmethod(selectors.prices_visible_to)
    filterset_class = PriceFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": EDIT, "export": VIEW}
    inputs = {"create": PriceAddIn}
    outputs = {"export": PriceOut}
    output = PriceOut
    summaries = {
        "list": "Find prices of suppliers",
        "retrieve": "Get one price",
        "create": "Add a price from a day on (head office)",
        "export": "Prices as CSV, in the columns an import reads",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        offer = selectors.offer_get_for(self.actor, body.pop("offer"))
        return self.answer(services.price_add(actor=self.actor, offer=offer, **body), status=201)

    @extend_schema(responses={(200, CsvRenderer.media_type): OpenApiTypes.STR})
    @action(detail=False, methods=["get"], renderer_classes=[CsvRenderer], pagination_class=None)
    def export(self, request: Request) -> Response:
        prices: QuerySet[SupplierPrice] = self.filter_queryset(self.get_queryset()).order_by("offer_id", "id")
        text = written(EXPORTED, (self._cells(price) for price in prices.iterator(chunk_size=2000)))
        return Response(text, headers={"Content-Disposition": 'attachment; filename="prices.csv"'})

    def _cells(self, price: SupplierPrice) -> list[object]:
        article = price.offer.frame or price.offer.lens
        values = {"sku": article.sku if article else ""}
        return [values.get(name, getattr(price, name, None)) for name in EXPORTED]


class PriceListFilter(django_filters.FilterSet):
    supplier = django_filters.UUIDFilter(field_name="supplier_id")

    class Meta:
        model = PriceList
        fields: list[str] = []


class PriceListViewSet(ResourceViewSet):
    """Price files that were taken in: each row checked first, and all of them written or none."""

    tag, noun = "Purchasing", "price list"
    selector = staticmethod(selectors.price_lists_visible_to)
    filterset_class = PriceListFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": EDIT}
    inputs = {"create": PriceListImportIn}
    outputs = {"create": ImportReportOut}
    output = PriceListOut
    statuses = {"create": 200}
    summaries = {
        "list": "List the price files that were imported",
        "retrieve": "Get one imported price file",
        "create": "Import a price file, or try it with dry_run; the same file twice changes nothing (head office)",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        supplier = selectors.supplier_get_for(self.actor, body["supplier"])
        reading = services.FileReading(
            columns=dict(body["columns"]),
            encoding=body["encoding"],
            delimiter=body["delimiter"],
            decimal_mark=body["decimal_mark"],
            currency=body.get("currency", ""),
            valid_from=body["valid_from"],
        )
        report = services.price_list_import(
            actor=self.actor,
            supplier=supplier,
            content=body["content"],
            reading=reading,
            file_name=body["file_name"],
            dry_run=body["dry_run"],
        )
        return self.answer(report)


class TravelViewSet(Lists):
    """How many working days things travel between branches; two where nothing is said."""

    tag, noun = "Purchasing", "branch travel"
    selector = staticmethod(selectors.travel_visible_to)
    permissions = {"list": VIEW, "create": EDIT}
    inputs = {"create": TravelSetIn}
    output = TravelOut
    statuses = {"create": 200}
    summaries = {
        "list": "List travel days between branches",
        "create": "Set the travel days from one branch to another (head office)",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        origin, destination = (
            branch_get_for(self.actor, body[name], permission=EDIT) for name in ("origin", "destination")
        )
        travel = services.travel_set(actor=self.actor, origin=origin, destination=destination, days=body["days"])
        return self.answer(travel)


routes = [
    ("suppliers", SupplierViewSet),
    ("supplier-offers", OfferViewSet),
    ("supplier-prices", PriceViewSet),
    ("price-lists", PriceListViewSet),
    ("branch-travel", TravelViewSet),
]
