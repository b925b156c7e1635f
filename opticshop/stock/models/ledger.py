from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


class StockItem(Entity):
    """What can be counted: one frame, or one lens product in one power (minus-cylinder form; the axis is free)."""

    class Kind(models.TextChoices):
        FRAME = "frame"
        LENS = "lens"

    kind = models.CharField(max_length=5, choices=Kind.choices)
    frame = models.OneToOneField("catalogue.Frame", on_delete=models.PROTECT, null=True, related_name="stock_item")
    lens = models.ForeignKey("catalogue.LensProduct", on_delete=models.PROTECT, null=True, related_name="stock_items")
    sphere_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    cylinder_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=(Q(kind="frame") & Q(frame__isnull=False) & Q(lens__isnull=True))
                | (
                    Q(kind="lens")
                    & Q(lens__isnull=False)
                    & Q(frame__isnull=True)
                    & Q(sphere_dpt__isnull=False)
                    & Q(cylinder_dpt__isnull=False)
                    & Q(cylinder_dpt__lte=0)
                ),
                name="stock_item_is_one_thing",
            ),
            models.UniqueConstraint(
                fields=["lens", "sphere_dpt", "cylinder_dpt"],
                name="stock_one_item_per_power",
                condition=Q(kind="lens"),
            ),
        ]

    def __str__(self) -> str:
        if self.kind == self.Kind.FRAME:
            return f"frame {self.frame_id}"
        return f"lens {self.lens_id} {self.sphere_dpt:+.2f} / {self.cylinder_dpt:+.2f}"


class Lot(Entity, BranchOwned):
    """The balance of one item from one delivery at one branch, kept equal to the sum of its movements.

    On hand counts what lies in the branch, reserved the part of it promised to orders; available is the difference.
    In transit counts what was sent to another branch and has not arrived: it belongs to this lot until it does.
    ``lines`` counts the movements. Only ``stock.ledger.post`` writes these four. Of a lot in quarantine nothing is
    available: what was promised before stays promised, nothing more is.
    """

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    item = models.ForeignKey(StockItem, on_delete=models.PROTECT, related_name="lots")
    code = models.CharField(max_length=40, help_text="Lot or packet code of the maker, or our own")
    unit_cost = models.DecimalField(max_digits=10, decimal_places=2, default=0)
    on_hand = models.PositiveIntegerField(default=0)
    reserved = models.PositiveIntegerField(default=0)
    in_transit = models.PositiveIntegerField(default=0, db_default=0)
    lines = models.PositiveIntegerField(default=0, help_text="Number of the last line of its ledger")
    is_quarantined = models.BooleanField(default=False, db_default=False)
    quarantine_reason = models.CharField(max_length=200, blank=True, default="", db_default="")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "item", "code"], name="stock_lot_once"),
            models.CheckConstraint(condition=Q(in_transit__gte=0), name="stock_lot_transit_not_negative"),
            models.CheckConstraint(
                condition=Q(is_quarantined=False) | ~Q(quarantine_reason=""), name="stock_quarantine_explained"
            ),
            models.CheckConstraint(condition=Q(on_hand__gte=0) & Q(reserved__gte=0), name="stock_lot_not_negative"),
            models.CheckConstraint(condition=Q(reserved__lte=F("on_hand")), name="stock_lot_not_oversold"),
            models.CheckConstraint(condition=Q(unit_cost__gte=0), name="stock_lot_cost"),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="stock_lot_branch_newest"),
            models.Index(fields=["item", "branch", "id"], name="stock_lot_item_branch"),
        ]

    def __str__(self) -> str:
        return f"{self.code}: {self.on_hand} on hand, {self.reserved} reserved"


def _kind(*kinds: str, on_hand: str = "=0", reserved: str = "=0", in_transit: str = "=0") -> Q:
    """The kinds change the three figures as written: a comparison with 0, or "any"."""
    lookups = {"=0": "", ">0": "__gt", "<0": "__lt", ">=0": "__gte", "<=0": "__lte"}
    condition = Q(kind__in=kinds)
    for figure, sign in (("on_hand", on_hand), ("reserved", reserved), ("in_transit", in_transit)):
        if sign != "any":
            condition &= Q(**{f"{figure}_change{lookups[sign]}": 0})
    return condition


#: What each kind of movement may do to the balance.
DOES_WHAT_IT_SAYS = (
    _kind("receipt", "customer_return", on_hand=">0")
    | _kind("reservation", reserved=">0")
    | _kind("release", reserved="<0")
    | _kind("consumption", on_hand="<0", reserved="<0")
    | _kind("write_off", on_hand="<0", reserved="<=0")
    | _kind("supplier_return", on_hand="<0")
    | _kind("count_adjustment", on_hand="any")
    | _kind("transfer_out", on_hand="<0", in_transit=">0")
    | _kind("transfer_in", on_hand=">=0", in_transit="<=0")
    | _kind("transfer_loss", in_transit="<0")
)


class Movement(Entity, BranchOwned):
    """One line of the ledger: what moved, why, by whom, for which document. Never changed, never deleted.

    The ``_change`` columns are what the movement did to the balance of its lot, and the ``_after`` columns what the
    balance then was. Lines of a lot are numbered without gaps, so each proves the one before it. What a kind of
    movement may change is held by the database (``stock_movement_does_what_it_says``), which also refuses to change
    or delete a line (migration 0002). A transfer that arrives is two lines of the same kind: the pieces leave the
    transit of the lot that sent them and come on hand in a lot of the branch that takes them in.
    """

    class Kind(models.TextChoices):
        RECEIPT = "receipt"
        RESERVATION = "reservation"
        RELEASE = "release"
        CONSUMPTION = "consumption"
        WRITE_OFF = "write_off"
        TRANSFER_OUT = "transfer_out"
        TRANSFER_IN = "transfer_in"
        TRANSFER_LOSS = "transfer_loss"
        COUNT_ADJUSTMENT = "count_adjustment"
        SUPPLIER_RETURN = "supplier_return"
        CUSTOMER_RETURN = "customer_return"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="movements")
    line = models.PositiveIntegerField(help_text="Counts the lines of the lot from 1")
    kind = models.CharField(max_length=20, choices=Kind.choices)
    on_hand_change = models.IntegerField()
    reserved_change = models.IntegerField()
    in_transit_change = models.IntegerField(default=0, db_default=0)
    on_hand_after = models.PositiveIntegerField()
    reserved_after = models.PositiveIntegerField()
    in_transit_after = models.PositiveIntegerField(default=0, db_default=0)
    unit_cost = models.DecimalField(max_digits=10, decimal_places=2)
    document = models.CharField(max_length=120, help_text="What caused it, for instance orders/<id>")
    reason = models.CharField(max_length=200, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by_label = models.CharField(max_length=200)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=~Q(on_hand_change=0) | ~Q(reserved_change=0) | ~Q(in_transit_change=0),
                name="stock_movement_moves_something",
            ),
            models.CheckConstraint(condition=DOES_WHAT_IT_SAYS, name="stock_movement_does_what_it_says"),
            models.CheckConstraint(
                condition=Q(reserved_after__gte=0) & Q(reserved_after__lte=F("on_hand_after")),
                name="stock_movement_never_oversold",
            ),
            models.UniqueConstraint(fields=["lot", "line"], name="stock_movement_line_once"),
            models.CheckConstraint(condition=~Q(kind="write_off") | ~Q(reason=""), name="stock_write_off_explained"),
            models.CheckConstraint(
                condition=~Q(kind__in=["transfer_loss", "count_adjustment", "supplier_return", "customer_return"])
                | ~Q(reason=""),
                name="stock_movement_explained",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="stock_movement_newest"),
            models.Index(fields=["document"], name="stock_movement_document"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.on_hand_change:+d}/{self.reserved_change:+d} {self.document}"


class Reservation(Entity, BranchOwned):
    """One piece of a lot promised to a document (one lens for one eye, or one frame).

    It is settled once: an active reservation becomes consumed, released or written off, and stays so. A consumed
    piece may come back from the customer, once.
    """

    class State(models.TextChoices):
        ACTIVE = "active"
        CONSUMED = "consumed"
        RELEASED = "released"
        WRITTEN_OFF = "written_off"
        RETURNED = "returned"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="reservations")
    document = models.CharField(max_length=120)
    part = models.CharField(max_length=10, help_text="right, left or frame")
    state = models.CharField(max_length=12, choices=State.choices, default=State.ACTIVE)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["document", "part"],
                condition=Q(state="active"),
                name="stock_one_active_reservation_per_part",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["active", "consumed", "released", "written_off", "returned"]),
                name="stock_reservation_state_known",
            ),
        ]
        indexes = [models.Index(fields=["document", "id"], name="stock_reservation_document")]

    def __str__(self) -> str:
        return f"{self.part} for {self.document}: {self.state}"
