"""Walks operations as somebody, with the rows of one branch or of the other, and looks into what comes back."""

from __future__ import annotations

import base64
import itertools
import json
import logging
import re
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from django.apps import apps
from django.db import connection, transaction
from rest_framework.test import APIClient

from opticshop.core.actor import system

from .operations import PLAIN_PLACES, Operation
from .samples import sample
from .twins import KEY_MARK, NUMBER_OF, Twins, of_a_branch

#: Which row a path parameter names, where it is not the row that the view's selector shows.
PLACES = {
    "closure": "branches.Closure",
    "customer_id": "customers.Customer",
    "instrument_id": "instruments.Instrument",
    "job": "workshop.Job",
    "inspection": "quality.Inspection",
}
IDS = {
    "/api/v1/instrument-policies/": "branches.Branch",
    "/api/v1/me/sign-ins/": "accounts.SignIn",
    "/api/v1/look-backs/": "instruments.Instrument",
    "/api/v1/events/": "core.OutboxEvent",
    "/api/v1/jobs/{job}/traces/": "workshop.FrameTrace",
    "/fhir/r4/Patient/": "customers.Customer",
    "/fhir/r5/Patient/": "customers.Customer",
    "/fhir/": "prescriptions.Prescription",
}
#: What a key in a body or in a filter names, by its name.
NAMES = {
    "lens": "catalogue.LensProduct",
    "order": "orders.Order",
    "replaces": "orders.Order",
    "customer": "customers.Customer",
    "merged_into": "customers.Customer",
    "duplicate": "customers.Customer",
    "frame": "catalogue.Frame",
    "article": "catalogue.Frame",
    "service": "catalogue.ServiceItem",
    "supplier": "purchasing.Supplier",
    "offer": "purchasing.Offer",
    "purchase_order": "purchasing.PurchaseOrder",
    "prescription": "prescriptions.Prescription",
    "measurement": "prescriptions.Measurement",
    "line": "stock.TransferLine",
    "lines": "replenishment.ReplenishmentLine",
    "run": "replenishment.ReplenishmentRun",
    "item": "stock.StockItem",
    "lot": "stock.Lot",
    "count": "stock.StockCount",
    "job": "workshop.Job",
    "jobs": "workshop.Job",
    "bench": "workshop.Bench",
    "draft": "quality.InspectionDraft",
    "inspection": "quality.Inspection",
    "reading": "quality.DraftReading",
    "instrument": "instruments.Instrument",
    "key": "instruments.Instrument",
    "piece": "instruments.CheckPiece",
    "supervised_by": "accounts.User",
    "person": "accounts.User",
    "user": "accounts.User",
    "with": "accounts.User",
    "owner": "accounts.User",
    "holder": "accounts.User",
    "actor": "accounts.User",
    "promotion": "prices.Promotion",
    "price_list": "prices.PriceList",
    "claim": "prices.SchemeClaim",
    "voucher": "prices.SchemeVoucher",
    "payment": "billing.Payment",
    "account": "ledger.Account",
    "message": "correspondence.Message",
    "batch": "correspondence.LetterBatch",
    "endpoint": "integrations.WebhookEndpoint",
    "event": "core.OutboxEvent",
    "file": "imports.ImportFile",
}
BRANCH = "branches.Branch"
#: Filters by text, and the row whose number or key they might be given.
TEXTS = {
    "patient": "customers.Customer",
    "_id": "prescriptions.Prescription",
    "row": "orders.Order",
    "customer": "customers.Customer",
    "account": "ledger.Account",
    "holder": "accounts.User",
    "undone": "workshop.Job",
}
#: Papers and pictures that cost more than everything else together.
SPARED = {"gauge_study_svg", "control_chart_svg"}
#: What an answer may say of the other branch: why, and of which rows the key, code and name.
MAY_TELL: dict[str, tuple[str, tuple[str, ...]]] = {
    "transfer_branch_list": ("names and codes of the branches that goods can be sent to", ("branches.Branch",)),
    "branch_travel_list": (
        "days of travel between the group's branches",
        ("branches.Branch", "purchasing.BranchTravel"),
    ),
}


class LastFailure(logging.Handler):
    """Keeps the last failure that was logged, to be named beside a 500."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.words = ""

    def emit(self, record: logging.LogRecord) -> None:
        if record.exc_info and record.exc_info[1] is not None:
            error = record.exc_info[1]
            places = [f for f in traceback.extract_tb(error.__traceback__) if "/opticshop/" in f.filename]
            place = f" at {places[-1].filename.split('/opticshop/')[-1]}:{places[-1].lineno}" if places else ""
            self.words = f"{error!r:.160}{place}"


@dataclass
class Walk:
    twins: Twins
    problems: list[str] = field(default_factory=list)
    calls: int = 0
    labels: dict[Operation, str | None] = field(default_factory=dict)
    failure: LastFailure = field(default_factory=LastFailure)

    def row(self, label: str, side: str) -> Any:
        return self.twins.row(apps.get_model(label), side)

    def label_of(self, operation: Operation) -> str | None:
        """The model whose rows the operation is about."""
        if operation not in self.labels:
            self.labels[operation] = self._label_of(operation)
        return self.labels[operation]

    def _label_of(self, operation: Operation) -> str | None:
        for prefix, label in IDS.items():
            if operation.path.startswith(prefix):
                return label
        selector = getattr(operation.view, "selector", None)
        return selector(system("walk")).model._meta.label if selector else None

    def places(self, operation: Operation, side: str) -> dict[str, Any]:
        """Values of the path parameters, all of them rows of that side."""
        found: dict[str, Any] = {}
        for place in operation.places:
            if place == "id" and operation.path.startswith("/api/v1/alerts/rules/"):
                found[place] = "calibration_due"
            elif place == "id" and operation.path.startswith("/api/v1/reports/"):
                found[place] = "stock-value"
            elif place == "id":
                label = self.label_of(operation)
                assert label, f"{operation.path}: say in IDS what it is"
                found[place] = self.row(label, side).pk
            elif place in PLACES:
                found[place] = self.row(PLACES[place], side).pk
            elif place == "code":
                found[place] = self.row("workshop.Job", side).number
            elif operation.path.startswith("/api/v1/calculators/"):
                found[place] = "spherical-equivalent"
            else:
                found[place] = PLAIN_PLACES[place]
        return found

    def is_of_a_branch(self, operation: Operation) -> bool:
        label = self.label_of(operation)
        return label is not None and of_a_branch(apps.get_model(label))

    def names_a_row_of_a_branch(self, operation: Operation) -> bool:
        return any(
            place in PLACES
            or place == "code"
            or (place == "id" and (label := self.label_of(operation)) and of_a_branch(apps.get_model(label)))
            for place in operation.places
            if not operation.path.startswith("/api/v1/alerts/rules/")
        )

    def query_values(self, operation: Operation, side: str) -> dict[str, Any]:
        """What has to be asked for, as rows of that side."""
        return {
            p["name"]: self.asked(p["name"], p["schema"], side)
            for p in operation.details.get("parameters", ())
            if p["in"] == "query" and p.get("required")
        }

    def query(self, operation: Operation, side: str) -> str:
        wanted = self.query_values(operation, side)
        return f"?{urlencode(wanted)}" if wanted else ""

    def asked_of(self, operation: Operation, name: str, schema: Mapping[str, Any], side: str) -> list[Any]:
        """Values of a filter that name something of that side."""
        if name == "cursor":
            label = self.label_of(operation)
            if label is None:
                return []
            place = self.row(label, side).pk
            return [base64.b64encode(f"{way}p={place}".encode()).decode() for way in ("", "r=1&")]
        if schema.get("format") == "uuid":
            return [self.asked(name, schema, side)]
        if name == "after":
            return [self.row("integrations.FeedEntry", side).pk, self.row("core.OutboxEvent", side).pk]
        texts = {"type": "string"}
        if name in TEXTS or (schema.items() >= texts.items() and not schema.get("enum") and "format" not in schema):
            row = self.row(TEXTS.get(name, "orders.Order"), side)
            return [f"{side}mark", getattr(row, "number", row.pk), str(row.pk)]
        return []

    def body(self, operation: Operation, side: str) -> Any:
        """The example of the request with the rows of that side in it."""
        return _swapped(operation.body[1], lambda name, value: str(self.row(NAMES.get(name, BRANCH), side).pk))

    def bodies_with_their_keys(self, operation: Operation) -> Iterator[tuple[str, str, Any]]:
        """For each key in the example: the example with rows of the one side and that key of the other."""
        example, places = operation.body[1], []
        _swapped(example, lambda name, value: places.append(name) or value)
        for place, name in enumerate(places):
            label = NAMES.get(name, BRANCH)
            if not of_a_branch(apps.get_model(label)):
                continue
            theirs, count = str(self.row(label, "quay").pk), itertools.count()
            yield (
                f"{name} ({place + 1})",
                theirs,
                _swapped(
                    example,
                    lambda name, value, theirs=theirs, count=count, place=place: (
                        theirs if next(count) == place else str(self.row(NAMES.get(name, BRANCH), "mill").pk)
                    ),
                ),
            )

    def is_costly(self, operation: Operation) -> bool:
        """Costly papers and pictures are drawn for one of the roles that may have them."""
        return operation.id in SPARED or "/calculators/" in operation.path

    def asked(self, name: str, schema: Mapping[str, Any], side: str) -> Any:
        """A value for a filter that names something of that side, or nothing of anybody's."""
        if schema.get("enum"):
            return schema["enum"][0]
        if "$ref" in str(schema):
            return _first_of(schema)
        match schema.get("format") or schema.get("type"):
            case "uuid":
                return self.row(NAMES.get(name, BRANCH), side).pk
            case "date":
                return "2026-03-02"
            case "date-time":
                return "2026-03-02T11:00:00Z"
            case "boolean":
                return "true"
            case "integer" | "number" | "double" | "decimal":
                return "1"
        return f"{side}mark"

    def send(
        self, client: APIClient, operation: Operation, path: str, body: Any = None, *, query: Any = None, **headers: str
    ) -> Any:
        self.calls += 1
        if query:
            path = f"{path}?{urlencode(query)}"
        media, _ = operation.body
        takes_key = getattr(operation.view, "idempotent", {}).get(operation.action) != "never"
        takes_key &= media != "multipart/form-data"
        if operation.method in ("POST", "PUT", "PATCH") and takes_key:
            headers.setdefault("HTTP_IDEMPOTENCY_KEY", f"walk-{self.calls}")
        if operation.method in ("PATCH", "PUT", "POST"):
            headers.setdefault("HTTP_IF_MATCH", "*" if operation.method == "POST" else '"1"')
        if media == "multipart/form-data":
            return client.post(path, body or {}, format="multipart", **headers)
        data = b"" if body is None or media is None else json.dumps(body).encode()
        return client.generic(operation.method, path, data, content_type=media or "application/json", **headers)

    def say(self, operation: Operation, who: str, answer: Any, wanted: str) -> None:
        said = self.failure.words if answer.status_code >= 500 else _bytes_of(answer)[:160].decode("utf-8", "replace")
        self.problems.append(
            f"{operation.id} [{operation.method} {operation.path}] as {who}: {answer.status_code}, not {wanted}: {said}"
        )

    def look_for(self, side: str, operation: Operation, who: str, answer: Any, *given: Any) -> None:
        """No byte of that side in body or headers, but for what the caller itself sent."""
        for label in MAY_TELL.get(operation.id, ("", ()))[1]:
            row = self.row(label, side)
            given += tuple(str(getattr(row, name)) for name in ("pk", "code", "name") if hasattr(row, name))
        told = _bytes_of(answer).lower() + repr(sorted(answer.headers.items())).lower().encode()
        for value in sorted((str(each).lower() for each in given), key=len, reverse=True):
            told = told.replace(value.encode(), b"")
        for sign in signs(side):
            place = told.find(sign)
            if place >= 0:
                said = told[max(0, place - 120) : place + 60].decode("utf-8", "replace")
                self.problems.append(
                    f"{operation.id} [{operation.method} {operation.path}] as {who} ({answer.status_code}) "
                    f"tells of the other branch: ...{said}..."
                )
                return


def _first_of(schema: Mapping[str, Any]) -> Any:
    """The first word of an enumeration that the schema refers to."""
    return sample(re.search(r"schemas/(\w+)", str(schema))[1], "x")  # type: ignore[index]


_KEY = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


def _swapped(value: Any, swap: Callable[[str, str], str], name: str = "") -> Any:
    """The value with each key in it replaced; ``swap`` gets the name it stands under."""
    if isinstance(value, dict):
        return {inner: _swapped(each, swap, inner) for inner, each in value.items()}
    if isinstance(value, list):
        return [_swapped(each, swap, name) for each in value]
    return swap(name, value) if isinstance(value, str) and _KEY.fullmatch(value) else value


def signs(side: str) -> tuple[bytes, ...]:
    """What every row of that side carries: its mark, its keys, its numbers."""
    return (side.encode(), f"-7000-{KEY_MARK[side]}-".encode(), str(NUMBER_OF[side])[:7].encode())


def _bytes_of(answer: Any) -> bytes:
    return b"".join(answer.streaming_content) if answer.streaming else answer.content


@contextmanager
def undone() -> Iterator[None]:
    """What is written within is taken back."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def everything_written() -> dict[str, Any]:
    """The rows of every table but the trail of reads, to be compared with what they were."""
    found = {}
    with connection.cursor() as cursor:
        for model in apps.get_models(include_auto_created=True):
            table = model._meta.db_table
            if table.startswith("audit_") or table in found:
                continue
            cursor.execute(f'SELECT * FROM "{table}"')
            found[table] = sorted(map(repr, cursor.fetchall()))
    return found
