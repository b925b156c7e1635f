"""RFC 8058, one-click unsubscribing: a look changes nothing, a POST with ``List-Unsubscribe=One-Click`` takes effect
without cookie, token or redirect, and again is harmless."""

from __future__ import annotations

import re
import uuid

import pytest
from django.test import Client

from opticshop.core.duties import run_duty
from opticshop.correspondence.unsubscribing import Wish, address_for, token_for
from opticshop.customers.models import ConsentChange, ContactRefusal
from opticshop.customers.services import customer_merge
from tests.correspondence.conftest import SYSTEM, messages, queue
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
ONE_CLICK = {"List-Unsubscribe": "One-Click"}


def refusals():
    return sorted(ContactRefusal.objects.everywhere("test").values_list("purpose", "way"))


@pytest.fixture
def told(plugin, person, settings):
    settings.OPTICSHOP_PUBLIC_URL = "https://shop.example.org/"
    queue(person, "recall")
    run_duty("correspondence.send_due")
    [message] = plugin.email.seen
    return message


@pytest.fixture
def path(told):
    assert told.unsubscribe_url.startswith("https://shop.example.org/unsubscribe/")
    assert told.unsubscribe_url in told.body
    return told.unsubscribe_url.removeprefix("https://shop.example.org")


def test_looking_changes_nothing(path):
    client = Client(enforce_csrf_checks=True)
    for look in (client.get, client.head):
        answer = look(path)
        assert answer.status_code == 200
    page = client.get(path)
    assert refusals() == []
    assert not page.cookies
    assert page["Cache-Control"] == "no-store"
    assert page["Referrer-Policy"] == "no-referrer"
    assert "default-src 'none'" in page["Content-Security-Policy"]
    text = page.content.decode()
    assert "<script" not in text
    assert 'lang="en"' in text
    assert "Wren" not in text
    assert "wren@example.org" not in text
    assert len(re.findall(r"<button>", text)) == 2


def test_one_click_needs_no_cookie_no_csrf_token_and_does_not_redirect(path, person):
    client = Client(enforce_csrf_checks=True)
    for _ in range(2):
        answer = client.post(path, ONE_CLICK)
        assert answer.status_code == 200
        assert not answer.cookies
    assert refusals() == [("recall", "email")]
    changes = ConsentChange.objects.everywhere("test").all()
    assert [(change.purpose, change.way, change.now, change.source) for change in changes] == [
        ("recall", "email", "no", "unsubscribe_link")
    ]


def test_a_form_of_parts_is_read_as_well(path):
    """RFC 8058, section 3.1: application/x-www-form-urlencoded or multipart/form-data."""
    body = "List-Unsubscribe=One-Click"
    assert Client().post(path, body, content_type="application/x-www-form-urlencoded").status_code == 200
    assert refusals() == [("recall", "email")]


@pytest.mark.parametrize("body", [{}, {"List-Unsubscribe": "Two-Click"}])
def test_any_other_post_changes_nothing(path, body):
    assert Client().post(path, body).status_code == 400
    assert Client().put(path).status_code == 405
    assert refusals() == []


def test_what_waits_is_taken_back_and_ones_own_order_is_still_told(path, plugin, person):
    queue(person, "recall", about="things/2")
    queue(person, "marketing", about="things/3")
    queue(person, "service", about="things/4")
    Client().post(path, ONE_CLICK)
    assert [message.state for message in messages()] == ["sent", "withdrawn", "queued", "queued"]
    assert queue(person, "recall", about="things/5").state == "failed"
    run_duty("correspondence.send_due")
    assert messages()[3].state == "sent"


def test_the_two_purposes_are_apart(path, person):
    page = Client().get(path).content.decode()
    addresses = re.findall(r'action="([^"]+)"', page)
    assert len(addresses) == 2
    Client().post(addresses[1], ONE_CLICK)
    assert refusals() == [("marketing", "email")]


def test_an_address_that_was_not_made_here_is_not_found(path, person):
    token = path.rsplit("/", 1)[1]
    for wrong in (
        token[:-1],
        token + "x",
        "x",
        "a" * 500,
        token.replace(":", ";"),
        token_for(Wish(person.id, "service", "email")),
    ):
        assert Client().get(f"/unsubscribe/{wrong}").status_code == 404
        assert Client().post(f"/unsubscribe/{wrong}", ONE_CLICK).status_code == 404
    assert refusals() == []


def test_a_message_about_ones_own_order_has_no_such_address(person):
    assert address_for(person.id, "service", "email") == ""


def test_an_old_address_of_somebody_who_was_erased_or_merged_is_harmless(plugin, person, mill):
    nobody = token_for(Wish(uuid.UUID(int=7), "recall", "email"))
    assert Client().post(f"/unsubscribe/{nobody}", ONE_CLICK).status_code == 200
    double = CustomerFactory(branch=mill)
    customer_merge(actor=SYSTEM, survivor=person, duplicate=double, version=person.version, reason="Twice")
    assert Client().post(f"/unsubscribe/{token_for(Wish(double.id, 'recall', 'email'))}", ONE_CLICK).status_code == 200
    assert refusals() == [("recall", "email")] * 2
    assert queue(person, "recall").state == "failed"
