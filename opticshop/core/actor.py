"""Who is acting: the first parameter of every service and selector.

An actor carries, per permission, where it holds: in every branch, or in a set of branches. It is built once per
request (or by name for the system itself) and never consults the database again.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal

from .errors import ConfirmFirst, Forbidden, NotFound


class Everywhere(Enum):
    """Marks a permission that holds in all branches."""

    ALL = "all"


ALL = Everywhere.ALL
Where = frozenset[uuid.UUID] | Literal[Everywhere.ALL]
NOWHERE: frozenset[uuid.UUID] = frozenset()


@dataclass(frozen=True, slots=True)
class Actor:
    id: uuid.UUID | None
    label: str
    kind: Literal["person", "service", "system", "nobody"] = "person"
    grants: Mapping[str, Where] = field(default_factory=dict)
    all_powerful: bool = False
    #: What the actor would hold besides, had it confirmed who it is: an operator who took over a till by PIN.
    after_confirming: Mapping[str, Where] = field(default_factory=dict)

    def where(self, permission: str) -> Where:
        """The branches in which the permission holds; empty where it does not hold at all."""
        if self.all_powerful:
            return ALL
        return self.grants.get(permission, NOWHERE)

    def may(self, permission: str, branch_id: uuid.UUID | None = None) -> bool:
        """Whether the permission holds in that branch, or, without a branch, anywhere."""
        return self.all_powerful or _holds(self.grants, permission, branch_id)

    def require(self, permission: str, branch_id: uuid.UUID | None = None) -> None:
        """Raise unless the permission holds.

        A branch in which the actor holds nothing at all answers NotFound (it is not told that the branch exists);
        a branch the actor does work in answers Forbidden, naming the permission.
        """
        if self.may(permission, branch_id):
            return
        self.require_confirmed(permission, branch_id)
        if branch_id is not None and not self.knows(branch_id):
            raise NotFound(f"There is no branch {branch_id} here.", field="branch")
        raise Forbidden(f"This needs the permission {permission}.", permission=str(permission))

    def require_confirmed(self, permission: str, branch_id: uuid.UUID | None = None) -> None:
        """Raise ConfirmFirst where the permission is missing only for want of that."""
        if not self.may(permission, branch_id) and _holds(self.after_confirming, permission, branch_id):
            raise ConfirmFirst(permission)

    def knows(self, branch_id: uuid.UUID) -> bool:
        return self.all_powerful or any(w is ALL or branch_id in w for w in self.grants.values())


def _holds(grants: Mapping[str, Where], permission: str, branch_id: uuid.UUID | None) -> bool:
    where = grants.get(permission, NOWHERE)
    if where is ALL:
        return True
    return bool(where) if branch_id is None else branch_id in where


def system(label: str) -> Actor:
    """The service itself, acting on its own rows (event handlers, scheduled work, set-up)."""
    return Actor(id=None, label=f"system:{label}", kind="system", all_powerful=True)


NOBODY = Actor(id=None, label="nobody", kind="nobody")
