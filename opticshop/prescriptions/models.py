from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned

from .recall_facts_models import RecallFact as RecallFact


class Eye(models.TextChoices):
    RIGHT = "right"
    LEFT = "left"


class Prescription(Entity, BranchOwned):
    """A prescription exactly as the prescriber wrote it. Never changed: an amendment is a new row that supersedes."""

    class Purpose(models.TextChoices):
        GENERAL = "general"
        DISTANCE = "distance"
        INTERMEDIATE = "intermediate"
        NEAR = "near"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="prescriptions")
    purpose = models.CharField(max_length=20, choices=Purpose.choices, default=Purpose.GENERAL)
    issued_on = models.DateField()
    expires_on = models.DateField()
    expiry_source = models.CharField(max_length=200, help_text="Who or which rule set the expiry")
    prescriber_name = models.CharField(max_length=120)
    prescriber_registration = models.CharField(max_length=40, blank=True)
    prescriber_practice = models.CharField(max_length=200, blank=True)
    recall_months = models.PositiveSmallIntegerField(null=True, help_text="Interval stated by the prescriber")
    vertex_distance_mm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    note = models.TextField(blank=True)
    supersedes = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="superseded_by")
    amendment_reason = models.CharField(max_length=300, blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(expires_on__gte=models.F("issued_on")), name="prescriptions_expiry_after"
            ),
            models.CheckConstraint(condition=~Q(prescriber_name=""), name="prescriptions_prescriber_stated"),
            models.CheckConstraint(
                condition=Q(supersedes__isnull=True) | ~Q(amendment_reason=""),
                name="prescriptions_amendment_explained",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="prescriptions_branch_newest"),
            models.Index(fields=["customer", "branch", "-id"], name="prescriptions_customer"),
            models.Index(fields=["expires_on", "id"], name="prescriptions_expiry"),
        ]

    def __str__(self) -> str:
        return f"Prescription of {self.issued_on}"


class PrescribedEye(Entity):
    """What is prescribed for one eye, in the cylinder form it was written in.

    A balance lens and an occluded eye may be written without a power; a lens may not.
    """

    class Entry(models.TextChoices):
        LENS = "lens"
        BALANCE = "balance", "Balance lens: the eye does not see usefully"
        OCCLUDED = "occluded"

    prescription = models.ForeignKey(Prescription, on_delete=models.CASCADE, related_name="eyes")
    eye = models.CharField(max_length=5, choices=Eye.choices)
    entry = models.CharField(max_length=10, choices=Entry.choices, default=Entry.LENS)
    sphere_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True, help_text="Null: no power is stated")
    cylinder_dpt = models.DecimalField(max_digits=5, decimal_places=2, default=0)
    axis_deg = models.PositiveSmallIntegerField(null=True)
    addition_dpt = models.DecimalField(max_digits=4, decimal_places=2, null=True)

    class Meta:
        ordering = ["-eye"]  # right before left
        constraints = [
            models.UniqueConstraint(fields=["prescription", "eye"], name="prescriptions_eye_once"),
            models.CheckConstraint(condition=Q(eye__in=["right", "left"]), name="prescriptions_eye_known"),
            models.CheckConstraint(
                condition=Q(entry="lens", sphere_dpt__isnull=False)
                | (Q(entry__in=["balance", "occluded"]) & (Q(sphere_dpt__isnull=False) | Q(cylinder_dpt=0))),
                name="prescriptions_lens_has_power",
            ),
            models.CheckConstraint(
                condition=(Q(cylinder_dpt=0) & Q(axis_deg__isnull=True))
                | (~Q(cylinder_dpt=0) & Q(axis_deg__gte=1) & Q(axis_deg__lte=180)),
                name="prescriptions_axis_with_cylinder",
            ),
            models.CheckConstraint(
                condition=(Q(sphere_dpt__isnull=True) | (Q(sphere_dpt__gte=-40) & Q(sphere_dpt__lte=40)))
                & Q(cylinder_dpt__gte=-15)
                & Q(cylinder_dpt__lte=15),
                name="prescriptions_power_plausible",
            ),
            models.CheckConstraint(
                condition=Q(addition_dpt__isnull=True) | (Q(addition_dpt__gt=0) & Q(addition_dpt__lte=10)),
                name="prescriptions_addition_plausible",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.eye} {self.sphere_dpt}/{self.cylinder_dpt} x {self.axis_deg}"


class PrescribedPrism(Entity):
    """One prism component as written: an amount with a base direction, or with a base setting from 0 to 360 degrees."""

    class Base(models.TextChoices):
        IN = "in"
        OUT = "out"
        UP = "up"
        DOWN = "down"

    eye = models.ForeignKey(PrescribedEye, on_delete=models.CASCADE, related_name="prisms")
    amount_dpt = models.DecimalField(max_digits=4, decimal_places=2)
    base = models.CharField(max_length=4, choices=Base.choices, blank=True)
    base_deg = models.DecimalField(max_digits=4, decimal_places=1, null=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(amount_dpt__gt=0) & Q(amount_dpt__lte=40), name="prescriptions_prism_plausible"
            ),
            models.CheckConstraint(
                condition=(Q(base="") & Q(base_deg__gte=0) & Q(base_deg__lte=360))
                | (Q(base__in=["in", "out", "up", "down"]) & Q(base_deg__isnull=True)),
                name="prescriptions_prism_one_base",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.amount_dpt} {self.base or self.base_deg}"


class DispensingOverride(Entity, BranchOwned):
    """Leave, with its reason, to dispense from a prescription that has expired."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    prescription = models.ForeignKey(Prescription, on_delete=models.PROTECT, related_name="overrides")
    reason = models.CharField(max_length=500)
    granted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    valid_until = models.DateField(help_text="Last day on which an order may be placed under it")

    class Meta(BranchOwned.Meta):
        constraints = [models.CheckConstraint(condition=~Q(reason=""), name="prescriptions_override_explained")]

    def __str__(self) -> str:
        return self.reason


class Measurement(Entity, BranchOwned):
    """What was measured on the face. Heights, tilt and wrap belong to the frame that was worn; the PD does not."""

    class Method(models.TextChoices):
        RULER = "ruler"
        PUPILMETER = "pupilmeter"
        PHOTO = "photo"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="measurements")
    frame = models.ForeignKey("catalogue.Frame", on_delete=models.PROTECT, null=True, related_name="+")
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    method = models.CharField(max_length=12, choices=Method.choices)
    pd_right_mm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    pd_left_mm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    pd_mm = models.DecimalField(max_digits=4, decimal_places=1, help_text="Binocular, far")
    near_pd_right_mm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    near_pd_left_mm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    near_pd_mm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    height_right_mm = models.DecimalField(
        max_digits=4, decimal_places=1, null=True, help_text="Above the lowest boxed tangent"
    )
    height_left_mm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    vertex_distance_mm = models.DecimalField(max_digits=4, decimal_places=1, null=True, help_text="As worn")
    pantoscopic_deg = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    wrap_deg = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    warnings = models.JSONField(default=list)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(condition=Q(pd_mm__gte=35) & Q(pd_mm__lte=90), name="prescriptions_pd_plausible"),
            models.CheckConstraint(
                condition=(Q(pd_right_mm__isnull=True) & Q(pd_left_mm__isnull=True))
                | (Q(pd_right_mm__gt=0) & Q(pd_left_mm__gt=0)),
                name="prescriptions_monocular_pd_paired",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="prescriptions_meas_newest"),
            models.Index(fields=["customer", "branch", "-id"], name="prescriptions_meas_customer"),
        ]

    def __str__(self) -> str:
        return f"PD {self.pd_mm} of {self.taken_at:%Y-%m-%d}"
