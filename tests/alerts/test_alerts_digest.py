"""The daily digest: once a branch and day, at opening by the clocks of the branch, sent once to who asked for it."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection

from opticshop.accounts.models import Membership
from opticshop.alerts import services
from opticshop.alerts.models import AlertDigest, DigestMail, DigestSubscription
from opticshop.branches.models import Closure
from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.core.models import OutboxEvent
from opticshop.plugin_api import MessageChannel, PluginManifest, SendOutcome, hookimpl
from opticshop.pluginhost.testing import using_plugins
from tests.conftest import NOON
from tests.together import afterwards, at_once

from .conftest import MINUTE, WATCH, a_job, a_message, an_order, change, evaluate, live, local

DIGESTS, SUBSCRIPTIONS = "/api/v1/alerts/digests/", "/api/v1/alerts/digest-subscriptions/"
MORNING = local("2026-03-02", "09:00")


class PostBox(MessageChannel):
    """Keeps what it is given and answers as told; an answer that is an exception is raised."""

    name, title, kind, needs = "post-box", "Post box", "email", "email"

    def __init__(self):
        self.seen, self.answers = [], []

    def send(self, message, settings):
        self.seen.append(message)
        answer = self.answers.pop(0) if self.answers else SendOutcome(state="sent")
        if isinstance(answer, Exception):
            raise answer
        return answer


class Pocket(PostBox):
    name, title, kind, needs = "pocket", "Pocket", "text", "phone"


class Plugin:
    manifest = PluginManifest(
        name="test-alerts", title="Test", version="1.0", api=">=1.0,<2", description="For these tests."
    )

    def __init__(self):
        self.box, self.pocket = PostBox(), Pocket()

    @hookimpl
    def register_channels(self):
        return (self.box, self.pocket)


@pytest.fixture
def plugin(mill):
    change_channel(mill, "post-box")
    made = Plugin()
    with using_plugins([made], and_installed=True):
        yield made


def change_channel(branch, name):
    branch.message_channel = name
    branch.save()


def at(moment, duty="alerts.make_digests"):
    with clock.at(moment):
        return run_duty(duty)


def digests():
    return list(AlertDigest.objects.everywhere("test").order_by("id"))


def mails():
    return list(DigestMail.objects.everywhere("test").order_by("id"))


def subscribe(user, branch, **more):
    type(user).objects.filter(id=user.id).update(email=f"{user.username}@example.org")
    return DigestSubscription.objects.create(branch=branch, user=user, **more)


@pytest.mark.django_db
def test_a_digest_is_written_once_when_the_branch_opens(overdue):
    assert at(MORNING - MINUTE) == 0
    assert at(MORNING) == 1
    assert at(MORNING) == at(NOON) == 0
    [digest] = digests()
    assert digest.day == dt.date(2026, 3, 2)
    assert digest.content["open"] == 1, "what began before opening is in it: it is evaluated first"
    assert list(OutboxEvent.objects.filter(type="alerts.digest_made").values_list("branch_id", flat=True)) == [
        overdue.branch_id
    ]


@pytest.mark.django_db
def test_a_closed_day_has_no_digest(mill):
    Closure.objects.create(branch=mill, first_on="2026-03-03", last_on="2026-03-03", reason="Stocktaking")
    for day in ("2026-03-03", "2026-03-07", "2026-03-08"):
        assert at(local(day, "12:00")) == 0
    assert at(local("2026-03-04", "09:00")) == 1


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("moment", "zone"),
    [
        ("2026-03-27T09:00+00:00", "Europe/London"),
        ("2026-03-30T08:00+00:00", "Europe/London"),  # summer time since the day before
        ("2026-10-23T08:00+00:00", "Europe/London"),
        ("2026-10-26T09:00+00:00", "Europe/London"),  # and over again
        ("2026-03-01T20:00+00:00", "Pacific/Auckland"),  # Monday 2 March, 09:00 there
    ],
)
def test_opening_is_by_the_clocks_of_the_branch(mill, moment, zone):
    mill.time_zone = zone
    mill.save()
    opening = dt.datetime.fromisoformat(moment)
    assert at(opening - MINUTE) == 0
    assert at(opening) == 1


@pytest.mark.django_db
def test_a_digest_counts_names_the_oldest_and_says_what_was_closed_since_the_open_day_before(mill, clerk, actor_of):
    friday = local("2026-02-27", "11:00")
    finished = a_job(mill, dt.date(2026, 2, 20))
    message = a_message(an_order(mill, state="ready", ready_at=friday), created_at=friday)
    evaluate(friday)
    change(finished, state="finished")
    evaluate(friday + MINUTE)
    with clock.at(local("2026-02-28", "10:00")):
        [told] = live(cause="message_failed")
        services.alert_close(actor=actor_of(clerk), alert=told, reason="Told by telephone")
    jobs = [a_job(mill, dt.date(2026, 2, 24)) for _ in range(12)]
    at(MORNING)
    content = digests()[0].content
    assert content["counts"] == [{"cause": "overdue_job", "title": "Overdue job", "severity": "urgent", "count": 12}]
    assert len(content["oldest"]) == 10
    assert {row["number"] for row in content["oldest"]} < {job.number for job in jobs}
    assert content["oldest"][0]["link"].startswith("/api/v1/jobs/")
    assert content["closed_from"] == "2026-02-27"
    assert [(row["cause"], row["by_itself"], row["by_hand"]) for row in content["closed"]] == [
        ("message_failed", 0, 1),
        ("overdue_job", 1, 0),
    ]
    assert message.state == "failed"


@pytest.mark.django_db
def test_a_digest_is_read_as_json_and_as_plain_text(api, hand, outsider, bookkeeper, overdue, queries, settings):
    settings.OPTICSHOP_PUBLIC_URL = "https://shop.example.org"
    at(MORNING)
    client = api(hand)
    [row] = client.get(DIGESTS).json()["results"]
    assert row["content"]["open"] == 1
    text = client.get(f"{DIGESTS}{row['id']}/text/")
    assert text["Content-Type"].startswith("text/plain")
    body = text.content.decode()
    assert body.startswith("Alerts at Millrace Opticians (invented), 2026-03-02\n")
    link = f"{settings.OPTICSHOP_PUBLIC_URL}/api/v1/jobs/{overdue.id}/"
    assert f"Overdue job {overdue.number}, warning, since 2026-02-27: {link}" in body
    assert "Wren" not in body
    assert client.get(f"{DIGESTS}{row['id']}/").json()["text"] == body
    assert api(outsider).get(f"{DIGESTS}{row['id']}/text/").status_code == 404
    assert api(bookkeeper).get(DIGESTS).status_code == 403
    look = lambda: client.get(DIGESTS)  # noqa: E731
    few = queries(look)
    for day in ("2026-03-03", "2026-03-04", "2026-03-05"):
        at(local(day, "09:00"))
    assert len(look().json()["results"]) == 4
    assert queries(look) == few <= 12


@pytest.mark.django_db
def test_people_ask_for_the_digest_of_a_branch_they_see(api, hand, manager, outsider, bookkeeper, mill, queries):
    body = {"branch": str(mill.id)}
    refused = api(hand).post(SUBSCRIPTIONS, body)
    assert (refused.status_code, refused.json()["code"]) == (422, "alerts.no_address")
    for user in (hand, manager, outsider, bookkeeper):
        user.email = f"{user.username}@example.org"
        user.save()
    made = api(hand).post(SUBSCRIPTIONS, body)
    assert made.status_code == 201
    assert OutboxEvent.objects.order_by("id").last().type == "alerts.digest_subscribed"
    again = api(hand).post(SUBSCRIPTIONS, body)
    assert (again.status_code, again.json()["code"]) == (409, "alerts.already_subscribed")
    assert api(outsider).post(SUBSCRIPTIONS, body).status_code == 404
    assert api(bookkeeper).post(SUBSCRIPTIONS, body).status_code == 403
    assert api(manager).post(SUBSCRIPTIONS, {**body, "channel": "no-such"}).status_code in (409, 422)
    assert [row["id"] for row in api(hand).get(SUBSCRIPTIONS).json()["results"]] == [made.json()["id"]]
    client = api(hand)
    assert queries(lambda: client.get(SUBSCRIPTIONS)) <= 10
    assert api(manager).get(SUBSCRIPTIONS).json()["results"] == []
    assert api(manager).delete(f"{SUBSCRIPTIONS}{made.json()['id']}/").status_code == 404
    assert api(hand).delete(f"{SUBSCRIPTIONS}{made.json()['id']}/").status_code == 204
    assert OutboxEvent.objects.order_by("id").last().type == "alerts.digest_unsubscribed"
    assert not DigestSubscription.objects.everywhere("test").exists()


@pytest.mark.django_db
def test_a_digest_is_sent_once_to_who_may_still_see_it(plugin, hand, clerk, manager, outsider, mill):
    subscribe(hand, mill)
    for user in (clerk, outsider):
        subscribe(user, mill)
    Membership.objects.filter(user=clerk).delete()
    subscribe(manager, mill)
    type(manager).objects.filter(id=manager.id).update(is_active=False)
    at(MORNING)
    for _ in range(2):
        at(MORNING, "alerts.send_digests")
    [sent] = plugin.box.seen
    [mail] = mails()
    assert (sent.id, sent.to, sent.purpose) == (str(mail.id), "hand@example.org", "service")
    assert sent.subject == "Alerts at Millrace Opticians (invented), 2026-03-02"
    assert sent.body == digests()[0].text
    assert (mail.state, mail.attempts) == ("sent", 1)
    assert OutboxEvent.objects.filter(type="alerts.digest_sent").count() == 1


@pytest.mark.django_db
def test_certainly_not_sent_is_tried_again_and_not_known_is_not(plugin, hand, clerk, mill):
    subscribe(hand, mill)
    plugin.box.answers = [SendOutcome(state="retry", detail="busy"), SendOutcome(state="sent")]
    at(MORNING)
    at(MORNING, "alerts.send_digests")
    assert (mails()[0].state, mails()[0].detail) == ("queued", "busy")
    at(MORNING + MINUTE, "alerts.send_digests")
    assert len(plugin.box.seen) == 1
    at(MORNING + 2 * MINUTE, "alerts.send_digests")
    assert (mails()[0].state, len(plugin.box.seen)) == ("sent", 2)
    plugin.box.answers = [RuntimeError("gone")]
    tuesday = local("2026-03-03", "09:00")
    for hours in (0, 1, 8):
        at(tuesday + dt.timedelta(hours=hours))
        at(tuesday + dt.timedelta(hours=hours), "alerts.send_digests")
    assert (mails()[1].state, len(plugin.box.seen)) == ("failed", 3)
    assert mails()[1].detail.startswith("It is not known whether this was sent")
    assert OutboxEvent.objects.filter(type="alerts.digest_not_sent").count() == 1


@pytest.mark.django_db
def test_a_process_that_died_while_sending_leaves_it_unsent_for_good(plugin, hand, mill):
    subscribe(hand, mill)
    at(MORNING)
    DigestMail.objects.everywhere("test").update(state="sending", attempts=1, attempted_at=MORNING)
    assert at(MORNING + dt.timedelta(minutes=15), "alerts.send_digests") == 0
    assert at(MORNING + dt.timedelta(minutes=16), "alerts.send_digests") == 1
    assert (mails()[0].state, plugin.box.seen) == ("failed", [])


@pytest.mark.django_db
def test_yesterdays_digest_is_not_sent_and_a_text_message_carries_none(plugin, hand, clerk, mill):
    subscribe(hand, mill)
    subscribe(clerk, mill, channel="pocket")
    at(MORNING)
    DigestMail.objects.everywhere("test").filter(user=hand).update(due_at=MORNING + dt.timedelta(days=1))
    at(MORNING, "alerts.send_digests")
    at(MORNING + dt.timedelta(days=1), "alerts.send_digests")
    details = {mail.user.username: (mail.state, mail.detail) for mail in mails()}
    assert details["hand"] == ("failed", "Its day is over.")
    assert details["clerk"][0] == "failed"
    assert "sends by text" in details["clerk"][1]
    assert plugin.box.seen == plugin.pocket.seen == []


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_many_at_once_write_one_digest_and_send_it_once(plugin, hand, clerk, mill):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    for user in (hand, clerk):
        subscribe(user, mill)
    a_job(mill, dt.date(2026, 2, 27))
    assert sum(at_once([lambda: services.digests_make(actor=WATCH)] * 3)) == 1
    at_once([lambda: services.digests_send(actor=WATCH)] * 3)
    assert len(afterwards(digests)) == 1
    assert sorted(sent.to for sent in plugin.box.seen) == ["clerk@example.org", "hand@example.org"]
    assert [mail.attempts for mail in afterwards(mails)] == [1, 1]
