"""What is old goes, in the order of the feed, and nothing that somebody still waits for. The limits are our own
settings; that the feed answers 410 for what is gone for good is RFC 9110, 15.5.11."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction

from opticshop.audit.models import AuditEntry
from opticshop.core import clock, partitions
from opticshop.core.duties import run_duty
from opticshop.core.models import EventDelivery, OutboxEvent
from opticshop.integrations import cursors, feed, retention, sending, services
from opticshop.integrations.models import FeedEntry, FeedHead, WebhookAttempt, WebhookDelivery
from tests.conftest import member

from .receiving import SYSTEM, happen

pytestmark = pytest.mark.django_db
FEED = "/api/v1/events/"


def places():
    return list(FeedEntry.objects.everywhere("test").order_by("position").values_list("position", flat=True))


def days_later(days):
    return clock.at(clock.now() + dt.timedelta(days=days))


def test_old_events_go_with_all_that_hangs_on_them_and_the_trail_says_so(add, mill, capsys):
    add()
    events = [happen(mill) for _ in range(3)]
    sending.send_due()
    with days_later(399):
        assert run_duty("integrations.forget") > 0, "deliveries are kept for less long"
        assert not WebhookDelivery.objects.everywhere("test").exists()
        assert not WebhookAttempt.objects.exists()
        assert not EventDelivery.objects.exists()
        assert run_duty("integrations.forget") == 0
        assert len(places()) == FeedHead.objects.get().last
    with days_later(500):
        call_command("events_prune", dry_run=True)
        assert len(places()) == FeedHead.objects.get().last, "a dry run changes nothing"
        call_command("events_prune")
        head = FeedHead.objects.get()
        assert places() == []
        assert head.forgotten == head.last >= len(events)
        said = capsys.readouterr().out
        assert f"Would let go of {head.last} events of the feed" in said
        assert f"\nLet go of {head.last} events of the feed" in said
        assert not OutboxEvent.objects.filter(id__in=[each.id for each in events]).exists()
        told = AuditEntry.objects.filter(table_name="integrations_feedentry").order_by("-id").first()
        assert told.after["forgotten_upto"] == head.last
        assert run_duty("integrations.forget") == 0
    happen(mill)
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        FeedEntry.objects.everywhere("test").all()._raw_delete("default")


def test_a_cursor_of_before_is_told_so_and_where_it_goes_on(api, head_office, add, mill, quay):
    client, one = api(head_office), api(member("one-branch", "head_office", mill))
    endpoint = add(mill).endpoint
    _, second = happen(mill), happen(mill)
    sending.send_due()
    of_first = client.get(FEED, {"page_size": 1}).json()["cursor"]
    with days_later(401):
        retention.forget()
        kept = happen(mill)
        answer = client.get(FEED, {"after": of_first})
        problem = answer.json()
        assert (answer.status_code, problem["code"]) == (410, "integrations.cursor_gone")
        assert [each["id"] for each in client.get(FEED, {"after": problem["oldest"]}).json()["results"]] == [
            str(kept.id)
        ]
        for begin in ({}, {"after": "0"}):
            assert [each["id"] for each in client.get(FEED, begin).json()["results"]] == [str(kept.id)]
        assert client.get(FEED, {"after": "1"}).status_code == 410
        # A reader of one branch learns nothing of how many events there were.
        assert {one.get(FEED, {"after": tried}).status_code for tried in ("1", "2", "3", "99")} == {410}
        assert one.get(FEED, {"after": cursors.cursor_of(FeedHead.objects.get().forgotten)}).status_code == 200
        assert client.get(f"{FEED}{second.id}/").status_code == 404
        with pytest.raises(services.selectors.CursorGone):
            services.deliveries_replay(actor=SYSTEM, endpoint=endpoint, after=of_first)


def test_nothing_goes_past_an_event_that_somebody_waits_for(add, mill, capsys):
    happen(mill)
    add(mill)
    waits = happen(mill)
    happen(mill)
    with days_later(401):
        with pytest.raises(CommandError, match=f"event {waits.id} waits for the webhook endpoint"):
            call_command("events_prune")
        [held, *_] = places()
        assert FeedEntry.objects.everywhere("test").get(position=held).event_id == waits.id
        sending.send_due()
        EventDelivery.objects.create(event=waits, handler="t", state="dead")
        with pytest.raises(CommandError, match=f"event {waits.id} is dead for t"):
            call_command("events_prune", dry_run=True)
        EventDelivery.objects.all().delete()
        call_command("events_prune")
        assert not [place for place in places() if place <= held + 1]


def test_a_lot_ends_where_it_is_told_and_the_next_goes_on(mill, monkeypatch):
    monkeypatch.setattr(retention, "LOT", 2)
    for _ in range(5):
        happen(mill)
    with days_later(401):
        assert retention.forget(seconds=-1).rows == 0, "no time, nothing begun"
        assert retention.forget().events == 5
        assert FeedHead.objects.get().forgotten == 5


def test_what_is_kept_for_good_stays(mill, settings):
    settings.OPTICSHOP_EVENTS_DAYS = settings.OPTICSHOP_DELIVERIES_DAYS = 0
    happen(mill)
    with days_later(5000):
        assert retention.forget().rows == 0
        assert retention.would_forget().events == 0
    assert places() == [1]


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has no partitions")
def test_a_month_goes_whole_when_the_last_event_of_it_is_delivered(mill):
    event = happen(mill)
    late = EventDelivery.objects.create(event=event, handler="t")
    with days_later(500):
        assert retention.forget().partitions == []
        EventDelivery.objects.filter(id=late.id).update(state="done", done_at=clock.now())
        assert retention.would_forget().partitions == [], "its place in the feed refers to it"
        assert retention.forget().partitions == ["core_outboxevent_first"]
    assert partitions.partitions_of("core_outboxevent")[0].name != "core_outboxevent_first"
    assert not feed._waiting(event)


def test_what_was_written_before_its_month_was_made_goes_by_itself(mill):
    """A service that stood for years: the duty that makes months runs after the first event."""
    key = partitions.key_at(dt.datetime(2029, 5, 1, 12, tzinfo=dt.UTC))
    OutboxEvent.objects.create(id=key, type="t.t", subject="s", actor_label="a")
    with clock.at(dt.datetime(2029, 5, 2, tzinfo=dt.UTC)):
        made = run_duty("core.keep_partitions")
        assert made == (partitions.MONTHS_AHEAD if connection.vendor == "postgresql" else 0)
        assert run_duty("core.keep_partitions") == 0
    with clock.at(dt.datetime(2030, 6, 1, tzinfo=dt.UTC)):
        assert retention.forget().unplaced == 0, "it is 397 days old"
    with clock.at(dt.datetime(2030, 6, 20, tzinfo=dt.UTC)):
        assert retention.forget().unplaced == 1
    assert not OutboxEvent.objects.filter(id=key).exists()
