"""Taking over from a run: chosen lines become draft orders and draft transfers, levels become the branch's own."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from django.db import IntegrityError, transaction

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.purchasing.models import PurchaseOrder, Supplier
from opticshop.purchasing.services.purchase_orders import MOST_LINES, WantedLine, purchase_order_draft
from opticshop.stock import services as stock
from opticshop.stock.models import StockLevel, Transfer

from .. import events
from ..models import Acceptance, ReplenishmentLine, ReplenishmentRun
from ..permissions import ReplenishmentPermission

#: How long advice holds: afterwards the drawers no longer look like that. Our choice (no source).
FRESH_DAYS = 7


class RunOutdated(Conflict):
    """The advice is too old to order from: the drawers have changed since. Make a new run."""

    code = "replenishment.run_outdated"
    title = "This advice is too old"


class AlreadyAccepted(Conflict):
    """A line of a run becomes an order or a transfer once."""

    code = "replenishment.already_accepted"
    title = "This line was already accepted"


class NothingSuggested(Invalid):
    """A chosen line suggests neither a purchase nor a transfer, or more is wanted of it than it can give."""

    code = "replenishment.nothing_suggested"
    title = "There is nothing to accept here"


@dataclass(frozen=True, slots=True)
class Chosen:
    """A line to accept, as suggested or with other quantities."""

    line: ReplenishmentLine
    buy_quantity: int | None = None
    transfer_quantity: int | None = None

    @property
    def buys(self) -> int:
        return self.line.buy_quantity if self.buy_quantity is None else self.buy_quantity

    @property
    def transfers(self) -> int:
        return self.line.transfer_quantity if self.transfer_quantity is None else self.transfer_quantity


@dataclass(frozen=True, slots=True)
class Accepted:
    """The drafts that were made."""

    run: ReplenishmentRun
    purchase_orders: list[PurchaseOrder] = field(default_factory=list)
    transfers: list[Transfer] = field(default_factory=list)
    lines: int = 0

    @property
    def purchase_order_ids(self) -> list[uuid.UUID]:
        return [order.id for order in self.purchase_orders]

    @property
    def transfer_ids(self) -> list[uuid.UUID]:
        return [transfer.id for transfer in self.transfers]


def run_accept(*, actor: Actor, run: ReplenishmentRun, chosen: Sequence[Chosen]) -> Accepted:
    """Draft one purchase order per branch and supplier, and one transfer per pair of branches, all or nothing.

    Drafting is also subject to what purchasing and stock ask of the actor. Costs are those that hold today. Raises
    RunOutdated, AlreadyAccepted, NothingSuggested and what purchasing and stock refuse.
    """
    for branch_id in {choice.line.branch_id for choice in chosen}:
        actor.require(ReplenishmentPermission.RUN, branch_id)
    _check_fresh(run)
    _check_choices(chosen)
    note = f"From the replenishment advice of {run.advised_on}"
    with transaction.atomic():
        orders = _orders(actor, chosen, note)
        transfers = _transfers(actor, chosen, note)
        try:
            with transaction.atomic():
                Acceptance.objects.bulk_create(
                    Acceptance(
                        line=choice.line,
                        buy_quantity=choice.buys,
                        transfer_quantity=choice.transfers,
                        purchase_order=orders.get(choice.line.id),
                        transfer=transfers.get(choice.line.id),
                        by_id=actor.id,
                        by_label=actor.label,
                    )
                    for choice in chosen
                )
        except IntegrityError as error:
            raise AlreadyAccepted("Somebody accepted one of these lines a moment ago.", field="lines") from error
        accepted = Accepted(run, _once(orders.values()), _once(transfers.values()), len(chosen))
        outbox.record(
            event_type=events.RUN_ACCEPTED,
            subject=f"replenishment/runs/{run.id}",
            actor=actor,
            branch_id=_shared(choice.line.branch_id for choice in chosen),
            data={
                "run": str(run.id),
                "purchase_orders": [str(key) for key in accepted.purchase_order_ids],
                "transfers": [str(key) for key in accepted.transfer_ids],
            },
        )
    return accepted


def run_levels_take_over(*, actor: Actor, run: ReplenishmentRun, lines: Sequence[ReplenishmentLine]) -> int:
    """Make the levels of the lines those of their branches; returns how many were not so already.

    The minimum is the reorder point, the target the order-up-to level; 0 and 0 where the power is not worth keeping.
    Raises RunOutdated.
    """
    branch_ids = {line.branch_id for line in lines}
    for branch_id in branch_ids:
        actor.require(ReplenishmentPermission.RUN, branch_id)
    _check_fresh(run)
    changed = 0
    with transaction.atomic():
        rows = StockLevel.objects.everywhere("of branches in which the actor may run, checked above")
        now = {
            (level.branch_id, level.item_id): (level.minimum, level.target)
            for level in rows.filter(branch__in=branch_ids, item__in=[line.item_id for line in lines])
        }
        for line in sorted(lines, key=lambda line: (line.branch_id.int, line.item_id.int)):
            wanted = line.reorder_point or 0, line.order_up_to
            if now.get((line.branch_id, line.item_id), (0, 0)) == wanted:
                continue
            stock.stock_level_set(actor=actor, branch=line.branch, item=line.item, minimum=wanted[0], target=wanted[1])
            changed += 1
        outbox.record(
            event_type=events.LEVELS_TAKEN_OVER,
            subject=f"replenishment/runs/{run.id}",
            actor=actor,
            branch_id=_shared(branch_ids),
            data={"run": str(run.id), "levels": changed},
        )
    return changed


def _check_fresh(run: ReplenishmentRun) -> None:
    age = clock.now() - run.created_at
    if age > dt.timedelta(days=FRESH_DAYS):
        raise RunOutdated(f"It is {age.days} days old.", field="run", allowed=f"at most {FRESH_DAYS} days")


def _check_choices(chosen: Sequence[Chosen]) -> None:
    taken = Acceptance.objects.everywhere("of lines the actor sees").filter(line__in=[c.line.id for c in chosen])
    done = set(taken.values_list("line_id", flat=True))
    for place, choice in enumerate(chosen):
        line, field_name = choice.line, f"lines/{place}"
        if line.id in done:
            raise AlreadyAccepted(f"Line {line.id} was accepted before.", field=field_name)
        if choice.buys + choice.transfers == 0:
            raise NothingSuggested(f"Nothing is to be bought or sent for line {line.id}.", field=field_name)
        if choice.transfers > line.transfer_quantity:
            raise NothingSuggested(
                f"Line {line.id} suggests to send {line.transfer_quantity}, not {choice.transfers}.",
                field=f"{field_name}/transfer_quantity",
                allowed=f"0 to {line.transfer_quantity}",
            )
        if choice.buys and line.supplier is None:
            raise NothingSuggested(f"No supplier is known for line {line.id}.", field=f"{field_name}/buy_quantity")


def _orders(actor: Actor, chosen: Sequence[Chosen], note: str) -> dict[uuid.UUID, PurchaseOrder]:
    """Line id -> the draft that it went into."""
    groups: dict[tuple[uuid.UUID, uuid.UUID], list[Chosen]] = {}
    for choice in chosen:
        if choice.buys and choice.line.supplier_id:
            groups.setdefault((choice.line.branch_id, choice.line.supplier_id), []).append(choice)
    drafted: dict[uuid.UUID, PurchaseOrder] = {}
    for group in groups.values():
        for start in range(0, len(group), MOST_LINES):
            part = group[start : start + MOST_LINES]
            branch, supplier = part[0].line.branch, part[0].line.supplier
            assert isinstance(supplier, Supplier)
            lines = [WantedLine(quantity=choice.buys, item=choice.line.item) for choice in part]
            order = purchase_order_draft(actor=actor, branch=branch, supplier=supplier, lines=lines, note=note)
            drafted |= {choice.line.id: order for choice in part}
    return drafted


def _transfers(actor: Actor, chosen: Sequence[Chosen], note: str) -> dict[uuid.UUID, Transfer]:
    """Line id -> the draft that it went into."""
    groups: dict[tuple[Branch, Branch], list[Chosen]] = {}
    for choice in chosen:
        if choice.transfers and choice.line.transfer_from:
            groups.setdefault((choice.line.transfer_from, choice.line.branch), []).append(choice)
    drafted: dict[uuid.UUID, Transfer] = {}
    for (sender, receiver), group in groups.items():
        wanted = [(choice.line.item, choice.transfers) for choice in group]
        transfer = stock.transfer_draft(actor=actor, sender=sender, receiver=receiver, wanted=wanted, note=note)
        drafted |= {choice.line.id: transfer for choice in group}
    return drafted


def _shared(branch_ids: Iterable[uuid.UUID]) -> uuid.UUID | None:
    """The branch, where there is only one."""
    found = set(branch_ids)
    return found.pop() if len(found) == 1 else None


def _once(documents: Iterable[PurchaseOrder] | Iterable[Transfer]) -> list:
    return list({document.id: document for document in documents}.values())
