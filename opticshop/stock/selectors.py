"""Reads of stock: lots and movements limited to the actor's branches, availability, and the proof of the ledger."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Count, F, IntegerField, OuterRef, Q, Subquery, Sum, Window
from django.db.models.functions import Coalesce, Lag

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from .models import Lot, Movement, Reservation, StockItem
from .permissions import StockPermission
from .powers import minus_form


def lots_visible_to(actor: Actor) -> BranchQuerySet[Lot]:
    return Lot.objects.visible_to(actor, StockPermission.VIEW).select_related("item__frame", "item__lens")


def lot_get_for(actor: Actor, lot_id: uuid.UUID, *, permission: str = StockPermission.VIEW) -> Lot:
    """The lot, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    visible = Lot.objects.visible_to(actor, permission)
    found = visible.select_related("branch", "item__frame", "item__lens").filter(id=lot_id).first()
    if found is None:
        raise NotFound(f"There is no lot {lot_id} here.", field="lot")
    return found


def movements_visible_to(actor: Actor) -> BranchQuerySet[Movement]:
    return Movement.objects.visible_to(actor, StockPermission.VIEW).select_related("lot")


def frame_item(frame: Frame) -> StockItem | None:
    return StockItem.objects.filter(frame=frame).first()


def lens_item(product: LensProduct, sphere_dpt: Decimal, cylinder_dpt: Decimal) -> StockItem | None:
    """The item of a power in any cylinder form; None when it was never in stock anywhere."""
    sphere, cylinder = minus_form(sphere_dpt, cylinder_dpt)
    return StockItem.objects.filter(lens=product, sphere_dpt=sphere, cylinder_dpt=cylinder).first()


def available(branch: Branch, item: StockItem) -> int:
    """Pieces of the item that lie in the branch and are promised to nobody."""
    lots = Lot.objects.everywhere("for the use case of this branch, checked there").filter(branch=branch, item=item)
    return lots.aggregate(pieces=Coalesce(Sum(F("on_hand") - F("reserved")), 0))["pieces"]


def lots_of_item(actor: Actor, branch: Branch, item: StockItem | None) -> list[Lot]:
    """The lots of an item at a branch that hold anything, oldest first."""
    if item is None:
        return []
    return list(lots_visible_to(actor).filter(branch=branch, item=item, on_hand__gt=0).order_by("id"))


@dataclass(frozen=True, slots=True)
class Cell:
    """What a branch holds of one product in one power."""

    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    on_hand: int
    reserved: int
    available: int


def cells_held(actor: Actor, branch: Branch, product: LensProduct) -> list[Cell]:
    """One cell per power of the product that the branch holds, in order of sphere, then cylinder."""
    lots = Lot.objects.visible_to(actor, StockPermission.VIEW).filter(branch=branch, item__lens=product, on_hand__gt=0)
    sums: Any = lots.values("item__sphere_dpt", "item__cylinder_dpt").annotate(
        on_hand=Sum("on_hand"), held=Sum("reserved")
    )
    return [
        Cell(
            row["item__sphere_dpt"],
            row["item__cylinder_dpt"],
            row["on_hand"],
            row["held"],
            row["on_hand"] - row["held"],
        )
        for row in sums.order_by("item__sphere_dpt", "-item__cylinder_dpt")
    ]


@dataclass(frozen=True, slots=True)
class Difference:
    """A balance that the ledger or the reservations do not confirm."""

    lot: uuid.UUID
    what: str
    kept: int | str
    computed: int | str

    def __str__(self) -> str:
        return f"lot {self.lot}: {self.what} is kept as {self.kept} but comes out as {self.computed}"


def ledger_differences() -> list[Difference]:
    """Everything in stock that does not add up; empty when the ledger tells the truth.

    Per lot: the sums of its movements, their count and the active reservations against the balance kept; per line:
    the balance after it against the line before; per row: the branch against the branch of its lot.
    """
    return [*_balance_differences(), *_line_differences(), *_branch_differences()]


def _total(rows: BranchQuerySet, expression: Sum | Count) -> Coalesce:
    """The aggregate of the rows of each lot, 0 without rows."""
    per_lot = rows.filter(lot=OuterRef("pk")).order_by().values("lot").annotate(total=expression).values("total")
    return Coalesce(Subquery(per_lot, output_field=IntegerField()), 0)


def _balance_differences() -> Iterator[Difference]:
    movements = Movement.objects.everywhere("proof of the ledger")
    held = Reservation.objects.everywhere("proof of the ledger").filter(state=Reservation.State.ACTIVE)
    lots = Lot.objects.everywhere("proof of the ledger").annotate(
        ledger_on_hand=_total(movements, Sum("on_hand_change")),
        ledger_reserved=_total(movements, Sum("reserved_change")),
        ledger_lines=_total(movements, Count("id")),
        promised=_total(held, Count("id")),
    )
    wrong = lots.exclude(
        on_hand=F("ledger_on_hand"),
        reserved=F("ledger_reserved"),
        lines=F("ledger_lines"),
        promised=F("reserved"),
    )
    for lot in wrong.order_by("id"):
        for what, kept, computed in (
            ("on hand", lot.on_hand, lot.ledger_on_hand),
            ("reserved", lot.reserved, lot.ledger_reserved),
            ("number of lines", lot.lines, lot.ledger_lines),
            ("reserved against active reservations", lot.reserved, lot.promised),
        ):
            if kept != computed:
                yield Difference(lot.id, what, kept, computed)


def _line_differences() -> Iterator[Difference]:
    """Lines whose balance does not follow from the line before, and numbers that are missing."""
    lines = Movement.objects.everywhere("proof of the ledger").annotate(
        expected_line=_before("line") + 1,
        expected_on_hand=_before("on_hand_after") + F("on_hand_change"),
        expected_reserved=_before("reserved_after") + F("reserved_change"),
    )
    wrong = lines.filter(
        ~Q(line=F("expected_line"))
        | ~Q(on_hand_after=F("expected_on_hand"))
        | ~Q(reserved_after=F("expected_reserved"))
    )
    for row in wrong.order_by("lot", "line"):
        for what, kept, computed in (
            ("its number", row.line, row.expected_line),
            ("on hand after it", row.on_hand_after, row.expected_on_hand),
            ("reserved after it", row.reserved_after, row.expected_reserved),
        ):
            if kept != computed:
                yield Difference(row.lot_id, f"line {row.line}: {what}", kept, computed)


def _before(column: str) -> Window:
    """The column in the line before of the same lot, 0 for the first."""
    return Window(Lag(column, default=0), partition_by="lot", order_by="line")


def _branch_differences() -> Iterator[Difference]:
    for model in (Movement, Reservation):
        rows = model.objects.everywhere("proof of the ledger").exclude(branch=F("lot__branch"))
        for row in rows.select_related("lot").order_by("id"):
            what = f"branch of {model._meta.verbose_name} {row.id}"
            yield Difference(row.lot_id, what, str(row.branch_id), str(row.lot.branch_id))
