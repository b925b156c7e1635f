"""Tables of public-scheme vouchers: dated values, vouchers, claims on the scheme and what later changes them."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


def _money(**kwargs: object) -> models.DecimalField:
    return models.DecimalField(max_digits=10, decimal_places=2, **kwargs)  # type: ignore[arg-type]


class SchemeValue(Entity):
    """What a scheme pays for a band or a supplement in a nation from a day on: dated data with its source.

    Never changed: a later row for the same days counts in its place, a wrong one is withdrawn. Which value a voucher
    has is decided by the day it was issued on.
    """

    class Kind(models.TextChoices):
        BAND = "band"
        SUPPLEMENT = "supplement"

    scheme = models.CharField(max_length=40)
    nation = models.CharField(max_length=6, help_text="ISO 3166-2 part of the country")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    code = models.CharField(max_length=20, help_text="The band, or the supplement by name")
    amount = _money()
    currency = models.CharField(max_length=3)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, help_text="Last day; empty: until a later value")
    published_on = models.DateField(null=True, help_text="Empty: not known to the day")
    source = models.CharField(max_length=300)
    confidence = models.CharField(max_length=120)
    is_example = models.BooleanField(default=False, help_text="Loaded with the software, not entered by head office")
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    withdrawn_at = models.DateTimeField(null=True)
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["scheme", "nation", "kind", "code", "valid_from", "published_on"],
                condition=Q(withdrawn_at__isnull=True),
                name="prices_scheme_value_once",
            ),
            models.UniqueConstraint(
                fields=["scheme", "nation", "kind", "code", "valid_from"],
                condition=Q(withdrawn_at__isnull=True, published_on__isnull=True),
                name="prices_scheme_value_undated",
            ),
            models.CheckConstraint(condition=Q(amount__gte=0), name="prices_scheme_value_amount"),
            models.CheckConstraint(
                condition=Q(valid_to__isnull=True) | Q(valid_to__gte=F("valid_from")), name="prices_scheme_value_days"
            ),
            models.CheckConstraint(condition=~Q(source="") & ~Q(confidence=""), name="prices_scheme_value_sourced"),
            models.CheckConstraint(
                condition=Q(withdrawn_at__isnull=True) | ~Q(withdrawn_reason=""), name="prices_scheme_value_why"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.nation} {self.code} {self.amount} {self.currency} from {self.valid_from}"


class SchemeClaim(Entity, BranchOwned):
    """What was sent to the scheme together: vouchers and adjustments of one branch, with their total as sent."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=40, unique=True)
    scheme = models.CharField(max_length=40)
    nation = models.CharField(max_length=6)
    submitted_on = models.DateField()
    submitted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    voucher_count = models.PositiveIntegerField()
    adjustment_count = models.PositiveIntegerField(default=0)
    total = _money()
    currency = models.CharField(max_length=3)

    class Meta(BranchOwned.Meta):
        indexes = [models.Index(fields=["branch", "-id"], name="prices_claim_newest")]

    def __str__(self) -> str:
        return self.number


class VoucherState(models.TextChoices):
    ISSUED = "issued"
    REDEEMED = "redeemed"
    SUBMITTED = "submitted"
    PAID = "paid"
    REJECTED = "rejected"
    ADJUSTED = "adjusted"
    CANCELLED = "cancelled"


_S = VoucherState
#: state -> states that may follow. Putting a voucher back makes it issued again; a rejected one may be sent again.
VOUCHER_MOVES: dict[str, frozenset[str]] = {
    _S.ISSUED: frozenset({_S.REDEEMED, _S.CANCELLED}),
    _S.REDEEMED: frozenset({_S.ISSUED, _S.SUBMITTED}),
    _S.SUBMITTED: frozenset({_S.PAID, _S.REJECTED}),
    _S.PAID: frozenset({_S.ADJUSTED}),
    _S.REJECTED: frozenset({_S.SUBMITTED, _S.ADJUSTED, _S.CANCELLED}),
    _S.ADJUSTED: frozenset(),
    _S.CANCELLED: frozenset(),
}


class SchemeVoucher(Entity, BranchOwned):
    """A voucher of a public scheme for one customer. Its face value is frozen as it was on the day of issue.

    Why the customer is entitled, the band and the powers are data about health and means: they are shown only to who
    may grant. Of the evidence the kind is kept, never a copy.
    """

    State = VoucherState

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="+")
    prescription = models.ForeignKey(
        "prescriptions.Prescription", on_delete=models.PROTECT, null=True, related_name="+"
    )
    scheme = models.CharField(max_length=40)
    nation = models.CharField(max_length=6)
    reference = models.CharField(max_length=40, help_text="Number of the voucher form")
    issued_on = models.DateField()
    use_by = models.DateField(null=True, help_text="Last day on which it can be redeemed, where the scheme sets one")
    band = models.CharField(max_length=2)
    powers = models.JSONField(default=dict, help_text="Per eye, as the band was found from them")
    supplements = models.JSONField(default=list, help_text="Code, quantity and amount of each")
    warnings = models.JSONField(default=list, help_text="What was in doubt when it was granted")
    eligibility = models.CharField(max_length=30)
    evidence = models.CharField(max_length=30, help_text="Kind of evidence that was seen")
    evidence_seen_at = models.DateTimeField()
    evidence_seen_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    face_value = _money()
    currency = models.CharField(max_length=3)
    state = models.CharField(max_length=10, choices=State.choices, default=State.ISSUED)
    document = models.CharField(max_length=80, blank=True, help_text="What it was redeemed for")
    price = _money(null=True, help_text="What was due for the document when it was redeemed")
    redeemed_amount = _money(null=True, help_text="What it paid: never more than the price")
    redeemed_at = models.DateTimeField(null=True)
    claim = models.ForeignKey(SchemeClaim, on_delete=models.PROTECT, null=True, related_name="vouchers")
    payer_reference = models.CharField(max_length=80, blank=True, help_text="Of the scheme's payment or rejection")
    settled_on = models.DateField(null=True, help_text="Day of payment or rejection")
    reason = models.CharField(max_length=200, blank=True, help_text="Why it was rejected or cancelled")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["scheme", "reference"], name="prices_voucher_reference_once"),
            models.CheckConstraint(condition=~Q(reference=""), name="prices_voucher_has_reference"),
            models.CheckConstraint(condition=Q(face_value__gt=0), name="prices_voucher_has_value"),
            models.CheckConstraint(
                condition=Q(state__in=["issued", "cancelled"])
                | (
                    ~Q(document="")
                    & Q(redeemed_at__isnull=False)
                    & Q(redeemed_amount__gt=0)
                    & Q(redeemed_amount__lte=F("price"))
                    & Q(redeemed_amount__lte=F("face_value"))
                ),
                name="prices_voucher_never_more",
            ),
            models.CheckConstraint(
                condition=~Q(state="issued") | (Q(document="") & Q(redeemed_amount__isnull=True)),
                name="prices_voucher_issued_is_whole",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["submitted", "paid", "rejected", "adjusted"]) | Q(claim__isnull=False),
                name="prices_voucher_claimed",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["rejected", "cancelled"]) | ~Q(reason=""), name="prices_voucher_explained"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="prices_voucher_newest"),
            models.Index(fields=["branch", "state", "-id"], name="prices_voucher_state"),
            models.Index(fields=["customer", "branch", "-id"], name="prices_voucher_customer"),
            models.Index(fields=["scheme", "nation", "issued_on"], name="prices_voucher_issued"),
            models.Index(fields=["document"], name="prices_voucher_document", condition=~Q(document="")),
        ]

    def __str__(self) -> str:
        return f"{self.scheme} {self.reference}"


class ClaimAdjustment(Entity, BranchOwned):
    """More or less to be had from the scheme for a voucher than it paid at the till. No invoice is altered by it."""

    class Cause(models.TextChoices):
        VALUE_CHANGED = "value_changed", "The scheme changed its values for the day of issue afterwards"
        PAID_OTHERWISE = "paid_otherwise", "The scheme paid another amount than was claimed"
        WRITTEN_OFF = "written_off", "The scheme rejected the claim and it is let go"

    class State(models.TextChoices):
        OPEN = "open", "To be claimed"
        SUBMITTED = "submitted"
        SETTLED = "settled"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    voucher = models.ForeignKey(SchemeVoucher, on_delete=models.PROTECT, related_name="adjustments")
    cause = models.CharField(max_length=16, choices=Cause.choices)
    sequence = models.PositiveSmallIntegerField(help_text="Of the adjustments of this voucher, from 1")
    amount = _money(help_text="Negative: less is to be had")
    currency = models.CharField(max_length=3)
    reason = models.CharField(max_length=200)
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    claim = models.ForeignKey(SchemeClaim, on_delete=models.PROTECT, null=True, related_name="adjustments")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["voucher", "sequence"], name="prices_adjustment_sequence"),
            models.CheckConstraint(condition=~Q(amount=0), name="prices_adjustment_not_zero"),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="prices_adjustment_newest"),
            models.Index(fields=["branch", "id"], name="prices_adjustment_open", condition=Q(state="open")),
        ]

    def __str__(self) -> str:
        return f"{self.amount} {self.currency}: {self.cause}"
