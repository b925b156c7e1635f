from __future__ import annotations

from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned


class Customer(Entity, Versioned, BranchOwned):
    """A person, at home in one branch. The search columns are folded copies (lower case, no accents)."""

    class Channel(models.TextChoices):
        EMAIL = "email"
        TEXT = "text"
        LETTER = "letter"
        NONE = "none"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    given_name = models.CharField(max_length=80)
    family_name = models.CharField(max_length=80)
    search_given = models.CharField(max_length=80, editable=False)
    search_family = models.CharField(max_length=80, editable=False)
    birth_date = models.DateField(null=True)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True, help_text="As given")
    phone_e164 = models.CharField(max_length=16, blank=True, editable=False)
    address = models.TextField(blank=True)
    postcode = models.CharField(max_length=12, blank=True)
    country = models.CharField(max_length=2, default="GB")
    language = models.CharField(max_length=10, default="en")
    guardian = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="wards")
    is_sight_impaired = models.BooleanField(default=False, help_text="Registered (severely) sight impaired")
    preferred_channel = models.CharField(max_length=10, choices=Channel.choices, default=Channel.EMAIL)
    wants_recalls = models.BooleanField(default=True)
    wants_marketing = models.BooleanField(default=False)
    note = models.TextField(blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(preferred_channel__in=["email", "text", "letter", "none"]),
                name="customers_channel_known",
            ),
            models.CheckConstraint(condition=~Q(guardian=models.F("id")), name="customers_not_own_guardian"),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="customers_branch_newest"),
            models.Index(fields=["branch", "search_family", "search_given"], name="customers_branch_name"),
            models.Index(fields=["branch", "birth_date"], name="customers_branch_birth"),
            models.Index(fields=["branch", "phone_e164"], name="customers_branch_phone", condition=~Q(phone_e164="")),
        ]

    def __str__(self) -> str:
        return f"{self.given_name} {self.family_name}"
