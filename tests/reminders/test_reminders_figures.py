"""How many people came back of those due, who cannot be told next month, and which policies there are."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.reminders.models import Recall
from tests.factories import CustomerFactory, PrescriptionFactory
from tests.reminders.test_reminders_campaigns import client

pytestmark = pytest.mark.django_db
__all__ = ["client"]
URL = "/api/v1/recalls/figures/"
DUE = dt.date(2026, 1, 10)
TOLD = dt.date(2026, 1, 2)


def made(branch, **columns) -> Recall:
    customer = CustomerFactory(branch=branch, **columns.pop("customer", {}))
    values = {"due_on": DUE, "policy": "next-year", "reason": "Invented.", **columns}
    return Recall.objects.create(
        branch=branch, customer=customer, prescription=PrescriptionFactory(customer=customer), **values
    )


def told(branch, **columns) -> Recall:
    return made(branch, notices_made=1, first_notice_on=TOLD, last_notice_on=TOLD, **columns)


def closed(branch, outcome, make=made, **columns) -> Recall:
    return make(branch, state="closed", outcome=outcome, closed_reason="Invented.", **columns)


def after(days):
    return TOLD + dt.timedelta(days=days)


def figures(client, query="from=2026-01-01&to=2026-01-31"):
    answer = client.get(f"{URL}?{query}")
    assert answer.status_code == 200, answer.json()
    return answer.json()


def test_people_who_came_are_counted_over_people_due(client, mill):
    """Died, moved, opted out and already come are not among those due (common practice, no source)."""
    made(mill)
    told(mill)
    told(mill, notices_lost=1)
    closed(mill, "came_back", told, returned_on=after(0))
    closed(mill, "came_back", told, returned_on=after(90))
    closed(mill, "came_back", told, returned_on=after(91))
    closed(mill, "exhausted", told)
    for outcome in ("deceased", "moved", "opted_out", "superseded"):
        closed(mill, outcome, told)
    closed(mill, "came_back", returned_on=after(5))
    closed(mill, "came_back", told, returned_on=after(-1))
    closed(mill, "came_back", told, returned_on=after(3), notices_lost=1)  # taken back: they had booked before
    told(mill, due_on=dt.date(2026, 2, 1))
    assert figures(client)["returns"] == [
        {
            "branch": str(mill.id),
            "policy": "next-year",
            "due": 7,
            "told": 5,
            "returned": 2,
            "return_rate": "0.2857",
            "not_counted": 7,
        }
    ]


def test_by_branch_and_policy_and_only_what_one_may_see(client, api, head_office, mill, quay, queries):
    told(mill)
    one = queries(lambda: figures(client))
    told(mill, policy="another")
    told(quay)
    assert [(row["branch"], row["policy"]) for row in figures(client)["returns"]] == [
        (str(mill.id), "another"),
        (str(mill.id), "next-year"),
    ]
    assert queries(lambda: figures(client)) == one
    assert len(figures(api(head_office))["returns"]) == 3
    assert len(figures(api(head_office), f"branch={quay.id}&from=2026-01-01&to=2026-01-31")["returns"]) == 1
    assert client.get(f"{URL}?branch={quay.id}&from=2026-01-01&to=2026-01-31").status_code == 404


@pytest.mark.parametrize("query", ["", "from=2026-01-01", "from=2026-02-01&to=2026-01-01", "from=soon&to=2026-01-01"])
def test_a_window_that_makes_no_sense_is_refused(client, query):
    assert client.get(f"{URL}?{query}").status_code == 400


def test_who_is_due_next_month_and_cannot_be_told(client, mill, hand, api):
    """Today is 2 March 2026: next month is April."""
    april = dt.date(2026, 4, 15)
    guardian = CustomerFactory(branch=mill)
    reachable = made(mill, due_on=april)
    made(mill, due_on=april, customer={"birth_date": dt.date(2018, 1, 1), "guardian": guardian})
    mute = [
        made(mill, due_on=april, customer={"email": ""}),
        made(mill, due_on=april, customer={"preferred_channel": "none"}),
        made(mill, due_on=april, customer={"birth_date": dt.date(2018, 1, 1)}),
        made(mill, due_on=april, obstacle="This branch has no channel."),
    ]
    made(mill, due_on=dt.date(2026, 5, 1), customer={"email": ""})
    assert figures(client)["unreachable"] == [{"branch": str(mill.id), "due_next_month": 6, "cannot_be_told": 4}]
    found = client.get("/api/v1/recalls/?cannot_be_told=true&due_from=2026-04-01&due_to=2026-04-30").json()["results"]
    assert {row["id"] for row in found} == {str(each.id) for each in mute}
    others = client.get("/api/v1/recalls/?cannot_be_told=false&due_from=2026-04-01&due_to=2026-04-30").json()["results"]
    assert str(reachable.id) in {row["id"] for row in others}
    assert len(others) == 2
    assert api(hand).get(f"{URL}?from=2026-01-01&to=2026-01-31").status_code == 403


def test_policies_say_which_conditions_they_know(client):
    policies = {row["name"]: row for row in client.get("/api/v1/recalls/policies/").json()}
    assert "diabetes" in policies["mou-2002-intervals"]["flags"]
    assert policies["prescription-expiry"]["flags"] == []
