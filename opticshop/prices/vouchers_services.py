"""Vouchers of public schemes: values in force, granting, redeeming, putting back.

How a payment redeems one; this is stable::

    amount = voucher_redeem(actor=actor, voucher=voucher, order_total_due=due, document="orders/<id>",
                            customer_id=order.customer_id)   # what it pays: never more than is due; once only
    voucher_put_back(actor=actor, voucher=voucher, document="orders/<id>")   # while it is not claimed

Both run in the caller's transaction and raise Conflicts. ``voucher_get_for(actor, id)`` of ``vouchers_selectors`` finds
the voucher. What is claimed from the scheme afterwards is in ``claims_services``; it never alters what the customer
was charged. Voucher money is part of the price for tax (from memory): the voucher is a means of payment, no discount.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Forbidden
from opticshop.core.money import minor_unit, rounded
from opticshop.core.scoping import BranchQuerySet
from opticshop.core.states import check_move
from opticshop.customers.contacting import identities
from opticshop.customers.merged import belongs_to, refuse_merged
from opticshop.customers.models import Customer
from opticshop.prescriptions.models import Prescription

from . import vouchers_events as events
from .bands import Band, Power, band_of
from .permissions import PricePermission
from .scheme_values import EXAMPLES
from .schemes import SCHEMES, Scheme
from .vouchers_models import VOUCHER_MOVES, SchemeValue, SchemeVoucher, VoucherState
from .vouchers_problems import (
    BandNeedsPowers,
    BandNotSupported,
    NotEntitledByAge,
    NothingDue,
    NotRedeemedHere,
    NoValueInForce,
    PrescriptionOfAnother,
    SchemeUnknown,
    SchemeValueThere,
    SchemeValueUnsound,
    SchemeValueWithdrawn,
    VoucherDayUnsound,
    VoucherNotOpen,
    VoucherOfAnother,
    VoucherReferenceTaken,
)
from .vouchers_values import BAND, ValueTable


def scheme_value_add(
    *,
    actor: Actor,
    scheme: str,
    nation: str,
    kind: str,
    code: str,
    amount: Decimal,
    valid_from: dt.date,
    valid_to: dt.date | None = None,
    published_on: dt.date | None = None,
    source: str,
    confidence: str,
    is_example: bool = False,
) -> SchemeValue:
    """Enter what a scheme pays from a day on. Vouchers keep their face value; see ``claim_adjustments_make``."""
    _require_group(actor)
    rules = scheme_known(scheme, nation)
    codes = rules.bands if kind == BAND else tuple(found.code for found in rules.supplements)
    _check_known(code, codes, "code", rules)
    if amount < 0 or amount != amount.quantize(minor_unit(rules.currency)):
        raise SchemeValueUnsound("An amount of money, not below nothing.", field="amount", allowed="0.00 or more")
    if valid_to is not None and valid_to < valid_from:
        raise SchemeValueUnsound("It ends before it begins.", field="valid_to", allowed=f"from {valid_from} on")
    with transaction.atomic():
        try:
            with transaction.atomic():
                value = SchemeValue.objects.create(
                    scheme=scheme,
                    nation=nation,
                    kind=SchemeValue.Kind(kind),
                    code=code,
                    amount=amount,
                    currency=rules.currency,
                    valid_from=valid_from,
                    valid_to=valid_to,
                    published_on=published_on,
                    source=source,
                    confidence=confidence,
                    is_example=is_example,
                    entered_by_id=actor.id,
                )
        except IntegrityError as error:
            raise SchemeValueThere(f"{code} from {valid_from} is entered already.", field="valid_from") from error
        _record_value(events.VALUE_ADDED, value, actor)
    return value


def scheme_value_withdraw(*, actor: Actor, value: SchemeValue, reason: str) -> SchemeValue:
    """Take a wrong value out of use. Vouchers already granted by it keep their face value."""
    _require_group(actor)
    with transaction.atomic():
        standing = SchemeValue.objects.filter(id=value.id, withdrawn_at__isnull=True)
        if not standing.update(withdrawn_at=clock.now(), withdrawn_reason=reason):
            raise SchemeValueWithdrawn(field="value")
        _record_value(events.VALUE_WITHDRAWN, value, actor, reason=reason)
    value.refresh_from_db()
    return value


def scheme_examples_load(*, actor: Actor) -> int:
    """Enter the historic examples that are not entered yet; returns how many were."""
    _require_group(actor)
    loaded = 0
    with transaction.atomic():
        for example in EXAMPLES:
            key: dict[str, Any] = {
                "scheme": example.scheme,
                "nation": example.nation,
                "kind": example.kind,
                "code": example.code,
            }
            if SchemeValue.objects.filter(**key, valid_from=example.valid_from, is_example=True).exists():
                continue
            scheme_value_add(
                actor=actor,
                **key,
                amount=example.amount,
                valid_from=example.valid_from,
                valid_to=example.valid_to,
                source=example.source,
                confidence=example.confidence,
                is_example=True,
            )
            loaded += 1
    return loaded


def scheme_known(key: str, nation: str) -> Scheme:
    """The rules of a scheme, if it holds in the nation. Raises SchemeUnknown."""
    rules = SCHEMES.get(key)
    if rules is None:
        raise SchemeUnknown(f"No scheme is called {key!r}.", field="scheme", allowed=sorted(SCHEMES))
    _check_known(nation, rules.nations, "nation", rules)
    return rules


def nation_of(branch: Branch, scheme: str) -> str:
    """The nation of a branch within the scheme, from the part of the country whose holidays it keeps."""
    rules = SCHEMES.get(scheme)
    if rules is not None and branch.subdivision not in rules.nations:
        raise SchemeUnknown(
            f"{branch.code} does not say in which nation it lies.", field="nation", allowed=list(rules.nations)
        )
    return branch.subdivision


def band_find(
    *, scheme: Scheme, eyes: Mapping[str, Power], is_multifocal: bool, stated: str | None = None
) -> tuple[str, Band | None]:
    """The band of a voucher: found from the powers, or one that the form states where no power decides it.

    A band stated beside the powers must be one that they can have: it settles a doubt, and nothing else.
    """
    if not eyes:
        if stated not in scheme.stated:
            raise BandNeedsPowers(field="eyes", allowed=list(scheme.stated))
        return str(stated), None
    found = band_of(scheme, eyes, is_multifocal=is_multifocal)
    if stated is not None and stated not in found.possible:
        raise BandNotSupported(f"These powers are of band {found.code}.", field="band", allowed=list(found.possible))
    return stated or found.code, found


@dataclass(frozen=True, slots=True)
class PossibleBand:
    """A band that a pair may have, and what it is worth; what is missing where that is not known."""

    band: str
    face_value: Decimal | None
    missing: str = ""


@dataclass(frozen=True, slots=True)
class BandWorth:
    """The answer to "what band is it, and what does it cover?"."""

    band: str
    possible: tuple[PossibleBand, ...]
    is_doubtful: bool
    decided_by: str
    warnings: tuple[str, ...]
    currency: str


def band_worth(
    *,
    scheme: str,
    nation: str,
    eyes: Mapping[str, Power],
    is_multifocal: bool = False,
    supplements: Mapping[str, int] | None = None,
    day: dt.date,
) -> BandWorth:
    """The band of a pair and its worth on a day, and of every other band that it may be. Of nobody in particular."""
    rules = scheme_known(scheme, nation)
    wanted = _supplements_known(rules, supplements or {})
    if not eyes:
        raise BandNeedsPowers(field="right", allowed="the powers of one lens at least")
    found, values = band_of(rules, eyes, is_multifocal=is_multifocal), ValueTable(scheme, nation)
    possible, warnings = [], list(found.warnings)
    for code in found.possible:
        try:
            worth = values.worth(code, wanted, day)
        except NoValueInForce as error:
            possible.append(PossibleBand(code, None, error.detail))
        else:
            possible.append(PossibleBand(code, worth.face))
            warnings += worth.warnings
    return BandWorth(found.code, tuple(possible), found.is_doubtful, found.decided_by, tuple(warnings), rules.currency)


def voucher_grant(
    *,
    actor: Actor,
    branch: Branch,
    customer: Customer,
    scheme: str,
    nation: str,
    reference: str,
    issued_on: dt.date,
    eligibility: str,
    evidence: str,
    eyes: Mapping[str, Power],
    is_multifocal: bool = False,
    band: str | None = None,
    supplements: Mapping[str, int] | None = None,
    prescription: Prescription | None = None,
    use_by: dt.date | None = None,
) -> SchemeVoucher:
    """Record a voucher for a customer, with its face value by the values in force on its day of issue.

    The actor vouches for the evidence: of what kind it was, and that they saw it now. Raises what is in
    ``vouchers_problems``.
    """
    actor.require(PricePermission.GRANT, branch.id)
    rules = scheme_known(scheme, nation)
    if rules.currency != branch.currency:
        raise SchemeUnknown(f"{branch.code} trades in {branch.currency}; the scheme pays {rules.currency}.")
    _check_known(evidence, tuple(kind.code for kind in rules.evidence), "evidence", rules)
    refuse_merged(actor, customer)
    if prescription is not None and not belongs_to(prescription, customer):
        raise PrescriptionOfAnother("The prescription is another person's.", field="prescription")
    _check_days(issued_on, use_by, clock.today(branch.time_zone))
    _check_ground(rules, eligibility, customer, issued_on)
    code, found = band_find(scheme=rules, eyes=eyes, is_multifocal=is_multifocal, stated=band)
    wanted = _supplements_known(rules, supplements or {})
    worth = ValueTable(scheme, nation).worth(code, wanted, issued_on)
    if worth.face <= 0:
        raise SchemeValueUnsound("A voucher of this band would be worth nothing.", field="band")
    with transaction.atomic():
        try:
            with transaction.atomic():
                voucher = SchemeVoucher.objects.create(
                    branch=branch,
                    customer=customer,
                    prescription=prescription,
                    scheme=scheme,
                    nation=nation,
                    reference=reference.strip().upper(),
                    issued_on=issued_on,
                    use_by=use_by,
                    band=code,
                    powers={eye: {"sphere": str(p.sphere), "cylinder": str(p.cylinder)} for eye, p in eyes.items()},
                    supplements=worth.supplements,
                    warnings=[*(found.warnings if found else ()), *worth.warnings],
                    eligibility=eligibility,
                    evidence=evidence,
                    evidence_seen_at=clock.now(),
                    evidence_seen_by_id=actor.id,
                    face_value=rounded(worth.face, rules.currency),
                    currency=rules.currency,
                )
        except IntegrityError as error:
            raise VoucherReferenceTaken(f"{reference} is recorded already.", field="reference") from error
        record_voucher(events.VOUCHER_GRANTED, voucher, actor, amount=voucher.face_value)
    return voucher


def voucher_redeem(
    *,
    actor: Actor,
    voucher: SchemeVoucher,
    order_total_due: Decimal,
    document: str,
    customer_id: uuid.UUID | None = None,
) -> Decimal:
    """Pay with a voucher, in the caller's transaction: its face value or what is due, whichever is less. Once only.

    No change is given: what the price leaves of the face value is not paid out and not claimed. With ``customer_id``
    it is refused for anybody but the customer it was issued to.
    """
    actor.require(PricePermission.GRANT, voucher.branch_id)
    if customer_id not in {None, voucher.customer_id} and customer_id not in identities(voucher.customer_id):
        raise VoucherOfAnother(field="voucher")
    due = rounded(order_total_due, voucher.currency)
    if due <= 0:
        raise NothingDue(field="voucher")
    if voucher.use_by is not None and clock.today(voucher.branch.time_zone) > voucher.use_by:
        raise VoucherNotOpen(f"Its last day was {voucher.use_by}.", field="voucher")
    amount = min(voucher.face_value, due)
    with transaction.atomic():
        redeemed = _in_state(voucher, VoucherState.ISSUED).update(
            state=VoucherState.REDEEMED,
            document=document,
            price=due,
            redeemed_amount=amount,
            redeemed_at=clock.now(),
        )
        voucher.refresh_from_db()
        if not redeemed:
            raise VoucherNotOpen(f"It is {voucher.state}.", field="voucher", allowed=[str(VoucherState.ISSUED)])
        record_voucher(events.VOUCHER_REDEEMED, voucher, actor, amount=amount, document=document)
    return amount


def voucher_put_back(*, actor: Actor, voucher: SchemeVoucher, document: str) -> SchemeVoucher:
    """Make a voucher whole again that was redeemed for the document, while it is not claimed from the scheme."""
    actor.require(PricePermission.GRANT, voucher.branch_id)
    with transaction.atomic():
        voucher.refresh_from_db()
        amount = voucher.redeemed_amount
        put_back = _in_state(voucher, VoucherState.REDEEMED).filter(document=document)
        done = put_back.update(
            state=VoucherState.ISSUED, document="", price=None, redeemed_amount=None, redeemed_at=None
        )
        voucher.refresh_from_db()
        if not done:
            raise NotRedeemedHere(f"It is {voucher.state}, not redeemed for {document}.", field="voucher")
        record_voucher(events.VOUCHER_PUT_BACK, voucher, actor, amount=amount, document=document)
    return voucher


def voucher_cancel(*, actor: Actor, voucher: SchemeVoucher, reason: str) -> SchemeVoucher:
    """Cancel a voucher that is not redeemed, or whose claim was rejected."""
    actor.require(PricePermission.GRANT, voucher.branch_id)
    with transaction.atomic():
        open_or_rejected = _in_state(voucher, VoucherState.ISSUED, VoucherState.REJECTED)
        if not open_or_rejected.update(state=VoucherState.CANCELLED, reason=reason):
            voucher.refresh_from_db()
            check_move(VOUCHER_MOVES, voucher.state, VoucherState.CANCELLED, of="The voucher")
        record_voucher(events.VOUCHER_CANCELLED, voucher, actor, amount=voucher.face_value, reason=reason)
    voucher.refresh_from_db()
    return voucher


def record_voucher(event_type: str, voucher: SchemeVoucher, actor: Actor, *, amount: Any, **more: str) -> None:
    """Tell of a voucher: no band, no power, no ground of entitlement."""
    outbox.record(
        event_type=event_type,
        subject=f"scheme-vouchers/{voucher.id}",
        actor=actor,
        branch_id=voucher.branch_id,
        data={
            "voucher": str(voucher.id),
            "scheme": voucher.scheme,
            "reference": voucher.reference,
            "customer": str(voucher.customer_id),
            "amount": str(amount),
            "currency": voucher.currency,
            **more,
        },
    )


def _in_state(voucher: SchemeVoucher, *states: str) -> BranchQuerySet[SchemeVoucher]:
    rows = SchemeVoucher.objects.everywhere("by key, permission checked by the caller")
    return rows.filter(id=voucher.id, state__in=states)


def _check_known(given: str, known: tuple[str, ...], field: str, rules: Scheme) -> None:
    if given not in known:
        raise SchemeUnknown(f"{rules.title}: no {field} {given!r}.", field=field, allowed=list(known))


def _check_days(issued_on: dt.date, use_by: dt.date | None, today: dt.date) -> None:
    if issued_on > today:
        raise VoucherDayUnsound(f"{issued_on} is not come yet.", field="issued_on", allowed=f"up to {today}")
    if use_by is not None and use_by < issued_on:
        raise VoucherDayUnsound("It ends before it was issued.", field="use_by", allowed=f"from {issued_on} on")


def _check_ground(rules: Scheme, eligibility: str, customer: Customer, day: dt.date) -> None:
    """The ground is one of the scheme's and, where it hangs on age and the birth date is known, fits it."""
    _check_known(eligibility, tuple(ground.code for ground in rules.grounds), "eligibility", rules)
    ground, born = rules.ground(eligibility), customer.birth_date
    if ground is None or born is None:
        return
    age = day.year - born.year - ((day.month, day.day) < (born.month, born.day))
    low, high = ground.age_from, ground.age_to
    if (low is not None and age < low) or (high is not None and age > high):
        raise NotEntitledByAge(
            f"{ground.words}: the customer was {age} on {day}.",
            field="eligibility",
            allowed={"age_from": low, "age_to": high},
        )


def _supplements_known(rules: Scheme, supplements: Mapping[str, int]) -> dict[str, int]:
    for code, quantity in supplements.items():
        _check_known(code, tuple(found.code for found in rules.supplements), "supplements", rules)
        known = rules.supplement(code)
        if known is not None and not 1 <= quantity <= known.most:
            raise SchemeUnknown(f"{known.words}: 1 to {known.most}.", field="supplements", allowed=known.most)
    return dict(supplements)


def _require_group(actor: Actor) -> None:
    if actor.where(PricePermission.EDIT) is not ALL:
        raise Forbidden("Values of schemes are entered by head office.")


def _record_value(event_type: str, value: SchemeValue, actor: Actor, **more: str) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"scheme-values/{value.id}",
        actor=actor,
        branch_id=None,
        data={
            "value": str(value.id),
            "scheme": value.scheme,
            "nation": value.nation,
            "code": value.code,
            "amount": str(value.amount),
            "currency": value.currency,
            "valid_from": str(value.valid_from),
            **more,
        },
    )
