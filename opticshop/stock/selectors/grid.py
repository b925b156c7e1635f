"""The grid of powers of a lens product: what a branch holds, expects and wants of each power, and who else has one."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db.models import F, Q, Sum

from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.core.actor import Actor

from ..models import Expected, Lot, StockItem, StockLevel, Transfer, TransferLine
from ..permissions import StockPermission
from .lots import lots_visible_to


@dataclass(slots=True)
class Cell:
    """One power of a product at a branch. In transit counts what other branches have sent here."""

    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    on_hand: int = 0
    reserved: int = 0
    available: int = 0
    quarantined: int = 0
    on_order: int = 0
    in_transit: int = 0
    minimum: int = 0
    target: int = 0


#: What the grid shows as a matrix each.
FIGURES = ("on_hand", "available", "on_order", "in_transit", "minimum")


def cells_of(actor: Actor, branch: Branch, product: LensProduct) -> list[Cell]:
    """One cell per power of which the branch holds, awaits or wants anything, by sphere, then cylinder.

    Four queries, however many powers there are.
    """
    cells: dict[tuple[Decimal, Decimal], Cell] = {}
    for rows in (
        _held(actor, branch, product),
        _ordered(branch, product),
        _wanted(branch, product),
        _under_way(branch, product),
    ):
        for row in rows:
            power = row.pop("item__sphere_dpt"), row.pop("item__cylinder_dpt")
            cell = cells.setdefault(power, Cell(*power))
            for figure, pieces in row.items():
                setattr(cell, figure, pieces or 0)
    return [cells[power] for power in sorted(cells, key=lambda power: (power[0], -power[1]))]


_POWER = ("item__sphere_dpt", "item__cylinder_dpt")


def _held(actor: Actor, branch: Branch, product: LensProduct) -> Any:
    free = Q(is_quarantined=False)
    lots = Lot.objects.visible_to(actor, StockPermission.VIEW).filter(branch=branch, item__lens=product, on_hand__gt=0)
    sums = lots.order_by().values(*_POWER)
    # Aliased apart from the columns: an aggregate of the same name would be summed again by the next one.
    rows = sums.annotate(
        all=Sum("on_hand"),
        promised=Sum("reserved"),
        apart=Sum("on_hand", filter=~free),
        loose=Sum(F("on_hand") - F("reserved"), filter=free),
    )
    renamed = {"all": "on_hand", "promised": "reserved", "apart": "quarantined", "loose": "available"}
    return ({renamed.get(name, name): value for name, value in row.items()} for row in rows)


def _ordered(branch: Branch, product: LensProduct) -> Any:
    rows = Expected.objects.everywhere("of a branch whose stock the actor may see, checked by the caller")
    return rows.filter(branch=branch, item__lens=product, quantity__gt=0).values(*_POWER, on_order=F("quantity"))


def _wanted(branch: Branch, product: LensProduct) -> Any:
    rows = StockLevel.objects.everywhere("of a branch whose stock the actor may see, checked by the caller")
    return rows.filter(branch=branch, item__lens=product, target__gt=0).values(*_POWER, "minimum", "target")


def _under_way(branch: Branch, product: LensProduct) -> Any:
    rows = TransferLine.objects.everywhere(
        "on its way to a branch whose stock the actor may see, checked by the caller"
    )
    coming = rows.filter(
        transfer__receiver=branch,
        transfer__state__in=[Transfer.State.SENT, Transfer.State.PART_RECEIVED],
        item__lens=product,
    )
    left = Sum(F("quantity") - F("received") - F("lost") - F("returned"))
    return coming.order_by().values(*_POWER).annotate(in_transit=left)


def as_matrices(cells: list[Cell], spheres: list[Decimal], cylinders: list[Decimal]) -> dict[str, list[list[int]]]:
    """Each figure as rows of spheres and columns of cylinders, 0 where nothing is."""
    row_of = {sphere: n for n, sphere in enumerate(spheres)}
    column_of = {cylinder: n for n, cylinder in enumerate(cylinders)}
    matrices = {figure: [[0] * len(cylinders) for _ in spheres] for figure in FIGURES}
    for cell in cells:
        row, column = row_of.get(cell.sphere_dpt), column_of.get(cell.cylinder_dpt)
        if row is None or column is None:
            continue  # kept from a time when the product had another range; the cells still name it
        for figure in FIGURES:
            matrices[figure][row][column] = getattr(cell, figure)
    return matrices


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Another branch that has unpromised pieces of an item."""

    branch: uuid.UUID
    code: str
    name: str
    available: int


@dataclass(frozen=True, slots=True)
class Found:
    """What a branch holds of one item, and which other branches that the actor sees could help out."""

    lots: list[Lot] = field(default_factory=list)
    elsewhere: list[Elsewhere] = field(default_factory=list)


def found_of(actor: Actor, branch: Branch, item: StockItem | None) -> Found:
    """The lots of an item here, oldest first, and other branches with unpromised pieces, most pieces first.

    Only branches whose stock the actor may see are named. Two queries.
    """
    if item is None:
        return Found()
    held = lots_visible_to(actor).filter(item=item, on_hand__gt=0)
    others = (
        held.exclude(branch=branch)
        .filter(is_quarantined=False, branch__is_active=True)
        .order_by()
        .values("branch", "branch__code", "branch__name")
        .annotate(free=Sum(F("on_hand") - F("reserved")))
        .filter(free__gt=0)
        .order_by("-free", "branch__code")
    )
    elsewhere = [
        Elsewhere(branch=row["branch"], code=row["branch__code"], name=row["branch__name"], available=row["free"])
        for row in others
    ]
    return Found(list(held.filter(branch=branch).order_by("id")), elsewhere)
