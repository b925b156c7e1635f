"""Calendar feeds: who may share and revoke them, what they show, and to whom. Read back with the icalendar library."""

from __future__ import annotations

import datetime as dt
import hashlib

import pytest
from django.test import Client
from icalendar import Calendar

from opticshop.accounts.models import Membership
from opticshop.appointments.models import CalendarFeed
from opticshop.core import clock
from opticshop.core.models import OutboxEvent
from opticshop.core.throttling import AnonymousThrottle
from tests.appointments.conftest import FEEDS, LONDON, URL, AppointmentFactory, at
from tests.conftest import NOON, member
from tests.factories import CustomerFactory, OrderFactory

pytestmark = pytest.mark.django_db
CLINICAL = ("examination", "dispensing", "eye", "vision", "sight", "test", "sore", "dioptre", "prescription", "lens")


@pytest.fixture
def share(api, manager, mill):
    """``share(what, **more)`` is the path of a feed that the manager shared."""

    def shared(what="everything", user=manager, branch=mill, **more):
        response = api(user).post(FEEDS, {"branch": str(branch.id), "what": what, "name": "Front desk", **more})
        assert response.status_code == 201, response.data
        return response.data["url"].removeprefix("http://testserver")

    return shared


def read(path, **headers):
    return Client().get(path, headers=headers)


def shown(path):
    response = read(path)
    assert response.status_code == 200, response.content
    return {str(event["UID"]).split("@")[0]: event for event in Calendar.from_ical(response.content).walk("VEVENT")}


def test_a_feed_is_read_without_signing_in(share, mill, customer):
    path = share()
    row = AppointmentFactory(customer=customer, starts_at=at(30, 9), place="Room 1")
    response = read(path)
    assert response.headers["Content-Type"] == "text/calendar; charset=utf-8"
    assert "private" in response.headers["Cache-Control"]
    [event] = shown(path).values()
    assert str(event["SUMMARY"]) == f"Visit: W.A. {customer.id.hex[-6:].upper()}"
    assert str(event["LOCATION"]) == "Room 1"
    start = event["DTSTART"].dt
    assert (start, start.astimezone(LONDON).strftime("%H:%M")) == (row.starts_at, "09:00")


def test_an_unchanged_feed_is_answered_304(share, customer):
    path = share()
    row = AppointmentFactory(customer=customer)
    tag = read(path).headers["ETag"]
    for given in (tag, f'"x", {tag}', f"W/{tag}", "*"):
        unchanged = read(path, if_none_match=given)
        assert (unchanged.status_code, unchanged.content, unchanged.headers["ETag"]) == (304, b"", tag)
    row.place, row.sequence = "Room 2", 1
    row.save()
    changed = read(path, if_none_match=tag)
    assert changed.status_code == 200
    assert changed.headers["ETag"] != tag


def test_the_bytes_are_the_same_at_any_moment(share, customer):
    path = share()
    AppointmentFactory(customer=customer)
    first = read(path).content
    with clock.at(NOON + dt.timedelta(hours=3)):
        assert read(path).content == first


def test_the_token_is_shown_once_and_kept_as_a_hash(api, share, manager):
    path = share()
    token = path.split("/")[-1].removesuffix(".ics")
    assert len(token) >= 43  # 32 bytes, 256 bits, in base64
    [feed] = CalendarFeed.objects.everywhere("test")
    assert feed.token_hash == hashlib.sha256(token.encode()).hexdigest()
    listed = api(manager).get(FEEDS)
    assert token not in listed.content.decode()
    assert feed.token_hash not in listed.content.decode()
    assert not [event for event in OutboxEvent.objects.all() if token in str(event.data)]


def test_unknown_and_revoked_answer_alike_by_one_look_up(api, share, manager, queries):
    path = share()
    [feed] = api(manager).get(FEEDS).data["results"]
    assert api(manager).post(f"{FEEDS}{feed['id']}/revoke/").data["revoked_at"]
    assert api(manager).post(f"{FEEDS}{feed['id']}/revoke/").json()["code"] == "appointments.feed_revoked"
    unknown = f"/calendars/{'A' * 43}.ics"
    answers = []
    for each in (path, unknown):
        answer = read(each)
        assert answer["Content-Type"] == "application/problem+json"
        body = answer.json()
        assert body.pop("instance") == each
        body.pop("request_id")
        answers.append((answer.status_code, body))
        assert queries(lambda each=each: read(each)) == 1
    assert answers[0] == answers[1]
    assert answers[0][0] == 404
    assert [event.type for event in OutboxEvent.objects.order_by("id")] == [
        "appointments.feed_shared",
        "appointments.feed_revoked",
    ]


@pytest.mark.parametrize("token", ["x", "%00", "a%2Fb", "é", "." * 400])
def test_an_odd_token_is_only_unknown(token):
    assert read(f"/calendars/{token}.ics").status_code == 404


def test_each_kind_shows_its_own(share, mill, quay, examiner, manager, customer):
    visit = AppointmentFactory(customer=customer, seen_by=examiner, starts_at=at(4, 9))
    fetch = AppointmentFactory(customer=customer, kind="collection", starts_at=at(4, 11))
    ready = OrderFactory(customer=customer, state="ready", ready_at=NOON)
    AppointmentFactory(customer__branch=quay)
    OrderFactory(customer__branch=quay)
    everything = {str(row.id) for row in (visit, fetch, ready)}
    assert set(shown(share("everything"))) == everything
    assert set(shown(share("appointments"))) == {str(visit.id), str(fetch.id)}
    assert set(shown(share("collections"))) == {str(fetch.id), str(ready.id)}
    assert set(shown(share("person", person=str(examiner.id)))) == {str(visit.id)}


def test_a_branch_never_shows_anothers(share, api, outsider, mill, quay, customer):
    AppointmentFactory(customer=customer)
    OrderFactory(customer=customer)
    path = share(user=outsider, branch=quay)
    assert shown(path) == {}
    assert b"MILL" not in read(path).content
    refused = api(outsider).post(FEEDS, {"branch": str(mill.id), "what": "everything", "name": "x"})
    assert refused.status_code == 404


def test_orders_to_collect_are_whole_days(share, customer):
    """RFC 5545, 3.6.1: DTEND of a day is not included."""
    promised = OrderFactory(customer=customer, promised_on=dt.date(2026, 3, 5))
    late = OrderFactory(customer=customer, state="ready", promised_on=dt.date(2026, 2, 20), ready_at=at(2, 9))
    early = OrderFactory(customer=customer, state="ready", promised_on=dt.date(2026, 3, 6), ready_at=at(2, 9))
    booked = OrderFactory(customer=customer, state="ready", ready_at=at(2, 9))
    fetch = AppointmentFactory(customer=customer, kind="collection", order=booked)
    OrderFactory(customer=customer, state="collected", collected_at=NOON)
    OrderFactory(customer=customer, state="cancelled", cancelled_reason="x")
    OrderFactory(customer=customer, promised_on=dt.date(2025, 12, 1))  # beyond the window
    events = shown(share("collections"))
    assert set(events) == {str(row.id) for row in (promised, late, early, fetch)}
    days = {key: (event["DTSTART"].dt, event["DTEND"].dt, str(event["STATUS"])) for key, event in events.items()}
    assert days[str(promised.id)] == (dt.date(2026, 3, 5), dt.date(2026, 3, 6), "TENTATIVE")
    assert days[str(late.id)] == (dt.date(2026, 3, 2), dt.date(2026, 3, 3), "CONFIRMED")
    assert days[str(early.id)] == (dt.date(2026, 3, 6), dt.date(2026, 3, 7), "CONFIRMED")
    assert booked.number in str(events[str(fetch.id)]["SUMMARY"])
    assert str(events[str(promised.id)]["TRANSP"]) == "TRANSPARENT"


def test_what_is_cancelled_stays_as_cancelled_for_thirty_days(share, api, clerk, customer):
    row, path = AppointmentFactory(customer=customer, starts_at=at(30, 10, month=4)), share()
    before = shown(path)[str(row.id)]
    api(clerk).post(f"{URL}{row.id}/cancel/", {"reason": "ill"})
    after = shown(path)[str(row.id)]
    assert (str(before["STATUS"]), str(after["STATUS"])) == ("CONFIRMED", "CANCELLED")
    assert after["SEQUENCE"] > before["SEQUENCE"]
    with clock.at(NOON + dt.timedelta(days=31)):
        assert shown(path) == {}


def test_the_window_is_thirty_days_back_and_a_year_ahead(share, customer):
    offsets = {-31: False, -29: True, 364: True, 366: False}
    for days in offsets:
        AppointmentFactory(customer=customer, starts_at=NOON + dt.timedelta(days=days))
    starts = {event["DTSTART"].dt for event in shown(share()).values()}
    assert starts == {NOON + dt.timedelta(days=days) for days, inside in offsets.items() if inside}


def test_no_name_no_note_and_no_word_of_health_leaves_in_a_feed(share, api, clerk, mill, examiner):
    person = CustomerFactory(branch=mill, given_name="Peregrine", family_name="Thistlewood", note="sore eye")
    kinds = ("examination", "dispensing", "collection", "adjustment", "other")
    for hour, kind in enumerate(kinds, start=9):
        row = AppointmentFactory(
            customer=person, kind=kind, starts_at=at(4, hour), note="sore eye, dioptre", seen_by=examiner
        )
    OrderFactory(customer=person)
    pages = [read(share(what)) for what in ("everything", "appointments", "collections")]
    pages.append(read(share("person", person=str(examiner.id))))
    pages.append(api(clerk).get(f"{URL}{row.id}/calendar/"))
    for page in pages:
        text = page.content.decode().replace("\r\n ", "").lower()
        text = text.replace("millrace opticians (invented)", "").replace("test-o-", "")  # the branch, the order number
        assert "begin:vevent" in text
        assert not [word for word in (*CLINICAL, "peregrine", "thistlewood") if word in text]
    given = read(share(shows_given_names=True)).content.decode()
    assert "Peregrine T." in given
    assert "Thistlewood" not in given


def test_the_customers_calendar_names_branch_address_and_time_only(api, clerk, mill, customer):
    mill.address = "1 Mill Lane,\nExampleton"
    mill.save()
    row = AppointmentFactory(customer=customer, starts_at=at(30, 9), place="Room 1", note="x")
    response = api(clerk).get(f"{URL}{row.id}/calendar/")
    assert response.headers["Content-Type"] == "text/calendar; charset=utf-8"
    [event] = Calendar.from_ical(response.content).walk("VEVENT")
    assert str(event["SUMMARY"]) == f"Appointment at {mill.name}"
    assert str(event["LOCATION"]) == "1 Mill Lane, Exampleton"
    assert event["DTSTART"].dt == row.starts_at
    assert str(event["UID"]).startswith(str(row.id))


def test_sharing_is_for_managers_and_ones_own_for_everybody(api, clerk, manager, hand, examiner, mill, share):
    asked = {"branch": str(mill.id), "what": "everything", "name": "x"}
    assert api(clerk).post(FEEDS, asked).status_code == 403
    assert api(hand).post(FEEDS, asked).status_code == 403
    theirs = {**asked, "what": "person", "person": str(examiner.id)}
    assert api(clerk).post(FEEDS, theirs).status_code == 403
    assert api(clerk).post(FEEDS, {**asked, "what": "person"}).status_code == 400
    assert api(manager).post(FEEDS, {**asked, "person": str(clerk.id)}).status_code == 400
    own = api(clerk).post(FEEDS, {**asked, "what": "person", "person": str(clerk.id)})
    assert own.status_code == 201
    share("appointments")
    assert [row["id"] for row in api(clerk).get(FEEDS).data["results"]] == [own.data["id"]]
    listed = api(manager).get(FEEDS).data["results"]
    assert len(listed) == 2
    other = next(row["id"] for row in listed if row["id"] != own.data["id"])
    assert api(clerk).post(f"{FEEDS}{other}/revoke/").status_code == 404
    assert api(clerk).post(f"{FEEDS}{own.data['id']}/revoke/").status_code == 200


def test_the_calendar_of_who_has_left_is_closed(share, examiner, mill):
    path = share("person", person=str(examiner.id))
    assert read(path).status_code == 200
    examiner.is_active = False
    examiner.save()
    assert read(path).status_code == 404
    examiner.is_active = True
    examiner.save()
    Membership.objects.filter(user=examiner).delete()
    assert read(path).status_code == 404


def test_a_feed_costs_the_same_for_one_entry_and_for_many_and_notes_when_it_was_read(share, customer, mill, queries):
    path = share()
    read(path)
    AppointmentFactory(customer=customer)
    OrderFactory(customer=customer)
    one = queries(lambda: read(path))
    AppointmentFactory.create_batch(5, customer__branch=mill)
    OrderFactory.create_batch(2, customer__branch=mill)
    assert queries(lambda: read(path)) == one
    assert len(shown(path)) == 9
    assert CalendarFeed.objects.everywhere("test").get().last_read_at == NOON


def test_the_list_of_feeds_costs_the_same_for_one_and_for_many(api, manager, mill, share, queries):
    share()
    client = api(manager)
    one = queries(lambda: client.get(FEEDS))
    for name in ("a", "b", "c"):
        share("person", person=str(member(name, "counter", mill).id))
    assert queries(lambda: client.get(FEEDS)) == one


def test_reading_is_throttled(monkeypatch):
    monkeypatch.setattr(AnonymousThrottle, "allow_request", lambda self, request, view: False)
    monkeypatch.setattr(AnonymousThrottle, "wait", lambda self: 7)
    answer = read(f"/calendars/{'A' * 43}.ics")
    assert (answer.status_code, answer.headers["Retry-After"]) == (429, "8")
