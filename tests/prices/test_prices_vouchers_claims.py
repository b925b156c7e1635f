"""Claims on a scheme: sent, paid, rejected, adjusted afterwards; the customer's side never changes. Amounts invented.

The case of a nation whose values of October counted from the April before is one report, read 2026 (medium).
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal as D

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.accounts.access import actor_for
from opticshop.core.actor import system
from opticshop.core.errors import MoveNotAllowed, NotFound
from opticshop.core.models import OutboxEvent
from opticshop.prices import claims_services as claims
from opticshop.prices import vouchers_services as services
from opticshop.prices.models import ClaimAdjustment, SchemeClaim, SchemeValue, SchemeVoucher
from opticshop.prices.vouchers_problems import NothingToClaim, NotRedeemedHere

from .conftest import SCHEME

pytestmark = pytest.mark.django_db
SYSTEM = system("test")
PAID_ON = dt.date(2026, 3, 2)


@pytest.fixture
def submit(mill):
    def send(vouchers=None, **more):
        about = {"actor": SYSTEM, "branch": mill, "scheme": SCHEME, "nation": "ENG"} | more
        return claims.claims_submit(**about, vouchers=vouchers and [voucher.id for voucher in vouchers])

    return send


def adjustments(voucher=None):
    rows = ClaimAdjustment.objects.everywhere("test").order_by("id")
    return list(rows.filter(voucher=voucher) if voucher else rows)


def till_side(voucher):
    voucher.refresh_from_db()
    return voucher.face_value, voucher.price, voucher.redeemed_amount, voucher.document


def test_all_that_is_redeemed_is_sent_together(redeemed, grant, submit):
    one, two, kept = redeemed("V-1"), redeemed("V-2", due="30.00"), grant("V-3")
    claim = submit()
    assert (claim.voucher_count, claim.adjustment_count, claim.total) == (2, 0, D("75.00"))
    assert claim.number == "MILL-V-2026-00001"
    for voucher in (one, two, kept):
        voucher.refresh_from_db()
    assert (one.state, two.state, kept.state) == ("submitted", "submitted", "issued")
    assert one.claim == claim
    told = OutboxEvent.objects.get(type="prices.claims_submitted").data
    assert (told["total"], told["vouchers"]) == ("75.00", [str(one.id), str(two.id)])
    with pytest.raises(NothingToClaim):
        submit()
    assert SchemeClaim.objects.everywhere("test").count() == 1


def test_only_those_named_are_sent(redeemed, submit):
    one, two = redeemed("V-1"), redeemed("V-2")
    assert submit([two]).voucher_count == 1
    with pytest.raises(MoveNotAllowed, match="V-2 is submitted"):
        submit([one, two])
    one.refresh_from_db()
    assert one.state == "redeemed"


def test_vouchers_of_another_branch_or_nation_are_not_there(redeemed, submit, quay):
    voucher = redeemed("V-1")
    for elsewhere in ({"branch": quay}, {"nation": "WLS"}):
        with pytest.raises(NotFound):
            submit([voucher], **elsewhere)
        with pytest.raises(NothingToClaim):
            submit(**elsewhere)


def test_a_voucher_is_paid_as_claimed(redeemed, submit):
    voucher = redeemed("V-1")
    submit()
    paid = claims.claim_paid(actor=SYSTEM, voucher=voucher, paid_on=PAID_ON, payer_reference="P-1")
    assert (paid.state, paid.settled_on, paid.payer_reference) == ("paid", PAID_ON, "P-1")
    told = OutboxEvent.objects.get(type="prices.claim_paid").data
    assert (told["amount"], told["claimed"]) == ("45.00", "45.00")
    with pytest.raises(MoveNotAllowed):
        claims.claim_paid(actor=SYSTEM, voucher=voucher, paid_on=PAID_ON)
    assert not adjustments()


def test_paid_otherwise_it_is_adjusted_and_the_till_side_stays(redeemed, submit):
    voucher = redeemed("V-1")
    submit()
    before = till_side(voucher)
    paid = claims.claim_paid(actor=SYSTEM, voucher=voucher, paid_on=PAID_ON, amount=D("44.00"))
    assert paid.state == "adjusted"
    assert [(a.cause, a.amount, a.state) for a in adjustments()] == [("paid_otherwise", D("-1.00"), "settled")]
    assert till_side(voucher) == before
    with pytest.raises(NothingToClaim):
        submit()


@pytest.mark.parametrize("amount", ["-1.00", "1.001"])
def test_an_amount_that_is_none_is_refused(redeemed, submit, amount):
    voucher = redeemed("V-1")
    submit()
    with pytest.raises(claims.PaidAmountUnsound):
        claims.claim_paid(actor=SYSTEM, voucher=voucher, paid_on=PAID_ON, amount=D(amount))


def test_a_rejected_voucher_is_sent_again_only_when_named(redeemed, submit):
    voucher = redeemed("V-1")
    submit()
    rejected = claims.claim_rejected(actor=SYSTEM, voucher=voucher, rejected_on=PAID_ON, reason="No signature")
    assert (rejected.state, rejected.reason) == ("rejected", "No signature")
    with pytest.raises(NothingToClaim):
        submit()
    again = submit([voucher])
    voucher.refresh_from_db()
    assert (voucher.state, voucher.claim_id, voucher.reason) == ("submitted", again.id, "")


def test_a_rejected_voucher_is_written_off_or_cancelled(redeemed, submit):
    one, two = redeemed("V-1"), redeemed("V-2")
    submit()
    for voucher in (one, two):
        claims.claim_rejected(actor=SYSTEM, voucher=voucher, rejected_on=PAID_ON, reason="Not entitled")
    written_off = claims.claim_write_off(actor=SYSTEM, voucher=one, reason="Too small to argue")
    assert written_off.state == "adjusted"
    assert [(a.cause, a.amount) for a in adjustments(one)] == [("written_off", D("-45.00"))]
    assert services.voucher_cancel(actor=SYSTEM, voucher=two, reason="Customer pays").state == "cancelled"
    with pytest.raises(MoveNotAllowed):
        claims.claim_write_off(actor=SYSTEM, voucher=two, reason="again")


def test_what_is_claimed_is_not_put_back(redeemed, submit):
    voucher = redeemed("V-1")
    submit()
    with pytest.raises(NotRedeemedHere):
        services.voucher_put_back(actor=SYSTEM, voucher=voucher, document="orders/V-1")


def test_a_value_changed_for_days_gone_by_is_claimed_and_no_invoice_altered(redeemed, grant, submit, value):
    """Issued before the new first day: face value kept. Issued after it: the difference is claimed."""
    early, late = redeemed("V-1", issued_on=dt.date(2026, 1, 31)), redeemed("V-2")
    submit()
    claims.claim_paid(actor=SYSTEM, voucher=late, paid_on=PAID_ON)
    before = till_side(early), till_side(late)
    new = value("A", "47.50", valid_from=dt.date(2026, 2, 1), published_on=dt.date(2026, 3, 1))
    made = claims.claim_adjustments_make(actor=SYSTEM, value=new)
    assert [(a.voucher_id, a.cause, a.amount, a.state) for a in made] == [(late.id, "value_changed", D("2.50"), "open")]
    assert claims.claim_adjustments_make(actor=SYSTEM, value=new) == []
    assert (till_side(early), till_side(late)) == before
    assert (early.state, late.state) == ("submitted", "adjusted")
    claim = submit()
    assert (claim.voucher_count, claim.adjustment_count, claim.total) == (0, 1, D("2.50"))
    settled = claims.adjustment_settle(actor=SYSTEM, adjustment=made[0])
    assert (settled.state, settled.claim_id) == ("settled", claim.id)
    with pytest.raises(MoveNotAllowed):
        claims.adjustment_settle(actor=SYSTEM, adjustment=settled)


def test_a_change_before_the_claim_goes_along_with_it(redeemed, submit, value):
    voucher = redeemed("V-1")
    new = value("A", "44.00", valid_from=dt.date(2026, 2, 1))
    assert claims.claim_adjustments_make(actor=SYSTEM, value=new) == []
    claim = submit()
    assert (claim.voucher_count, claim.adjustment_count, claim.total) == (1, 1, D("44.00"))
    paid = claims.claim_paid(actor=SYSTEM, voucher=voucher, paid_on=PAID_ON)
    assert paid.state == "adjusted"
    assert OutboxEvent.objects.get(type="prices.claim_paid").data["claimed"] == "44.00"
    assert [a.state for a in adjustments()] == ["settled"]


def test_a_raised_value_is_claimed_up_to_the_price_only(redeemed, submit, value):
    voucher = redeemed("V-1", due="46.00")
    submit()
    new = value("A", "60.00", valid_from=dt.date(2026, 2, 1))
    assert [a.amount for a in claims.claim_adjustments_make(actor=SYSTEM, value=new)] == [D("1.00")]
    assert till_side(voucher)[2] == D("45.00")


def test_a_second_change_adjusts_the_difference_to_the_first(redeemed, submit, value):
    redeemed("V-1")
    submit()
    for published, amount in ((1, "50.00"), (2, "48.00")):
        new = value("A", amount, valid_from=dt.date(2026, 2, 1), published_on=dt.date(2026, 3, published))
        claims.claim_adjustments_make(actor=SYSTEM, value=new)
    assert [(a.sequence, a.amount) for a in adjustments()] == [(1, D("5.00")), (2, D("-2.00"))]


def test_a_voucher_whose_value_was_withdrawn_is_claimed_as_it_was(redeemed, submit):
    redeemed("V-1")
    services.scheme_value_withdraw(actor=SYSTEM, value=SchemeValue.objects.get(), reason="typed wrongly")
    assert submit().total == D("45.00")


def test_an_adjustment_of_a_rejected_claim_goes_again_with_the_voucher(redeemed, submit, value):
    voucher = redeemed("V-1")
    value("A", "50.00", valid_from=dt.date(2026, 2, 1))
    assert submit().total == D("50.00")
    claims.claim_rejected(actor=SYSTEM, voucher=voucher, rejected_on=PAID_ON, reason="No signature")
    with pytest.raises(NothingToClaim):
        submit()
    assert submit([voucher]).total == D("50.00")


def test_a_claim_is_paid_whole_save_what_was_rejected(redeemed, submit, value):
    one, two = redeemed("V-1"), redeemed("V-2")
    claim = submit()
    claims.claim_rejected(actor=SYSTEM, voucher=one, rejected_on=PAID_ON, reason="No signature")
    assert claims.claims_paid(actor=SYSTEM, claim=claim, paid_on=PAID_ON) == (1, 0)
    two.refresh_from_db()
    assert two.state == "paid"
    with pytest.raises(NothingToClaim):
        claims.claims_paid(actor=SYSTEM, claim=claim, paid_on=PAID_ON)
    new = value("A", "50.00", valid_from=dt.date(2026, 2, 1))
    claims.claim_adjustments_make(actor=SYSTEM, value=new)
    assert claims.claims_paid(actor=SYSTEM, claim=submit(), paid_on=PAID_ON) == (0, 1)


def test_who_may_claim(redeemed, submit, clerk, manager, bookkeeper, outsider):
    from opticshop.core.errors import Forbidden

    redeemed("V-1")
    with pytest.raises(Forbidden):
        submit(actor=actor_for(clerk))
    with pytest.raises(NotFound):
        submit(actor=actor_for(outsider))
    assert submit(actor=actor_for(bookkeeper)).submitted_by_id == bookkeeper.id


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(due=st.integers(1, 20_000), old=st.integers(1, 20_000), news=st.lists(st.integers(0, 20_000), max_size=3))
def test_what_the_scheme_is_asked_for_is_never_more_than_the_price(mill, grant, value, submit, due, old, news):
    """Whatever the values become: till and adjustments together are the newest value or the price, the less of both."""
    from django.db import transaction

    with transaction.atomic():
        first = dt.date(2026, 1, 1)
        value("A", str(D(old) / 100))
        voucher, price = grant("V-1"), D(due) / 100
        amount = services.voucher_redeem(actor=SYSTEM, voucher=voucher, order_total_due=price, document="orders/1")
        assert amount == min(price, D(old) / 100)
        submit()
        for day, new in enumerate(news, start=1):
            entered = value("A", str(D(new) / 100), valid_from=first, published_on=first + dt.timedelta(day))
            claims.claim_adjustments_make(actor=SYSTEM, value=entered)
        asked = amount + sum((a.amount for a in adjustments()), D(0))
        assert asked == min(price, D(([old, *news])[-1]) / 100) <= price
        assert till_side(SchemeVoucher.objects.everywhere("test").get())[1:3] == (price, amount)
        transaction.set_rollback(True)
