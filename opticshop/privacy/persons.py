"""All that is kept of one person, found over the foreign keys: records merged into one another, rows by table."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import islice
from typing import Any, TypeVar

from django.apps import apps
from django.db.models import Max, Model, Q, QuerySet

from opticshop.appointments.models import Appointment
from opticshop.audit.shape import ours, person_path
from opticshop.billing.models import Payment
from opticshop.customers.contacting import identities
from opticshop.customers.models import Customer
from opticshop.orders.models import Order
from opticshop.prescriptions.models import Measurement, Prescription

from .models import KeptIdentity
from .rules import policy

#: Keys asked for in one statement.
CHUNK = 500
#: What events and alerts call the rows of a table.
SUBJECTS = {
    "appointments_appointment": "appointments",
    "billing_invoice": "invoices",
    "billing_payment": "payments",
    "billing_settlement": "settlements",
    "correspondence_message": "messages",
    "customers_customer": "customers",
    "orders_order": "orders",
    "orders_quotation": "quotes",
    "prescriptions_measurement": "measurements",
    "prescriptions_prescription": "prescriptions",
    "prices_schemevoucher": "scheme-vouchers",
    "purchasing_lensorder": "lens-orders",
    "quality_handover": "handovers",
    "quality_inspection": "inspections",
    "quality_inspectiondraft": "inspection-drafts",
    "quality_pairreturn": "returns",
    "quality_photograph": "inspection-photographs",
    "quality_supervisedstage": "supervisions",
    "reminders_recall": "recalls",
    "workshop_job": "jobs",
}
T = TypeVar("T")


def chunks(items: Iterable[T], size: int = CHUNK) -> Iterator[list[T]]:
    rest = iter(items)
    while piece := list(islice(rest, size)):
        yield piece


@cache
def personal_models() -> Mapping[str, type[Model]]:
    """Every table of ours with a way to the customer, by its name."""
    return {
        model._meta.db_table: model
        for model in apps.get_models(include_auto_created=True)
        if not model._meta.proxy and model._meta.app_label != "audit" and ours(model) and person_path(model) is not None
    }


def ways_of(model: type[Model]) -> tuple[str, ...]:
    """The lookups from a row to the key of the customer."""
    rule = policy().rules.get(model._meta.db_table)
    if rule is not None and rule.paths:
        return rule.paths
    path = person_path(model)
    return ("__".join(path) if path else "pk",)


def rows_of(model: type[Model], customers: Iterable[uuid.UUID]) -> QuerySet[Any]:
    """The rows of the model that are of these records. Not narrowed to branches: the caller has checked."""
    found = Q()
    for way in ways_of(model):
        found |= Q(**{f"{way}__in": list(customers)})
    plain: QuerySet[Any] = QuerySet(model)
    return plain.filter(found)


@dataclass(frozen=True)
class Person:
    """One person: the record that speaks for them, and those merged into it."""

    root: Customer
    records: tuple[Customer, ...]

    @property
    def ids(self) -> list[uuid.UUID]:
        return [record.id for record in self.records]

    @cached_property
    def keys(self) -> dict[str, list[Any]]:
        """The keys of the person's rows by table, one query a table."""
        found = {}
        for table, model in personal_models().items():
            keys = list(rows_of(model, self.ids).values_list("pk", flat=True).distinct())
            if keys:
                found[table] = keys
        return found

    @cached_property
    def branches(self) -> set[uuid.UUID]:
        """Where something of the person lies."""
        of_orders = rows_of(Order, self.ids).order_by().values_list("branch_id", flat=True).distinct()
        of_papers = rows_of(Prescription, self.ids).order_by().values_list("branch_id", flat=True).distinct()
        return {record.branch_id for record in self.records} | set(of_orders) | set(of_papers)

    @cached_property
    def last_seen(self) -> dt.date:
        """The last day on which the person was here, as far as the records say; else when they were registered."""
        return last_seen_of(self.ids, max(record.created_at for record in self.records))

    @cached_property
    def birth_date(self) -> dt.date | None:
        """Where it is known; of an erased person as it was set apart."""
        known = next((record.birth_date for record in (self.root, *self.records) if record.birth_date), None)
        if known is not None or self.root.erased_at is None:
            return known
        kept = KeptIdentity.objects.everywhere("of one person, permission checked by the caller")
        rows = kept.filter(customer__in=self.ids).exclude(birth_date=None)
        return rows.values_list("birth_date", flat=True).first()


def person_of(customer: Customer) -> Person:
    ids = identities(customer.id)
    rows = Customer.objects.everywhere("records of one person, permission checked by the caller")
    records = tuple(rows.filter(id__in=ids).select_related("branch", "guardian").order_by("id"))
    root = next(record for record in records if record.merged_into_id is None)
    return Person(root, records)


def last_seen_of(customers: Iterable[uuid.UUID], at_least: dt.datetime) -> dt.date:
    ids = list(customers)
    attended = rows_of(Appointment, ids).filter(state=Appointment.State.ATTENDED)
    moments = [
        at_least,
        rows_of(Order, ids).aggregate(at=Max("placed_at"))["at"],
        rows_of(Order, ids).aggregate(at=Max("collected_at"))["at"],
        rows_of(Measurement, ids).aggregate(at=Max("taken_at"))["at"],
        rows_of(Payment, ids).aggregate(at=Max("taken_at"))["at"],
        attended.aggregate(at=Max("starts_at"))["at"],
    ]
    issued = rows_of(Prescription, ids).aggregate(on=Max("issued_on"))["on"]
    days = [moment.date() for moment in moments if moment is not None]
    return max([*days, issued] if issued else days)
