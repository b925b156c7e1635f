"""Several runs of the duty at once, on PostgreSQL: every notice is made once, and the cap of the day holds."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection

from opticshop.core.duties import run_duty
from opticshop.reminders.models import Campaign, CampaignNotice, Recall
from opticshop.reminders.services import campaign_start, recall_review
from tests.factories import CustomerFactory, PrescriptionFactory
from tests.reminders.conftest import SYSTEM, messages
from tests.together import at_once

RUNS, PEOPLE = 4, 30


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("cap", [10, 1000])
def test_runs_at_once_make_every_notice_once(plugin, mill, cap):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    campaign = Campaign.objects.create(
        branch=mill,
        name="Invented",
        ways=["email"],
        open_days_only=False,
        daily_cap=cap,
        not_due_before=dt.date(2026, 1, 1),
    )
    CampaignNotice.objects.create(campaign=campaign, ordinal=1, days_from_due=0)
    CampaignNotice.objects.create(campaign=campaign, ordinal=2, days_from_due=1, min_gap_days=1)
    for _ in range(PEOPLE):
        customer = CustomerFactory(branch=mill)
        PrescriptionFactory(customer=customer, issued_on=dt.date(2025, 3, 1))
        recall_review(actor=SYSTEM, customer=customer)
    campaign_start(actor=SYSTEM, campaign=campaign)
    made = at_once([lambda: run_duty("reminders.notices_due")] * RUNS)
    expected = min(cap, PEOPLE)
    assert sum(made) == expected
    told = [(message.customer_id, message.kind) for message in messages()]
    assert len(told) == len(set(told)) == expected
    assert {kind for _, kind in told} == {"recall_first"}
    counted = Recall.objects.everywhere("test").values_list("notices_made", flat=True)
    assert sorted(counted) == [0] * (PEOPLE - expected) + [1] * expected
