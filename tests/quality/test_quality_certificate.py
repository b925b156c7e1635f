"""The certificate of a passed pair over the API, read back with an independent PDF reader."""

from __future__ import annotations

import io

import pytest
from pypdf import PdfReader

from opticshop.documents.wording import in_steps
from opticshop.quality.certificate_statements import CLOSING, DEVICES, EVERYWHERE, statements_for
from opticshop.quality.certificates import certificate_data
from opticshop.quality.models import Inspection
from tests.instruments.conftest import add_instrument
from tests.quality.conftest import HANDOVERS, INSPECTIONS, inspect, pay

pytestmark = pytest.mark.django_db


def url_of(inspection_id):
    return f"{INSPECTIONS}{inspection_id}/certificate/"


def words(response):
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(response.content)).pages).split())


@pytest.fixture
def passed(glazed):
    response = inspect(glazed.client, glazed.job_id)
    assert response.json()["outcome"] == "pass", response.content
    return response.json()


def test_the_certificate_holds_readings_limits_verdict_and_lots(glazed, passed, world, order, hand):
    response = glazed.client.get(url_of(passed["id"]), headers={"Accept": "application/pdf"})
    assert response.status_code == 200, response.content
    assert response["Content-Type"] == "application/pdf"
    assert response["Cache-Control"] == "no-store"
    said = words(response)
    for fact in (
        "Certificate of inspection",
        f"PASSED by {passed['verdict']['standard_title']}",
        passed["standard"],
        str(world.customer.id),
        str(world.prescription.id),
        order["number"],
        "MILL-J-2026-00001",
        "−4.00 / −1.00 × 170",
        "lot L1",
        f"Inspected by {hand.display_name}",
        EVERYWHERE[0].words,
        DEVICES["GB"][0].words[:60],
        CLOSING.words,
    ):
        assert fact in said, fact
    for line in passed["verdict"]["lines"]:
        if line["outcome"] == "pass" and line["limit"] is not None:
            assert in_steps(line["limit"], line["unit"]) in said
    claim = "no claim of conformity" in said
    assert claim is passed["leaned_on_unconfirmed"]
    for private in (world.customer.family_name, world.customer.email, "1984"):
        assert private not in said


@pytest.mark.parametrize(
    ("value", "unit", "printed"),
    [
        ("0.00000000", "Δ", "0.00"),
        ("-0.00000000", "Δ", "0.00"),
        ("-0.2500", "D", "−0.25"),
        ("0.125", "D", "0.125"),
        ("0.33333333", "Δ", "0.333"),
        ("2", "°", "2"),
        ("2.50", "°", "2.5"),
        ("31", "mm", "31.0"),
        ("31.25", "mm", "31.25"),
        ("1E+1", "mm", "10.0"),
        (None, "D", ""),
    ],
)
def test_numbers_are_printed_in_the_steps_of_the_trade(value, unit, printed):
    """Powers and prism to a hundredth, lengths to a tenth, angles to a degree: common practice, no source."""
    assert in_steps(value, unit) == printed


def test_what_computing_left_in_a_judged_number_is_not_printed(passed):
    """A prism worked out from centration has eight places in the verdict."""
    inspection = Inspection.objects.everywhere("test").get(id=passed["id"])
    for line in inspection.verdict["lines"]:
        if line["unit"] == "Δ":
            line["ordered"], line["deviation"] = "0.00000000", "-0.00000000"
    lines = [line for line in certificate_data(inspection).lines if line.unit == "Δ"]
    assert lines
    assert {(line.ordered, line.deviation) for line in lines} == {("0.00", "0.00")}


def test_the_same_inspection_gives_the_same_bytes(glazed, passed):
    client = glazed.client
    assert client.get(url_of(passed["id"])).content == client.get(url_of(passed["id"])).content


def test_after_collection_the_lots_are_still_named(ready, order, api, clerk):
    [inspection] = ready.client.get(f"{INSPECTIONS}?job={ready.job_id}").json()["results"]
    pay(api(clerk), order)
    assert api(clerk).post(HANDOVERS, {"order": order["id"]}).status_code == 201
    response = api(clerk).get(url_of(inspection["id"]))
    assert response.status_code == 200, response.content
    assert "lot L1" in words(response)


@pytest.mark.parametrize("changes", [{"right": {"axis_deg": 120}}, {"visual": {}}], ids=["failed", "incomplete"])
def test_an_inspection_that_did_not_pass_has_no_certificate(glazed, changes):
    inspection = inspect(glazed.client, glazed.job_id, **changes).json()
    response = glazed.client.get(url_of(inspection["id"]))
    assert response.status_code == 409
    assert response.json()["code"] == "quality.certificate_not_due"
    assert inspection["outcome"] in response.json()["detail"]


def test_a_job_stopped_after_its_inspection_has_no_certificate(glazed, passed):
    glazed.done("stop", {"reason": "screw lost"})
    response = glazed.client.get(url_of(passed["id"]))
    assert (response.status_code, response.json()["code"]) == (409, "quality.certificate_not_due")


def test_a_pair_made_again_has_the_certificate_of_its_new_making_only(ready, order):
    [inspection] = ready.client.get(f"{INSPECTIONS}?job={ready.job_id}").json()["results"]
    remake = ready.client.post(
        "/api/v1/jobs/", {"order": order["id"], "remake_reason": "Left lens scratched", "eyes": ["left"]}
    )
    assert remake.status_code == 201, remake.content
    response = ready.client.get(url_of(inspection["id"]))
    assert response.status_code == 409
    assert remake.json()["number"] in response.json()["detail"]


def test_it_waits_for_the_second_person_and_names_both_and_the_instruments(glazed, mill, api, manager):
    mill.second_check = True
    mill.save()
    focimeter = add_instrument(mill, serial_number="0815")
    found = inspect(glazed.client, glazed.job_id, instruments=[str(focimeter.id)]).json()
    assert found["outcome"] == "pass"
    refused = glazed.client.get(url_of(found["id"]))
    assert refused.status_code == 409
    assert "second person" in refused.json()["detail"]
    agreed = api(manager).post(f"{INSPECTIONS}{found['id']}/second-check/", {"agrees": True})
    assert agreed.status_code == 200, agreed.content
    said = words(glazed.client.get(url_of(found["id"])))
    assert "Inspected by Hand, 2 March 2026" in said
    assert "Confirmed by Manager (D-00001 (invented)), 2026-03-02" in said
    assert f"{focimeter.name}, serial 0815, calibration" in said
    [used] = found["used_instruments"]
    assert used["flag"] in said, "an instrument in doubt is said to be so"


def test_who_may_read_it(glazed, passed, api, clerk, outsider, bookkeeper):
    assert api(clerk).get(url_of(passed["id"])).status_code == 200
    assert api(outsider).get(url_of(passed["id"])).status_code == 404
    assert api(bookkeeper).get(url_of(passed["id"])).status_code == 403
    assert api(None).get(url_of(passed["id"])).status_code == 401
    assert api(clerk).get(url_of("01890a5d-ac96-774b-bcce-b302099a8057")).status_code == 404


def test_statements_of_a_jurisdiction_state_their_basis():
    for statements in DEVICES.values():
        assert all(each.basis and each.confidence for each in statements)
    assert DEVICES["EU"][0] in statements_for("DE")
    assert statements_for("nowhere") == (*EVERYWHERE, CLOSING)
