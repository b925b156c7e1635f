from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import Q
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import Lists, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.customers.selectors import customer_get_for

from . import promotions_selectors as selectors
from . import promotions_services as services
from .permissions import PricePermission
from .promotions_models import Promotion, PromotionUse
from .promotions_serializers import (
    PromotionCheckIn,
    PromotionCheckOut,
    PromotionCreateIn,
    PromotionEndIn,
    PromotionOut,
    PromotionUseOut,
)

VIEW, EDIT = PricePermission.VIEW, PricePermission.EDIT


class PromotionFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id", label="Of this branch alone, not the group's")
    code = django_filters.CharFilter(field_name="code", lookup_expr="iexact")
    on = django_filters.DateFilter(method="by_day", label="Within its days on this day, and not ended")
    is_ended = YesNoFilter(method="by_end", label="Ended before its last day")

    class Meta:
        model = Promotion
        fields: list[str] = []

    def by_day(self, queryset: Any, name: str, value: Any) -> Any:
        begun = queryset.filter(valid_from__lte=value, ended_at__isnull=True)
        return begun.filter(Q(valid_to__isnull=True) | Q(valid_to__gte=value))

    def by_end(self, queryset: Any, name: str, value: bool) -> Any:
        return queryset.filter(ended_at__isnull=not value)


class PromotionViewSet(ResourceViewSet):
    """Discounts that the shop offers under a code. Terms never change: end a promotion and make another."""

    tag, noun = "Prices", "promotion"
    selector = staticmethod(selectors.promotions_visible_to)
    filterset_class = PromotionFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": EDIT, "end": EDIT, "check": VIEW}
    inputs = {"create": PromotionCreateIn, "end": PromotionEndIn, "check": PromotionCheckIn}
    outputs = {"check": PromotionCheckOut}
    output = PromotionOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find promotions",
        "retrieve": "Get one promotion with its terms",
        "create": "Offer a promotion at a branch or in the whole group",
        "end": "End a promotion now",
        "check": "Ask what a promotion takes off a price, or why it takes off nothing; nothing is written",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        key = body.pop("branch", None)
        branch = branch_get_for(self.actor, key, permission=EDIT) if key else None
        return self.answer(services.promotion_create(actor=self.actor, branch=branch, **body), status=201)

    @action(detail=True, methods=["post"])
    def end(self, request: Request, pk: str) -> Response:
        promotion = self.get_object()
        return self.answer(services.promotion_end(actor=self.actor, promotion=promotion, **self.read_input()))

    @action(detail=False, methods=["post"])
    def check(self, request: Request) -> Response:
        body = self.read_input()
        code, customer = body.pop("code"), body.pop("customer", None)
        branch = branch_get_for(self.actor, body.pop("branch"), permission=VIEW)
        quote = services.promotion_quote(
            actor=self.actor,
            promotion=code,
            branch=branch,
            customer=customer_get_for(self.actor, customer) if customer else None,
            **body,
        )
        return self.answer(quote)


class PromotionUseFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    promotion = django_filters.UUIDFilter(field_name="promotion_id")
    document = django_filters.CharFilter(field_name="document", label="For instance orders/<id>")
    state = django_filters.ChoiceFilter(choices=PromotionUse.State.choices)

    class Meta:
        model = PromotionUse
        fields: list[str] = []


class PromotionUseViewSet(Lists):
    """Which documents a promotion was used on, what it took off, and what was given back."""

    tag, noun = "Prices", "promotion use"
    selector = staticmethod(selectors.promotion_uses_visible_to)
    filterset_class = PromotionUseFilter
    permissions = {"list": VIEW}
    output = PromotionUseOut
    summaries = {"list": "Find uses of promotions"}


routes = [("promotions", PromotionViewSet), ("promotion-uses", PromotionUseViewSet)]
