"""What a branch has of each power, and what is coming or going: six queries, however many branches and powers."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import DecimalField, ExpressionWrapper, F, Q, Sum

from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.purchasing.models import PurchaseLine, PurchaseOrderState
from opticshop.stock.models import Expected, Lot, StockItem, Transfer, TransferLine

from .demand import Cell

_CHECKED = "for the use case of these branches, checked there"


@dataclass(slots=True)
class Position:
    """Pieces of one item at one branch. Drafts are counted as if they were sent, so that advice is not given twice."""

    on_hand: int = 0
    available: int = 0
    on_order: int = 0
    in_transit: int = 0
    drafted_in: int = 0
    drafted_out: int = 0
    average_cost: Decimal | None = None

    @property
    def spare(self) -> int:
        """Available and not already drafted to leave."""
        return max(0, self.available - self.drafted_out)

    @property
    def drafted(self) -> int:
        return self.drafted_in - self.drafted_out

    @property
    def total(self) -> int:
        return self.available + self.on_order + self.in_transit + self.drafted


def positions(branches: Iterable[Branch], lenses: Iterable[LensProduct]) -> dict[Cell, Position]:
    """(branch, item) -> position, of the powers of which anything is there, coming or going."""
    branch_ids, lens_ids = [branch.id for branch in branches], [lens.id for lens in lenses]
    found: dict[Cell, Position] = {}

    def at(branch_id: uuid.UUID, item_id: uuid.UUID) -> Position:
        return found.setdefault((branch_id, item_id), Position())

    lots = Lot.objects.everywhere(_CHECKED).filter(branch__in=branch_ids, item__lens__in=lens_ids, on_hand__gt=0)
    cost = ExpressionWrapper(F("on_hand") * F("unit_cost"), output_field=DecimalField(max_digits=14, decimal_places=2))
    held = lots.order_by().values_list("branch", "item")
    for branch_id, item_id, pieces, loose, value in held.annotate(
        pieces=Sum("on_hand"),
        loose=Sum(F("on_hand") - F("reserved"), filter=Q(is_quarantined=False)),
        value=Sum(cost),
    ):
        position = at(branch_id, item_id)
        position.on_hand, position.available = pieces, loose or 0
        position.average_cost = (Decimal(value) / pieces).quantize(Decimal("0.01"))

    expected = Expected.objects.everywhere(_CHECKED).filter(
        branch__in=branch_ids, item__lens__in=lens_ids, quantity__gt=0
    )
    for branch_id, item_id, pieces in expected.values_list("branch", "item", "quantity"):
        at(branch_id, item_id).on_order = pieces

    lines = TransferLine.objects.everywhere(_CHECKED).filter(item__lens__in=lens_ids).order_by()
    moving = [Transfer.State.SENT, Transfer.State.PART_RECEIVED]
    left = Sum(F("quantity") - F("received") - F("lost") - F("returned"))
    coming = lines.filter(transfer__receiver__in=branch_ids, transfer__state__in=moving)
    for branch_id, item_id, pieces in coming.values_list("transfer__receiver", "item").annotate(left=left):
        at(branch_id, item_id).in_transit = pieces
    drafts = lines.filter(transfer__state=Transfer.State.DRAFT)
    for end in ("receiver", "sender"):
        here = drafts.filter(**{f"transfer__{end}__in": branch_ids})
        for branch_id, item_id, pieces in here.values_list(f"transfer__{end}", "item").annotate(all=Sum("quantity")):
            if end == "receiver":
                at(branch_id, item_id).drafted_in += pieces
            else:
                at(branch_id, item_id).drafted_out += pieces

    wanted = PurchaseLine.objects.filter(
        purchase_order__branch__in=branch_ids, purchase_order__state=PurchaseOrderState.DRAFT, item__lens__in=lens_ids
    )
    rows = wanted.order_by().values_list("purchase_order__branch", "item").annotate(all=Sum("quantity"))
    for branch_id, item_id, pieces in rows:
        at(branch_id, item_id).drafted_in += pieces
    return found


def items_of(item_ids: Iterable[uuid.UUID]) -> dict[uuid.UUID, StockItem]:
    """The items, lenses in order of product, sphere and cylinder."""
    rows = StockItem.objects.filter(id__in=set(item_ids)).select_related("lens", "frame")
    return {item.id: item for item in rows.order_by("lens__sku", "sphere_dpt", "-cylinder_dpt", "id")}
