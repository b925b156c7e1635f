"""What every write of this app does: change a row guarded by its version, and record the event."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from django.db import IntegrityError, models
from django.db.models import F

from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, VersionMismatch
from opticshop.core.scoping import BranchQuerySet

M = TypeVar("M", bound=models.Model)


class NameTaken(Conflict):
    """Another instrument of this branch has the name; people at the bench tell instruments apart by it."""

    code = "instruments.name_taken"
    title = "Another instrument of this branch has this name"


def write_change(rows: BranchQuerySet[M], row: Any, version: int, changes: Mapping[str, Any]) -> None:
    """Write the changes if nobody wrote since ``version``, and read the row again. Raises VersionMismatch."""
    if not rows.filter(id=row.id, version=version).update(version=F("version") + 1, **changes):
        raise VersionMismatch(field="If-Match")
    row.refresh_from_db()


def explain(error: IntegrityError, name: str) -> None:
    """Turn the database's refusal of a name into ours; let any other through."""
    if "name" in str(error):
        raise NameTaken(f"There is already an instrument called {name}.", field="name") from error
    raise error


def record(event_type: str, subject: str, actor: Actor, row: Any, **data: Any) -> None:
    outbox.record(event_type=event_type, subject=subject, actor=actor, branch_id=row.branch_id, data=data)
