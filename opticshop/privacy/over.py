"""Whose time is over: persons not seen for long, erased ones of whom something was kept, rows by their own day."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterator
from functools import cached_property
from typing import Any

from django.db.models import Exists, OuterRef, Q, QuerySet

from opticshop.branches.models import Branch
from opticshop.customers.models import Customer
from opticshop.orders.models import Order
from opticshop.prescriptions.models import Prescription

from .models import KeptIdentity
from .periods import periods_at
from .persons import person_of, personal_models
from .rules import AtErasure, Period, RecordKind, plus_years, policy


class Over:
    """What is over on a day. Periods are read once for each place."""

    def __init__(self, as_of: dt.date) -> None:
        self.as_of = as_of

    @cached_property
    def places(self) -> dict[str, dict[RecordKind, Period]]:
        found = Branch.objects.order_by().values_list("jurisdiction", flat=True).distinct()
        return {place: dict(periods_at(place, self.as_of)) for place in found}

    def persons(self, after: uuid.UUID | None = None) -> Iterator[uuid.UUID]:
        """Keys of persons whose clinical time is over, in order. Who is restricted is kept: that is what was asked."""
        years = min((each[RecordKind.CLINICAL].years for each in self.places.values()), default=None)
        if years is None:
            return
        since = dt.datetime.combine(plus_years(self.as_of, -years), dt.time(), dt.UTC)
        rows = Customer.objects.everywhere("whose time is over, in every branch")
        rows = rows.filter(merged_into=None, erased_at=None, restricted_at=None, created_at__lt=since)
        same = Q(customer=OuterRef("pk")) | Q(customer__merged_into=OuterRef("pk"))
        orders = Order.objects.everywhere("whose time is over").filter(same, placed_at__gte=since)
        papers = Prescription.objects.everywhere("whose time is over").filter(same, issued_on__gte=since.date())
        rows = rows.filter(~Exists(orders), ~Exists(papers))
        if after is not None:
            rows = rows.filter(id__gt=after)
        for customer in rows.select_related("branch").order_by("id").iterator(chunk_size=200):
            person = person_of(customer)
            period = self.places[person.root.branch.jurisdiction][RecordKind.CLINICAL]
            if period.ends(person.last_seen, person.birth_date) <= self.as_of:
                yield customer.id

    def kept(self) -> Iterator[uuid.UUID]:
        """Keys of erased persons of whom something need not be kept any more; one of each person's records."""
        kept = KeptIdentity.objects.everywhere("whose time is over, in every branch")
        due = kept.filter(next_on__lte=self.as_of, customer__merged_into=None)
        yield from list(due.order_by("id").values_list("customer_id", flat=True))

    def rows(self, table: str) -> QuerySet[Any]:
        """Rows of a table whose own time is over and that still hold a text."""
        model, rule = personal_models()[table], policy().rules[table]
        old = Q(pk__in=())
        for place, periods in self.places.items():
            period = periods.get(rule.kind)
            if period is not None and period.of_each_row:
                since = dt.datetime.combine(plus_years(self.as_of, -period.years), dt.time(), dt.UTC)
                old |= Q(branch__jurisdiction=place, created_at__lt=since)
        held = Q()
        for name, value in rule.blank.items():
            emptied = Q(**{f"{name}__in": ["", value]}) if isinstance(value, str) else Q(**{name: value})
            held |= ~emptied
        plain: QuerySet[Any] = QuerySet(model)
        return plain.filter(old & held)


def tables_by_row() -> list[str]:
    """The tables that are emptied row by row while the person still comes."""
    kinds = {each.kind for each in policy().periods if each.of_each_row}
    rules = policy().rules.items()
    return [table for table, rule in rules if rule.kind in kinds and rule.at_erasure == AtErasure.BLANK]
