"""What becomes of a message: each outcome of its channel, its pace, its place in the queue, and what a person does."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.core.duties import run_duty
from opticshop.correspondence.models import Message, RateWindow
from opticshop.correspondence.services import channel_choose, send_due, send_due_by
from opticshop.correspondence.services.pacing import rate_take
from opticshop.plugin_api import SendOutcome
from tests.conftest import NOON
from tests.correspondence.conftest import GONE, SYSTEM, later, messages, queue
from tests.factories import CustomerFactory
from tests.workshop.conftest import events_of

pytestmark = pytest.mark.django_db
URL = "/api/v1/messages/"
REFUSED = SendOutcome(state="refused", detail="No such address.")


def send():
    return run_duty("correspondence.send_due")


@pytest.fixture
def both(plugin, mill):
    channel_choose(actor=SYSTEM, branch=mill, way="text", channel="pocket")
    return plugin


def test_what_the_carrier_refuses_goes_by_the_next_way_that_is_allowed(both, person):
    message = queue(person, ways=("email", "text"))
    both.email.answers = [REFUSED]
    assert send() == 2
    message.refresh_from_db()
    assert (message.state, message.way, message.ways_refused) == ("sent", "text", "email")
    assert (both.email.seen[0].id, both.text.seen[0].id) == (str(message.id), str(message.id))
    assert both.text.seen[0].to == person.phone_e164
    assert both.text.seen[0].form == "short"
    assert len(events_of("correspondence.sent")) == 1
    assert not events_of("correspondence.failed")


def test_refused_by_every_way_it_fails(both, person):
    queue(person, ways=("text",))
    both.email.answers, both.text.answers = [REFUSED], [REFUSED]
    send()
    [message] = messages()
    assert (message.state, message.ways_refused) == ("failed", "email,text")
    assert len(events_of("correspondence.failed")) == 1


@pytest.mark.parametrize(
    "answer", [SendOutcome(state="unknown"), RuntimeError("broke"), SendOutcome(state="retry", detail="Busy.")]
)
def test_only_certain_refusal_turns_to_another_way(both, person, answer):
    queue(person, ways=("text",))
    both.email.answers = [answer]
    send()
    with later(days=1):
        send()
    assert not both.text.seen


def test_the_words_are_those_of_the_moment_of_sending(plugin, person, mill):
    message = queue(person)
    assert "Millrace" in message.body
    mill.name = "Weir Opticians (invented)"
    mill.save()
    send()
    message.refresh_from_db()
    assert "Weir" in message.body
    assert plugin.email.seen[0].body == message.body


def test_what_has_no_reason_any_more_is_withdrawn(plugin, person):
    queue(person)
    GONE["things/1"] = "It was settled."
    assert send() == 1
    assert (messages()[0].state, messages()[0].detail) == ("withdrawn", "It was settled.")
    assert not plugin.email.seen


def test_ones_own_order_goes_before_invitations_and_these_before_offers(plugin, person, mill):
    for number, purpose in enumerate(("marketing", "recall", "service")):
        queue(person, purpose, about=f"things/{number}", due_at=NOON - dt.timedelta(hours=3 - number))
    send()
    assert [told.purpose for told in plugin.email.seen] == ["service", "service", "marketing"]
    assert [bool(told.unsubscribe_url) for told in plugin.email.seen] == [False, True, True]


def test_over_its_pace_a_channel_waits_for_the_next_minute_and_holds_up_no_other(both, mill, quay):
    choice = channel_choose(actor=SYSTEM, branch=mill, way="email", channel="post-box", per_minute=3)
    quay.message_channel = "post-box"
    quay.save()
    for branch in (mill, quay):
        for one in CustomerFactory.create_batch(5, branch=branch):
            queue(one)
    send()
    assert [told.branch_name for told in both.email.seen].count(mill.name) == 3
    assert [told.branch_name for told in both.email.seen].count(quay.name) == 5
    waiting = [message for message in messages() if message.state == "queued"]
    assert [(message.attempts, message.detail) for message in waiting] == [(0, "")] * 2
    with later(seconds=59):
        send()
    assert len(both.email.seen) == 8
    with later(minutes=1):
        send()
    assert len(both.email.seen) == 10
    assert choice.per_minute == 3


def test_places_of_a_minute_are_given_out_once_and_forgotten(mill, plugin):
    assert [rate_take(mill, "post-box", 2) for _ in range(4)] == [True, True, False, False]
    assert rate_take(mill, "pocket", 1)
    assert rate_take(mill, "post-box", None)
    with later(hours=2):
        send()
    assert not RateWindow.objects.everywhere("test").exists()


def test_a_text_that_is_late_waits_for_the_morning(both, person):
    person.preferred_channel = "text"
    person.save()
    queue(person)
    with later(hours=9):
        send()
        assert not both.text.seen
    with later(hours=21):
        send()
    assert len(both.text.seen) == 1


def test_one_channel_can_be_sent_by_itself(both, person, mill):
    queue(person)
    texter = CustomerFactory(branch=mill, preferred_channel="text", phone_e164="+442079460019")
    queue(texter)
    assert send_due_by("pocket", actor=SYSTEM) == 1
    assert (len(both.email.seen), len(both.text.seen)) == (0, 1)
    assert send_due(actor=SYSTEM, limit=1) == 1
    assert len(both.email.seen) == 1


def test_a_failed_message_is_sent_again_under_the_same_id(api, manager, clerk, outsider, plugin, person):
    plugin.email.answers = [SendOutcome(state="unknown")]
    message = queue(person)
    send()
    url = f"{URL}{message.id}/send-again/"
    assert api(clerk).post(url, {"reason": "x"}).status_code == 403
    assert api(outsider).post(url, {"reason": "x"}).status_code == 404
    assert api(manager).post(url, {}).status_code == 400
    answer = api(manager).post(url, {"reason": "The carrier knows nothing of it"})
    assert (answer.status_code, answer.json()["state"], answer.json()["attempts"]) == (200, "queued", 0)
    again = api(manager).post(url, {"reason": "x"})
    assert (again.status_code, again.json()["code"]) == (409, "correspondence.not_to_be_sent_again")
    send()
    assert [told.id for told in plugin.email.seen] == [str(message.id)] * 2
    assert messages()[0].state == "sent"


def test_a_waiting_message_is_withdrawn_by_a_person_once(api, manager, clerk, plugin, person):
    message = queue(person)
    url = f"{URL}{message.id}/withdraw/"
    assert api(clerk).post(url, {"reason": "x"}).status_code == 403
    assert api(manager).post(url, {"reason": "Told at the counter"}).json()["state"] == "withdrawn"
    again = api(manager).post(url, {"reason": "x"})
    assert (again.status_code, again.json()["code"]) == (409, "core.move_not_allowed")
    assert send() == 0
    assert events_of("correspondence.withdrawn")[0]["detail"] == "Told at the counter"


def test_a_branch_chooses_its_channels(api, manager, clerk, outsider, plugin, mill, queries):
    url = "/api/v1/channel-choices/"
    body = {"branch": str(mill.id), "way": "text", "channel": "pocket", "per_minute": 60}
    assert api(clerk).post(url, body).status_code == 403
    made = api(manager).post(url, body)
    assert made.status_code == 201, made.json()
    twice = api(manager).post(url, body)
    assert (twice.status_code, twice.json()["code"]) == (409, "correspondence.way_has_channel")
    other = api(manager).post(url, body | {"way": "letter"})
    assert (other.status_code, other.json()["code"]) == (422, "correspondence.channel_of_another_way")
    nothing = api(manager).post(url, body | {"way": "email", "channel": "absent"})
    assert (nothing.status_code, nothing.json()["code"]) == (409, "pluginhost.not_available")
    one = f"{url}{made.json()['id']}/"
    changed = api(manager).patch(one, {"is_active": False}, headers={"If-Match": made.headers["ETag"]})
    assert (changed.status_code, changed.json()["version"]) == (200, 2)
    assert api(manager).patch(one, {"per_minute": 1}, headers={"If-Match": made.headers["ETag"]}).status_code == 412
    assert api(outsider).get(one).status_code == 404
    assert [row["channel"] for row in api(clerk).get(f"{url}?way=text").json()["results"]] == ["pocket"]
    texter = CustomerFactory(branch=mill, preferred_channel="text", phone_e164="+442079460019")
    assert queue(texter).detail == "This branch sends nothing by text."
    few = queries(lambda: api(clerk).get(url))
    for way, channel in (("email", "post-box"), ("letter", "envelope")):
        assert api(manager).post(url, body | {"way": way, "channel": channel}).status_code == 201
    assert queries(lambda: api(clerk).get(url)) == few


def test_the_list_can_be_narrowed_to_what_did_not_arrive(api, clerk, plugin, person):
    queue(person)
    Message.objects.everywhere("test").update(delivery="undelivered")
    assert len(api(clerk).get(f"{URL}?delivery=undelivered").json()["results"]) == 1
    assert api(clerk).get(f"{URL}?delivery=delivered").json()["results"] == []
