"""When a pair is ready its wearer is told once, by the way the wearer prefers; or a person learns why not."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection

from opticshop.core import clock, outbox
from opticshop.core.duties import run_duty
from opticshop.core.models import EventDelivery, OutboxEvent
from opticshop.correspondence.kinds import all_kinds
from opticshop.correspondence.reaching import next_allowed
from opticshop.orders import services as orders
from opticshop.plugin_api import SendOutcome
from opticshop.reminders.services import ready_message_queue
from opticshop.reminders.tasks import queue_ready_message
from opticshop.workshop import services as workshop
from tests.conftest import NOON
from tests.factories import CustomerFactory, OrderFactory
from tests.reminders.conftest import SYSTEM, collect, later, make_ready, messages, the_order
from tests.workshop.conftest import events_of

pytestmark = pytest.mark.django_db
LEAVES_THE_STATE_ALONE = ("plugin",)
URL = "/api/v1/messages/"


def send():
    return run_duty("correspondence.send_due")


def change(customer, **values):
    for name, value in values.items():
        setattr(customer, name, value)
    customer.save()


@pytest.fixture
def packed(plugin, order):
    return make_ready()


def test_the_wearer_is_told_that_the_pair_is_ready(packed, plugin, world):
    [message] = messages()
    assert (message.state, message.kind, message.subject_ref) == (
        "queued",
        "ready_for_collection",
        f"orders/{packed.id}",
    )
    assert (message.channel, message.to, message.language) == ("post-box", world.customer.email, "en")
    assert send() == 1
    [told] = plugin.email.seen
    assert (told.id, told.to, told.purpose) == (str(message.id), world.customer.email, "service")
    assert told.branch_name == world.branch.name
    assert packed.number in told.subject
    assert "020 7946 0000" in told.body
    message.refresh_from_db()
    assert (message.state, message.attempts, message.provider_reference) == ("sent", 1, "r-1")
    assert message.sent_at == message.attempted_at == NOON
    assert [event["about"] for event in events_of("correspondence.sent")] == [message.subject_ref]
    assert send() == 0
    assert len(plugin.email.seen) == 1


def test_the_text_says_nothing_of_powers_money_or_health(packed):
    [message] = messages()
    text = f"{message.subject} {message.body}".lower()
    for private in ("-4.", "4.50", "170", "220", "£", "prescription", "dioptre", "lens"):
        assert private not in text, private


def test_what_is_filled_in_is_not_read_as_a_template(plugin, order, world):
    change(world.customer, given_name="$order_number", family_name="{0}\nBcc: all")
    make_ready()
    [message] = messages()
    assert "Dear $order_number {0} Bcc: all," in message.body
    assert "\n" not in message.subject


def test_hearing_of_a_ready_order_twice_queues_one_message(packed):
    queue_ready_message(OutboxEvent.objects.get(type="orders.ready"))
    assert len(messages()) == 1


@pytest.mark.parametrize(
    ("changes", "channel", "to"),
    [
        ({"preferred_channel": "text", "phone_e164": "+442079460018"}, "pocket", "+442079460018"),
        (
            {"preferred_channel": "letter", "address": "2 Fen Road", "postcode": "ZZ9 9ZZ"},
            "envelope",
            "2 Fen Road\nZZ9 9ZZ\nGB",
        ),
        ({}, "console", ""),
        ({"preferred_channel": "letter"}, "console", ""),
    ],
)
def test_the_address_is_of_the_kind_that_the_channel_needs(plugin, order, world, changes, channel, to):
    change(world.customer, **changes)
    change(world.branch, message_channel=channel)
    make_ready()
    [message] = messages()
    assert message.state == "queued", message.detail
    assert message.to == to


@pytest.mark.parametrize(
    ("changes", "channel", "why"),
    [
        ({"preferred_channel": "none"}, "post-box", "wants no messages"),
        ({"preferred_channel": "none"}, "console", "wants no messages"),
        ({"email": ""}, "post-box", "No email address"),
        ({"preferred_channel": "text"}, "pocket", "No phone address"),
        ({"preferred_channel": "letter"}, "envelope", "No postal address"),
        ({"preferred_channel": "text", "phone_e164": "+442079460018"}, "post-box", "no channel for text"),
        ({"birth_date": dt.date(2012, 1, 1)}, "post-box", "no guardian"),
        ({}, "not-installed", "not-installed"),
    ],
)
def test_who_cannot_be_told_leaves_a_failed_message_with_the_reason(plugin, order, world, changes, channel, why):
    change(world.customer, **changes)
    change(world.branch, message_channel=channel)
    make_ready()
    [message] = messages()
    assert message.state == "failed"
    assert why in message.detail
    assert send() == 0
    assert not plugin.email.seen + plugin.text.seen + plugin.letter.seen
    assert why in events_of("correspondence.failed")[0]["detail"]


@pytest.mark.parametrize(
    ("birth_date", "to_guardian"),
    [(dt.date(2010, 3, 3), True), (dt.date(2010, 3, 2), False), (None, False)],
)
def test_a_child_is_told_through_the_guardian(plugin, order, world, birth_date, to_guardian):
    """Under 16 on the day: the recorded guardian (common practice, from memory)."""
    guardian = CustomerFactory(branch=world.branch, given_name="Rowan")
    change(world.customer, birth_date=birth_date, guardian=guardian)
    make_ready()
    [message] = messages()
    assert message.to == (guardian.email if to_guardian else world.customer.email)
    assert message.body.startswith("Dear Rowan" if to_guardian else "Dear Wren")
    assert message.customer_id == world.customer.id


def test_the_attempt_is_on_record_while_it_is_being_sent(packed, plugin):
    noted = []
    plugin.email.on_send = lambda message: noted.append((messages()[0].state, messages()[0].attempts))
    send()
    assert noted == [("sending", 1)]


@pytest.mark.django_db(transaction=True)
def test_the_attempt_is_committed_before_the_channel_is_called(plugin, mill):
    """Without stock: its ledger cannot be emptied, and this test leaves no transaction to roll back."""
    order = OrderFactory(customer__branch=mill, state="ready")
    ready_message_queue(actor=SYSTEM, order=order)
    seen = []
    plugin.email.on_send = lambda message: seen.append((connection.in_atomic_block, messages()[0].state))
    send()
    assert seen == [(False, "sending")]
    assert messages()[0].state == "sent"


def test_what_was_certainly_not_sent_is_tried_again_with_growing_pauses(packed, plugin):
    plugin.email.answers = [SendOutcome(state="retry", detail="Busy.")] * 20
    pauses = []
    for _ in range(20):
        [message] = messages()
        if message.state != "queued":
            break
        pauses.append(message.due_at - (message.attempted_at or NOON))
        with clock.at(message.due_at):
            send()
    assert pauses[1:5] == [dt.timedelta(minutes=minutes) for minutes in (2, 4, 8, 16)]
    assert max(pauses) <= dt.timedelta(hours=6)
    assert (message.state, message.attempts, message.detail) == ("failed", 8, "Busy.")
    assert len(plugin.email.seen) == 8
    assert {told.id for told in plugin.email.seen} == {str(message.id)}
    assert len(events_of("correspondence.failed")) == 1


def test_it_is_not_tried_again_before_its_time(packed, plugin):
    plugin.email.answers = [SendOutcome(state="retry")]
    send()
    with later(minutes=1):
        assert send() == 0
    with later(minutes=2):
        assert send() == 1
    assert messages()[0].state == "sent"


def test_a_refused_message_is_given_up(packed, plugin):
    plugin.email.answers = [SendOutcome(state="refused", detail="No such address.")]
    send()
    with later(days=1):
        assert send() == 0
    assert (messages()[0].state, messages()[0].detail) == ("failed", "No such address.")


@pytest.mark.parametrize("answer", [SendOutcome(state="unknown", detail="Timed out."), RuntimeError("broke")])
def test_what_may_have_left_is_flagged_for_a_person_and_never_sent_again(packed, plugin, answer):
    plugin.email.answers = [answer]
    send()
    with later(days=1):
        assert send() == 0
    [message] = messages()
    assert message.state == "failed"
    assert "not known whether this was sent" in message.detail
    assert len(plugin.email.seen) == 1


def test_a_message_lost_while_it_was_being_sent_is_flagged_and_never_sent_again(packed, plugin):
    class Died(BaseException):
        """The process ends in the middle of sending."""

    def die(message):
        raise Died

    plugin.email.on_send = die
    with pytest.raises(Died):
        send()
    assert messages()[0].state == "sending"
    plugin.email.on_send = lambda message: None
    with later(minutes=10):
        assert send() == 0
    with later(minutes=16):
        assert send() == 1
        assert send() == 0
    [message] = messages()
    assert message.state == "failed"
    assert "not known whether this was sent" in message.detail
    assert len(plugin.email.seen) == 1


def test_a_channel_that_is_gone_when_it_is_to_be_sent_is_waited_for(packed, world):
    change(world.branch, message_channel="gone")
    send()
    [message] = messages()
    assert (message.state, message.attempts) == ("queued", 1)
    assert "gone" in message.detail


@pytest.mark.parametrize("what", ["collected", "cancelled"])
def test_a_queued_message_is_withdrawn_when_its_reason_has_gone(packed, plugin, what):
    if what == "collected":
        collect()
    else:
        orders.order_cancel(actor=SYSTEM, order=the_order(), reason="Moved away")
        outbox.deliver_all()
    [message] = messages()
    assert (message.state, message.detail) == ("withdrawn", f"The order was {what}.")
    assert send() == 0
    assert not plugin.email.seen
    assert events_of("correspondence.withdrawn")


def test_the_sender_looks_for_itself_whether_the_reason_has_gone(packed, plugin):
    collect(deliver=False)
    assert send() == 1
    assert (messages()[0].state, messages()[0].detail) == ("withdrawn", "The order is collected.")
    assert not plugin.email.seen


def test_who_asks_for_silence_meanwhile_is_left_in_peace(packed, plugin, world):
    change(world.customer, preferred_channel="none")
    send()
    assert messages()[0].state == "withdrawn"
    assert not plugin.email.seen


def test_an_address_that_was_corrected_meanwhile_is_used(packed, plugin, world):
    change(world.customer, email="right@example.org")
    send()
    assert plugin.email.seen[0].to == messages()[0].to == "right@example.org"


def test_an_order_collected_before_we_heard_that_it_was_ready_is_not_told_of(plugin, order):
    make_ready(deliver=False)
    collect()
    assert messages() == []
    assert not EventDelivery.objects.filter(handler__startswith="reminders", state="pending").exists()


def test_a_remade_pair_is_told_of_again(plugin, bench):
    bench.to_inspection()
    for attempt in (1, 2):
        job = bench.job if attempt == 1 else workshop.job_open(actor=SYSTEM, order=the_order(), remake_reason="Chip")
        if attempt == 2:
            job.steps.filter(position__lt=8).update(state="done", done_at=NOON)
        workshop.job_mark_inspected(actor=SYSTEM, job=job)
        for kind in ("set_up", "pack"):
            workshop.step_start(actor=SYSTEM, job=job, kind=kind)
            workshop.step_finish(actor=SYSTEM, job=job, kind=kind)
        outbox.deliver_all()
        send()
    about = f"orders/{the_order().id}"
    assert [message.subject_ref for message in messages()] == [about, f"{about}/attempts/2"]
    assert len(plugin.email.seen) == 2


# Texts: common practice 09:00 to 20:00 local, not on Sundays (from memory). The test day is Monday 2 March 2026; London
# changes to summer time on Sunday 29 March 2026.


@pytest.mark.parametrize(
    ("moment", "allowed"),
    [
        ("2026-03-02T12:00", "2026-03-02T12:00"),
        ("2026-03-02T08:59", "2026-03-02T09:00"),
        ("2026-03-02T19:59", "2026-03-02T19:59"),
        ("2026-03-02T20:00", "2026-03-03T09:00"),
        ("2026-03-07T21:00", "2026-03-09T09:00"),  # Saturday evening
        ("2026-03-08T12:00", "2026-03-09T09:00"),  # Sunday
        ("2026-03-28T21:00", "2026-03-30T08:00"),  # over the change to summer time: 09:00 local is 08:00 UTC
    ],
)
def test_texts_keep_quiet_hours_in_the_branchs_zone(moment, allowed):
    start, end = (dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC) for text in (moment, allowed))
    assert next_allowed(start, "text", "Europe/London") == end
    assert next_allowed(start, "email", "Europe/London") == start


def test_a_pair_ready_at_night_is_told_of_in_the_morning(plugin, order, world):
    change(world.customer, preferred_channel="text", phone_e164="+442079460018")
    change(world.branch, message_channel="pocket")
    with later(hours=10):
        make_ready()
        assert send() == 0
    with later(hours=21):
        assert send() == 1
    assert plugin.text.seen[0].body.count("\n") == 0


def test_every_wording_has_all_it_needs():
    assert all_kinds()
    for kind in all_kinds():
        values = dict.fromkeys((*kind.placeholders, "name", "wearer", "branch_name", "branch_where"), "Wren")
        for way in ("email", "text", "letter", "console"):
            subject, body = kind.wording.written(way, values)
            assert "$" not in subject + body
            assert len(subject) <= 200
        with pytest.raises(KeyError):
            kind.wording.written("email", {})


def test_messages_are_seen_where_the_role_holds_and_nowhere_else(api, clerk, hand, outsider, bookkeeper, packed, world):
    [message] = messages()
    client = api(clerk)
    found = client.get(f"{URL}?state=queued&customer={world.customer.id}&subject_ref=orders/{packed.id}").json()
    assert [row["id"] for row in found["results"]] == [str(message.id)]
    assert client.get(f"{URL}{message.id}/").json()["subject"] == message.subject
    assert client.get(f"{URL}?state=sent").json()["results"] == []
    assert api(outsider).get(URL).json()["results"] == []
    assert api(outsider).get(f"{URL}{message.id}/").status_code == 404
    for nobody in (hand, bookkeeper):
        assert api(nobody).get(URL).status_code == 403
    assert client.post(URL, {}).status_code == 405


def test_the_list_costs_the_same_for_one_message_and_for_five(api, clerk, packed, queries):
    client = api(clerk)
    one = queries(lambda: client.get(URL))
    [message] = messages()
    for number in range(4):
        message.pk, message.subject_ref = None, f"orders/{number}"
        message.id = OutboxEvent().id
        message.save(force_insert=True)
    assert queries(lambda: client.get(URL)) == one
