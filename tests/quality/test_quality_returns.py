"""A pair that comes back after collection, and the stages of a restricted supply that a registrant supervised."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal

import pytest

from opticshop.billing.models import Payment
from opticshop.core import outbox
from opticshop.core.models import OutboxEvent
from opticshop.orders.models import Order
from opticshop.quality.models import PairReturn, SupervisedStage
from opticshop.stock.models import Reservation
from opticshop.workshop.models import Job
from tests.conftest import member
from tests.orders.conftest import prescribe
from tests.quality.conftest import HANDOVERS, inspect, measured, pay
from tests.workshop.conftest import Bench, events_of

pytestmark = pytest.mark.django_db
LEAVES_THE_STATE_ALONE = ("body",)
RETURNS, SUPERVISIONS = "/api/v1/returns/", "/api/v1/supervisions/"


def refused(response, status, code):
    assert (response.status_code, response.json()["code"]) == (status, code), response.content
    return response.json()


@pytest.fixture
def collected(ready, order, api, clerk):
    pay(api(clerk), order)
    assert api(clerk).post(HANDOVERS, {"order": order["id"]}).status_code == 201
    outbox.deliver_all()
    return ready


@pytest.fixture
def body(order):
    return {"order": order["id"], "cause": "non_tolerance", "eye": "both", "words": "Swims when looking aside"}


@pytest.fixture
def returned(collected, api, clerk, body):
    made = api(clerk).post(RETURNS, body)
    assert made.status_code == 201, made.content
    return made.json()


def decide(client, returned, **more):
    return client.post(f"{RETURNS}{returned['id']}/decide/", {"note": "As agreed", **more})


def test_a_return_is_taken_in_and_decided_later(returned, order, api, clerk, hand):
    assert (returned["decision"], returned["decided_at"], returned["borne_by"]) == ("", None, "")
    assert (returned["cause"], returned["eye"], returned["reported_by_name"]) == ("non_tolerance", "both", "Clerk")
    assert returned["handover"]
    [event] = events_of("quality.pair_returned")
    assert event == {"return": returned["id"], "order": order["id"], "cause": "non_tolerance", "eye": "both"}
    assert [row["id"] for row in api(hand).get(f"{RETURNS}?is_open=true").json()["results"]] == [returned["id"]]
    assert Order.objects.everywhere("test").get().state == "collected"


def test_a_fault_is_made_again_and_collected_again(returned, order, api, manager, hand, clerk, world):
    found = decide(api(manager), returned, decision="remake", borne_by="supplier", eyes=["left"])
    assert found.status_code == 200, found.content
    answer = found.json()
    assert (answer["decision"], answer["borne_by"]) == ("remake", "supplier")
    job = Job.objects.everywhere("test").get(id=answer["job"])
    assert (job.attempt, job.eyes, job.remake_cause, job.remake_borne_by) == (2, ["left"], "non_tolerance", "supplier")
    assert job.remake_reason == "Returned: Swims when looking aside"
    assert job.remake_cost == Decimal("4.00")
    bench = Bench(api(hand), str(job.id))
    bench.verify("left")
    bench.work("mark_up", "trace", "block", "edge", "hand_edge", "glaze")
    assert inspect(bench.client, bench.job_id).json()["outcome"] == "pass"
    bench.work("set_up", "pack")
    outbox.deliver_all()
    assert api(clerk).post(HANDOVERS, {"order": order["id"]}).status_code == 201
    left = Reservation.objects.everywhere("test").filter(part="left").order_by("id")
    assert [row.state for row in left] == ["consumed", "consumed"]
    assert not PairReturn.objects.everywhere("test").filter(decision="").exists()


def test_the_eye_of_the_return_is_made_again_by_default(collected, api, clerk, manager, body):
    made = api(clerk).post(RETURNS, {**body, "eye": "right", "cause": "lens_fault"}).json()
    answer = decide(api(manager), made, decision="remake").json()
    assert answer["borne_by"] == "supplier"  # usual for a fault of the lens
    assert Job.objects.everywhere("test").get(id=answer["job"]).eyes == ["right"]


def test_the_money_is_paid_back(returned, api, manager):
    payment = Payment.objects.everywhere("test").get()
    answer = decide(api(manager), returned, decision="refund", payment=str(payment.id), amount="100.00").json()
    refund = Payment.objects.everywhere("test").get(id=answer["refund"])
    assert (refund.amount, refund.refunds_id, refund.reason) == (Decimal("-100.00"), payment.id, "As agreed")
    assert Order.objects.everywhere("test").get().state == "collected"
    [event] = events_of("quality.return_decided")
    assert (event["decision"], event["refund"], event["job"]) == ("refund", str(refund.id), None)


@pytest.mark.parametrize("decision", ["adjust", "refuse"])
def test_an_adjustment_or_a_refusal_is_recorded(returned, api, manager, decision):
    answer = decide(api(manager), returned, decision=decision, borne_by="shop").json()
    assert (answer["decision"], answer["job"], answer["refund"], answer["decided_by_name"]) == (
        decision,
        None,
        None,
        "Manager",
    )
    assert Job.objects.everywhere("test").count() == 1


def test_a_return_is_decided_once_and_an_order_has_one_open_return(returned, api, clerk, manager, body):
    problem = refused(api(clerk).post(RETURNS, body), 409, "quality.return_still_open")
    assert problem["waiting"] == returned["id"]
    assert decide(api(manager), returned, decision="adjust").status_code == 200
    refused(decide(api(manager), returned, decision="refuse"), 409, "quality.return_decided")
    assert api(clerk).post(RETURNS, body).status_code == 201


def test_only_what_the_customer_has_comes_back(ready, api, clerk, body):
    refused(api(clerk).post(RETURNS, body), 409, "quality.not_collected")
    assert not PairReturn.objects.everywhere("test").exists()
    assert not events_of("quality.pair_returned")


def test_money_goes_back_by_a_payment_of_this_order(returned, api, manager, mill):
    client = api(manager)
    before = OutboxEvent.objects.count()
    refused(decide(client, returned, decision="refund"), 422, "quality.refund_needs_payment")
    payment = str(Payment.objects.everywhere("test").get().id)
    refused(decide(client, returned, decision="adjust", payment=payment), 422, "quality.refund_needs_payment")
    refused(decide(client, returned, decision="refund", payment=str(uuid.uuid4())), 404, "core.not_found")
    more = decide(client, returned, decision="refund", payment=payment, amount="500.00")
    refused(more, 422, "billing.more_than_paid")
    assert PairReturn.objects.everywhere("test").get().decision == ""
    assert OutboxEvent.objects.count() == before


@pytest.mark.parametrize(
    "wrong", [{"cause": "chipped"}, {"cause": "moon"}, {"eye": "third"}, {"words": ""}, {"decision": "remake"}]
)
def test_malformed_returns_are_refused(collected, api, clerk, body, wrong):
    refused(api(clerk).post(RETURNS, {**body, **wrong}), 400, "core.malformed")


def test_the_manager_decides_and_strangers_see_nothing(returned, api, clerk, hand, outsider, order, body, queries):
    for user in (clerk, hand):
        assert decide(api(user), returned, decision="adjust").status_code == 403
    assert api(hand).post(RETURNS, body).status_code == 403
    assert decide(api(outsider), returned, decision="adjust").status_code == 404
    assert api(outsider).get(f"{RETURNS}{returned['id']}/").status_code == 404
    assert api(outsider).post(RETURNS, body).status_code == 404
    assert api(outsider).get(RETURNS).json()["results"] == []
    assert PairReturn.objects.everywhere("test").get().decision == ""


def test_the_list_costs_the_same_for_one_return_and_for_four(returned, api, clerk, manager, body, queries):
    client = api(clerk)
    decide(api(manager), returned, decision="adjust")
    one = queries(lambda: client.get(RETURNS))
    for _ in range(3):
        decide(api(manager), client.post(RETURNS, body).json(), decision="adjust")
    assert queries(lambda: client.get(RETURNS)) == one


# --- supervised stages --------------------------------------------------------------------------------------------


@pytest.fixture
def child(world):
    world.customer.birth_date = dt.date(2016, 1, 1)
    world.customer.save()


def test_every_stage_of_a_restricted_supply_is_recorded_with_its_registrant(
    child, bench, order, api, clerk, manager, hand
):
    """GOC standard 9 and ABDO advice C4.6.4: measuring, checking, fitting at collection, later repair."""
    first = api(clerk).post(
        SUPERVISIONS, {"order": order["id"], "stage": "measurement", "supervised_by": str(manager.id)}
    )
    assert first.status_code == 201, first.content
    found = first.json()
    assert (found["is_restricted"], found["supervisor_registration"]) == (True, manager.registration_number)
    bench.to_inspection()
    checked = bench.client.post("/api/v1/inspections/", measured(bench.job_id, supervised_by=str(manager.id)))
    assert checked.json()["outcome"] == "pass", checked.content
    bench.work("set_up", "pack")
    outbox.deliver_all()
    pay(api(clerk), order)
    handed = api(clerk).post(HANDOVERS, {"order": order["id"], "supervised_by": str(manager.id)}).json()
    assert handed["supervision_gaps"] == []
    api(clerk).post(
        SUPERVISIONS,
        {"order": order["id"], "stage": "repair", "supervised_by": str(manager.id), "note": "Front replaced"},
    )
    rows = api(clerk).get(f"{SUPERVISIONS}?order={order['id']}").json()["results"]
    assert [row["stage"] for row in reversed(rows)] == ["measurement", "final_check", "handover", "repair"]
    assert {row["supervised_by_name"] for row in rows} == {"Manager"}
    assert [event["stage"] for event in events_of("quality.supervised")] == ["measurement", "repair"]


def test_what_was_not_supervised_is_said_at_the_handover(child, ready, order, api, clerk, manager):
    pay(api(clerk), order)
    handed = api(clerk).post(HANDOVERS, {"order": order["id"], "supervised_by": str(manager.id)}).json()
    assert (handed["is_restricted"], handed["supervision_gaps"]) == (True, ["measurement", "final_check"])


def test_the_register_entry_is_kept_as_it_was(order, api, clerk, manager):
    body = {"order": order["id"], "stage": "measurement", "supervised_by": str(manager.id)}
    found = api(clerk).post(SUPERVISIONS, body).json()
    assert found["is_restricted"] is False  # the wearer is an adult: recorded all the same
    manager.registration_number = "D-99999 (invented)"
    manager.save()
    kept = api(clerk).get(f"{SUPERVISIONS}{found['id']}/").json()
    assert kept["supervisor_registration"] == "D-00001 (invented)"


def test_only_a_registrant_of_the_branch_supervises(order, glazed, api, clerk, hand, outsider, quay, bookkeeper):
    elsewhere = member("elsewhere", "manager", quay, registration_number="D-00002 (invented)")
    body = {"order": order["id"], "stage": "measurement"}
    refused(api(clerk).post(SUPERVISIONS, {**body, "supervised_by": str(hand.id)}), 422, "quality.not_a_registrant")
    refused(api(clerk).post(SUPERVISIONS, {**body, "supervised_by": str(elsewhere.id)}), 404, "core.not_found")
    refused(
        glazed.client.post("/api/v1/inspections/", measured(glazed.job_id, supervised_by=str(hand.id))),
        422,
        "quality.not_a_registrant",
    )
    refused(
        api(clerk).post(SUPERVISIONS, {**body, "stage": "lunch", "supervised_by": str(hand.id)}), 400, "core.malformed"
    )
    assert api(outsider).post(SUPERVISIONS, {**body, "supervised_by": str(elsewhere.id)}).status_code == 404
    assert api(bookkeeper).get(SUPERVISIONS).status_code == 403
    assert not SupervisedStage.objects.everywhere("test").exists()
    assert glazed.read()["state"] == "open"


def test_an_amended_prescription_is_a_caution_at_the_handover(ready, order, api, clerk, world):
    new = prescribe(world.customer)
    type(new).objects.everywhere("test").filter(id=new.id).update(
        supersedes=world.prescription, amendment_reason="Axis amended"
    )
    pay(api(clerk), order)
    cautions = api(clerk).post(HANDOVERS, {"order": order["id"]}).json()["cautions"]
    assert "prescription_amended" in {caution["key"] for caution in cautions}


@pytest.mark.parametrize(("jurisdiction", "cautioned"), [("US", True), ("US-NJ", True), ("GB", False)])
def test_lenses_not_marked_impact_resistant_are_a_caution_in_the_united_states(
    ready, order, api, clerk, mill, jurisdiction, cautioned
):
    """21 CFR 801.410: every spectacle lens impact resistant, unless the prescriber directs otherwise in writing."""
    mill.jurisdiction = jurisdiction
    mill.save()
    pay(api(clerk), order)
    cautions = api(clerk).post(HANDOVERS, {"order": order["id"]}).json()["cautions"]
    assert ("us_impact" in {caution["key"] for caution in cautions}) is cautioned
