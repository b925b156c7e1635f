"""Merging two records of one person, and parting them again.

A merge is a link: no row is moved, so nothing can be lost and parting is exact. What the survivor lacked is filled in
from the merged record, and the link remembers what it filled, so that parting takes exactly that back.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from django.db import models, transaction
from django.db.models import F, Q

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, VersionMismatch
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet

from .. import events
from ..merged import CustomerErased, CustomerMerged, refuse_merged
from ..models import ConsentChange, ContactRefusal, Customer, CustomerMerge, Source, WrongAddress
from ..permissions import CustomerPermission
from .consents import choices_of, choices_record, contact_change_record
from .people import record_event


class MergeRefused(Conflict):
    """Two records cannot be of one person, being the same record or guardian and ward; or the survivor of a merge is a
    record of another branch, so that only head office can part the two."""

    code = "customers.merge_refused"
    title = "These two cannot be merged or parted"


class BirthDatesDiffer(Conflict):
    """The two birth dates differ: more likely two people than one. Say ``confirm_birth_date_differs`` to merge."""

    code = "customers.birth_dates_differ"
    title = "The birth dates differ"


class NotMerged(Conflict):
    """Only a merged record can be parted from its survivor."""

    code = "customers.not_merged"
    title = "This record is not merged"


@dataclass(frozen=True, slots=True)
class _Group:
    """Columns that are filled together when the survivor lacks them."""

    columns: tuple[str, ...]
    lacks: Callable[[Customer, Customer, bool], bool]


def _blank(name: str) -> Callable[[Customer, Customer, bool], bool]:
    return lambda survivor, other, withdrew: not getattr(survivor, name) and bool(getattr(other, name))


#: What a merge fills in. Contact details where the survivor has none; what forbids or protects wins from either side.
GROUPS = (
    _Group(("email",), _blank("email")),
    _Group(("phone", "phone_e164"), _blank("phone")),
    _Group(
        ("address", "postcode", "country"),
        lambda survivor, other, withdrew: not survivor.address and not survivor.postcode and bool(other.address),
    ),
    _Group(("birth_date",), _blank("birth_date")),
    _Group(("guardian",), _blank("guardian_id")),
    _Group(("deceased_on",), _blank("deceased_on")),
    _Group(("is_sight_impaired",), _blank("is_sight_impaired")),
    _Group(("wants_recalls",), lambda survivor, other, withdrew: survivor.wants_recalls and not other.wants_recalls),
    _Group(("wants_marketing",), lambda survivor, other, withdrew: survivor.wants_marketing and withdrew),
    _Group(
        ("preferred_channel",),
        lambda survivor, other, withdrew: (
            other.preferred_channel == Customer.Channel.NONE != survivor.preferred_channel
        ),
    ),
)
_EVERY_COLUMN = frozenset(name for group in GROUPS for name in group.columns)


def customer_merge(
    *,
    actor: Actor,
    survivor: Customer,
    duplicate: Customer,
    version: int,
    reason: str,
    confirm_birth_date_differs: bool = False,
) -> Customer:
    """Merge the duplicate, with all that was merged into it, into the survivor; returns the survivor.

    Raises CustomerMerged when either is merged already, MergeRefused, BirthDatesDiffer, VersionMismatch.
    """
    actor.require(CustomerPermission.MERGE, survivor.branch_id)
    actor.require(CustomerPermission.MERGE, duplicate.branch_id)
    if survivor.id == duplicate.id:
        raise MergeRefused("A record is not merged into itself.", field="duplicate")
    with transaction.atomic():
        rows = {row.id: row for row in lock_rows(_everybody().filter(id__in=[survivor.id, duplicate.id]))}
        kept, gone = rows[survivor.id], rows[duplicate.id]
        refuse_merged(actor, kept)
        refuse_merged(actor, gone, field="duplicate")
        if kept.version != version:
            raise VersionMismatch(field="If-Match")
        _refuse_guardians(kept, gone)
        births = {row.birth_date for row in (kept, gone)} - {None}
        if len(births) > 1 and not confirm_birth_date_differs:
            raise BirthDatesDiffer(
                f"{kept.birth_date} and {gone.birth_date}.", field="duplicate", allowed="confirm_birth_date_differs"
            )
        link = CustomerMerge.objects.create(survivor=kept, merged=gone, reason=reason, merged_by_id=actor.id)
        _everybody().filter(merged_into=gone).update(merged_into=kept, version=F("version") + 1)
        gone.merged_into, gone.version = kept, gone.version + 1
        gone.save(update_fields=["merged_into", "version"])
        _Keeper(actor, kept, [link]).rewrite(take_back=[])
        record_event(events.CUSTOMER_MERGED, kept, actor, merged=str(gone.id))
    return kept


def customer_unmerge(*, actor: Actor, customer: Customer, version: int, reason: str) -> Customer:
    """Part a merged record from its survivor; what was merged into it before goes with it. Returns the record.

    Raises NotMerged, VersionMismatch; MergeRefused where the survivor is another branch's.
    """
    actor.require(CustomerPermission.MERGE, customer.branch_id)
    if customer.merged_into is None:
        raise NotMerged("It speaks for itself.", field="customer")
    if customer.erased_at is not None:
        raise CustomerErased(field="customer")
    if not actor.may(CustomerPermission.MERGE, customer.merged_into.branch_id):
        raise MergeRefused(
            "It was merged into a record of another branch; head office can part them.", field="customer"
        )
    root_id = customer.merged_into.id
    with transaction.atomic():
        rows = {row.id: row for row in lock_rows(_everybody().filter(id__in=[root_id, customer.id]))}
        parted = rows[customer.id]
        if parted.version != version:
            raise VersionMismatch(field="If-Match")
        if parted.merged_into_id != root_id:
            raise NotMerged("It was parted or merged anew in the meantime.", field="customer")
        tree = _Tree(root_id)
        link = tree.above[parted.id]
        with_it = tree.below(parted.id)
        link.undone_at, link.undone_by_id, link.undone_reason = clock.now(), actor.id, reason
        link.save(update_fields=["undone_at", "undone_by_id", "undone_reason"])
        _everybody().filter(id__in=with_it).update(merged_into=parted, version=F("version") + 1)
        parted.merged_into, parted.version = None, parted.version + 1
        parted.save(update_fields=["merged_into", "version"])
        tree.forget(link)
        _take_back_upwards(actor, tree, link)
        outbox.record(
            event_type=events.CUSTOMER_UNMERGED,
            subject=f"customers/{root_id}",
            actor=actor,
            branch_id=rows[root_id].branch_id,
            data={"customer": str(root_id), "parted": str(parted.id)},
        )
    return parted


class _Tree:
    """The open links below a root: who was merged into whom."""

    def __init__(self, root_id: uuid.UUID) -> None:
        links = _links().filter(undone_at=None, merged__merged_into=root_id).order_by("id")
        self.above = {link.merged_id: link for link in links}
        self.children: dict[uuid.UUID, list[CustomerMerge]] = defaultdict(list)
        for link in links:
            self.children[link.survivor_id].append(link)

    def below(self, node: uuid.UUID) -> list[uuid.UUID]:
        found, waiting = [], [node]
        while waiting:
            merged = [link.merged_id for link in self.children[waiting.pop()]]
            found += merged
            waiting += merged
        return found

    def forget(self, link: CustomerMerge) -> None:
        del self.above[link.merged_id]
        self.children[link.survivor_id] = [each for each in self.children[link.survivor_id] if each.id != link.id]


def _take_back_upwards(actor: Actor, tree: _Tree, link: CustomerMerge) -> None:
    """Take back what the link brought its survivor, and what that passed on, up to the root."""
    going: CustomerMerge | None = link
    while going is not None:
        node = going.survivor_id
        [keeper] = lock_rows(_everybody().filter(id=node))
        _Keeper(actor, keeper, tree.children[node]).rewrite(take_back=[going])
        going = tree.above.get(node)


class _Keeper:
    """One record that others were merged into: takes back what links brought it, and fills from those that stay."""

    def __init__(self, actor: Actor, record: Customer, links: Iterable[CustomerMerge]) -> None:
        self.actor, self.record, self.links = actor, record, list(links)
        self.others = _everybody().in_bulk([link.merged_id for link in self.links])

    def rewrite(self, *, take_back: list[CustomerMerge]) -> None:
        before = {name: _plain(self.record, name) for name in _EVERY_COLUMN}
        choices = choices_of(self.record)
        columns = self._restore(take_back) if take_back else _EVERY_COLUMN
        self._fill(columns)
        changed = sorted(name for name in _EVERY_COLUMN if _plain(self.record, name) != before[name])
        self.record.version += 1
        self.record.save(update_fields=[*changed, "version"])
        choices_record(self.actor, self.record, choices, choices_of(self.record), Source.MERGE)
        self._rewrite_rows(ContactRefusal, ("way", "purpose"), take_back, self._tell_contact)
        self._rewrite_rows(
            WrongAddress, ("way", "address", "reason", "recorded_by_id"), take_back, lambda row, gone: None
        )
        if changed:
            record_event(events.CUSTOMER_CHANGED, self.record, self.actor, fields=changed)

    def _restore(self, links: list[CustomerMerge]) -> set[str]:
        """Columns that hold again what they held before the links filled them."""
        restored = set()
        for link in links:
            for name, (was, now) in link.filled.items():
                if _plain(self.record, name) == now:
                    _set(self.record, name, was)
                    restored.add(name)
            link.filled = {}
            link.save(update_fields=["filled"])
        return restored

    def _fill(self, columns: Iterable[str]) -> None:
        """What the record lacks, from the merged ones in the order in which they were merged."""
        open_columns = set(columns)
        withdrew = self._withdrew_marketing() if "wants_marketing" in open_columns else set()
        for link in self.links:
            other = self.others[link.merged_id]
            for group in GROUPS:
                if group.columns[0] not in open_columns or not group.lacks(self.record, other, other.id in withdrew):
                    continue
                for name in group.columns:
                    was, now = _plain(self.record, name), _plain(other, name)
                    if was != now:
                        link.filled[name] = [was, now]
                        _set(self.record, name, now)
            link.save(update_fields=["filled"])

    def _withdrew_marketing(self) -> set[uuid.UUID]:
        """Those that once wanted marketing and do not any more; who was never asked has withdrawn nothing."""
        known = ConsentChange.objects.everywhere("of records that are merged, permission checked above")
        said_no = known.filter(
            customer__in=self.others, customer__wants_marketing=False, what=ConsentChange.What.WANTS_MARKETING, now="no"
        )
        return set(said_no.values_list("customer_id", flat=True))

    def _rewrite_rows(
        self,
        model: Any,
        columns: tuple[str, ...],
        take_back: list[CustomerMerge],
        tell: Callable[[Any, bool], None],
    ) -> None:
        """Refusals or wrong addresses: drop what the links brought, and take those that the others have."""
        key = columns[:2]
        rows = model.objects.everywhere("of records that are merged, permission checked above")
        mine = {tuple(getattr(row, name) for name in key): row for row in rows.filter(customer=self.record)}
        ended = {link.id for link in take_back}
        dropped = {each: row for each, row in mine.items() if row.from_merge_id in ended}
        wanted: dict[tuple[Any, ...], Any] = {}
        links = {link.merged_id: link for link in self.links}
        for row in sorted(rows.filter(customer__in=self.others), key=lambda row: (links[row.customer_id].id, row.id)):
            each = tuple(getattr(row, name) for name in key)
            if (each in dropped or not take_back) and (each in dropped or each not in mine):
                wanted.setdefault(each, row)
        if dropped:
            rows.filter(id__in=[row.id for row in dropped.values()]).delete()
        model.objects.bulk_create(
            model(
                customer=self.record,
                from_merge=links[row.customer_id],
                **{name: getattr(row, name) for name in columns},
            )
            for row in wanted.values()
        )
        for each, row in dropped.items():
            if each not in wanted:
                tell(row, True)
        for each, row in wanted.items():
            if each not in dropped:
                tell(row, False)

    def _tell_contact(self, row: ContactRefusal, allowed: bool) -> None:
        contact_change_record(
            self.actor, self.record, row.way, row.purpose, was=not allowed, now=allowed, source=Source.MERGE
        )
        record_event(
            events.CONTACT_CHOICE_CHANGED, self.record, self.actor, way=row.way, purpose=row.purpose, allowed=allowed
        )


def _refuse_guardians(one: Customer, other: Customer) -> None:
    """Nobody of the one person may be the guardian of anybody of the other."""
    of_both = _everybody().filter(Q(id__in=[one.id, other.id]) | Q(merged_into__in=[one.id, other.id]))
    sides: dict[uuid.UUID, uuid.UUID] = {}
    guardians: dict[uuid.UUID, uuid.UUID | None] = {}
    for row in of_both.only("id", "merged_into", "guardian"):
        sides[row.id], guardians[row.id] = row.merged_into_id or row.id, row.guardian_id
    for ward, guardian in guardians.items():
        if guardian in sides and sides[guardian] != sides[ward]:
            raise MergeRefused("One is the guardian of the other.", field="duplicate")


def _plain(record: Customer, name: str) -> Any:
    """The value of a column as JSON keeps it."""
    value = getattr(record, _column(name).attname)
    return value if value is None or isinstance(value, (str, bool)) else str(value)


def _set(record: Customer, name: str, plain: Any) -> None:
    column = _column(name)
    setattr(record, column.attname, column.to_python(plain))


def _column(name: str) -> models.Field[Any, Any]:
    column: models.Field[Any, Any] = Customer._meta.get_field(name)  # type: ignore[assignment]
    return column


def _everybody() -> BranchQuerySet[Customer]:
    return Customer.objects.everywhere("records of one person, permission checked in both branches")


def _links() -> BranchQuerySet[CustomerMerge]:
    return CustomerMerge.objects.everywhere("records of one person, permission checked in both branches")


__all__ = ["BirthDatesDiffer", "CustomerMerged", "MergeRefused", "NotMerged", "customer_merge", "customer_unmerge"]
