from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned

from .lines_models import FrozenLine
from .quotations_models import Quotation as Quotation
from .quotations_models import QuotationLine as QuotationLine


class OrderState(models.TextChoices):
    PLACED = "placed"
    IN_WORKSHOP = "in_workshop"
    READY = "ready"
    COLLECTED = "collected"
    CANCELLED = "cancelled"


#: From each state, the states an order may move to. Nothing else is possible.
ORDER_MOVES: dict[str, frozenset[str]] = {
    OrderState.PLACED: frozenset({OrderState.IN_WORKSHOP, OrderState.CANCELLED}),
    OrderState.IN_WORKSHOP: frozenset({OrderState.READY, OrderState.CANCELLED}),
    OrderState.READY: frozenset({OrderState.COLLECTED, OrderState.IN_WORKSHOP, OrderState.CANCELLED}),
    OrderState.COLLECTED: frozenset({OrderState.IN_WORKSHOP}),  # a remake after collection
    OrderState.CANCELLED: frozenset(),
}


class Order(Entity, Versioned, BranchOwned):
    """One pair of spectacles for one customer."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=40, unique=True)
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="orders")
    prescription = models.ForeignKey("prescriptions.Prescription", on_delete=models.PROTECT, related_name="orders")
    measurement = models.ForeignKey("prescriptions.Measurement", on_delete=models.PROTECT, related_name="+")
    override = models.ForeignKey(
        "prescriptions.DispensingOverride", on_delete=models.PROTECT, null=True, related_name="+"
    )
    frame = models.ForeignKey("catalogue.Frame", on_delete=models.PROTECT, related_name="+")
    frame_is_customers = models.BooleanField(
        default=False, help_text="The customer's own frame: nothing is reserved or charged for it"
    )
    purpose = models.CharField(max_length=12, default="distance", help_text="distance, near or intermediate")
    state = models.CharField(max_length=12, choices=OrderState.choices, default=OrderState.PLACED)
    placed_at = models.DateTimeField()
    placed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    promised_on = models.DateField()
    ready_at = models.DateTimeField(null=True)
    collected_at = models.DateTimeField(null=True)
    cancelled_reason = models.CharField(max_length=300, blank=True)
    currency = models.CharField(max_length=3)
    total = models.DecimalField(max_digits=10, decimal_places=2)
    tax_total = models.DecimalField(max_digits=10, decimal_places=2)
    computation = models.JSONField(default=dict, help_text="Inputs as understood, results, assumptions, versions")
    warnings = models.JSONField(default=list)
    note = models.TextField(blank=True)
    replaces = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="replacements")
    quotation = models.OneToOneField(
        Quotation, on_delete=models.PROTECT, null=True, related_name="order", help_text="Placed at its price"
    )
    promotion_code = models.CharField(max_length=20, blank=True, default="", db_default="")
    replacement_reason = models.CharField(max_length=300, blank=True, default="", db_default="")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["placed", "in_workshop", "ready", "collected", "cancelled"]),
                name="orders_state_known",
            ),
            models.CheckConstraint(condition=Q(total__gte=0) & Q(tax_total__gte=0), name="orders_total_not_negative"),
            models.CheckConstraint(
                condition=~Q(state="cancelled") | ~Q(cancelled_reason=""), name="orders_cancel_explained"
            ),
            models.CheckConstraint(
                condition=Q(replaces__isnull=True) | ~Q(replacement_reason=""), name="orders_replacement_explained"
            ),
            models.CheckConstraint(
                condition=~Q(state="collected") | Q(collected_at__isnull=False), name="orders_collected_when"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="orders_branch_newest"),
            models.Index(fields=["branch", "state", "-id"], name="orders_branch_state"),
            models.Index(fields=["customer", "-id"], name="orders_customer"),
            models.Index(fields=["branch", "placed_at"], name="orders_branch_placed"),
            models.Index(
                fields=["branch", "collected_at"],
                name="orders_branch_collected",
                condition=Q(collected_at__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return self.number


class Promise(Entity):
    """One promise of an order: the day, why that day, by whom. The first is made with the order; none is changed."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="promises")
    promised_on = models.DateField()
    reason = models.CharField(max_length=300)
    basis = models.JSONField(default=dict, help_text="What the day was reckoned from; empty where a person named it")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["id"]
        constraints = [models.CheckConstraint(condition=~Q(reason=""), name="orders_promise_explained")]

    def __str__(self) -> str:
        return f"{self.promised_on}: {self.reason}"


class OrderedLens(Entity):
    """The lens ordered for one eye: the power to supply and be judged by, and where it came from."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lenses")
    eye = models.CharField(max_length=5)
    product = models.ForeignKey("catalogue.LensProduct", on_delete=models.PROTECT, related_name="+")
    sphere_dpt = models.DecimalField(max_digits=5, decimal_places=2, help_text="To supply, minus-cylinder form")
    cylinder_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    axis_deg = models.PositiveSmallIntegerField(null=True)
    addition_dpt = models.DecimalField(max_digits=4, decimal_places=2, null=True)
    prism_in_dpt = models.DecimalField(max_digits=5, decimal_places=2, default=0, help_text="Base in positive")
    prism_up_dpt = models.DecimalField(max_digits=5, decimal_places=2, default=0, help_text="Base up positive")
    centration_distance_mm = models.DecimalField(
        max_digits=4, decimal_places=1, help_text="From the middle of the bridge"
    )
    centration_height_mm = models.DecimalField(
        max_digits=4, decimal_places=1, help_text="Above the lowest boxed tangent"
    )
    is_special_order = models.BooleanField(default=False, help_text="Ordered for this pair instead of taken from stock")

    class Meta:
        ordering = ["-eye"]
        constraints = [
            models.UniqueConstraint(fields=["order", "eye"], name="orders_lens_once_per_eye"),
            models.CheckConstraint(condition=Q(eye__in=["right", "left"]), name="orders_lens_eye_known"),
            models.CheckConstraint(condition=Q(cylinder_dpt__lte=0), name="orders_lens_minus_cylinder"),
            models.CheckConstraint(
                condition=(Q(cylinder_dpt=0) & Q(axis_deg__isnull=True))
                | (~Q(cylinder_dpt=0) & Q(axis_deg__gte=1) & Q(axis_deg__lte=180)),
                name="orders_lens_axis_with_cylinder",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.eye} {self.sphere_dpt}/{self.cylinder_dpt}"


class OrderLine(FrozenLine):
    """One line of the price, frozen when the order was placed. Gross includes tax."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["order", "position"], name="orders_line_position"),
            models.CheckConstraint(
                condition=Q(gross__gte=0) & Q(discount__gte=0) & Q(tax__gte=0),
                name="orders_line_not_negative",
            ),
        ]
