"""Generated people can be worked with: the service lists and finds them, and the audit trail holds."""

from __future__ import annotations

import datetime
from decimal import Decimal

import pytest
from django.core.management import call_command

from opticshop.audit import sealing
from opticshop.audit.models import AuditEntry, AuditSeal
from opticshop.config.generating import drawing, writing
from opticshop.customers.models import Customer
from opticshop.prescriptions.models import Measurement, PrescribedEye, Prescription

TODAY = datetime.date(2026, 3, 2)
WHY = "what the generator wrote"


@pytest.mark.django_db
def test_every_person_has_what_was_drawn(mill, quay):
    assert writing.people_write([mill, quay], 5, 61, TODAY) == 61
    (drawn,) = drawing.batches(5, 61, TODAY, writing.WRITTEN_TOGETHER)
    people = list(Customer.objects.everywhere(WHY).order_by("id"))
    assert [each.birth_date for each in people] == drawn.birth_date.tolist()
    assert [each.branch for each in people] == [(mill, quay)[row % 2] for row in range(61)]
    for row, person in enumerate(people):
        prescription = Prescription.objects.everywhere(WHY).get(customer=person)
        right, left = PrescribedEye.objects.filter(prescription=prescription).order_by("-eye")
        for eye, powers in ((right, drawn.right), (left, drawn.left)):
            assert eye.sphere_dpt * 100 == int(powers.sphere_hundredths[row])
            assert eye.cylinder_dpt * 100 == int(powers.cylinder_hundredths[row])
            assert (eye.axis_deg or 0) == int(powers.axis_deg[row])
            assert (eye.addition_dpt or 0) * 100 == int(drawn.addition_hundredths[row])
        measured = Measurement.objects.everywhere(WHY).get(customer=person)
        assert measured.pd_right_mm + measured.pd_left_mm == measured.pd_mm
        assert measured.pd_right_mm == Decimal(int(drawn.pd_right_tenths[row])) / 10


@pytest.mark.django_db
def test_a_branch_finds_its_generated_people(mill, quay, clerk, api):
    writing.people_write([mill, quay], 5, 20, TODAY)
    mine = Customer.objects.everywhere(WHY).filter(branch=mill).first()
    listed = api(clerk).get("/api/v1/customers/", {"page_size": 100})
    assert listed.status_code == 200
    assert len(listed.json()["results"]) == 10
    shown = api(clerk).get(f"/api/v1/customers/{mine.pk}/")
    assert shown.status_code == 200
    assert shown.json()["family_name"].endswith("(invented)")
    prescriptions = api(clerk).get("/api/v1/prescriptions/", {"customer": str(mine.pk)})
    assert prescriptions.status_code == 200
    assert len(prescriptions.json()["results"]) == 1


@pytest.mark.django_db(transaction=True)
def test_audit_trail_holds_afterwards(mill):
    before = AuditEntry.objects.count()
    writing.people_write([mill], 5, 12, TODAY)
    assert AuditEntry.objects.count() - before >= 12 * 5, "a person, a prescription, two eyes, a measurement each"
    sealing.seal_due()
    assert AuditSeal.objects.exists(), "unsealed entries would prove nothing"
    call_command("audit_verify")


@pytest.mark.django_db
def test_nothing_without_a_branch():
    with pytest.raises(ValueError, match="branch"):
        writing.people_write([], 1, 3, TODAY)
    assert not Customer.objects.everywhere(WHY).exists()
