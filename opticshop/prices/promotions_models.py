"""Tables of the shop's own promotions: what is offered, and each use of it."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Upper

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


class Promotion(Entity):
    """A discount the shop offers under a code: at one branch or, without a branch, in the whole group.

    Its terms never change; to offer others it is ended and a new one made. ``limit_used`` is counted only where there
    is a limit, by conditional UPDATE, so that orders at several tills cannot go past it.
    """

    class Kind(models.TextChoices):
        FIXED = "fixed", "An amount of money"
        PERCENT = "percent", "A part of the price in percent"

    code = models.CharField(max_length=20, unique=True, help_text="In capitals, as it is given at the till")
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=8, choices=Kind.choices)
    amount = models.DecimalField(max_digits=10, decimal_places=2, help_text="Money, or percent")
    currency = models.CharField(max_length=3)
    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, null=True, related_name="+")
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, help_text="Last day, in the zone of the branch that sells")
    minimum_spend = models.DecimalField(max_digits=10, decimal_places=2, default=0)
    once_per_customer = models.BooleanField(default=False)
    use_limit = models.PositiveIntegerField(null=True, help_text="Uses altogether; empty: no limit")
    limit_used = models.PositiveIntegerField(default=0, help_text="Uses that stand, where there is a limit")
    complete_pairs_only = models.BooleanField(default=False, help_text="A frame and both lenses in one order")
    combines = models.BooleanField(default=False, help_text="With other promotions that combine, on one document")
    ended_at = models.DateTimeField(null=True)
    end_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(code=Upper("code")) & ~Q(code=""), name="prices_promo_code_capitals"),
            models.CheckConstraint(
                condition=Q(kind="fixed", amount__gt=0) | Q(kind="percent", amount__gt=0, amount__lte=100),
                name="prices_promo_amount",
            ),
            models.CheckConstraint(
                condition=Q(valid_to__isnull=True) | Q(valid_to__gte=F("valid_from")), name="prices_promo_has_days"
            ),
            models.CheckConstraint(condition=Q(minimum_spend__gte=0), name="prices_promo_minimum"),
            models.CheckConstraint(
                condition=Q(use_limit__isnull=True, limit_used=0) | Q(use_limit__gte=1, limit_used__lte=F("use_limit")),
                name="prices_promo_within_limit",
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | ~Q(end_reason=""), name="prices_promo_end_explained"
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="prices_promo_newest")]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class PromotionUse(Entity, BranchOwned):
    """One promotion on one document (``orders/<id>``). Given back when the document falls away."""

    class State(models.TextChoices):
        USED = "used"
        GIVEN_BACK = "given_back"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    promotion = models.ForeignKey(Promotion, on_delete=models.PROTECT, related_name="used")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="+")
    document = models.CharField(max_length=80)
    amount = models.DecimalField(max_digits=10, decimal_places=2)
    currency = models.CharField(max_length=3)
    state = models.CharField(max_length=10, choices=State.choices, default=State.USED)
    is_once = models.BooleanField(help_text="Copy of the promotion's term, for the constraint")
    is_alone = models.BooleanField(help_text="It does not combine; copy of the promotion's term, for the constraint")
    used_at = models.DateTimeField()
    given_back_at = models.DateTimeField(null=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["promotion", "customer"],
                condition=Q(state="used", is_once=True),
                name="prices_promo_once_a_customer",
            ),
            models.UniqueConstraint(
                fields=["promotion", "document"], condition=Q(state="used"), name="prices_promo_once_a_document"
            ),
            models.UniqueConstraint(
                fields=["document"], condition=Q(state="used", is_alone=True), name="prices_promo_alone"
            ),
            models.CheckConstraint(condition=Q(amount__gt=0), name="prices_promo_use_positive"),
            models.CheckConstraint(
                condition=Q(state="used", given_back_at__isnull=True)
                | Q(state="given_back", given_back_at__isnull=False),
                name="prices_promo_use_state",
            ),
        ]
        indexes = [
            models.Index(fields=["document"], name="prices_promo_document"),
            models.Index(fields=["promotion", "-id"], name="prices_promo_uses"),
        ]

    def __str__(self) -> str:
        return f"{self.amount} {self.currency} on {self.document}"
