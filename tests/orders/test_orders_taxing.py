"""Orders under the tax rule of their branch. Figures by hand: tax within a price is gross x rate / (1 + rate), rounded
once a rate (trade fact 5.1; from memory); prices, ratio and places are invented."""

from __future__ import annotations

from decimal import Decimal

import pytest

from opticshop.accounts.access import actor_for
from opticshop.billing.tax_parts import tax_summary
from opticshop.catalogue.models import ServiceItem
from opticshop.core.money import rounded
from opticshop.orders import quotations_services, services
from opticshop.orders.taxing import RateTooFine
from opticshop.pluginhost.errors import PluginNotAvailable, PluginRefused
from opticshop.pluginhost.models import PluginActivation

D = Decimal
INVENTED = {"source": "invented", "confidence": "convention"}
RATIO = {"valid_from": "2026-01-01", "exempt_percent": 40, "evidence": "Time sheets (invented)", **INVENTED}

pytestmark = pytest.mark.django_db


@pytest.fixture
def wanted(world):
    return services.Wanted(
        branch=world.branch,
        customer=world.customer,
        prescription=world.prescription,
        measurement=world.measurement,
        frame=world.frame,
        lenses={"right": world.lens, "left": world.lens},
    )


@pytest.fixture
def actor(clerk):
    return actor_for(clerk)


def ruled(world, rule, plugin, prices_include_tax=True, jurisdiction="GB", **own):
    branch = world.branch
    branch.tax_rule, branch.prices_include_tax, branch.jurisdiction = rule, prices_include_tax, jurisdiction
    branch.save()
    PluginActivation.objects.create(plugin=plugin, branch=branch, settings=own)


def summary(order):
    lines = list(order.lines.all())
    assert all(line.gross == line.quantity * line.unit_price - line.discount for line in lines) or (
        not order.branch.prices_include_tax
    )
    assert sum(line.gross for line in lines) == order.total
    return {(part.category, part.rate_percent): (part.gross, part.tax) for part in tax_summary(lines, order.currency)}


def test_without_a_rule_tax_is_as_the_catalogue_marks_it(world, wanted, actor):
    order = services.order_place(actor=actor, wanted=wanted)
    assert "tax" not in order.computation
    assert {category for category, _ in summary(order)} == {"standard", "exempt"}


def test_the_api_tells_the_rule_and_its_note(api, clerk, world):
    ruled(world, "mixed-supply", "opticshop-tax-mixed-supply", registered_business=True)
    for url in ("/api/v1/orders/quote/", "/api/v1/orders/"):
        response = api(clerk).post(url, world.body())
        assert response.status_code in (200, 201), response.content
        tax = response.json()["computation"]["tax"]
        assert (tax["rule"], tax["confidence"]) == ("mixed-supply", "from_memory")
        assert tax["rounding"]["words"].startswith("Tax is computed on the sum of each category and rate")
        assert "charged separately" in tax["note"]


def test_separate_charges_exempt_the_dispensing(world, wanted, actor):
    ServiceItem.objects.update(tax_category="standard")  # the rule knows better
    ruled(world, "mixed-supply", "opticshop-tax-mixed-supply", registered_business=True)
    order = services.order_place(actor=actor, wanted=wanted)
    found = summary(order)
    goods, dispensing = found["standard", D(20)], found["exempt", D(0)]
    assert dispensing == (D("60.00"), D("0.00"))
    assert goods[1] == rounded(goods[0] / 6, "GBP") == order.tax_total
    kept = order.computation["tax"]
    assert (kept["rule"], kept["plugin"], kept["version"]) == ("mixed-supply", "opticshop-tax-mixed-supply", "0.1.0")
    assert kept["rounding"]["name"] == "once-per-rate"
    assert "charged separately" in kept["note"]
    assert kept["reasons"]["exempt"].startswith("Exempt from VAT")


def test_a_line_of_two_parts_is_followed_by_the_share_that_another_category_has(world, wanted, actor):
    own = {"method": "apportionment", "registered_business": True, "ratios": [RATIO]}
    ruled(world, "mixed-supply", "opticshop-tax-mixed-supply", **own)
    order = services.order_place(actor=actor, wanted=wanted)
    found = summary(order)
    assert found["exempt", D(0)][0] == rounded(order.total * 40 / 100, "GBP")
    assert found["standard", D(20)][1] == rounded(found["standard", D(20)][0] / 6, "GBP") == order.tax_total
    frame, share, *_ = order.lines.all()
    assert (frame.kind, share.kind, frame.tax_category, share.tax_category) == ("frame", "share", "standard", "exempt")
    assert frame.unit_price == world.frame.price
    assert frame.gross + share.gross == world.frame.price
    assert frame.discount_reason == share.reasons[0]["words"]
    assert frame.reasons[-1]["kind"] == "tax"
    assert "40% of the price" in order.computation["tax"]["note"]


def test_unsupervised_everything_is_taxed(world, wanted, actor):
    ruled(world, "mixed-supply", "opticshop-tax-mixed-supply")
    order = services.order_place(actor=actor, wanted=wanted)
    assert summary(order) == {("standard", D(20)): (order.total, rounded(order.total / 6, "GBP"))}


def test_a_quotation_is_taxed_anew_from_the_prices_and_not_from_the_shares(world, wanted, actor):
    own = {"method": "apportionment", "registered_business": True, "ratios": [RATIO]}
    ruled(world, "mixed-supply", "opticshop-tax-mixed-supply", **own)
    quotation = quotations_services.quotation_make(actor=actor, wanted=wanted)
    order = quotations_services.quotation_accept(actor=actor, quotation=quotation)
    assert (order.total, order.tax_total) == (quotation.total, quotation.tax_total)
    columns = ("kind", "gross", "discount", "tax_category", "tax")
    assert list(order.lines.values_list(*columns)) == list(quotation.lines.values_list(*columns))


def test_a_quotation_loses_its_shares_with_the_rule(world, wanted, actor):
    own = {"method": "apportionment", "registered_business": True, "ratios": [RATIO]}
    ruled(world, "mixed-supply", "opticshop-tax-mixed-supply", **own)
    quotation = quotations_services.quotation_make(actor=actor, wanted=wanted)
    world.branch.tax_rule = ""
    world.branch.save()
    order = quotations_services.quotation_accept(actor=actor, quotation=quotation)
    assert order.total == quotation.total
    assert not order.lines.filter(kind="share").exists()
    assert not order.lines.exclude(discount=0).exists()
    assert summary(order)["exempt", D(0)] == (D("60.00"), D("0.00"))


def test_sales_tax_is_added_to_net_prices(world, wanted, actor):
    """8.25 % of all but the eyewear: of the dispensing, 60.00 x 0.0825 = 4.95."""
    levies = [
        {"place": "US-XA", "name": "State", "percent": 6, "valid_from": "2020-01-01", **INVENTED},
        {"place": "US-XA-001", "name": "County", "percent": 2.25, "valid_from": "2020-01-01", **INVENTED},
    ]
    eyewear = {"place": "US-XA", "kinds": ["frame", "lens"], "is_exempt": True, "valid_from": "2020-01-01", **INVENTED}
    own = {"levies": levies, "exemptions": [eyewear]}
    before = services.order_quote(actor=actor, wanted=wanted).total
    ruled(world, "by-place", "opticshop-tax-by-place", prices_include_tax=False, jurisdiction="US-XA-001", **own)
    order = services.order_place(actor=actor, wanted=wanted)
    assert summary(order)["standard", D("8.25")] == (D("64.95"), D("4.95"))
    assert order.total == before + D("4.95")
    assert order.computation["tax"]["note"].startswith("Sales tax 8.25%")


def test_net_prices_without_a_rule(world, wanted, actor):
    """20 % on the goods: net x 0.20, each line rounded by itself."""
    before = services.order_quote(actor=actor, wanted=wanted)
    goods = [line.gross for line in before.lines if line.tax_category == "standard"]
    world.branch.prices_include_tax = False
    world.branch.save()
    order = services.order_place(actor=actor, wanted=wanted)
    assert order.tax_total == sum(rounded(net / 5, "GBP") for net in goods)
    assert order.total == before.total + order.tax_total


def test_a_rule_that_is_not_there_or_knows_no_rate_refuses_and_writes_nothing(world, wanted, actor):
    ruled(world, "no-such-rule", "opticshop-tax-single-rate")
    with pytest.raises(PluginNotAvailable, match="no-such-rule"):
        services.order_place(actor=actor, wanted=wanted)
    world.branch.tax_rule = "single-rate"
    world.branch.save()
    with pytest.raises(PluginRefused, match="No rate is set for 2026-03-02"):
        services.order_place(actor=actor, wanted=wanted)
    assert not world.customer.orders.exists()


def test_a_rate_that_no_document_can_show_is_refused(world, wanted, actor):
    rate = {"valid_from": "2020-01-01", "percent": 8.875, **INVENTED}
    ruled(world, "single-rate", "opticshop-tax-single-rate", rates=[rate])
    with pytest.raises(RateTooFine):
        services.order_place(actor=actor, wanted=wanted)
