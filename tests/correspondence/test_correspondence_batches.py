"""Letters: gathered once, printed, posted by a person who says so, or put back."""

from __future__ import annotations

import pytest

from opticshop.core.duties import run_duty
from opticshop.correspondence.services import channel_choose
from tests.correspondence.conftest import GONE, SYSTEM, later, messages, queue
from tests.factories import CustomerFactory
from tests.workshop.conftest import events_of

pytestmark = pytest.mark.django_db
URL = "/api/v1/letter-batches/"


@pytest.fixture
def letters(plugin, mill):
    channel_choose(actor=SYSTEM, branch=mill, way="letter", channel="envelope")
    people = CustomerFactory.create_batch(3, branch=mill, preferred_channel="letter", address="2 Fen Road")
    return [queue(one, about=f"things/{number}") for number, one in enumerate(people)]


@pytest.fixture
def asked(mill):
    return {"branch": str(mill.id), "channel": "envelope"}


def make(client, asked, key="k-1"):
    return client.post(URL, asked, headers={"Idempotency-Key": key})


def states():
    return [message.state for message in messages()]


def test_letters_wait_for_a_batch_and_are_not_sent_one_by_one(letters, plugin):
    assert run_duty("correspondence.send_due") == 0
    assert states() == ["queued"] * 3
    assert not plugin.letter.seen


def test_a_batch_is_made_once_printed_and_posted(letters, plugin, api, manager, asked):
    client = api(manager)
    made = make(client, asked)
    assert (made.status_code, made.json()["count"]) == (201, 3), made.json()
    assert make(client, asked).json() == made.json()
    nothing = make(client, asked, "k-2")
    assert (nothing.status_code, nothing.json()["code"]) == (409, "correspondence.nothing_to_post")
    url = f"{URL}{made.json()['id']}/"
    early = client.post(f"{url}posted/", {})
    assert (early.status_code, early.json()["code"]) == (409, "correspondence.not_printed")
    document = client.get(f"{url}document/")
    assert document["Content-Type"] == "application/pdf"
    assert document.content == b"%PDF-1.4 " + " ".join(str(letter.id) for letter in letters).encode()
    assert client.get(f"{url}document/").content == document.content
    assert [told.to for told in plugin.letter.seen] == ["2 Fen Road\nGB"] * 3
    with later(hours=1):
        assert run_duty("correspondence.send_due") == 0
    assert states() == ["sending"] * 3
    for day in ("2026-03-03", "2026-01-01"):
        wrong = client.post(f"{url}posted/", {"posted_on": day})
        assert (wrong.status_code, wrong.json()["code"]) == (422, "correspondence.posted_day_implausible")
    posted = client.post(f"{url}posted/", {})
    assert (posted.status_code, posted.json()["posted_on"]) == (200, "2026-03-02")
    assert "manager" in posted.json()["closed_by"].lower()
    assert states() == ["sent"] * 3
    assert len(events_of("correspondence.sent")) == 3
    again = client.post(f"{url}posted/", {})
    assert (again.status_code, again.json()["code"]) == (409, "core.move_not_allowed")
    assert client.post(f"{url}void/", {"reason": "x"}).status_code == 409


def test_a_batch_that_was_not_posted_is_put_back(letters, api, manager, asked):
    client = api(manager)
    url = f"{URL}{make(client, asked).json()['id']}/"
    client.get(f"{url}document/")
    void = client.post(f"{url}void/", {"reason": "The printer ate them"})
    assert (void.status_code, void.json()["state"]) == (200, "void")
    assert states() == ["queued"] * 3
    assert make(client, asked, "k-2").json()["count"] == 3


def test_each_letter_is_looked_at_anew_when_it_is_gathered(letters, api, manager, asked, plugin):
    GONE["things/0"] = "It was settled."
    other = letters[1].customer
    other.preferred_channel = "email"
    other.save()
    made = make(api(manager), asked)
    assert made.json()["count"] == 1
    assert states() == ["withdrawn", "queued", "sending"]
    assert run_duty("correspondence.send_due") == 1
    assert [told.to for told in plugin.email.seen] == [other.email]


def test_a_letter_that_cannot_be_printed_is_named_and_the_batch_can_be_put_back(letters, api, manager, asked):
    person = CustomerFactory(branch=letters[0].branch, preferred_channel="letter", address="3 Fen Road")
    queue(person, finding="unprintable")
    client = api(manager)
    url = f"{URL}{make(client, asked).json()['id']}/"
    refused = client.get(f"{url}document/", headers={"Accept": "application/pdf"})
    assert refused.status_code == 409
    assert client.post(f"{url}void/", {"reason": "One cannot be printed"}).status_code == 200


def test_other_channels_and_other_roles_make_no_batch(letters, api, manager, clerk, outsider, asked, queries):
    assert make(api(clerk), asked).status_code == 403
    assert make(api(outsider), asked).status_code == 404
    assert api(manager).post(URL, asked).status_code == 400
    wrong = make(api(manager), asked | {"channel": "post-box"})
    assert (wrong.status_code, wrong.json()["code"]) == (422, "correspondence.channel_does_not_batch")
    made = make(api(manager), asked, "k-2").json()
    assert api(outsider).get(f"{URL}{made['id']}/").status_code == 404
    assert api(outsider).get(f"{URL}{made['id']}/document/").status_code == 404
    client = api(clerk)
    one = queries(lambda: client.get(URL))
    client_manager = api(manager)
    client_manager.post(f"{URL}{made['id']}/void/", {"reason": "x"})
    make(client_manager, asked, "k-3")
    assert queries(lambda: client.get(URL)) == one
    assert len(client.get(f"{URL}?state=made").json()["results"]) == 1
