"""Promotions of the shop: offering and ending them, asking what one is worth, using it and giving it back.

How an order (or another document) uses one; this is stable::

    quote = promotion_quote(actor=actor, promotion="SPRING", branch=branch, customer=customer, total=goods_total,
                            is_complete_pair=True, on=day)     # .discount, .refusals; writes nothing
    use = promotion_use(actor=actor, promotion="SPRING", branch=branch, customer=customer, document="orders/<id>",
                        total=goods_total, is_complete_pair=True, on=day)  # in the caller's transaction; .amount
    promotion_give_back(actor=actor, document="orders/<id>")   # the order was called off; how many were given back

``promotion`` is the row or its code as given at the till. ``total`` is what the document costs before any promotion;
what all promotions take off one document is never more than that. The caller spreads ``use.amount`` over its lines.
Call ``promotion_use`` late in the transaction: where a promotion has a limit, its row stays locked until the end.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from django.db import IntegrityError, transaction
from django.db.models import F, Q

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid
from opticshop.core.money import minor_unit, rounded
from opticshop.customers.merged import records_of, root_id
from opticshop.customers.models import Customer

from . import promotions_events as events
from .permissions import PricePermission
from .promotions_models import Promotion, PromotionUse
from .promotions_selectors import promotion_by_code, taken_off, uses_standing

Kind, State = Promotion.Kind, PromotionUse.State


class PromotionCodeTaken(Conflict):
    """Codes are unique in the group and for good, so that a receipt names one promotion only."""

    code = "prices.promotion_code_taken"
    title = "Another promotion has this code"


class PromotionTermsUnsound(Invalid):
    """The terms contradict themselves: the amount, the days or the currency. Says which and what would do."""

    code = "prices.promotion_terms_unsound"
    title = "These terms make no promotion"


class PromotionEnded(Conflict):
    """The promotion was ended before."""

    code = "prices.promotion_ended"
    title = "The promotion is ended"


class PromotionNotApplicable(Invalid):
    """The promotion gives nothing here; ``refusals`` says each reason."""

    code = "prices.promotion_not_applicable"
    title = "The promotion does not apply"


@dataclass(frozen=True, slots=True)
class Refusal:
    """One reason why a promotion gives nothing: a stable word and a sentence."""

    reason: str
    words: str


@dataclass(frozen=True, slots=True)
class PromotionQuote:
    """What a promotion takes off a price, or why it takes off nothing."""

    promotion: Promotion
    total: Decimal
    discount: Decimal
    refusals: tuple[Refusal, ...]

    @property
    def applies(self) -> bool:
        return not self.refusals


def promotion_create(
    *,
    actor: Actor,
    code: str,
    name: str,
    kind: str,
    amount: Decimal,
    currency: str,
    valid_from: dt.date,
    valid_to: dt.date | None = None,
    branch: Branch | None = None,
    minimum_spend: Decimal = Decimal(0),
    once_per_customer: bool = False,
    use_limit: int | None = None,
    complete_pairs_only: bool = False,
    combines: bool = False,
) -> Promotion:
    """Offer a promotion at a branch, or in the whole group, which only an actor that edits prices everywhere may."""
    if branch is not None:
        actor.require(PricePermission.EDIT, branch.id)
    elif actor.where(PricePermission.EDIT) is not ALL:
        raise Forbidden("Promotions of the group are made by head office.")
    _check_terms(kind, amount, currency, valid_from, valid_to, branch, minimum_spend)
    with transaction.atomic():
        try:
            with transaction.atomic():
                promotion = Promotion.objects.create(
                    code=code.strip().upper(),
                    name=name,
                    kind=Kind(kind),
                    amount=amount,
                    currency=currency,
                    branch=branch,
                    valid_from=valid_from,
                    valid_to=valid_to,
                    minimum_spend=minimum_spend,
                    once_per_customer=once_per_customer,
                    use_limit=use_limit,
                    complete_pairs_only=complete_pairs_only,
                    combines=combines,
                )
        except IntegrityError as error:
            raise PromotionCodeTaken(f"There is already a promotion {code.strip().upper()}.", field="code") from error
        _record(events.PROMOTION_CREATED, promotion, actor)
    return promotion


def promotion_end(*, actor: Actor, promotion: Promotion, reason: str) -> Promotion:
    """End a promotion now. What was used stays used."""
    if promotion.branch_id is not None:
        actor.require(PricePermission.EDIT, promotion.branch_id)
    elif actor.where(PricePermission.EDIT) is not ALL:
        raise Forbidden("Promotions of the group are ended by head office.")
    with transaction.atomic():
        standing = Promotion.objects.filter(id=promotion.id, ended_at__isnull=True)
        if not standing.update(ended_at=clock.now(), end_reason=reason):
            raise PromotionEnded(f"{promotion.code} is ended already.", field="promotion")
        _record(events.PROMOTION_ENDED, promotion, actor, reason=reason)
    promotion.refresh_from_db()
    return promotion


def promotion_quote(
    *,
    actor: Actor,
    promotion: Promotion | str,
    branch: Branch,
    total: Decimal,
    is_complete_pair: bool,
    customer: Customer | None = None,
    document: str = "",
    on: dt.date | None = None,
) -> PromotionQuote:
    """What the promotion takes off ``total``, or every reason why nothing. Writes nothing, promises nothing.

    Without a customer, whether it was used before is not asked; without a document, neither is what else is used on
    it. ``on`` is today at the branch unless it is given. Raises NotFound for a code that is not there.
    """
    actor.require(PricePermission.VIEW, branch.id)
    if isinstance(promotion, str):
        promotion = promotion_by_code(actor, promotion)
    day = on or clock.today(branch.time_zone)
    total = rounded(total, branch.currency)
    refusals = [
        *_refused_by_terms(promotion, branch, total, is_complete_pair, day),
        *_refused_by_uses(promotion, customer, document),
    ]
    left = total - (taken_off(document) if document else 0)
    discount = max(min(_worth(promotion, total, branch.currency), left), rounded(Decimal(0), branch.currency))
    if not discount and not refusals:
        refusals = [Refusal("nothing_to_reduce", "There is no price left that it could reduce.")]
    if refusals:
        discount = rounded(Decimal(0), branch.currency)
    return PromotionQuote(promotion, total, discount, tuple(refusals))


def promotion_use(
    *,
    actor: Actor,
    promotion: Promotion | str,
    branch: Branch,
    customer: Customer,
    document: str,
    total: Decimal,
    is_complete_pair: bool,
    on: dt.date | None = None,
) -> PromotionUse:
    """Use the promotion on a document, in the caller's transaction. Raises PromotionNotApplicable, NotFound.

    Once a customer and once a document are held by the database, the limit by a conditional UPDATE.
    """
    asked = {"actor": actor, "branch": branch, "customer": customer, "document": document, "total": total}
    how = {**asked, "is_complete_pair": is_complete_pair, "on": on}
    quote = promotion_quote(promotion=promotion, **how)  # type: ignore[arg-type]
    if not quote.applies:
        raise promotion_not_applicable(quote)
    promotion = quote.promotion
    with transaction.atomic():
        try:
            with transaction.atomic():
                use = PromotionUse.objects.create(
                    branch=branch,
                    promotion=promotion,
                    customer=customer,
                    document=document,
                    amount=quote.discount,
                    currency=branch.currency,
                    is_once=promotion.once_per_customer,
                    is_alone=not promotion.combines,
                    used_at=clock.now(),
                )
        except IntegrityError as error:
            again = promotion_quote(promotion=promotion, **how)  # type: ignore[arg-type]
            raise promotion_not_applicable(again) from error
        if promotion.use_limit is not None and not _counted(promotion):
            raise promotion_not_applicable(PromotionQuote(promotion, quote.total, Decimal(0), (_used_up(promotion),)))
        _record_use(events.PROMOTION_USED, use, promotion, actor)
    return use


def promotion_give_back(*, actor: Actor, document: str) -> int:
    """Give back what was used on a document that falls away; the customer and the limit have it again.

    Returns how many were given back; a second call finds none.
    """
    given_back = 0
    with transaction.atomic():
        for use in uses_standing(document).select_related("promotion").order_by("promotion_id"):
            actor.require(PricePermission.VIEW, use.branch_id)
            if not uses_standing(document).filter(id=use.id).update(state=State.GIVEN_BACK, given_back_at=clock.now()):
                continue
            if use.promotion.use_limit is not None:
                Promotion.objects.filter(id=use.promotion_id).update(limit_used=F("limit_used") - 1)
            _record_use(events.PROMOTION_GIVEN_BACK, use, use.promotion, actor)
            given_back += 1
    return given_back


def _check_terms(
    kind: str,
    amount: Decimal,
    currency: str,
    valid_from: dt.date,
    valid_to: dt.date | None,
    branch: Branch | None,
    minimum_spend: Decimal,
) -> None:
    unit = minor_unit(currency)
    if amount <= 0 or (kind == Kind.PERCENT and amount > 100):
        raise PromotionTermsUnsound(
            "It takes off more than nothing, and not more than all.",
            field="amount",
            allowed="more than 0, at most 100 percent",
        )
    if kind == Kind.FIXED and amount != amount.quantize(unit):
        raise PromotionTermsUnsound(f"{currency} has no smaller coin than {unit}.", field="amount", allowed=str(unit))
    if valid_to is not None and valid_to < valid_from:
        raise PromotionTermsUnsound("It ends before it begins.", field="valid_to", allowed=f"from {valid_from} on")
    if branch is not None and branch.currency != currency:
        raise PromotionTermsUnsound(f"{branch.code} trades in {branch.currency}.", field="currency")
    if minimum_spend < 0:
        raise PromotionTermsUnsound("Nobody spends less than nothing.", field="minimum_spend", allowed="0 or more")


def _worth(promotion: Promotion, total: Decimal, currency: str) -> Decimal:
    """What it takes off a price by its terms alone, rounded half up once."""
    off = promotion.amount if promotion.kind == Kind.FIXED else total * promotion.amount / 100
    return rounded(off, currency)


def _refused_by_terms(
    promotion: Promotion, branch: Branch, total: Decimal, is_complete_pair: bool, day: dt.date
) -> list[Refusal]:
    last, least = promotion.valid_to, promotion.minimum_spend
    tests = [
        (promotion.ended_at is not None, "ended", f"It was ended: {promotion.end_reason}."),
        (day < promotion.valid_from, "not_begun", f"It begins on {promotion.valid_from}."),
        (last is not None and day > last, "over", f"Its last day was {last}."),
        (promotion.branch_id not in (None, branch.id), "other_branch", f"It is not offered at {branch.code}."),
        (
            promotion.currency != branch.currency,
            "other_currency",
            f"It is in {promotion.currency}; {branch.code} trades in {branch.currency}.",
        ),
        (total < least, "below_minimum", f"It is given from {least} {promotion.currency} on; this is {total}."),
        (
            promotion.complete_pairs_only and not is_complete_pair,
            "pair_incomplete",
            "It is given on complete pairs: a frame and both lenses.",
        ),
    ]
    return [Refusal(reason, words) for applies, reason, words in tests if applies]


def _refused_by_uses(promotion: Promotion, customer: Customer | None, document: str) -> list[Refusal]:
    found = []
    if promotion.use_limit is not None and promotion.limit_used >= promotion.use_limit:
        found.append(_used_up(promotion))
    if promotion.once_per_customer and customer is not None:
        before = PromotionUse.objects.everywhere("once per customer holds in every branch")
        if before.filter(promotion=promotion, customer__in=records_of(root_id(customer)), state=State.USED).exists():
            found.append(Refusal("used_by_customer", "This customer has had it: it is given once."))
    others = list(uses_standing(document).values_list("promotion_id", "is_alone")) if document else []
    if any(other == promotion.id for other, _ in others):
        found.append(Refusal("used_on_document", f"It is used on {document} already."))
    elif others and (not promotion.combines or any(is_alone for _, is_alone in others)):
        found.append(Refusal("does_not_combine", "It does not combine with what is used already."))
    return found


def _used_up(promotion: Promotion) -> Refusal:
    return Refusal("used_up", f"It was given {promotion.use_limit} times, which is all there were.")


def _counted(promotion: Promotion) -> bool:
    """Count one more use, if there is one left and it was not ended in the meantime."""
    left = Promotion.objects.filter(Q(limit_used__lt=F("use_limit")), id=promotion.id, ended_at__isnull=True)
    return bool(left.update(limit_used=F("limit_used") + 1))


def promotion_not_applicable(quote: PromotionQuote) -> PromotionNotApplicable:
    """The refusal that names every reason of a quote that does not apply."""
    refusals = quote.refusals or (Refusal("used_meanwhile", "It was used at another till at this moment."),)
    return PromotionNotApplicable(
        " ".join(refusal.words for refusal in refusals),
        field="promotion_code",
        refusals=[{"reason": refusal.reason, "words": refusal.words} for refusal in refusals],
    )


def _record(event_type: str, promotion: Promotion, actor: Actor, **more: str) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"promotions/{promotion.id}",
        actor=actor,
        branch_id=promotion.branch_id,
        data={"promotion": str(promotion.id), "code": promotion.code, **more},
    )


def _record_use(event_type: str, use: PromotionUse, promotion: Promotion, actor: Actor) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"promotions/{promotion.id}",
        actor=actor,
        branch_id=use.branch_id,
        data={
            "use": str(use.id),
            "promotion": str(promotion.id),
            "code": promotion.code,
            "customer": str(use.customer_id),
            "document": use.document,
            "amount": str(use.amount),
            "currency": use.currency,
        },
    )
