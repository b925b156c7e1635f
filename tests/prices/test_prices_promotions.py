"""Promotions of the shop through the API and the services: terms, refusals, limits, giving back. All invented."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal as D

import pytest
from django.db import IntegrityError, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.prices import promotions_services as services
from opticshop.prices.models import Promotion, PromotionUse
from opticshop.prices.promotions_selectors import taken_off
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
SYSTEM = system("test")
URL = "/api/v1/promotions/"
BODY = {
    "code": "spring10",
    "name": "A tenth off (invented)",
    "kind": "percent",
    "amount": "10.00",
    "currency": "GBP",
    "valid_from": "2026-03-01",
}


@pytest.fixture
def offer(db):
    def make(code="SPRING10", kind="percent", amount="10.00", **terms):
        return services.promotion_create(
            actor=SYSTEM,
            code=code,
            name="Invented",
            kind=kind,
            amount=D(amount),
            currency=terms.pop("currency", "GBP"),
            **{"valid_from": dt.date(2026, 3, 1)} | terms,
        )

    return make


@pytest.fixture
def use(mill):
    def at_the_till(promotion, document="orders/1", total="220.00", **more):
        about = {"customer": more.pop("customer", None) or CustomerFactory(branch=mill), "is_complete_pair": True}
        return services.promotion_use(
            actor=SYSTEM, promotion=promotion, branch=mill, document=document, total=D(total), **about | more
        )

    return at_the_till


def reasons(refused):
    return [refusal["reason"] for refusal in refused.value.extra["refusals"]]


def test_head_office_offers_and_ends_a_promotion(api, head_office, clerk):
    made = api(head_office).post(URL, BODY)
    assert made.status_code == 201, made.json()
    assert (made.json()["code"], made.json()["branch"], made.json()["limit_used"]) == ("SPRING10", None, 0)
    address = f"{URL}{made.json()['id']}/"
    assert api(clerk).get(address).json() == made.json()
    ended = api(head_office).post(f"{address}end/", {"reason": "Sold out"})
    assert ended.status_code == 200
    assert ended.json()["end_reason"] == "Sold out"
    again = api(head_office).post(f"{address}end/", {"reason": "again"})
    assert (again.status_code, again.json()["code"]) == (409, "prices.promotion_ended")
    told = list(OutboxEvent.objects.order_by("id").values_list("type", flat=True))
    assert told == ["prices.promotion_created", "prices.promotion_ended"]


@pytest.mark.parametrize("role", ["clerk", "manager", "hand", "bookkeeper"])
def test_others_may_look_but_not_offer_or_end(api, request, offer, role):
    client, promotion = api(request.getfixturevalue(role)), offer()
    assert client.get(URL).status_code == 200
    assert client.post(URL, BODY).status_code == 403
    assert client.post(f"{URL}{promotion.id}/end/", {"reason": "no"}).status_code == 403
    assert Promotion.objects.get().ended_at is None
    assert api(None).get(URL).status_code == 401


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"amount": "0.00"}, "prices.promotion_terms_unsound"),
        ({"amount": "100.01"}, "prices.promotion_terms_unsound"),
        ({"valid_to": "2026-02-28"}, "prices.promotion_terms_unsound"),
        ({"kind": "fixed", "amount": "5.00", "currency": "JPY", "minimum_spend": "1"}, None),
        ({"kind": "fixed", "amount": "5.50", "currency": "JPY"}, "prices.promotion_terms_unsound"),
        ({"amount": "-1.00"}, "core.malformed"),
        ({"code": "a b"}, "core.malformed"),
        ({"use_limit": 0}, "core.malformed"),
        ({"colour": "red"}, "core.malformed"),
    ],
)
def test_terms_that_make_no_promotion_are_refused(api, head_office, changes, code):
    answer = api(head_office).post(URL, BODY | changes)
    if code is None:
        assert answer.status_code == 201, answer.json()
        return
    assert answer.json()["code"] == code
    assert not Promotion.objects.exists()
    assert not OutboxEvent.objects.exists()


def test_a_code_is_taken_whatever_its_capitals(api, head_office, offer):
    offer("SPRING10")
    answer = api(head_office).post(URL, BODY)
    assert (answer.status_code, answer.json()["code"]) == (409, "prices.promotion_code_taken")


def test_a_promotion_of_another_branch_is_not_there(api, offer, clerk, outsider, mill, quay):
    ours, theirs, groups = offer("OURS", branch=mill), offer("THEIRS", branch=quay), offer("ALL")

    def codes(user):
        return {row["code"] for row in api(user).get(URL).json()["results"]}

    assert codes(clerk) == {"OURS", "ALL"}
    assert codes(outsider) == {"THEIRS", "ALL"}
    assert api(clerk).get(f"{URL}{theirs.id}/").status_code == 404
    assert api(clerk).get(f"{URL}{groups.id}/").status_code == 200
    asked = {"code": "THEIRS", "branch": str(mill.id), "total": "100.00", "is_complete_pair": True}
    assert api(clerk).post(f"{URL}check/", asked).status_code == 404
    assert api(outsider).post(f"{URL}check/", asked | {"code": ours.code}).status_code == 404


def test_the_lists_can_be_narrowed(api, offer, use, clerk, mill):
    offer("OLD", valid_to=dt.date(2026, 3, 1))
    offer("NOW", branch=mill)
    services.promotion_end(actor=SYSTEM, promotion=offer("GONE"), reason="gone")
    offer("LATER", valid_from=dt.date(2026, 4, 1))

    def codes(query):
        return {row["code"] for row in api(clerk).get(f"{URL}?{query}").json()["results"]}

    assert codes("on=2026-03-02") == {"NOW"}
    assert codes("is_ended=true") == {"GONE"}
    assert codes(f"branch={mill.id}") == {"NOW"}
    assert codes("code=later") == {"LATER"}
    use("NOW", "orders/7")
    found = api(clerk).get("/api/v1/promotion-uses/?document=orders/7").json()["results"]
    assert [(row["code"], row["amount"], row["state"]) for row in found] == [("NOW", "22.00", "used")]


def test_lists_cost_the_same_however_long(api, offer, use, clerk, queries):
    use(offer("A1"), "orders/1")
    few = queries(lambda: api(clerk).get(URL)), queries(lambda: api(clerk).get("/api/v1/promotion-uses/"))
    for number in range(6):
        use(offer(f"B{number}"), f"orders/b{number}")
    many = queries(lambda: api(clerk).get(URL)), queries(lambda: api(clerk).get("/api/v1/promotion-uses/"))
    assert many == few
    assert max(many) <= 3 + 4, "four write down who read"


def test_uses_of_another_branch_are_not_there(api, offer, use, outsider, bookkeeper):
    use(offer())
    assert api(outsider).get("/api/v1/promotion-uses/").json()["results"] == []
    assert len(api(bookkeeper).get("/api/v1/promotion-uses/").json()["results"]) == 1


def test_check_explains_what_it_takes_off(api, clerk, offer, mill):
    offer()
    asked = {"code": " spring10 ", "branch": str(mill.id), "total": "100.05", "is_complete_pair": False}
    answer = api(clerk).post(f"{URL}check/", asked).json()
    assert (answer["applies"], answer["discount"], answer["refusals"]) == (True, "10.01", [])
    assert not PromotionUse.objects.everywhere("test").exists()


def test_check_gives_every_reason_at_once(api, clerk, offer, use, mill):
    customer = CustomerFactory(branch=mill)
    offer(
        minimum_spend=D("100"),
        complete_pairs_only=True,
        once_per_customer=True,
        use_limit=1,
        valid_to=dt.date(2026, 3, 2),
    )
    use("SPRING10", customer=customer)
    asked = {
        "code": "SPRING10",
        "branch": str(mill.id),
        "customer": str(customer.id),
        "total": "99.99",
        "is_complete_pair": False,
        "on": "2026-03-03",
    }
    answer = api(clerk).post(f"{URL}check/", asked).json()
    assert [refusal["reason"] for refusal in answer["refusals"]] == [
        "over",
        "below_minimum",
        "pair_incomplete",
        "used_up",
        "used_by_customer",
    ]
    assert (answer["applies"], answer["discount"]) == (False, "0.00")


@pytest.mark.parametrize(
    ("terms", "how", "reason"),
    [
        ({"valid_from": dt.date(2026, 3, 3)}, {}, "not_begun"),
        ({"valid_to": dt.date(2026, 3, 1)}, {}, "over"),
        ({"minimum_spend": D("220.01")}, {}, "below_minimum"),
        ({"complete_pairs_only": True}, {"is_complete_pair": False}, "pair_incomplete"),
        ({"currency": "EUR"}, {}, "other_currency"),
        ({}, {"total": "0.00"}, "nothing_to_reduce"),
        ({}, {"total": "0.04"}, "nothing_to_reduce"),
    ],
)
def test_a_promotion_that_does_not_apply_is_not_used(offer, use, terms, how, reason):
    offer(**terms)
    with pytest.raises(services.PromotionNotApplicable) as refused:
        use("spring10", **how)
    assert reasons(refused) == [reason]
    assert not PromotionUse.objects.everywhere("test").exists()


def test_the_edges_of_days_and_minimum_belong_to_it(offer, use):
    promotion = offer(valid_from=dt.date(2026, 3, 2), valid_to=dt.date(2026, 3, 2), minimum_spend=D("220.00"))
    assert use(promotion).amount == D("22.00")


def test_an_ended_promotion_or_one_of_another_branch_is_refused(offer, use, quay):
    promotion = offer("GONE")
    services.promotion_end(actor=SYSTEM, promotion=promotion, reason="gone")
    with pytest.raises(services.PromotionNotApplicable, match="It was ended: gone") as refused:
        use("GONE")
    assert reasons(refused) == ["ended"]
    with pytest.raises(services.PromotionNotApplicable) as refused:
        use(offer("THEIRS", branch=quay))
    assert reasons(refused) == ["other_branch"]


def test_a_fixed_amount_is_never_more_than_the_price(offer, use):
    promotion = offer(kind="fixed", amount="50.00")
    assert use(promotion, "orders/1", "49.99").amount == D("49.99")
    assert use(promotion, "orders/2", "50.01").amount == D("50.00")


def test_once_per_customer_holds_until_it_is_given_back(offer, use, mill):
    promotion, customer = offer(once_per_customer=True), CustomerFactory(branch=mill)
    use(promotion, "orders/1", customer=customer)
    with pytest.raises(services.PromotionNotApplicable) as refused:
        use(promotion, "orders/2", customer=customer)
    assert reasons(refused) == ["used_by_customer"]
    use(promotion, "orders/3")  # somebody else
    assert services.promotion_give_back(actor=SYSTEM, document="orders/1") == 1
    assert use(promotion, "orders/2", customer=customer).amount == D("22.00")


def test_the_limit_holds_and_is_given_back(offer, use):
    promotion = offer(use_limit=2)
    use(promotion, "orders/1")
    use(promotion, "orders/2")
    promotion.refresh_from_db()
    assert promotion.limit_used == 2
    with pytest.raises(services.PromotionNotApplicable) as refused:
        use("SPRING10", "orders/3")
    assert reasons(refused) == ["used_up"]
    assert services.promotion_give_back(actor=SYSTEM, document="orders/1") == 1
    assert services.promotion_give_back(actor=SYSTEM, document="orders/1") == 0
    assert Promotion.objects.get().limit_used == 1
    use("SPRING10", "orders/3")
    told = list(OutboxEvent.objects.order_by("id").values_list("type", flat=True))
    assert told[1:] == ["prices.promotion_used"] * 2 + ["prices.promotion_given_back", "prices.promotion_used"]


def test_a_limit_reached_since_it_was_read_is_seen_by_the_update(offer, use):
    """The row as two tills read it: the second still believes that one is left."""
    offer(use_limit=1)
    stale = Promotion.objects.get()
    use("SPRING10", "orders/1")
    with pytest.raises(services.PromotionNotApplicable) as refused:
        use(stale, "orders/2")
    assert reasons(refused) == ["used_up"]
    assert PromotionUse.objects.everywhere("test").count() == 1


def test_promotions_combine_only_where_both_say_so(offer, use):
    use(offer("A1", combines=True), "orders/1")
    use(offer("A2", combines=True), "orders/1")
    alone = offer("ALONE")
    with pytest.raises(services.PromotionNotApplicable) as refused:
        use(alone, "orders/1")
    assert reasons(refused) == ["does_not_combine"]
    use(alone, "orders/2")
    with pytest.raises(services.PromotionNotApplicable) as refused:
        use("A1", "orders/2")
    assert reasons(refused) == ["does_not_combine"]
    with pytest.raises(services.PromotionNotApplicable) as refused:
        use("A1", "orders/1")
    assert reasons(refused) == ["used_on_document"]


def test_what_combines_never_takes_off_more_than_the_price(offer, use):
    assert use(offer("A1", kind="fixed", amount="80.00", combines=True)).amount == D("80.00")
    assert use(offer("A2", amount="50.00", combines=True), total="100.00", document="orders/1").amount == D("20.00")
    with pytest.raises(services.PromotionNotApplicable) as refused:
        use(offer("A3", amount="50.00", combines=True), total="100.00")
    assert reasons(refused) == ["nothing_to_reduce"]


@pytest.mark.parametrize("changes", [{"limit_used": 3}, {"amount": D("100.01")}, {"code": "low"}, {"use_limit": 0}])
def test_the_database_itself_holds_the_terms(offer, changes):
    promotion = offer(use_limit=2)
    with pytest.raises(IntegrityError), transaction.atomic():
        Promotion.objects.filter(id=promotion.id).update(**changes)


MONEY = st.integers(min_value=0, max_value=100_000).map(lambda pennies: D(pennies) / 100)
PERCENT = st.integers(min_value=1, max_value=10_000).map(lambda part: D(part) / 100)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(total=MONEY, worths=st.lists(st.one_of(MONEY.filter(bool), PERCENT), min_size=1, max_size=4), data=st.data())
def test_all_promotions_of_a_document_together_never_exceed_its_price(mill, total, worths, data):
    with transaction.atomic():
        customer, used = CustomerFactory(branch=mill), D(0)
        for number, worth in enumerate(worths):
            kind = data.draw(st.sampled_from(["fixed", "percent"])) if worth <= 100 else "fixed"
            promotion = Promotion.objects.create(
                code=f"P{number}",
                kind=kind,
                amount=worth,
                currency="GBP",
                valid_from=dt.date(2026, 1, 1),
                combines=True,
            )
            asked = {
                "actor": SYSTEM,
                "promotion": promotion,
                "branch": mill,
                "customer": customer,
                "document": "orders/any",
                "total": total,
                "is_complete_pair": True,
            }
            quote = services.promotion_quote(**asked)
            assert D(0) <= quote.discount <= total - used
            if quote.applies:
                used += services.promotion_use(**asked).amount
        assert used == taken_off("orders/any") <= total
        transaction.set_rollback(True)
