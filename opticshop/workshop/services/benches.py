"""Writes of benches: the places of a workshop where jobs lie."""

from __future__ import annotations

from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, VersionMismatch

from .. import events
from ..models import Bench
from ..permissions import WorkshopPermission


class BenchCodeTaken(Conflict):
    """Codes of benches are unique within a branch: they stand on the bench."""

    code = "workshop.bench_code_taken"
    title = "Another bench of this branch has this code"


def bench_add(*, actor: Actor, branch: Branch, code: str, name: str) -> Bench:
    """Set up a bench at a branch."""
    actor.require(WorkshopPermission.SET_UP, branch.id)
    try:
        with transaction.atomic():
            bench = Bench.objects.create(branch=branch, code=code.upper(), name=name)
            _record(events.BENCH_ADDED, bench, actor)
    except IntegrityError as error:
        raise BenchCodeTaken(f"{branch.code} has a bench {code.upper()}.", field="code") from error
    return bench


def bench_change(*, actor: Actor, bench: Bench, version: int, changes: dict[str, Any]) -> Bench:
    """Rename a bench or take it out of use, guarded by its version. Jobs that lie there stay there."""
    actor.require(WorkshopPermission.SET_UP, bench.branch_id)
    with transaction.atomic():
        rows = Bench.objects.everywhere("by key, authorised above").filter(id=bench.id, version=version)
        if not rows.update(version=F("version") + 1, **changes):
            raise VersionMismatch(field="If-Match")
        _record(events.BENCH_CHANGED, bench, actor, fields=sorted(changes))
    bench.refresh_from_db()
    return bench


def _record(event_type: str, bench: Bench, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"benches/{bench.id}",
        actor=actor,
        branch_id=bench.branch_id,
        data={"bench": str(bench.id), "code": bench.code, **more},
    )
