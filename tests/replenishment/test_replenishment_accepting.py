"""From advice to drafts and levels: all or nothing, once, and only while the advice is fresh."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.core import clock
from opticshop.core.models import OutboxEvent
from opticshop.purchasing.models import PurchaseOrder
from opticshop.replenishment.models import Acceptance
from opticshop.stock.models import StockLevel, Transfer
from tests.conftest import NOON
from tests.replenishment.test_replenishment_runs import LINES, STEADY, URL, lines_of, wanted

pytestmark = pytest.mark.django_db


@pytest.fixture
def advised(api, head_office, mill, quay, power, used, sold_by):
    """A run over both branches: MILL is to buy one power and to be sent another by QUAY."""
    used(mill, power("-1.00"), STEADY)
    used(mill, power("-2.00"), STEADY)
    used(quay, power("-2.00"), (0,) * 51 + (1,), left=30)
    sold_by(pack=2)
    client = api(head_office)
    run = client.post(URL, wanted(mill, quay)).data
    return (
        client,
        run,
        {line["item"]["sphere_dpt"]: line for line in lines_of(client, run) if line["branch"] == str(mill.id)},
    )


def accept(client, run, *chosen):
    return client.post(f"{URL}{run['id']}/accept/", {"lines": list(chosen)}, format="json")


def nothing_was_drafted():
    return not (
        PurchaseOrder.objects.everywhere("test").exists()
        or Transfer.objects.everywhere("test").exists()
        or Acceptance.objects.everywhere("test").exists()
        or OutboxEvent.objects.filter(type="replenishment.run_accepted").exists()
    )


def test_chosen_lines_become_drafts_once(advised, mill, quay):
    client, run, lines = advised
    response = accept(client, run, *({"line": line["id"]} for line in lines.values()))
    assert response.status_code == 200, response.data
    assert response.data["lines"] == 2
    order, transfer = PurchaseOrder.objects.everywhere("test").get(), Transfer.objects.everywhere("test").get()
    assert response.data["purchase_orders"] == [str(order.id)]
    assert response.data["transfers"] == [str(transfer.id)]
    bought = order.lines.get()
    assert (order.branch, order.state, bought.quantity) == (mill, "draft", lines["-1.00"]["buy_quantity"])
    assert (str(bought.item_id), str(bought.unit_cost)) == (lines["-1.00"]["item"]["id"], "4.00")
    assert (transfer.sender, transfer.receiver, transfer.state) == (quay, mill, "draft")
    assert transfer.lines.get().quantity == lines["-2.00"]["transfer_quantity"]
    event = OutboxEvent.objects.get(type="replenishment.run_accepted")
    assert event.data == {"run": run["id"], "purchase_orders": [str(order.id)], "transfers": [str(transfer.id)]}
    again = accept(client, run, {"line": lines["-1.00"]["id"]})
    assert (again.status_code, again.data["code"]) == (409, "replenishment.already_accepted")
    assert PurchaseOrder.objects.everywhere("test").count() == 1
    shown = client.get(f"{LINES}{lines['-1.00']['id']}/").data["acceptance"]
    assert (shown["buy_quantity"], shown["purchase_order"]) == (bought.quantity, str(order.id))
    assert {line["id"] for line in lines_of(client, run, accepted="true")} == {line["id"] for line in lines.values()}


def test_other_quantities_may_be_chosen(advised):
    client, run, lines = advised
    assert accept(client, run, {"line": lines["-1.00"]["id"], "buy_quantity": 2}).status_code == 200
    assert PurchaseOrder.objects.everywhere("test").get().lines.get().quantity == 2


@pytest.mark.parametrize(
    ("sphere", "change", "status", "code"),
    [
        ("-1.00", {"buy_quantity": 0}, 422, "replenishment.nothing_suggested"),
        ("-1.00", {"transfer_quantity": 1}, 422, "replenishment.nothing_suggested"),
        ("-1.00", {"buy_quantity": 3}, 422, "purchasing.quantity_impossible"),  # packs of two
        ("-2.00", {"transfer_quantity": 40}, 422, "replenishment.nothing_suggested"),
        ("-1.00", {"buy_quantity": -1}, 400, "core.malformed"),
        ("-1.00", {"line": "01890a5d-ac96-774b-bcce-b302099a8057"}, 404, "core.not_found"),
    ],
)
def test_what_cannot_be_accepted_drafts_nothing_at_all(advised, sphere, change, status, code):
    client, run, lines = advised
    other = "-2.00" if sphere == "-1.00" else "-1.00"
    response = accept(client, run, {"line": lines[other]["id"]}, {"line": lines[sphere]["id"], **change})
    assert (response.status_code, response.data["code"]) == (status, code), response.data
    assert nothing_was_drafted()


def test_a_line_is_named_once_and_belongs_to_the_run(advised, mill, quay):
    client, run, lines = advised
    line = {"line": lines["-1.00"]["id"]}
    assert accept(client, run, line, line).status_code == 400
    other = client.post(URL, wanted(mill, quay)).data
    assert accept(client, other, line).status_code == 404
    assert nothing_was_drafted()


def test_old_advice_is_not_ordered_from(advised):
    client, run, lines = advised
    with clock.at(NOON + dt.timedelta(days=7, minutes=1)):
        response = accept(client, run, {"line": lines["-1.00"]["id"]})
        assert (response.status_code, response.data["code"]) == (409, "replenishment.run_outdated")
        levels = client.post(f"{URL}{run['id']}/levels/", {"lines": [lines["-1.00"]["id"]]}, format="json")
        assert (levels.status_code, levels.data["code"]) == (409, "replenishment.run_outdated")
    assert nothing_was_drafted()
    assert not StockLevel.objects.everywhere("test").exists()


def test_runs_are_accepted_by_those_who_may_and_see_them(advised, api, manager, clerk, outsider, mill):
    _, run, lines = advised
    line = {"line": lines["-1.00"]["id"]}
    assert accept(api(clerk), run, line).status_code == 403
    assert accept(api(manager), run, line).status_code == 404  # of two branches, of which the manager sees one
    assert accept(api(outsider), run, line).status_code == 404
    own = api(manager).post(URL, wanted(mill)).data
    theirs = lines_of(api(manager), own)[0]
    assert accept(api(outsider), own, {"line": theirs["id"]}).status_code == 404
    assert nothing_was_drafted()
    assert accept(api(manager), own, {"line": theirs["id"]}).status_code == 200


def test_levels_are_taken_over_as_the_branchs_own(advised, mill):
    client, run, lines = advised
    ids = [line["id"] for line in lines.values()]
    response = client.post(f"{URL}{run['id']}/levels/", {"lines": ids}, format="json")
    assert response.status_code == 200, response.data
    assert response.data == {"run": run["id"], "changed": 2}
    kept = {str(level.item_id): level for level in StockLevel.objects.everywhere("test").filter(branch=mill)}
    for line in lines.values():
        level = kept[line["item"]["id"]]
        assert (level.minimum, level.target) == (line["reorder_point"], line["order_up_to"])
    assert OutboxEvent.objects.get(type="replenishment.levels_taken_over").data == {"run": run["id"], "levels": 2}
    again = client.post(f"{URL}{run['id']}/levels/", {"lines": ids}, format="json")
    assert again.data["changed"] == 0
    assert OutboxEvent.objects.filter(type="stock.level_set").count() == 2
