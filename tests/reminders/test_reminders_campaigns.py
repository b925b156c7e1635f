"""Campaigns: who may set them going, what they make when, once for each person, and what they leave alone."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.branches.models import OpeningHours
from opticshop.core import clock, outbox
from opticshop.core.duties import run_duty
from opticshop.customers.models import Customer
from opticshop.customers.services import customer_amend
from opticshop.reminders.models import Campaign, Recall
from opticshop.reminders.services import recall_review
from tests.factories import CustomerFactory, PrescriptionFactory
from tests.reminders.conftest import SYSTEM, later, messages
from tests.workshop.conftest import events_of

pytestmark = pytest.mark.django_db
LEAVES_THE_STATE_ALONE = ("plugin",)
URL = "/api/v1/recall-campaigns/"
#: Noon of the test day is Monday 2 March 2026. A prescription of that day last year is due today (policy: a year on).
DUE_TODAY = dt.date(2025, 3, 2)
TERMS = {
    "name": "Spring (invented)",
    "notices": [
        {"days_from_due": -14},
        {"days_from_due": 21, "min_gap_days": 14},
        {"days_from_due": 56, "min_gap_days": 28},
    ],
    "ways": ["email", "text", "letter"],
    "daily_cap": 100,
    "not_due_before": "2026-01-01",
    "open_days_only": False,
}


def recalls() -> list[Recall]:
    return list(Recall.objects.everywhere("test").select_related("customer").order_by("due_on", "id"))


def person(branch, issued_on=DUE_TODAY, **details) -> Recall:
    """Somebody whose recall is planned a year after the prescription."""
    customer = CustomerFactory(branch=branch, **details)
    PrescriptionFactory(customer=customer, issued_on=issued_on)
    planned = recall_review(actor=SYSTEM, customer=customer)
    assert planned is not None
    return planned


@pytest.fixture
def client(plugin, api, manager):
    return api(manager)


def draft(client, branch, **terms):
    answer = client.post(URL, {"branch": str(branch.id), **TERMS, **terms}, format="json")
    assert answer.status_code == 201, answer.json()
    return answer.json()


def move(client, campaign, verb):
    return client.post(f"{URL}{campaign['id']}/{verb}/")


def running(client, branch, **terms):
    campaign = draft(client, branch, **terms)
    assert move(client, campaign, "start").status_code == 200
    return campaign


def amend(client, campaign, **changes):
    etag = client.get(f"{URL}{campaign['id']}/").headers["ETag"]
    return client.patch(f"{URL}{campaign['id']}/", changes, format="json", headers={"If-Match": etag})


def notices():
    return run_duty("reminders.notices_due")


def told() -> list[tuple[str, str]]:
    return [(message.kind, message.state) for message in messages()]


def test_first_second_and_final_notice_are_made_each_once_with_its_gap(client, mill):
    recall = person(mill)
    running(client, mill)
    made_on = []
    for day in range(0, 120):
        with later(days=day):
            if notices():
                made_on.append(day)
            assert notices() == 0
    assert made_on == [0, 21, 56]
    assert [kind for kind, _ in told()] == ["recall_first", "recall_second", "recall_final"]
    assert {message.subject_ref for message in messages()} == {f"recalls/{recall.id}"}
    recall = recalls()[0]
    assert (recall.notices_made, recall.next_notice_on) == (3, None)
    assert (recall.first_notice_on, recall.last_notice_on) == (dt.date(2026, 3, 2), dt.date(2026, 4, 27))


def test_who_was_due_long_before_the_start_still_has_the_gap_between_notices(client, mill):
    person(mill, issued_on=dt.date(2025, 1, 2))
    running(client, mill)
    made_on = []
    for day in range(0, 70):
        with later(days=day):
            if notices():
                made_on.append(day)
    assert made_on == [0, 14, 42]


def test_nobody_is_told_by_a_draft_a_paused_or_a_finished_campaign(client, mill):
    person(mill)
    campaign = draft(client, mill)
    assert notices() == 0
    move(client, campaign, "start")
    assert recalls()[0].next_notice_on == dt.date(2026, 2, 16)
    move(client, campaign, "pause")
    assert (notices(), recalls()[0].next_notice_on) == (0, None)
    move(client, campaign, "resume")
    assert notices() == 1
    move(client, campaign, "finish")
    with later(days=30):
        assert notices() == 0


@pytest.mark.parametrize(
    ("done", "verb", "allowed"),
    [
        ([], "pause", ["finished", "running"]),
        (["start"], "start", ["finished", "paused"]),
        (["start", "finish"], "resume", []),
        (["finish"], "start", []),
    ],
)
def test_a_campaign_moves_only_by_its_table(client, mill, done, verb, allowed):
    campaign = draft(client, mill)
    for each in done:
        assert move(client, campaign, each).status_code == 200
    refused = move(client, campaign, verb)
    assert (refused.status_code, refused.json()["code"]) == (409, "core.move_not_allowed")
    assert refused.json()["errors"][0]["allowed"] == allowed


def test_a_branch_has_one_open_campaign(client, mill):
    first, second = running(client, mill), draft(client, mill)
    refused = move(client, second, "start")
    assert (refused.status_code, refused.json()["code"]) == (409, "reminders.campaign_already_open")
    assert move(client, first, "pause").status_code == 200
    assert move(client, second, "start").status_code == 409
    assert move(client, first, "finish").status_code == 200
    assert move(client, second, "start").status_code == 200


@pytest.mark.parametrize(
    ("terms", "code"),
    [
        ({"notices": []}, "reminders.notices_out_of_order"),
        ({"notices": [{"days_from_due": 5}, {"days_from_due": 5}]}, "reminders.notices_out_of_order"),
        ({"notices": [{"days_from_due": n} for n in range(4)]}, "reminders.notices_out_of_order"),
        ({"ways": []}, "reminders.ways_unknown"),
        ({"ways": ["email", "email"]}, "reminders.ways_unknown"),
    ],
)
def test_terms_that_make_no_sense_are_refused(client, mill, terms, code):
    refused = client.post(URL, {"branch": str(mill.id), **TERMS, **terms}, format="json")
    assert (refused.status_code, refused.json()["code"]) == (422, code)
    assert not Campaign.objects.everywhere("test").exists()


@pytest.mark.parametrize(
    "terms", [{"daily_cap": 0}, {"ways": ["pigeon"]}, {"notices": [{"days_from_due": 9999}]}, {"quiet_from": "25:00"}]
)
def test_values_of_the_wrong_shape_are_refused(client, mill, terms):
    assert client.post(URL, {"branch": str(mill.id), **TERMS, **terms}, format="json").status_code == 400


def test_quiet_hours_that_leave_no_hour_are_refused_at_the_start(client, mill):
    OpeningHours.objects.create(branch=mill, weekday=0, opens_at=dt.time(10), closes_at=dt.time(16))
    campaign = draft(client, mill, open_days_only=True, quiet_from="09:00", quiet_to="17:00")
    refused = move(client, campaign, "start")
    assert (refused.status_code, refused.json()["code"]) == (409, "reminders.no_time_to_send")
    assert client.get(f"{URL}{campaign['id']}/").json()["state"] == "draft"


def test_amending_needs_the_version_and_schedules_anew(client, mill):
    person(mill)
    campaign = running(client, mill)
    url = f"{URL}{campaign['id']}/"
    assert client.patch(url, {"daily_cap": 5}, format="json").status_code == 428
    assert client.patch(url, {"daily_cap": 5}, format="json", headers={"If-Match": '"99"'}).status_code == 412
    amended = amend(client, campaign, notices=[{"days_from_due": 10}], daily_cap=5)
    assert (amended.status_code, amended.json()["daily_cap"], len(amended.json()["notices"])) == (200, 5, 1)
    assert recalls()[0].next_notice_on == dt.date(2026, 3, 12)
    assert amend(client, campaign, not_due_before="2026-03-03").status_code == 200
    assert recalls()[0].next_notice_on is None
    move(client, campaign, "finish")
    assert amend(client, campaign, name="x").json()["code"] == "reminders.campaign_is_over"
    assert events_of("reminders.campaign_amended")[0]["fields"] == ["daily_cap", "notices"]


def test_another_branchs_campaign_looks_like_none_and_the_counter_may_only_look(
    client, api, clerk, hand, outsider, mill
):
    campaign = draft(client, mill)
    url = f"{URL}{campaign['id']}/"
    assert api(clerk).get(url).status_code == 200
    assert api(clerk).post(f"{url}start/").status_code == 403
    assert api(clerk).get(f"{url}dry-run/").status_code == 403
    assert api(clerk).post(URL, {"branch": str(mill.id), **TERMS}, format="json").status_code == 403
    assert api(hand).get(url).status_code == 403
    for verb in ("start", "pause", "resume", "finish"):
        assert api(outsider).post(f"{url}{verb}/").status_code == 404
    assert api(outsider).get(url).status_code == 404
    assert api(outsider).get(f"{url}dry-run/").status_code == 404
    assert api(outsider).patch(url, {"name": "x"}, format="json").status_code == 404
    assert api(outsider).get(URL).json()["results"] == []


def test_the_list_of_campaigns_costs_the_same_for_one_and_for_four(client, mill, queries):
    draft(client, mill)
    one = queries(lambda: client.get(URL))
    for _ in range(3):
        draft(client, mill)
    assert queries(lambda: client.get(URL)) == one


def test_no_more_notices_a_day_than_the_cap(client, mill):
    for _ in range(7):
        person(mill)
    running(client, mill, daily_cap=3)
    assert [notices(), notices()] == [3, 0]
    with later(hours=5):
        assert notices() == 0
    with later(days=1):
        assert [notices(), notices()] == [3, 0]
    with later(days=2):
        assert notices() == 1
    assert len({message.customer_id for message in messages()}) == 7


def test_who_cannot_be_told_uses_up_nothing_of_the_cap_and_is_seen_by_staff(client, mill):
    mute = person(mill, email="")
    child = person(mill, birth_date=dt.date(2015, 1, 1))
    person(mill)
    running(client, mill, daily_cap=1)
    assert notices() == 1
    assert [message.customer_id for message in messages()] == [recalls()[-1].customer_id]
    shown = client.get("/api/v1/recalls/?cannot_be_told=true").json()["results"]
    assert {row["id"] for row in shown} == {str(mute.id), str(child.id)}
    assert any("guardian" in row["obstacle"] for row in shown)
    assert all(row["next_notice_on"] is None and row["notices_made"] == 0 for row in shown)


def test_an_address_that_was_added_lets_the_notices_begin(client, mill):
    mute = person(mill, email="")
    running(client, mill)
    assert notices() == 0
    customer_amend(actor=SYSTEM, customer=mute.customer, version=1, changes={"email": "new@example.org"})
    outbox.deliver_all()
    assert notices() == 1
    assert messages()[0].to == "new@example.org"


def test_the_guardian_of_a_child_is_told(client, mill):
    guardian = CustomerFactory(branch=mill, given_name="Rowan")
    child = person(mill, birth_date=dt.date(2015, 1, 1), guardian=guardian)
    running(client, mill)
    assert notices() == 1
    [message] = messages()
    assert (message.customer_id, message.to) == (child.customer_id, guardian.email)


@pytest.mark.parametrize("prefers", ["email", "text"])
def test_a_guardian_of_two_children_reads_whose_examination_is_due(client, mill, prefers):
    mill.message_channel = "post-box" if prefers == "email" else "pocket"
    mill.save()
    guardian = CustomerFactory(
        branch=mill, given_name="Rowan", phone_e164="+442079460018", preferred_channel=prefers, email="r@example.org"
    )
    for name in ("Robin", "Piper"):
        person(mill, birth_date=dt.date(2015, 1, 1), guardian=guardian, given_name=name, family_name="Alder")
    grown = person(mill, given_name="Gale", phone_e164="+442079460019", preferred_channel=prefers)
    running(client, mill)
    assert notices() == 3
    children = [message for message in messages() if message.customer_id != grown.customer_id]
    assert [name in one.body for one in children for name in ("Robin Alder", "Piper Alder")] in (
        [True, False, False, True],
        [False, True, True, False],
    )
    assert all("your next" not in one.body and "the next examination of" in one.subject for one in children)
    [own] = [message for message in messages() if message.customer_id == grown.customer_id]
    assert "your next examination is due" in own.body


def test_a_shops_own_words_name_the_wearer_and_spell_the_day(client, mill, head_office, api):
    guardian = CustomerFactory(branch=mill, language="fr")
    person(mill, birth_date=dt.date(2015, 1, 1), guardian=guardian, given_name="Robin", family_name="Alder")
    words = {"kind": "recall_first", "form": "email", "language": "fr", "subject": "Rappel", "body": "$wearer, $due_on"}
    assert client.post("/api/v1/message-templates/", {"branch": str(mill.id), **words}).status_code == 201
    running(client, mill)
    assert notices() == 1
    assert messages()[0].body.startswith("Robin Alder, 2 mars 2026")


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        ({"wants_recalls": False}, "opted_out"),
        ({"deceased_on": dt.date(2026, 2, 1)}, "deceased"),
        ({"moved_away_on": dt.date(2026, 2, 1)}, "moved"),
    ],
)
def test_whom_the_news_has_not_reached_yet_is_still_left_in_peace(client, mill, changes, outcome):
    recall = person(mill)
    running(client, mill)
    Customer.objects.everywhere("test").filter(id=recall.customer_id).update(**changes)
    assert notices() == 0
    assert messages() == []
    assert (recalls()[0].state, recalls()[0].outcome) == ("closed", outcome)


@pytest.mark.parametrize(("wants", "made"), [(False, 0), (True, 1)])
def test_a_campaign_that_promotes_tells_only_who_agreed_to_marketing(client, mill, wants, made):
    person(mill, wants_marketing=wants)
    running(client, mill, promotes=True)
    assert notices() == made
    assert [(message.kind, message.purpose) for message in messages()] == [("recall_first_offer", "marketing")] * made


def test_notices_made_in_the_night_leave_in_the_morning(client, mill):
    person(mill)
    running(client, mill)
    with later(hours=10):  # 22:00, in the quiet hours
        assert notices() == 1
    assert messages()[0].due_at == dt.datetime(2026, 3, 3, 9, 0, tzinfo=dt.UTC)


def test_what_is_made_in_the_evening_counts_for_the_day_on_which_it_leaves(client, mill):
    for _ in range(5):
        person(mill)
    running(client, mill, daily_cap=2)
    with later(hours=10):  # 22:00, in the quiet hours
        assert [notices(), notices()] == [2, 0]
    with later(hours=13):  # 01:00
        assert notices() == 0
    with later(days=1):
        assert notices() == 0
    with later(days=2):
        assert notices() == 2
    leaves = [message.due_at.date().isoformat() for message in messages()]
    assert leaves == ["2026-03-03", "2026-03-03", "2026-03-04", "2026-03-04"]


def test_a_notice_that_is_late_waits_for_the_hours_of_the_campaign(client, mill, plugin):
    person(mill)
    running(client, mill, open_days_only=True, quiet_from="17:00", quiet_to="10:00")
    assert notices() == 1
    for hours in (5.5, 18, 21.5):  # 17:30, 06:00 and 09:30: nobody had sent it before
        with later(hours=hours):
            run_duty("correspondence.send_due")
    assert (messages()[0].state, plugin.email.seen) == ("queued", [])
    assert messages()[0].due_at == dt.datetime(2026, 3, 3, 10, 0, tzinfo=dt.UTC)
    with later(hours=22):
        assert run_duty("correspondence.send_due") == 1
    assert messages()[0].state == "sent"


def test_the_next_letter_waits_until_the_one_before_was_posted(client, mill, plugin):
    plugin.letter.batches = True
    mill.message_channel = "envelope"
    mill.save()
    recall = person(mill, preferred_channel="letter", address="2 Fen Road", postcode="ZZ9 9ZZ")
    running(client, mill, ways=["letter"])
    assert notices() == 1
    for day in range(1, 40):
        with later(days=day):
            assert notices() == 0
    [letter] = messages()
    assert (letter.state, letter.awaits_batch) == ("queued", True)
    with later(days=40):
        letter.state, letter.sent_at = "sent", clock.now()
        letter.save()
    made_on = []
    for day in range(40, 70):
        with later(days=day):
            if notices():
                made_on.append(day)
    assert made_on == [54]  # posted on day 40, the gap is 14 days
    assert recalls()[0].id == recall.id


def test_on_a_closed_day_nothing_is_made(client, mill):
    person(mill)
    running(client, mill, open_days_only=True)
    with later(days=-1):  # a Sunday
        assert notices() == 0
    assert notices() == 1
    assert messages()[0].due_at == dt.datetime(2026, 3, 2, 12, 0, tzinfo=dt.UTC)


def test_nobody_came_within_ninety_days_of_the_last_notice(client, mill):
    person(mill)
    running(client, mill, notices=[{"days_from_due": 0}])
    assert notices() == 1
    with later(days=90):
        assert run_duty("reminders.close_exhausted") == 0
    with later(days=91):
        assert run_duty("reminders.close_exhausted") == 1
        assert run_duty("reminders.close_exhausted") == 0
    assert recalls()[0].outcome == "exhausted"


def test_a_dry_run_counts_explains_and_shows_and_writes_nothing(client, mill, queries):
    person(mill)
    person(mill, preferred_channel="text", phone_e164="+442079460018")
    person(mill, email="")
    person(mill, issued_on=dt.date(2024, 1, 2))
    person(mill, issued_on=dt.date(2025, 12, 1))
    gone = person(mill)
    customer_amend(actor=SYSTEM, customer=gone.customer, version=1, changes={"wants_recalls": False})
    outbox.deliver_all()
    mill.message_channel = "console"
    mill.save()
    campaign = draft(client, mill, daily_cap=2, ways=["email"])
    before = [(recall.id, recall.next_notice_on, recall.obstacle) for recall in recalls()]
    url = f"{URL}{campaign['id']}/dry-run/"
    tried = client.get(url).json()
    assert tried["day"] == "2026-03-02"
    assert {(row["notice"], row["way"], row["count"]) for row in tried["would_make"]} >= {(1, "email", 1)}
    assert sum(row["count"] for row in tried["would_make"]) == 2
    assert tried["put_off"] == 1
    reasons = {row["reason"]: row["count"] for row in tried["left_out"]}
    assert reasons == {"due_too_long_ago": 1, "not_due_yet": 1, "opted_out": 1}
    assert any("2 March 2026" in example["body"] for example in tried["examples"])
    assert all("examination is due" in example["body"] for example in tried["examples"])
    assert messages() == []
    assert before == [(recall.id, recall.next_notice_on, recall.obstacle) for recall in recalls()]
    cost = queries(lambda: client.get(url))
    for _ in range(3):
        person(mill)
    assert queries(lambda: client.get(url)) == cost
