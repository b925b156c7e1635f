"""Reads of imports. A file is shown to those who may do by hand, at its branch, what it does."""

from __future__ import annotations

import uuid

from django.db.models import Count, IntegerField, OuterRef, Q, Subquery
from django.db.models.functions import Coalesce

from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from .models import ImportFile, ImportRow, Kind
from .permissions import ImportPermission, where_also

COUNTED = ImportRow.State.values


def imports_visible_to(actor: Actor) -> BranchQuerySet[ImportFile]:
    """Files without their bytes, with how many of their rows are in each state."""
    counts = {f"rows_{state}": _counted(state) for state in COUNTED}
    visible = ImportFile.objects.visible_to(actor, ImportPermission.VIEW).filter(_may_do(actor))
    return visible.defer("content").annotate(**counts)


def import_get_for(actor: Actor, import_id: uuid.UUID) -> ImportFile:
    found = imports_visible_to(actor).filter(id=import_id).first()
    if found is None:
        raise NotFound(f"There is no import {import_id} here.", field="import")
    return found


def rows_visible_to(actor: Actor) -> BranchQuerySet[ImportRow]:
    return (
        ImportRow.objects.visible_to(actor, ImportPermission.VIEW)
        .filter(_may_do(actor, "file__"))
        .select_related("file")
        .defer("file__content", "file__preview", "file__tried")
    )


def failed_rows(file: ImportFile) -> BranchQuerySet[ImportRow]:
    rows = ImportRow.objects.everywhere("rows of one file that was fetched for its reader")
    return rows.filter(file=file, state=ImportRow.State.FAILED).order_by("number")


def _may_do(actor: Actor, path: str = "") -> Q:
    mine = Q(pk__in=[])
    for kind in Kind:
        where = where_also(actor, kind)
        here = Q() if where is ALL else Q(**{f"{path}branch__in": where})
        mine |= here & Q(**{f"{path}kind": kind})
    return mine


def _counted(state: str) -> Coalesce:
    rows = ImportRow.objects.everywhere("counted for a file that is scoped itself")
    each = rows.filter(file=OuterRef("pk"), state=state).order_by().values("file").annotate(n=Count("pk"))
    return Coalesce(Subquery(each.values("n"), output_field=IntegerField()), 0)
