"""Reports by mail: agreed through the API, due once by the clocks of their zone, sent once to who may see them."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal

import pytest
from django.db import connection

from opticshop.accounts.models import Membership
from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.core.models import OutboxEvent
from opticshop.plugin_api import MessageChannel, PluginManifest, SendOutcome, hookimpl
from opticshop.pluginhost.testing import using_plugins
from opticshop.reports import registry
from opticshop.reports.models import ReportAddress, ReportMail, ReportOccurrence, ReportRun, ReportSchedule
from opticshop.reports.registry import Column, Report
from opticshop.reports.schedules import When, days_of, newest_until, next_after
from tests.conftest import NOON
from tests.together import afterwards, at_once

URL, MAILS, ADDRESSES = "/api/v1/report-schedules/", "/api/v1/report-mails/", "/api/v1/report-addresses/"
MONDAY_7 = dt.datetime(2026, 3, 9, 7, 0, tzinfo=dt.UTC)
MINUTE = dt.timedelta(minutes=1)
database = pytest.mark.django_db


class PostBox(MessageChannel):
    """Keeps what it is given and answers as told."""

    name, title, kind, needs, carries_files = "post-box", "Post box", "email", "email", True

    def __init__(self):
        self.seen, self.answers = [], []

    def send(self, message, settings):
        self.seen.append(message)
        return self.answers.pop(0) if self.answers else SendOutcome(state="sent")


class Plugin:
    manifest = PluginManifest(
        name="test-reports", title="Test", version="1.0", api=">=1.3,<2", description="For these tests."
    )

    def __init__(self):
        self.box = PostBox()

    @hookimpl
    def register_channels(self):
        return (self.box,)


@pytest.fixture
def box(mill, quay, monkeypatch):
    """The post box of both branches; and a report of this test alone, which tells a number for each branch."""
    for branch in (mill, quay):
        branch.message_channel = "post-box"
        branch.save()

    def figures(scope):
        return [{"branch": each.code, "currency": each.currency, "net": Decimal("7.50")} for each in scope.branches]

    columns = (Column("net", "Net", "money", "Without tax."),)
    report = Report("sums", "Sums", "What was summed.", columns, ("branch",), figures, "nothing", "quality.figures")
    monkeypatch.setattr(registry, "_reports", {**registry._reports, "sums": report})
    plugin = Plugin()
    with using_plugins([plugin], and_installed=True):
        yield plugin.box


def reachable(*users):
    for user in users:
        user.email = f"{user.username}@example.org"
        user.save()
        ReportAddress.objects.create(user=user, address=user.email, asked_at=NOON, confirmed_at=NOON)


def wanted(**values):
    weekly = {"report": "sums", "by": "branch", "format": "csv", "period": "last_week", "rhythm": "weekly"}
    return {**weekly, "weekday": 1, "hour": 7, "time_zone": "Europe/London", **values}


def agreed(client, status=201, **values):
    response = client.post(URL, wanted(**values), format="json")
    assert response.status_code == status, response.content
    return response.json()


def pass_by(moment, *duties):
    with clock.at(moment):
        return [run_duty(name) for name in duties or ("reports.schedule", "reports.make", "reports.send")]


def told(kind):
    return [event.data for event in OutboxEvent.objects.filter(type=f"reports.{kind}").order_by("id")]


# --- moments: the zone database of IANA (tzdata) says when clocks change; the answers below are worked by hand --------


@pytest.mark.parametrize(
    ("zone", "hour", "around", "moments"),
    [
        # London leaves out 01:00 to 02:00 on 29 March 2026 and has it twice on 25 October.
        ("Europe/London", 1, "2026-03-27", ["03-28T01:00", "03-29T01:00", "03-30T00:00"]),
        ("Europe/London", 1, "2026-10-23", ["10-24T00:00", "10-25T00:00", "10-26T01:00"]),
        # New York leaves out 02:00 to 03:00 on 8 March 2026 and has 01:00 to 02:00 twice on 1 November.
        ("America/New_York", 2, "2026-03-06", ["03-07T07:00", "03-08T07:00", "03-09T06:00"]),
        ("America/New_York", 1, "2026-10-30", ["10-31T05:00", "11-01T05:00", "11-02T06:00"]),
    ],
)
def test_each_day_has_one_moment_whatever_the_clocks_do(zone, hour, around, moments):
    when = When("daily", hour, zone)
    found = [dt.datetime.fromisoformat(f"{around}T12:00+00:00")]
    for _ in range(3):
        found.append(next_after(when, found[-1]))
    assert [f"{each:%m-%dT%H:%M}" for each in found[1:]] == moments
    assert newest_until(when, found[1], found[3]) == (found[3], 2)


def test_days_of_the_month_and_of_the_week():
    last = When("monthly", 7, "UTC", month_day=31)
    moment, days = dt.datetime(2028, 1, 31, 7, tzinfo=dt.UTC), []
    for _ in range(3):
        moment = next_after(last, moment)
        days.append(f"{moment:%m-%d}")
    assert days == ["02-29", "03-31", "04-30"], "2028 is a leap year"
    assert next_after(When("weekly", 7, "UTC", weekday=7), NOON) == dt.datetime(2026, 3, 8, 7, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("period", "day", "first", "last"),
    [
        ("yesterday", "2026-03-01", "2026-02-28", "2026-02-28"),
        ("last_week", "2026-03-02", "2026-02-23", "2026-03-01"),
        ("last_week", "2026-03-08", "2026-02-23", "2026-03-01"),
        ("last_month", "2026-03-31", "2026-02-01", "2026-02-28"),
        ("month_to_date", "2026-03-02", "2026-03-01", "2026-03-01"),
        ("month_to_date", "2026-03-01", "2026-02-01", "2026-02-28"),
    ],
)
def test_periods_in_words(period, day, first, last):
    """ISO 8601 begins its weeks on Monday; 2 March 2026 is one."""
    assert [each.isoformat() for each in days_of(period, dt.date.fromisoformat(day))] == [first, last]


# --- agreeing ---------------------------------------------------------------------------------------------------------


@database
def test_a_report_is_agreed_made_and_sent_once(api, manager, mill, box):
    reachable(manager)
    schedule = agreed(api(manager))
    assert (schedule["next_due_at"], schedule["sender"], schedule["branches"]) == (
        "2026-03-09T07:00:00Z",
        str(mill.id),
        [],
    )
    assert [(row["user"], row["has_confirmed_address"]) for row in schedule["recipients"]] == [(str(manager.id), True)]
    assert pass_by(MONDAY_7 - MINUTE) == [0, 0, 0]
    assert pass_by(MONDAY_7) == [1, 1, 1]
    assert pass_by(MONDAY_7 + MINUTE) == [0, 0, 0]
    [mail] = box.seen
    assert (mail.to, mail.subject) == ("manager@example.org", "Sums, 2026-03-02 to 2026-03-08")
    assert "on Monday of each week at 07:00 (Europe/London)" in mail.body
    assert f"/report-schedules/{schedule['id']}/leave/" in mail.body
    [file] = mail.attachments
    assert (file.name, file.media_type) == ("sums_2026-03-02_2026-03-08.csv", "text/csv")
    assert file.content.startswith(b"branch,currency,net\r\nMILL,GBP,7.50\r\n")
    assert "7.50" not in mail.subject + mail.body, "figures are in the file alone"
    [row] = api(manager).get(MAILS, {"schedule": schedule["id"]}).json()["results"]
    assert (row["state"], row["is_attached"], row["missed"], row["id"]) == ("sent", True, 0, mail.id)
    assert [told(kind)[0]["schedule"] for kind in ("schedule_made", "schedule_occurred", "mail_sent")] == [
        schedule["id"]
    ] * 3
    assert api(manager).get(f"{URL}{schedule['id']}/").json()["next_due_at"] == "2026-03-16T07:00:00Z"


@database
@pytest.mark.parametrize(
    ("values", "status", "code"),
    [
        ({"report": "none"}, 404, "reports.not_known"),
        ({"by": "person"}, 400, "reports.grouping_not_known"),
        ({"weekday": None}, 422, "reports.rhythm_not_whole"),
        ({"month_day": 3}, 422, "reports.rhythm_not_whole"),
        ({"time_zone": "Mars/Olympus"}, 422, "core.invalid"),
        ({"weekday": 8}, 400, None),
        ({"format": "pdf"}, 400, None),
        ({"hour": "seven"}, 400, None),
        ({"recipients": []}, 400, None),
        ({"branches": ["QUAY"]}, 404, "core.not_found"),
        ({"sender": "QUAY"}, 404, "core.not_found"),
        ({"recipients": ["clerk"]}, 422, "reports.recipient_may_not_see"),
        ({"recipients": ["outsider"], "branches": ["MILL"]}, 422, "reports.recipient_may_not_see"),
    ],
)
def test_what_cannot_be_sent_is_refused(api, manager, clerk, outsider, mill, quay, box, values, status, code):
    named = {"MILL": mill.id, "QUAY": quay.id, "clerk": clerk.id, "outsider": outsider.id}
    values = {
        key: [str(named[each]) for each in value]
        if isinstance(value, list)
        else str(named[value])
        if value in named
        else value
        for key, value in values.items()
    }
    problem = agreed(api(manager), status=status, **values)
    assert code in (None, problem["code"])
    assert not ReportSchedule.objects.exists()
    assert not OutboxEvent.objects.filter(type__startswith="reports.").exists()


@database
def test_it_is_changed_by_who_made_it_and_left_by_who_is_sent_it(api, manager, head_office, outsider, clerk, box):
    reachable(manager, outsider)
    made = agreed(api(manager), recipients=[str(manager.id), str(outsider.id)])
    one = f"{URL}{made['id']}/"
    assert api(clerk).get(one).status_code == 403
    assert api(outsider).get(one).json()["recipients"] == made["recipients"]
    tag = {"headers": {"If-Match": api(manager).get(one)["ETag"]}}
    for answer in (
        api(outsider).patch(one, {"hour": 8}, format="json", **tag),
        api(outsider).post(f"{one}pause/"),
        api(outsider).delete(one),
    ):
        assert answer.status_code == 403
    assert api(manager).patch(one, {"hour": 8}, format="json").status_code == 428
    changed = api(manager).patch(one, {"rhythm": "daily", "hour": 8}, format="json", **tag)
    assert changed.status_code == 200, changed.content
    assert (changed.json()["next_due_at"], changed.json()["weekday"]) == ("2026-03-03T08:00:00Z", None)
    assert api(manager).patch(one, {"hour": 9}, format="json", **tag).status_code == 412
    assert api(outsider).post(f"{one}leave/").status_code == 204
    assert api(outsider).get(one).status_code == 404
    assert api(head_office).post(f"{one}pause/", {"reason": "Stocktaking."}, format="json").json()[
        "paused_because"
    ] == ("Stocktaking.")
    assert api(manager).post(f"{one}pause/").json()["code"] == "reports.schedule_not_in_this_state"
    assert pass_by(MONDAY_7) == [0, 0, 0]
    with clock.at(MONDAY_7):
        assert api(manager).post(f"{one}resume/").json()["next_due_at"] == "2026-03-09T08:00:00Z"
    assert api(manager).delete(one).status_code == 204
    assert api(manager).get(one).status_code == 404
    assert [len(told(f"schedule_{kind}")) for kind in ("changed", "paused", "resumed", "ended")] == [1, 1, 1, 1]


@database
def test_the_lists_take_a_fixed_number_of_queries(api, manager, outsider, box, queries):
    reachable(manager)
    client = api(manager)

    def counted():
        return [queries(lambda url=url: client.get(url)) for url in (URL, MAILS, ADDRESSES)]

    agreed(client, recipients=[str(manager.id), str(outsider.id)])
    pass_by(MONDAY_7)
    few = counted()
    for _ in range(3):
        agreed(client, recipients=[str(manager.id), str(outsider.id)])
    pass_by(MONDAY_7 + dt.timedelta(weeks=1))
    assert len(client.get(MAILS).json()["results"]) > 6
    assert counted() == few
    assert client.get(URL, {"nonsense": "1"}).status_code == 400


# --- occurrences ------------------------------------------------------------------------------------------------------


@database
def test_after_a_time_away_only_the_newest_is_sent_and_says_so(api, manager, box):
    reachable(manager)
    schedule = agreed(api(manager))
    assert pass_by(MONDAY_7 + dt.timedelta(weeks=3, hours=5)) == [1, 1, 1]
    [occurrence] = ReportOccurrence.objects.all()
    assert (occurrence.missed, str(occurrence.since)) == (3, "2026-03-23")
    assert "3 earlier times of this report were left out" in box.seen[0].body
    assert api(manager).get(f"{URL}{schedule['id']}/").json()["next_due_at"] == "2026-04-06T06:00:00Z", "summer time"


@database
def test_one_asked_for_at_once_is_for_the_asker_alone(api, manager, outsider, box):
    reachable(manager, outsider)
    made = agreed(api(manager), recipients=[str(manager.id), str(outsider.id)], period="yesterday")
    key = {"headers": {"Idempotency-Key": "now-1"}}
    answers = [api(outsider).post(f"{URL}{made['id']}/send-now/", **key) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [202, 202]
    assert pass_by(NOON) == [0, 1, 1]
    [mail] = box.seen
    assert (mail.to, mail.subject) == ("outsider@example.org", "Sums, 2026-03-01")
    assert b"QUAY" in mail.attachments[0].content
    assert b"MILL" not in mail.attachments[0].content, "what the asker may see, not who made it"


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_many_at_once_make_one_occurrence_and_send_it_once(api, manager, box):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    reachable(manager)
    agreed(api(manager))

    def all_duties():
        with clock.at(MONDAY_7):
            for name in ("reports.schedule", "reports.make", "reports.send"):
                run_duty(name)

    def counted():
        return ReportOccurrence.objects.count(), ReportRun.objects.count(), ReportMail.objects.get().attempts

    at_once([all_duties] * 4)
    afterwards(all_duties)
    assert afterwards(counted) == (1, 1, 1)
    assert len(box.seen) == 1


# --- to whom ----------------------------------------------------------------------------------------------------------


@database
@pytest.mark.parametrize("lost", ["before it is due", "before it is sent"])
@pytest.mark.parametrize("how", ["role", "account"])
def test_who_lost_what_it_needs_is_sent_nothing(api, manager, head_office, box, lost, how):
    reachable(manager)
    schedule = agreed(api(manager))
    if lost == "before it is sent":
        assert pass_by(MONDAY_7, "reports.schedule", "reports.make") == [1, 1]
    if how == "role":
        Membership.objects.filter(user=manager).update(role="workshop")
    else:
        manager.is_active = False
        manager.save()
    pass_by(MONDAY_7)
    assert box.seen == []
    shown = api(head_office).get(f"{URL}{schedule['id']}/").json()
    assert (shown["state"], shown["next_due_at"]) == ("paused", None)
    assert shown["paused_because"].startswith("Nobody is left to send it to.")
    assert shown["recipients"][0]["stopped_because"] in shown["paused_because"]
    assert [event["user"] for event in told("recipient_stopped")] == [str(manager.id)]
    assert len(told("schedule_paused")) == 1
    resumed = api(head_office).post(f"{URL}{schedule['id']}/resume/")
    assert resumed.json()["code"] == "reports.recipient_may_not_see"


@database
def test_others_are_sent_theirs_where_one_lost_it(api, manager, outsider, box):
    reachable(manager, outsider)
    schedule = agreed(api(manager), recipients=[str(manager.id), str(outsider.id)])
    Membership.objects.filter(user=outsider).delete()
    pass_by(MONDAY_7)
    assert [mail.to for mail in box.seen] == ["manager@example.org"]
    shown = api(manager).get(f"{URL}{schedule['id']}/").json()
    assert [bool(row["stopped_because"]) for row in shown["recipients"]] == [False, True]
    assert shown["state"] == "active"
    tag = api(manager).get(f"{URL}{schedule['id']}/")["ETag"]
    later = api(manager).patch(f"{URL}{schedule['id']}/", {"hour": 8}, format="json", headers={"If-Match": tag})
    assert later.json()["recipients"] == shown["recipients"], "who was stopped stays so, and stands in nobody's way"


@database
def test_an_address_is_proved_by_the_code_that_was_sent_to_it(api, manager, clerk, box):
    client = api(manager)
    assert client.post(ADDRESSES, {}, format="json").json()["code"] == "reports.no_address"
    manager.email = "manager@example.org"
    manager.save()
    agreed(client)
    for _ in range(2):
        assert client.post(ADDRESSES, {}, format="json").status_code == 202
    assert pass_by(NOON, "reports.send", "reports.send") == [1, 0]
    [mail] = box.seen
    assert mail.to == "manager@example.org"
    [code] = re.findall(r"(?m)^(?:[A-Z2-7]{4}-){3}[A-Z2-7]{4}$", mail.body)
    pass_by(MONDAY_7)
    assert len(box.seen) == 1, "no report leaves before it is proved"
    assert "not confirmed" in ReportMail.objects.get(occurrence__isnull=False).detail

    def says(code, moment=NOON):
        with clock.at(moment):
            return client.post(f"{ADDRESSES}confirm/", {"code": code}, format="json")

    assert says("AAAA-AAAA-AAAA-AAAA").json()["code"] == "reports.code_not_right"
    assert says(code, NOON + dt.timedelta(days=8)).status_code == 422
    assert says(code.lower()).json()["confirmed_at"] == "2026-03-02T12:00:00Z"
    assert client.get(ADDRESSES).json()["results"][0]["address"] == "manager@example.org"
    pass_by(MONDAY_7 + dt.timedelta(weeks=1))
    assert len(box.seen) == 2
    manager.email = "other@example.org"
    manager.save()
    pass_by(MONDAY_7 + dt.timedelta(weeks=2))
    assert len(box.seen) == 2, "a changed address is proved anew"
    assert says(code).status_code == 422
    assert api(clerk).post(ADDRESSES, {}, format="json").status_code == 403


# --- the mail ---------------------------------------------------------------------------------------------------------


@database
@pytest.mark.parametrize("why", ["too large", "json", "a channel without files"])
def test_what_is_not_attached_is_fetched_after_a_sign_in(api, manager, box, settings, monkeypatch, why):
    reachable(manager)
    if why == "too large":
        settings.OPTICSHOP_REPORT_MAIL_BYTES = 10
    elif why == "a channel without files":
        monkeypatch.setattr(PostBox, "carries_files", False)
    agreed(api(manager), format="json" if why == "json" else "xlsx")
    assert pass_by(MONDAY_7) == [1, 1, 1]
    [mail] = box.seen
    assert mail.attachments == ()
    run = ReportRun.objects.get()
    path = f"/api/v1/report-runs/{run.id}/file/"
    assert path.replace("/", "%2F") in mail.body
    assert api(None).get(path).status_code == 401
    with clock.at(MONDAY_7):
        assert api(manager).get(path).status_code == 200


@database
def test_certainly_not_sent_is_tried_again_and_not_known_is_not(api, manager, box):
    reachable(manager)
    agreed(api(manager), rhythm="daily", weekday=None)
    box.answers = [SendOutcome(state="retry", detail="busy"), SendOutcome(state="unknown")]
    tuesday = dt.datetime(2026, 3, 3, 7, tzinfo=dt.UTC)
    pass_by(tuesday)
    assert pass_by(tuesday + MINUTE, "reports.send") == [0]
    assert pass_by(tuesday + 3 * MINUTE, "reports.send") == [1]
    assert pass_by(tuesday + 60 * MINUTE, "reports.send") == [0]
    assert len({mail.id for mail in box.seen}) == 1, "one key, so that the carrier can refuse a twin"
    mail = ReportMail.objects.get()
    assert (mail.state, mail.attempts) == ("failed", 2)
    assert mail.detail.startswith("It is not known whether this was sent")
    assert told("mail_not_sent")[0]["mail"] == str(mail.id)
    pass_by(tuesday + dt.timedelta(days=1), "reports.schedule", "reports.make")
    ReportMail.objects.filter(state="queued").update(state="sending", attempts=1, attempted_at=tuesday)
    assert pass_by(tuesday + dt.timedelta(days=1), "reports.send") == [1], "its process died"
    assert len(box.seen) == 2
    assert ReportMail.objects.filter(state="failed").count() == 2
