"""Three tables that are only ever added to, and what finds a read by the person it was about.

Keys count up, given by the database: the entries are written by its own triggers, and within one transaction the key
is the order in which things were done. There are no foreign keys out of this app: what is audited may be gone.
"""

from __future__ import annotations

from django.db import models
from django.db.models.functions import Now


class _Traced(models.Model):
    """When (by the clock of the database), who, from where and why."""

    id = models.BigAutoField(primary_key=True)
    at = models.DateTimeField(db_default=Now(), editable=False)
    actor_id = models.UUIDField(null=True)
    actor_label = models.CharField(max_length=200, db_default="unknown", help_text="As it was called at that time.")
    actor_kind = models.CharField(max_length=10, db_default="unknown")
    via = models.CharField(max_length=100, db_default="", help_text="Session, client of the API, or program.")
    address = models.GenericIPAddressField(null=True)
    request_id = models.CharField(max_length=64, db_default="")
    method = models.CharField(max_length=10, db_default="")
    route = models.CharField(max_length=200, db_default="", help_text="The pattern of the address, without its values.")
    reason = models.CharField(max_length=300, db_default="", help_text="As said by the caller in X-Access-Reason.")

    class Meta:
        abstract = True


class AuditEntry(_Traced):
    """One row of one table was created, changed or deleted; or something else that ``services.note`` wrote down."""

    class Action(models.TextChoices):
        CREATE = "create"
        CHANGE = "change"
        DELETE = "delete"
        SIGN_IN = "sign-in"
        SIGN_IN_FAILED = "sign-in-failed"
        SIGN_OUT = "sign-out"
        EXPORT = "export"
        REFUSED = "refused"
        OTHER = "other"

    action = models.CharField(max_length=20, choices=Action.choices)
    table_name = models.CharField(max_length=80, db_default="")
    row_id = models.CharField(max_length=64, db_default="")
    customer_id = models.UUIDField(null=True, help_text="Whom it is about, where that is known.")
    branch_id = models.UUIDField(null=True)
    before = models.JSONField(null=True, help_text="Changed columns as they were; the whole row if it was deleted.")
    after = models.JSONField(null=True, help_text="Changed columns as they are; the whole row if it was created.")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(
                    action__in=[
                        "create",
                        "change",
                        "delete",
                        "sign-in",
                        "sign-in-failed",
                        "sign-out",
                        "export",
                        "refused",
                        "other",
                    ]
                ),
                name="audit_action_known",
            )
        ]
        indexes = [
            models.Index(fields=["table_name", "row_id", "id"], name="audit_entry_row"),
            models.Index(fields=["actor_id", "id"], name="audit_entry_actor"),
            models.Index(
                fields=["customer_id", "id"], name="audit_entry_customer", condition=models.Q(customer_id__isnull=False)
            ),
            models.Index(fields=["branch_id", "id"], name="audit_entry_branch"),
            models.Index(fields=["at"], name="audit_entry_at"),
            models.Index(fields=["request_id"], name="audit_entry_request", condition=~models.Q(request_id="")),
            models.Index(fields=["address", "id"], name="audit_entry_address"),
            models.Index(fields=["action", "id"], name="audit_entry_action"),
        ]

    def __str__(self) -> str:
        return f"{self.action} {self.table_name} {self.row_id}"


class AuditRead(_Traced):
    """One request was answered with records of people."""

    kind = models.CharField(max_length=80, db_default="", help_text="The table of what was shown.")
    ids = models.JSONField(default=list, help_text="Keys of what was shown, at most a page.")
    status = models.PositiveSmallIntegerField(default=200)
    branch_ids = models.JSONField(default=list, help_text="Branches of what was shown.")

    class Meta:
        indexes = [
            models.Index(fields=["actor_id", "id"], name="audit_read_actor"),
            models.Index(fields=["at"], name="audit_read_at"),
            models.Index(fields=["request_id"], name="audit_read_request"),
            models.Index(fields=["address", "id"], name="audit_read_address"),
            models.Index(fields=["kind", "id"], name="audit_read_kind"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} by {self.actor_label}"


class AuditReadSubject(models.Model):
    """A person whose records one read showed; a read of a page has several."""

    id = models.BigAutoField(primary_key=True)
    read = models.ForeignKey(AuditRead, on_delete=models.PROTECT, related_name="subjects", db_index=False)
    customer_id = models.UUIDField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["read", "customer_id"], name="audit_read_subject_once")]
        indexes = [models.Index(fields=["customer_id", "read"], name="audit_read_subject_customer")]

    def __str__(self) -> str:
        return f"{self.customer_id} in read {self.read_id}"


class AuditSeal(models.Model):
    """A link of the chain: the digests of the entries and reads since the seal before, and that seal's hash.

    ``leaves`` holds 8 bytes of key and 32 bytes of SHA-256 for each: first the entries, then the reads.
    """

    number = models.PositiveBigIntegerField(primary_key=True)
    at = models.DateTimeField(editable=False)
    entries_after = models.BigIntegerField()
    entries_upto = models.BigIntegerField()
    entry_count = models.PositiveIntegerField()
    reads_after = models.BigIntegerField()
    reads_upto = models.BigIntegerField()
    read_count = models.PositiveIntegerField()
    leaves = models.BinaryField()
    previous_hash = models.CharField(max_length=64, unique=True)
    hash = models.CharField(max_length=64, unique=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(entries_after__lte=models.F("entries_upto"))
                & models.Q(reads_after__lte=models.F("reads_upto")),
                name="audit_seal_goes_forward",
            )
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.hash}"
