"""The filter of lists by customer."""

from __future__ import annotations

from typing import Any

import django_filters

from .merged import records_of


class CustomerFilter(django_filters.UUIDFilter):
    """``customer=<id>``: what belongs to the customer and to the records merged into it. No query of its own.

    ``CustomerFilter(field_name="customer")``, the name of a foreign key to a customer.
    """

    acts_unasked = False

    def filter(self, qs: Any, value: Any) -> Any:
        if not value:
            return qs
        return self.get_method(qs)(**{f"{self.field_name}__in": records_of(value)})
