"""Booking, putting off and moving on, through the API."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.appointments.models import APPOINTMENT_MOVES, Appointment
from opticshop.branches.models import Branch, Closure
from opticshop.core import clock
from opticshop.core.models import OutboxEvent
from tests.appointments.conftest import URL, AppointmentFactory, at
from tests.conftest import NOON
from tests.factories import CustomerFactory, OrderFactory
from tests.tags import version_in

pytestmark = pytest.mark.django_db


def events():
    return [(event.type, event.data) for event in OutboxEvent.objects.order_by("id")]


def test_an_appointment_is_booked_with_an_event(api, clerk, body, examiner, customer):
    response = api(clerk).post(URL, body(**{"with": examiner.id, "place": "Room 1", "note": "prefers mornings"}))
    assert response.status_code == 201, response.data
    assert version_in(response) == 1
    told = response.data
    assert (told["state"], told["sequence"], told["with"], told["with_name"]) == (
        "booked",
        0,
        str(examiner.id),
        "Examiner",
    )
    [(kind, data)] = events()
    assert kind == "appointments.booked"
    assert data == {
        "appointment": told["id"],
        "customer": str(customer.id),
        "kind": "examination",
        "starts_at": "2026-03-04T10:00:00+00:00",
    }


def test_the_same_key_books_once(api, clerk, body):
    client, headers = api(clerk), {"Idempotency-Key": "one"}
    first = client.post(URL, body(), headers=headers)
    again = client.post(URL, body(), headers=headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.json()["id"] == first.json()["id"]
    assert Appointment.objects.everywhere("test").count() == 1


def allowed(response):
    return response.json()["errors"][0].get("allowed")


@pytest.mark.parametrize(
    ("starts_at", "minutes", "code", "next_start"),
    [
        (at(2, 11), 30, "appointments.time_unusable", "2026-03-02T12:00:00Z"),  # an hour ago
        (at(4, 8, 45), 30, "appointments.outside_opening_hours", "2026-03-04T09:00:00Z"),  # opens at nine
        (at(4, 17, 15), 30, "appointments.outside_opening_hours", "2026-03-05T09:00:00Z"),  # closes at half past five
        (at(7, 10), 30, "appointments.outside_opening_hours", "2026-03-09T09:00:00Z"),  # a Saturday
        (at(4, 10), 4, "appointments.length_unusable", "PT5M to PT8H"),
        (at(4, 9), 481, "appointments.length_unusable", "PT5M to PT8H"),
        (at(4, 10), -30, "appointments.length_unusable", "PT5M to PT8H"),
        (at(4, 10) + dt.timedelta(seconds=1), 30, "appointments.length_unusable", "PT5M to PT8H"),
        (at(4, 10) + dt.timedelta(days=900), 30, "appointments.time_unusable", "up to 2028-05-10T12:00:00Z"),
    ],
)
def test_a_time_that_cannot_be_is_refused_with_what_could_be(api, clerk, body, starts_at, minutes, code, next_start):
    response = api(clerk).post(URL, body(starts_at, minutes))
    assert response.status_code in {409, 422}
    assert response.json()["code"] == code
    right = allowed(response)
    assert (right["starts_at"] if isinstance(right, dict) else right) == next_start
    assert not Appointment.objects.everywhere("test").exists()
    assert not OutboxEvent.objects.exists()


def test_a_public_holiday_and_a_closure_say_why(api, clerk, body, mill):
    """In England Good Friday 2026 is 3 April, Easter Monday 6 April: https://www.gov.uk/bank-holidays."""
    Branch.objects.filter(id=mill.id).update(subdivision="ENG")
    Closure.objects.create(branch=mill, first_on=dt.date(2026, 3, 10), last_on=dt.date(2026, 3, 11), reason="Refitting")
    shut = api(clerk).post(URL, body(at(10, 10)))
    assert "Refitting" in shut.json()["detail"]
    assert allowed(shut)["starts_at"] == "2026-03-12T09:00:00Z"
    holiday = api(clerk).post(URL, body(at(3, 10, month=4)))
    assert "Good Friday" in holiday.json()["detail"]
    # After Easter Monday; an hour earlier in UTC: summer time began on 29 March.
    assert allowed(holiday)["starts_at"] == "2026-04-07T08:00:00Z"


def test_a_time_without_its_offset_is_not_a_moment(api, clerk, body):
    response = api(clerk).post(URL, {**body(), "starts_at": "2026-03-04T10:00:00"})
    assert response.status_code == 400
    assert "offset" in response.json()["detail"]


@pytest.mark.parametrize(("other", "status"), [(at(4, 9, 30), 201), (at(4, 9, 45), 409), (at(4, 10), 409)])
def test_nobody_sees_two_customers_at_once(api, clerk, body, examiner, mill, other, status):
    AppointmentFactory(customer__branch=mill, seen_by=examiner, starts_at=at(4, 10))
    response = api(clerk).post(URL, body(other, **{"with": examiner.id}))
    assert response.status_code == status, response.json()
    if status == 409:
        assert response.json()["code"] == "appointments.already_booked"
        assert allowed(response)["starts_at"] == "2026-03-04T10:30:00Z"


def test_no_customer_is_in_two_places_at_once_not_even_in_two_branches(api, clerk, body, customer, quay):
    AppointmentFactory(customer=customer, branch=quay, starts_at=at(4, 10))
    response = api(clerk).post(URL, body(at(4, 10, 15)))
    assert response.json()["code"] == "appointments.already_booked"
    assert "Quay" not in response.content.decode()


def test_a_merged_record_takes_up_the_time_of_its_person(api, clerk, body, customer, mill):
    duplicate = CustomerFactory(branch=mill, merged_into=customer)
    AppointmentFactory(customer=duplicate, starts_at=at(4, 10))
    assert api(clerk).post(URL, body(at(4, 10, 15))).json()["code"] == "appointments.already_booked"
    found = api(clerk).get(URL, {"customer": str(customer.id)}).data["results"]
    assert [row["customer"] for row in found] == [str(duplicate.id)]


@pytest.mark.parametrize("state", ["cancelled", "missed"])
def test_a_time_given_up_is_free_again(api, clerk, body, customer, state):
    AppointmentFactory(customer=customer, starts_at=at(4, 10), state=state, cancelled_reason="ill")
    assert api(clerk).post(URL, body(at(4, 10))).status_code == 201


def test_who_sees_the_customer_works_at_the_branch(api, clerk, body, outsider, head_office):
    client = api(clerk)
    assert client.post(URL, body(**{"with": outsider.id})).json()["code"] == "appointments.person_not_here"
    assert client.post(URL, body(**{"with": body()["customer"]})).json()["code"] == "appointments.person_not_here"
    assert client.post(URL, body(**{"with": head_office.id})).status_code == 201


@pytest.mark.parametrize("fate", ["died", "merged"])
def test_who_is_not_to_be_contacted_is_not_booked(api, clerk, body, customer, fate):
    if fate == "died":
        customer.deceased_on = dt.date(2026, 2, 1)
    else:
        customer.merged_into = CustomerFactory(branch=customer.branch)
    customer.save()
    assert api(clerk).post(URL, body()).json()["code"] == "appointments.customer_not_to_book"


def test_only_a_collection_names_an_order_and_only_one_to_be_collected(api, clerk, body, customer, mill):
    client, order = api(clerk), OrderFactory(customer=customer, state="ready")
    other = OrderFactory(customer__branch=mill)
    collected = OrderFactory(customer=customer, state="collected", collected_at=NOON)
    code = "appointments.not_to_be_collected"
    assert client.post(URL, body(order=order.id)).json()["code"] == code
    assert client.post(URL, body(kind="collection", order=other.id)).json()["code"] == code
    assert client.post(URL, body(kind="collection", order=collected.id)).json()["code"] == code
    booked = client.post(URL, body(kind="collection", order=order.id))
    assert booked.data["order_number"] == order.number


def test_putting_off_needs_the_version_and_raises_the_sequence(api, clerk, body):
    client = api(clerk)
    url = f"{URL}{client.post(URL, body()).data['id']}/"
    later = {name: body(at(5, 11))[name] for name in ("starts_at", "ends_at")}
    assert client.patch(url, later).status_code == 428
    moved = client.patch(url, later, headers={"If-Match": '"1"'})
    assert (moved.status_code, moved.data["sequence"], version_in(moved)) == (200, 1, 2), moved.data
    assert client.patch(url, later, headers={"If-Match": '"1"'}).status_code == 412
    kind, data = events()[-1]
    assert kind == "appointments.rescheduled"
    assert (data["before"], data["starts_at"]) == ("2026-03-04T10:00:00+00:00", "2026-03-05T11:00:00+00:00")
    # It may overlap with itself, a note is not shown in calendars, and what changes nothing is not told.
    shifted = {name: body(at(5, 11, 15))[name] for name in ("starts_at", "ends_at")}
    assert client.patch(url, shifted, headers={"If-Match": '"2"'}).data["sequence"] == 2
    noted = client.patch(url, {"note": "late"}, headers={"If-Match": '"3"'})
    assert (noted.data["sequence"], noted.data["version"]) == (2, 4)
    assert client.patch(url, {"note": "late"}, headers={"If-Match": '"4"'}).data["version"] == 4
    assert [kind for kind, _ in events()][-2:] == ["appointments.rescheduled", "appointments.amended"]


def test_an_appointment_is_not_put_off_into_another(api, clerk, body, examiner, mill):
    AppointmentFactory(customer__branch=mill, seen_by=examiner, starts_at=at(5, 10))
    client = api(clerk)
    url = f"{URL}{client.post(URL, body(**{'with': examiner.id})).data['id']}/"
    later = {name: body(at(5, 10, 15))[name] for name in ("starts_at", "ends_at")}
    refused = client.patch(url, later, headers={"If-Match": '"1"'})
    assert refused.json()["code"] == "appointments.already_booked"
    assert allowed(refused)["starts_at"] == "2026-03-05T10:30:00Z"
    assert client.get(url).data["starts_at"] == "2026-03-04T10:00:00Z"


STEPS = {"arrived": "arrive", "attended": "attend", "missed": "miss", "cancelled": "cancel"}


@pytest.mark.parametrize("state", list(APPOINTMENT_MOVES))
@pytest.mark.parametrize("wanted", list(STEPS))
def test_only_the_moves_of_the_table_are_made(api, clerk, mill, state, wanted):
    row = AppointmentFactory(customer__branch=mill, starts_at=at(2, 11, 45), state=state, cancelled_reason="ill")
    said = {"reason": "asked to"} if wanted == "cancelled" else {}
    response = api(clerk).post(f"{URL}{row.id}/{STEPS[wanted]}/", said)
    row.refresh_from_db()
    if wanted in APPOINTMENT_MOVES[state]:
        assert (response.status_code, response.data["state"], row.sequence) == (200, wanted, 1)
        assert [kind for kind, _ in events()] == [f"appointments.{wanted}"]
    else:
        assert (response.status_code, response.json()["code"]) == (409, "core.move_not_allowed")
        assert (row.state, row.sequence, events()) == (state, 0, [])


@pytest.mark.parametrize("state", ["arrived", "attended", "missed", "cancelled"])
def test_what_is_over_is_not_put_off_but_may_be_noted(api, clerk, mill, state):
    row = AppointmentFactory(customer__branch=mill, state=state, cancelled_reason="ill")
    client, url, headers = api(clerk), f"{URL}{row.id}/", {"If-Match": '"1"'}
    refused = client.patch(url, {"starts_at": "2026-03-04T09:45:00Z"}, headers=headers)
    assert refused.json()["code"] == "appointments.not_to_be_moved"
    assert client.patch(url, {"note": "x"}, headers=headers).status_code == 200


def test_nobody_arrives_before_the_day_or_has_missed_what_has_not_begun(api, clerk, mill):
    client = api(clerk)
    tomorrow = AppointmentFactory(customer__branch=mill, starts_at=at(3, 9))
    today = AppointmentFactory(customer__branch=mill, starts_at=at(2, 15))
    for step in ("arrive", "attend", "miss"):
        assert client.post(f"{URL}{tomorrow.id}/{step}/").json()["code"] == "appointments.too_early"
    assert client.post(f"{URL}{today.id}/miss/").json()["code"] == "appointments.too_early"
    with clock.at(at(2, 15)):
        assert client.post(f"{URL}{today.id}/miss/").status_code == 200


def test_another_branchs_appointment_looks_like_none(api, outsider, clerk, hand, mill, body):
    row = AppointmentFactory(customer__branch=mill)
    client, url = api(outsider), f"{URL}{row.id}/"
    assert client.get(url).status_code == 404
    assert client.get(f"{url}calendar/").status_code == 404
    assert client.get(URL).data["results"] == []
    assert client.post(f"{url}cancel/", {"reason": "x"}).status_code == 404
    assert client.patch(url, {"note": "x"}, headers={"If-Match": '"1"'}).status_code == 404
    assert client.post(URL, body()).status_code == 404
    assert client.get(f"{URL}free/", {"branch": str(mill.id)}).status_code == 404
    assert api(hand).get(URL).status_code == 403
    assert api(hand).post(URL, body()).status_code == 403
    assert api(None).get(URL).status_code == 401


def test_a_day_is_the_day_of_the_branch_in_the_order_of_time(api, clerk, mill):
    """British Summer Time begins on 29 March 2026, 01:00 UTC: the night of the 30th begins at 23:00 UTC (IANA tz)."""
    late = AppointmentFactory(customer__branch=mill, starts_at=at(30, 17))
    early = AppointmentFactory(customer__branch=mill, starts_at=at(30, 0, 15))
    AppointmentFactory(customer__branch=mill, starts_at=at(29, 23, 45))
    AppointmentFactory(customer__branch=mill, starts_at=at(31, 0, 0))
    client, day = api(clerk), {"branch": str(mill.id), "from": "2026-03-30", "to": "2026-03-30"}
    found = client.get(URL, day).data["results"]
    assert [row["id"] for row in found] == [str(early.id), str(late.id)]
    first = client.get(URL, {**day, "page_size": 1}).data
    second = client.get(first["next"]).data
    assert [row["id"] for row in first["results"] + second["results"]] == [str(early.id), str(late.id)]
    assert client.get(URL, {"from": "2026-03-30"}).status_code == 400
    assert client.get(URL, {**day, "to": "9999-12-31"}).status_code == 400


def test_the_list_is_narrowed_and_costs_the_same_for_one_row_and_for_ten(api, clerk, mill, examiner, queries):
    client, asked = api(clerk), {"branch": str(mill.id), "from": "2026-03-02", "with": str(examiner.id)}
    AppointmentFactory(customer__branch=mill, seen_by=examiner)
    one = queries(lambda: client.get(URL, asked))
    AppointmentFactory.create_batch(4, customer__branch=mill)
    for hour in range(11, 15):
        order = OrderFactory(customer__branch=mill)
        more = {"kind": "collection", "order": order, "customer": order.customer}
        AppointmentFactory(seen_by=examiner, starts_at=at(4, hour), **more)
    assert queries(lambda: client.get(URL, asked)) == one
    assert len(client.get(URL, asked).data["results"]) == 5
    assert len(client.get(URL, {"kind": "collection", "state": "booked"}).data["results"]) == 4


@pytest.mark.parametrize(
    "moment", ["0001-01-01T00:00:00+14:00", "0001-01-01T00:00:00Z", "9999-12-31T23:00:00-12:00", "9999-12-31T23:00:00Z"]
)
def test_a_moment_at_the_end_of_time_is_only_refused(api, clerk, mill, body, moment):
    client, row = api(clerk), AppointmentFactory(customer__branch=mill)
    times = {"starts_at": moment, "ends_at": moment[:14] + "30" + moment[16:]}
    assert client.post(URL, {**body(), **times}).status_code in {400, 422}
    assert client.patch(f"{URL}{row.id}/", times, headers={"If-Match": '"1"'}).status_code in {400, 422}


@pytest.mark.parametrize("year", ["2000", "2199"])
def test_far_days_can_be_asked_about(api, clerk, mill, year):
    days = {"branch": str(mill.id), "from": f"{year}-12-30", "to": f"{year}-12-31"}
    assert api(clerk).get(URL, days).status_code == 200
    assert api(clerk).get(f"{URL}free/", days).status_code == 200
