"""The feed: oldest first, nothing skipped, nothing shown to whom it is not for."""

from __future__ import annotations

import ast
import datetime as dt
import uuid
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from pathlib import Path
from threading import Event

import pytest
from django.db import DatabaseError, connection, connections, transaction

from opticshop.accounts.access import actor_for
from opticshop.accounts.models import Membership
from opticshop.config.access import TABLE
from opticshop.core import outbox
from opticshop.core.errors import Forbidden
from opticshop.core.models import EventDelivery, OutboxEvent
from opticshop.integrations import cursors, event_types, feed, selectors, telling
from opticshop.integrations.models import FeedEntry, FeedHead
from tests.conftest import member

from .receiving import PAID, SYSTEM, happen, later

pytestmark = pytest.mark.django_db
FEED = "/api/v1/events/"
ROOT = Path(event_types.__file__).resolve().parents[1]


def read(client, **query):
    answer = client.get(FEED, query)
    assert answer.status_code == 200, answer.json()
    return answer.json()


def ids(page):
    return [event["id"] for event in page["results"]]


def test_every_declared_event_type_has_a_permission_that_exists():
    """Declared means: a constant in any events module of the service, found here without the code under test."""
    found = set()
    for path in sorted(ROOT.glob("*/events.py")):
        if path.parent.name == "plugin_api":
            continue
        module = import_module(f"opticshop.{path.parent.name}.events")
        found |= {value for name, value in vars(module).items() if name.isupper() and isinstance(value, str)}
    found = {value for value in found if "." in value and " " not in value}
    assert len(found) > 100
    assert event_types.declared() == found
    assert {event_types.area_of(each) for each in found} <= set(event_types.NEEDED)
    assert set(event_types.NEEDED.values()) <= {str(permission) for permission in TABLE}


def test_an_area_without_a_permission_is_read_by_nobody(api, head_office, mill):
    hidden, shown = happen(mill, "strange.happened"), happen(mill)
    page = read(api(head_office))
    assert ids(page) == [str(shown.id)]
    assert api(head_office).get(f"{FEED}{hidden.id}/").status_code == 404


def test_events_come_as_cloudevents_oldest_first(api, head_office, mill, steady_clock):
    """Attributes and their forms: CloudEvents 1.0.2, sections 'Required attributes' and JSON format, from memory."""
    first, second = happen(mill, amount="12.50"), happen(None, "catalogue.frame_added")
    page = read(api(head_office))
    assert ids(page) == [str(first.id), str(second.id)]
    event = page["results"][0]
    assert event == {
        "specversion": "1.0",
        "id": str(first.id),
        "source": "/branches/MILL",
        "type": PAID,
        "subject": "payments/1",
        "time": first.created_at.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "sequence": "00000000000000000001",
        "datacontenttype": "application/json",
        "data": {"payment": "1", "amount": "12.50"},
    }
    assert dt.datetime.fromisoformat(event["time"]) == first.created_at
    assert page["results"][1]["source"] == "/"
    assert api(head_office).get(f"{FEED}{first.id}/").json() == event


def test_a_poller_goes_on_from_its_cursor_and_gets_each_event_once(api, head_office, mill):
    client, made = api(head_office), [str(happen(mill).id) for _ in range(5)]
    got, after = [], "0"
    for more in (True, True, False, False):
        page = read(client, after=after, page_size=2)
        got, after = got + ids(page), page["cursor"]
        assert page["more"] is more
        assert f"after={after}" in page["next"]
        assert "page_size=2" in page["next"]
    assert got == made
    late = happen(mill)
    assert ids(client.get(page["next"]).json()) == [str(late.id)]


def test_the_id_of_an_event_is_a_point_too(api, head_office, mill):
    first, second = happen(mill), happen(mill)
    assert ids(read(api(head_office), after=str(first.id))) == [str(second.id)]


def test_the_cursor_moves_past_what_one_may_not_see(api, bookkeeper, mill):
    for _ in range(3):
        happen(mill, "orders.placed")
    page = read(api(bookkeeper))
    assert (page["results"], page["more"]) == ([], False)
    happen(mill)
    assert len(read(api(bookkeeper), after=page["cursor"])["results"]) == 1


def test_a_reader_of_one_branch_does_not_learn_how_much_the_group_does(api, mill, quay):
    reader = api(member("one-branch", "head_office", mill))
    mine = happen(mill)
    first = read(reader)["cursor"]
    for _ in range(3):
        happen(quay)
    page = read(reader, after=first)
    assert (page["results"], page["more"]) == ([], False)
    assert not any(text.isdigit() for text in (first, page["cursor"]))
    for tried in ("1", "4", "5", "1000"):  # plain numbers were cursors once; which of them exist is not told
        assert read(reader, after=tried)["results"] == []
    assert ids(read(reader, after="0")) == [str(mine.id)]
    late = happen(mill)
    assert ids(read(reader, after=page["cursor"])) == ids(read(reader, after="4")) == [str(late.id)]
    assert cursors.position_in(cursors.cursor_of(2**62)) == 2**62
    forged = first[:-2] + ("AA" if not first.endswith("AA") else "BB")
    assert api(member("any", "head_office", None)).get(FEED, {"after": forged}).status_code == 422


@pytest.mark.parametrize(
    ("query", "status", "code"),
    [
        ({"after": "99"}, 422, "integrations.cursor_unknown"),
        ({"after": "-1"}, 422, "integrations.cursor_unknown"),
        ({"after": "٣"}, 422, "integrations.cursor_unknown"),
        ({"after": "9" * 30}, 422, "integrations.cursor_unknown"),
        ({"after": str(uuid.uuid4())}, 422, "integrations.cursor_unknown"),
        ({"after": "\0"}, 400, "core.malformed"),
        ({"type": "billing.nothing"}, 422, "integrations.event_type_unknown"),
        ({"type": "billing.payment_taken,nonsense"}, 422, "integrations.event_type_unknown"),
        ({"type": "orders.placed"}, 403, "core.forbidden"),
        ({"branch": "MILL"}, 400, "core.malformed"),
        ({"branch": str(uuid.uuid4())}, 404, "core.not_found"),
        ({"page_size": "0"}, 400, "core.malformed"),
        ({"page_size": "9999"}, 400, "core.malformed"),
        ({"before": "1"}, 400, "core.malformed"),
    ],
)
def test_questions_that_have_no_answer(api, bookkeeper, mill, query, status, code):
    answer = api(bookkeeper).get(FEED, query)
    assert (answer.status_code, answer.json()["code"]) == (status, code), answer.json()


def test_filters_by_type_and_branch(api, head_office, mill, quay):
    here, there, other = happen(mill), happen(quay), happen(mill, "orders.placed")
    client = api(head_office)
    assert ids(read(client, type=PAID)) == [str(here.id), str(there.id)]
    assert ids(read(client, type=f"{PAID},orders.placed", branch=str(mill.id))) == [str(here.id), str(other.id)]


def test_a_role_sees_only_what_its_permissions_show(api, bookkeeper, head_office, clerk, mill):
    money, pair, script = happen(mill), happen(mill, "orders.placed"), happen(mill, "prescriptions.recorded")
    assert ids(read(api(bookkeeper))) == [str(money.id)]
    assert ids(read(api(head_office))) == [str(each.id) for each in (money, pair, script)]
    assert api(bookkeeper).get(f"{FEED}{script.id}/").status_code == 404
    assert api(clerk).get(FEED).status_code == 403
    assert api(None).get(FEED).status_code == 401


def test_a_token_sees_only_what_its_scopes_show(bookkeeper, mill):
    happen(mill)
    narrow = actor_for(bookkeeper, ["integrations:read"])
    wide = actor_for(bookkeeper, ["integrations:read", "billing:read"])
    assert not selectors.feed_visible_to(narrow).exists()
    assert selectors.feed_visible_to(wide).count() == 1
    assert not selectors.feed_visible_to(actor_for(bookkeeper, ["billing:read"])).exists()
    with pytest.raises(Forbidden):
        selectors.feed_page(narrow, after=0, size=5, types=[PAID])


def test_the_books_of_one_branch_never_show_another_or_the_group(api, mill, quay):
    local = member("localbooks", "bookkeeper", quay)
    happen(mill)
    ours = happen(quay)
    happen(None, "catalogue.frame_added")
    client = api(local)
    assert ids(read(client)) == [str(ours.id)]
    assert api(local).get(FEED, {"branch": str(mill.id)}).status_code == 404
    for entry in FeedEntry.objects.everywhere("test").exclude(event=ours):
        assert client.get(f"{FEED}{entry.event_id}/").status_code == 404
        assert client.get(FEED, {"after": str(entry.event_id)}).status_code == 422


def test_a_role_elsewhere_lends_nothing_to_the_feed_here(api, mill, quay):
    """May read payments in both branches, but the feed in one."""
    both = member("both", "bookkeeper", quay)
    Membership.objects.create(user=both, branch=mill, role="counter")
    there, here = happen(mill), happen(quay)
    assert ids(read(api(both))) == [str(here.id)]
    assert api(both).get(f"{FEED}{there.id}/").status_code == 404


def test_free_words_and_restrictions_do_not_leave_the_house(api, head_office, mill):
    data = {"order": "1", "reason": "the wearer has glaucoma", "lines": [{"note": "x", "lot": "7"}], "restricted": True}
    happen(mill, "orders.cancelled", **data)
    assert read(api(head_office))["results"][0]["data"] == {"payment": "1", "order": "1", "lines": [{"lot": "7"}]}


def payload_keys():
    """Every key that a call which records an event gives, read from the source of the service."""
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "attr", getattr(node.func, "id", "")) in RECORDING:
                dicts = [each for keyword in node.keywords for each in ast.walk(keyword.value)]
                yield from (keyword.arg for keyword in node.keywords if keyword.arg)
                yield from (
                    key.value
                    for each in dicts
                    if isinstance(each, ast.Dict)
                    for key in each.keys
                    if isinstance(key, ast.Constant)
                )


RECORDING = {"record", "_record", "_tell"}
#: Keys under which words that people write, or what says something of a wearer, would stand.
WORDS = {"reason", "remake_reason", "note", "detail", "comment", "text", "remark", "evidence", "restricted"}
# fmt: off
PERSONAL = {
    "name", "given_name", "family_name", "email", "phone", "birth_date", "address", "postcode", "guardian",
    "is_sight_impaired", "sphere", "cylinder", "axis", "addition", "prism", "base", "acuity", "power",
    "powers", "pupil_distance", "diagnosis", "eligibility",
}
# fmt: on


def test_no_payload_holds_a_person_or_a_power_and_all_free_words_are_withheld():
    keys = set(payload_keys())
    assert len(keys) > 100
    assert not keys & PERSONAL
    assert {"reason", "note", "restricted"} <= keys & WORDS <= telling.WITHHELD


def test_a_page_costs_the_same_however_much_is_on_it(api, head_office, mill, quay, queries):
    happen(mill)
    client = api(head_office)
    few = queries(lambda: read(client))
    for _ in range(10):
        happen(quay)
    assert queries(lambda: read(client)) == few


def test_placing_twice_changes_nothing_and_the_feed_cannot_be_rewritten(mill):
    event = happen(mill)
    with transaction.atomic():
        feed.place(event)
    entry = FeedEntry.objects.everywhere("test").get()
    assert (entry.position, FeedHead.objects.get().last) == (1, 1)
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        FeedEntry.objects.everywhere("test").update(position=2)


def test_what_the_outbox_gave_up_is_placed_with_the_next(mill):
    with transaction.atomic():
        lost = outbox.record(event_type=PAID, subject="x", actor=SYSTEM, branch_id=mill.id, data={})
    EventDelivery.objects.filter(handler=feed.HANDLER).update(state="dead")
    found = happen(mill)
    placed = FeedEntry.objects.everywhere("test").order_by("position").values_list("event_id", flat=True)
    assert list(placed) == [lost.id, found.id]


@pytest.mark.django_db(transaction=True)
@pytest.mark.postgresql
def test_an_event_that_commits_late_is_not_skipped(head_office, mill):
    """Its id, a UUIDv7, is made first; it commits last. A cursor over ids would be past it. SQLite is serial."""
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has one writer at a time: nothing commits late there")
    written, go_on = Event(), Event()

    def slow():
        try:
            with transaction.atomic():
                event = outbox.record(event_type=PAID, subject="slow", actor=SYSTEM, branch_id=mill.id, data={})
                written.set()
                assert go_on.wait(20)
            return event.id
        finally:
            connections.close_all()

    books = actor_for(head_office)
    with ThreadPoolExecutor(1) as pool:
        late = pool.submit(slow)
        assert written.wait(20)
        quick = happen(mill)
        before = selectors.feed_page(books, after=0, size=10)
        assert [entry.event_id for entry in before.entries] == [quick.id]
        go_on.set()
        late_id = late.result(20)
    assert late_id < quick.id, "by its id it would have to come before what was read already"
    with later(60):  # the clock of the other thread runs on
        outbox.deliver_all()
    after = selectors.feed_page(books, after=before.after, size=10)
    assert [entry.event_id for entry in after.entries] == [late_id]


@pytest.mark.django_db(transaction=True)
@pytest.mark.postgresql
def test_whoever_gives_out_positions_makes_the_next_wait(head_office, mill):
    """So a position is never committed after a greater one."""
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has one writer at a time")
    placed, go_on = Event(), Event()

    def made():
        with transaction.atomic():
            return outbox.record(event_type=PAID, subject="x", actor=SYSTEM, branch_id=mill.id, data={})

    def place(event, then=lambda: None):
        try:
            with transaction.atomic():
                feed.place(event)
                then()
        finally:
            connections.close_all()

    def hold():
        placed.set()
        assert go_on.wait(20)

    FeedHead.objects.create()
    books, one = actor_for(head_office), made()
    with ThreadPoolExecutor(2) as pool:
        slow = pool.submit(place, one, hold)
        assert placed.wait(20)
        two = made()
        quick = pool.submit(place, two)
        with pytest.raises(TimeoutError):
            quick.result(0.5)
        assert selectors.feed_page(books, after=0, size=10) == selectors.FeedPage([], 0, False)
        go_on.set()
        slow.result(20)
        quick.result(20)
    page = selectors.feed_page(books, after=0, size=10)
    assert [(entry.position, entry.event_id) for entry in page.entries] == [(1, one.id), (2, two.id)]


@pytest.mark.django_db(transaction=True)
@pytest.mark.postgresql
def test_a_poller_beside_many_writers_and_workers_gets_every_event_once(head_office, mill):
    if connection.vendor != "postgresql":
        pytest.skip("parallel writers are tried on PostgreSQL")
    writers, each, books = 4, 25, actor_for(head_office)

    def run(call):
        try:
            return call()
        finally:
            connections.close_all()

    def write():
        for number in range(each):
            with transaction.atomic():
                outbox.record(event_type=PAID, subject=f"{number}", actor=SYSTEM, branch_id=mill.id, data={})

    done = Event()

    def work():
        while not done.is_set():
            outbox.deliver_due(20)

    FeedHead.objects.create()
    got, after = [], 0
    with ThreadPoolExecutor(writers + 2) as pool:
        writing = [pool.submit(run, write) for _ in range(writers)]
        working = [pool.submit(run, work) for _ in range(2)]
        for _ in range(2000):
            page = selectors.feed_page(books, after=after, size=7)
            got, after = got + [entry.event_id for entry in page.entries], page.after
            if len(got) >= writers * each:
                break
        done.set()
        [future.result(30) for future in writing + working]
    with later(60):
        outbox.deliver_all()
    got += [entry.event_id for entry in selectors.feed_page(books, after=after, size=200).entries]
    assert len(got) == writers * each
    assert set(got) == set(OutboxEvent.objects.values_list("id", flat=True))
    assert not EventDelivery.objects.exclude(last_error="").exists(), "the lock makes them wait, not fail"
    positions = list(FeedEntry.objects.everywhere("test").order_by("position").values_list("position", flat=True))
    assert positions == list(range(1, writers * each + 1)), "no gap: a reader could not tell one from a late event"
