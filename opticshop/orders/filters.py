"""Filters of orders and quotations, by day of the branch's own calendar too."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import Any

import django_filters
from django.db.models import F, Q

from opticshop.branches.filters import A_DAY, DaysFilterSet, OfZone, begins, day_filter, days, instants
from opticshop.customers.filters import CustomerFilter

from .models import Order, OrderState, Quotation
from .quotations_models import QuotationState


class OrderFilter(DaysFilterSet):
    replaces = django_filters.UUIDFilter(field_name="replaces_id")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = CustomerFilter(field_name="customer")
    state = django_filters.ChoiceFilter(choices=OrderState.choices)
    number = django_filters.CharFilter(field_name="number")
    promised_before = django_filters.DateFilter(field_name="promised_on", lookup_expr="lt")
    placed_from = day_filter("Placed on this day of its branch or later")
    placed_to = day_filter("Placed on this day of its branch or earlier")
    ready_from = day_filter("Last made ready on this day of its branch or later")
    ready_to = day_filter("Last made ready on this day of its branch or earlier")
    collected_from = day_filter("Last collected on this day of its branch or later")
    collected_to = day_filter("Last collected on this day of its branch or earlier")
    supplied_from = day_filter("Became the customer's, and a sale, on this day of its branch or later")
    supplied_to = day_filter("Became the customer's, and a sale, on this day of its branch or earlier")
    uncollected_on = day_filter("Lay ready and not collected at the end of this day of its branch")

    # The day of a supply is billing's; it is asked for here because orders are listed here. That a supply is of the
    # branch of its order is said once more, so that the index of supplies by day serves.
    spans = {
        "placed": instants("placed_at"),
        "ready": instants("ready_at"),
        "collected": instants("collected_at"),
        "supplied": lambda *asked: days("supply__supplied_on")(*asked) & Q(supply__branch=F("branch")),
    }

    class Meta:
        model = Order
        fields: list[str] = []

    def conditions(self, asked: Mapping[str, Any]) -> Iterator[OfZone]:
        yield from super().conditions(asked)
        if day := asked.get("uncollected_on"):
            yield lambda zone: _uncollected(begins(day + A_DAY, zone))


class QuotationFilter(DaysFilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = CustomerFilter(field_name="customer")
    state = django_filters.ChoiceFilter(choices=QuotationState.choices)
    number = django_filters.CharFilter(field_name="number")
    quoted_from = day_filter("Priced on this day of its branch or later")
    quoted_to = day_filter("Priced on this day of its branch or earlier")

    spans = {"quoted": days("quoted_on")}

    class Meta:
        model = Quotation
        fields: list[str] = []


def _uncollected(end: dt.datetime) -> Q:
    """Ready before an instant, and not collected before it."""
    later = Q(state=OrderState.COLLECTED, collected_at__gte=end)
    return Q(ready_at__lt=end) & (Q(state=OrderState.READY) | later)
