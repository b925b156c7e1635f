from __future__ import annotations

from typing import Any

import django_filters
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import Lists, ResourceViewSet
from opticshop.core.filters import YesNoFilter

from . import selectors, services
from .gtin import gtin_normalised
from .models import Frame, LensProduct, ServiceItem, TaxCategory, TaxRate
from .permissions import CataloguePermission
from .serializers import (
    FrameAddIn,
    FrameChangeIn,
    FrameOut,
    FrameWrittenOut,
    LensAddIn,
    LensChangeIn,
    LensOut,
    LensWrittenOut,
    ServiceAddIn,
    ServiceChangeIn,
    ServiceOut,
    TaxRateAddIn,
    TaxRateOut,
)

_VIEW, _EDIT = CataloguePermission.VIEW, CataloguePermission.EDIT
_ARTICLE_PERMISSIONS = {"list": _VIEW, "retrieve": _VIEW, "create": _EDIT, "partial_update": _EDIT}


class ArticleFilter(django_filters.FilterSet):
    text = django_filters.CharFilter(method="by_text", label="Beginning of the code or the name, in any case")
    is_active = YesNoFilter(field_name="is_active")
    tax_category = django_filters.ChoiceFilter(choices=TaxCategory.choices)

    def by_text(self, queryset: Any, name: str, value: str) -> Any:
        return selectors.articles_named(queryset, value)


class NumberedFilter(ArticleFilter):
    gtin = django_filters.CharFilter(method="by_gtin", label="Trade item number in any of its lengths")

    def by_gtin(self, queryset: Any, name: str, value: str) -> Any:
        return queryset.filter(gtin=gtin_normalised(value))


class FrameFilter(NumberedFilter):
    material = django_filters.ChoiceFilter(choices=Frame.Material.choices)
    mount = django_filters.ChoiceFilter(choices=Frame.Mount.choices)
    box_width_min_mm = django_filters.NumberFilter(field_name="box_width_mm", lookup_expr="gte")
    box_width_max_mm = django_filters.NumberFilter(field_name="box_width_mm", lookup_expr="lte")

    class Meta:
        model = Frame
        fields: list[str] = []


class LensFilter(NumberedFilter):
    kind = django_filters.ChoiceFilter(choices=LensProduct.Kind.choices)
    supply = django_filters.ChoiceFilter(choices=LensProduct.Supply.choices)
    material = django_filters.CharFilter(
        field_name="material", lookup_expr="istartswith", label="Beginning of the material's name"
    )

    class Meta:
        model = LensProduct
        fields: list[str] = []


class ServiceFilter(ArticleFilter):
    class Meta:
        model = ServiceItem
        fields: list[str] = []


class TaxRateFilter(django_filters.FilterSet):
    jurisdiction = django_filters.CharFilter(field_name="jurisdiction")
    category = django_filters.ChoiceFilter(choices=TaxCategory.choices)

    class Meta:
        model = TaxRate
        fields: list[str] = []


class ArticleViewSet(ResourceViewSet):
    """What the article resources share: the answer to a write names what should be looked at again."""

    def answer_written(self, written: services.Catalogued[Any], *, status: int = 200) -> Response:
        written.article.warnings = written.questions
        return self.answer(written.article, status=status)


class FrameViewSet(ArticleViewSet):
    """Frames, each in one colour and size, measured by the boxing system. Head office adds and changes them."""

    tag, noun = "Frames", "frame"
    selector = staticmethod(selectors.frames_visible_to)
    filterset_class = FrameFilter
    permissions = _ARTICLE_PERMISSIONS
    inputs = {"create": FrameAddIn, "partial_update": FrameChangeIn}
    outputs = {"create": FrameWrittenOut, "partial_update": FrameWrittenOut}
    output = FrameOut
    summaries = {
        "list": "Find frames",
        "retrieve": "Get one frame",
        "create": "Add a frame; unusual sizes are named in the answer",
        "partial_update": "Change a frame's price, name or sizes",
    }

    def create(self, request: Request) -> Response:
        return self.answer_written(services.frame_add(actor=self.actor, **self.read_input()), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        frame, version = self.get_object(), self.expected_version()
        return self.answer_written(
            services.frame_change(actor=self.actor, frame=frame, version=version, changes=self.read_input())
        )


class LensViewSet(ArticleViewSet):
    """Lens products with their range of powers and the surfaces they are made with."""

    tag, noun = "Lenses", "lens"
    selector = staticmethod(selectors.lenses_visible_to)
    filterset_class = LensFilter
    permissions = _ARTICLE_PERMISSIONS
    inputs = {"create": LensAddIn, "partial_update": LensChangeIn}
    outputs = {"create": LensWrittenOut, "partial_update": LensWrittenOut}
    output = LensOut
    summaries = {
        "list": "Find lens products",
        "retrieve": "Get one lens product with its surfaces",
        "create": "Add a lens product; its surfaces cover its range of spheres exactly once",
        "partial_update": "Change a lens product's price, name, ranges or surfaces",
    }

    def create(self, request: Request) -> Response:
        return self.answer_written(services.lens_add(actor=self.actor, **self.read_input()), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        lens, version = self.get_object(), self.expected_version()
        return self.answer_written(
            services.lens_change(actor=self.actor, lens=lens, version=version, changes=self.read_input())
        )


class ServiceViewSet(ArticleViewSet):
    """What is done for money: dispensing, a repair, a reglaze."""

    tag, noun = "Lenses", "service"
    selector = staticmethod(selectors.services_visible_to)
    filterset_class = ServiceFilter
    permissions = _ARTICLE_PERMISSIONS
    inputs = {"create": ServiceAddIn, "partial_update": ServiceChangeIn}
    output = ServiceOut
    summaries = {
        "list": "Find services charged for",
        "retrieve": "Get one service",
        "create": "Add a service",
        "partial_update": "Change a service's price or name, or retire it",
    }

    def create(self, request: Request) -> Response:
        return self.answer_written(services.service_add(actor=self.actor, **self.read_input()), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        service, version = self.get_object(), self.expected_version()
        return self.answer_written(
            services.service_change(actor=self.actor, service=service, version=version, changes=self.read_input())
        )


class TaxRateViewSet(Lists):
    """Tax rates as dated data with their source. Rates differ by country and change: have yours confirmed."""

    tag, noun = "Payments", "tax rate"
    selector = staticmethod(selectors.tax_rates_visible_to)
    filterset_class = TaxRateFilter
    permissions = {"list": _VIEW, "create": _EDIT}
    inputs = {"create": TaxRateAddIn}
    output = TaxRateOut
    summaries = {"list": "List tax rates", "create": "Add a tax rate from a day on (head office)"}

    def create(self, request: Request) -> Response:
        return self.answer(services.tax_rate_add(actor=self.actor, **self.read_input()), status=201)


routes = [
    ("frames", FrameViewSet),
    ("lenses", LensViewSet),
    ("services", ServiceViewSet),
    ("tax-rates", TaxRateViewSet),
]
