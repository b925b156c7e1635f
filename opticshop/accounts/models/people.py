from __future__ import annotations

from django.contrib.auth.models import AbstractUser
from django.db import models

from opticshop.core.ids import new_id
from opticshop.core.models import Entity


class Role(models.TextChoices):
    COUNTER = "counter", "Counter"
    WORKSHOP = "workshop", "Workshop"
    MANAGER = "manager", "Manager"
    HEAD_OFFICE = "head_office", "Head office"
    BOOKKEEPER = "bookkeeper", "Bookkeeper"


#: Roles that may be held in every branch at once.
SPANNING_ROLES = (Role.HEAD_OFFICE, Role.BOOKKEEPER)


class User(AbstractUser):
    """A person, or a service account that an integrator's client acts for."""

    class Kind(models.TextChoices):
        PERSON = "person"
        SERVICE = "service"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    kind = models.CharField(max_length=10, choices=Kind.choices, default=Kind.PERSON)
    display_name = models.CharField(max_length=120, blank=True)
    registration_number = models.CharField(
        max_length=40,
        blank=True,
        help_text="Number in the professional register, kept as text; empty if not registered",
    )
    version = models.PositiveIntegerField(default=1, db_default=1, editable=False)

    class Meta(AbstractUser.Meta):
        swappable = "AUTH_USER_MODEL"

    def __str__(self) -> str:
        return self.display_name or self.username


class Membership(Entity):
    """A role held at a branch, or, for roles that span, everywhere (no branch)."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    branch = models.ForeignKey("branches.Branch", on_delete=models.CASCADE, null=True, blank=True, related_name="+")
    role = models.CharField(max_length=20, choices=Role.choices)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "branch", "role"], name="accounts_role_once_per_branch"),
            models.UniqueConstraint(
                fields=["user", "role"], condition=models.Q(branch=None), name="accounts_role_once_everywhere"
            ),
            models.CheckConstraint(
                condition=models.Q(branch__isnull=False) | models.Q(role__in=["head_office", "bookkeeper"]),
                name="accounts_only_spanning_roles_everywhere",
            ),
            models.CheckConstraint(
                condition=models.Q(role__in=["counter", "workshop", "manager", "head_office", "bookkeeper"]),
                name="accounts_role_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user}: {self.role} at {self.branch or 'all branches'}"
