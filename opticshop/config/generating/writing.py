"""Writes drawn people with a prescription and a measurement each. The audit triggers see every row; no mail follows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal

import numpy as np
from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.core.acting import system_acting
from opticshop.core.text import folded
from opticshop.customers.models import Customer
from opticshop.prescriptions.models import Eye, Measurement, PrescribedEye, Prescription

from .drawing import Batch, Eyes, batches

NOTE = "Invented by a generator: no such person is known to us."
PRESCRIBER = "An invented prescriber"
WRITTEN_TOGETHER = 2_000  # people in one transaction, which bounds memory and locks
INSERTED_TOGETHER = 500  # rows in one statement: SQLite takes 32,766 values (sqlite.org/limits.html, 9)
VALID_DAYS, VALID_DAYS_CHILD = 730, 365  # common practice, no source


def people_write(branches: Sequence[Branch], seed: int, count: int, today: dt.date) -> int:
    """Writes ``count`` people, shared out over ``branches`` in turn, a transaction each batch; gives the number.

    Errors: ValueError without a branch. What was written before a failure stays.
    """
    if not branches:
        raise ValueError("people are at home in a branch: give at least one")
    written = 0
    with system_acting("generate", f"invented people, seed {seed}"):
        for batch in batches(seed, count, today, WRITTEN_TOGETHER):
            with transaction.atomic():
                _write(batch, [branches[(written + row) % len(branches)] for row in range(len(batch.age))], today)
            written += len(batch.age)
    return written


def _write(batch: Batch, homes: list[Branch], today: dt.date) -> None:
    people = [
        Customer(
            branch=home,
            given_name=given,
            family_name=family,
            search_given=folded(given),
            search_family=folded(family),
            birth_date=born,
            country=home.country,
            preferred_channel=Customer.Channel.NONE,
            wants_recalls=False,
            note=NOTE,
        )
        for home, given, family, born in zip(
            homes, batch.given_name.tolist(), batch.family_name.tolist(), batch.birth_date.tolist(), strict=True
        )
    ]
    Customer.objects.bulk_create(people, batch_size=INSERTED_TOGETHER)

    prescriptions = []
    for person, age in zip(people, batch.age.tolist(), strict=True):
        valid = VALID_DAYS_CHILD if age < 16 else VALID_DAYS
        prescriptions.append(
            Prescription(
                branch=person.branch,
                customer=person,
                issued_on=today,
                expires_on=today + dt.timedelta(days=valid),
                expiry_source="Invented by a generator",
                prescriber_name=PRESCRIBER,
            )
        )
    Prescription.objects.bulk_create(prescriptions, batch_size=INSERTED_TOGETHER)
    eyes = _eyes(prescriptions, Eye.RIGHT, batch.right, batch) + _eyes(prescriptions, Eye.LEFT, batch.left, batch)
    PrescribedEye.objects.bulk_create(eyes, batch_size=INSERTED_TOGETHER)

    noon = dt.datetime.combine(today, dt.time(12), dt.UTC)
    pds = np.column_stack([batch.pd_right_tenths, batch.pd_left_tenths]).tolist()
    Measurement.objects.bulk_create(
        [
            Measurement(
                branch=person.branch,
                customer=person,
                taken_at=noon,
                method=Measurement.Method.PUPILMETER,
                pd_right_mm=_scaled(right, 1),
                pd_left_mm=_scaled(left, 1),
                pd_mm=_scaled(right + left, 1),
            )
            for person, (right, left) in zip(people, pds, strict=True)
        ],
        batch_size=INSERTED_TOGETHER,
    )


def _eyes(prescriptions: list[Prescription], eye: Eye, powers: Eyes, batch: Batch) -> list[PrescribedEye]:
    columns = np.column_stack(
        [powers.sphere_hundredths, powers.cylinder_hundredths, powers.axis_deg, batch.addition_hundredths]
    )
    return [
        PrescribedEye(
            prescription=prescription,
            eye=eye,
            sphere_dpt=_scaled(sphere, 2),
            cylinder_dpt=_scaled(cylinder, 2),
            axis_deg=axis or None,
            addition_dpt=_scaled(addition, 2) if addition else None,
        )
        for prescription, (sphere, cylinder, axis, addition) in zip(prescriptions, columns.tolist(), strict=True)
    ]


def _scaled(whole: int, places: int) -> Decimal:
    return Decimal(whole).scaleb(-places)
