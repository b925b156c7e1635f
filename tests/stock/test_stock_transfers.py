"""Pieces between branches: who may do what, where they are meanwhile, and what becomes of them."""

from __future__ import annotations

import pytest

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.stock import services
from opticshop.stock.models import Lot, Movement, Transfer, TransferLine
from opticshop.stock.selectors import ledger_differences
from tests.conftest import member
from tests.factories import BranchFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/stock/transfers/"
TILL = system("till")
UNKNOWN = "01890a5d-ac96-774b-bcce-b302099a8057"


def frames(branch, other, frame, quantity=2, **more):
    lines = [{"kind": "frame", "frame": str(frame.id), "quantity": quantity}]
    return {"sender": str(branch.id), "receiver": str(other.id), "lines": lines, **more}


def of(lot):
    """On hand, reserved and in transit of a lot, now."""
    lot.refresh_from_db()
    return lot.on_hand, lot.reserved, lot.in_transit


def events(kind):
    return list(OutboxEvent.objects.filter(type=kind).order_by("id").values_list("data", flat=True))


@pytest.fixture
def stranger(db):
    return member("stranger", "manager", BranchFactory(code="HILL"))


@pytest.fixture
def keeper(quay):
    return member("keeper", "counter", quay)


@pytest.fixture
def lot(mill, frame_item, receive):
    return receive(mill, frame_item, 5)


@pytest.fixture
def draft(api, clerk, mill, quay, frame, lot):
    response = api(clerk).post(URL, frames(mill, quay, frame, 3))
    assert response.status_code == 201, response.data
    return response.data


@pytest.fixture
def sent(api, clerk, draft):
    response = api(clerk).post(f"{URL}{draft['id']}/send/", {})
    assert response.status_code == 200, response.data
    return response.data


def pieces(transfer, quantity, **more):
    return {"lines": [{"line": transfer["lines"][0]["id"], "quantity": quantity}], **more}


def there(quay):
    return sorted(Lot.objects.everywhere("test").filter(branch=quay).values_list("code", "on_hand", "is_quarantined"))


def test_a_draft_moves_and_promises_nothing(draft, mill, quay, lot):
    assert draft["number"] == "MILL-T-2026-00001"
    assert (draft["state"], draft["in_transit"], draft["sender"]["code"], draft["receiver"]["code"]) == (
        "draft",
        0,
        "MILL",
        "QUAY",
    )
    assert of(lot) == (5, 0, 0)
    (drafted,) = events("stock.transfer_drafted")
    assert (drafted["sender"], drafted["receiver"], drafted["pieces"]) == (str(mill.id), str(quay.id), 3)


def test_what_was_sent_is_in_transit_and_nowhere_else(sent, lot, quay):
    assert (sent["state"], sent["in_transit"], sent["sent_by_label"]) == ("sent", 3, "Clerk")
    assert (sent["lines"][0]["lot"], sent["lines"][0]["lot_code"]) == (str(lot.id), "A")
    assert of(lot) == (2, 0, 3)
    assert there(quay) == []
    line = Movement.objects.everywhere("test").get(kind="transfer_out")
    assert (line.on_hand_change, line.in_transit_change, line.document) == (-3, 3, f"transfers/{sent['id']}")
    assert [each["pieces"] for each in events("stock.transfer_sent")] == [3]
    assert ledger_differences() == []


def test_it_arrives_in_parts_at_the_same_cost(api, keeper, sent, lot, quay):
    client = api(keeper)
    part = client.post(f"{URL}{sent['id']}/receive/", pieces(sent, 1))
    assert part.status_code == 200, part.data
    assert (part.data["state"], part.data["in_transit"], part.data["lines"][0]["received"]) == ("part_received", 2, 1)
    assert (of(lot), there(quay)) == ((2, 0, 2), [("A", 1, False)])
    whole = client.post(f"{URL}{sent['id']}/receive/", pieces(sent, 2)).data
    assert (whole["state"], whole["in_transit"], whole["ended_at"]) == ("received", 0, "2026-03-02T12:00:00Z")
    assert (of(lot), there(quay)) == ((2, 0, 0), [("A", 3, False)])
    assert Lot.objects.everywhere("test").get(branch=quay).unit_cost == lot.unit_cost
    assert [each["pieces"] for each in events("stock.transfer_arrived")] == [1, 2]
    assert [each["state"] for each in events("stock.transfer_ended")] == ["received"]
    assert len(events("stock.transferred_in")) == 4  # each arrival at either branch
    assert ledger_differences() == []


def test_what_is_lost_on_the_way_is_given_up_by_the_sender_with_a_reason(api, keeper, manager, sent, lot, quay):
    api(keeper).post(f"{URL}{sent['id']}/receive/", pieces(sent, 2))
    response = api(manager).post(f"{URL}{sent['id']}/lose/", pieces(sent, 1, reason="parcel was open"))
    assert response.status_code == 200, response.data
    assert (response.data["state"], response.data["lines"][0]["lost"]) == ("closed", 1)
    assert (of(lot), there(quay)) == ((2, 0, 0), [("A", 2, False)])
    line = Movement.objects.everywhere("test").get(kind="transfer_loss")
    assert (line.in_transit_change, line.reason, line.by) == (-1, "parcel was open", manager)
    assert len(events("stock.lost_in_transit")) == 1
    assert ledger_differences() == []


def test_what_comes_back_is_on_hand_again(api, clerk, sent, lot, quay):
    response = api(clerk).post(f"{URL}{sent['id']}/take-back/", pieces(sent, 3, reason="not delivered"))
    assert (response.data["state"], response.data["lines"][0]["returned"]) == ("closed", 3)
    assert (of(lot), there(quay)) == ((5, 0, 0), [])
    assert ledger_differences() == []


def test_a_draft_can_be_called_off_and_what_was_sent_cannot(api, clerk, draft, lot):
    client, url = api(clerk), f"{URL}{draft['id']}/"
    assert client.post(f"{url}cancel/", {"reason": "not needed"}).data["state"] == "cancelled"
    for verb, body in (("send", {}), ("cancel", {"reason": "again"})):
        response = client.post(f"{url}{verb}/", body)
        assert (response.status_code, response.data["code"]) == (409, "core.move_not_allowed")
    assert of(lot) == (5, 0, 0)


def test_sent_goods_cannot_be_called_off_or_sent_again(api, clerk, sent, lot):
    for verb, body in (("send", {}), ("cancel", {"reason": "oops"})):
        assert api(clerk).post(f"{URL}{sent['id']}/{verb}/", body).status_code == 409
    assert of(lot) == (2, 0, 3)


def test_oldest_lots_go_first_and_promised_or_quarantined_pieces_stay(
    api, clerk, manager, actor_of, mill, quay, frame, frame_item, receive
):
    old, bad, new = (receive(mill, frame_item, 2, code) for code in ("A", "B", "C"))
    services.stock_reserve(actor=TILL, branch=mill, item=frame_item, document="orders/x", part="frame")
    services.lot_quarantine(actor=actor_of(manager), lot=bad, reason="bent")
    client = api(clerk)
    draft = client.post(URL, frames(mill, quay, frame, 3)).data
    sent = client.post(f"{URL}{draft['id']}/send/", {}).data
    assert [(line["lot_code"], line["quantity"]) for line in sent["lines"]] == [("A", 1), ("C", 2)]
    assert [of(lot) for lot in (old, bad, new)] == [(1, 1, 1), (2, 0, 0), (0, 0, 2)]
    assert ledger_differences() == []


def test_all_that_is_wanted_is_sent_or_nothing(api, clerk, mill, quay, frame, frame_item, lens, lens_item, receive):
    lots = receive(mill, frame_item, 5), receive(mill, lens_item, 1)
    body = frames(mill, quay, frame, 3)
    body["lines"].append(
        {"kind": "lens", "lens": str(lens.id), "sphere_dpt": "-2.5", "cylinder_dpt": "0.5", "quantity": 2}
    )
    client = api(clerk)
    draft = client.post(URL, body).data
    response = client.post(f"{URL}{draft['id']}/send/", {})
    assert (response.status_code, response.data["code"]) == (409, "stock.not_enough_to_send")
    assert response.data["missing"] == [{"item": str(lens_item.id), "wanted": 2, "available": 1}]
    assert [of(lot) for lot in lots] == [(5, 0, 0), (1, 0, 0)]
    assert not events("stock.transfer_sent")
    assert client.get(f"{URL}{draft['id']}/").data["state"] == "draft"


@pytest.mark.parametrize("verb", ["receive", "lose", "take-back"])
def test_no_more_arrives_or_is_lost_than_is_in_transit(api, head_office, sent, lot, quay, verb):
    why = {} if verb == "receive" else {"reason": "x"}
    before = OutboxEvent.objects.count()
    client, url = api(head_office), f"{URL}{sent['id']}/{verb}/"
    response = client.post(url, pieces(sent, 4, **why))
    assert (response.status_code, response.data["code"]) == (409, "stock.more_than_sent")
    assert response.data["errors"][0]["allowed"] == 3
    unknown = client.post(url, {"lines": [{"line": UNKNOWN, "quantity": 1}], **why})
    assert (unknown.status_code, unknown.data["code"]) == (404, "core.not_found")
    twice = {"lines": pieces(sent, 1)["lines"] * 2, **why}
    for body in (pieces(sent, 0, **why), pieces(sent, -1, **why), {"lines": [], **why}, twice):
        assert client.post(url, body).status_code == 400
    assert (of(lot), there(quay), OutboxEvent.objects.count()) == ((2, 0, 3), [], before)


def test_nothing_arrives_that_was_not_sent(api, head_office, draft, lot):
    response = api(head_office).post(f"{URL}{draft['id']}/receive/", pieces(draft, 1))
    assert (response.status_code, response.data["code"]) == (409, "core.move_not_allowed")
    assert of(lot) == (5, 0, 0)


def test_a_branch_does_not_send_to_itself_or_to_nowhere(api, head_office, mill, quay, frame, lot):
    closed = BranchFactory(code="OLD", is_active=False)
    abroad = BranchFactory(code="ABR", currency="EUR")
    for other, status, code in (
        (mill.id, 422, "stock.transfer_to_itself"),
        (closed.id, 409, "stock.branch_closed"),
        (abroad.id, 409, "stock.transfer_across_currencies"),
        (UNKNOWN, 404, "core.not_found"),
    ):
        response = api(head_office).post(URL, frames(mill, quay, frame) | {"receiver": str(other)})
        assert (response.status_code, response.json()["code"]) == (status, code)
    assert not Transfer.objects.everywhere("test").exists()
    assert not events("stock.transfer_drafted")


@pytest.mark.parametrize("quantity", [0, -3, 10_001, "many"])
def test_a_quantity_that_makes_no_sense_drafts_nothing(api, clerk, mill, quay, frame, quantity):
    assert api(clerk).post(URL, frames(mill, quay, frame, quantity)).status_code == 400
    assert not Transfer.objects.everywhere("test").exists()


def test_either_branch_drafts_but_no_third(api, keeper, stranger, hand, mill, quay, frame):
    assert api(keeper).post(URL, frames(mill, quay, frame)).status_code == 201
    assert api(stranger).post(URL, frames(mill, quay, frame)).status_code == 404
    assert api(hand).post(URL, frames(mill, quay, frame)).status_code == 403
    assert Transfer.objects.everywhere("test").count() == 1


def test_both_branches_see_it_and_nobody_else(api, clerk, keeper, stranger, head_office, bookkeeper, sent):
    for user in (clerk, keeper, head_office):
        assert [row["id"] for row in api(user).get(URL).data["results"]] == [sent["id"]]
        assert api(user).get(f"{URL}{sent['id']}/").status_code == 200
    assert api(stranger).get(URL).data["results"] == []
    assert api(stranger).get(f"{URL}{sent['id']}/").status_code == 404
    assert api(bookkeeper).get(URL).status_code == 403
    for verb in ("receive", "lose", "take-back"):
        assert api(stranger).post(f"{URL}{sent['id']}/{verb}/", pieces(sent, 1, reason="x")).status_code == 404


def test_the_sender_sends_and_the_receiver_receives(api, clerk, manager, keeper, outsider, draft, lot):
    url = f"{URL}{draft['id']}/"
    assert api(keeper).post(f"{url}send/", {}).status_code == 403
    sent = api(clerk).post(f"{url}send/", {}).data
    assert api(manager).post(f"{url}receive/", pieces(sent, 1)).status_code == 403
    assert api(outsider).post(f"{url}lose/", pieces(sent, 1, reason="x")).status_code == 403
    assert api(keeper).post(f"{url}take-back/", pieces(sent, 1, reason="x")).status_code == 403
    assert api(clerk).post(f"{url}lose/", pieces(sent, 1, reason="x")).status_code == 403
    assert of(lot) == (2, 0, 3)


def test_the_other_end_can_be_named(api, clerk, bookkeeper, mill, quay):
    BranchFactory(code="OLD", is_active=False)
    codes = {row["code"] for row in api(clerk).get("/api/v1/stock/transfer-branches/").data["results"]}
    assert codes == {"MILL", "QUAY"}
    assert api(bookkeeper).get("/api/v1/stock/transfer-branches/").status_code == 403


def test_a_repeated_request_moves_once(api, clerk, keeper, draft, lot, quay):
    for _ in range(2):
        sent = api(clerk).post(f"{URL}{draft['id']}/send/", {}, headers={"Idempotency-Key": "s"})
    body = pieces(sent.json(), 1)
    for _ in range(2):
        api(keeper).post(f"{URL}{draft['id']}/receive/", body, headers={"Idempotency-Key": "r"})
    assert (of(lot), there(quay)) == ((2, 0, 2), [("A", 1, False)])


def test_a_lot_unlike_the_one_of_that_name_there_gets_a_name_of_its_own(
    api, keeper, manager, actor_of, mill, quay, frame_item, receive, lot, sent
):
    receive(quay, frame_item, 4, "A", cost="9.99")
    api(keeper).post(f"{URL}{sent['id']}/receive/", pieces(sent, 1))
    services.lot_quarantine(actor=actor_of(manager), lot=lot, reason="hinges")
    api(keeper).post(f"{URL}{sent['id']}/receive/", pieces(sent, 2))
    own = f"A~{sent['lines'][0]['id'].replace('-', '')[-8:]}"
    assert there(quay) == [("A", 4, False), (own, 1, False), (own + "Q", 2, True)]
    assert Lot.objects.everywhere("test").get(code=own + "Q").quarantine_reason == "MILL: hinges"
    assert ledger_differences() == []


def test_on_the_paper_of_a_transfer_a_stroke_of_the_pen_is_found(sent, lot):
    TransferLine.objects.everywhere("test").update(received=2)
    found = {(difference.what, difference.kept, difference.computed) for difference in ledger_differences()}
    assert found == {("received", 2, 0), ("taken in by the receiver", 2, 0)}


@pytest.mark.parametrize("path", ["", "?state=sent", "?number=MILL-T-2026-00001"])
def test_transfers_are_listed_at_a_constant_cost(api, clerk, mill, quay, frame, sent, queries, path):
    client = api(clerk)
    one = queries(lambda: client.get(URL + path))
    for _ in range(9):
        client.post(URL, frames(mill, quay, frame, 1))
    assert queries(lambda: client.get(URL + path)) == one
    assert sent["id"] in [row["id"] for row in client.get(URL + path).data["results"]]
