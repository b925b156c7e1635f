"""Reads of customers, always limited to the branches in which the actor may see them."""

from __future__ import annotations

import datetime as dt
import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connections
from django.db.models import BooleanField, Exists, F, Func, Model, OuterRef, Q, Value, Window
from django.db.models.functions import Coalesce, Lower, RowNumber
from django.db.models.lookups import Exact

from opticshop.core import kept
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.prepared import a_key_of_nobody
from opticshop.core.scoping import BranchQuerySet
from opticshop.core.text import folded

from .models import ConsentChange, Customer, StatusChange
from .permissions import CustomerPermission

#: How many older records a row of the duplicate finder names for each reason.
ALIKE_SHOWN = 5


def customers_visible_to(actor: Actor) -> BranchQuerySet[Customer]:
    """Whoever was erased is shown to nobody."""
    return Customer.objects.visible_to(actor, CustomerPermission.VIEW).filter(erased_at=None)


def customers_shown_to(actor: Actor) -> BranchQuerySet[Customer]:
    """With all that a customer is shown with: branch, survivor, refusals, wrong addresses."""
    shown = customers_visible_to(actor).select_related("branch", "merged_into")
    return shown.prefetch_related("refusals", "wrong_addresses")


def consent_changes_of(customer: Customer) -> BranchQuerySet[ConsentChange]:
    """What the person said, newest first; not what was said of records that were merged into this one."""
    return ConsentChange.objects.everywhere("of a customer that was shown").filter(customer=customer)


def status_changes_of(customer: Customer) -> BranchQuerySet[StatusChange]:
    return StatusChange.objects.everywhere("of a customer that was shown").filter(customer=customer)


def customer_get_for(actor: Actor, customer_id: uuid.UUID, *, permission: str = CustomerPermission.VIEW) -> Customer:
    """The customer, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    visible = Customer.objects.visible_to(actor, permission).filter(erased_at=None)
    found = visible.select_related("branch").filter(id=customer_id).first()
    if found is None:
        raise NotFound(f"There is no customer {customer_id} here.", field="customer")
    return found


def customers_named(queryset: BranchQuerySet[Customer], text: str, actor: Actor) -> BranchQuerySet[Customer]:
    """Every word of the text begins the given or the family name (or a further word of either)."""
    words = list(dict.fromkeys(folded(text).split()))
    if len(words) > LONGEST_NAME or any(len(word) > LONGEST_WORD for word in words):
        return queryset.none()
    if connections[queryset.db].vendor != "postgresql":
        for word in words:
            queryset = queryset.filter(
                Q(search_family__startswith=word)
                | Q(search_given__startswith=word)
                | Q(search_family__contains=f" {word}")
                | Q(search_given__contains=f" {word}")
            )
        return queryset
    where = actor.where(CustomerPermission.VIEW)
    if not words or not where:
        return queryset
    behind = [""]
    if where is not ALL and len(where) * len(words) <= MOST_BEGINNINGS:
        behind = [f"{branch}/" for branch in sorted(where)]
        # PostgreSQL takes any beginning for that of one row in 200, and would read all rows of the branch besides. Said
        # twice it is that of one in 40,000.
        words *= 2
    asked = " & ".join("(" + " | ".join(_beginning(branch + word) for branch in behind) + ")" for word in words)
    names = Func("branch", "search_family", "search_given", function="customers_name_words")  # as the index has it
    has = Func(names, Value(asked), template="%(expressions)s::tsquery", arg_joiner=" @@ ", output_field=BooleanField())
    return queryset.filter(has)


#: No word of a name is longer, and no name has more beginnings of words than both its parts have letters.
LONGEST_WORD = Customer._meta.get_field("search_family").max_length or 0
LONGEST_NAME = 2 * LONGEST_WORD
#: Words times branches of the actor, up to which names are looked for branch by branch; beyond, among those of all.
MOST_BEGINNINGS = 64


def _beginning(word: str) -> str:
    """Of a ``tsquery``: a word that begins so."""
    return "'" + word.replace("\\", "\\\\").replace("'", "''") + "':*"


def customers_like(actor: Actor, person: Customer) -> list[Customer]:
    """Registered people who may be the same person: same phone or e-mail, or same birth date and a similar name; at
    most ten, the newest first.

    Merged records are left out: their survivor speaks for them.
    """
    told = {
        "pk": person.pk,
        "phone_e164": person.phone_e164,
        "email": person.email.lower(),
        "birth_date": person.birth_date,
        "search_family": person.search_family,
        "search_given": person.search_given,
    }
    return kept.rows_of(
        ("customers_like", actor.where(CustomerPermission.VIEW)),
        lambda asked: _like(actor, asked),
        {name: value for name, value in told.items() if value},
        stand_ins=_STAND_INS,
    )


#: Of somebody who cannot be.
_STAND_INS = {
    "pk": a_key_of_nobody(Customer),
    "phone_e164": "qz phone",
    "email": "qz mail",
    "birth_date": dt.date(1, 1, 1),
    "search_family": "qz family",
    "search_given": "qz given",
}


def _like(actor: Actor, told: Mapping[str, Any]) -> BranchQuerySet[Customer]:
    family, given, born = told.get("search_family", ""), told.get("search_given", ""), told.get("birth_date")
    same = Q(pk__in=[])
    if "phone_e164" in told:
        same |= ~Q(phone_e164="") & Q(phone_e164=told["phone_e164"])
    if "email" in told:
        same |= ~Q(email="") & Q(Exact(Lower("email"), told["email"]))
    if born is not None:
        same |= Q(birth_date=born, search_family=family) | Q(birth_date=born, search_given=given)
        same |= Q(search_family=family, search_given=given, birth_date=None)
    else:
        same |= Q(search_family=family, search_given=given)
    # By the indexes of what is the same first, by branch afterwards: the other way round reads the whole branch.
    anywhere = Customer.objects.everywhere("narrowed to the actor's branches by the query around it").filter(same)
    found = customers_visible_to(actor).filter(id__in=anywhere.values("id"), merged_into=None)
    return found.exclude(pk=told["pk"]).order_by("-id")[:10]


def _same(*columns: str) -> Q:
    return Q(**{column: OuterRef(column) for column in columns})


def duplicates_visible_to(actor: Actor) -> BranchQuerySet[Customer]:
    """Those of whom an older record may be the same person: same phone, same e-mail, or same name and birth date.

    A child who shares the guardian's phone is none, and neither is a record that is merged already.
    """
    rows = Customer.objects.visible_to(actor, CustomerPermission.MERGE).filter(merged_into=None, erased_at=None)
    older = rows.filter(id__lt=OuterRef("id")).exclude(guardian=OuterRef("id"))
    older = older.exclude(id=Coalesce(OuterRef("guardian"), OuterRef("id")))
    same_email = Exact(Lower("email"), Lower(OuterRef("email")))
    return rows.select_related("branch").filter(
        (~Q(phone_e164="") & Exists(older.filter(~Q(phone_e164=""), _same("phone_e164"))))
        | (~Q(email="") & Exists(older.filter(~Q(email=""), same_email)))
        | (Q(birth_date__isnull=False) & Exists(older.filter(_same(*_NAME_AND_BIRTH))))
    )


_NAME_AND_BIRTH = ("birth_date", "search_family", "search_given")
#: Why two records may be of one person, and by which columns.
_REASONS = (("phone", ("phone_e164",)), ("email", ("email_lower",)), ("name_and_birth_date", _NAME_AND_BIRTH))


@dataclass(frozen=True, slots=True)
class Alike:
    """An older record that may be of the same person, and why."""

    customer: Customer
    why: list[str]


def alike_older(actor: Actor, page: Sequence[Customer]) -> dict[uuid.UUID, list[Alike]]:
    """For each of a page of ``duplicates_visible_to`` the older records, the oldest few for each reason.

    A constant number of queries.
    """
    rows = Customer.objects.visible_to(actor, CustomerPermission.MERGE).filter(merged_into=None, erased_at=None)
    all_rows: Any = rows.select_related("branch").annotate(email_lower=Lower("email"))
    found: dict[uuid.UUID, dict[uuid.UUID, Alike]] = defaultdict(dict)
    for why, columns in _REASONS:
        wanted: dict[tuple[object, ...], list[Customer]] = defaultdict(list)
        for customer in page:
            key = _key(customer, columns)
            if all(key):
                wanted[key].append(customer)
        if not wanted:
            continue
        numbered = all_rows.filter(~Q(**{columns[0]: None if columns[0] == "birth_date" else ""}))
        for place, column in enumerate(columns):
            numbered = numbered.filter(**{f"{column}__in": {key[place] for key in wanted}})
        oldest_first = Window(RowNumber(), partition_by=[F(column) for column in columns], order_by="id")
        for other in numbered.annotate(place=oldest_first).filter(place__lte=ALIKE_SHOWN):
            for customer in wanted.get(_key(other, columns), ()):
                if other.id < customer.id and other.guardian_id != customer.id and customer.guardian_id != other.id:
                    found[customer.id].setdefault(other.id, Alike(other, [])).why.append(why)
    return {key: sorted(alike.values(), key=lambda each: each.customer.id) for key, alike in found.items()}


def _key(customer: Model, columns: Sequence[str]) -> tuple[object, ...]:
    return tuple(
        str(customer.email).lower() if name == "email_lower" else getattr(customer, name)  # type: ignore[attr-defined]
        for name in columns
    )
