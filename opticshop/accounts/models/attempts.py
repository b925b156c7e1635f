from __future__ import annotations

from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity


class AttemptCount(Entity):
    """How often in a row a secret was tried in vain; what each scope is for is said in ``services.attempts``.

    A name is kept as a keyed digest only: people type their password where the name belongs.
    """

    class Scope(models.TextChoices):
        PAIR = "pair", "One account from one address"
        KNOWN = "known", "One account, from all addresses where it has succeeded before"
        STRANGERS = "strangers", "One account, from all other addresses"
        ADDRESS = "address", "All accounts from one address"

    kind = models.CharField(max_length=20, help_text="Which secret: password, code, ...")
    scope = models.CharField(max_length=10, choices=Scope.choices)
    account = models.CharField(max_length=64, blank=True, help_text="Keyed digest of the name; empty: every account")
    address = models.CharField(max_length=45, blank=True, help_text="IPv6 by its first 64 bits; empty: every address")
    failures = models.PositiveIntegerField(default=0)
    tried_at = models.DateTimeField()
    succeeded_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["account", "kind", "scope", "address"], name="accounts_attempts_once"),
            models.CheckConstraint(
                condition=Q(scope__in=["pair", "known", "strangers", "address"]), name="accounts_attempts_scope_known"
            ),
        ]
        indexes = [models.Index(fields=["tried_at"], name="accounts_attempts_tried")]

    def __str__(self) -> str:
        return f"{self.kind} {self.scope}: {self.failures}"
