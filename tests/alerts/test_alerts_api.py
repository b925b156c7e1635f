"""Alerts through the API: who sees them, who takes them up, and what is refused."""

from __future__ import annotations

import datetime as dt
import uuid

import pytest

from opticshop.accounts.models import Membership
from opticshop.alerts.models import AlertRule
from opticshop.core.errors import MoveNotAllowed
from opticshop.core.models import OutboxEvent
from tests.conftest import NOON, member
from tests.tags import version_in

from .conftest import (
    MINUTE,
    a_job,
    a_message,
    alerts,
    an_order,
    change,
    evaluate,
    live,
    pay,
)

pytestmark = pytest.mark.django_db
ALERTS, RULES = "/api/v1/alerts/", "/api/v1/alerts/rules/"
CLOSED = MoveNotAllowed.code


@pytest.fixture
def alert(overdue):
    evaluate()
    return live()[0]


@pytest.fixture
def untold(mill):
    a_message(an_order(mill, state="ready", ready_at=NOON))
    evaluate()
    return live(cause="message_failed")[0]


def last_event():
    return OutboxEvent.objects.order_by("id").last()


def test_an_alert_says_what_is_the_matter_and_what_would_solve_it(api, hand, alert):
    found = api(hand).get(f"{ALERTS}{alert.id}/")
    assert found.status_code == 200
    body = found.json()
    assert body[
        "words"
    ] == f"Job {alert.number} of order {alert.facts['order_number']} was promised for 2026-02-27 " + ("and is open.")
    assert body["action"].startswith("See what holds the job up")
    assert (body["state"], body["severity"], body["owner_role"], body["owner"]) == ("open", "warning", "workshop", None)
    assert body["closes_by_hand"] is False
    assert [step["kind"] for step in body["steps"]] == ["raised"]
    assert version_in(found) == 1
    assert api(hand).get(body["link"]).status_code == 200


def test_an_alert_is_taken_up_once(api, hand, clerk, alert):
    taken = api(hand).post(f"{ALERTS}{alert.id}/acknowledge/", {"note": "On it"})
    assert taken.status_code == 200
    body = taken.json()
    assert (body["state"], body["owner"], body["acknowledged_by"]) == ("acknowledged", str(hand.id), str(hand.id))
    assert last_event().type == "alerts.acknowledged"
    again = api(clerk).post(f"{ALERTS}{alert.id}/acknowledge/", {})
    assert (again.status_code, again.json()["code"]) == (409, CLOSED)
    assert live()[0].owner == hand


def test_an_alert_is_put_off_until_a_moment_to_come(api, hand, alert):
    url = f"{ALERTS}{alert.id}/snooze/"
    for until in (NOON, NOON + dt.timedelta(days=91)):
        refused = api(hand).post(url, {"until": until.isoformat()})
        assert (refused.status_code, refused.json()["code"]) == (422, "alerts.snooze_impossible")
    put_off = api(hand).post(url, {"until": (NOON + dt.timedelta(days=2)).isoformat(), "note": "Thursday"})
    assert (put_off.status_code, put_off.json()["state"]) == (200, "acknowledged")
    assert last_event().data["snoozed_until"].startswith("2026-03-04T12:00")
    assert api(hand).post(url, {"until": (NOON + dt.timedelta(days=3)).isoformat()}).status_code == 200


def test_an_alert_is_handed_over_to_somebody_of_the_branch_only(api, hand, clerk, outsider, bookkeeper, alert):
    url = f"{ALERTS}{alert.id}/hand-over/"
    for nobody in (outsider.id, bookkeeper.id, uuid.UUID(int=7)):
        refused = api(hand).post(url, {"owner": str(nobody)})
        assert (refused.status_code, refused.json()["code"]) == (422, "alerts.not_of_this_branch")
    given = api(hand).post(url, {"owner": str(clerk.id), "note": "Please ring"})
    assert (given.status_code, given.json()["owner"], given.json()["state"]) == (200, str(clerk.id), "open")
    assert last_event().data["owner"] == str(clerk.id)


def test_an_alert_read_from_rows_is_not_closed_by_hand(api, hand, alert):
    refused = api(hand).post(f"{ALERTS}{alert.id}/close/", {"reason": "Enough"})
    assert (refused.status_code, refused.json()["code"]) == (409, "alerts.closes_by_itself")
    assert live()


def test_who_was_told_by_telephone_is_closed_with_the_reason(api, clerk, untold):
    url = f"{ALERTS}{untold.id}/close/"
    assert api(clerk).post(url, {}).status_code == 400
    closed = api(clerk).post(url, {"reason": "Told by telephone"})
    assert (closed.status_code, closed.json()["closed_because"]) == (200, "by_hand")
    assert closed.json()["closed_by"] == str(clerk.id)
    assert last_event().data["because"] == "by_hand"
    for verb, body in (
        ("close", {"reason": "Again"}),
        ("acknowledge", {}),
        ("snooze", {"until": (NOON + MINUTE).isoformat()}),
        ("hand-over", {"owner": str(clerk.id)}),
    ):
        refused = api(clerk).post(f"{ALERTS}{untold.id}/{verb}/", body)
        assert (refused.status_code, refused.json()["code"]) == (409, CLOSED), verb


def test_not_yours_is_not_there_and_who_has_no_part_in_alerts_is_refused(api, outsider, bookkeeper, alert):
    for verb in ("acknowledge", "snooze", "hand-over", "close"):
        body = {"until": (NOON + MINUTE).isoformat(), "owner": str(outsider.id), "reason": "x"}
        wanted = {"snooze": ["until"], "hand-over": ["owner"], "close": ["reason"]}.get(verb, [])
        given = {name: body[name] for name in wanted}
        assert api(outsider).post(f"{ALERTS}{alert.id}/{verb}/", given).status_code == 404
        assert api(bookkeeper).post(f"{ALERTS}{alert.id}/{verb}/", given).status_code == 403
    assert api(outsider).get(f"{ALERTS}{alert.id}/").status_code == 404
    assert api(outsider).get(ALERTS).json()["results"] == []
    assert api(bookkeeper).get(ALERTS).status_code == 403
    assert api(None).get(ALERTS).status_code == 401
    assert live()[0].state == "open"


def test_who_may_not_see_the_money_does_not_see_it_by_an_alert(api, hand, manager, mill):
    pay(an_order(mill, state="collected", collected_at=NOON - dt.timedelta(days=20)), "20.00")
    evaluate()
    [alert] = live()
    assert api(hand).get(ALERTS).json()["results"] == []
    assert api(hand).get(f"{ALERTS}{alert.id}/").status_code == 404
    assert api(manager).get(f"{ALERTS}{alert.id}/").json()["facts"]["due"] == "200.00"


def test_lists_are_filtered(api, manager, hand, clerk, overdue, untold, mill):
    def found(user=manager, **query):
        return [row["cause"] for row in api(user).get(ALERTS, query).json()["results"]]

    assert found() == ["message_failed", "overdue_job"]
    assert found(cause="overdue_job") == found(severity="warning", cause="overdue_job") == ["overdue_job"]
    assert found(branch=str(mill.id), state="open") == ["message_failed", "overdue_job"]
    assert found(state="closed") == found(owner=str(clerk.id)) == []
    assert found(about=f"jobs/{overdue.id}") == ["overdue_job"]
    assert found(hand, mine="true") == ["overdue_job"]
    assert found(clerk, mine="true") == ["message_failed"]
    assert found(clerk, mine="false") == ["overdue_job"]
    assert found(mine="true") == []
    assert api(manager).get(ALERTS, {"mine": "perhaps"}).status_code == 400
    api(hand).post(f"{ALERTS}{untold.id}/acknowledge/", {})  # not the hand's to see
    assert found(owner=str(hand.id)) == []


def test_what_was_escalated_is_the_managers_too(api, manager, head_office, overdue):
    evaluate(NOON - dt.timedelta(hours=2, minutes=45))
    evaluate(NOON + dt.timedelta(hours=1, minutes=15))
    assert live()[0].level == 1
    assert [row["escalated_to"] for row in api(manager).get(ALERTS, {"mine": "true"}).json()["results"]] == ["manager"]
    assert api(head_office).get(ALERTS, {"mine": "true"}).json()["results"] == []


def test_a_list_costs_the_same_however_long_it_is(api, manager, mill, queries, overdue):
    evaluate()
    client = api(manager)
    look = lambda: client.get(ALERTS, {"mine": "false"})  # noqa: E731
    look()
    few = queries(look)
    for _ in range(8):
        a_job(mill, dt.date(2026, 2, 27))
    evaluate(NOON + MINUTE)
    assert len(look().json()["results"]) == 9
    assert queries(look) == few <= 12


def test_the_summary_counts_by_branch_and_cause_in_one_query(api, head_office, manager, mill, quay, queries, untold):
    a_job(mill, dt.date(2026, 2, 27))
    a_job(mill, dt.date(2026, 2, 20))
    a_job(quay, dt.date(2026, 2, 27))
    evaluate(NOON + MINUTE)
    change(live(cause="message_failed")[0], level=1)
    body = api(head_office).get(f"{ALERTS}summary/").json()
    assert (body["open"], body["acknowledged"]) == (4, 0)
    by_place = {(row["branch"], row["cause"]): row for row in body["standings"]}
    assert by_place[str(mill.id), "overdue_job"]["by_severity"] == {"warning": 1, "urgent": 1}
    assert by_place[str(mill.id), "message_failed"]["escalated"] == 1
    assert by_place[str(quay.id), "overdue_job"]["open"] == 1
    assert api(manager).get(f"{ALERTS}summary/").json()["open"] == 3
    assert api(head_office).get(f"{ALERTS}summary/", {"branch": str(quay.id)}).json()["open"] == 1
    assert api(manager).get(f"{ALERTS}summary/", {"branch": str(quay.id)}).status_code == 404
    assert api(manager).get(f"{ALERTS}summary/", {"branch": "nowhere"}).status_code == 422
    client = api(manager)
    assert queries(lambda: client.get(f"{ALERTS}summary/")) <= 10


# --- rules ---


def test_a_rule_shows_the_defaults_with_their_sources(api, clerk, mill):
    body = api(clerk).get(RULES, {"branch": str(mill.id)}).json()
    rules = {row["cause"]: row for row in body["results"]}
    assert len(rules) == 9
    uncollected = rules["uncollected"]
    assert [(each["name"], each["value"], each["set_by"]) for each in uncollected["thresholds"]] == [
        ("notice_days", 14, "default"),
        ("warning_days", 30, "default"),
        ("urgent_days", 90, "default"),
    ]
    assert all("no source" in each["source"] for each in uncollected["thresholds"])
    assert (uncollected["escalate_after_hours"], uncollected["version"]) == (4, 0)
    assert "no source" in uncollected["hours_source"]


def set_rule(client, cause, version, branch=None, **body):
    place = f"?branch={branch.id}" if branch else ""
    return client.patch(f"{RULES}{cause}/{place}", body, headers={"If-Match": f'"{version}"'})


def test_a_branch_wants_it_otherwise_than_the_group_and_goes_back(api, manager, head_office, mill, quay):
    group = set_rule(api(head_office), "uncollected", 0, thresholds={"notice_days": 10}, owner_role="manager")
    assert (group.status_code, version_in(group)) == (200, 1)
    own = set_rule(api(manager), "uncollected", 0, mill, thresholds={"notice_days": 21}, escalate_after_hours=0)
    assert own.status_code == 200
    body = own.json()
    assert [body["thresholds"][0][name] for name in ("value", "set_by", "default")] == [21, "branch", 14]
    assert body["set_by"] == {
        "owner_role": "group",
        "owner": "default",
        "escalate_after_hours": "branch",
        "is_active": "default",
    }
    assert last_event().type == "alerts.rule_set"
    assert last_event().data["fields"] == ["escalate_after_hours", "notice_days"]
    back = set_rule(api(manager), "uncollected", 1, mill, thresholds={"notice_days": None}, escalate_after_hours=None)
    assert (back.json()["thresholds"][0]["value"], back.json()["escalate_after_hours"]) == (10, 4)
    assert set_rule(api(manager), "uncollected", 1, mill, is_active=True).status_code == 412


def test_the_next_evaluation_goes_by_the_rule(api, manager, hand, mill, overdue):
    set_rule(api(manager), "overdue_job", 0, mill, thresholds={"urgent_after_open_days": 1}, owner=str(hand.id))
    evaluate()
    [alert] = live()
    assert (alert.severity, alert.owner) == ("urgent", hand)
    set_rule(api(manager), "overdue_job", 1, mill, is_active=False)
    evaluate(NOON + MINUTE)
    assert [(alert.state, alert.closed_because) for alert in alerts()] == [("closed", "switched_off")]


def test_a_rule_that_cannot_be_is_refused_and_nothing_is_written(api, manager, head_office, outsider, clerk, mill):
    for body, code in (
        ({"thresholds": {"hours": 3}}, "alerts.threshold_unknown"),
        ({"thresholds": {"hours_ahead": 81}}, "alerts.threshold_out_of_range"),
        ({"owner": str(outsider.id)}, "alerts.not_of_this_branch"),
    ):
        refused = set_rule(api(manager), "overdue_job", 0, mill, **body)
        assert (refused.status_code, refused.json()["code"]) == (422, code)
    person = set_rule(api(head_office), "overdue_job", 0, owner=str(manager.id))
    assert (person.status_code, person.json()["code"]) == (422, "alerts.owner_only_at_branch")
    assert set_rule(api(manager), "overdue_job", 0, is_active=False).status_code == 403
    assert set_rule(api(clerk), "overdue_job", 0, mill, is_active=False).status_code == 403
    assert set_rule(api(outsider), "overdue_job", 0, mill, is_active=False).status_code == 404
    assert set_rule(api(manager), "no_such_cause", 0, mill, is_active=False).status_code == 404
    assert set_rule(api(manager), "overdue_job", 0, mill).status_code == 400
    unmatched = api(manager).patch(f"{RULES}overdue_job/?branch={mill.id}", {"is_active": True})
    assert unmatched.status_code == 428
    assert not AlertRule.objects.everywhere("test").exists()


def test_an_owner_who_left_the_branch_is_not_named_any_more(api, manager, mill, overdue):
    leaver = member("leaver", "workshop", mill)
    set_rule(api(manager), "overdue_job", 0, mill, owner=str(leaver.id))
    Membership.objects.filter(user=leaver).delete()
    evaluate()
    assert live()[0].owner is None
