"""Amending: a corrected prescription supersedes, the original stays."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.prescriptions.models import Prescription
from tests.factories import PrescriptionFactory
from tests.prescriptions.bodies import PRESCRIPTIONS, prescription, refused

pytestmark = pytest.mark.django_db


def amendment(**more):
    return prescription(reason="Axis misread: 85, not 90", right={"axis_deg": 85}, **more)


def amend(client, prescription_id, **more):
    return client.post(f"{PRESCRIPTIONS}{prescription_id}/amend/", amendment(**more))


def test_an_amendment_supersedes_and_the_original_stays(api, clerk, mill):
    original = PrescriptionFactory(customer__branch=mill)
    before = api(clerk).get(f"{PRESCRIPTIONS}{original.id}/").data
    response = amend(api(clerk), original.id)
    assert response.status_code == 201, response.data
    assert (response.data["supersedes"], response.data["customer"]) == (str(original.id), str(original.customer_id))
    assert response.data["amendment_reason"] == "Axis misread: 85, not 90"
    assert response.data["right"]["axis_deg"] == 85
    after = api(clerk).get(f"{PRESCRIPTIONS}{original.id}/").data
    changed = {name for name in before if before[name] != after[name]}
    assert changed == {"status", "superseded_by"}
    assert (after["status"], str(after["superseded_by"])) == ("superseded", response.data["id"])
    event = OutboxEvent.objects.get()
    assert event.type == "prescriptions.amended"
    assert event.data == {
        "prescription": response.data["id"],
        "customer": str(original.customer_id),
        "supersedes": str(original.id),
    }


def test_a_superseded_prescription_cannot_be_amended_and_the_current_one_is_named(api, clerk, mill):
    original = PrescriptionFactory(customer__branch=mill)
    second = amend(api(clerk), original.id).data["id"]
    third = amend(api(clerk), second).data["id"]
    events = OutboxEvent.objects.count()
    for old in (original.id, second):
        response = amend(api(clerk), old)
        assert response.status_code == 409
        assert response.json()["code"] == "prescriptions.superseded"
        assert response.json()["current"] == third
    assert Prescription.objects.everywhere("test").count() == 3
    assert OutboxEvent.objects.count() == events


def test_an_expired_prescription_can_still_be_corrected(api, clerk, mill):
    expired = PrescriptionFactory(customer__branch=mill, issued_on=dt.date(2020, 1, 1), expires_on=dt.date(2022, 1, 1))
    response = amend(api(clerk), expired.id, issued_on="2020-01-01")
    assert (response.status_code, response.data["status"]) == (201, "expired")


def test_an_amendment_is_judged_like_a_new_prescription(api, clerk, mill):
    original = PrescriptionFactory(customer__branch=mill)
    response = amend(api(clerk), original.id, issued_on="2026-03-03")
    assert (response.status_code, *refused(response)) == (422, "prescriptions.issued_in_future", "#/issued_on")
    assert Prescription.objects.everywhere("test").count() == 1
    assert not OutboxEvent.objects.exists()


@pytest.mark.parametrize("reason", [None, "", "  "])
def test_an_amendment_needs_a_reason(api, clerk, mill, reason):
    original = PrescriptionFactory(customer__branch=mill)
    response = api(clerk).post(f"{PRESCRIPTIONS}{original.id}/amend/", prescription(reason=reason))
    assert (response.status_code, *refused(response)) == (400, "core.malformed", "#/reason")
    assert Prescription.objects.everywhere("test").count() == 1


def test_the_customer_of_a_prescription_cannot_be_changed(api, clerk, mill):
    original = PrescriptionFactory(customer__branch=mill)
    body = amendment() | {"customer": str(original.customer_id)}
    response = api(clerk).post(f"{PRESCRIPTIONS}{original.id}/amend/", body)
    assert (response.status_code, *refused(response)) == (400, "core.malformed", "#/customer")


def test_others_prescriptions_are_not_there_to_amend(api, outsider, hand, mill):
    original = PrescriptionFactory(customer__branch=mill)
    assert amend(api(outsider), original.id).status_code == 404
    assert amend(api(hand), original.id).status_code == 403
    assert Prescription.objects.everywhere("test").count() == 1
