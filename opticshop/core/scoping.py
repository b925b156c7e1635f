"""Branch scope as a mechanism: a branch-owned model refuses a query that has not said for whom it is asked.

``Model.objects.visible_to(actor, permission)`` narrows to the branches where the actor holds the permission.
``Model.objects.everywhere("why")`` is the stated exception for the system's own work. Any other evaluation of
``Model.objects`` raises UnscopedQuery. Django itself (related objects, refresh, constraints) uses ``unscoped``.
"""

from __future__ import annotations

from typing import Any, Generic, Self, TypeVar

from django.db import models

from .actor import ALL, Actor
from .fetching import fetch_related

M = TypeVar("M", bound=models.Model)


class UnscopedQuery(RuntimeError):
    """A programming error: a branch-owned table was about to be read for nobody in particular."""


class BranchQuerySet(models.QuerySet[M], Generic[M]):
    _scope: str | None = None

    def visible_to(self, actor: Actor, permission: str) -> Self:
        where = actor.where(permission)
        path = getattr(self.model, "branch_path", "branch")
        scoped = self.all() if where is ALL else self._filtered({f"{path}__in": where})
        scoped._scope = f"{actor.label}:{permission}"
        return scoped

    def everywhere(self, reason: str) -> Self:
        if not reason:
            raise ValueError("say why this query needs no scope")
        scoped = self.all()
        scoped._scope = f"everywhere: {reason}"
        return scoped

    def _filtered(self, condition: dict[str, Any]) -> Self:
        guarded, self._scope = self._scope, "filter"
        try:
            return self.filter(**condition)
        finally:
            self._scope = guarded

    def _clone(self) -> Self:
        clone: Self = super()._clone()  # type: ignore[misc]
        clone._scope = self._scope
        return clone

    def _guard(self) -> None:
        if self._scope is None:
            raise UnscopedQuery(
                f"{self.model.__name__}.objects was evaluated without a scope: "
                "use .visible_to(actor, permission) or .everywhere(reason)"
            )

    def _fetch_all(self) -> None:
        self._guard()
        super()._fetch_all()

    def _prefetch_related_objects(self) -> None:
        rows: Any = self._result_cache
        fetch_related(rows, self._prefetch_related_lookups, self.db)  # type: ignore[attr-defined]
        self._prefetch_done = True

    def iterator(self, *args: Any, **kwargs: Any) -> Any:
        self._guard()
        return super().iterator(*args, **kwargs)

    def count(self) -> int:
        self._guard()
        return super().count()

    def exists(self) -> bool:
        self._guard()
        return super().exists()

    def aggregate(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        self._guard()
        return super().aggregate(*args, **kwargs)

    def update(self, **kwargs: Any) -> int:
        self._guard()
        return super().update(**kwargs)

    def delete(self) -> tuple[int, dict[str, int]]:
        self._guard()
        return super().delete()


class BranchOwned(models.Model):
    """Abstract base for rows that belong to a branch; ``branch_path`` names the way to it where it is not direct."""

    branch_path = "branch"

    objects = BranchQuerySet.as_manager()
    unscoped = models.Manager()

    class Meta:
        abstract = True
        base_manager_name = "unscoped"
        default_manager_name = "unscoped"
