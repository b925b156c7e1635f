"""When a pair is collected the recall of its wearer is planned by the branch's policy, one at a time."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.core import outbox
from opticshop.core.models import EventDelivery, OutboxEvent
from opticshop.orders.models import Order
from opticshop.reminders.models import Recall
from opticshop.reminders.services import recall_review
from opticshop.reminders.tasks import plan_recall
from tests.factories import CustomerFactory, PrescriptionFactory
from tests.reminders.conftest import SYSTEM, collect, make_ready
from tests.workshop.conftest import events_of

pytestmark = pytest.mark.django_db
LEAVES_THE_STATE_ALONE = ("plugin",)
URL = "/api/v1/recalls/"


@pytest.fixture
def collected(plugin, order):
    make_ready()
    collect()
    return Order.objects.everywhere("test").select_related("prescription", "customer").get()


def recalls():
    return list(Recall.objects.everywhere("test").order_by("id"))


def plan_for(customer, **values):
    """Plan for another prescription."""
    PrescriptionFactory(customer=customer, **values)
    return recall_review(actor=SYSTEM, customer=customer)


def test_a_collected_pair_plans_the_recall_of_its_wearer(collected, plugin):
    [recall] = recalls()
    assert (recall.due_on, recall.state, recall.policy) == (dt.date(2027, 1, 5), "planned", "next-year")
    assert (recall.reason, recall.source) == ("A year on.", "invented for tests")
    assert (recall.customer_id, recall.prescription_id) == (collected.customer_id, collected.prescription_id)
    [subject] = plugin.policy.seen
    assert subject.date_of_birth == collected.customer.birth_date
    assert (subject.issued_on, subject.expires_on) == (dt.date(2026, 1, 5), dt.date(2028, 1, 1))
    assert subject.prescriber_interval_months is None
    [event] = events_of("reminders.recall_planned")
    assert event["due_on"] == "2027-01-05"


def test_hearing_of_it_twice_plans_it_once(collected):
    plan_recall(OutboxEvent.objects.get(type="orders.collected"))
    assert len(recalls()) == 1


def test_the_prescribers_own_interval_is_handed_to_the_policy(collected, plugin):
    plan_for(collected.customer, issued_on=dt.date(2026, 2, 1), recall_months=6)
    assert plugin.policy.seen[-1].prescriber_interval_months == 6


def test_a_newer_prescription_closes_the_older_recall(collected):
    newer = plan_for(collected.customer, issued_on=dt.date(2026, 2, 1))
    older, planned = recalls()
    assert (older.state, older.closed_reason) == ("closed", "newer prescription")
    assert planned == newer
    assert newer.due_on == dt.date(2027, 2, 1)
    assert len(events_of("reminders.recall_closed")) == 1


def test_a_pair_made_from_an_older_prescription_changes_nothing(collected):
    planned = recalls()
    assert [plan_for(collected.customer, issued_on=dt.date(2025, 2, 1))] == planned
    assert recalls() == planned
    assert (planned[0].state, planned[0].due_on) == ("planned", dt.date(2027, 1, 5))


def test_who_wants_no_recalls_has_none(plugin, order, world):
    world.customer.wants_recalls = False
    world.customer.save()
    make_ready()
    collect()
    assert recalls() == []
    assert not plugin.policy.seen


def test_who_asks_later_not_to_be_recalled_has_none_any_more(collected, api, clerk, world):
    url = f"/api/v1/customers/{world.customer.id}/"
    client = api(clerk)
    etag = client.get(url).headers["ETag"]
    assert client.patch(url, {"note": "x"}, headers={"If-Match": etag}).status_code == 200
    outbox.deliver_all()
    assert recalls()[0].state == "planned"
    etag = client.get(url).headers["ETag"]
    assert client.patch(url, {"wants_recalls": False}, headers={"If-Match": etag}).status_code == 200
    outbox.deliver_all()
    assert (recalls()[0].state, recalls()[0].closed_reason) == ("closed", "The customer asked not to be recalled")


def test_a_policy_that_gives_no_day_plans_nothing(plugin, order):
    plugin.policy.never = True
    make_ready()
    collect()
    assert recalls() == []
    assert not EventDelivery.objects.filter(handler="reminders.plan_recall").exclude(state="done").exists()


def test_without_its_policy_the_recall_waits_to_be_planned(plugin, order, mill):
    mill.recall_policy = "not-installed"
    mill.save()
    make_ready()
    collect()
    delivery = EventDelivery.objects.get(handler="reminders.plan_recall")
    assert (delivery.state, delivery.attempts) == ("pending", 1)
    assert "not-installed" in delivery.last_error
    assert recalls() == []


def test_installed_policies_give_the_interval_of_their_table(plugin, order, mill):
    """Memorandum of understanding 2002: 16 to under 70, two years (aged 41 on the day of issue)."""
    mill.recall_policy = "mou-2002-intervals"
    mill.save()
    make_ready()
    collect()
    [recall] = recalls()
    assert recall.due_on == dt.date(2028, 1, 5)
    assert "2002" in recall.source


def test_recalls_due_in_a_window_are_found(collected, api, clerk, mill):
    other = CustomerFactory(branch=mill)
    plan_for(other, issued_on=dt.date(2026, 2, 20))
    client = api(clerk)

    def due(query):
        return [row["due_on"] for row in client.get(f"{URL}?{query}").json()["results"]]

    assert due("due_from=2027-01-01&due_to=2027-01-31") == ["2027-01-05"]
    assert due("due_from=2027-01-06") == ["2027-02-20"]
    assert due("due_from=2027-01-05&due_to=2027-02-20&state=planned") == ["2027-02-20", "2027-01-05"]
    assert due(f"customer={other.id}") == ["2027-02-20"]
    assert due("state=closed") == []
    assert client.get(f"{URL}?due_from=soon").status_code == 400


def test_a_recall_is_closed_once_with_the_reason(collected, api, manager, clerk):
    [recall] = recalls()
    url = f"{URL}{recall.id}/close/"
    assert api(clerk).post(url, {"reason": "Booked"}).status_code == 403
    assert api(manager).post(url, {}).status_code == 400
    assert recalls()[0].state == "planned"
    closed = api(manager).post(url, {"reason": "Appointment booked"})
    assert (closed.status_code, closed.json()["closed_reason"]) == (200, "Appointment booked")
    again = api(manager).post(url, {"reason": "Again"})
    assert (again.status_code, again.json()["code"]) == (409, "reminders.recall_already_closed")
    assert "Appointment booked" in again.json()["detail"]
    assert len(events_of("reminders.recall_closed")) == 1


def test_another_branchs_recall_looks_like_none(collected, api, outsider, hand, clerk):
    [recall] = recalls()
    assert api(outsider).get(f"{URL}{recall.id}/").status_code == 404
    assert api(outsider).post(f"{URL}{recall.id}/close/", {"reason": "x"}).status_code == 404
    assert api(outsider).get(URL).json()["results"] == []
    assert api(hand).get(URL).status_code == 403
    assert api(clerk).get(f"{URL}{recall.id}/").json()["customer_name"].startswith("Wren")
    assert recalls()[0].state == "planned"


def test_the_list_costs_the_same_for_one_recall_and_for_four(collected, api, clerk, queries, mill):
    client = api(clerk)
    one = queries(lambda: client.get(URL))
    for _ in range(3):
        plan_for(CustomerFactory(branch=mill))
    assert queries(lambda: client.get(URL)) == one
