"""Leave to dispense: who may give it, for what, and what an order may go ahead with."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.core import clock
from opticshop.core.models import OutboxEvent
from opticshop.prescriptions.models import DispensingOverride
from opticshop.prescriptions.services import PrescriptionExpired, PrescriptionSuperseded, dispensing_leave
from tests.factories import BranchFactory, PrescriptionFactory
from tests.prescriptions.bodies import PRESCRIPTIONS, prescription, refused

pytestmark = pytest.mark.django_db
REASON = {"reason": "Spectacles broken; examination booked for next week"}


@pytest.fixture
def expired(mill):
    return PrescriptionFactory(
        customer__branch=mill,
        issued_on=dt.date(2024, 3, 1),
        expires_on=dt.date(2026, 3, 1),
        expiry_source="24 months (GB)",
    )


def url(row):
    return f"{PRESCRIPTIONS}{row.id}/override/"


def test_a_manager_gives_leave_for_today_with_a_reason_and_an_event(api, manager, expired):
    response = api(manager).post(url(expired), REASON)
    assert response.status_code == 201, response.data
    assert (response.data["valid_until"], response.data["granted_by"]) == ("2026-03-02", str(manager.id))
    override = dispensing_leave(prescription=expired, branch=expired.branch)
    assert str(override.id) == response.data["id"]
    event = OutboxEvent.objects.get()
    assert event.type == "prescriptions.override_granted"
    assert event.data == {
        "override": response.data["id"],
        "prescription": str(expired.id),
        "customer": str(expired.customer_id),
    }
    shown = api(manager).get(f"{PRESCRIPTIONS}{expired.id}/").data
    assert shown["status"] == "expired"
    assert [row["reason"] for row in shown["overrides"]] == [REASON["reason"]]


def test_leave_ends_with_its_last_day(api, manager, expired):
    api(manager).post(url(expired), REASON | {"valid_until": "2026-03-09"})
    with clock.at(dt.datetime(2026, 3, 9, 23, 30, tzinfo=dt.UTC)):
        assert dispensing_leave(prescription=expired, branch=expired.branch) is not None
    with clock.at(dt.datetime(2026, 3, 10, 0, 30, tzinfo=dt.UTC)), pytest.raises(PrescriptionExpired):
        dispensing_leave(prescription=expired, branch=expired.branch)


def test_the_newest_leave_that_is_good_is_the_one_used(api, manager, expired):
    api(manager).post(url(expired), REASON | {"valid_until": "2026-03-20"})
    newest = api(manager).post(url(expired), {"reason": "Agreed with the prescriber by telephone"}).data["id"]
    assert str(dispensing_leave(prescription=expired, branch=expired.branch).id) == newest


def test_a_current_prescription_needs_no_leave_and_gets_none(api, manager, mill):
    current = PrescriptionFactory(customer__branch=mill)
    assert dispensing_leave(prescription=current, branch=mill) is None
    response = api(manager).post(url(current), REASON)
    assert (response.status_code, response.json()["code"]) == (409, "prescriptions.not_expired")
    assert not DispensingOverride.objects.everywhere("test").exists()
    assert not OutboxEvent.objects.exists()


def test_an_expired_prescription_without_leave_says_what_is_needed_and_who_may_grant_it(expired):
    with pytest.raises(PrescriptionExpired) as caught:
        dispensing_leave(prescription=expired, branch=expired.branch)
    error = caught.value
    assert (error.code, error.status) == ("prescriptions.expired", 409)
    assert error.extra["permission"] == "prescriptions.override"
    assert error.extra["roles"] == ["head_office", "manager"]
    assert str(expired.id) in error.allowed
    assert "2026-03-01" in error.detail
    assert "manager" in error.detail


def test_expiry_is_judged_on_the_day_of_the_branch_that_dispenses(mill):
    prescribed = PrescriptionFactory(customer__branch=mill, expires_on=dt.date(2026, 3, 2))
    auckland = BranchFactory(code="FAR", time_zone="Pacific/Auckland")
    assert dispensing_leave(prescription=prescribed, branch=mill) is None
    with pytest.raises(PrescriptionExpired):  # already 3 March there
        dispensing_leave(prescription=prescribed, branch=auckland)


def test_a_superseded_prescription_is_not_dispensed_and_gets_no_leave(api, manager, expired):
    amended = api(manager).post(
        f"{PRESCRIPTIONS}{expired.id}/amend/", prescription(reason="Corrected", issued_on="2024-03-01")
    )
    with pytest.raises(PrescriptionSuperseded) as caught:
        dispensing_leave(prescription=expired, branch=expired.branch)
    assert (caught.value.status, caught.value.extra["current"]) == (409, amended.data["id"])
    response = api(manager).post(url(expired), REASON)
    assert (response.status_code, response.json()["code"]) == (409, "prescriptions.superseded")
    assert not DispensingOverride.objects.everywhere("test").exists()


@pytest.mark.parametrize("valid_until", ["2026-03-01", "2026-04-03", "2099-01-01"])
def test_leave_is_an_exception_not_a_new_expiry(api, manager, expired, valid_until):
    response = api(manager).post(url(expired), REASON | {"valid_until": valid_until})
    assert (response.status_code, *refused(response)) == (
        422,
        "prescriptions.override_day_implausible",
        "#/valid_until",
    )
    assert response.json()["errors"][0]["allowed"] == "2026-03-02 to 2026-04-02"
    assert not DispensingOverride.objects.everywhere("test").exists()


def test_the_counter_the_workshop_and_other_branches_give_no_leave(api, clerk, hand, outsider, expired):
    assert api(clerk).post(url(expired), REASON).status_code == 403
    assert api(hand).post(url(expired), REASON).status_code == 403
    assert api(outsider).post(url(expired), REASON).status_code == 404
    assert not DispensingOverride.objects.everywhere("test").exists()
    assert not OutboxEvent.objects.exists()


def test_leave_needs_a_reason(api, manager, expired):
    response = api(manager).post(url(expired), {"reason": " "})
    assert (response.status_code, *refused(response)) == (400, "core.malformed", "#/reason")
