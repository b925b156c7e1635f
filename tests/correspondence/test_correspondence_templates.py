"""Words of the branch and of the group: which are used, what may stand in them, and that nothing is smuggled in."""

from __future__ import annotations

import pytest

from opticshop.core.duties import run_duty
from opticshop.correspondence.kinds import all_kinds
from opticshop.correspondence.models import MessageTemplate
from opticshop.correspondence.services import channel_choose, template_write
from tests.correspondence.conftest import SYSTEM, messages, queue
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/message-templates/"


def write(branch=None, language="en", form="email", body="$thing", subject="S", kind="test_recall"):
    return template_write(
        actor=SYSTEM, branch=branch, kind=kind, language=language, form=form, subject=subject, body=body
    )


def test_the_nearest_words_are_used_then_those_further_off(plugin, mill, quay, person):
    """Branch and language, branch and its own language, group, built-in: each is taken away in turn."""
    person.language, mill.language = "cy-GB", "de"
    person.save()
    mill.save()
    person.branch.refresh_from_db()
    rows = [
        write(mill, "cy", body="own, theirs"),
        write(mill, "de", body="own, ours"),
        write(None, "cy", body="group, theirs"),
        write(None, "de", body="group, ours"),
    ]
    write(quay, "cy", body="another branch")
    for number, row in enumerate(rows):
        message = queue(person, "recall", about=f"things/{number}")
        assert message.body.startswith(row.body)
        assert message.language == row.language
        MessageTemplate.objects.everywhere("test").filter(id=row.id).update(is_active=False)
    message = queue(person, "recall", about="things/built-in")
    assert (message.subject, message.language) == ("About T-7", "en")


@pytest.mark.parametrize("form", ["email", "text", "letter", "postcard"])
def test_only_what_may_stand_there_is_accepted(api, manager, mill, plugin, form):
    body = {"branch": str(mill.id), "kind": "test_recall", "language": "en", "form": form, "body": "$thing $finding"}
    answer = api(manager).post(URL, body)
    if form in ("email", "letter"):
        assert answer.status_code == 201
        return
    assert (answer.status_code, answer.json()["code"]) == (422, "correspondence.placeholder_not_allowed")
    [error] = answer.json()["errors"]
    assert (error["pointer"], error["allowed"]) == (
        "#/body",
        ["branch_name", "branch_where", "name", "thing", "wearer"],
    )
    assert api(manager).post(URL, body | {"body": "$thing"}).status_code == 201


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"body": "costs $5"}, "correspondence.template_unreadable"),
        ({"body": "$password"}, "correspondence.placeholder_not_allowed"),
        ({"subject": "A\nBcc: all"}, "correspondence.subject_has_lines"),
        ({"subject": "A\u2028B"}, "correspondence.subject_has_lines"),
        ({"kind": "nonsense"}, "correspondence.kind_unknown"),
        ({"form": "text", "body": "x" * 700, "subject": ""}, "correspondence.text_too_long"),
    ],
)
def test_words_that_cannot_be_used_are_refused_and_not_kept(api, manager, mill, plugin, changes, code):
    body = {"branch": str(mill.id), "kind": "test_recall", "language": "en", "form": "email", "body": "x"} | changes
    answer = api(manager).post(URL, body)
    assert (answer.status_code, answer.json()["code"]) == (422, code)
    preview = {name: value for name, value in body.items() if name != "language"}
    assert api(manager).post(f"{URL}preview/", preview).json()["code"] == code
    assert not MessageTemplate.objects.everywhere("test").exists()


def test_what_fills_a_template_is_not_read_as_one_and_begins_no_line(plugin, person):
    write(subject="For $name: $thing", body="$name / $thing / $$1")
    person.given_name = "$finding ${thing}"
    person.save()
    queue(person, "recall", thing="x\r\nBcc: all@example.org\x00\x1b[0m")
    run_duty("correspondence.send_due")
    [told] = plugin.email.seen
    assert told.subject == f"For $finding ${{thing}} {person.family_name}: x Bcc: all@example.org [0m"
    assert told.body.startswith(f"$finding ${{thing}} {person.family_name} / x Bcc: all@example.org [0m / $1")
    assert not any(ord(char) < 32 for char in told.subject)


def test_a_long_value_is_cut_in_the_subject_and_a_long_text_is_not_sent(plugin, person, mill):
    assert len(queue(person, thing="x" * 500).subject) == 200
    channel_choose(actor=SYSTEM, branch=mill, way="text", channel="pocket")
    texter = CustomerFactory(branch=mill, preferred_channel="text", phone_e164="+442079460019")
    assert "would be sent in" in queue(texter, thing="x" * 900).detail


def test_a_postcard_says_nothing_of_what_it_is_about(plugin, mill, person):
    channel_choose(actor=SYSTEM, branch=mill, way="letter", channel="card")
    person.preferred_channel = "letter"
    person.save()
    for number, kind in enumerate(("service", "recall")):
        queue(person, kind, about=f"things/{number}", thing="cataract", finding="glaucoma")
    run_duty("correspondence.send_due")
    assert {told.form for told in plugin.postcard.seen} == {"postcard"}
    for told in plugin.postcard.seen:
        words = f"{told.subject} {told.body}".lower()
        assert told.recipient_name in told.body
        for private in ("cataract", "glaucoma", "eye test", "examination", "prescription", "£", "recall", "due"):
            assert private not in words


def test_every_built_in_text_keeps_to_the_placeholders_that_may_stand_there():
    """A postcard and a text message say nothing of health: checked for every kind of message of this release."""
    from opticshop.correspondence.templating import allowed_placeholders
    from opticshop.correspondence.texting import MAX_SEGMENTS, text_length

    for kind in all_kinds():
        assert set(kind.open_placeholders) <= set(kind.placeholders), kind.name
        values = dict.fromkeys(allowed_placeholders(kind, "text"), "Wren Alder")
        for form in ("text", "postcard"):
            for wording in filter(None, (kind.wording, kind.for_ward)):
                _, body = wording.written(form, values | dict.fromkeys(wording.subject.get_identifiers(), "x"))
                assert text_length(body).segments <= MAX_SEGMENTS, kind.name


@pytest.mark.parametrize(
    ("language", "written"),
    [("en", "2 March 2026"), ("en-US", "2 March 2026"), ("fr", "2 mars 2026"), ("de", "2. März 2026"), ("xx", None)],
)
def test_a_day_is_written_as_people_of_the_language_write_it(language, written):
    """The forms of the languages: Unicode CLDR, long dates, from memory (for English the one of the UK)."""
    from opticshop.correspondence.wording import day_in_words

    assert day_in_words("2026-03-02", language) == written or written is None
    assert day_in_words("next week", language) == "next week"


def test_a_preview_shows_the_words_in_force_and_keeps_nothing(api, manager, clerk, outsider, mill, plugin):
    asked = {"branch": str(mill.id), "kind": "test_recall", "form": "text", "values": {"thing": "€1"}}
    assert api(clerk).post(f"{URL}preview/", asked).status_code == 403
    assert api(outsider).post(f"{URL}preview/", asked).status_code == 404
    seen = api(manager).post(f"{URL}preview/", asked).json()
    assert (seen["words_from"], seen["body"]) == ("built_in", f"{mill.name}: €1")
    assert seen["length"] == {"encoding": "gsm7", "units": len(mill.name) + 5, "segments": 1}
    assert "finding" not in seen["placeholders"]
    write(None, form="text", body="Hello $thing")
    assert api(manager).post(f"{URL}preview/", asked).json()["words_from"] == "group"
    tried = api(manager).post(f"{URL}preview/", asked | {"body": "Try $thing"}).json()
    assert (tried["words_from"], tried["body"]) == ("as_given", "Try €1")
    strange = api(manager).post(f"{URL}preview/", asked | {"values": {"secret": "x"}})
    assert (strange.status_code, strange.json()["code"]) == (422, "correspondence.preview_value_unknown")
    assert MessageTemplate.objects.everywhere("test").count() == 1
    assert messages() == []


def test_the_groups_words_are_the_head_offices_and_a_branchs_its_own(
    api, manager, head_office, clerk, outsider, mill, plugin, queries
):
    body = {"kind": "test_recall", "language": "en", "form": "email", "subject": "S", "body": "$thing"}
    assert api(manager).post(URL, body).status_code == 403
    group = api(head_office).post(URL, body)
    assert (group.status_code, group.json()["branch"]) == (201, None)
    twice = api(head_office).post(URL, body)
    assert (twice.status_code, twice.json()["code"]) == (409, "correspondence.template_exists")
    url = f"{URL}{group.json()['id']}/"
    etag = {"If-Match": group.headers["ETag"]}
    assert api(manager).patch(url, {"body": "x"}, headers=etag).status_code == 403
    bad = api(head_office).patch(url, {"body": "$nothing"}, headers=etag)
    assert bad.json()["code"] == "correspondence.placeholder_not_allowed"
    changed = api(head_office).patch(url, {"is_active": False}, headers=etag)
    assert (changed.status_code, changed.json()["version"]) == (200, 2)
    assert api(head_office).patch(url, {"is_active": True}, headers=etag).status_code == 412
    one = queries(lambda: api(clerk).get(URL))
    own = api(manager).post(URL, body | {"branch": str(mill.id)})
    assert own.status_code == 201
    assert api(outsider).get(f"{URL}{own.json()['id']}/").status_code == 404
    assert len(api(outsider).get(URL).json()["results"]) == 1
    assert len(api(clerk).get(URL).json()["results"]) == 2
    assert len(api(clerk).get(f"{URL}?of_the_group=true").json()["results"]) == 1
    assert queries(lambda: api(clerk).get(URL)) == one
    kinds = {row["name"]: row for row in api(clerk).get(f"{URL}kinds/").json()}
    assert kinds["test_recall"]["placeholders"]["postcard"] == [
        "branch_name",
        "branch_where",
        "name",
        "thing",
        "wearer",
    ]
