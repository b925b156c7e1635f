"""Granting a voucher, paying with it, putting it back. Amounts are the historic examples or invented."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal as D

import pytest
from django.db import IntegrityError, transaction

from opticshop.accounts.access import actor_for
from opticshop.core.actor import system
from opticshop.core.errors import MoveNotAllowed
from opticshop.core.models import OutboxEvent
from opticshop.prices import vouchers_problems as problems
from opticshop.prices import vouchers_services as services
from opticshop.prices.bands import Power
from opticshop.prices.models import SchemeValue, SchemeVoucher
from opticshop.prices.scheme_values import EXAMPLES
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
SYSTEM = system("test")


def types():
    return [event.type for event in OutboxEvent.objects.order_by("id")]


def test_a_voucher_is_granted_with_what_was_seen_and_by_whom(grant, clerk):
    voucher = grant(actor=actor_for(clerk))
    assert (voucher.band, voucher.face_value, voucher.currency) == ("A", D("45.00"), "GBP")
    assert (voucher.evidence, voucher.evidence_seen_by_id) == ("award_letter", clerk.id)
    assert voucher.state == SchemeVoucher.State.ISSUED
    told = OutboxEvent.objects.get(type="prices.voucher_granted").data
    assert told["amount"] == "45.00"
    assert not {"band", "eligibility", "evidence", "powers"} & told.keys()


def test_supplements_are_added_for_each_lens(grant, value):
    value("prism", "12.60", kind="supplement")
    voucher = grant(supplements={"prism": 2})
    assert voucher.face_value == D("70.20")
    assert voucher.supplements == [{"code": "prism", "quantity": 2, "amount": "25.20"}]


def test_the_face_value_is_the_one_in_force_on_the_day_of_issue_and_stays(grant, value):
    value("A", "45.00")
    value("A", "50.00", valid_from=dt.date(2026, 2, 25))
    before, after = grant("V-1", issued_on=dt.date(2026, 2, 24)), grant("V-2", issued_on=dt.date(2026, 2, 25))
    assert (before.face_value, after.face_value) == (D("45.00"), D("50.00"))
    value("A", "60.00", valid_from=dt.date(2026, 2, 1), published_on=dt.date(2026, 3, 1))
    before.refresh_from_db()
    assert before.face_value == D("45.00")


def test_of_two_publications_for_the_same_first_day_the_later_counts(grant, value):
    value("A", "45.00", published_on=dt.date(2025, 12, 1))
    value("A", "46.00", published_on=dt.date(2026, 2, 1))
    assert grant().face_value == D("46.00")


def test_a_withdrawn_value_counts_no_more(grant, value):
    wrong = value("A", "450.00", published_on=dt.date(2026, 2, 1))
    value("A", "45.00")
    services.scheme_value_withdraw(actor=SYSTEM, value=wrong, reason="typed wrongly")
    assert grant().face_value == D("45.00")
    with pytest.raises(problems.SchemeValueWithdrawn):
        services.scheme_value_withdraw(actor=SYSTEM, value=wrong, reason="again")


def test_the_examples_hold_what_was_read_and_nothing_of_2026():
    """Amounts: published historic voucher values (2014; about 2019 to 2022; April 2024), as read in 2026."""
    assert services.scheme_examples_load(actor=SYSTEM) == len(EXAMPLES) == 14
    assert services.scheme_examples_load(actor=SYSTEM) == 0
    amounts = {(row.code, row.valid_from.year): row.amount for row in SchemeValue.objects.all()}
    assert amounts["A", 2014] == D("38.30")
    assert [amounts[code, 2019] for code in "ABCDEFGH"] == [
        D(text) for text in ("39.10", "59.30", "86.90", "196.00", "67.50", "85.60", "111.20", "215.50")
    ]
    assert {code: amount for (code, year), amount in amounts.items() if year == 2024} == {
        "A": D("42.40"),
        "E": D("73.10"),
        "H": D("233.56"),
        "I": D("217.58"),
    }
    assert all(row.valid_to < dt.date(2026, 1, 1) for row in SchemeValue.objects.all())
    assert all(row.confidence and row.source for row in SchemeValue.objects.all())


def test_an_example_may_be_rested_on_with_a_warning_and_nothing_is_guessed(grant):
    services.scheme_examples_load(actor=SYSTEM)
    old = grant("V-1", issued_on=dt.date(2025, 6, 1))
    assert old.face_value == D("42.40")
    assert "is an example" in old.warnings[0]
    with pytest.raises(problems.NoValueInForce) as refusal:
        grant("V-2", eyes={"right": Power(D("-7.00"))})
    assert refusal.value.extra["missing"] == "B"


def test_a_doubtful_band_is_warned_of_and_settled_by_the_form(grant, value):
    value("B", "60.00")
    value("C", "90.00")
    ten = {"right": Power(D("-10.00"))}
    lower = grant("V-1", eyes=ten)
    assert (lower.band, len(lower.warnings)) == ("B", 1)
    assert grant("V-2", eyes=ten, band="C").band == "C"
    with pytest.raises(problems.BandNotSupported) as refusal:
        grant("V-3", eyes=ten, band="D")
    assert refusal.value.allowed == ["B", "C"]


def test_hospital_bands_are_stated_on_the_form(grant, value):
    value("I", "217.58")
    assert grant("V-1", eyes={}, band="I").face_value == D("217.58")
    with pytest.raises(problems.BandNeedsPowers):
        grant("V-2", eyes={}, band="A")


@pytest.mark.parametrize(
    ("born", "ground", "fits"),
    [
        (dt.date(2010, 2, 21), "under_16", True),  # 15, the day before turning 16
        (dt.date(2010, 2, 20), "under_16", False),  # 16 today
        (dt.date(2010, 2, 20), "student", True),
        (dt.date(2007, 2, 21), "student", True),  # 18
        (dt.date(2007, 2, 20), "student", False),  # 19
        (None, "under_16", True),
        (dt.date(1960, 1, 1), "benefit", True),
    ],
)
def test_a_ground_that_hangs_on_age_fits_the_age_on_the_day_of_issue(grant, mill, born, ground, fits):
    """Ages as in the public wording: under 16; 16 to 18 in full-time education."""
    customer = CustomerFactory(branch=mill, birth_date=born)
    if fits:
        assert grant(customer=customer, eligibility=ground).eligibility == ground
    else:
        with pytest.raises(problems.NotEntitledByAge):
            grant(customer=customer, eligibility=ground)


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        ({"scheme": "other"}, problems.SchemeUnknown),
        ({"nation": "FR"}, problems.SchemeUnknown),
        ({"eligibility": "rich"}, problems.SchemeUnknown),
        ({"evidence": "photocopy"}, problems.SchemeUnknown),
        ({"supplements": {"gold": 1}}, problems.SchemeUnknown),
        ({"supplements": {"small_frame": 2}}, problems.SchemeUnknown),
        ({"supplements": {"small_frame": 1}}, problems.NoValueInForce),
        ({"issued_on": dt.date(2026, 3, 3)}, problems.VoucherDayUnsound),
        ({"use_by": dt.date(2026, 2, 19)}, problems.VoucherDayUnsound),
    ],
)
def test_what_the_scheme_does_not_know_is_refused(grant, more, problem):
    with pytest.raises(problem):
        grant(**more)
    assert not SchemeVoucher.objects.everywhere("test").exists()
    assert "prices.voucher_granted" not in types()


def test_a_reference_is_recorded_once_in_a_scheme(grant):
    grant("v-1")
    with pytest.raises(problems.VoucherReferenceTaken):
        grant(" V-1 ")


@pytest.mark.parametrize(("due", "paid"), [("220.00", "45.00"), ("45.00", "45.00"), ("30.01", "30.01")])
def test_it_pays_its_face_value_or_what_is_due_and_no_more(grant, due, paid):
    voucher = grant()
    amount = services.voucher_redeem(actor=SYSTEM, voucher=voucher, order_total_due=D(due), document="orders/1")
    assert amount == voucher.redeemed_amount == D(paid)
    assert (voucher.state, voucher.document, voucher.price) == ("redeemed", "orders/1", D(due))
    told = OutboxEvent.objects.get(type="prices.voucher_redeemed").data
    assert (told["amount"], told["document"]) == (paid, "orders/1")


def test_it_pays_once(grant):
    voucher, stale = grant(), SchemeVoucher.objects.everywhere("test").get()
    services.voucher_redeem(actor=SYSTEM, voucher=voucher, order_total_due=D(50), document="orders/1")
    with pytest.raises(problems.VoucherNotOpen):
        services.voucher_redeem(actor=SYSTEM, voucher=stale, order_total_due=D(50), document="orders/2")
    assert types().count("prices.voucher_redeemed") == 1


def test_it_pays_nothing_where_nothing_is_due_for_others_or_after_its_last_day(grant):
    voucher = grant(use_by=dt.date(2026, 3, 1))
    redeem = {"actor": SYSTEM, "voucher": voucher, "document": "orders/1"}
    with pytest.raises(problems.NothingDue):
        services.voucher_redeem(**redeem, order_total_due=D("0.00"))
    with pytest.raises(problems.VoucherOfAnother):
        services.voucher_redeem(**redeem, order_total_due=D(50), customer_id=CustomerFactory().id)
    with pytest.raises(problems.VoucherNotOpen, match="last day was 2026-03-01"):
        services.voucher_redeem(**redeem, order_total_due=D(50), customer_id=voucher.customer_id)


def test_put_back_it_is_whole_again(grant):
    voucher = grant()
    services.voucher_redeem(actor=SYSTEM, voucher=voucher, order_total_due=D(30), document="orders/1")
    with pytest.raises(problems.NotRedeemedHere):
        services.voucher_put_back(actor=SYSTEM, voucher=voucher, document="orders/2")
    services.voucher_put_back(actor=SYSTEM, voucher=voucher, document="orders/1")
    assert (voucher.state, voucher.document, voucher.redeemed_amount) == ("issued", "", None)
    assert OutboxEvent.objects.get(type="prices.voucher_put_back").data["amount"] == "30.00"
    with pytest.raises(problems.NotRedeemedHere):
        services.voucher_put_back(actor=SYSTEM, voucher=voucher, document="orders/1")
    assert services.voucher_redeem(actor=SYSTEM, voucher=voucher, order_total_due=D(100), document="orders/2") == D(
        "45.00"
    )


def test_a_cancelled_voucher_pays_nothing_and_a_redeemed_one_is_not_cancelled(grant):
    voucher, other = grant("V-1"), grant("V-2")
    services.voucher_cancel(actor=SYSTEM, voucher=voucher, reason="issued twice")
    assert (voucher.state, voucher.reason) == ("cancelled", "issued twice")
    with pytest.raises(problems.VoucherNotOpen):
        services.voucher_redeem(actor=SYSTEM, voucher=voucher, order_total_due=D(50), document="orders/1")
    services.voucher_redeem(actor=SYSTEM, voucher=other, order_total_due=D(50), document="orders/1")
    with pytest.raises(MoveNotAllowed):
        services.voucher_cancel(actor=SYSTEM, voucher=other, reason="too late")


@pytest.mark.parametrize(
    "changes",
    [
        {"redeemed_amount": D("45.01")},  # more than its face value
        {"price": D("44.99")},  # more than the price
        {"document": ""},
        {"state": "submitted"},  # with no claim
    ],
)
def test_the_database_itself_refuses_more_than_the_price(grant, changes):
    voucher = grant()
    services.voucher_redeem(actor=SYSTEM, voucher=voucher, order_total_due=D(50), document="orders/1")
    with pytest.raises(IntegrityError), transaction.atomic():
        SchemeVoucher.objects.everywhere("test").filter(id=voucher.id).update(**changes)
