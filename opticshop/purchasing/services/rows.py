"""What every write of purchasing does: lock the row, check the version and the move, write, record the event."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any, TypeVar

from django.db import models

from opticshop.core import outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, VersionMismatch
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet
from opticshop.core.states import check_move

from ..permissions import PurchasingPermission

M = TypeVar("M", bound=models.Model)


class SupplierInactive(Conflict):
    """Nothing is ordered from a supplier that head office has retired."""

    code = "purchasing.supplier_inactive"
    title = "Nothing is ordered from this supplier any more"


def require_group(actor: Actor) -> None:
    """Suppliers are the same for every branch, so a permission in one of them is not enough to change them."""
    if actor.where(PurchasingPermission.EDIT_SUPPLIERS) is not ALL:
        raise Forbidden("Suppliers are kept by head office.", permission=str(PurchasingPermission.EDIT_SUPPLIERS))


def locked(row: M, *related: str, version: int | None = None) -> M:
    """The row as it stands, held until the transaction ends. Raises VersionMismatch when it is not ``version``."""
    rows: models.QuerySet[M] = type(row).objects.all()  # type: ignore[attr-defined]
    if isinstance(rows, BranchQuerySet):
        rows = rows.everywhere("by key, authorised by the caller")
    rows = rows.filter(pk=row.pk)
    [held] = lock_rows(rows.select_related(*related) if related else rows)
    if version is not None and held.version != version:  # type: ignore[attr-defined]
        raise VersionMismatch(field="If-Match")
    return held


def write(row: models.Model, **values: Any) -> None:
    """Set columns of a held row and give it a new version."""
    for name, value in values.items():
        setattr(row, name, value)
    row.version += 1  # type: ignore[attr-defined]
    row.save(update_fields=[*values, "version"])


def move(row: Any, table: Mapping[str, frozenset[str]], state: str, *, of: str, **values: Any) -> None:
    """Make a move of the table. Raises MoveNotAllowed, naming the moves that are allowed."""
    check_move(table, row.state, state, of=of)
    write(row, state=state, **values)


def record(event_type: str, subject: str, actor: Actor, branch_id: uuid.UUID | None, **data: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=subject,
        actor=actor,
        branch_id=branch_id,
        data={name: str(value) if isinstance(value, uuid.UUID) else value for name, value in data.items()},
    )
