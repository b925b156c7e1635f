from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned

from .kinds import InstrumentKind, OutOfCalibration, Quantity


def _value(**kwargs: object) -> models.DecimalField:
    return models.DecimalField(max_digits=9, decimal_places=3, **kwargs)  # type: ignore[arg-type]


class Instrument(Entity, Versioned, BranchOwned):
    """Something a branch measures or makes with. Whether it is in calibration is computed from its checks."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=20, choices=InstrumentKind.choices)
    name = models.CharField(max_length=80)
    serial_number = models.CharField(max_length=60, blank=True)
    in_service = models.BooleanField(default=True)
    out_reason = models.CharField(max_length=300, blank=True, help_text="Why it is out of service")
    interval_days = models.PositiveSmallIntegerField(null=True, help_text="In place of the intervals of its kind")
    power_uncertainty_dpt = _value(null=True, help_text="Expanded, k=2; in place of the typical value of its kind")
    prism_uncertainty_dpt = _value(null=True, help_text="Expanded, k=2")
    axis_uncertainty_deg = _value(null=True, help_text="Expanded, k=2")
    length_uncertainty_mm = _value(null=True, help_text="Expanded, k=2")
    note = models.CharField(max_length=500, blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "name"], name="instruments_name_once_per_branch"),
            models.CheckConstraint(condition=Q(kind__in=InstrumentKind.values), name="instruments_kind_known"),
            models.CheckConstraint(condition=Q(in_service=True) | ~Q(out_reason=""), name="instruments_out_explained"),
            models.CheckConstraint(
                condition=Q(interval_days__isnull=True) | Q(interval_days__gte=1), name="instruments_interval_positive"
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="instruments_newest")]

    def __str__(self) -> str:
        return self.name


class CheckPiece(Entity, Versioned, BranchOwned):
    """A test lens, prism, ring or rule with a certified value. The value is never changed: retire it, add another."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=80)
    quantity = models.CharField(max_length=16, choices=Quantity.choices)
    certified_value = _value(help_text="In the unit of the quantity")
    uncertainty = _value(default=0, help_text="Expanded uncertainty of the certified value, k=2")
    permitted_error = _value(null=True, help_text="In place of the table, for instance the maker's limit")
    certificate = models.CharField(max_length=120, blank=True)
    certificate_expires_on = models.DateField(null=True)
    is_active = models.BooleanField(default=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(condition=Q(quantity__in=Quantity.values), name="instruments_quantity_known"),
            models.CheckConstraint(condition=Q(uncertainty__gte=0), name="instruments_piece_uncertainty"),
            models.CheckConstraint(
                condition=Q(permitted_error__isnull=True) | Q(permitted_error__gt=0), name="instruments_piece_permitted"
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="instruments_piece_newest")]

    def __str__(self) -> str:
        return self.name


class CheckReading(Entity, BranchOwned):
    """One reading of a check piece with its judgement, as it was then. The database refuses to change or delete it."""

    class Outcome(models.TextChoices):
        PASS = "pass"
        FAIL = "fail"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="checks")
    piece = models.ForeignKey(CheckPiece, on_delete=models.PROTECT, related_name="+")
    quantity = models.CharField(max_length=16, choices=Quantity.choices)
    certified_value = _value()
    piece_uncertainty = _value()
    reading = _value()
    deviation = _value(help_text="Reading minus certified value; for an axis the smaller angle")
    permitted_error = _value(help_text="Plus or minus, inclusive")
    limit_source = models.CharField(max_length=160)
    limit_confidence = models.CharField(max_length=20)
    near_limit = models.BooleanField(help_text="Closer to the limit than the piece itself is certain")
    outcome = models.CharField(max_length=4, choices=Outcome.choices)
    note = models.CharField(max_length=300, blank=True)
    checked_at = models.DateTimeField()
    checked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(condition=Q(outcome__in=["pass", "fail"]), name="instruments_outcome_known")
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="instruments_check_newest"),
            models.Index(fields=["instrument", "-id"], name="instruments_check_of"),
            models.Index(fields=["instrument", "piece", "outcome", "-id"], name="instruments_check_latest"),
        ]

    def __str__(self) -> str:
        return f"{self.instrument_id} {self.quantity}: {self.outcome}"


class InstrumentPolicy(Entity, Versioned, BranchOwned):
    """What a branch does with an instrument that is overdue or failed. Without a row it is flagged."""

    branch = models.OneToOneField("branches.Branch", on_delete=models.PROTECT, related_name="+")
    out_of_calibration = models.CharField(max_length=5, choices=OutOfCalibration.choices, default=OutOfCalibration.FLAG)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(out_of_calibration__in=["flag", "block"]), name="instruments_policy_known"
            )
        ]
        verbose_name_plural = "instrument policies"

    def __str__(self) -> str:
        return f"{self.branch_id}: {self.out_of_calibration}"
