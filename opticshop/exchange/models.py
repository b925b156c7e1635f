from __future__ import annotations

from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


class OutsideIdentifier(Entity, BranchOwned):
    """What somebody else calls a row of ours: the number under which it was taken in, once per branch."""

    class Kind(models.TextChoices):
        PATIENT = "patient"
        PRESCRIPTION = "prescription"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    system = models.CharField(max_length=200, help_text="Whose number it is, as an absolute URI")
    value = models.CharField(max_length=200)
    customer = models.ForeignKey(
        "customers.Customer", on_delete=models.CASCADE, null=True, related_name="outside_identifiers"
    )
    prescription = models.ForeignKey(
        "prescriptions.Prescription", on_delete=models.CASCADE, null=True, related_name="outside_identifiers"
    )

    class Meta(BranchOwned.Meta):
        db_table = "exchange_outside_identifier"
        constraints = [
            models.UniqueConstraint(fields=["kind", "branch", "system", "value"], name="exchange_outside_once"),
            models.CheckConstraint(
                condition=Q(kind="patient", customer__isnull=False, prescription__isnull=True)
                | Q(kind="prescription", prescription__isnull=False, customer__isnull=True),
                name="exchange_outside_names_one",
            ),
            models.CheckConstraint(condition=~Q(system="") & ~Q(value=""), name="exchange_outside_complete"),
        ]
        indexes = [models.Index(fields=["value", "kind"], name="exchange_outside_value")]

    def __str__(self) -> str:
        return f"{self.system}|{self.value}"
