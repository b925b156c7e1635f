"""Transfers, seen by the branch that sends and by the branch that receives."""

from __future__ import annotations

import uuid

from django.db.models import Prefetch, Q, QuerySet

from opticshop.branches.models import Branch
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from ..models import Transfer, TransferLine
from ..permissions import StockPermission


def transfers_visible_to(actor: Actor) -> BranchQuerySet[Transfer]:
    """Transfers from or to a branch whose stock the actor may see, with their lines."""
    where = actor.where(StockPermission.VIEW)
    rows = Transfer.objects.everywhere("narrowed here to the branches at either end")
    if where is not ALL:
        rows = rows.filter(Q(sender__in=where) | Q(receiver__in=where))
    lines = TransferLine.objects.everywhere("of the transfers above").select_related("lot", "item__frame", "item__lens")
    return rows.select_related("sender", "receiver").prefetch_related(Prefetch("lines", lines.order_by("id")))


def transfer_get_for(actor: Actor, transfer_id: uuid.UUID) -> Transfer:
    """The transfer, if the actor sees the stock of its sender or its receiver; otherwise NotFound."""
    found = transfers_visible_to(actor).filter(id=transfer_id).first()
    if found is None:
        raise NotFound(f"There is no transfer {transfer_id} here.", field="transfer")
    return found


def branches_to_trade_with(actor: Actor) -> QuerySet[Branch]:
    """Every open branch of the group, for those who may transfer at all: one must be able to name the other end."""
    return Branch.objects.filter(is_active=True) if actor.may(StockPermission.TRANSFER) else Branch.objects.none()


def branch_at_the_end(actor: Actor, branch_id: uuid.UUID, *, field: str) -> Branch:
    """A branch of the group as one end of a transfer. Raises NotFound."""
    found = Branch.objects.filter(id=branch_id).first() if actor.may(StockPermission.TRANSFER) else None
    if found is None:
        raise NotFound(f"There is no branch {branch_id} here.", field=field)
    return found
