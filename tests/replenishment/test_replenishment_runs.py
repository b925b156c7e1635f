"""Runs through the API: advice with its reasons, kept as given, seen by whoever may see all of its branches."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, transaction

from opticshop.accounts.models import Membership
from opticshop.core.models import OutboxEvent
from opticshop.replenishment.advising import levels_of
from opticshop.replenishment.demand import CellHistory, fit
from opticshop.replenishment.models import ReplenishmentLine, ReplenishmentRun
from opticshop.replenishment.parameters import Parameters
from opticshop.stock import services as stock
from tests.conftest import member
from tests.factories import BranchFactory, LensProductFactory
from tests.replenishment.conftest import TEST

pytestmark = pytest.mark.django_db
URL = "/api/v1/replenishment/runs/"
LINES = "/api/v1/replenishment/lines/"
STEADY = (1, 0, 2, 1) * 13


def wanted(*branches, **more):
    return {"branches": [str(branch.id) for branch in branches], **more}


def lines_of(client, run, **more):
    answer = client.get(LINES, {"run": run["id"], "page_size": 200, **more})
    assert answer.status_code == 200, answer.data
    return answer.data["results"]


def nothing_was_written():
    return not (ReplenishmentRun.objects.exists() or OutboxEvent.objects.filter(type__startswith="replen").exists())


def test_a_power_that_ran_low_is_to_be_bought_with_its_reason(api, manager, mill, lens, power, used, sold_by):
    used(mill, power(), STEADY, left=1)
    supplier = sold_by(cost="4.00", pack=2)
    response = api(manager).post(URL, wanted(mill, service_level="0.95"))
    assert response.status_code == 201, response.data
    assert response.data["parameters"]["service_level"] == "0.9500"
    [line] = lines_of(api(manager), response.data)
    expected = levels_of(fit(CellHistory(STEADY)), 7, Parameters())  # five working days are seven
    assert (line["reorder_point"], line["order_up_to"]) == (4, 5) == (expected.reorder_point, expected.order_up_to)
    assert line["fill_rate"] == pytest.approx(expected.fill_rate)
    assert (line["weekly_mean"], line["pieces_used"], line["weeks"]) == (pytest.approx(1.0), 52, 52)
    assert (line["available"], line["position"], line["lead_days"], line["abc_class"]) == (1, 1, 7, "A")
    assert (line["wanted_quantity"], line["buy_quantity"], line["cost"]) == (4, 4, "16.00")
    assert line["supplier"] == str(supplier.id)
    assert line["acceptance"] is None
    assert line["explanation"] == (
        "MILL used 52 pieces of Clear 1.5 finished (invented) -2.00 / -0.50 in 52 weeks: 1.00 a week, give or take "
        "0.14, asked for one by one (Poisson). With deliveries after 7 days and an order every "
        f"7 days, 5 there or on the way mean that {expected.fill_rate:.1%} of pieces asked for are in the drawer; the "
        "aim is 95.0%. So order at 4 or fewer, up to 5. Available now: 1; on the way or drafted: 0; short by 4. "
        "Buy 4 in packs of 2 from Lindentree Lenses (invented) for 16.00 GBP."
    )
    assert (response.data["cost"], response.data["pieces_to_buy"]) == ("16.00", 4)
    event = OutboxEvent.objects.get(type="replenishment.run_finished")
    assert (event.branch_id, event.data) == (mill.id, {"run": response.data["id"], "branches": [str(mill.id)]})


def test_nothing_is_suggested_above_the_reorder_point(api, manager, mill, power, used, sold_by):
    used(mill, power(), STEADY, left=5)
    sold_by()
    run = api(manager).post(URL, wanted(mill)).data
    [line] = lines_of(api(manager), run)
    assert (line["position"], line["reorder_point"], line["buy_quantity"], line["wanted_quantity"]) == (5, 4, 0, 0)
    assert line["explanation"].endswith("Available now: 5; on the way or drafted: 0. Nothing to do.")
    assert lines_of(api(manager), run, to_buy="true") == []


def test_what_is_on_its_way_is_not_bought_again(api, manager, mill, power, used, sold_by):
    item = power()
    used(mill, item, STEADY, left=1)
    sold_by()
    stock.expected_change(actor=TEST, branch=mill, item=item, delta=4, document="purchase-orders/1")
    [line] = lines_of(api(manager), api(manager).post(URL, wanted(mill)).data)
    assert (line["on_order"], line["position"], line["buy_quantity"]) == (4, 5, 0)


def test_a_budget_is_kept_and_the_run_says_what_it_left_out(api, manager, mill, power, used, sold_by):
    for n, weekly in enumerate([(2, 1, 2, 2) * 13, (1, 0, 0, 1) * 13, (0, 1, 0, 0) * 13]):
        used(mill, power(f"-{n}.00"), weekly)
    sold_by()
    full = api(manager).post(URL, wanted(mill)).data
    tight = api(manager).post(URL, wanted(mill, budget="25.00")).data
    assert Decimal(full["cost"]) > 25
    assert full["cost"] == full["cost_without_budget"] == tight["cost_without_budget"]
    assert Decimal("20.00") < Decimal(tight["cost"]) <= 25
    lines = lines_of(api(manager), tight)
    assert sum(Decimal(line["cost"]) for line in lines) == Decimal(tight["cost"])
    short = [line for line in lines if line["buy_quantity"] < line["wanted_quantity"]]
    assert short
    assert all("the budget helps more elsewhere" in line["explanation"] for line in short)
    busiest = next(line for line in lines if line["item"]["sphere_dpt"] == "0.00")
    assert busiest["buy_quantity"] == max(line["buy_quantity"] for line in lines)


def test_surplus_of_another_branch_goes_before_buying(api, head_office, mill, quay, power, used, sold_by):
    item = power()
    used(mill, item, STEADY, left=1)
    used(quay, item, (0,) * 51 + (1,), left=12)
    sold_by()
    run = api(head_office).post(URL, wanted(mill, quay)).data
    here = next(line for line in lines_of(api(head_office), run) if line["branch"] == str(mill.id))
    assert here["transfer_from"] == str(quay.id)
    assert (here["transfer_quantity"], here["buy_quantity"]) == (here["order_up_to"] - 1, 0)
    assert "from QUAY, which has more than it needs." in here["explanation"]
    without = api(head_office).post(URL, wanted(mill, quay, use_transfers=False)).data
    here = next(line for line in lines_of(api(head_office), without) if line["branch"] == str(mill.id))
    assert (here["transfer_quantity"], here["buy_quantity"]) == (0, here["order_up_to"] - 1)


def test_a_short_history_borrows_from_the_other_branches(api, manager, mill, quay, power, used):
    rare, common = power("-5.00", "0.00"), power("-1.00", "0.00")
    used(mill, common, (1, 2) * 4)
    used(quay, common, (2, 1) * 26)
    used(quay, rare, (0, 0, 1, 1) * 13)
    lines = lines_of(api(manager), api(manager).post(URL, wanted(mill)).data)
    never_used = next(line for line in lines if line["item"]["id"] == str(rare.id))
    assert (never_used["pieces_used"], never_used["weeks"]) == (0, 8)
    assert 0 < never_used["weekly_mean"] < 0.5
    assert never_used["borrowed"] > 0.4
    assert "learned from other branches" in never_used["explanation"]


def test_without_a_supplier_or_a_price_the_line_says_so(api, manager, mill, power, used, sold_by):
    used(mill, power(), STEADY)
    line = lines_of(api(manager), api(manager).post(URL, wanted(mill)).data)[0]
    assert (line["buy_quantity"], line["supplier"]) == (0, None)
    assert line["explanation"].endswith("It cannot be bought: no supplier offers it.")
    sold_by(currency="EUR")
    line = lines_of(api(manager), api(manager).post(URL, wanted(mill)).data)[0]
    assert line["explanation"].endswith("has no price for it in GBP today.")


def test_what_is_never_used_need_not_be_kept(api, manager, mill, power, used):
    used(mill, power(), (0,) * 52, left=3)
    [line] = lines_of(api(manager), api(manager).post(URL, wanted(mill)).data)
    assert (line["reorder_point"], line["order_up_to"], line["family"], line["abc_class"]) == (None, 0, "none", "D")
    assert "It need not be kept." in line["explanation"]


def test_pieces_drafted_once_are_not_advised_twice(api, head_office, mill, quay, power, used, sold_by):
    """Accepting a run, then running again before anything is sent, suggests nothing more."""
    item = power()
    used(mill, item, STEADY, left=1)
    used(quay, item, STEADY, left=6)
    sold_by()
    client = api(head_office)
    run = client.post(URL, wanted(mill, quay)).data
    chosen = [
        {"line": line["id"]} for line in lines_of(client, run) if line["buy_quantity"] or line["transfer_quantity"]
    ]
    assert client.post(f"{URL}{run['id']}/accept/", {"lines": chosen}, format="json").status_code == 200
    again = client.post(URL, wanted(mill, quay)).data
    assert (again["pieces_to_buy"], again["pieces_to_transfer"]) == (0, 0)


@pytest.mark.parametrize(
    ("more", "status", "code"),
    [
        ({"service_level": "1"}, 400, "core.malformed"),
        ({"service_level": "0.3"}, 400, "core.malformed"),
        ({"service_kind": "ready"}, 400, "core.malformed"),
        ({"history_weeks": 3}, 400, "core.malformed"),
        ({"review_days": 0}, 400, "core.malformed"),
        ({"budget": "-1"}, 400, "core.malformed"),
        ({"branches": []}, 400, "core.malformed"),
        ({"colour": "red"}, 400, "core.malformed"),
        ({"lenses": ["01890a5d-ac96-774b-bcce-b302099a8057"]}, 404, "core.not_found"),
        ({"branches": ["01890a5d-ac96-774b-bcce-b302099a8057"]}, 404, "core.not_found"),
    ],
)
def test_bad_input_is_a_problem_and_writes_nothing(api, manager, mill, power, used, more, status, code):
    used(mill, power(), (1,))
    response = api(manager).post(URL, {**wanted(mill), **more}, format="json")
    assert (response.status_code, response.data["code"]) == (status, code), response.data
    assert nothing_was_written()


def test_a_branch_is_named_once(api, manager, mill, power, used):
    used(mill, power(), (1,))
    assert api(manager).post(URL, wanted(mill, mill)).status_code == 400


def test_only_stock_lenses_that_the_branch_has_had_are_advised_on(api, manager, mill, lens, power, used):
    refused = api(manager).post(URL, wanted(mill))
    assert (refused.status_code, refused.data["code"]) == (409, "replenishment.nothing_kept")
    varifocal = LensProductFactory(kind="power_variation", supply="made_to_order")
    refused = api(manager).post(URL, wanted(mill, lenses=[str(varifocal.id)]))
    assert (refused.status_code, refused.data["code"]) == (422, "replenishment.not_kept_by_power")
    assert nothing_was_written()


def test_branches_of_one_run_share_a_currency(api, head_office, mill, power, used):
    used(mill, power(), (1,))
    abroad = BranchFactory(code="KAAI", currency="EUR")
    refused = api(head_office).post(URL, wanted(mill, abroad))
    assert (refused.status_code, refused.data["code"]) == (422, "replenishment.currencies_differ")
    assert nothing_was_written()


def test_a_run_is_made_by_those_who_may_in_every_branch_of_it(
    api, manager, clerk, hand, bookkeeper, outsider, mill, quay, power, used
):
    used(mill, power(), STEADY)
    for user, status in ((None, 401), (clerk, 403), (hand, 403), (bookkeeper, 403), (outsider, 404)):
        assert api(user).post(URL, wanted(mill)).status_code == status
    assert api(manager).post(URL, wanted(mill, quay)).status_code == 404
    both = member("both", "manager", mill)
    Membership.objects.create(user=both, role="counter", branch=quay)
    assert api(both).post(URL, wanted(mill, quay)).status_code == 403
    assert nothing_was_written()


def test_a_run_is_seen_by_whoever_may_see_all_of_its_branches(
    api, manager, clerk, outsider, head_office, mill, quay, power, used
):
    used(mill, power(), STEADY)
    used(quay, power(), STEADY)
    mine = api(manager).post(URL, wanted(mill)).data
    shared = api(head_office).post(URL, wanted(mill, quay)).data
    for user, seen in ((manager, [mine]), (outsider, []), (head_office, [shared, mine])):
        assert [run["id"] for run in api(user).get(URL).data["results"]] == [run["id"] for run in seen]
        runs_of_lines = {str(line["run"]) for line in api(user).get(LINES).data["results"]}
        assert runs_of_lines == {run["id"] for run in seen}
    line = lines_of(api(manager), mine)[0]
    assert api(manager).get(f"{URL}{mine['id']}/").data == mine
    assert api(manager).get(f"{URL}{shared['id']}/").status_code == 404
    assert api(outsider).get(f"{URL}{mine['id']}/").status_code == 404
    assert api(outsider).get(f"{LINES}{line['id']}/").status_code == 404
    assert api(manager).get(f"{LINES}{line['id']}/").data == line
    assert api(clerk).get(URL).status_code == 403
    assert api(clerk).get(LINES).status_code == 403


def test_lists_and_the_run_itself_cost_a_constant_number_of_queries(api, manager, mill, power, used, sold_by, queries):
    client = api(manager)
    used(mill, power("-1.00"), STEADY[:8])
    sold_by()
    making = queries(lambda: client.post(URL, wanted(mill)))
    one_run, one_line = queries(lambda: client.get(URL)), queries(lambda: client.get(LINES))
    for n in range(10):
        used(mill, power(f"-{n % 5}.25", f"-{n // 5}.50"), STEADY[:8])
    again = queries(lambda: client.post(URL, wanted(mill)))
    for _ in range(3):
        client.post(URL, wanted(mill))
    assert len(client.get(LINES).data["results"]) > 30
    assert queries(lambda: client.get(URL)) == one_run
    assert queries(lambda: client.get(LINES)) == one_line
    assert again == making


def test_a_repeated_request_makes_one_run(api, manager, mill, power, used):
    used(mill, power(), STEADY)
    client = api(manager)
    answers = [client.post(URL, wanted(mill), headers={"Idempotency-Key": "monday"}) for _ in range(2)]
    assert answers[0].content == answers[1].content
    assert ReplenishmentRun.objects.count() == 1


@pytest.mark.parametrize("verb", ["UPDATE {} SET created_at = created_at", "DELETE FROM {}"])
def test_the_database_refuses_to_change_what_was_advised(api, manager, mill, power, used, verb):
    used(mill, power(), STEADY)
    api(manager).post(URL, wanted(mill))
    for table in ("replenishment_replenishmentrun", "replenishment_replenishmentline"):
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(verb.format(table))
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        ReplenishmentRun.objects.get().branches.clear()
    assert ReplenishmentLine.objects.everywhere("test").count() == 1
