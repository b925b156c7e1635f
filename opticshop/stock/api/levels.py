from __future__ import annotations

from typing import Any

import django_filters
from django.db import transaction
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import Lists

from .. import selectors, services
from ..models import Expected, StockItem, StockLevel
from ..permissions import StockPermission
from ..serializers.levels import ExpectedOut, StockLevelIn, StockLevelOut
from .lots import item_named


class _PerItemFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    kind = django_filters.ChoiceFilter(field_name="item__kind", choices=StockItem.Kind.choices)
    frame = django_filters.UUIDFilter(field_name="item__frame_id")
    lens = django_filters.UUIDFilter(field_name="item__lens_id")


class StockLevelFilter(_PerItemFilter):
    class Meta:
        model = StockLevel
        fields: list[str] = []


class StockLevelViewSet(Lists):
    """What a branch wants of an item: at the minimum it is time to order, up to the target."""

    tag, noun = "Stock", "stock level"
    selector = staticmethod(selectors.levels_visible_to)
    filterset_class = StockLevelFilter
    permissions = {"list": StockPermission.VIEW, "create": StockPermission.SET_LEVELS}
    inputs = {"create": StockLevelIn}
    output = StockLevelOut
    statuses = {"create": 200}
    summaries = {"list": "List the levels", "create": "Set the level of an item at a branch"}

    def create(self, request: Request) -> Response:
        """Setting the same level again changes nothing."""
        body: dict[str, Any] = self.read_input()
        branch = branch_get_for(self.actor, body["branch"], permission=StockPermission.SET_LEVELS)
        with transaction.atomic():
            level = services.stock_level_set(
                actor=self.actor,
                branch=branch,
                item=item_named(body),
                minimum=body["minimum"],
                target=body["target"],
            )
        return self.answer(level)


class ExpectedFilter(_PerItemFilter):
    class Meta:
        model = Expected
        fields: list[str] = []


class ExpectedViewSet(Lists):
    """Pieces on order from suppliers and not yet received."""

    tag, noun = "Stock", "expected item"
    selector = staticmethod(selectors.expected_visible_to)
    filterset_class = ExpectedFilter
    permissions = {"list": StockPermission.VIEW}
    output = ExpectedOut
    summaries = {"list": "List what is on order"}
