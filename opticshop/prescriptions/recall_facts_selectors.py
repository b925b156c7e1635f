"""Reads of the facts that recalls are made by."""

from __future__ import annotations

import datetime as dt
import uuid
from collections import defaultdict
from collections.abc import Collection

from django.db.models import Q

from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet
from opticshop.customers.merged import records_of, root_id
from opticshop.customers.models import Customer

from .permissions import PrescriptionPermission
from .recall_facts_models import RecallFact


def recall_facts_visible_to(actor: Actor) -> BranchQuerySet[RecallFact]:
    """For those who record prescriptions; the workshop needs none of it."""
    return RecallFact.objects.visible_to(actor, PrescriptionPermission.RECORD)


def recall_facts_holding(queryset: BranchQuerySet[RecallFact], on: dt.date) -> BranchQuerySet[RecallFact]:
    """Those that hold on a day, neither ended before nor struck through."""
    lasts = Q(until_on__isnull=True) | Q(until_on__gte=on)
    return queryset.filter(lasts, since_on__lte=on, struck_at=None)


def recall_flags_of(customer: Customer, on: dt.date) -> frozenset[str]:
    """The flags that hold for a person on a day, of all records of the same person. One query."""
    rows = RecallFact.objects.everywhere("a person's facts count wherever they were recorded")
    holding = recall_facts_holding(rows, on).filter(customer__in=records_of(root_id(customer)))
    return frozenset(holding.values_list("flag", flat=True))


def recall_flags_of_many(customers: Collection[Customer], on: dt.date) -> dict[uuid.UUID, frozenset[str]]:
    """The same for many people in one query, by the id of each customer that was given; without facts, none."""
    roots = {root_id(customer) for customer in customers}
    rows = RecallFact.objects.everywhere("a person's facts count wherever they were recorded")
    of_them = Q(customer__in=roots) | Q(customer__merged_into__in=roots)
    found: dict[uuid.UUID, set[str]] = defaultdict(set)
    for owner, survivor, flag in (
        recall_facts_holding(rows, on).filter(of_them).values_list("customer", "customer__merged_into", "flag")
    ):
        found[survivor or owner].add(flag)
    return {customer.id: frozenset(found.get(root_id(customer), ())) for customer in customers}
