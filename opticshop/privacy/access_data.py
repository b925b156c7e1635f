"""The data of an access file: every row of the person by kind, in plain names, with nothing of anybody else.

Left out: who of the staff recorded something. A person is told what was done and when; the names of employees are their
own data, and not needed for that (after CJEU, C-579/21, from memory). Prescribers and registration numbers of those who
supervised are part of the record and stay. Guardians, wards and addresses of others are left out too, and what lenses
cost us, which is a matter between us and who supplies them. Keys that lead to nothing in the copy would tell nothing.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import BinaryField, Field, ForeignKey, Model

from opticshop.accounts.models import Membership
from opticshop.audit.models import AuditRead, AuditReadSubject
from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct, ServiceItem
from opticshop.correspondence.models import Message
from opticshop.customers.models import CustomerMerge
from opticshop.prices.models import Promotion
from opticshop.purchasing.models import Supplier
from opticshop.quality.models import Handover

from .persons import Person, personal_models, rows_of
from .rules import policy

#: Told by their own words rather than by a key.
_SPOKEN: tuple[type[Model], ...] = (Branch, Frame, LensProduct, Promotion, ServiceItem, Supplier)
#: Columns that are of somebody else, copies made for searching, or what we pay.
_LEFT_OUT: Mapping[str, frozenset[str]] = {
    "customers_customer": frozenset({"guardian", "search_given", "search_family"}),
    "correspondence_message": frozenset({"told"}),
    "privacy_privacyrequest": frozenset({"guardian"}),
    "purchasing_lensorder": frozenset({"unit_cost", "currency"}),
    "workshop_breakage": frozenset({"cost", "currency"}),
    "workshop_job": frozenset({"remake_cost"}),
}
#: Tables that say nothing about the person but how we keep them.
_NOT_TOLD = frozenset({"privacy_accessfile", "privacy_keptidentity"})
SOMEBODY_ELSE = "another person"


@dataclass(frozen=True, slots=True)
class DataFile:
    """One JSON file: where it lies, what it holds, and its rows."""

    name: str
    what: str
    rows: list[dict[str, Any]]
    fields: dict[str, str]

    def content(self) -> dict[str, Any]:
        return {"what": self.what, "fields": self.fields, "rows": self.rows}


def data_files(person: Person) -> Iterator[DataFile]:
    """A file for each table of which there are rows, and one that says who read the record."""
    for table, model in personal_models().items():
        if table in _NOT_TOLD or table not in person.keys:
            continue
        told = [field for field in model._meta.concrete_fields if _is_told(table, field)]
        spoken = [field.name for field in told if field.related_model in _SPOKEN]
        rows = rows_of(model, person.ids).select_related(*spoken).distinct().order_by("pk")
        yield DataFile(
            name=f"data/{policy().rules[table].kind}/{plain_name(model)}.json",
            what=" ".join((model.__doc__ or "").split("\n\n")[0].split()),
            rows=[{field.name: _told(person, row, field) for field in told} for row in rows],
            fields={field.name: str(field.help_text) for field in told if field.help_text},
        )
    reads = list(_reads(person))
    if reads:
        yield DataFile(
            "data/trail/who-read-the-record.json",
            "When the record was looked at, through which table, and in what role. Names of staff are not told.",
            reads,
            {},
        )


def plain_name(model: type[Model]) -> str:
    """What the file of a table is called, and the table where the copy speaks of it."""
    many = str(model._meta.verbose_name_plural)
    return (f"{many[:-1]}es" if many.endswith("ss") else many).replace(" ", "-")


def _is_told(table: str, field: Field[Any, Any]) -> bool:
    if field.name in _LEFT_OUT.get(table, ()) or isinstance(field, BinaryField) or field.name.endswith("by_label"):
        return False
    there = field.related_model
    return there is None or there in _SPOKEN or there._meta.db_table in personal_models()  # type: ignore[union-attr]


def _told(person: Person, row: Any, field: Field[Any, Any]) -> Any:
    if isinstance(field, ForeignKey):
        there = getattr(row, field.name) if field.related_model in _SPOKEN else getattr(row, field.attname)
        return None if there is None else str(there)
    value = getattr(row, field.name)
    if isinstance(row, CustomerMerge) and field.name in {"filled", "reason", "undone_reason"}:
        return _of_merge(person, row, value)
    if isinstance(row, Message) and field.name == "to" and row.told_id not in (None, *person.ids):
        return SOMEBODY_ELSE
    if isinstance(row, Handover) and field.name == "collected_by" and value:
        own = {str(record).casefold() for record in person.records}
        return value if value.casefold() in own else SOMEBODY_ELSE
    return value


def _of_merge(person: Person, merge: CustomerMerge, value: Any) -> Any:
    """A merge that was undone may have been with somebody else; who the guardian is is never told."""
    if not {merge.survivor_id, merge.merged_id} <= set(person.ids):
        return SOMEBODY_ELSE if value else value
    return {name: each for name, each in value.items() if name != "guardian"} if isinstance(value, dict) else value


def _reads(person: Person) -> Iterator[dict[str, Any]]:
    """Reads by the role that the reader holds now; what a program read says so."""
    roles: dict[uuid.UUID, set[str]] = {}
    for user, role in Membership.objects.values_list("user_id", "role"):
        roles.setdefault(user, set()).add(role)
    shown = AuditReadSubject.objects.filter(customer_id__in=person.ids).order_by().values("read").distinct()
    reads = AuditRead.objects.filter(id__in=shown).order_by("id")
    for at, kind, actor, sort in reads.values_list("at", "kind", "actor_id", "actor_kind").iterator():
        known = sorted(roles.get(actor, ())) if actor else []
        yield {"at": at, "what": kind, "role": ", ".join(known) or str(sort)}
