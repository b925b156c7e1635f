"""Entering and changing instruments and check pieces."""

from __future__ import annotations

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.instruments.models import CheckPiece, Instrument
from tests.instruments.conftest import INSTRUMENTS, PIECES, add_instrument, add_piece
from tests.tags import version_in

pytestmark = pytest.mark.django_db


def types():
    return [event.type for event in OutboxEvent.objects.order_by("id")]


def body(branch, **more):
    return {"branch": str(branch.id), "kind": "focimeter", "name": "Focimeter 2", **more}


def piece_body(branch, **more):
    return {
        "branch": str(branch.id),
        "name": "Test lens +5",
        "quantity": "power_dpt",
        "certified_value": "5.01",
        "uncertainty": "0.01",
        **more,
    }


def test_a_manager_enters_an_instrument(api, manager, mill):
    response = api(manager).post(INSTRUMENTS, body(mill, serial_number="F-1", power_uncertainty_dpt="0.03"))
    assert response.status_code == 201, response.content
    found = response.json()
    assert found["uncertainty"]["power_dpt"] == "0.030"
    assert found["calibration"]["state"] == "overdue"
    assert types() == ["instruments.added"]
    assert api(manager).get(f"{INSTRUMENTS}{found['id']}/").json() == found


def test_a_name_is_used_once_per_branch(api, manager, head_office, mill, quay):
    assert api(manager).post(INSTRUMENTS, body(mill)).status_code == 201
    taken = api(manager).post(INSTRUMENTS, body(mill))
    assert (taken.status_code, taken.json()["code"]) == (409, "instruments.name_taken")
    assert api(head_office).post(INSTRUMENTS, body(quay)).status_code == 201
    other = add_instrument(mill, name="Other")
    renamed = api(manager).patch(f"{INSTRUMENTS}{other.id}/", {"name": "Focimeter 2"}, headers={"If-Match": '"1"'})
    assert (renamed.status_code, renamed.json()["code"]) == (409, "instruments.name_taken")
    assert types() == ["instruments.added", "instruments.added"]


def test_a_change_is_guarded_by_the_version(api, manager, mill):
    instrument = add_instrument(mill)
    url = f"{INSTRUMENTS}{instrument.id}/"
    assert api(manager).patch(url, {"note": "by the window"}).status_code == 428
    changed = api(manager).patch(url, {"note": "by the window", "interval_days": 7}, headers={"If-Match": '"1"'})
    assert (changed.status_code, version_in(changed), changed.json()["interval_days"]) == (200, 2, 7)
    assert api(manager).patch(url, {"note": "gone"}, headers={"If-Match": '"1"'}).status_code == 412
    assert types() == ["instruments.changed"]


@pytest.mark.parametrize(
    "wrong", [{"kind": "telescope"}, {"interval_days": 0}, {"power_uncertainty_dpt": "-1"}, {"colour": "red"}]
)
def test_what_cannot_be_is_refused(api, manager, mill, wrong):
    assert api(manager).post(INSTRUMENTS, body(mill, **wrong)).status_code == 400
    assert not Instrument.objects.everywhere("test").exists()
    assert types() == []


def test_who_may_enter_and_see_instruments(api, hand, clerk, outsider, bookkeeper, mill):
    assert api(hand).post(INSTRUMENTS, body(mill)).status_code == 403
    assert api(clerk).post(PIECES, piece_body(mill)).status_code == 403
    assert api(outsider).post(INSTRUMENTS, body(mill)).status_code == 404
    assert api(outsider).post(PIECES, piece_body(mill)).status_code == 404
    instrument, piece = add_instrument(mill), add_piece(mill)
    for url in (f"{INSTRUMENTS}{instrument.id}/", f"{PIECES}{piece.id}/"):
        assert api(clerk).get(url).status_code == 200
        assert api(outsider).get(url).status_code == 404
        assert api(outsider).patch(url, {"name": "Mine"}, headers={"If-Match": '"1"'}).status_code == 404
        assert api(hand).patch(url, {"name": "Mine"}, headers={"If-Match": '"1"'}).status_code == 403
        assert api(bookkeeper).get(url).status_code == 403
    assert api(outsider).get(INSTRUMENTS).json()["results"] == []
    assert types() == []


def test_a_check_piece_is_entered_and_retired_but_its_value_stays(api, manager, mill):
    response = api(manager).post(PIECES, piece_body(mill, certificate="C-1", certificate_expires_on="2028-01-01"))
    assert response.status_code == 201, response.content
    url = f"{PIECES}{response.json()['id']}/"
    assert api(manager).patch(url, {"certified_value": "5.10"}, headers={"If-Match": '"1"'}).status_code == 400
    assert api(manager).patch(url, {"is_active": False}, headers={"If-Match": '"0"'}).status_code == 412
    assert api(manager).patch(url, {"is_active": False}, headers={"If-Match": '"1"'}).json()["is_active"] is False
    assert str(CheckPiece.objects.everywhere("test").get().certified_value) == "5.010"
    assert types() == ["instruments.piece_added", "instruments.piece_changed"]
    assert api(manager).get(f"{PIECES}?is_active=true").json()["results"] == []


def test_lists_cost_the_same_for_one_and_for_ten(api, manager, mill, queries, focimeter):
    focimeter.check_all()
    client = api(manager)
    one, one_piece = queries(lambda: client.get(INSTRUMENTS)), queries(lambda: client.get(PIECES))
    for number in range(9):
        focimeter.row = add_instrument(mill, name=f"Number {number}")
        focimeter.check_all()
    assert len(client.get(f"{INSTRUMENTS}?kind=focimeter&branch={mill.id}").json()["results"]) == 10
    assert queries(lambda: client.get(INSTRUMENTS)) == one
    assert queries(lambda: client.get(PIECES)) == one_piece
