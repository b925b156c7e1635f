"""Invented people who are due, each with one message that waits."""

from __future__ import annotations

from opticshop.branches.models import Branch
from opticshop.core.actor import system
from opticshop.correspondence import services
from opticshop.correspondence.kinds import kind_named
from opticshop.customers.contacting import with_contact_facts
from opticshop.customers.models import Customer

from .apps import KIND

CHUNK = 500


def seed(people: int) -> None:
    branch = Branch.objects.create(
        code="FAULT", name="Branch of a fault run (invented)", message_channel="fault-carrier"
    )
    rows = Customer.objects.everywhere("a fault run")
    for start in range(0, people, CHUNK):
        made = rows.bulk_create(
            Customer(
                branch=branch,
                given_name="Wren",
                family_name=f"Alder{number}",
                search_given="wren",
                search_family=f"alder{number}",
                email=f"person{number}@example.org",
            )
            for number in range(start, min(people, start + CHUNK))
        )
        due = with_contact_facts(rows.filter(id__in=[each.id for each in made])).order_by("id")
        services.messages_queue(
            actor=system("faults"),
            branch=branch,
            drafts=[services.Draft(each, kind_named(KIND), f"recalls/{each.id}", {}) for each in due],
        )
