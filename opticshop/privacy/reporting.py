"""A set of figures without anybody's name: pseudonyms keyed anew for each set, months, bands, no free text.

Pseudonym: the first 16 hex digits of HMAC-SHA-256 (RFC 2104, FIPS 180-4) over kind and key. The key of a set is made
for it: within a set rows can be joined, between two sets they cannot; without the key nobody comes back to the person.
It is pseudonymised and not anonymous (GDPR, article 4(5) and recital 26): powers and places together may point at
somebody. Who is restricted or erased is not in it.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import hmac
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Count, F, Q, QuerySet
from django.db.models.functions import Coalesce

from opticshop.core.scoping import BranchOwned
from opticshop.customers.models import Customer
from opticshop.orders.models import Order, OrderLine
from opticshop.prescriptions.models import PrescribedEye
from opticshop.workshop.models import Job

#: Years of birth in one band, and how many persons a cell should have at least (common practice, no source).
BAND, SMALL = 10, 10
Row = tuple[Any, ...]


@dataclass(frozen=True)
class ReportingSet:
    """The tables of one set: ``tables()`` gives name, heading and rows of each."""

    key: bytes
    first: dt.date
    last: dt.date
    cells: Counter[Row] = field(default_factory=Counter)

    def pseudonym(self, kind: str, key: Any) -> str:
        """Empty for nothing."""
        if key is None:
            return ""
        return hmac.new(self.key, f"{kind}/{key}".encode(), hashlib.sha256).hexdigest()[:16]

    def tables(self) -> Iterator[tuple[str, Row, Iterator[Row]]]:
        yield "persons", ("person", "branch", "born"), self._persons()
        yield (
            "prescriptions",
            ("prescription", "person", "branch", "month", "eye", "sphere_dpt", "cylinder_dpt", "axis_deg", "add_dpt"),
            self._prescriptions(),
        )
        known = ("order", "person", "prescription", "branch", "month")
        yield "orders", (*known, "state", "purpose", "total", "tax", "currency", "days"), self._orders()
        yield "sales", ("order", "kind", "sku", "quantity", "gross", "tax", "rate_percent"), self._sales()
        yield "jobs", ("job", "order", "branch", "month", "state", "breakages"), self._jobs()
        yield "small-cells", ("branch", "born", "persons"), self._small()

    def _usable(self, rows: QuerySet[Any], way: str) -> QuerySet[Any]:
        """Rows whose person is neither restricted nor erased, with the record that speaks for the person."""
        used = Q(**{f"{way}restricted_at": None, f"{way}erased_at": None})
        return rows.filter(used).annotate(root=Coalesce(f"{way}merged_into_id", f"{way}id"))

    def _within(self, name: str) -> Q:
        return Q(**{f"{name}__date__gte": self.first, f"{name}__date__lte": self.last})

    def _persons(self) -> Iterator[Row]:
        """Those with an order or a prescription in these days, counted by branch and band on the way."""
        ordered = Q(orders__placed_at__date__gte=self.first, orders__placed_at__date__lte=self.last)
        prescribed = Q(prescriptions__issued_on__gte=self.first, prescriptions__issued_on__lte=self.last)
        came = _all(Customer).filter(ordered | prescribed)
        roots = self._usable(came, "").values("root")
        rows = _all(Customer).filter(id__in=roots).order_by("id")
        for key, branch, born in rows.values_list("id", "branch__code", "birth_date").iterator():
            cell = (branch, _band(born))
            self.cells[cell] += 1
            yield (self.pseudonym("person", key), *cell)

    def _prescriptions(self) -> Iterator[Row]:
        eyes = self._usable(QuerySet(PrescribedEye), "prescription__customer__").filter(
            prescription__issued_on__gte=self.first, prescription__issued_on__lte=self.last
        )
        names = ("prescription_id", "root", "prescription__branch__code", "prescription__issued_on", "eye")
        powers = ("sphere_dpt", "cylinder_dpt", "axis_deg", "addition_dpt")
        for key, person, branch, day, *rest in eyes.order_by("id").values_list(*names, *powers).iterator():
            yield self.pseudonym("prescription", key), self.pseudonym("person", person), branch, _month(day), *rest

    def _orders(self) -> Iterator[Row]:
        rows = self._usable(_all(Order), "customer__").filter(self._within("placed_at")).order_by("id")
        names = ("id", "root", "prescription_id", "branch__code", "placed_at", "ready_at")
        told = ("state", "purpose", "total", "tax_total", "currency")
        for key, person, paper, branch, placed, ready, *rest in rows.values_list(*names, *told).iterator():
            yield (
                self.pseudonym("order", key),
                self.pseudonym("person", person),
                self.pseudonym("prescription", paper),
                branch,
                _month(placed),
                *rest,
                (ready - placed).days if ready else None,
            )

    def _sales(self) -> Iterator[Row]:
        lines = self._usable(QuerySet(OrderLine), "order__customer__").filter(self._within("order__placed_at"))
        names = ("order_id", "kind", "sku", "quantity", "gross", "tax", "tax_rate_percent")
        for key, *rest in lines.order_by("id").values_list(*names).iterator():
            yield self.pseudonym("order", key), *rest

    def _jobs(self) -> Iterator[Row]:
        jobs = self._usable(_all(Job), "order__customer__").filter(self._within("order__placed_at"))
        counted = jobs.annotate(lost=Count("breakages"), code=F("branch__code"), placed=F("order__placed_at"))
        names = ("id", "order_id", "code", "placed", "state", "lost")
        for key, order, branch, placed, *rest in counted.order_by("id").values_list(*names).iterator():
            yield self.pseudonym("job", key), self.pseudonym("order", order), branch, _month(placed), *rest

    def _small(self) -> Iterator[Row]:
        """Cells in which so few persons are that they may be known by it: leave them out of what is published."""
        for cell, persons in sorted(self.cells.items()):
            if persons < SMALL:
                yield (*cell, persons)


def _all(model: type[BranchOwned]) -> QuerySet[Any]:
    return model.objects.everywhere("a set of figures over every branch")


def _band(born: dt.date | None) -> str:
    if born is None:
        return ""
    first = born.year - born.year % BAND
    return f"{first}-{first + BAND - 1}"


def _month(day: dt.date | dt.datetime) -> str:
    return f"{day:%Y-%m}"
