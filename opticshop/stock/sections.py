"""A section of the stock to be counted: what the drawer or the wall is called by those who count it."""

from __future__ import annotations

import uuid
from dataclasses import asdict, dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Q


@dataclass(frozen=True, slots=True)
class Section:
    """Every condition that is given narrows further; none at all means the whole branch.

    Spheres are in minus-cylinder form, both ends included. ``items`` names what to count one by one.
    """

    kind: str | None = None
    lens: uuid.UUID | None = None
    sphere_from_dpt: Decimal | None = None
    sphere_to_dpt: Decimal | None = None
    maker: str | None = None
    sku_prefix: str | None = None
    items: tuple[uuid.UUID, ...] = ()

    def lots(self) -> Q:
        """The condition on lots."""
        condition = Q()
        for lookup, value in (
            ("item__kind", self.kind),
            ("item__lens", self.lens),
            ("item__sphere_dpt__gte", self.sphere_from_dpt),
            ("item__sphere_dpt__lte", self.sphere_to_dpt),
            ("item__frame__maker__iexact", self.maker),
        ):
            if value is not None:
                condition &= Q(**{lookup: value})
        if self.sku_prefix:
            condition &= Q(item__frame__sku__istartswith=self.sku_prefix) | Q(
                item__lens__sku__istartswith=self.sku_prefix
            )
        if self.items:
            condition &= Q(item__in=self.items)
        return condition

    def as_json(self) -> dict[str, Any]:
        given = {name: value for name, value in asdict(self).items() if value not in (None, ())}
        return {
            name: [str(one) for one in value] if isinstance(value, tuple) else str(value)
            for name, value in given.items()
        }
