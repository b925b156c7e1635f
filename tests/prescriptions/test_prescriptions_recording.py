"""Recording a prescription: kept as written, shown with what follows from it."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.prescriptions.models import PrescribedEye, Prescription
from opticshop.prescriptions.serializers import (
    MeasurementTakeIn,
    OverrideIn,
    PrescriptionAmendIn,
    PrescriptionRecordIn,
)
from tests.factories import CustomerFactory, FrameFactory, PrescriptionFactory
from tests.prescriptions.bodies import MEASUREMENTS, PRESCRIPTIONS, prescription, refused

pytestmark = pytest.mark.django_db


def computed(response, side="right"):
    return response.data[side]["computed"]


def form(sphere, cylinder, axis):
    return {"sphere_dpt": sphere, "cylinder_dpt": cylinder, "axis_deg": axis}


def test_a_prescription_is_recorded_at_the_customers_branch_with_an_event(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    response = api(clerk).post(PRESCRIPTIONS, prescription(customer, note="Tint as before"))
    assert response.status_code == 201, response.data
    assert (response.data["branch"], response.data["recorded_by"]) == (str(mill.id), str(clerk.id))
    assert response.data["prescriber"] == {
        "name": "R. Sorrel (invented)",
        "registration": "01-00001",
        "practice": "",
    }
    assert (response.data["status"], response.data["superseded_by"]) == ("current", None)
    event = OutboxEvent.objects.get()
    assert event.type == "prescriptions.recorded"
    assert event.data == {"prescription": response.data["id"], "customer": str(customer.id)}
    assert api(clerk).get(f"{PRESCRIPTIONS}{response.data['id']}/").data == response.data


# NFOS opticianry course, module 8c and module 8 practice answers, http://www.nfos.org/degree/opt11/module_08c.html and
# http://www.nfos.org/degree/opt11/practice_answers_08.html; last row of forms: Eye and Contacts, example 1,
# https://www.eyeandcontacts.com/2021/12/glasses-or-spectacle-power.html
TRANSPOSED = [
    (("1.50", "-0.50", 125), ("1.00", "0.50", 35)),
    (("0.00", "-1.00", 170), ("-1.00", "1.00", 80)),
    (("8.75", "-2.25", 5), ("6.50", "2.25", 95)),
    (("-16.75", "-2.00", 179), ("-18.75", "2.00", 89)),
    (("-1.00", "-1.00", 180), ("-2.00", "1.00", 90)),
    (("2.50", "-1.50", 170), ("1.00", "1.50", 80)),
]


@pytest.mark.parametrize(("minus", "plus"), TRANSPOSED)
def test_either_cylinder_form_is_kept_as_written_and_both_are_computed(api, clerk, mill, minus, plus):
    customer = CustomerFactory(branch=mill)
    for written in (minus, plus):
        response = api(clerk).post(PRESCRIPTIONS, prescription(customer, right=form(*written)))
        assert response.status_code == 201, response.data
        eye = response.data["right"]
        assert (eye["sphere_dpt"], eye["cylinder_dpt"], eye["axis_deg"]) == written
        assert eye["computed"]["minus_cylinder"] == form(*minus)
        assert eye["computed"]["plus_cylinder"] == form(*plus)


@pytest.mark.parametrize(
    ("written", "equivalent"),
    [  # M = S + C/2, computed from first principles
        (("-2.00", "-1.50", 30), "-2.750"),
        (("1.00", "2.25", 90), "2.125"),
        (("-4.75", "-3.50", 175), "-6.500"),
        (("0.50", "-1.00", 45), "0.000"),
    ],
)
def test_the_spherical_equivalent_is_not_rounded(api, clerk, mill, written, equivalent):
    body = prescription(CustomerFactory(branch=mill), right=form(*written))
    assert computed(api(clerk).post(PRESCRIPTIONS, body))["spherical_equivalent_dpt"] == equivalent


def test_a_sphere_has_no_axis_in_any_form(api, clerk, mill):
    body = prescription(CustomerFactory(branch=mill), left={"sphere_dpt": "-0.00"})
    response = api(clerk).post(PRESCRIPTIONS, body)
    assert response.data["left"]["sphere_dpt"] == "0.00"
    found = computed(response, "left")
    assert found["minus_cylinder"] == found["plus_cylinder"] == form("0.00", "0.00", None)


@pytest.mark.parametrize(
    ("side", "prism", "inward", "upward"),
    [  # resolved with the cosines of the base setting, TABO; computed from first principles
        ("right", [{"amount_dpt": "5", "base_deg": "150"}], "-4.33", "2.50"),
        ("left", [{"amount_dpt": "2.5", "base_deg": "330"}], "-2.17", "-1.25"),
        ("left", [{"amount_dpt": "4", "base_deg": "45"}], "-2.83", "2.83"),
        ("right", [{"amount_dpt": "3", "base": "in"}, {"amount_dpt": "4", "base": "up"}], "3.00", "4.00"),
        ("left", [{"amount_dpt": "1.25", "base": "out"}, {"amount_dpt": "2.75", "base": "down"}], "-1.25", "-2.75"),
        ("right", [{"amount_dpt": "2", "base_deg": "0"}, {"amount_dpt": "1", "base_deg": "270"}], "2.00", "-1.00"),
        ("left", [{"amount_dpt": "2", "base_deg": "180"}], "2.00", "0.00"),
        ("left", [], "0.00", "0.00"),
    ],
)
def test_prism_is_kept_as_written_and_added_up_per_eye(api, clerk, mill, side, prism, inward, upward):
    body = prescription(CustomerFactory(branch=mill), **{side: {"prism": prism}})
    response = api(clerk).post(PRESCRIPTIONS, body)
    assert response.status_code == 201, response.data
    kept = [
        (f"{float(row['amount_dpt']):g}", row["base"] or f"{float(row['base_deg']):g}")
        for row in response.data[side]["prism"]
    ]
    assert kept == [(row["amount_dpt"], row.get("base") or row["base_deg"]) for row in prism]
    found = computed(response, side)
    assert (found["prism_in_dpt"], found["prism_up_dpt"]) == (inward, upward)


def test_a_balance_lens_and_an_occluded_eye_need_no_power(api, clerk, mill):
    body = prescription(CustomerFactory(branch=mill)) | {"right": {"entry": "balance"}, "left": {"entry": "occluded"}}
    response = api(clerk).post(PRESCRIPTIONS, body)
    assert response.status_code == 201, response.data
    for side, entry in (("right", "balance"), ("left", "occluded")):
        assert (response.data[side]["entry"], response.data[side]["sphere_dpt"]) == (entry, None)
        assert computed(response, side)["minus_cylinder"] is None
        assert computed(response, side)["spherical_equivalent_dpt"] is None


def test_both_eyes_must_be_stated(api, clerk, mill):
    body = prescription(CustomerFactory(branch=mill))
    del body["left"]
    response = api(clerk).post(PRESCRIPTIONS, body)
    assert (response.status_code, *refused(response)) == (400, "core.malformed", "#/left")
    assert not Prescription.objects.everywhere("test").exists()
    assert not PrescribedEye.objects.exists()
    assert not OutboxEvent.objects.exists()


def test_another_branchs_customer_is_not_found(api, outsider, mill):
    response = api(outsider).post(PRESCRIPTIONS, prescription(CustomerFactory(branch=mill)))
    assert response.status_code == 404
    assert not OutboxEvent.objects.exists()


def test_the_workshop_and_the_books_record_nothing(api, hand, bookkeeper, mill):
    body = prescription(CustomerFactory(branch=mill))
    assert api(hand).post(PRESCRIPTIONS, body).status_code == 403
    assert api(bookkeeper).post(PRESCRIPTIONS, body).status_code == 403
    assert api(None).post(PRESCRIPTIONS, body).status_code == 401
    assert not Prescription.objects.everywhere("test").exists()


def test_a_repeated_request_records_once(api, clerk, mill):
    body, headers = prescription(CustomerFactory(branch=mill)), {"Idempotency-Key": "one-visit"}
    first = api(clerk).post(PRESCRIPTIONS, body, headers=headers)
    second = api(clerk).post(PRESCRIPTIONS, body, headers=headers)
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json()["id"] == second.json()["id"]
    assert Prescription.objects.everywhere("test").count() == 1


def example_of(serializer):
    (example,) = serializer._spectacular_annotation["examples"]
    return example.value


def test_the_documented_examples_are_accepted(api, manager, mill):
    client, customer, frame = api(manager), CustomerFactory(branch=mill), FrameFactory()
    ids = {"customer": str(customer.id)}
    made = client.post(PRESCRIPTIONS, example_of(PrescriptionRecordIn) | ids)
    assert (made.status_code, made.data["warnings"]) == (201, [])
    amended = client.post(f"{PRESCRIPTIONS}{made.data['id']}/amend/", example_of(PrescriptionAmendIn))
    assert amended.status_code == 201, amended.data
    expired = PrescriptionFactory(customer=customer, expires_on=dt.date(2026, 3, 1))
    override = client.post(f"{PRESCRIPTIONS}{expired.id}/override/", example_of(OverrideIn))
    assert override.status_code == 201, override.data
    taken = client.post(MEASUREMENTS, example_of(MeasurementTakeIn) | ids | {"frame": str(frame.id)})
    assert (taken.status_code, taken.data["warnings"]) == (201, [])


@pytest.mark.parametrize("method", ["patch", "put", "delete"])
def test_a_prescription_is_never_edited(api, head_office, mill, method):
    made = api(head_office).post(PRESCRIPTIONS, prescription(CustomerFactory(branch=mill))).data
    url = f"{PRESCRIPTIONS}{made['id']}/"
    assert getattr(api(head_office), method)(url, {"note": "x"}).status_code == 405
    assert api(head_office).get(url).data == made
