from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower

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
    deceased_on = models.DateField(null=True, help_text="Known to have died on or before this day")
    moved_away_on = models.DateField(null=True, help_text="Known to live elsewhere since this day")
    contact_confirmed_on = models.DateField(
        null=True, help_text="Day on which a young person said who is to be told: the person or the guardian"
    )
    merged_into = models.ForeignKey(
        "self",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        db_index=False,  # nearly always null: the index below has the others only
        related_name="merged",
        help_text="The record that speaks for the same person; never itself merged",
    )
    restricted_at = models.DateTimeField(null=True, help_text="Since then kept, and not used (GDPR, article 18)")
    erased_at = models.DateTimeField(null=True, help_text="Since then only a key: what identified the person is gone")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(preferred_channel__in=["email", "text", "letter", "none"]),
                name="customers_channel_known",
            ),
            models.CheckConstraint(condition=~Q(guardian=models.F("id")), name="customers_not_own_guardian"),
            models.CheckConstraint(condition=~Q(merged_into=models.F("id")), name="customers_not_merged_into_self"),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="customers_branch_newest"),
            models.Index(fields=["branch", "search_family", "search_given"], name="customers_branch_name"),
            models.Index(fields=["branch", "birth_date"], name="customers_branch_birth"),
            models.Index(fields=["branch", "phone_e164"], name="customers_branch_phone", condition=~Q(phone_e164="")),
            models.Index(fields=["merged_into"], name="customers_merged", condition=Q(merged_into__isnull=False)),
            models.Index(Lower("email"), name="customers_email", condition=~Q(email="")),
            models.Index(fields=["phone_e164"], name="customers_phone", condition=~Q(phone_e164="")),
            models.Index(fields=["birth_date", "search_family", "search_given"], name="customers_birth_names"),
            models.Index(fields=["search_family", "search_given"], name="customers_name"),
        ]

    def __str__(self) -> str:
        return f"{self.given_name} {self.family_name}"


class Way(models.TextChoices):
    """How a person can be reached."""

    EMAIL = "email"
    TEXT = "text"
    LETTER = "letter"


class Purpose(models.TextChoices):
    """What a message is for. An offer makes the whole message marketing (PECR, from memory)."""

    SERVICE = "service", "About the person's own order or care"
    RECALL = "recall", "An invitation to come again"
    MARKETING = "marketing", "Anything that promotes"


class Source(models.TextChoices):
    """How we learnt what a person wants."""

    IN_PERSON = "in_person"
    PHONE = "phone"
    UNSUBSCRIBE_LINK = "unsubscribe_link"
    REPLY = "reply"
    IMPORT = "import"
    MERGE = "merge", "A merge with another record of the same person, or its undoing"
    NOT_STATED = "not_stated"


class ContactRefusal(Entity, BranchOwned):
    """What a person does not want now: one purpose by one way. Its history is in ConsentChange."""

    branch_path = "customer__branch"

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="refusals")
    way = models.CharField(max_length=10, choices=Way.choices)
    purpose = models.CharField(max_length=10, choices=Purpose.choices)
    from_merge = models.ForeignKey(
        "CustomerMerge", on_delete=models.PROTECT, null=True, related_name="+", help_text="Taken over by this merge"
    )

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["customer", "way", "purpose"], name="customers_refusal_once"),
            models.CheckConstraint(condition=Q(way__in=["email", "text", "letter"]), name="customers_refusal_way"),
            models.CheckConstraint(
                condition=Q(purpose__in=["service", "recall", "marketing"]), name="customers_refusal_purpose"
            ),
        ]

    def __str__(self) -> str:
        return f"no {self.purpose} by {self.way}"


class ConsentChange(Entity, BranchOwned):
    """One change of what a person agreed to hear. The database refuses to change or delete it."""

    class What(models.TextChoices):
        WANTS_RECALLS = "wants_recalls"
        WANTS_MARKETING = "wants_marketing"
        PREFERRED_CHANNEL = "preferred_channel"
        CONTACT = "contact", "One purpose by one way"

    branch_path = "customer__branch"

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="consent_changes")
    what = models.CharField(max_length=20, choices=What.choices)
    way = models.CharField(max_length=10, choices=Way.choices, blank=True, help_text="Of a contact choice")
    purpose = models.CharField(max_length=10, choices=Purpose.choices, blank=True, help_text="Of a contact choice")
    was = models.CharField(max_length=10, help_text="yes, no, or a channel")
    now = models.CharField(max_length=10, help_text="yes, no, or a channel")
    source = models.CharField(max_length=20, choices=Source.choices)
    wording = models.CharField(max_length=300, blank=True, help_text="Version of the words agreed to, or evidence")
    changed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    changed_by_label = models.CharField(max_length=200)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=(Q(what="contact") & ~Q(way="") & ~Q(purpose=""))
                | (Q(what__in=["wants_recalls", "wants_marketing", "preferred_channel"]) & Q(way="") & Q(purpose="")),
                name="customers_consent_what_known",
            ),
        ]
        indexes = [models.Index(fields=["customer", "-id"], name="customers_consent_newest")]

    def __str__(self) -> str:
        return f"{self.what} {self.was} -> {self.now}"


class WrongAddress(Entity, BranchOwned):
    """An address of a person that turned out wrong. It is not used for as long as it stands there."""

    branch_path = "customer__branch"

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="wrong_addresses")
    way = models.CharField(max_length=10, choices=Way.choices)
    address = models.CharField(max_length=600, help_text="As it stood, in the form that is compared")
    reason = models.CharField(max_length=300)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    from_merge = models.ForeignKey(
        "CustomerMerge", on_delete=models.PROTECT, null=True, related_name="+", help_text="Taken over by this merge"
    )

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["customer", "way", "address"], name="customers_wrong_address_once"),
            models.CheckConstraint(condition=Q(way__in=["email", "text", "letter"]), name="customers_wrong_way_known"),
            models.CheckConstraint(condition=~Q(address=""), name="customers_wrong_address_stated"),
        ]

    def __str__(self) -> str:
        return f"{self.way}: {self.reason}"


class CustomerMerge(Entity, BranchOwned):
    """One link from a duplicate to the record it was merged into at that time; unmerging ends it. No row is moved:
    the open links make a tree, and ``Customer.merged_into`` is its root."""

    branch_path = "survivor__branch"

    survivor = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="merges")
    merged = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300)
    merged_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    filled = models.JSONField(default=dict, help_text="Columns of the survivor that this merge set: [was, now]")
    undone_at = models.DateTimeField(null=True)
    undone_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    undone_reason = models.CharField(max_length=300, blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["merged"], condition=Q(undone_at__isnull=True), name="customers_merged_once_at_a_time"
            ),
            models.CheckConstraint(condition=~Q(survivor=models.F("merged")), name="customers_merge_of_two"),
        ]

    def __str__(self) -> str:
        return f"{self.merged_id} into {self.survivor_id}"


class StatusChange(Entity, BranchOwned):
    """That a person died or moved away was learnt, or was wrong. The database refuses to change or delete it."""

    class What(models.TextChoices):
        DECEASED_ON = "deceased_on"
        MOVED_AWAY_ON = "moved_away_on"

    branch_path = "customer__branch"

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="status_changes")
    what = models.CharField(max_length=20, choices=What.choices)
    was = models.DateField(null=True)
    now = models.DateField(null=True)
    reason = models.CharField(max_length=300, blank=True)
    changed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    changed_by_label = models.CharField(max_length=200)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(what__in=["deceased_on", "moved_away_on"]), name="customers_status_what_known"
            ),
        ]
        indexes = [models.Index(fields=["customer", "-id"], name="customers_status_newest")]

    def __str__(self) -> str:
        return f"{self.what} {self.was} -> {self.now}"
