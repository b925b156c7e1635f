"""The reminder of the open day before: once, and not when there is nothing left to remind of."""

from __future__ import annotations

import pytest

from opticshop.appointments.models import Appointment
from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.correspondence.models import Message
from tests.appointments.conftest import URL, at

pytestmark = pytest.mark.django_db


def messages():
    return list(Message.objects.everywhere("test").order_by("id"))


def remind():
    return run_duty("appointments.remind")


def test_a_reminder_is_queued_once_on_the_open_day_before(api, clerk, body):
    """Booked on Monday the 2nd for Monday the 9th: the open day before is Friday the 6th."""
    told = api(clerk).post(URL, body(at(9, 10, 30), note="has a sore eye")).data
    with clock.at(at(6, 8, 59)):
        assert remind() == 0
    with clock.at(at(6, 9)):
        assert remind() == 1
        assert remind() == 0
    [message] = messages()
    assert (message.kind, message.purpose) == ("appointment_reminder", "service")
    assert message.subject_ref == f"appointments/{told['id']}/0"
    assert "Monday 9 March 2026" in message.subject
    assert "10:30" in message.body
    assert not any(word in message.body.lower() for word in ("examination", "eye ", "sore"))


def test_the_time_said_is_that_of_the_branch(api, clerk, body):
    """British Summer Time begins on 29 March 2026 (IANA tz): half past ten is 09:30 UTC."""
    told = api(clerk).post(URL, body(at(30, 10, 30))).data
    assert told["starts_at"] == "2026-03-30T09:30:00Z"
    with clock.at(at(27, 9)):
        remind()
    assert "10:30" in messages()[0].body


@pytest.mark.parametrize("starts_at", [at(2, 16), at(3, 9, 30), at(3, 12)])
def test_who_booked_a_day_or_less_ahead_is_not_reminded(api, clerk, body, starts_at):
    assert api(clerk).post(URL, body(starts_at)).data["remind_at"] is None


def test_who_booked_on_the_open_day_before_is_not_reminded(api, clerk, body):
    with clock.at(at(6, 12)):
        assert api(clerk).post(URL, body(at(9, 16))).data["remind_at"] is None


def test_cancelled_before_it_is_due_nothing_is_queued(api, clerk, body):
    client = api(clerk)
    told = client.post(URL, body(at(9, 10))).data
    assert client.post(f"{URL}{told['id']}/cancel/", {"reason": "ill"}).data["remind_at"] is None
    with clock.at(at(6, 9)):
        assert remind() == 0


@pytest.mark.parametrize("how", ["cancelled", "moved"])
def test_a_queued_reminder_is_withdrawn_when_the_appointment_is_off(api, clerk, body, how):
    client = api(clerk)
    told = client.post(URL, body(at(9, 10))).data
    url = f"{URL}{told['id']}/"
    with clock.at(at(6, 9)):
        remind()
    with clock.at(at(6, 9, 1)):
        if how == "cancelled":
            client.post(f"{url}cancel/", {"reason": "ill"})
        else:
            later = {name: body(at(12, 10))[name] for name in ("starts_at", "ends_at")}
            moved = client.patch(url, later, headers={"If-Match": '"1"'})
            assert moved.data["remind_at"] == "2026-03-11T09:00:00Z"
        run_duty("correspondence.send_due")
    [message] = messages()
    assert (message.state, how in message.detail) == ("withdrawn", True)
    with clock.at(at(11, 9)):
        remind()
    abouts = [message.subject_ref.rsplit("/", 1)[1] for message in messages()]
    assert abouts == (["0"] if how == "cancelled" else ["0", "1"])


def test_what_began_while_the_duty_stood_still_is_not_reminded_of(api, clerk, body):
    told = api(clerk).post(URL, body(at(9, 10))).data
    with clock.at(at(9, 10)):
        assert remind() == 1
    assert messages() == []
    assert Appointment.objects.everywhere("test").get(id=told["id"]).remind_at is None
