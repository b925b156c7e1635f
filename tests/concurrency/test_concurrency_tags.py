"""What GET answers as its tag, and what If-Match does with it, for the four things that people amend at once.

RFC 9110: 8.8.3 (a strong tag differs whenever the bytes do), 13.1.1, 13.1.2, 13.2.2 (a condition that fails writes
nothing).
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.workshop import services as workshop
from tests.conftest import NOON
from tests.factories import CustomerFactory, PrescriptionFactory
from tests.prescriptions.bodies import PRESCRIPTIONS, prescription
from tests.workshop.conftest import GOOD, bench, order, world

pytestmark = pytest.mark.django_db
__all__ = ["bench", "order", "world"]
CUSTOMERS, ORDERS, JOBS = "/api/v1/customers/", "/api/v1/orders/", "/api/v1/jobs/"
SYSTEM = system("test")


@pytest.fixture
def client(api, manager):
    return api(manager)


@pytest.fixture
def person(mill):
    return CustomerFactory(branch=mill, email="wren@example.org", address="2 Fen Road")


class Watched:
    """One address, looked at before and after each write."""

    def __init__(self, client: Any, url: str):
        self.client, self.url = client, url
        self.versions: list[int] = []
        self.look()

    def look(self) -> Any:
        self.answer = self.client.get(self.url)
        assert self.answer.status_code == 200, self.answer.content
        return self.answer

    @property
    def tag(self) -> str:
        return str(self.answer["ETag"])

    def write(self, path: str, body: Any = None, **headers: str) -> Any:
        """A write below the address that must succeed; tag and version must tell of what it changed."""
        before, tag, version = self.answer.content, self.tag, self.answer.json().get("version")
        done = self.client.post(f"{self.url}{path}", {} if body is None else body, headers=headers)
        assert done.status_code in {200, 201}, done.content
        self.look()
        changed = self.answer.content != before
        assert (self.tag != tag) is changed, path
        if changed and version is not None:
            assert self.answer.json()["version"] > version, f"{path} changed what is shown, not the version"
        return done


def test_whatever_changes_a_customer_changes_version_and_tag(client, person, mill):
    watched = Watched(client, f"{CUSTOMERS}{person.id}/")
    choice = {"way": "text", "purpose": "marketing", "source": "phone"}
    watched.write("refuse/", choice)
    watched.write("refuse/", choice)
    watched.write("allow/", choice)
    watched.write("address-wrong/", {"way": "email", "reason": "Came back"})
    watched.write("address-right/", {"way": "email"})
    other = CustomerFactory(branch=mill, phone_e164="+442079460099", phone="+442079460099")
    second = Watched(client, f"{CUSTOMERS}{other.id}/")
    merge = {"duplicate": str(other.id), "reason": "Registered twice"}
    watched.write("merge/", merge, **{"If-Match": watched.tag})
    assert second.tag != second.look()["ETag"]
    second.write("unmerge/", {"reason": "Two people"}, **{"If-Match": second.tag})
    watched.look()
    watched.write("moved-away/", {"on": "2026-02-01"}, **{"If-Match": watched.tag})
    wrong = {"what": "moved_away_on", "reason": "The neighbour"}
    watched.write("correct-status/", wrong, **{"If-Match": watched.tag})


def test_whatever_changes_a_job_changes_version_and_tag(bench):
    watched = Watched(bench.client, bench.url)
    watched.write("claim/")
    watched.write("release/")
    watched.write("verify/", {"eye": "right", **GOOD["right"]})
    watched.write("verify/", {"eye": "left", **GOOD["left"]})
    watched.write("steps/verify/finish/")
    watched.write("undo/", {"reason": "Wrong tray"})
    watched.write("break-lens/", {"eye": "left", "step": "verify", "reason": "Fell"})
    watched.write("stop/", {"reason": "Asked for"})
    watched.write("resume/", {"note": "Found"})
    before = watched.answer.json()["version"]
    workshop.spoilt_record(
        actor=SYSTEM, job=bench.job, eyes=["right"], cause="called_off", borne_by="", reason="Called off"
    )
    assert watched.look().json()["version"] > before
    watched.write("cancel/", {"reason": "Enough"})


def test_whatever_changes_an_order_changes_version_and_tag(client, world):
    placed = client.post(ORDERS, world.body()).json()
    watched = Watched(client, f"{ORDERS}{placed['id']}/")
    watched.write("promise/", {"promised_on": "2026-03-20", "reason": "Lens late"})
    tag = watched.tag
    with clock.at(NOON + dt.timedelta(days=30)):
        assert watched.look().json()["is_late"] is True
    assert watched.tag != tag, "the day alone changes what is shown"
    assert watched.look()["ETag"] == tag
    watched.write("replace/", {"reason": "Another note", "note": "x"})


def test_a_prescription_has_a_tag_although_it_is_never_edited(client, mill):
    original = PrescriptionFactory(customer__branch=mill)
    watched = Watched(client, f"{PRESCRIPTIONS}{original.id}/")
    first, body = watched.tag, prescription(reason="Axis misread", right={"axis_deg": 85})
    assert client.post(f"{watched.url}amend/", body, headers={"If-Match": '"other"'}).status_code == 412
    watched.write("amend/", body, **{"If-Match": first})
    late = client.post(f"{watched.url}amend/", body, headers={"If-Match": first})
    assert (late.status_code, late["ETag"]) == (412, watched.tag)


def test_an_answer_that_the_reader_has_is_not_sent_again(client, person):
    url = f"{CUSTOMERS}{person.id}/"
    tag = client.get(url)["ETag"]
    for named in (tag, f"W/{tag}", f'"x", {tag}', "*"):
        answer = client.get(url, headers={"If-None-Match": named})
        assert (answer.status_code, answer.content, answer["ETag"]) == (304, b"", tag), named
    assert client.get(url, headers={"If-None-Match": '"1"'}).status_code == 200
    changed = client.patch(url, {"note": "x"}, headers={"If-Match": tag})
    assert changed["ETag"] == client.get(url)["ETag"] != tag


def test_of_two_who_read_the_same_the_second_is_told_and_writes_nothing(client, person):
    url = f"{CUSTOMERS}{person.id}/"
    tag = client.get(url)["ETag"]
    assert client.patch(url, {"note": "first"}, headers={"If-Match": tag}).status_code == 200
    events = OutboxEvent.objects.count()
    late = client.patch(url, {"note": "second"}, headers={"If-Match": tag})
    assert (late.status_code, late.json()["code"], late["ETag"]) == (412, "core.version_mismatch", '"2"')
    assert "Read it again" in late.json()["detail"]
    assert (client.get(url).json()["note"], OutboxEvent.objects.count()) == ("first", events)
    assert client.patch(url, {"note": "second"}).status_code == 428
    assert client.patch(url, {"note": "second"}, headers={"If-Match": f"{tag}, {late['ETag']}"}).status_code == 200
    assert client.patch(url, {"note": "third"}, headers={"If-Match": "*"}).status_code == 200
    assert client.patch(url, {"note": "4"}, headers={"If-Match": '"1", "2"'}).status_code == 412


@pytest.mark.parametrize(
    ("path", "body"), [("refuse/", {"way": "text", "purpose": "recall", "source": "phone"}), ("address-wrong/", None)]
)
def test_a_step_heeds_if_match_where_it_is_sent(client, person, path, body):
    url, body = f"{CUSTOMERS}{person.id}/", body or {"way": "email", "reason": "Came back"}
    tag = client.get(url)["ETag"]
    client.patch(url, {"note": "x"}, headers={"If-Match": tag})
    late = client.post(f"{url}{path}", body, headers={"If-Match": tag})
    assert (late.status_code, late["ETag"]) == (412, '"2"')
    assert client.get(url).json()["version"] == 2
    assert client.post(f"{url}{path}", body, headers={"If-Match": late["ETag"]}).status_code == 200
    assert client.post(f"{url}{path}", body).status_code == 200
    assert client.post(f"{CUSTOMERS}{client.get(url).json()['branch']}/{path}", body).status_code == 404


def test_a_step_at_the_bench_heeds_it_too(bench):
    tag = bench.client.get(bench.url)["ETag"]
    assert bench.post("claim", headers={"If-Match": tag}).status_code == 200
    assert bench.post("release", headers={"If-Match": tag}).status_code == 412
    assert bench.read()["holder"] is not None


def test_a_repeat_is_answered_before_if_match_is_looked_at(client, person):
    """The first attempt may have gone through: then the repeat hears so, and not that somebody was faster."""
    url = f"{CUSTOMERS}{person.id}/"
    headers = {"If-Match": client.get(url)["ETag"], "Idempotency-Key": "k-1"}
    body = {"way": "text", "purpose": "recall", "source": "phone"}
    first, again = (client.post(f"{url}refuse/", body, headers=headers) for _ in range(2))
    assert (first.status_code, again.status_code, again["Idempotent-Replayed"]) == (200, 200, "true")
    assert (again.content, again["ETag"]) == (first.content, first["ETag"])
    assert client.get(url).json()["version"] == 2


def test_a_method_that_is_not_there_is_refused_whatever_it_is_conditioned_on(client, person):
    """RFC 9110, 15.5.6: 405 with Allow, before any condition is looked at."""
    answer = client.delete(f"{CUSTOMERS}{person.pk}/merge/", headers={"If-Match": '"1"'})
    assert (answer.status_code, answer["Allow"]) == (405, "POST, OPTIONS")
