"""Scheme values, vouchers and claims through the API: who may do and see what, where, at what cost. All invented."""

from __future__ import annotations

from decimal import Decimal as D
from io import StringIO

import pytest
from django.core.management import call_command

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer
from opticshop.prices import vouchers_services as services
from opticshop.prices.models import SchemeClaim, SchemeValue, SchemeVoucher
from tests.factories import CustomerFactory, PrescriptionFactory

from .conftest import SCHEME

pytestmark = pytest.mark.django_db
V1 = "/api/v1/"
VALUES, VOUCHERS, CLAIMS = f"{V1}scheme-values/", f"{V1}scheme-vouchers/", f"{V1}scheme-claims/"
ADJUSTMENTS = f"{V1}claim-adjustments/"
VALUE = {
    "scheme": SCHEME,
    "nation": "ENG",
    "kind": "band",
    "code": "A",
    "amount": "45.00",
    "valid_from": "2026-01-01",
    "published_on": "2025-12-01",
    "source": "invented for tests",
    "confidence": "test data",
}
POWERS = {"right": {"sphere": "-2.00", "cylinder": "-0.50"}, "left": {"sphere": "-1.75"}}


@pytest.fixture
def body(mill):
    return {
        "branch": str(mill.id),
        "customer": str(CustomerFactory(branch=mill, birth_date="2014-05-01").id),
        "scheme": SCHEME,
        "nation": "ENG",
        "reference": "V-1",
        "issued_on": "2026-02-20",
        "eligibility": "under_16",
        "evidence": "identity_document",
        **POWERS,
    }


def test_the_rules_of_a_scheme_are_data_with_source_and_confidence(api, clerk):
    (scheme,) = api(clerk).get(f"{V1}schemes/").json()
    assert (scheme["key"], scheme["single_vision"], scheme["multifocal"]) == (SCHEME, list("ABCD"), list("EFGH"))
    facts = [*scheme["supplements"], *scheme["grounds"], *scheme["evidence"]]
    assert facts
    assert all(fact["source"] and fact["confidence"] for fact in facts)


def test_the_prescription_is_the_customers_own(api, clerk, head_office, body):
    assert api(head_office).post(VALUES, VALUE).status_code == 201
    own = PrescriptionFactory(customer=Customer.objects.everywhere("test").get(id=body["customer"]))
    anothers = PrescriptionFactory(customer__branch=own.branch)
    refused = api(clerk).post(VOUCHERS, {**body, "prescription": str(anothers.id)})
    assert (refused.status_code, refused.json()["code"]) == (422, "prices.prescription_of_another")
    granted = api(clerk).post(VOUCHERS, {**body, "prescription": str(own.id)})
    assert granted.status_code == 201, granted.json()
    assert granted.json()["entitlement"]["prescription"] == str(own.id)


def test_head_office_enters_and_withdraws_a_value(api, head_office, manager):
    made = api(head_office).post(VALUES, VALUE)
    assert made.status_code == 201, made.json()
    assert (made.json()["is_example"], made.json()["entered_by"]) == (False, str(head_office.id))
    assert api(head_office).post(VALUES, VALUE).json()["code"] == "prices.scheme_value_there"
    address = f"{VALUES}{made.json()['id']}/"
    assert api(manager).get(address).status_code == 200
    gone = api(head_office).post(f"{address}withdraw/", {"reason": "typed wrongly"})
    assert gone.json()["withdrawn_reason"] == "typed wrongly"
    assert api(head_office).post(f"{address}withdraw/", {"reason": "x"}).status_code == 409
    assert api(head_office).post(VALUES, VALUE).status_code == 201
    told = list(OutboxEvent.objects.order_by("id").values_list("type", flat=True))
    assert told == ["prices.scheme_value_added", "prices.scheme_value_withdrawn", "prices.scheme_value_added"]


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"scheme": "other"}, "prices.scheme_unknown"),
        ({"nation": "FR"}, "prices.scheme_unknown"),
        ({"code": "Z"}, "prices.scheme_unknown"),
        ({"kind": "supplement"}, "prices.scheme_unknown"),
        ({"valid_to": "2025-12-31"}, "prices.scheme_value_unsound"),
        ({"amount": "-1.00"}, "core.malformed"),
        ({"source": ""}, "core.malformed"),
    ],
)
def test_a_value_that_is_none_is_refused(api, head_office, changes, code):
    answer = api(head_office).post(VALUES, VALUE | changes)
    assert answer.json()["code"] == code
    assert not SchemeValue.objects.exists()
    assert not OutboxEvent.objects.exists()


@pytest.mark.parametrize("role", ["clerk", "manager", "hand", "bookkeeper"])
def test_others_may_read_values_but_not_enter_them(api, request, value, role):
    client, entered = api(request.getfixturevalue(role)), value()
    assert len(client.get(f"{VALUES}?on=2026-02-01&nation=ENG&code=A&kind=band").json()["results"]) == 1
    assert client.get(f"{VALUES}?on=2025-12-31").json()["results"] == []
    assert client.post(VALUES, VALUE).status_code == 403
    assert client.post(f"{VALUES}{entered.id}/withdraw/", {"reason": "no"}).status_code == 403
    assert client.post(f"{VALUES}{entered.id}/adjust/").status_code == 403


def test_the_examples_are_loaded_by_a_command():
    said = StringIO()
    call_command("scheme_values_load", stdout=said)
    assert said.getvalue().startswith("14 example values entered")
    call_command("scheme_values_load", stdout=said)
    assert SchemeValue.objects.filter(is_example=True).count() == 14


def test_the_band_of_a_pair_and_what_it_covers(api, clerk, value):
    value("A", "45.00")
    value("prism", "12.60", kind="supplement")
    asked = {"scheme": SCHEME, "nation": "ENG", **POWERS, "supplements": [{"code": "prism", "quantity": 2}]}
    answer = api(clerk).post(f"{VOUCHERS}band/", asked).json()
    assert (answer["band"], answer["decided_by"], answer["is_doubtful"]) == ("A", "right", False)
    assert answer["possible"] == [{"band": "A", "face_value": "70.20", "missing": ""}]
    doubtful = {"scheme": SCHEME, "nation": "ENG", "left": {"sphere": "10.00"}, "is_multifocal": True}
    answer = api(clerk).post(f"{VOUCHERS}band/", doubtful).json()
    assert (answer["band"], answer["is_doubtful"], answer["decided_by"]) == ("F", True, "left")
    assert [found["band"] for found in answer["possible"]] == ["F", "G"]
    assert all(found["face_value"] is None and "No value of band" in found["missing"] for found in answer["possible"])
    assert answer["warnings"]
    assert not SchemeVoucher.objects.everywhere("test").exists()


@pytest.mark.parametrize(
    ("asked", "status", "code"),
    [
        ({}, 422, "prices.band_needs_powers"),
        ({"right": {"sphere": "40.25"}}, 400, "core.malformed"),
        ({"right": {"sphere": "1e1"}}, 400, "core.malformed"),
        ({"right": {"cylinder": "1.00"}}, 400, "core.malformed"),
        (POWERS | {"supplements": [{"code": "prism"}, {"code": "prism"}]}, 400, "core.malformed"),
        (POWERS | {"supplements": [{"code": "gold"}]}, 422, "prices.scheme_unknown"),
        (POWERS | {"nation": "XX"}, 422, "prices.scheme_unknown"),
    ],
)
def test_what_has_no_band_is_refused(api, clerk, asked, status, code):
    answer = api(clerk).post(f"{VOUCHERS}band/", {"scheme": SCHEME, "nation": "ENG"} | asked)
    assert (answer.status_code, answer.json()["code"]) == (status, code)


def test_the_counter_grants_and_sees_why(api, clerk, body, value):
    value()
    answer = api(clerk).post(VOUCHERS, body)
    assert answer.status_code == 201, answer.json()
    voucher = answer.json()
    assert (voucher["face_value"], voucher["state"], voucher["reference"]) == ("45.00", "issued", "V-1")
    entitlement = voucher["entitlement"]
    assert (entitlement["band"], entitlement["eligibility"]) == ("A", "under_16")
    assert (entitlement["evidence"], entitlement["evidence_seen_by"]) == ("identity_document", str(clerk.id))
    assert entitlement["powers"]["right"] == {"sphere": "-2.00", "cylinder": "-0.50"}
    assert api(clerk).post(VOUCHERS, body).json()["code"] == "prices.voucher_reference_taken"
    cancelled = api(clerk).post(f"{VOUCHERS}{voucher['id']}/cancel/", {"reason": "Issued twice"})
    assert cancelled.json()["state"] == "cancelled"


def test_without_a_nation_the_branch_says_it(api, clerk, body, value, mill):
    value()
    del body["nation"]
    assert api(clerk).post(VOUCHERS, body).json()["code"] == "prices.scheme_unknown"
    mill.subdivision = "ENG"
    mill.save()
    assert api(clerk).post(VOUCHERS, body).json()["nation"] == "ENG"


def test_a_key_sent_twice_grants_once(api, clerk, body, value):
    value()
    key = {"Idempotency-Key": "grant-1"}
    first, second = (api(clerk).post(VOUCHERS, body, headers=key) for _ in range(2))
    assert first.json() == second.json()
    assert SchemeVoucher.objects.everywhere("test").count() == 1


@pytest.mark.parametrize("role", ["hand", "bookkeeper"])
def test_who_grants_nothing_is_refused(api, request, body, value, role):
    value()
    client = api(request.getfixturevalue(role))
    assert client.post(VOUCHERS, body).status_code == 403
    assert client.post(f"{VOUCHERS}band/", {"scheme": SCHEME, "nation": "ENG", **POWERS}).status_code == 403
    assert not SchemeVoucher.objects.everywhere("test").exists()


def test_a_branch_or_customer_of_others_is_not_there(api, outsider, body, value, quay):
    value()
    assert api(outsider).post(VOUCHERS, body).status_code == 404
    assert api(outsider).post(VOUCHERS, body | {"branch": str(quay.id)}).status_code == 404
    assert not SchemeVoucher.objects.everywhere("test").exists()


def test_the_bookkeeper_sees_amounts_and_not_why(api, bookkeeper, clerk, redeemed):
    voucher = redeemed("V-1")
    seen = api(bookkeeper).get(f"{VOUCHERS}{voucher.id}/").json()
    assert (seen["face_value"], seen["redeemed_amount"], seen["entitlement"]) == ("45.00", "45.00", None)
    listed = api(bookkeeper).get(VOUCHERS)
    assert listed.json()["results"] == [seen]
    for word in ("award_letter", "benefit", "sphere", '"band"'):
        assert word not in listed.content.decode()
        assert word in api(clerk).get(VOUCHERS).content.decode()


def test_events_never_say_why(redeemed, api, manager, mill):
    voucher = redeemed("V-1")
    api(manager).post(CLAIMS, {"branch": str(mill.id), "scheme": SCHEME, "nation": "ENG"}, **key("a"))
    api(manager).post(f"{VOUCHERS}{voucher.id}/rejected/", {"rejected_on": "2026-03-02", "reason": "No signature"})
    told = OutboxEvent.objects.filter(type__startswith="prices.").exclude(type="prices.scheme_value_added")
    assert told.count() == 4
    for event in told:
        assert not {"band", "eligibility", "evidence", "powers", "supplements"} & event.data.keys()


def key(text):
    return {"headers": {"Idempotency-Key": text}}


def test_vouchers_and_claims_of_another_branch_are_not_there(api, outsider, hand, manager, redeemed, mill, quay):
    """Twins: the same in both branches; each sees its own."""
    ours, theirs = redeemed("V-1"), redeemed("V-2", branch=quay)
    assert [row["id"] for row in api(outsider).get(VOUCHERS).json()["results"]] == [str(theirs.id)]
    assert [row["id"] for row in api(manager).get(VOUCHERS).json()["results"]] == [str(ours.id)]
    assert api(hand).get(VOUCHERS).status_code == 403, "that somebody has a voucher is not the workshop's business"
    assert api(hand).get(f"{VOUCHERS}{ours.id}/").status_code == 403
    for verb, sent in (
        ("cancel", {"reason": "x"}),
        ("paid", {"paid_on": "2026-03-02"}),
        ("rejected", {"rejected_on": "2026-03-02", "reason": "x"}),
        ("write-off", {"reason": "x"}),
    ):
        assert api(outsider).post(f"{VOUCHERS}{ours.id}/{verb}/", sent).status_code == 404, verb
    submit = {"branch": str(mill.id), "scheme": SCHEME, "nation": "ENG"}
    assert api(outsider).post(CLAIMS, submit, **key("a")).status_code == 404
    claim = api(manager).post(CLAIMS, submit, **key("b")).json()
    assert api(outsider).get(f"{CLAIMS}{claim['id']}/").status_code == 404
    assert api(outsider).post(f"{CLAIMS}{claim['id']}/paid/", {"paid_on": "2026-03-02"}).status_code == 404
    assert api(outsider).get(CLAIMS).json()["results"] == []


def test_a_claim_from_the_counter_to_the_bookkeeper(
    api, clerk, manager, bookkeeper, head_office, redeemed, mill, value
):
    one, two, three = redeemed("V-1"), redeemed("V-2"), redeemed("V-3")
    submit = {"branch": str(mill.id), "scheme": SCHEME, "nation": "ENG"}
    assert api(clerk).post(CLAIMS, submit, **key("no")).status_code == 403
    assert api(manager).post(CLAIMS, submit).json()["code"] == "core.idempotency_key_missing"
    claim = api(manager).post(CLAIMS, submit, **key("a"))
    assert claim.status_code == 201, claim.json()
    assert api(manager).post(CLAIMS, submit, **key("a")).json() == claim.json()
    assert (claim.json()["voucher_count"], claim.json()["total"]) == (3, "135.00")
    found = api(bookkeeper).get(f"{VOUCHERS}?claim={claim.json()['id']}&state=submitted&state=paid").json()["results"]
    assert len(found) == 3
    books = api(bookkeeper)
    paid = books.post(f"{VOUCHERS}{one.id}/paid/", {"paid_on": "2026-03-02", "amount": "40.00"}).json()
    assert (paid["state"], paid["redeemed_amount"]) == ("adjusted", "45.00")
    rejected = books.post(f"{VOUCHERS}{two.id}/rejected/", {"rejected_on": "2026-03-02", "reason": "No signature"})
    assert rejected.json()["state"] == "rejected"
    assert books.post(f"{VOUCHERS}{two.id}/write-off/", {"reason": "Let go"}).json()["state"] == "adjusted"
    settled = books.post(f"{CLAIMS}{claim.json()['id']}/paid/", {"paid_on": "2026-03-02", "payer_reference": "P-1"})
    assert settled.json() == {"vouchers": 1, "adjustments": 0}
    entered = value("A", "47.00", valid_from="2026-02-01", published_on="2026-03-01")
    made = api(head_office).post(f"{VALUES}{entered.id}/adjust/").json()
    assert made == {"made": 2, "total": "4.00", "currency": "GBP"}
    assert api(head_office).post(f"{VALUES}{entered.id}/adjust/").json()["made"] == 0
    open_ones = books.get(f"{ADJUSTMENTS}?is_open=true").json()["results"]
    assert {(row["voucher"], row["amount"]) for row in open_ones} == {(str(one.id), "2.00"), (str(three.id), "2.00")}
    second = api(manager).post(CLAIMS, submit, **key("b")).json()
    assert (second["voucher_count"], second["adjustment_count"], second["total"]) == (0, 2, "4.00")
    assert books.post(f"{ADJUSTMENTS}{open_ones[0]['id']}/settle/").json()["state"] == "settled"
    assert books.post(f"{ADJUSTMENTS}{open_ones[0]['id']}/settle/").status_code == 409
    assert books.get(f"{ADJUSTMENTS}{open_ones[1]['id']}/").json()["state"] == "submitted"
    assert [row["cause"] for row in books.get(f"{ADJUSTMENTS}?voucher={two.id}").json()["results"]] == ["written_off"]
    assert SchemeClaim.objects.everywhere("test").count() == 2


@pytest.mark.parametrize(
    ("where", "asked"),
    [(VOUCHERS, "state=lost"), (VOUCHERS, "customer=x"), (VALUES, "on=soon"), (ADJUSTMENTS, "is_open=maybe")],
)
def test_a_filter_that_makes_no_sense_is_refused(api, manager, where, asked):
    assert api(manager).get(f"{where}?{asked}").status_code == 400


def test_lists_cost_the_same_however_long(api, clerk, bookkeeper, manager, redeemed, mill, queries, value):
    submit = {"branch": str(mill.id), "scheme": SCHEME, "nation": "ENG"}
    redeemed("V-0")
    api(manager).post(CLAIMS, submit, **key("0"))
    addresses = [
        (clerk, VOUCHERS),
        (bookkeeper, VOUCHERS),
        (bookkeeper, CLAIMS),
        (bookkeeper, ADJUSTMENTS),
        (clerk, VALUES),
    ]

    def costs():
        return [queries(lambda user=user, at=at: api(user).get(at)) for user, at in addresses]

    few = costs()
    for number in range(1, 5):
        redeemed(f"V-{number}")
        api(manager).post(CLAIMS, submit, **key(str(number)))
        value("B", f"{number}.00", published_on=f"2026-01-0{number}")
    assert costs() == few
    assert max(few) <= 3 + 4, "four write down who read"


def test_payments_redeem_and_put_back_through_the_service(grant):
    """What billing calls; nothing of the kind is offered to the outside."""
    voucher, someone = grant("V-1"), system("till")
    amount = services.voucher_redeem(actor=someone, voucher=voucher, order_total_due=D("10.00"), document="orders/1")
    assert amount == D("10.00")
    assert services.voucher_put_back(actor=someone, voucher=voucher, document="orders/1").state == "issued"


def test_every_event_of_prices_is_declared_where_webhooks_look():
    """``integrations`` offers what the ``events`` module of an app names."""
    from opticshop.prices import events, lists_events, promotions_events, vouchers_events

    for part in (lists_events, promotions_events, vouchers_events):
        for name, value in vars(part).items():
            if name.isupper():
                assert getattr(events, name) == value
