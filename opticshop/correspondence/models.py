from __future__ import annotations

from django.db import models
from django.db.models import Q

from opticshop.core import clock
from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned


class Form(models.TextChoices):
    """What a text is written for. A postcard is read by whoever carries it."""

    EMAIL = "email"
    TEXT = "text"
    LETTER = "letter"
    POSTCARD = "postcard"


class ChannelChoice(Entity, Versioned, BranchOwned):
    """By which channel a branch sends messages of one way. Without one the branch's own message channel serves."""

    class Way(models.TextChoices):
        EMAIL = "email"
        TEXT = "text"
        LETTER = "letter"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    way = models.CharField(max_length=10, choices=Way.choices)
    channel = models.CharField(max_length=80, help_text="Name of a channel that a plugin brings")
    per_minute = models.PositiveIntegerField(null=True, help_text="At most so many in a minute; empty for no limit")
    is_active = models.BooleanField(default=True, help_text="False: the branch sends nothing by this way")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "way"], name="correspondence_one_channel_a_way"),
            models.CheckConstraint(condition=Q(way__in=["email", "text", "letter"]), name="correspondence_way_known"),
            models.CheckConstraint(condition=Q(per_minute=None) | Q(per_minute__gt=0), name="correspondence_rate_some"),
        ]

    def __str__(self) -> str:
        return f"{self.way} by {self.channel}"


class RateWindow(BranchOwned):
    """How many messages a branch gave to a channel within one minute. Used by conditional UPDATE only."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.CASCADE, related_name="+")
    channel = models.CharField(max_length=80)
    minute = models.DateTimeField()
    used = models.PositiveIntegerField(default=0)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "channel", "minute"], name="correspondence_one_window_a_minute")
        ]
        indexes = [models.Index(fields=["minute"], name="correspondence_window_minute")]

    def __str__(self) -> str:
        return f"{self.channel} {self.minute:%H:%M}: {self.used}"


class MessageTemplate(Entity, Versioned, BranchOwned):
    """Words of a branch, or without one of the group, for one kind of message in one language and form."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, null=True, related_name="+")
    kind = models.CharField(max_length=40)
    language = models.CharField(max_length=10, help_text="BCP 47, for instance en or cy")
    form = models.CharField(max_length=10, choices=Form.choices)
    subject = models.CharField(max_length=200, blank=True)
    body = models.TextField()
    is_active = models.BooleanField(default=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["branch", "kind", "language", "form"],
                condition=Q(branch__isnull=False),
                name="correspondence_one_template",
            ),
            models.UniqueConstraint(
                fields=["kind", "language", "form"],
                condition=Q(branch__isnull=True),
                name="correspondence_one_group_template",
            ),
            models.CheckConstraint(
                condition=Q(form__in=["email", "text", "letter", "postcard"]), name="correspondence_form_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.language} {self.form}"


class LetterBatch(Entity, BranchOwned):
    """Messages gathered to one document that is printed and posted by a person."""

    class State(models.TextChoices):
        MADE = "made"
        POSTED = "posted"
        VOID = "void"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    channel = models.CharField(max_length=80)
    count = models.PositiveIntegerField(help_text="How many messages it holds")
    document = models.BinaryField(null=True, help_text="The document; composed when it is first asked for")
    state = models.CharField(max_length=6, choices=State.choices, default=State.MADE)
    made_by = models.CharField(max_length=200)
    posted_on = models.DateField(null=True)
    closed_by = models.CharField(max_length=200, blank=True, help_text="Who posted it or put it back")
    closed_reason = models.CharField(max_length=200, blank=True)

    class Meta(BranchOwned.Meta):
        verbose_name_plural = "letter batches"
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["made", "posted", "void"]), name="correspondence_batch_state"
            ),
            models.CheckConstraint(
                condition=Q(state="posted", posted_on__isnull=False) | (~Q(state="posted") & Q(posted_on=None)),
                name="correspondence_posted_has_day",
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="correspondence_batch_newest")]

    def __str__(self) -> str:
        return f"{self.count} by {self.channel}, {self.state}"


BATCH_MOVES: dict[str, set[str]] = {
    LetterBatch.State.MADE: {LetterBatch.State.POSTED, LetterBatch.State.VOID},
    LetterBatch.State.POSTED: set(),
    LetterBatch.State.VOID: set(),
}


class Message(Entity, BranchOwned):
    """One message to one customer. The attempt is recorded before sending, the outcome after."""

    class Purpose(models.TextChoices):
        SERVICE = "service"
        RECALL = "recall"
        MARKETING = "marketing"

    class State(models.TextChoices):
        QUEUED = "queued"
        SENDING = "sending"
        SENT = "sent"
        FAILED = "failed"
        WITHDRAWN = "withdrawn"

    class Delivery(models.TextChoices):
        DELIVERED = "delivered"
        UNDELIVERED = "undelivered"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="messages")
    told = models.ForeignKey(
        "customers.Customer",
        on_delete=models.PROTECT,
        null=True,
        related_name="+",
        help_text="Who it is addressed to: the customer, or the guardian of a child",
    )
    kind = models.CharField(max_length=40, help_text="For instance ready_for_collection")
    purpose = models.CharField(max_length=10, choices=Purpose.choices, default=Purpose.SERVICE)
    priority = models.PositiveSmallIntegerField(default=0, db_default=0, help_text="The lowest is sent first")
    values = models.JSONField(default=dict, help_text="What fills the placeholders; never a fact of health")
    subject_ref = models.CharField(max_length=120, help_text="What it is about, for instance orders/<id>")
    ways = models.CharField(
        max_length=40, blank=True, default="", db_default="", help_text="Ways to try after the preferred one, in order"
    )
    ways_refused = models.CharField(
        max_length=40, blank=True, default="", db_default="", help_text="Ways by which the carrier refused it"
    )
    way = models.CharField(max_length=10, blank=True, default="", db_default="", help_text="email, text or letter")
    channel = models.CharField(max_length=80)
    to = models.CharField(max_length=254)
    language = models.CharField(max_length=10, default="en")
    form = models.CharField(max_length=10, choices=Form.choices, blank=True, default="", db_default="")
    subject = models.CharField(max_length=200)
    body = models.TextField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.QUEUED)
    due_at = models.DateTimeField(default=clock.now)
    attempts = models.PositiveSmallIntegerField(default=0)
    attempted_at = models.DateTimeField(null=True, help_text="When the last attempt began")
    sent_at = models.DateTimeField(null=True)
    provider_reference = models.CharField(max_length=200, blank=True)
    delivery = models.CharField(
        max_length=11,
        choices=Delivery.choices,
        blank=True,
        default="",
        db_default="",
        help_text="What the carrier says became of it; empty where it said nothing",
    )
    delivery_at = models.DateTimeField(null=True)
    awaits_batch = models.BooleanField(
        default=False, db_default=False, help_text="Not sent on its own: gathered to a batch of letters"
    )
    batch = models.ForeignKey(LetterBatch, on_delete=models.PROTECT, null=True, related_name="messages")
    detail = models.TextField(blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["customer", "kind", "subject_ref"], name="correspondence_message_once"),
            models.CheckConstraint(
                condition=Q(state__in=["queued", "sending", "sent", "failed", "withdrawn"]),
                name="correspondence_message_state_known",
            ),
            models.CheckConstraint(
                condition=Q(purpose__in=["service", "recall", "marketing"]), name="correspondence_purpose_known"
            ),
            models.CheckConstraint(
                condition=Q(delivery__in=["", "delivered", "undelivered"]), name="correspondence_delivery_known"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="correspondence_message_newest"),
            models.Index(fields=["due_at", "id"], name="correspondence_message_due", condition=Q(state="queued")),
            models.Index(
                fields=["priority", "due_at", "id"],
                name="correspondence_message_next",
                condition=Q(state="queued", awaits_batch=False),
            ),
            models.Index(
                fields=["attempted_at"], name="correspondence_message_lost", condition=Q(state="sending", batch=None)
            ),
            models.Index(
                fields=["subject_ref"],
                name="correspondence_queued_about",
                condition=Q(state="queued"),
                opclasses=["varchar_pattern_ops"],
            ),
            models.Index(
                fields=["channel", "provider_reference"],
                name="correspondence_message_ref",
                condition=~Q(provider_reference=""),
            ),
            models.Index(fields=["channel", "to", "-id"], name="correspondence_message_sent_to"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.state}"


MESSAGE_MOVES: dict[str, set[str]] = {
    Message.State.QUEUED: {Message.State.SENDING, Message.State.WITHDRAWN},
    Message.State.SENDING: {Message.State.SENT, Message.State.FAILED, Message.State.QUEUED},
    Message.State.FAILED: {Message.State.QUEUED},
    Message.State.SENT: set(),
    Message.State.WITHDRAWN: set(),
}


class DeliveryNote(Entity, BranchOwned):
    """What a carrier said about a message in a call of its own: each of its ids once."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    channel = models.CharField(max_length=80)
    report_id = models.CharField(max_length=200)
    message = models.ForeignKey(Message, on_delete=models.PROTECT, null=True, related_name="delivery_notes")
    provider_reference = models.CharField(max_length=200, blank=True)
    state = models.CharField(max_length=11, choices=Message.Delivery.choices)
    detail = models.CharField(max_length=500, blank=True)
    at = models.DateTimeField()

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "channel", "report_id"], name="correspondence_note_once"),
            models.CheckConstraint(
                condition=Q(state__in=["delivered", "undelivered"]), name="correspondence_note_state_known"
            ),
        ]
        indexes = [models.Index(fields=["created_at"], name="correspondence_note_unmatched", condition=Q(message=None))]

    def __str__(self) -> str:
        return f"{self.report_id} {self.state}"


class Reply(Entity, BranchOwned):
    """What a person wrote back, and what we took it to mean."""

    class Meaning(models.TextChoices):
        STOP = "stop"
        CAME_BACK = "came_back", "Was here"
        BOOKED = "booked", "Says that a visit is booked"
        WRONG_PERSON = "wrong_person"
        UNCLEAR = "unclear", "A person has to read it"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    channel = models.CharField(max_length=80)
    reply_id = models.CharField(max_length=200, help_text="The carrier's own id of the reply")
    message = models.ForeignKey(Message, on_delete=models.PROTECT, null=True, related_name="replies")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, null=True, related_name="+")
    sender = models.CharField(max_length=254)
    text = models.TextField(blank=True)
    meaning = models.CharField(max_length=12, choices=Meaning.choices)
    received_at = models.DateTimeField()

    class Meta(BranchOwned.Meta):
        verbose_name_plural = "replies"
        constraints = [
            models.UniqueConstraint(fields=["branch", "channel", "reply_id"], name="correspondence_reply_once"),
            models.CheckConstraint(
                condition=Q(meaning__in=["stop", "came_back", "booked", "wrong_person", "unclear"]),
                name="correspondence_meaning_listed",
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="correspondence_reply_newest")]

    def __str__(self) -> str:
        return f"{self.meaning} from {self.sender}"
