from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned


class Kind(models.TextChoices):
    CUSTOMERS = "customers"
    PRESCRIPTIONS = "prescriptions"
    STOCK = "stock", "Opening balances of stock, lot by lot"
    PRICES = "prices", "Sale prices of the catalogue"


class Encoding(models.TextChoices):
    UTF_8 = "utf-8"
    UTF_8_SIG = "utf-8-sig", "UTF-8 with a byte order mark"
    WINDOWS_1252 = "windows-1252"


class DateFormat(models.TextChoices):
    YMD = "YYYY-MM-DD"
    DMY_SLASH = "DD/MM/YYYY"
    DMY_DOT = "DD.MM.YYYY"
    DMY_DASH = "DD-MM-YYYY"
    MDY_SLASH = "MM/DD/YYYY"


class DecimalMark(models.TextChoices):
    POINT = ".", "Point"
    COMMA = ",", "Comma"


class NearDuplicates(models.TextChoices):
    SKIP = "skip", "A row that looks like somebody registered is left out and reported"
    IMPORT = "import", "It is registered all the same"


class ImportFile(Entity, Versioned, BranchOwned):
    """A file of rows to be taken over at a branch: how it is read, which column means what, how far it is.

    Once nothing is left to do its bytes are let go: what was taken over lives where it was put, and is not kept twice.
    """

    class State(models.TextChoices):
        UPLOADED = "uploaded"
        RUNNING = "running"
        STOPPED = "stopped", "In the middle; can be run on"
        DONE = "done"
        CANCELLED = "cancelled", "Before any row was applied"

    MOVES: ClassVar[Mapping[str, frozenset[str]]] = {
        State.UPLOADED: frozenset({State.RUNNING, State.CANCELLED}),
        State.RUNNING: frozenset({State.STOPPED, State.DONE}),
        State.STOPPED: frozenset({State.RUNNING}),
    }

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=20, choices=Kind.choices)
    state = models.CharField(max_length=10, choices=State.choices, default=State.UPLOADED)
    file_name = models.CharField(max_length=120, blank=True)
    content = models.BinaryField(help_text="The file, byte for byte; empty when all is done")
    size = models.PositiveIntegerField(help_text="Bytes")
    sha256 = models.CharField(max_length=64)
    is_repeat = models.BooleanField(default=False, help_text="Taken again although it was uploaded before")
    encoding = models.CharField(max_length=20, choices=Encoding.choices)
    delimiter = models.CharField(max_length=1)
    detected = models.JSONField(default=list, help_text="What of the reading was found out and not given")
    decimal_mark = models.CharField(max_length=1, choices=DecimalMark.choices, default=DecimalMark.POINT)
    date_format = models.CharField(max_length=10, choices=DateFormat.choices, default=DateFormat.YMD)
    near_duplicates = models.CharField(
        max_length=10, choices=NearDuplicates.choices, default=NearDuplicates.SKIP, help_text="Of customers"
    )
    valid_from = models.DateField(
        null=True, help_text="Of prices: first day of the list they go into; without one they go into the catalogue"
    )
    price_list = models.ForeignKey(
        "prices.PriceList", on_delete=models.PROTECT, null=True, related_name="+", help_text="Made when the file ran"
    )
    headings = models.JSONField()
    preview = models.JSONField(default=list, help_text="The first rows; empty when all is done")
    mapping = models.JSONField(help_text="Our field -> heading")
    rows_total = models.PositiveIntegerField()
    tried = models.JSONField(null=True, help_text="The answer of the last dry run, read as the file is read now")
    try_due = models.BooleanField(default=False, help_text="A dry run was asked for that is too long for one request")
    uploaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    run_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    started_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    stopped_because = models.CharField(max_length=300, blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["branch", "kind", "sha256"],
                condition=Q(is_repeat=False) & ~Q(state="cancelled"),
                name="imports_file_once",
            ),
            models.CheckConstraint(
                condition=Q(kind__in=["customers", "prescriptions", "stock", "prices"]), name="imports_kind_known"
            ),
            models.CheckConstraint(
                condition=Q(state__in=["uploaded", "running", "stopped", "done", "cancelled"]),
                name="imports_state_known",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="imports_branch_newest"),
            models.Index(fields=["id"], name="imports_running", condition=Q(state="running")),
            models.Index(fields=["id"], name="imports_try_due", condition=Q(try_due=True)),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.file_name}"


class ImportRow(Entity, BranchOwned):
    """One row of a file that runs. Its state is written in the transaction of its effect, so it is applied once."""

    branch_path = "file__branch"

    class State(models.TextChoices):
        PENDING = "pending"
        DONE = "done"
        FAILED = "failed"
        SKIPPED = "skipped"

    file = models.ForeignKey(ImportFile, on_delete=models.CASCADE, related_name="rows")
    number = models.PositiveIntegerField(help_text="Line of the file on which the row ends; the headings are row 1")
    cells = models.JSONField(help_text="As in the file; emptied when the row was applied")
    state = models.CharField(max_length=10, choices=State.choices, default=State.PENDING)
    problems = models.JSONField(default=list)
    external_id = models.CharField(max_length=80, blank=True)
    made_type = models.CharField(max_length=20, blank=True, help_text="What the row made or changed")
    made_id = models.UUIDField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0, help_text="How often it failed for no reason of its own")
    settled_at = models.DateTimeField(null=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["file", "number"], name="imports_row_once"),
            models.CheckConstraint(
                condition=Q(state__in=["pending", "done", "failed", "skipped"]), name="imports_row_state_known"
            ),
        ]
        indexes = [
            models.Index(fields=["file", "state", "number"], name="imports_row_state"),
            models.Index(fields=["file", "-id"], name="imports_row_newest"),
            models.Index(fields=["id"], name="imports_row_unsettled", condition=~Q(state="done")),
        ]

    def __str__(self) -> str:
        return f"{self.file_id} row {self.number}"


class OutsideKey(Entity, BranchOwned):
    """The key under which another system knew a thing that was taken over: taken over once, whatever the file."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=20, choices=Kind.choices)
    external_id = models.CharField(max_length=80)
    made_type = models.CharField(max_length=20)
    made_id = models.UUIDField()
    file = models.ForeignKey(ImportFile, on_delete=models.PROTECT, related_name="+")
    row_number = models.PositiveIntegerField()

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "kind", "external_id"], name="imports_outside_key_once")
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.external_id}"
