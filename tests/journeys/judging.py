"""What must hold of two branches after every act: each judge says what is wrong, nothing at best."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from django.db.models import Count, Model, Sum

from opticshop.audit.proof import findings as audit_findings
from opticshop.audit.sealing import seal_due
from opticshop.billing import selectors as money
from opticshop.billing.models import HeldDeposit, Invoice, Payment, Receipt, Settlement
from opticshop.billing.statements import statement_of
from opticshop.core.actor import system
from opticshop.core.models import EventDelivery, OutboxEvent
from opticshop.ledger.models import Entry
from opticshop.ledger.selectors import ledger_findings
from opticshop.orders.models import ORDER_MOVES, Order
from opticshop.purchasing.models import LensOrder
from opticshop.quality.models import Handover, Inspection, PairReturn
from opticshop.stock.models import Lot, Movement, Reservation, StockCount, Transfer
from opticshop.stock.selectors import ledger_differences
from opticshop.workshop.models import JOB_MOVES, Job, LensReading
from opticshop.workshop.selectors import LIVE_STATES
from tests.billing.books import balance, cash_in_tills, unbalanced

JUDGE = system("test")
NOTHING = Decimal(0)
#: What has a number from a series of its branch.
NUMBERED: tuple[type[Model], ...] = (Order, Job, Receipt, Invoice, StockCount, Transfer, LensOrder, Entry)
#: The event that stands for a row, once for each.
EVENTS: dict[str, Any] = {
    "orders.placed": lambda: _all(Order),
    "orders.cancelled": lambda: _all(Order).filter(state="cancelled"),
    "workshop.job_opened": lambda: _all(Job),
    "workshop.job_finished": lambda: _all(Job).filter(state="finished"),
    "workshop.job_cancelled": lambda: _all(Job).filter(state="cancelled"),
    "workshop.lens_read": lambda: LensReading.objects.all(),
    "billing.payment_taken": lambda: _all(Payment).exclude(kind="refund"),
    "billing.payment_refunded": lambda: _all(Payment).filter(kind="refund"),
    "billing.invoiced": lambda: _all(Invoice),
    "quality.inspected": lambda: _all(Inspection),
    "quality.handed_over": lambda: _all(Handover),
    "quality.pair_returned": lambda: _all(PairReturn),
    "quality.return_decided": lambda: _all(PairReturn).exclude(decision=""),
    "purchasing.lens_order_drafted": lambda: _all(LensOrder),
    "stock.count_opened": lambda: _all(StockCount),
    "stock.transfer_drafted": lambda: _all(Transfer),
    "ledger.entry_posted": lambda: _all(Entry),
}


def _all(model: Any) -> Any:
    return model.objects.everywhere("test")


class Judge:
    """Remembers the states of orders and jobs, so that every change is seen to be a move of the table."""

    def __init__(self) -> None:
        self.states: dict[Any, str] = {}
        self.judged: tuple[Any, ...] = ()

    def wrong(self) -> list[str]:
        """Nothing where nothing was written since the last time; stock is proven anew when any of it moved."""
        told = OutboxEvent.objects.count(), EventDelivery.objects.filter(state="done").count()
        moved = _all(Movement).count(), OutboxEvent.objects.filter(type__startswith="stock.").count()
        before, self.judged = self.judged, (told, moved)
        if before == self.judged:
            return []
        found = [*self.moves(), *numbers(), *events(), *books()]
        if not before or before[1] != moved:
            found += stock()
        if not EventDelivery.objects.exclude(state="done").exists():
            found += [*heard(), *orders(), *accounts()]
        return found

    def moves(self, *, is_one_act: bool = False) -> Iterator[str]:
        for model, table in ((Order, ORDER_MOVES), (Job, JOB_MOVES)):
            for key, number, state in _all(model).values_list("id", "number", "state"):
                was = self.states.get(key, state)
                allowed = table[was] if is_one_act else _reachable(table, was)
                if state != was and state not in allowed:
                    yield f"{number} went from {was} to {state}"
                self.states[key] = state


def _reachable(table: Any, state: str) -> set[str]:
    found, left = set(), [state]
    while left:
        new = set(table[left.pop()]) - found
        found |= new
        left += new
    return found


def stock() -> Iterator[str]:
    """What lies there is the sum of what moved, nothing is below nought, each promise is somebody's."""
    yield from map(str, ledger_differences())
    moved = {
        row["lot"]: (row["here"], row["held"])
        for row in _all(Movement)
        .order_by()
        .values("lot")
        .annotate(here=Sum("on_hand_change"), held=Sum("reserved_change"))
    }
    promised = Counter(_all(Reservation).filter(state="active").values_list("lot", flat=True))
    for lot in _all(Lot):
        if not 0 <= lot.reserved <= lot.on_hand or lot.in_transit < 0:
            yield f"lot {lot.code}: {lot.on_hand}, of it {lot.reserved} promised, {lot.in_transit} under way"
        if (lot.on_hand, lot.reserved) != moved.get(lot.id, (0, 0)):
            yield f"lot {lot.code} holds {lot.on_hand}/{lot.reserved}, its movements come to {moved.get(lot.id)}"
        if lot.reserved != promised[lot.id]:
            yield f"lot {lot.code}: {lot.reserved} promised, {promised[lot.id]} reservations"


def numbers() -> Iterator[str]:
    """Every series of a branch counts 1, 2, 3 without a gap."""
    for model in NUMBERED:
        series: defaultdict[str, list[int]] = defaultdict(list)
        for number in _all(model).values_list("number", flat=True):
            head, _, tail = number.rpartition("-")
            series[head].append(int(tail))
        for head, given in series.items():
            if sorted(given) != list(range(1, len(given) + 1)):
                yield f"{head}: {sorted(given)}"


def events() -> Iterator[str]:
    told = dict(OutboxEvent.objects.values_list("type").annotate(n=Count("id")).order_by())
    for name, rows in EVENTS.items():
        if told.get(name, 0) != rows().count():
            yield f"{told.get(name, 0)} events {name} for {rows().count()} rows"


def books() -> Iterator[str]:
    """Debits are credits; cash, cards and transfers are what was taken."""
    yield from (f"entry {number} is out of balance" for number in unbalanced())
    taken: Counter[str] = Counter()
    for method, amount in _all(Payment).values_list("method", "amount"):
        taken[method] += amount
    if balance("cash") != cash_in_tills():
        yield f"cash is {balance('cash')}, the tills should hold {cash_in_tills()}"
    if balance("card_clearing") != taken["card"] or balance("bank") != taken["transfer"]:
        yield f"cards {balance('card_clearing')}, bank {balance('bank')}, taken {dict(taken)}"


def heard() -> Iterator[str]:
    """No handler has failed."""
    for row in EventDelivery.objects.exclude(last_error=""):
        yield f"{row.handler} failed: {row.last_error[-300:]}"


def orders() -> Iterator[str]:
    """An order, its jobs and what is promised to it agree."""
    held: defaultdict[str, set[str]] = defaultdict(set)
    for document, part in _all(Reservation).filter(state="active").values_list("document", "part"):
        held[document].add(part)
    jobs: defaultdict[Any, list[Job]] = defaultdict(list)
    for job in _all(Job).order_by("attempt"):
        jobs[job.order_id].append(job)
    for order in _all(Order).prefetch_related("lenses"):
        made = jobs[order.id]
        live = [job for job in made if job.state in LIVE_STATES]
        last = made[-1] if made else None
        if len(live) > 1 or (live and live[0] is not last):
            yield f"{order.number} has live jobs {[job.number for job in live]}"
        if bool(live) != (order.state == "in_workshop"):
            yield f"{order.number} is {order.state}, its jobs are {[job.state for job in made]}"
        if order.state in ("ready", "collected") and (last is None or last.state != "finished"):
            yield f"{order.number} is {order.state}, its last job {last and last.state}"
        special = {lens.eye for lens in order.lenses.all() if lens.is_special_order}
        wanted, holds = _wanted(order, last), held[f"orders/{order.id}"]
        if not wanted - special <= holds <= wanted:  # a special lens may be taken as delivered at the bench
            yield (
                f"{order.number} ({order.state}, job {last and last.state}, awaits {last and last.awaited_eyes}): "
                f"holds {sorted(holds)}, should hold {sorted(wanted)}"
            )


def _wanted(order: Order, job: Job | None) -> set[str]:
    """The parts that must lie in a drawer for it: what is still to be supplied and is not awaited."""
    if order.state in ("cancelled", "collected"):
        return set()
    eyes = {lens.eye for lens in order.lenses.all()}
    if order.collected_at is not None and job is not None:
        return set(job.eyes) - set(job.awaited_eyes)  # what the customer has is in no drawer any more
    parts = eyes | (set() if order.frame_is_customers else {"frame"})
    return parts - set(job.awaited_eyes if job else ()) - ({"frame"} if job and job.awaits_frame else set())


def accounts() -> Iterator[str]:
    """Receivables and deposits are what the orders say, and each customer's statement is what was paid and is owed."""
    owed, held, held_tax, by_customer = NOTHING, NOTHING, NOTHING, defaultdict[Any, Decimal](Decimal)
    for order in _all(Order).select_related("customer"):
        said = money.balance_of(order)
        row = _all(HeldDeposit).filter(order=order).first()
        if said.due < 0 or said.repayable < 0:
            yield f"{order.number} owes {said.due}, {said.repayable} could be given back"
        if order.collected_at is not None:
            owed += said.due
            by_customer[order.customer] += said.due
            here = NOTHING
        else:
            here = said.covered
            by_customer[order.customer] -= here
        if (row.amount if row else NOTHING) != here:
            yield f"{order.number}: {here} is held, the list of deposits says {row and row.amount}"
        held += here
        held_tax += row.tax if row else NOTHING
    if balance("receivables") != owed:
        yield f"receivables are {balance('receivables')}, owed is {owed}"
    if balance("customer_deposits") != held_tax - held:
        yield f"deposits are {balance('customer_deposits')}, held is {held} with tax {held_tax}"
    for customer, amount in by_customer.items():
        if (told := statement_of(JUDGE, customer).balance) != amount:
            yield f"the statement says {told}, the orders {amount}"
    given_up = sum((row.amount for row in _all(Settlement).filter(kind="write_off")), NOTHING)
    if balance("bad_debts") + balance("goodwill") != given_up:
        yield f"given up {given_up}, booked {balance('bad_debts')} and {balance('goodwill')}"


def at_the_end() -> list[str]:
    """What costs more: the whole proof of the ledger and of the audit trail."""
    seal_due()
    return [*map(str, ledger_findings()), *map(str, audit_findings())]
