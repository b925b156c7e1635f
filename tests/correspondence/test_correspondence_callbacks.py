"""What carriers say: signed, each id once; and what people mean when they write back."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client

from opticshop.core.duties import run_duty
from opticshop.correspondence.models import DeliveryNote, Message, Reply
from opticshop.correspondence.replies import meaning_of
from opticshop.correspondence.services import channel_choose
from opticshop.customers.models import ContactRefusal, WrongAddress
from opticshop.plugin_api import SendOutcome
from tests.conftest import NOON
from tests.correspondence.conftest import SYSTEM, call, messages, queue
from tests.factories import CustomerFactory
from tests.workshop.conftest import events_of

pytestmark = pytest.mark.django_db
REPLIES = "/api/v1/replies/"


def report(message, state="delivered", number=1, at=NOON, **more):
    named = more or {"message_id": str(message.id)}
    return {"type": "report", "id": f"d-{number}", "state": state, "detail": "", "at": at.isoformat(), **named}


def reply(text, sender="+442079460018", number=1, **more):
    return {
        "type": "reply",
        "id": f"i-{number}",
        "sender": sender,
        "text": text,
        "received_at": NOON.isoformat(),
        **more,
    }


@pytest.fixture
def sent(plugin, person, mill):
    channel_choose(actor=SYSTEM, branch=mill, way="text", channel="pocket")
    person.preferred_channel = "text"
    person.save()
    message = queue(person, "recall")
    run_duty("correspondence.send_due")
    message.refresh_from_db()
    assert message.state == "sent"
    return message


def test_a_call_with_the_carriers_signature_is_taken_once(sent):
    """Signed and checked by the reference library of the open webhook standard."""
    client = Client(enforce_csrf_checks=True)
    answer = call(client, [report(sent)])
    assert (answer.status_code, answer.json()) == (200, {"taken": 1})
    assert call(client, [report(sent)]).json() == {"taken": 0}
    sent.refresh_from_db()
    assert (sent.delivery, sent.delivery_at) == ("delivered", NOON)
    assert len(events_of("correspondence.delivered")) == 1


@pytest.mark.parametrize("how", [{"tamper": True}, {"secret": "whsec_" + "A" * 32}])
def test_what_is_not_signed_by_the_carrier_is_refused(sent, how):
    answer = call(Client(), [report(sent)], **how)
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.json()["code"] == "correspondence.callback_not_proved"
    assert not DeliveryNote.objects.everywhere("test").exists()


def test_an_unknown_channel_or_branch_is_not_there_and_a_large_body_is_too_much(sent):
    assert call(Client(), [], channel="absent").status_code == 404
    assert call(Client(), [], branch="NONE").status_code == 404
    assert call(Client(), [{"type": "x" * 70_000}]).status_code == 413
    assert call(Client(), [], channel="console").status_code == 401
    assert Client().get("/api/v1/channel-callbacks/pocket/MILL/").status_code in {401, 405}


def test_another_branchs_message_is_not_reported_on(sent, quay):
    assert call(Client(), [report(sent)], branch="QUAY").json() == {"taken": 1}
    sent.refresh_from_db()
    assert sent.delivery == ""


def test_the_latest_word_of_the_carrier_counts(sent):
    after = NOON + dt.timedelta(minutes=5)
    call(Client(), [report(sent, "undelivered", 1, after), report(sent, "delivered", 2, NOON)])
    sent.refresh_from_db()
    assert sent.delivery == "undelivered"
    assert len(events_of("correspondence.undelivered")) == 1


def test_a_report_that_comes_before_its_reference_is_known_is_matched_later(sent):
    Message.objects.everywhere("test").update(provider_reference="")
    assert call(Client(), [report(sent, provider_reference="early")]).json() == {"taken": 1}
    assert run_duty("correspondence.match_reports") == 0
    Message.objects.everywhere("test").update(provider_reference="early")
    assert run_duty("correspondence.match_reports") == 1
    assert run_duty("correspondence.match_reports") == 0
    assert messages()[0].delivery == "delivered"


def test_a_message_that_may_not_have_left_did_when_it_arrived(plugin, person, mill):
    channel_choose(actor=SYSTEM, branch=mill, way="email", channel="post-box")
    plugin.email.answers = [SendOutcome(state="unknown")]
    message = queue(person)
    run_duty("correspondence.send_due")
    assert messages()[0].state == "failed"
    call(Client(), [report(message)], channel="post-box")
    [found] = messages()
    assert (found.state, found.delivery) == ("sent", "delivered")
    assert run_duty("correspondence.send_due") == 0


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        ("STOP", "stop"),
        ("stop texting me", "stop"),
        ("Stop, please.", "stop"),
        ("Unsubscribe", "stop"),
        ("END", "stop"),
        ("cancel please", "stop"),
        ("Can I cancel my appointment?", "unclear"),
        ("Cancel my appointment on Monday please", "unclear"),
        ("Please don't stop", "unclear"),
        ("I've already booked, thanks", "booked"),
        ("Already booked. Stop.", "booked"),
        ("I have already been, and have booked again", "came_back"),
        ("Wrong number mate", "wrong_person"),
        ("Sorry, you have the wrong person", "wrong_person"),
        ("Falsche Nummer!", "wrong_person"),
        ("STOP\n> Dear Wren, we have already booked", "stop"),
        ("Thanks\nOn Monday 2 March 2026 the shop wrote:\n> Reply STOP to end", "unclear"),
        ("", "unclear"),
        ("👍", "unclear"),
    ],
)
def test_plain_words_are_understood_and_others_left_to_a_person(text, meaning):
    """Words: common practice, from memory."""
    assert meaning_of(text) == meaning


def test_stop_ends_recalls_and_offers_by_that_way_at_once(sent, plugin, person):
    queue(person, "recall", about="things/2")
    queue(person, "service", about="things/3")
    assert call(Client(), [reply("STOP")]).json() == {"taken": 1}
    assert call(Client(), [reply("STOP")]).json() == {"taken": 0}
    refused = ContactRefusal.objects.everywhere("test").values_list("purpose", "way")
    assert sorted(refused) == [("marketing", "text"), ("recall", "text")]
    assert [message.state for message in messages()] == ["sent", "withdrawn", "queued"]
    run_duty("correspondence.send_due")
    assert messages()[2].state == "sent"
    [event] = events_of("correspondence.reply_received")
    assert (event["message"], event["customer"], event["meaning"]) == (str(sent.id), str(person.id), "stop")


def test_stop_counts_for_everybody_who_is_written_to_at_that_number(sent, mill, person):
    other = CustomerFactory(branch=mill, preferred_channel="text", phone_e164=person.phone_e164)
    queue(other, "recall")
    run_duty("correspondence.send_due")
    call(Client(), [reply("stop", sender="020 7946 0018")])
    assert ContactRefusal.objects.everywhere("test").filter(customer=other).count() == 2
    assert ContactRefusal.objects.everywhere("test").filter(customer=person).count() == 2


def test_the_wrong_persons_address_is_not_used_any_more(sent, person):
    call(Client(), [reply("wrong number", message_id=str(sent.id))])
    [wrong] = WrongAddress.objects.everywhere("test").all()
    assert (wrong.customer_id, wrong.way, wrong.address) == (person.id, "text", "+442079460018")
    assert queue(person, about="things/2").state == "failed"
    assert events_of("correspondence.reply_received")[0]["meaning"] == "wrong_person"


def test_a_reply_to_nothing_of_ours_is_kept_and_changes_nothing(sent):
    call(Client(), [reply("STOP", sender="+442079460099")])
    [kept] = Reply.objects.everywhere("test").all()
    assert (kept.message_id, kept.customer_id, kept.meaning) == (None, None, "stop")
    assert not ContactRefusal.objects.everywhere("test").exists()
    assert not events_of("correspondence.reply_received")


def test_a_carriers_odd_characters_are_kept_out(sent):
    parts = [reply("st\0op"), report(sent, provider_reference="x\0y")]
    assert call(Client(), parts).status_code == 200


def test_staff_read_replies_of_their_branch(sent, api, clerk, outsider, hand, queries):
    call(Client(), [reply("When are you open?")])
    client = api(clerk)
    one = queries(lambda: client.get(REPLIES))
    call(Client(), [reply("And on Sunday?", number=2), reply("STOP", number=3)])
    assert queries(lambda: client.get(REPLIES)) == one
    found = client.get(f"{REPLIES}?meaning=unclear").json()["results"]
    assert [row["text"] for row in found] == ["And on Sunday?", "When are you open?"]
    assert api(outsider).get(REPLIES).json()["results"] == []
    assert api(outsider).get(f"{REPLIES}{found[0]['id']}/").status_code == 404
    assert api(hand).get(REPLIES).status_code == 403
