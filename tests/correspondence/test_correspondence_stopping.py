"""What promotes says how to stop it, in the message itself; and what became of a message in doubt is learnt.

PECR (S.I. 2003/2426), regulations 22(3)(c) and 23(b): a simple means of refusing in each communication, and a valid
address for it; GDPR, articles 7(3) and 21(4). From memory.
"""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client

from opticshop.core.duties import run_duty
from opticshop.correspondence.models import Message
from opticshop.correspondence.replies import meaning_of
from opticshop.correspondence.services import channel_choose
from opticshop.correspondence.stopping import BY_REPLY, with_stop
from opticshop.plugin_api import MessageChannel, SendOutcome
from tests.conftest import NOON
from tests.correspondence.conftest import SYSTEM, call, later, messages, queue
from tests.correspondence.test_correspondence_callbacks import report
from tests.workshop.conftest import events_of

pytestmark = pytest.mark.django_db
URL = "/api/v1/messages/"


def prefer(person, way):
    person.preferred_channel = way
    person.save()


@pytest.mark.parametrize(("way", "channel"), [("text", "pocket"), ("letter", "card"), ("letter", "envelope")])
@pytest.mark.parametrize("purpose", ["marketing", "service", "recall"])
def test_texts_and_letters_that_promote_say_how_to_stop(plugin, person, mill, way, channel, purpose):
    mill.phone, mill.address = "020 7946 0000", "1 Mill Lane\nRivertown"
    mill.save()
    channel_choose(actor=SYSTEM, branch=mill, way=way, channel=channel)
    prefer(person, way)
    body = queue(person, purpose).body
    stop = "Reply STOP to end." if way == "text" else f"Tell us: {mill.name}, 1 Mill Lane Rivertown, 020 7946 0000"
    assert body.endswith(stop) is (purpose == "marketing"), body


def test_a_carrier_that_brings_nothing_back_is_not_answered(plugin, person, mill, monkeypatch):
    monkeypatch.setattr(type(plugin.text), "read_callback", MessageChannel.read_callback)
    channel_choose(actor=SYSTEM, branch=mill, way="text", channel="pocket")
    prefer(person, "text")
    body = queue(person, "marketing").body
    assert "STOP" not in body
    assert "/unsubscribe/" in body
    assert Client().get(f"/unsubscribe/{body.split('/unsubscribe/')[1]}").status_code == 200


def test_the_word_to_answer_is_understood_in_every_language(mill):
    for language, words in BY_REPLY.items():
        assert meaning_of("STOP") == "stop"
        assert "STOP" in words
        text = with_stop(
            "x", purpose="marketing", form="text", language=f"{language}-XX", branch=mill, hears_replies=True, url=""
        )
        assert text == f"x {words}"


def test_the_preview_counts_how_to_stop(plugin, mill, manager, api):
    body = {"branch": str(mill.id), "kind": "test_marketing", "form": "text", "body": "$branch_name: $thing"}
    shown = api(manager).post("/api/v1/message-templates/preview/", body).json()
    assert shown["body"].endswith("Reply STOP to end.")
    assert shown["length"]["units"] == len(shown["body"])


@pytest.fixture
def in_doubt(plugin, person, mill):
    """A message whose process took so long that it was given up: fifteen minutes and more."""
    channel_choose(actor=SYSTEM, branch=mill, way="email", channel="post-box")
    message = queue(person)
    now = NOON - dt.timedelta(minutes=16)
    Message.objects.everywhere("test").update(state="sending", attempts=1, attempted_at=now)
    run_duty("correspondence.send_due")
    [found] = messages()
    assert found.state == "failed"
    assert found.detail.startswith("It is not known")
    return message


@pytest.mark.parametrize(
    ("state", "becomes", "says"),
    [("delivered", "sent", ""), ("undelivered", "failed", "The carrier says that it was not delivered.")],
)
def test_the_carrier_says_later_what_became_of_a_message_in_doubt(in_doubt, state, becomes, says):
    for number in (1, 1, 2):
        call(Client(), [report(in_doubt, state, number)], channel="post-box")
        [found] = messages()
        assert (found.state, found.delivery, found.detail) == (becomes, state, says)
    assert [event["state"] for event in events_of("correspondence.outcome_learnt")] == [becomes]


@pytest.mark.parametrize(("outcome", "becomes"), [("sent", "sent"), ("retry", "failed"), ("unknown", "failed")])
def test_a_process_that_comes_back_late_says_what_it_knows(plugin, person, mill, outcome, becomes):
    channel_choose(actor=SYSTEM, branch=mill, way="email", channel="post-box")
    queue(person)
    plugin.email.answers = [SendOutcome(state=outcome, provider_reference="late", detail="Over quota")]

    def given_up(message):
        plugin.email.on_send = lambda message: None
        with later(minutes=16):
            run_duty("correspondence.send_due")

    plugin.email.on_send = given_up
    run_duty("correspondence.send_due")
    [found] = messages()
    assert found.state == becomes
    assert found.provider_reference == ("late" if outcome == "sent" else "")
    assert found.detail.startswith("It is not known") is (outcome == "unknown")
    assert len(plugin.email.seen) == 1
