"""Claims on a public scheme: sent together, paid or rejected one by one, adjusted where the scheme changes its mind.

Nothing here touches what the customer was charged: a voucher that the scheme pays otherwise than it was redeemed for
leaves an adjustment between the shop and the scheme. Deadlines of claims are not known here (data, from memory).
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence
from decimal import Decimal

from django.db import transaction
from django.db.models import Q

from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import clock, outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Forbidden, Invalid, NotFound
from opticshop.core.locks import lock_rows
from opticshop.core.money import minor_unit
from opticshop.core.scoping import BranchQuerySet
from opticshop.core.states import check_move
from opticshop.core.sums import MoneySum

from . import vouchers_events as events
from .permissions import PricePermission
from .vouchers_models import VOUCHER_MOVES, ClaimAdjustment, SchemeClaim, SchemeValue, SchemeVoucher, VoucherState
from .vouchers_problems import NothingToClaim, NoValueInForce
from .vouchers_services import record_voucher, scheme_known
from .vouchers_values import ValueTable

Cause, Adjusted = ClaimAdjustment.Cause, ClaimAdjustment.State
#: Vouchers whose claim is with the scheme, or was settled by it.
CLAIMED = (VoucherState.SUBMITTED, VoucherState.PAID, VoucherState.ADJUSTED)
ZERO = Decimal("0.00")


class PaidAmountUnsound(Invalid):
    """What the scheme paid for a voucher is an amount of money, not below nothing."""

    code = "prices.paid_amount_unsound"
    title = "This amount cannot have been paid"


def claims_submit(
    *,
    actor: Actor,
    branch: Branch,
    scheme: str,
    nation: str,
    vouchers: Sequence[uuid.UUID] | None = None,
) -> SchemeClaim:
    """Send what a branch has to claim: all its redeemed vouchers, or those named, and every open adjustment.

    A rejected voucher is sent again when it is named. A voucher whose value the scheme changed since it was granted
    brings its adjustment along. Raises NothingToClaim, NotFound, MoveNotAllowed.
    """
    actor.require(PricePermission.CLAIM, branch.id)
    scheme_known(scheme, nation)
    ours = {"branch": branch, "scheme": scheme, "nation": nation}
    with transaction.atomic():
        rows = SchemeVoucher.objects.everywhere("of one branch, permission checked above").filter(**ours)
        wanted = rows.filter(state=VoucherState.REDEEMED) if vouchers is None else rows.filter(id__in=vouchers)
        sent = lock_rows(wanted)
        _check_all_there(sent, vouchers)
        values = ValueTable(scheme, nation)
        for voucher in sent:
            check_move(VOUCHER_MOVES, voucher.state, VoucherState.SUBMITTED, of=f"Voucher {voucher.reference}")
            _bring_to(values, voucher, actor)
        adjustments = lock_rows(_to_be_claimed(branch, scheme, nation, sent))
        if not sent and not adjustments:
            raise NothingToClaim(field="branch")
        total = sum((voucher.redeemed_amount or ZERO for voucher in sent), ZERO)
        claim = SchemeClaim.objects.create(
            **ours,
            number=number_next(branch=branch, kind=Series.SCHEME_CLAIM),
            submitted_on=clock.today(branch.time_zone),
            submitted_by_id=actor.id,
            voucher_count=len(sent),
            adjustment_count=len(adjustments),
            total=total + sum((found.amount for found in adjustments), ZERO),
            currency=branch.currency,
        )
        rows.filter(id__in=[voucher.id for voucher in sent]).update(
            state=VoucherState.SUBMITTED, claim=claim, reason="", payer_reference="", settled_on=None
        )
        _adjustments().filter(id__in=[found.id for found in adjustments]).update(state=Adjusted.SUBMITTED, claim=claim)
        _record_claim(claim, actor, sent)
    return claim


def claim_paid(
    *,
    actor: Actor,
    voucher: SchemeVoucher,
    paid_on: dt.date,
    amount: Decimal | None = None,
    payer_reference: str = "",
) -> SchemeVoucher:
    """Record that the scheme paid a voucher: what was claimed or, with an amount, something else.

    Another amount leaves a settled adjustment of the difference; no invoice is altered.
    """
    actor.require(PricePermission.CLAIM, voucher.branch_id)
    if amount is not None and (amount < 0 or amount != amount.quantize(minor_unit(voucher.currency))):
        raise PaidAmountUnsound(field="amount", allowed="0.00 or more")
    with transaction.atomic():
        voucher = _locked(voucher, VoucherState.PAID)
        with_it = _adjustments().filter(voucher=voucher, state=Adjusted.SUBMITTED, claim_id=voucher.claim_id)
        claimed = (voucher.redeemed_amount or ZERO) + (with_it.aggregate(sum=MoneySum("amount"))["sum"] or ZERO)
        has_others = with_it.update(state=Adjusted.SETTLED) > 0
        difference = ZERO if amount is None else amount - claimed
        if difference:
            words = f"The scheme paid {amount}, {claimed} was claimed"
            _adjust(voucher, Cause.PAID_OTHERWISE, difference, words, settled=True)
        voucher.state = VoucherState.ADJUSTED if difference or has_others else VoucherState.PAID
        voucher.settled_on, voucher.payer_reference = paid_on, payer_reference
        voucher.save(update_fields=["state", "settled_on", "payer_reference"])
        record_voucher(
            events.CLAIM_PAID,
            voucher,
            actor,
            amount=claimed + difference,
            claim=str(voucher.claim_id),
            claimed=str(claimed),
        )
    return voucher


def claims_paid(*, actor: Actor, claim: SchemeClaim, paid_on: dt.date, payer_reference: str = "") -> tuple[int, int]:
    """Record that the scheme paid all of a claim that is not settled yet; returns how many vouchers and adjustments."""
    actor.require(PricePermission.CLAIM, claim.branch_id)
    with transaction.atomic():
        rows = SchemeVoucher.objects.everywhere("of one claim, permission checked above").filter(claim=claim)
        vouchers = lock_rows(rows.filter(state=VoucherState.SUBMITTED))
        for voucher in vouchers:
            claim_paid(actor=actor, voucher=voucher, paid_on=paid_on, payer_reference=payer_reference)
        later = lock_rows(_adjustments().filter(claim=claim, state=Adjusted.SUBMITTED).select_related("voucher"))
        for adjustment in later:
            adjustment_settle(actor=actor, adjustment=adjustment)
        if not vouchers and not later:
            raise NothingToClaim("All of this claim is settled.", field="claim")
    return len(vouchers), len(later)


def claim_rejected(
    *, actor: Actor, voucher: SchemeVoucher, rejected_on: dt.date, reason: str, payer_reference: str = ""
) -> SchemeVoucher:
    """Record that the scheme will not pay a voucher as it was sent. It may be sent again, written off or cancelled."""
    actor.require(PricePermission.CLAIM, voucher.branch_id)
    with transaction.atomic():
        voucher = _locked(voucher, VoucherState.REJECTED)
        sent_with_it = _adjustments().filter(voucher=voucher, state=Adjusted.SUBMITTED, claim_id=voucher.claim_id)
        sent_with_it.update(state=Adjusted.OPEN, claim=None)
        voucher.state, voucher.reason = VoucherState.REJECTED, reason
        voucher.settled_on, voucher.payer_reference = rejected_on, payer_reference
        voucher.save(update_fields=["state", "reason", "settled_on", "payer_reference"])
        record_voucher(
            events.CLAIM_REJECTED,
            voucher,
            actor,
            amount=voucher.redeemed_amount,
            claim=str(voucher.claim_id),
            reason=reason,
        )
    return voucher


def claim_write_off(*, actor: Actor, voucher: SchemeVoucher, reason: str) -> SchemeVoucher:
    """Let a rejected voucher go: the shop bears what the scheme does not pay."""
    actor.require(PricePermission.CLAIM, voucher.branch_id)
    with transaction.atomic():
        rows = SchemeVoucher.objects.everywhere("by key, permission checked above").filter(id=voucher.id)
        [voucher] = lock_rows(rows)
        if voucher.state != VoucherState.REJECTED:
            check_move({VoucherState.REJECTED: {VoucherState.ADJUSTED}}, voucher.state, "adjusted", of="The voucher")
        _adjustments().filter(voucher=voucher).update(state=Adjusted.SETTLED)
        lost = -((voucher.redeemed_amount or ZERO) + _sum_of(voucher))
        if lost:
            adjustment = _adjust(voucher, Cause.WRITTEN_OFF, lost, reason, settled=True)
            _record_adjustment(adjustment, voucher, actor)
        voucher.state, voucher.reason = VoucherState.ADJUSTED, reason
        voucher.save(update_fields=["state", "reason"])
    return voucher


def claim_adjustments_make(*, actor: Actor, value: SchemeValue) -> list[ClaimAdjustment]:
    """Make the adjustments that a value entered afterwards calls for, for vouchers issued within its days.

    Only vouchers already claimed: one not yet sent brings its adjustment when it is. A second run finds nothing more
    to adjust. The face value of the voucher, what it paid and the customer's invoice stay as they are.
    """
    if actor.where(PricePermission.EDIT) is not ALL:
        raise Forbidden("Values of schemes are put into effect by head office.")
    made = []
    with transaction.atomic():
        values = ValueTable(value.scheme, value.nation)
        days = {"issued_on__gte": value.valid_from}
        if value.valid_to is not None:
            days["issued_on__lte"] = value.valid_to
        rows = SchemeVoucher.objects.everywhere("a scheme's values hold in every branch").filter(
            scheme=value.scheme, nation=value.nation, state__in=CLAIMED, **days
        )
        for voucher in lock_rows(rows):
            adjustment = _bring_to(values, voucher, actor)
            if adjustment is None:
                continue
            if voucher.state == VoucherState.PAID:
                voucher.state = VoucherState.ADJUSTED
                voucher.save(update_fields=["state"])
            made.append(adjustment)
    return made


def adjustment_settle(*, actor: Actor, adjustment: ClaimAdjustment) -> ClaimAdjustment:
    """Record that the scheme settled an adjustment that was sent after its voucher."""
    actor.require(PricePermission.CLAIM, adjustment.branch_id)
    with transaction.atomic():
        sent = _adjustments().filter(id=adjustment.id, state=Adjusted.SUBMITTED)
        if not sent.update(state=Adjusted.SETTLED):
            adjustment.refresh_from_db()
            check_move({Adjusted.SUBMITTED: {Adjusted.SETTLED}}, adjustment.state, "settled", of="The adjustment")
        adjustment.refresh_from_db()
        _record_adjustment(adjustment, adjustment.voucher, actor)
    return adjustment


def _locked(voucher: SchemeVoucher, wanted: str) -> SchemeVoucher:
    """The voucher, locked, if it may make the move."""
    rows = SchemeVoucher.objects.everywhere("by key, permission checked by the caller").filter(id=voucher.id)
    [voucher] = lock_rows(rows)
    check_move(VOUCHER_MOVES, voucher.state, wanted, of="The voucher")
    return voucher


def _check_all_there(found: Sequence[SchemeVoucher], named: Sequence[uuid.UUID] | None) -> None:
    missing = set(named or ()) - {voucher.id for voucher in found}
    if missing:
        raise NotFound(f"There is no voucher {min(map(str, missing))} here.", field="vouchers")


def _adjustments() -> BranchQuerySet[ClaimAdjustment]:
    return ClaimAdjustment.objects.everywhere("of vouchers whose branch was checked by the caller")


def _to_be_claimed(
    branch: Branch, scheme: str, nation: str, sent: Sequence[SchemeVoucher]
) -> BranchQuerySet[ClaimAdjustment]:
    """Open adjustments of vouchers that were claimed before, or are sent now."""
    is_open = _adjustments().filter(branch=branch, state=Adjusted.OPEN, voucher__scheme=scheme, voucher__nation=nation)
    return is_open.filter(Q(voucher__state__in=CLAIMED) | Q(voucher__in=sent))


def _sum_of(voucher: SchemeVoucher) -> Decimal:
    return _adjustments().filter(voucher=voucher).aggregate(sum=MoneySum("amount"))["sum"] or ZERO


def _bring_to(values: ValueTable, voucher: SchemeVoucher, actor: Actor) -> ClaimAdjustment | None:
    """The adjustment that brings a voucher's claim to the values as they stand now, if it needs one.

    The claim stays limited to the price: what it was redeemed for and its changes of value together are the new face
    value or the price, whichever is less. A voucher that was written off is left alone, and so is one for whose day no
    value is known any more.
    """
    earlier = _adjustments().filter(voucher=voucher)
    if voucher.price is None or voucher.redeemed_amount is None or earlier.filter(cause=Cause.WRITTEN_OFF).exists():
        return None
    try:
        face = values.face_of(voucher)
    except NoValueInForce:
        return None
    before = earlier.filter(cause=Cause.VALUE_CHANGED).aggregate(sum=MoneySum("amount"))["sum"] or ZERO
    difference = min(face, voucher.price) - voucher.redeemed_amount - before
    if not difference:
        return None
    words = f"Issued on {voucher.issued_on} at {voucher.face_value}; the value for that day is now {face}"
    adjustment = _adjust(voucher, Cause.VALUE_CHANGED, difference, words)
    _record_adjustment(adjustment, voucher, actor)
    return adjustment


def _adjust(
    voucher: SchemeVoucher, cause: str, amount: Decimal, reason: str, *, settled: bool = False
) -> ClaimAdjustment:
    """One more adjustment of a voucher; its row is locked by the caller."""
    return ClaimAdjustment.objects.create(
        branch_id=voucher.branch_id,
        voucher=voucher,
        cause=Cause(cause),
        sequence=_adjustments().filter(voucher=voucher).count() + 1,
        amount=amount,
        currency=voucher.currency,
        reason=reason,
        state=Adjusted.SETTLED if settled else Adjusted.OPEN,
    )


def _record_claim(claim: SchemeClaim, actor: Actor, sent: Sequence[SchemeVoucher]) -> None:
    outbox.record(
        event_type=events.CLAIMS_SUBMITTED,
        subject=f"scheme-claims/{claim.id}",
        actor=actor,
        branch_id=claim.branch_id,
        data={
            "claim": str(claim.id),
            "number": claim.number,
            "scheme": claim.scheme,
            "vouchers": [str(voucher.id) for voucher in sent],
            "total": str(claim.total),
            "currency": claim.currency,
        },
    )


def _record_adjustment(adjustment: ClaimAdjustment, voucher: SchemeVoucher, actor: Actor) -> None:
    record_voucher(
        events.CLAIM_ADJUSTED,
        voucher,
        actor,
        amount=adjustment.amount,
        adjustment=str(adjustment.id),
        cause=str(adjustment.cause),
        state=str(adjustment.state),
    )
