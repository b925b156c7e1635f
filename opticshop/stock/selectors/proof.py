"""The proof of the ledger: everything recomputed, and what differs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Count, F, IntegerField, OuterRef, Q, Subquery, Sum, Window
from django.db.models.functions import Coalesce, Lag

from opticshop.core import clock
from opticshop.core.scoping import BranchQuerySet

from ..costing import LedgerTorn
from ..models import CountLine, Expected, ExpectedChange, Lot, Movement, Reservation, StockCount, TransferLine
from .valuation import company_method, worth_of_items


@dataclass(frozen=True, slots=True)
class Difference:
    """A figure kept somewhere that the ledger or the reservations do not confirm."""

    subject: str
    what: str
    kept: int | str | Decimal
    computed: int | str | Decimal

    def __str__(self) -> str:
        return f"{self.subject}: {self.what} is kept as {self.kept} but comes out as {self.computed}"


def ledger_differences() -> list[Difference]:
    """Everything in stock that does not add up; empty when the ledger tells the truth.

    Per lot: the sums of its movements, their count and the active reservations against the balance kept; per line:
    the balance after it against the line before, and its cost; per row: the branch against the branch of its lot; per
    item on order: the sum of its changes; per transfer and count: what its papers say against its movements. When all
    that agrees, the valuation too: the pieces valued, and the value against what came in less what went out.
    """
    found = [
        *_balance_differences(),
        *_line_differences(),
        *_branch_differences(),
        *_expected_differences(),
        *_transfer_differences(),
        *_count_differences(),
    ]
    return found or list(_worth_differences())


def _total(rows: BranchQuerySet, per: str, expression: Sum | Count) -> Coalesce:
    """The aggregate of the rows that belong to each outer row by the column ``per``, 0 without rows."""
    own = rows.filter(**{per: OuterRef("pk")}).order_by().values(per).annotate(total=expression).values("total")
    return Coalesce(Subquery(own, output_field=IntegerField()), 0)


def _balance_differences() -> Iterator[Difference]:
    movements = Movement.objects.everywhere("proof of the ledger")
    held = Reservation.objects.everywhere("proof of the ledger").filter(state=Reservation.State.ACTIVE)
    lots = Lot.objects.everywhere("proof of the ledger").annotate(
        ledger_on_hand=_total(movements, "lot", Sum("on_hand_change")),
        ledger_reserved=_total(movements, "lot", Sum("reserved_change")),
        ledger_in_transit=_total(movements, "lot", Sum("in_transit_change")),
        ledger_lines=_total(movements, "lot", Count("id")),
        promised=_total(held, "lot", Count("id")),
    )
    wrong = lots.exclude(
        on_hand=F("ledger_on_hand"),
        reserved=F("ledger_reserved"),
        in_transit=F("ledger_in_transit"),
        lines=F("ledger_lines"),
        promised=F("reserved"),
    )
    for lot in wrong.order_by("id"):
        yield from _compared(
            f"lot {lot.id}",
            ("on hand", lot.on_hand, lot.ledger_on_hand),
            ("reserved", lot.reserved, lot.ledger_reserved),
            ("in transit", lot.in_transit, lot.ledger_in_transit),
            ("number of lines", lot.lines, lot.ledger_lines),
            ("reserved against active reservations", lot.reserved, lot.promised),
        )


def _compared(subject: str, *figures: tuple[str, Any, Any]) -> Iterator[Difference]:
    for what, kept, computed in figures:
        if kept != computed:
            yield Difference(subject, what, kept, computed)


def _line_differences() -> Iterator[Difference]:
    """Lines whose balance does not follow from the line before, numbers that are missing, costs that changed."""
    lines = Movement.objects.everywhere("proof of the ledger").annotate(
        expected_line=_before("line", "lot") + 1,
        expected_on_hand=_before("on_hand_after", "lot") + F("on_hand_change"),
        expected_reserved=_before("reserved_after", "lot") + F("reserved_change"),
        expected_in_transit=_before("in_transit_after", "lot") + F("in_transit_change"),
        lot_cost=F("lot__unit_cost"),
    )
    wrong = lines.filter(
        ~Q(line=F("expected_line"))
        | ~Q(on_hand_after=F("expected_on_hand"))
        | ~Q(reserved_after=F("expected_reserved"))
        | ~Q(in_transit_after=F("expected_in_transit"))
        | ~Q(unit_cost=F("lot_cost"))
    )
    for row in wrong.order_by("lot", "line"):
        yield from _compared(
            f"lot {row.lot_id}",
            (f"line {row.line}: its number", row.line, row.expected_line),
            (f"line {row.line}: on hand after it", row.on_hand_after, row.expected_on_hand),
            (f"line {row.line}: reserved after it", row.reserved_after, row.expected_reserved),
            (f"line {row.line}: in transit after it", row.in_transit_after, row.expected_in_transit),
            (f"line {row.line}: its cost", row.unit_cost, row.lot_cost),
        )


def _before(column: str, per: str) -> Window:
    """The column in the line before of the same lot, 0 for the first."""
    return Window(Lag(column, default=0), partition_by=per, order_by="line")


def _branch_differences() -> Iterator[Difference]:
    for model in (Movement, Reservation):
        rows = model.objects.everywhere("proof of the ledger").exclude(branch=F("lot__branch"))
        for row in rows.select_related("lot").order_by("id"):
            what = f"branch of {model._meta.verbose_name} {row.id}"
            yield Difference(f"lot {row.lot_id}", what, str(row.branch_id), str(row.lot.branch_id))


def _expected_differences() -> Iterator[Difference]:
    changes = ExpectedChange.objects.everywhere("proof of what is on order")
    kept = Expected.objects.everywhere("proof of what is on order").annotate(
        summed=_total(changes, "expected", Sum("change")), counted=_total(changes, "expected", Count("id"))
    )
    for row in kept.exclude(quantity=F("summed"), lines=F("counted")).order_by("id"):
        yield from _compared(
            f"item {row.item_id} at branch {row.branch_id}",
            ("on order", row.quantity, row.summed),
            ("number of changes of what is on order", row.lines, row.counted),
        )
    lines = changes.annotate(
        expected_line=_before("line", "expected") + 1, expected_after=_before("after", "expected") + F("change")
    )
    wrong = lines.filter(~Q(line=F("expected_line")) | ~Q(after=F("expected_after")))
    for line in wrong.select_related("expected").order_by("expected", "line"):
        yield from _compared(
            f"item {line.expected.item_id} at branch {line.branch_id}",
            (f"change {line.line}: its number", line.line, line.expected_line),
            (f"change {line.line}: on order after it", line.after, line.expected_after),
        )


def _transfer_differences() -> Iterator[Difference]:
    """The lines of each transfer, per lot that sent, against the movements that name the transfer."""
    papers = TransferLine.objects.everywhere("proof of transfers").filter(lot__isnull=False)
    on_paper = {
        (f"transfers/{row['transfer']}", row["lot"]): row
        for row in papers.order_by()
        .values("transfer", "lot")
        .annotate(sent=Sum("quantity"), arrived=Sum("received"), gone=Sum("lost"), back=Sum("returned"))
    }
    movements = Movement.objects.everywhere("proof of transfers").filter(document__startswith="transfers/")
    kind = Movement.Kind
    moved = {
        (row["document"], row["lot"]): row
        for row in movements.exclude(in_transit_change=0)
        .order_by()
        .values("document", "lot")
        .annotate(
            sent=_summed(Sum("in_transit_change", filter=Q(kind=kind.TRANSFER_OUT))),
            arrived=_summed(Sum(-F("in_transit_change"), filter=Q(kind=kind.TRANSFER_IN, on_hand_change=0))),
            gone=_summed(Sum(-F("in_transit_change"), filter=Q(kind=kind.TRANSFER_LOSS))),
            back=_summed(Sum("on_hand_change", filter=Q(kind=kind.TRANSFER_IN))),
        )
    }
    names = {"sent": "sent", "arrived": "received", "gone": "lost", "back": "taken back"}
    for key in sorted({*on_paper, *moved}, key=str):
        paper: Mapping[str, Any] = on_paper.get(key, {})
        ledger: Mapping[str, Any] = moved.get(key, {})
        yield from _compared(
            f"{key[0]} lot {key[1]}",
            *((what, paper.get(name, 0), ledger.get(name, 0)) for name, what in names.items()),
        )
    taken_in = (
        movements.filter(in_transit_change=0)
        .order_by()
        .values("document", "lot__item")
        .annotate(pieces=Sum("on_hand_change"))
    )
    at_receiver = {(row["document"], row["lot__item"]): row["pieces"] for row in taken_in}
    promised = {
        (f"transfers/{row['transfer']}", row["item"]): row["pieces"]
        for row in papers.filter(received__gt=0).order_by().values("transfer", "item").annotate(pieces=Sum("received"))
    }
    for place in sorted({*at_receiver, *promised}, key=str):
        yield from _compared(
            f"{place[0]} item {place[1]}",
            ("taken in by the receiver", promised.get(place, 0), at_receiver.get(place, 0)),
        )


def _summed(expression: Sum) -> Coalesce:
    return Coalesce(expression, 0)


def _count_differences() -> Iterator[Difference]:
    """Approved counts: the variance of every line against its adjustment."""
    lines = CountLine.objects.everywhere("proof of counts").filter(count__state=StockCount.State.APPROVED)
    wrong = lines.filter(counted__isnull=False).annotate(
        variance=F("counted") - F("expected"), adjusted=Coalesce(F("adjustment__on_hand_change"), 0)
    )
    for line in wrong.exclude(variance=F("adjusted")).order_by("id"):
        yield from _compared(f"counts/{line.count_id} lot {line.lot_id}", ("variance", line.variance, line.adjusted))


def _worth_differences() -> Iterator[Difference]:
    lots = Lot.objects.everywhere("proof of the valuation").order_by().values("item", "branch")
    balances = {
        (row["item"], row["branch"]): (row["here"], row["away"])
        for row in lots.annotate(here=Sum("on_hand"), away=Sum("in_transit"))
    }
    try:
        for item, _, worths in worth_of_items(company_method(), clock.now()):
            for branch, worth in worths.items():
                here, away = balances.pop((item, branch), (0, 0))
                value = sum((value for _, value in worth.flows.values()), Decimal(0))
                yield from _compared(
                    f"item {item} at branch {branch}",
                    ("on hand as valued", worth.on_hand, here),
                    ("in transit as valued", worth.in_transit, away),
                    ("value", worth.on_hand_value + worth.in_transit_value, value),
                )
    except LedgerTorn as torn:
        yield Difference("the ledger", "valuation", "possible", f"not: {torn}")
        return
    for (item, branch), (here, away) in balances.items():
        yield from _compared(
            f"item {item} at branch {branch}", ("on hand as valued", 0, here), ("in transit as valued", 0, away)
        )
