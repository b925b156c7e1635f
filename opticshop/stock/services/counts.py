"""Stock-takes while selling goes on.

Each line remembers what the ledger held at the moment it was counted. The variance is against that moment and is posted
as a change, so what was received or sold before or after the count of a line is never lost.
"""

from __future__ import annotations

import uuid
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction

from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from .. import events
from ..ledger import hold_these, post
from ..models import COUNT_MOVES, CountLine, Lot, Movement, Reservation, StockCount, StockItem
from ..permissions import StockPermission
from ..sections import Section
from ..selectors.counts import lines_with_moves, lots_in_section
from .problems import (
    AlreadyBeingCounted,
    CountBelowReserved,
    CountIncomplete,
    CountStale,
    LotElsewhere,
    QuantityWrong,
    SectionTooLarge,
    check_reason,
)
from .receiving import lot_ensure

_State = StockCount.State
MOST_LINES = 2000


def count_open(*, actor: Actor, branch: Branch, section: Section, note: str = "") -> StockCount:
    """Open a count sheet with a line for every lot of the section that holds anything.

    Raises AlreadyBeingCounted when a lot is on another open sheet, SectionTooLarge.
    """
    actor.require(StockPermission.COUNT, branch.id)
    with transaction.atomic():
        lots = list(lots_in_section(branch, section).values_list("id", flat=True)[: MOST_LINES + 1])
        if len(lots) > MOST_LINES:
            raise SectionTooLarge(
                f"The section holds more than {MOST_LINES} lots.", field="section", allowed=f"up to {MOST_LINES} lots"
            )
        _check_free(lots)
        count = StockCount(
            branch=branch,
            number=number_next(branch=branch, kind=Series.STOCK_COUNT),
            section=section.as_json(),
            note=note,
            opened_by_label=actor.label,
        )
        count.save(force_insert=True)
        _add_lines(count, lots)
        _record(events.COUNT_OPENED, count, actor, lines=len(lots))
    return count


def count_record(*, actor: Actor, count: StockCount, lot: Lot, counted: int) -> CountLine:
    """Write down how many pieces of a lot were found, promised ones too; counting again replaces what was found.

    A lot that is not on the sheet is added to it. Raises LotElsewhere, AlreadyBeingCounted, QuantityWrong.
    """
    actor.require(StockPermission.COUNT, count.branch_id)
    if counted < 0:
        raise QuantityWrong(f"{counted} pieces cannot be found.", field="counted", allowed="0 or more")
    if lot.branch_id != count.branch_id:
        raise LotElsewhere(f"Lot {lot.code} is not at the branch that is counted.", field="lot")
    with transaction.atomic():
        count = _held(count)
        check_move({_State.OPEN: {"counted"}}, count.state, "counted", of=f"Count {count.number}")
        lot = hold_these([lot.id])[lot.id]
        line = _lines(count).filter(lot=lot).first()
        if line is None:
            _check_free([lot.id])
            (line,) = _add_lines(count, [lot.id])
        line.counted, line.expected, line.reserved, line.ledger_line = counted, lot.on_hand, lot.reserved, lot.lines
        line.readings += 1
        line.counted_at, line.counted_by_id, line.counted_by_label = clock.now(), actor.id, actor.label
        line.save()
        _record(events.COUNT_LINE_COUNTED, count, actor, lot=str(lot.id), counted=counted, expected=line.expected)
    line.lot = lot
    return line


def count_found(
    *, actor: Actor, count: StockCount, item: StockItem, lot_code: str, unit_cost: Decimal, counted: int
) -> CountLine:
    """Write down pieces found under a lot code that the branch may not know yet; a new lot starts empty.

    Raises what count_record raises, CostNotPayable, LotCostDiffers, LotQuarantineDiffers.
    """
    actor.require(StockPermission.COUNT, count.branch_id)
    with transaction.atomic():
        known = Lot.objects.everywhere("of the branch that is counted").filter(
            branch=count.branch_id, item=item, code=lot_code
        )
        lot = known.first() or lot_ensure(
            actor=actor, branch=count.branch, item=item, code=lot_code, unit_cost=unit_cost
        )
        return count_record(actor=actor, count=count, lot=lot, counted=counted)


def count_submit(*, actor: Actor, count: StockCount, leave_uncounted: bool = False) -> StockCount:
    """Hand the sheet in. Lots with pieces that nobody counted must be said to be left out. Raises CountIncomplete."""
    actor.require(StockPermission.COUNT, count.branch_id)
    with transaction.atomic():
        count = _held(count, wanted=_State.SUBMITTED)
        missed = _lines(count).filter(counted__isnull=True, lot__on_hand__gt=0).select_related("lot")
        if missed and not leave_uncounted:
            raise CountIncomplete(
                f"{len(missed)} lots that hold pieces were not counted.",
                field="leave_uncounted",
                allowed=True,
                uncounted=[{"lot": str(line.lot_id), "code": line.lot.code} for line in missed[:20]],
            )
        count.state, count.submitted_at, count.submitted_by_label = _State.SUBMITTED, clock.now(), actor.label
        count.save(update_fields=["state", "submitted_at", "submitted_by_label"])
        _record(events.COUNT_SUBMITTED, count, actor)
    return count


def count_reopen(*, actor: Actor, count: StockCount, reason: str) -> StockCount:
    """Give a sheet back to be counted again, in part or whole."""
    actor.require(StockPermission.APPROVE_COUNT, count.branch_id)
    check_reason(reason)
    with transaction.atomic():
        count = _held(count, wanted=_State.OPEN)
        count.state, count.decision_reason = _State.OPEN, reason.strip()
        count.save(update_fields=["state", "decision_reason"])
        _record(events.COUNT_REOPENED, count, actor)
    return count


def count_cancel(*, actor: Actor, count: StockCount, reason: str) -> StockCount:
    """Throw a sheet away; no balance changes."""
    actor.require(StockPermission.APPROVE_COUNT, count.branch_id)
    check_reason(reason)
    with transaction.atomic():
        count = _held(count, wanted=_State.CANCELLED)
        _decide(count, _State.CANCELLED, actor, reason)
        _record(events.COUNT_CANCELLED, count, actor)
    return count


def count_approve(*, actor: Actor, count: StockCount, reason: str, accept_stale: bool = False) -> StockCount:
    """Accept the variances: each is posted to its lot as a change.

    Raises CountStale when pieces of a lot that differs moved after it was counted (the movement may be part of the
    difference): count it again, or say that it is accepted. Raises CountBelowReserved when a lot would then hold less
    than is promised: no promise is broken by a count. Then nothing is written.
    """
    actor.require(StockPermission.APPROVE_COUNT, count.branch_id)
    check_reason(reason)
    with transaction.atomic():
        count = _held(count, wanted=_State.APPROVED)
        differing = [
            line.lot_id for line in _lines(count) if line.counted is not None and line.counted != line.expected
        ]
        lots = hold_these(differing)
        lines: list[Any] = [line for line in lines_with_moves(count) if line.lot_id in lots]
        stale = [line for line in lines if line.moves_since]
        if stale and not accept_stale:
            raise CountStale(
                f"Pieces of {len(stale)} lots that differ moved after they were counted.",
                field="accept_stale",
                allowed="count these lots again, or true",
                stale=[_moved_since(line) for line in stale[:20]],
            )
        _check_promises(lines, lots)
        for line in lines:
            line.adjustment = post(
                actor=actor,
                lot=lots[line.lot_id],
                kind=Movement.Kind.COUNT_ADJUSTMENT,
                on_hand_change=line.counted - line.expected,
                document=f"counts/{count.id}",
                reason=reason.strip(),
            )
            line.save(update_fields=["adjustment"])
        _decide(count, _State.APPROVED, actor, reason)
        _record(events.COUNT_APPROVED, count, actor, adjusted=len(lines), accepted_stale=len(stale))
    return count


def _moved_since(line: Any) -> dict[str, Any]:
    return {
        "lot": str(line.lot_id),
        "counted": line.counted,
        "expected": line.expected,
        "movements_since": line.moves_since,
        "change_since": line.change_since,
    }


def _check_promises(lines: list[Any], lots: dict[uuid.UUID, Lot]) -> None:
    """No lot may come to hold less than is promised of it."""
    would_hold = {line.lot_id: lots[line.lot_id].on_hand + line.counted - line.expected for line in lines}
    short = [line for line in lines if would_hold[line.lot_id] < lots[line.lot_id].reserved]
    if not short:
        return
    held = Reservation.objects.everywhere("of lots of the branch that is counted").filter(
        lot__in=[line.lot_id for line in short], state=Reservation.State.ACTIVE
    )
    documents: dict[uuid.UUID, list[str]] = {}
    for lot_id, document in held.order_by("document").values_list("lot", "document").distinct():
        documents.setdefault(lot_id, []).append(document)
    raise CountBelowReserved(
        f"{len(short)} lots would hold less than is promised of them.",
        field="lines",
        short=[
            {
                "lot": str(line.lot_id),
                "would_hold": would_hold[line.lot_id],
                "reserved": lots[line.lot_id].reserved,
                "promised_to": documents.get(line.lot_id, []),
            }
            for line in short[:20]
        ],
    )


def _held(count: StockCount, *, wanted: str | None = None) -> StockCount:
    """The count as it is now, held; refused unless it may move on to ``wanted``. Raises MoveNotAllowed."""
    rows = StockCount.objects.everywhere("the caller's count, by key").select_related("branch")
    (held,) = lock_rows(rows.filter(id=count.id))
    if wanted is not None:
        check_move(COUNT_MOVES, held.state, wanted, of=f"Count {held.number}")
    return held


def _lines(count: StockCount) -> Any:
    return CountLine.objects.everywhere("of the caller's count").filter(count=count)


def _check_free(lot_ids: list[uuid.UUID]) -> None:
    """No lot is on two open sheets: both would find the same pieces missing."""
    taken = CountLine.objects.everywhere("lots of the branch that is counted").filter(lot__in=lot_ids, is_open=True)
    numbers = sorted(set(taken.values_list("count__number", flat=True)))
    if numbers:
        raise AlreadyBeingCounted(f"Lots of it are being counted in {', '.join(numbers)}.", counts=numbers)


def _add_lines(count: StockCount, lot_ids: list[uuid.UUID]) -> list[CountLine]:
    lines = [CountLine(count=count, lot_id=lot_id) for lot_id in lot_ids]
    try:
        with transaction.atomic():
            return list(CountLine.objects.everywhere("of the caller's count").bulk_create(lines))
    except IntegrityError as error:
        raise AlreadyBeingCounted("Lots of it have just been put on another sheet.") from error


def _decide(count: StockCount, state: str, actor: Actor, reason: str) -> None:
    count.state, count.decided_at, count.decided_by_label = state, clock.now(), actor.label
    count.decision_reason = reason.strip()
    count.save(update_fields=["state", "decided_at", "decided_by_label", "decision_reason"])
    _lines(count).update(is_open=False)


def _record(event_type: str, count: StockCount, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"stock/counts/{count.id}",
        actor=actor,
        branch_id=count.branch_id,
        data={"count": str(count.id), "number": count.number, **more},
    )
