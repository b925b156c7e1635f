"""Looking into the drawers: lots, movements, the grid of powers, one power."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.core.actor import system
from opticshop.optics.powers import transpose
from opticshop.stock import services
from opticshop.stock.models import Lot
from opticshop.stock.powers import minus_form
from tests.factories import BranchFactory, LensProductFactory

URL = "/api/v1/stock/"
quarters = st.integers(-80, 80).map(lambda n: Decimal(n) / 4)


def item_of(lens, sphere, cylinder="0"):
    return services.lens_item_ensure(lens, Decimal(sphere), Decimal(cylinder))


def ids(response):
    assert response.status_code == 200, response.data
    return [row["id"] for row in response.data["results"]]


@given(quarters, quarters)
def test_the_minus_form_is_the_same_lens(sphere, cylinder):
    """Against the optics' transposition, and twice is once."""
    s, c = minus_form(sphere, cylinder)
    assert c <= 0
    assert minus_form(s, c) == (s, c)
    other_sphere, other_cylinder, _ = transpose(float(sphere), float(cylinder), 90.0)
    expected = (float(sphere), float(cylinder)) if cylinder <= 0 else (other_sphere, other_cylinder)
    assert (float(s), float(c)) == expected


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("kind=frame", ["frame"]),
        ("kind=lens", ["minus", "plus"]),
        ("sphere_dpt=-2", ["minus"]),
        ("sphere_dpt=1&cylinder_dpt=-0.5", ["plus"]),
        ("sphere_dpt=0.5&cylinder_dpt=0.5", ["plus"]),
        ("cylinder_dpt=0", ["minus"]),
        ("available=true", ["minus", "plus"]),
        ("available=false", ["frame"]),
    ],
)
def test_lots_are_found(api, clerk, mill, lens, frame_item, receive, query, wanted):
    lots = {
        "minus": receive(mill, item_of(lens, "-2"), 1),
        "plus": receive(mill, item_of(lens, "1", "-0.5"), 1),
        "frame": receive(mill, frame_item, 1),
    }
    services.stock_reserve(actor=system("till"), branch=mill, item=frame_item, document="orders/x", part="frame")
    assert set(ids(api(clerk).get(f"{URL}?{query}"))) == {str(lots[name].id) for name in wanted}


@pytest.mark.django_db
def test_lots_are_found_by_article_and_branch(api, head_office, mill, quay, lens, frame, frame_item, receive):
    here, there = receive(mill, item_of(lens, "-2"), 1), receive(quay, item_of(lens, "-2"), 1)
    framed = receive(mill, frame_item, 1)
    client = api(head_office)
    assert ids(client.get(f"{URL}?lens={lens.id}&branch={quay.id}")) == [str(there.id)]
    assert ids(client.get(f"{URL}?frame={frame.id}")) == [str(framed.id)]
    assert set(ids(client.get(URL))) == {str(lot.id) for lot in (here, there, framed)}


@pytest.mark.django_db
def test_only_the_own_branch_is_seen(api, clerk, outsider, bookkeeper, mill, lens_item, receive):
    lot = receive(mill, lens_item, 1)
    assert ids(api(clerk).get(URL)) == [str(lot.id)]
    assert api(clerk).get(f"{URL}{lot.id}/").data["code"] == "A"
    assert ids(api(outsider).get(URL)) == []
    assert ids(api(outsider).get(f"{URL}movements/?lot={lot.id}")) == []
    assert api(outsider).get(f"{URL}{lot.id}/").status_code == 404
    assert api(bookkeeper).get(URL).status_code == 403
    assert api(bookkeeper).get(f"{URL}movements/").status_code == 403
    assert api(None).get(URL).status_code == 401


@pytest.mark.django_db
def test_the_ledger_of_a_lot_or_a_document_is_listed_newest_first(api, clerk, mill, lens_item, frame_item, receive):
    lot = receive(mill, lens_item, 2)
    receive(mill, frame_item, 1)
    services.stock_reserve(actor=system("till"), branch=mill, item=lens_item, document="orders/x", part="right")
    services.stock_release(actor=system("till"), branch=mill, document="orders/x", reason="called off")
    client = api(clerk)
    rows = client.get(f"{URL}movements/?lot={lot.id}").data["results"]
    assert [(row["line"], row["kind"], row["on_hand_after"], row["reserved_after"]) for row in rows] == [
        (3, "release", 2, 0),
        (2, "reservation", 2, 1),
        (1, "receipt", 2, 0),
    ]
    assert {row["item"] for row in rows} == {str(lens_item.id)}
    assert len(client.get(f"{URL}movements/?document=orders/x").data["results"]) == 2
    assert len(client.get(f"{URL}movements/?kind=receipt").data["results"]) == 2


@pytest.mark.django_db
def test_the_ledger_is_read_only_over_http(api, head_office, mill, lens_item, receive):
    receive(mill, lens_item, 1)
    client = api(head_office)
    line = client.get(f"{URL}movements/").data["results"][0]
    for call in (client.put, client.patch, client.delete):
        assert call(f"{URL}movements/{line['id']}/").status_code == 404
    assert client.post(f"{URL}movements/", {}).status_code == 405
    lot = line["lot"]
    for call in (client.put, client.patch, client.delete):
        assert call(f"{URL}{lot}/", {"on_hand": 5}).status_code == 405


@pytest.mark.django_db
def test_the_grid_holds_what_the_branch_holds(api, clerk, mill, quay, lens, receive):
    receive(mill, item_of(lens, "-2", "-0.5"), 3, "A")
    receive(mill, item_of(lens, "-2", "-0.5"), 2, "B")
    receive(mill, item_of(lens, "1.25"), 1)
    receive(quay, item_of(lens, "1.5"), 9)
    receive(mill, item_of(LensProductFactory(), "-2", "-0.5"), 7)
    services.stock_reserve(
        actor=system("till"), branch=mill, item=item_of(lens, "-2", "-0.5"), document="orders/x", part="right"
    )
    services.stock_reserve(actor=system("till"), branch=mill, item=item_of(lens, "1.25"), document="orders/y", part="x")
    services.stock_consume(actor=system("till"), branch=mill, document="orders/y")
    grid = api(clerk).get(f"{URL}grid/?branch={mill.id}&lens={lens.id}").data
    assert (grid["spheres_dpt"][0], grid["spheres_dpt"][-1], len(grid["spheres_dpt"])) == ("-6.00", "4.00", 41)
    assert grid["cylinders_dpt"] == ["0.00", "-0.25", "-0.50", "-0.75", "-1.00", "-1.25", "-1.50", "-1.75", "-2.00"]
    (cell,) = grid["cells"]
    assert (cell["sphere_dpt"], cell["cylinder_dpt"]) == ("-2.00", "-0.50")
    assert (cell["on_hand"], cell["reserved"], cell["available"]) == (5, 1, 4)


@pytest.mark.django_db
def test_a_full_grid_has_as_many_cells_as_the_trade_counts(api, clerk, mill):
    """49 spheres x 9 cylinders = 441 cells per product and diameter (trade dossier, section 8; from memory)."""
    lens = LensProductFactory(sphere_min_dpt="-6", sphere_max_dpt="6", cylinder_max_dpt="2")
    grid = api(clerk).get(f"{URL}grid/?branch={mill.id}&lens={lens.id}").data
    assert (len(grid["spheres_dpt"]), len(grid["cylinders_dpt"])) == (49, 9)
    assert len(grid["spheres_dpt"]) * len(grid["cylinders_dpt"]) == 441
    assert grid["cells"] == []


@pytest.mark.django_db
@pytest.mark.parametrize("power", ["sphere_dpt=1&cylinder_dpt=-0.5", "sphere_dpt=0.5&cylinder_dpt=0.5"])
def test_a_power_is_found_in_either_form(api, clerk, mill, quay, lens, receive, power):
    item = item_of(lens, "1", "-0.5")
    old, new = receive(mill, item, 1, "A"), receive(mill, item, 2, "B")
    receive(quay, item, 9)
    services.stock_reserve(actor=system("till"), branch=mill, item=item, document="orders/x", part="right")
    found = api(clerk).get(f"{URL}find/?branch={mill.id}&lens={lens.id}&{power}").data
    assert (found["item"], found["sphere_dpt"], found["cylinder_dpt"]) == (str(item.id), "1.00", "-0.50")
    assert (found["on_hand"], found["reserved"], found["available"]) == (3, 1, 2)
    assert [lot["id"] for lot in found["lots"]] == [str(old.id), str(new.id)]


@pytest.mark.django_db
def test_a_power_that_was_never_there_is_none(api, clerk, mill, lens):
    found = api(clerk).get(f"{URL}find/?branch={mill.id}&lens={lens.id}&sphere_dpt=3").data
    assert (found["item"], found["available"], found["lots"], found["cylinder_dpt"]) == (None, 0, [], "0.00")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("path", "status", "code"),
    [
        ("find/?branch={mill}&lens={lens}&sphere_dpt=-6.25", 422, "stock.power_not_stocked"),
        ("find/?branch={mill}&lens={lens}&sphere_dpt=4&cylinder_dpt=0.25", 422, "stock.power_not_stocked"),
        ("find/?branch={mill}&lens={lens}&sphere_dpt=0.1", 422, "stock.power_not_stocked"),
        ("find/?branch={mill}&lens={lens}", 400, "core.malformed"),
        ("find/?branch={mill}&lens={lens}&sphere_dpt=x", 400, "core.malformed"),
        ("find/?branch={mill}&lens={lens}&sphere_dpt=1&axis=90", 400, "core.malformed"),
        ("grid/?branch={mill}&lens={mill}", 404, "core.not_found"),
        ("grid/?branch={quay}&lens={lens}", 404, "core.not_found"),
        ("find/?branch={quay}&lens={lens}&sphere_dpt=1", 404, "core.not_found"),
        ("grid/?branch={mill}&lens={made}", 422, "stock.not_a_stock_lens"),
        ("grid/?branch=x&lens={lens}", 400, "core.malformed"),
        ("?branch=x", 400, "core.malformed"),
    ],
)
def test_a_question_that_makes_no_sense_is_a_problem(api, clerk, mill, quay, lens, path, status, code):
    made = LensProductFactory(supply="made_to_order")
    asked = path.format(mill=mill.id, quay=quay.id, lens=lens.id, made=made.id)
    response = api(clerk).get(URL + asked)
    assert (response.status_code, response.json()["code"]) == (status, code)


@pytest.mark.django_db
@pytest.mark.parametrize("path", ["", "movements/", "grid/?branch={mill}&lens={lens}"])
def test_a_list_costs_the_same_for_one_row_and_for_ten(api, clerk, mill, lens, receive, queries, path):
    client, url = api(clerk), URL + path.format(mill=mill.id, lens=lens.id)
    receive(mill, item_of(lens, "-2"), 1)
    one = queries(lambda: client.get(url))
    for n in range(9):
        receive(mill, item_of(lens, Decimal(n) / 4), 1)
    assert queries(lambda: client.get(url)) == one


@pytest.mark.django_db
def test_the_grid_shows_what_is_held_awaited_and_wanted(api, clerk, manager, actor_of, mill, quay, lens, receive):
    till = system("till")
    stocked, ordered, coming, apart = (item_of(lens, sphere, "-0.5") for sphere in ("-2", "-1", "0", "1"))
    receive(mill, stocked, 3)
    services.stock_reserve(actor=till, branch=mill, item=stocked, document="orders/x", part="right")
    services.stock_level_set(actor=till, branch=mill, item=stocked, minimum=4, target=8)
    services.expected_change(actor=till, branch=mill, item=ordered, delta=6, document="purchase-orders/x")
    services.expected_change(actor=till, branch=quay, item=ordered, delta=9, document="purchase-orders/y")
    receive(quay, coming, 2)
    transfer = services.transfer_draft(actor=till, sender=quay, receiver=mill, wanted=[(coming, 2)])
    transfer = services.transfer_send(actor=till, transfer=transfer)
    services.lot_quarantine(actor=actor_of(manager), lot=receive(mill, apart, 1), reason="scratched")

    grid = api(clerk).get(f"{URL}grid/?branch={mill.id}&lens={lens.id}").data
    rows, columns = grid["spheres_dpt"], grid["cylinders_dpt"]

    def filled(figure):
        matrix = grid["matrices"][figure]
        assert (len(matrix), {len(row) for row in matrix}) == (len(rows), {len(columns)})
        return {(rows[r], columns[c]): n for r, row in enumerate(matrix) for c, n in enumerate(row) if n}

    assert filled("on_hand") == {("-2.00", "-0.50"): 3, ("1.00", "-0.50"): 1}
    assert filled("available") == {("-2.00", "-0.50"): 2}
    assert filled("on_order") == {("-1.00", "-0.50"): 6}
    assert filled("in_transit") == {("0.00", "-0.50"): 2}
    assert filled("minimum") == {("-2.00", "-0.50"): 4}
    cells = {cell["sphere_dpt"]: cell for cell in grid["cells"]}
    assert (cells["1.00"]["quarantined"], cells["1.00"]["available"], cells["-2.00"]["target"]) == (1, 0, 8)
    line = transfer.lines.get()
    services.transfer_receive(actor=till, transfer=transfer, arrived={line.id: 2})
    after = {c["sphere_dpt"]: c for c in api(clerk).get(f"{URL}grid/?branch={mill.id}&lens={lens.id}").data["cells"]}
    assert (after["0.00"]["on_hand"], after["0.00"]["in_transit"]) == (2, 0)


@pytest.mark.django_db
def test_a_power_out_of_todays_range_is_a_cell_but_in_no_matrix(api, clerk, mill, lens, receive):
    receive(mill, item_of(lens, "-6"), 1)
    lens.sphere_min_dpt = Decimal("-4")
    lens.save()
    grid = api(clerk).get(f"{URL}grid/?branch={mill.id}&lens={lens.id}").data
    assert [cell["sphere_dpt"] for cell in grid["cells"]] == ["-6.00"]
    assert sum(map(sum, grid["matrices"]["on_hand"])) == 0


@pytest.mark.django_db
@pytest.mark.parametrize("power", ["sphere_dpt=1&cylinder_dpt=-0.5", "sphere_dpt=0.5&cylinder_dpt=0.5"])
def test_other_branches_that_could_help_are_named_to_those_who_may_see_them(
    api, clerk, head_office, manager, outsider, actor_of, mill, quay, lens, receive, power
):
    item = item_of(lens, "1", "-0.5")
    more, promised, apart, closed = (BranchFactory(code=code) for code in ("MORE", "PROM", "APRT", "SHUT"))
    for branch, pieces in ((quay, 2), (more, 5), (promised, 1), (apart, 3), (closed, 4)):
        receive(branch, item, pieces)
    services.stock_reserve(actor=system("till"), branch=promised, item=item, document="orders/x", part="right")
    bad = lots_of(apart)
    services.lot_quarantine(actor=system("till"), lot=bad, reason="scratched")
    closed.is_active = False
    closed.save()
    url = f"{URL}find/?branch={mill.id}&lens={lens.id}&{power}"
    found = api(head_office).get(url).data
    assert (found["available"], found["lots"]) == (0, [])
    assert [(place["code"], place["available"]) for place in found["elsewhere"]] == [("MORE", 5), ("QUAY", 2)]
    assert api(clerk).get(url).data["elsewhere"] == []


def lots_of(branch):
    return Lot.objects.everywhere("test").get(branch=branch)


@pytest.mark.django_db
def test_finding_costs_the_same_for_many_branches_and_lots(api, head_office, mill, lens, receive, queries):
    item = item_of(lens, "1", "-0.5")
    url = f"{URL}find/?branch={mill.id}&lens={lens.id}&sphere_dpt=1&cylinder_dpt=-0.5"
    client = api(head_office)
    receive(mill, item, 1)
    receive(BranchFactory(), item, 1)
    one = queries(lambda: client.get(url))
    for n in range(6):
        receive(mill, item, 1, f"L{n}")
        receive(BranchFactory(), item, 1)
    assert len(client.get(url).data["elsewhere"]) == 7
    assert queries(lambda: client.get(url)) == one


@pytest.mark.django_db
def test_the_grid_costs_the_same_with_all_its_figures(api, clerk, mill, quay, lens, receive, queries):
    till, client, url = system("till"), api(clerk), f"{URL}grid/?branch={mill.id}&lens={lens.id}"

    def put(n):
        item = item_of(lens, Decimal(-n) / 4)
        receive(mill, item, 1)
        receive(quay, item, 1)
        services.stock_level_set(actor=till, branch=mill, item=item, minimum=1, target=2)
        services.expected_change(actor=till, branch=mill, item=item, delta=1, document="purchase-orders/x")
        transfer = services.transfer_draft(actor=till, sender=quay, receiver=mill, wanted=[(item, 1)])
        services.transfer_send(actor=till, transfer=transfer)

    put(0)
    one = queries(lambda: client.get(url))
    for n in range(1, 6):
        put(n)
    assert queries(lambda: client.get(url)) == one
