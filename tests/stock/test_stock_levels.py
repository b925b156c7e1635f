"""What a branch wants of an item and what it has on order."""

from __future__ import annotations

from decimal import Decimal

import pytest

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.stock import services
from opticshop.stock.models import Expected, ExpectedChange, StockLevel
from opticshop.stock.selectors import ledger_differences

pytestmark = pytest.mark.django_db
LEVELS = "/api/v1/stock/levels/"
BUYER = system("buyer")
PAPER = "purchase-orders/x"


def level(branch, product, **more):
    power = {"kind": "lens", "lens": str(product.id), "sphere_dpt": "-2.00", "cylinder_dpt": "-0.50"}
    return {"branch": str(branch.id), **power, "minimum": 2, "target": 6} | more


def expect(branch, item, delta):
    return services.expected_change(actor=BUYER, branch=branch, item=item, delta=delta, document=PAPER)


def test_a_level_is_set_changed_and_told_once(api, manager, mill, lens):
    client = api(manager)
    made = client.post(LEVELS, level(mill, lens))
    assert made.status_code == 200, made.data
    assert client.post(LEVELS, level(mill, lens)).data["id"] == made.data["id"]
    changed = client.post(LEVELS, level(mill, lens, minimum=0, target=0)).data
    assert (changed["id"], changed["minimum"], changed["target"]) == (made.data["id"], 0, 0)
    told = [event.data for event in OutboxEvent.objects.filter(type="stock.level_set").order_by("id")]
    item = made.data["item"]["id"]
    assert told == [{"item": item, "minimum": 2, "target": 6}, {"item": item, "minimum": 0, "target": 0}]


@pytest.mark.parametrize(
    ("more", "status", "code"),
    [
        ({"minimum": 7}, 422, "stock.levels_contradict"),
        ({"minimum": -1}, 400, "core.malformed"),
        ({"target": 10_001}, 400, "core.malformed"),
        ({"frame": "01890a5d-ac96-774b-bcce-b302099a8057"}, 400, "core.malformed"),
        ({"lens": "01890a5d-ac96-774b-bcce-b302099a8057"}, 404, "core.not_found"),
        ({"sphere_dpt": "-6.25"}, 422, "stock.power_not_stocked"),
    ],
)
def test_a_level_that_cannot_be_is_refused(api, manager, mill, lens, more, status, code):
    response = api(manager).post(LEVELS, level(mill, lens, **more))
    assert (response.status_code, response.json()["code"]) == (status, code)
    assert not StockLevel.objects.everywhere("test").exists()
    assert not OutboxEvent.objects.exists()


def test_levels_are_the_managers_and_the_branchs_own(api, manager, clerk, hand, outsider, bookkeeper, mill, lens):
    for user, status in ((clerk, 403), (hand, 403), (bookkeeper, 403), (outsider, 404)):
        assert api(user).post(LEVELS, level(mill, lens)).status_code == status
    assert not StockLevel.objects.everywhere("test").exists()
    api(manager).post(LEVELS, level(mill, lens))
    assert len(api(clerk).get(LEVELS).data["results"]) == 1
    assert api(outsider).get(LEVELS).data["results"] == []


def test_what_is_on_order_follows_its_papers(api, clerk, outsider, mill, lens_item):
    assert [expect(mill, lens_item, delta) for delta in (10, -4, 3)] == [10, 6, 9]
    lines = ExpectedChange.objects.everywhere("test").order_by("line").values_list("line", "change", "after")
    assert list(lines) == [(1, 10, 10), (2, -4, 6), (3, 3, 9)]
    told = OutboxEvent.objects.filter(type="stock.expected").order_by("-id").first()
    assert told.data == {"item": str(lens_item.id), "change": 3, "expected": 9, "document": PAPER}
    (row,) = api(clerk).get("/api/v1/stock/expected/").data["results"]
    assert (row["item"]["id"], row["quantity"]) == (str(lens_item.id), 9)
    assert api(outsider).get("/api/v1/stock/expected/").data["results"] == []
    expect(mill, lens_item, -9)
    assert api(clerk).get("/api/v1/stock/expected/").data["results"] == []
    assert ledger_differences() == []


@pytest.mark.parametrize("before", [0, 3])
def test_no_more_comes_than_was_ordered(mill, lens_item, before):
    if before:
        expect(mill, lens_item, before)
    told = OutboxEvent.objects.count()
    with pytest.raises(services.ExpectedTooSmall) as caught:
        expect(mill, lens_item, -4)
    assert caught.value.allowed == before
    with pytest.raises(services.QuantityWrong):
        expect(mill, lens_item, 0)
    assert sum(Expected.objects.everywhere("test").values_list("quantity", flat=True)) == before
    assert OutboxEvent.objects.count() == told


@pytest.mark.parametrize("path", [LEVELS, "/api/v1/stock/expected/"])
def test_a_list_costs_the_same_for_one_row_and_for_ten(api, manager, mill, lens, queries, path):
    def put(n):
        item = services.lens_item_ensure(lens, Decimal(n) / 4, Decimal(0))
        services.stock_level_set(actor=BUYER, branch=mill, item=item, minimum=1, target=2)
        expect(mill, item, 1)

    client = api(manager)
    put(0)
    one = queries(lambda: client.get(path))
    for n in range(1, 10):
        put(n)
    assert queries(lambda: client.get(path)) == one
