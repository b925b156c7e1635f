"""What imports refuse, and whether an actor may run one."""

from __future__ import annotations

import uuid

from opticshop.accounts.access import actor_for
from opticshop.core.actor import ALL, Actor, system
from opticshop.core.errors import Conflict, Forbidden, Invalid

from ..models import ImportFile
from ..permissions import ALSO, ImportPermission, where_also


class AlreadyUploaded(Conflict):
    """The same file was uploaded for the same kind and branch; ``known`` names it. ``again`` takes it all the same."""

    code = "imports.already_uploaded"
    title = "This file was uploaded before"


class FieldUnknown(Invalid):
    """A mapping names a field that rows of this kind do not have."""

    code = "imports.field_unknown"
    title = "There is no such field"


class HeadingMissing(Invalid):
    """A mapping names a heading that is not in the first row of the file."""

    code = "imports.heading_missing"
    title = "The file has no such column"


class ColumnsIncomplete(Invalid):
    """A column that rows of this kind need is not mapped."""

    code = "imports.columns_incomplete"
    title = "A column is missing"


def require_run(actor: Actor, branch_id: uuid.UUID, kind: str) -> None:
    """Leave to run imports at the branch, and to do by hand what the file does. Raises NotFound or Forbidden."""
    actor.require(ImportPermission.RUN, branch_id)
    where = where_also(actor, kind)
    if where is not ALL and branch_id not in where:
        what = "Prices are kept by head office." if kind == "prices" else f"This needs the permission {ALSO[kind]}."
        raise Forbidden(what, permission=str(ALSO[kind]))


def runner_of(file: ImportFile) -> Actor:
    """Who started it, with what that person may do now."""
    if file.run_by is None:
        return system("imports")
    return actor_for(file.run_by, None if file.run_by.is_active else ())
