"""What a branch wants of an item, and what it has on order."""

from __future__ import annotations

from django.db import transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.locks import busy_answers

from .. import events
from ..models import Expected, ExpectedChange, StockItem, StockLevel
from ..permissions import StockPermission
from .problems import ExpectedTooSmall, LevelsContradict, QuantityWrong


def stock_level_set(*, actor: Actor, branch: Branch, item: StockItem, minimum: int, target: int) -> StockLevel:
    """Say how much of an item a branch wants; 0 and 0 ends keeping it. Raises LevelsContradict or QuantityWrong.

    Saying again what holds already changes nothing and records nothing.
    """
    actor.require(StockPermission.SET_LEVELS, branch.id)
    if minimum < 0:
        raise QuantityWrong(f"{minimum} is no minimum.", field="minimum", allowed="0 or more")
    if target < minimum:
        raise LevelsContradict(
            f"A target of {target} lies below the minimum of {minimum}.", field="target", allowed=f"{minimum} or more"
        )
    wanted = {"minimum": minimum, "target": target}
    with transaction.atomic(), busy_answers():
        level, made = StockLevel.objects.everywhere("by key, permission checked above").get_or_create(
            branch=branch, item=item, defaults=wanted
        )
        if not made:
            row = StockLevel.objects.everywhere("by key, permission checked above").filter(id=level.id)
            if not row.exclude(**wanted).update(**wanted):
                return level
            level.minimum, level.target = minimum, target
        outbox.record(
            event_type=events.STOCK_LEVEL_SET,
            subject=f"stock/items/{item.id}",
            actor=actor,
            branch_id=branch.id,
            data={"item": str(item.id), **wanted},
        )
    return level


def expected_change(*, actor: Actor, branch: Branch, item: StockItem, delta: int, document: str) -> int:
    """Pieces of an item ordered (``delta`` positive), or received or called off (negative); returns what is expected.

    Belongs to the use case of the caller, which has checked its actor; its transaction is joined. A use case that
    changes several items goes through them in order of ``item.id``. Raises ExpectedTooSmall when fewer are on order
    than are taken off, QuantityWrong for 0, Busy.
    """
    if delta == 0:
        raise QuantityWrong("Nothing would change.", field="quantity", allowed="a number other than 0")
    rows = Expected.objects.everywhere("for the use case of this branch, checked there")
    with transaction.atomic(), busy_answers():
        if delta > 0:
            rows.get_or_create(branch=branch, item=item)
        row = rows.filter(branch=branch, item=item)
        if not row.filter(quantity__gte=-delta).update(quantity=F("quantity") + delta, lines=F("lines") + 1):
            now = row.values_list("quantity", flat=True).first() or 0
            raise ExpectedTooSmall(
                f"{branch.code} expects {now} pieces, not {-delta}, of {item}.", field="quantity", allowed=now
            )
        expected = row.get()
        ExpectedChange(
            branch=branch,
            expected=expected,
            line=expected.lines,
            change=delta,
            after=expected.quantity,
            document=document,
            by_id=actor.id,
            by_label=actor.label,
        ).save(force_insert=True)
        outbox.record(
            event_type=events.STOCK_EXPECTED,
            subject=f"stock/items/{item.id}",
            actor=actor,
            branch_id=branch.id,
            data={"item": str(item.id), "change": delta, "expected": expected.quantity, "document": document},
        )
    return expected.quantity
