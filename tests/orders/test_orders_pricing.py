"""What an order costs and why: dated lists, treatments, price rules of plugins, promotions; frozen with its reasons."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.catalogue.models import ServiceItem
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.money import minor_unit
from opticshop.orders import services
from opticshop.orders.models import Order
from opticshop.orders.pricing import Priced, Reason, _adjusted, discounted
from opticshop.plugin_api import PluginManifest, PriceAdjustment, hookimpl
from opticshop.pluginhost.manager import host
from opticshop.pluginhost.services import plugin_activation_set
from opticshop.pluginhost.testing import using_plugins
from opticshop.prices.lists_services import Row, price_list_add
from opticshop.prices.promotions_models import PromotionUse
from opticshop.prices.promotions_services import promotion_create
from opticshop.stock.services import frame_item_ensure
from tests.orders.conftest import SYSTEM, receive

URL = "/api/v1/orders/"
TODAY = dt.date(2026, 3, 2)


def priced_list(world, *rows, branch=None, name="Spring (invented)"):
    return price_list_add(
        actor=SYSTEM,
        branch=branch,
        name=name,
        currency="GBP",
        valid_from=TODAY,
        rows=[Row(article, Decimal(price)) for article, price in rows],
    )


def treatment(price="12.00", sku="UV"):
    return ServiceItem.objects.create(sku=sku, name="Ultraviolet treatment (invented)", price=Decimal(price))


def promotion(**more):
    terms = {
        "code": "SPRING",
        "name": "Spring offer (invented)",
        "kind": "fixed",
        "amount": Decimal("20.00"),
        "currency": "GBP",
        "valid_from": TODAY,
        **more,
    }
    return promotion_create(actor=SYSTEM, **terms)


def more_stock(world, pairs=1):
    """Frames and lenses for so many more pairs."""
    receive(world.branch, frame_item_ensure(world.frame), pairs)
    world.stock_lens("-4.00", "-1.00", pairs), world.stock_lens("-4.50", "0.00", pairs)


def placed(api, user, world, **more):
    answer = api(user).post(URL, world.body(**more), format="json")
    assert answer.status_code == 201, answer.content
    return answer.json()


@pytest.mark.django_db
def test_without_a_list_the_catalogue_decides_and_says_so(api, clerk, world):
    order = placed(api, clerk, world)
    assert order["total"] == "220.00"
    assert order["lines"][0]["price_list"] is None
    assert order["lines"][0]["reasons"] == [
        {
            "kind": "catalogue",
            "source": "catalogue",
            "words": "Price of the catalogue",
            "amount": "95.00",
            "rule": "",
            "price_list": None,
            "valid_from": None,
        }
    ]


@pytest.mark.django_db
def test_the_lists_of_the_day_decide_and_are_named_on_the_lines(api, clerk, world):
    fee = ServiceItem.objects.get(is_dispensing=True)
    group = priced_list(world, (world.frame, "90.00"), (fee, "55.00"))
    own = priced_list(world, (world.frame, "80.00"), branch=world.branch, name="Mill (invented)")
    order = placed(api, clerk, world)
    frame, right, left, dispensing = order["lines"]
    assert [line["gross"] for line in order["lines"]] == ["80.00", "32.50", "32.50", "55.00"]
    assert (order["total"], order["tax_total"]) == ("200.00", "24.17")  # 80/6 = 13.33, 32.50/6 = 5.42 twice
    assert frame["price_list"] == frame["reasons"][0]["price_list"] == str(own.id)
    assert frame["reasons"][0]["words"] == "Mill (invented): price list of MILL from 2026-03-02"
    assert dispensing["reasons"][0]["words"] == "Spring (invented): price list of group from 2026-03-02"
    assert dispensing["price_list"] == str(group.id)
    assert right["reasons"][0]["kind"] == left["reasons"][0]["kind"] == "catalogue"
    # What a later list says changes nothing of it.
    price_list_add(
        actor=SYSTEM,
        branch=world.branch,
        name="Later (invented)",
        currency="GBP",
        valid_from=dt.date(2026, 3, 3),
        rows=[Row(world.frame, Decimal("10.00"))],
    )
    with clock.at(dt.datetime(2026, 3, 4, 12, tzinfo=dt.UTC)):
        assert api(clerk).get(f"{URL}{order['id']}/").json()["lines"] == order["lines"]
        assert api(clerk).post(f"{URL}quote/", world.body()).json()["lines"][0]["gross"] == "10.00"


@pytest.mark.django_db
def test_a_list_gives_an_article_of_another_currency_a_price(api, clerk, world):
    world.frame.currency = "EUR"
    world.frame.save()
    refused = api(clerk).post(f"{URL}quote/", world.body())
    assert (refused.status_code, refused.json()["code"]) == (409, "orders.currency_mismatch")
    priced_list(world, (world.frame, "85.00"))
    assert api(clerk).post(f"{URL}quote/", world.body()).json()["total"] == "210.00"


@pytest.mark.django_db
def test_a_treatment_is_charged_for_each_lens(api, clerk, world):
    item = treatment()
    order = placed(api, clerk, world, treatments=[str(item.id)])
    line = order["lines"][3]
    assert (line["kind"], line["sku"], line["quantity"], line["gross"]) == ("treatment", "UV", 2, "24.00")
    assert order["total"] == "244.00"
    one = api(clerk).post(
        f"{URL}quote/", world.body(treatments=[str(item.id)], lenses={"left": str(world.lens.id)}), format="json"
    )
    assert [line["quantity"] for line in one.json()["lines"] if line["kind"] == "treatment"] == [1]


@pytest.mark.django_db
def test_what_is_no_treatment_is_refused(api, clerk, world):
    item, fee = treatment(), ServiceItem.objects.get(is_dispensing=True)
    retired = ServiceItem.objects.create(sku="OLD", name="Old (invented)", price=Decimal("1.00"), is_active=False)
    for chosen in ([fee], [retired], [item, item]):
        answer = api(clerk).post(URL, world.body(treatments=[str(one.id) for one in chosen]), format="json")
        assert (answer.status_code, answer.json()["code"]) == (422, "orders.not_a_treatment"), answer.content
    answer = api(clerk).post(URL, world.body(treatments=[str(world.frame.id)]), format="json")
    assert answer.status_code == 404
    assert not Order.objects.everywhere("test").exists()


@pytest.mark.django_db
def test_pricing_takes_the_same_queries_however_many_treatments(api, clerk, world, queries):
    few, many = [treatment(sku="T1")], [treatment(sku=f"T{n}") for n in range(2, 7)]
    client = api(clerk)

    def quote(items):
        body = world.body(treatments=[str(item.id) for item in items])
        return queries(lambda: client.post(f"{URL}quote/", body, format="json"))

    quote(few)
    # Each line asks for the rate of its category; everything else is asked once.
    assert quote(many) - quote(few) <= len(many) - len(few)


class Rules:
    """An invented price rule that says what it is told and keeps what it was shown."""

    manifest = PluginManifest(name="told-rules", title="Told", version="1.0", api=">=1.0,<2", description="For tests.")

    def __init__(self, *adjustments):
        self.adjustments = adjustments
        self.shown = []

    @hookimpl
    def decide_order_price(self, context):
        self.shown.append(context)
        return self.adjustments


def adjustment(amount, at=None, reason="Told so (invented)", rule="told"):
    return PriceAdjustment(line_index=at, amount=Decimal(amount), reason=reason, rule=rule)


@pytest.mark.django_db
def test_each_discount_names_its_plugin_its_words_and_its_amount(api, clerk, world):
    with using_plugins([Rules(adjustment("-22.00"), adjustment("-5.00", at=0, reason="Frame offer (invented)"))]):
        order = placed(api, clerk, world)
    assert order["total"] == "193.00"
    frame = order["lines"][0]
    # First 5.00 off the frame, then 22.00 over 90 : 32.50 : 32.50 : 60 of 215 = 9.2093, 3.3256 twice, 6.1395.
    assert [(why["source"], why["rule"], why["amount"]) for why in frame["reasons"][1:]] == [
        ("told-rules", "told", "-5.00"),
        ("told-rules", "told", "-9.21"),
    ]
    assert frame["discount_reason"] == "Frame offer (invented); Told so (invented)"
    assert [line["discount"] for line in order["lines"]] == ["14.21", "3.33", "3.32", "6.14"]


@pytest.mark.django_db
def test_a_surcharge_is_a_line_with_its_reason(api, clerk, world):
    with using_plugins([Rules(adjustment("8.00", at=1))]):
        order = placed(api, clerk, world)
    line = order["lines"][-1]
    assert (line["kind"], line["gross"]) == ("adjustment", "8.00")
    assert line["reasons"][0]["source"] == "told-rules"
    assert order["total"] == "228.00"


@pytest.mark.django_db
def test_rules_are_shown_the_earlier_orders_that_stand(api, clerk, manager, world):
    more_stock(world, 4)
    rules = Rules(adjustment("-1.00", at=0))
    with using_plugins([rules]):
        with clock.at(dt.datetime(2025, 2, 20, 12, tzinfo=dt.UTC)):
            placed(api, clerk, world)  # more than 366 days ago
        with clock.at(dt.datetime(2026, 2, 20, 12, tzinfo=dt.UTC)):
            kept = placed(api, clerk, world)
            called_off = placed(api, clerk, world)
        assert (
            api(manager).post(f"{URL}{called_off['id']}/cancel/", {"reason": "Changed their mind"}).status_code == 200
        )
        placed(api, clerk, world)
    shown = rules.shown[-1]
    [earlier] = shown.earlier_orders
    assert (earlier.order_id, earlier.placed_on) == (kept["id"], dt.date(2026, 2, 20))
    assert (earlier.is_complete_pair, earlier.lens_kind, earlier.rules) == (True, "single_vision", {"told"})
    assert next((line.kind, line.unit_price) for line in earlier.lines) == ("frame", Decimal("95.00"))
    assert (shown.is_complete_pair, shown.lens_kind, shown.smallest_unit) == (True, "single_vision", Decimal("0.01"))


@pytest.mark.django_db
def test_an_order_that_is_being_replaced_is_no_earlier_order(api, manager, world):
    more_stock(world, 1)
    rules = Rules()
    with using_plugins([rules]):
        order = placed(api, manager, world)
        answer = api(manager).post(f"{URL}{order['id']}/replace/", {"reason": "Other lens"}, format="json")
        assert answer.status_code == 201, answer.content
    assert rules.shown[-1].earlier_orders == ()


@pytest.mark.django_db
def test_packages_and_second_pairs_once_a_branch_offers_them(api, clerk, world):
    more_stock(world, 2)
    first = placed(api, clerk, world)
    assert first["total"] == "220.00"  # the plugin is installed, and offers nothing until a branch says what
    plugin_activation_set(
        actor=SYSTEM,
        plugin=host().plugins["opticshop-price-rules"],
        branch=world.branch,
        version=0,
        is_active=True,
        settings={"second_pair": {"percent": "50", "days_within": 30}},
    )
    second = placed(api, clerk, world)
    assert second["total"] == "140.00"  # half of frame and lenses; the fee stays 60.00
    assert {why["source"] for line in second["lines"] for why in line["reasons"][1:]} == {"opticshop-price-rules"}
    assert placed(api, clerk, world)["total"] == "220.00"  # the first pair has had its second


@pytest.mark.django_db
def test_a_promotion_is_a_reason_of_the_lines_is_used_and_given_back(api, clerk, manager, world):
    promotion(once_per_customer=True, complete_pairs_only=True)
    more_stock(world)
    order = placed(api, clerk, world, promotion_code="spring")
    assert (order["total"], order["promotion_code"]) == ("200.00", "SPRING")
    # 20.00 over 95 : 32.50 : 32.50 : 60 of 220 = 8.636, 2.954 twice, 5.454: the largest remainders are raised.
    assert [line["discount"] for line in order["lines"]] == ["8.64", "2.96", "2.95", "5.45"]
    why = order["lines"][0]["reasons"][-1]
    assert (why["kind"], why["source"], why["words"], why["amount"]) == (
        "promotion",
        "SPRING",
        "Spring offer (invented)",
        "-8.64",
    )
    use = PromotionUse.objects.everywhere("test").get()
    assert (use.document, use.amount, use.state) == (f"orders/{order['id']}", Decimal("20.00"), "used")
    again = api(clerk).post(URL, world.body(promotion_code="SPRING"), format="json")
    assert (again.status_code, again.json()["code"]) == (422, "prices.promotion_not_applicable")
    assert Order.objects.everywhere("test").count() == 1
    assert api(manager).post(f"{URL}{order['id']}/cancel/", {"reason": "Changed their mind"}).status_code == 200
    use.refresh_from_db()
    assert use.state == "given_back"
    assert placed(api, clerk, world, promotion_code="SPRING")["total"] == "200.00"


@pytest.mark.django_db
def test_a_promotion_comes_after_the_price_rules_and_takes_all_at_most(api, clerk, world):
    promotion(amount=Decimal("10"), kind="percent")
    with using_plugins([Rules(adjustment("-20.00"))]):
        assert placed(api, clerk, world, promotion_code="SPRING")["total"] == "180.00"  # 10 % of 200.00


@pytest.mark.django_db
def test_a_promotion_that_does_not_apply_or_does_not_exist_refuses_the_order(api, clerk, world):
    promotion(minimum_spend=Decimal("300.00"))
    for path in (URL, f"{URL}quote/"):
        answer = api(clerk).post(path, world.body(promotion_code="SPRING"), format="json")
        assert (answer.status_code, answer.json()["code"]) == (422, "prices.promotion_not_applicable")
        assert api(clerk).post(path, world.body(promotion_code="NONE"), format="json").status_code == 404
    assert not PromotionUse.objects.everywhere("test").exists()


@pytest.mark.django_db
def test_a_replacement_keeps_treatments_and_promotion(api, manager, world):
    promotion(once_per_customer=True)
    item = treatment()
    more_stock(world)
    order = placed(api, manager, world, treatments=[str(item.id)], promotion_code="SPRING")
    answer = api(manager).post(f"{URL}{order['id']}/replace/", {"reason": "Other lens"}, format="json")
    assert answer.status_code == 201, answer.content
    assert answer.json()["total"] == order["total"] == "224.00"
    assert [use.state for use in PromotionUse.objects.everywhere("test").order_by("id")] == ["given_back", "used"]


@pytest.mark.django_db
def test_the_promotion_of_a_collected_pair_stays_with_it(api, manager, world):
    promotion(once_per_customer=True)
    more_stock(world)
    placed(api, manager, world, promotion_code="SPRING")
    order = Order.objects.everywhere("test").get()
    for step in (services.order_enter_workshop, services.order_mark_ready, services.order_collect):
        step(actor=system("test"), order=order)
    answer = api(manager).post(f"{URL}{order.id}/replace/", {"reason": "Wrong colour"}, format="json")
    assert answer.status_code == 201, answer.content
    assert answer.json()["total"] == "220.00"
    assert PromotionUse.objects.everywhere("test").get().state == "used"


@pytest.mark.django_db
def test_listing_orders_costs_the_same_however_many_reasons_they_have(api, clerk, world, queries):
    more_stock(world, 3)
    client = api(clerk)
    placed(api, clerk, world)
    few = queries(lambda: client.get(URL))
    for _ in range(3):
        placed(api, clerk, world)
    assert queries(lambda: client.get(URL)) == few


def pence(most):
    return st.integers(0, int(most * 100)).map(lambda amount: Decimal(amount) / 100)


def lines_of(prices):
    return [Priced("lens", "x", "x", price, "standard", reasons=()) for price in prices]


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(prices=st.lists(pence(3000), min_size=1, max_size=7), data=st.data())
def test_discounts_on_lines_and_orders_add_up_and_leave_nothing_below_zero(prices, data):
    """Whatever a plugin may decide: surcharges, line by line and over all, in any order."""
    decisions, left, total = [], list(prices), sum(prices, Decimal(0))
    for _ in range(data.draw(st.integers(0, 4))):
        at = data.draw(st.one_of(st.none(), st.integers(0, len(prices) - 1)))
        most = total if at is None else min(left[at], total)
        amount = -data.draw(pence(most))
        if data.draw(st.booleans()):
            amount = data.draw(pence(50))
        total += amount
        if at is not None:
            left[at] += amount
        decisions.append(("told", adjustment(amount, at)))
    result = _adjusted(lines_of(prices), decisions, "GBP")
    assert sum((line.gross for line in result), Decimal(0)) == total
    for line in result:
        assert line.gross >= 0
        assert line.discount == -sum((why.amount for why in line.reasons if why.amount < 0), Decimal(0))


@given(
    prices=st.lists(st.integers(0, 200_000), min_size=1, max_size=7).filter(sum),
    share=st.fractions(0, 1),
    currency=st.sampled_from(["GBP", "JPY", "KWD"]),
)
def test_a_discount_is_spread_in_whole_units_of_the_currency(prices, share, currency):
    unit = minor_unit(currency)
    lines = lines_of([price * unit for price in prices])
    amount = int(sum(prices) * share) * unit
    found = discounted(lines, amount, Reason("promotion", "X", "x", -amount), currency)
    assert sum(line.discount for line in found) == amount
    for before, line in zip(lines, found, strict=True):
        assert line.discount % unit == 0
        # Within one unit of its exact share.
        assert abs(line.discount - amount * before.gross / sum(one.gross for one in lines)) < unit


def test_a_line_of_nothing_bears_no_discount():
    found = discounted(
        lines_of([Decimal("0.00"), Decimal("10.00")]),
        Decimal("5.00"),
        Reason("plugin", "x", "x", Decimal("-5.00")),
        "GBP",
    )
    assert [line.discount for line in found] == [Decimal("0.00"), Decimal("5.00")]
    assert found[0].reasons == ()
