"""Invented people whose recall is due, others whose recall is not or who want none, and the campaign that runs."""

from __future__ import annotations

import datetime as dt

from opticshop.branches.models import Branch
from opticshop.core.actor import system
from opticshop.customers.models import Customer
from opticshop.pluginhost.selectors import plugin_usable
from opticshop.pluginhost.services import plugin_activation_set
from opticshop.prescriptions.models import Prescription
from opticshop.reminders.models import Recall
from opticshop.reminders.services import Notice, campaign_draft, campaign_start

from . import OTHERS_ONE_IN
from .carrier import PATIENCE_SECONDS

FAULTS = system("faults")
CHUNK = 1000


def seed(people: int, *, carrier: str, day: dt.date) -> None:
    """``people`` are to be told on ``day`` by text messages through the gateway at ``carrier``; others are not."""
    branch = Branch.objects.create(
        code="FAULT", name="Branch of a fault run (invented)", time_zone="UTC", message_channel="text-gateway"
    )
    settings = {"url": f"http://{carrier}/messages", "sender": "FAULT", "timeout_seconds": PATIENCE_SECONDS}
    plugin_activation_set(
        actor=FAULTS,
        plugin=plugin_usable("opticshop-text-gateway"),
        branch=branch,
        version=0,
        is_active=True,
        settings=settings,
    )
    others = -(-people // OTHERS_ONE_IN)
    _plan(branch, range(people), due_on=day)
    _plan(branch, range(people, people + others), due_on=day + dt.timedelta(days=60))
    _plan(branch, range(people + others, people + 2 * others), due_on=day, wants_recalls=False)
    campaign = campaign_draft(
        actor=FAULTS,
        branch=branch,
        name="Campaign of a fault run (invented)",
        notices=[Notice(0), Notice(30, min_gap_days=30)],
        ways=["text"],
        quiet_from=dt.time(0),
        quiet_to=dt.time(0),
        open_days_only=False,
        daily_cap=10_000_000,
        not_due_before=day,
    )
    campaign_start(actor=FAULTS, campaign=campaign)


def _plan(branch: Branch, numbers: range, *, due_on: dt.date, **facts: bool) -> None:
    """Rows as the planning of recalls leaves them. Numbers under +999: no country has that code (ITU-T E.164, from
    memory), and each person needs one of their own.
    """
    for start in range(0, len(numbers), CHUNK):
        customers = Customer.objects.everywhere("a fault run").bulk_create(
            Customer(
                branch=branch,
                given_name="Wren",
                family_name=f"Alder{number}",
                search_given="wren",
                search_family=f"alder{number}",
                phone=f"+999{number:08d}",
                phone_e164=f"+999{number:08d}",
                preferred_channel=Customer.Channel.TEXT,
                **facts,
            )
            for number in numbers[start : start + CHUNK]
        )
        prescriptions = Prescription.objects.everywhere("a fault run").bulk_create(
            Prescription(
                branch=branch,
                customer=customer,
                issued_on=due_on - dt.timedelta(days=730),
                expires_on=due_on,
                expiry_source="invented",
                prescriber_name="R. Sorrel (invented)",
            )
            for customer in customers
        )
        Recall.objects.everywhere("a fault run").bulk_create(
            Recall(
                branch=branch,
                customer=each.customer,
                prescription=each,
                due_on=due_on,
                policy="prescription-expiry",
                reason="Invented for a fault run.",
            )
            for each in prescriptions
        )
