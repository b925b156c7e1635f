"""Events: written with what happened, handed out at least once, one failing handler holding up nobody."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import transaction

from opticshop.core import clock, outbox
from opticshop.core.actor import system
from opticshop.core.models import EventDelivery, OutboxEvent

pytestmark = pytest.mark.django_db
ACTOR = system("test")


@pytest.fixture
def heard(monkeypatch):
    monkeypatch.setattr(outbox, "_subscribers", {})
    log: list[str] = []

    @outbox.subscribe("test.happened", "test.listener")
    def listener(event):
        log.append(event.data["what"])

    return log


def happen(what="a"):
    with transaction.atomic():
        return outbox.record(
            event_type="test.happened", subject="x/1", actor=ACTOR, branch_id=None, data={"what": what}
        )


def test_an_event_is_handed_to_its_subscribers_once(heard):
    happen()
    assert outbox.deliver_all() == 1
    assert outbox.deliver_all() == 0
    assert heard == ["a"]
    assert EventDelivery.objects.get().state == "done"


def test_a_rolled_back_change_leaves_no_event(heard):
    def change_of_mind():
        with transaction.atomic():
            happen()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        change_of_mind()
    assert not OutboxEvent.objects.exists()
    assert outbox.deliver_all() == 0


@pytest.mark.django_db(transaction=True)
def test_recording_outside_a_transaction_is_refused(heard):
    with pytest.raises(transaction.TransactionManagementError):
        outbox.record(event_type="test.happened", subject="x/1", actor=ACTOR, branch_id=None, data={})


def test_a_failing_handler_is_retried_later_and_its_writes_are_undone(heard):
    attempts = []

    @outbox.subscribe("test.happened", "test.failing")
    def failing(event):
        attempts.append(event.id)
        OutboxEvent.objects.create(type="half", subject="x", actor_label="x")
        if len(attempts) == 1:
            raise RuntimeError("not today")

    happen()
    outbox.deliver_all()
    assert heard == ["a"], "the healthy handler is not held up"
    row = EventDelivery.objects.get(handler="test.failing")
    assert (row.state, row.attempts) == ("pending", 1)
    assert "not today" in row.last_error
    assert not OutboxEvent.objects.filter(type="half").exists()
    with clock.at(clock.now() + dt.timedelta(minutes=1)):
        outbox.deliver_all()
    assert EventDelivery.objects.get(handler="test.failing").state == "done"
    assert OutboxEvent.objects.filter(type="half").count() == 1


def test_a_handler_that_never_succeeds_ends_as_dead_and_visible(heard):
    @outbox.subscribe("test.happened", "test.hopeless")
    def hopeless(event):
        raise RuntimeError("never")

    happen()
    for hours in range(outbox.MAX_ATTEMPTS + 2):
        with clock.at(clock.now() + dt.timedelta(hours=2 * hours)):
            outbox.deliver_due()
    row = EventDelivery.objects.get(handler="test.hopeless")
    assert (row.state, row.attempts) == ("dead", outbox.MAX_ATTEMPTS)
