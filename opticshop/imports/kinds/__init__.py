"""What can be taken over, kind by kind: its columns, the words they are known by, and what a row does."""

from __future__ import annotations

from ..models import Kind
from . import customers, prescriptions, prices, stock
from .shared import Field, Job, Made, Problem, RowKind, RowRefused, RowSkipped

KINDS: dict[str, RowKind] = {
    Kind.CUSTOMERS: customers.KIND,
    Kind.PRESCRIPTIONS: prescriptions.KIND,
    Kind.STOCK: stock.KIND,
    Kind.PRICES: prices.KIND,
}

__all__ = ["KINDS", "Field", "Job", "Made", "Problem", "RowKind", "RowRefused", "RowSkipped"]
