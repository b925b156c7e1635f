"""Twin data: one row of every model for each of two branches, alike but for marks that nobody else's row carries.

Whatever belongs to a branch has keys with the mark of that branch, and its free texts begin with it, so that one
search through the bytes of an answer shows whether anything of the other branch is in it.
"""

from __future__ import annotations

import datetime as dt
import itertools
import uuid
from decimal import Decimal
from functools import cache
from typing import Any

from django.apps import apps
from django.db import DatabaseError, models, transaction

from opticshop.branches.models import Branch

from .samples import sample

AT = dt.datetime(2026, 3, 2, 11, 0, tzinfo=dt.UTC)
TODAY = dt.date(2026, 3, 2)


class CannotMake(Exception):
    """No row of this model can be made, with the reason."""


def our_models() -> list[type[models.Model]]:
    return [m for m in apps.get_models() if m.__module__.startswith("opticshop.")]


def _forward(model: type[models.Model]) -> list[Any]:
    return [f for f in model._meta.concrete_fields if f.is_relation and f.related_model is not None]


@cache
def of_a_branch(model: type[models.Model]) -> bool:
    """Whether rows of the model belong to a branch, or hang on such a row; the rest is the group's."""
    if (
        model is Branch
        or model._meta.label in {"accounts.User", "replenishment.ReplenishmentRun"}
        or hasattr(model, "branch_path")
    ):
        return True
    for field in _forward(model):
        if field.related_model is model:
            continue
        if field.related_model is Branch or (not field.null and of_a_branch(field.related_model)):
            return True
    return any(f.name == "branch_id" for f in model._meta.concrete_fields)


class Twins:
    """Makes rows on demand and remembers them: ``twins.row(Customer, "mill")``."""

    def __init__(self, sides: dict[str, Branch]) -> None:
        self.branches = sides
        self.rows: dict[tuple[str, str], models.Model] = {}
        self.failed: dict[str, str] = {}
        self._numbers = itertools.count(1)
        for side, branch in sides.items():
            self.rows[Branch._meta.label, side] = branch

    def mark(self, side: str) -> str:
        return f"{side}mark"

    def number(self) -> int:
        return next(self._numbers)

    def key(self, side: str) -> uuid.UUID:
        return key_of(side, next(self._numbers))

    def row(self, model: type[models.Model], side: str) -> Any:
        side = side if of_a_branch(model) else "group"
        found = self.rows.get((model._meta.label, side))
        if found is None:
            found = self.rows[model._meta.label, side] = self._made(model, side)
        return found

    def _made(self, model: type[models.Model], side: str) -> models.Model:
        problems = []
        for rich in (True, False):
            try:
                with transaction.atomic():
                    return self._insert(model, side, rich)
            except (DatabaseError, ValueError, TypeError) as error:
                problems.append(str(error).strip().split("\n")[0][:160])
        raise CannotMake(f"{model._meta.label}: {' / '.join(problems)}")

    def _insert(self, model: type[models.Model], side: str, rich: bool) -> models.Model:
        columns: dict[str, Any] = {}
        for name, value in DETAILS.get(model._meta.label, {}).items():
            columns[name] = value(self, side) if callable(value) else value
        for field in model._meta.concrete_fields:
            if field.name in columns or field.attname in columns:
                continue
            value = (
                NAMED[field.name]
                if field.name in NAMED and not field.is_relation
                else self._value(model, field, side, rich)
            )
            if value is not _NOTHING:
                columns[field.attname if field.is_relation else field.name] = value
        row = model(**columns)
        row.save(force_insert=True)
        return row

    def _value(self, model: type[models.Model], field: Any, side: str, rich: bool) -> Any:
        if field.is_relation:
            return self._related(model, field, side)
        if field.primary_key:
            if isinstance(field, models.UUIDField):
                return self.key(side)
            if isinstance(field, models.IntegerField):
                return NUMBER_OF.get(side, 4_000_000) + next(self._numbers)
        if field.name == "branch_id" and isinstance(field, models.UUIDField):
            return self.branches[side].pk
        is_text = isinstance(field, models.CharField | models.TextField) and not field.choices
        wanted = not field.null and not field.has_default() and field.db_default is models.NOT_PROVIDED
        if is_text and (wanted or (rich and not field.has_default() and not field.null)):
            text = f"{self.mark(side)}-{next(self._numbers)}" if side in self.branches else f"x{next(self._numbers)}"
            return text if field.max_length is None else text[: field.max_length]
        if not wanted:
            return _NOTHING
        return _plain(field, side, next(self._numbers))

    def _related(self, model: type[models.Model], field: Any, side: str) -> Any:
        related = field.related_model
        if related is Branch:
            return self.branches[side].pk if side in self.branches else _NOTHING
        if field.null and not (rich_relation(field) and related is not model):
            return _NOTHING
        return self.row(related, side).pk


def second_rows(twins: Twins) -> None:
    """What one row of each model leaves without its other half."""
    apps.get_model("integrations.FeedHead").objects.update_or_create(id=1, defaults={"last": 9_000_000_000})
    for side in ("mill", "quay"):
        prescription = twins.row(apps.get_model("prescriptions.Prescription"), side)
        apps.get_model("prescriptions.PrescribedEye").objects.create(
            id=twins.key(side), prescription=prescription, eye="left", sphere_dpt=Decimal("-1")
        )
        line = twins.row(apps.get_model("ledger.Line"), side)
        type(line).objects.create(
            id=twins.key(side), entry=line.entry, line_no=line.line_no + 1, account=line.account, credit=line.debit
        )
        run = twins.row(apps.get_model("replenishment.ReplenishmentRun"), side)
        run.branches.add(twins.branches[side])


_NOTHING: Any = object()
NUMBER_OF = {"mill": 5_100_000_000, "quay": 8_200_000_000}


def rich_relation(field: Any) -> bool:
    """Links that are filled although they may be empty: so that lists narrowed by them find the row."""
    return field.name in {"customer"}


def key_of(side: str, number: int) -> uuid.UUID:
    """A key in the shape of UUIDv7 (RFC 9562, 5.7) that shows its side."""
    return uuid.UUID(f"019c0000-0000-7000-{KEY_MARK.get(side, '9000')}-{number:012x}")


KEY_MARK = {"mill": "8a11", "quay": "8bad"}


def _plain(field: Any, side: str, number: int) -> Any:
    if field.choices:
        return field.flatchoices[0][0]
    if isinstance(field, models.DateTimeField):
        return AT
    if isinstance(field, models.DateField):
        return TODAY
    if isinstance(field, models.TimeField):
        return dt.time(9, 0) if "open" in field.name else dt.time(17, 0)
    if isinstance(field, models.BooleanField):
        return False
    if isinstance(field, models.DecimalField):
        return Decimal(1)
    if isinstance(field, models.FloatField):
        return 1.0
    if isinstance(field, models.IntegerField):
        return 1
    if isinstance(field, models.JSONField):
        return {}
    if isinstance(field, models.BinaryField):
        return f"{side}mark".encode()
    if isinstance(field, models.UUIDField):
        return key_of(side, number)
    return _NOTHING


def _of(label: str) -> Any:
    """The key of the row of another model on the same side."""
    return lambda twins, side: twins.row(apps.get_model(label), side).pk


def _another(twins: Twins, side: str) -> Any:
    """A third branch: what two branches share would be seen by both, rightly."""
    return twins.branches["third"].pk


def _shaped(name: str) -> Any:
    """JSON in the shape of that component of the OpenAPI document."""
    return lambda twins, side: sample(name, twins.mark(side))


def _second_customer(twins: Twins, side: str) -> Any:
    customer = apps.get_model("customers.Customer")
    text = f"{side}mark-merged"
    return customer.unscoped.create(
        id=twins.key(side), branch=twins.branches[side], given_name=text, family_name=text, merged_into=None
    ).pk


def _application(twins: Twins, side: str) -> Any:
    """A client of its own; the library's models are not made here."""
    application = apps.get_model("oauth2_provider.Application")
    return application.objects.create(
        client_type="confidential", authorization_grant_type="client-credentials", name=f"{side}mark"
    ).pk


#: Columns that mean the same everywhere.
NAMED: dict[str, Any] = {
    "currency": "GBP",
    "eye": "right",
    "language": "en",
    "tax_category": "standard",
    "jurisdiction": "GB",
    "sphere_dpt": Decimal("-1"),
    "cylinder_dpt": Decimal(0),
    "centration_height_mm": Decimal(20),
    "centration_distance_mm": Decimal(32),
    "email": "nobody@example.org",
    "owner_role": "manager",
    "severity": "notice",
}

#: What the generic maker cannot guess, by label: column -> value, or a function of (twins, side). Facts that a
#: constraint of the table asks for, nothing else.
DETAILS: dict[str, dict[str, Any]] = {
    "accounts.ServiceAccount": {
        "application_id": _application,
        "expires_on": dt.date(2026, 12, 31),
        "previous_secret": "",
    },
    "accounts.SignIn": {
        "user_id": _of("accounts.User"),
        "branch_id": None,
        "session_key": lambda twins, side: f"{side}mark-{twins.number()}",
        "seen_at": AT + dt.timedelta(hours=1),
        "expire_date": AT + dt.timedelta(days=1),
    },
    "customers.ConsentChange": {"way": "", "purpose": "", "was": "no", "now": "yes"},
    "customers.CustomerMerge": {"merged_id": _second_customer},
    "catalogue.LensProduct": {"index": Decimal("1.5"), "diameter_mm": Decimal(70), "usable_diameter_mm": Decimal(68)},
    "ledger.Entry": {"line_count": 2},
    "ledger.Line": {"debit": Decimal(1)},
    "ledger.Period": {"month": dt.date(2026, 1, 1), "reason": ""},
    "ledger.JournalExport": {"after_position": 0, "totals": {}},
    "prescriptions.RecallFact": {"struck_reason": "", "flag": "diabetes"},
    "prescriptions.Measurement": {"pd_mm": Decimal(63)},
    "prescriptions.PrescribedPrism": {"base": "in"},
    "prices.ListPrice": {"frame_id": _of("catalogue.Frame")},
    "prices.Promotion": {"code": lambda twins, side: f"{side}MARK".upper()},
    "prices.SchemeVoucher": {"document": "", "reason": ""},
    "ledger.EntryPosition": {"position": lambda twins, side: twins.number()},
    "stock.Movement": {"kind": "receipt", "reserved_change": 0, "reserved_after": 0},
    "billing.Settlement": {"borne_as": ""},
    "reports.ReportSchedule": {"next_due_at": AT, "paused_because": ""},
    "replenishment.ReplenishmentLine": {"transfer_from_id": None},
    "orders.Order": {"computation": _shaped("ComputationOut"), "cancelled_reason": ""},
    "orders.Quotation": {"quoted_on": dt.date(2026, 2, 1), "valid_to": dt.date(2026, 2, 28), "withdrawn_reason": ""},
    "workshop.Job": {"eyes": ["right"], "stop_reason": "", "remake_reason": ""},
    "workshop.FrameTrace": {"eyes": _shaped("TracedEyesInFullOut"), "mirror": None},
    "workshop.LensReading": {"verdict": _shaped("VerdictOut")},
    "quality.Inspection": {"verdict": _shaped("VerdictOut")},
    "quality.GaugeStudy": {
        "operators": ["A", "B"],
        "parts": ["1", "2"],
        "readings": [[["1", "1"], ["1", "1"]], [["1", "1"], ["1", "1"]]],
        "result": lambda twins, side: {
            **sample("GaugeResultOut", twins.mark(side)),
            **{"operators": 2, "parts": 2, "trials": 2},
            "components": [
                {"name": name, "sigma": 1, "contribution": 1, "of_total": 0.1, "of_tolerance": None}
                for name in ("repeatability", "reproducibility", "gauge", "parts")
            ],
        },
    },
    "billing.Receipt": {"content": _shaped("ReceiptContentOut")},
    "billing.Invoice": {"content": _shaped("InvoiceContentOut")},
    "alerts.AlertDigest": {"content": _shaped("DigestContentOut")},
    "replenishment.ReplenishmentRun": {"parameters": _shaped("RunParametersOut")},
    "alerts.Alert": {
        "facts": {"kind": "focimeter", "state": "due", "due_on": "2026-03-09"},
        "cause": "calibration_due",
        "closed_because": "",
        "closed_reason": "",
    },
    "alerts.AlertRule": {"cause": "calibration_due"},
    "core.OutboxEvent": {"type": "orders.placed", "data": lambda twins, side: {"number": twins.mark(side)}},
    "integrations.FeedEntry": {"type": "orders.placed", "area": "orders"},
    "imports.ImportFile": {"headings": ["a"], "delimiter": ","},
    "privacy.PrivacyRequest": {"due_on": dt.date(2026, 4, 2), "decision": ""},
    "imports.ImportRow": {"cells": lambda twins, side: [twins.mark(side)], "state": "failed"},
    "stock.Expected": {"quantity": 1},
    "stock.ExpectedChange": {"line": 900},
    "replenishment.Acceptance": {"purchase_order_id": _of("purchasing.PurchaseOrder")},
    "stock.StockItem": {"kind": "frame", "frame_id": _of("catalogue.Frame")},
    "stock.Transfer": {"receiver_id": _another},
    "purchasing.Offer": {"frame_id": _of("catalogue.Frame")},
    "purchasing.BranchTravel": {"destination_id": _another},
    "appointments.Appointment": {"ends_at": AT + dt.timedelta(minutes=30), "cancelled_reason": ""},
    "quality.Photograph": {"content_type": "image/png", "inspection_id": _of("quality.Inspection")},
    "quality.DraftReading": {"subject": "right"},
    "quality.PairReturn": {"decision": "", "borne_by": "", "cause": "axis_off"},
    "integrations.WebhookEndpoint": {"url": lambda twins, side: f"https://{side}mark.example.org/", "event_types": []},
}

#: Models of which no row is made, with the reason.
LEFT_OUT: dict[str, str] = {
    "ledger.JournalTail": "one row, which belongs to the ledger itself",
    "integrations.FeedHead": "one row, which belongs to the feed itself",
}
