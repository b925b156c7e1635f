"""Customers from a file, end to end through the API."""

from __future__ import annotations

import pytest

from opticshop.core.duties import run_duty
from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer
from tests.imports.conftest import PEOPLE, URL, codes, csv_of, done, refused, rows, sent

pytestmark = pytest.mark.django_db
HEAD = "First name,Surname"


def people():
    return list(Customer.objects.everywhere("test").order_by("id"))


def events():
    return list(OutboxEvent.objects.order_by("id").values_list("type", flat=True))


def test_a_file_is_read_and_its_columns_are_proposed(uploaded):
    file = uploaded(PEOPLE)
    assert (file["encoding"], file["delimiter"], file["detected"]) == ("utf-8", ";", ["encoding", "delimiter"])
    assert file["mapping"] == {
        "external_id": "Customer No",
        "given_name": "First name",
        "family_name": "Surname",
        "birth_date": "DOB",
        "phone": "Mobile",
        "postcode": "Post code",
    }
    assert (file["state"], file["rows_total"], len(file["preview"])) == ("uploaded", 2, 2)
    assert file["preview"][1][:2] == ["A-2", "Zoë"]


def test_a_file_runs_from_upload_to_customers(api, head_office, mill, uploaded):
    client, file = api(head_office), uploaded(PEOPLE)
    at = f"{URL}{file['id']}/"
    amended = client.patch(at, {"date_format": "DD/MM/YYYY"}, headers={"If-Match": f'"{file["version"]}"'})
    assert done(amended)["date_format"] == "DD/MM/YYYY"
    tried = done(client.post(f"{at}dry-run/", {}))["tried"]
    assert (tried["would_take_over"], tried["would_fail"], tried["problems"]) == (2, 0, [])
    assert not people()
    assert events() == ["imports.uploaded"]
    assert done(client.post(f"{at}run/", {}))["counts"] == {"pending": 2, "done": 0, "failed": 0, "skipped": 0}
    assert run_duty("imports.apply") == 2
    assert run_duty("imports.apply") == 0
    whole = done(client.get(at))
    assert (whole["state"], whole["counts"]["done"], whole["preview"]) == ("done", 2, [])
    wren, zoe = people()
    assert (wren.phone_e164, str(wren.birth_date), wren.branch) == ("+442079460018", "1984-03-09", mill)
    assert zoe.search_family == "o marsh (invented)"
    assert [(row.external_id, row.made_type, row.made_id) for row in rows()] == [
        ("A-1", "customers", wren.id),
        ("A-2", "customers", zoe.id),
    ]
    assert events() == ["imports.uploaded", "imports.started", *["customers.registered"] * 2, "imports.finished"]


def test_days_in_another_form_are_named_with_what_would_be_right(api, head_office, uploaded):
    file = uploaded(PEOPLE)
    tried = done(api(head_office).post(f"{URL}{file['id']}/dry-run/", {}))["tried"]
    assert tried["would_fail"] == 2
    assert tried["problems"][0] == {
        "row": 2,
        "state": "failed",
        "field": "birth_date",
        "column": "DOB",
        "code": "imports.cell_unreadable",
        "detail": "'09/03/1984' cannot be read.",
        "allowed": "a day as YYYY-MM-DD",
    }


def test_failed_rows_come_back_as_a_file_to_be_corrected(api, head_office, mill, ran):
    file = ran(csv_of(f"{HEAD},Email,Mobile", "Wren,Alder,wren@example.org,12", "=cmd(),Fell,not an address,"))
    assert (file["state"], file["counts"]) == ("done", {"pending": 0, "done": 0, "failed": 2, "skipped": 0})
    assert codes() == ["customers.phone_unreadable", "core.invalid"]
    answer = api(head_office).get(f"{URL}{file['id']}/errors.csv/", headers={"Accept": "text/csv"})
    text = answer.getvalue().decode()
    assert answer["Content-Type"].startswith("text/csv")
    head, first, second, _ = text.split("\r\n")
    assert head == "import_row,import_problems,First name,Surname,Email,Mobile"
    assert first.startswith("2,")
    assert "too many or too few digits" in first
    assert "'=cmd()" in second
    corrected = text.replace(",12\r\n", ",020 7946 0018\r\n").replace("not an address", "")
    again = done(sent(api(head_office), mill, corrected), 201)
    assert "import_row" not in again["mapping"].values()
    done(api(head_office).post(f"{URL}{again['id']}/run/", {}))
    run_duty("imports.apply")
    assert [person.given_name for person in people()] == ["Wren", "=cmd()"]


def test_failing_again_does_not_heap_up_our_columns(api, head_office, mill, ran):
    first = ran(csv_of(f"{HEAD},Mobile", "Wren,Alder,12"))
    once = api(head_office).get(f"{URL}{first['id']}/errors.csv/").getvalue()
    second = ran(once)
    twice = api(head_office).get(f"{URL}{second['id']}/errors.csv/").getvalue()
    assert once == twice


def test_the_same_file_is_taken_once_unless_asked_for_again(api, head_office, mill, quay, uploaded):
    first = uploaded(PEOPLE)
    problem = refused(sent(api(head_office), mill, PEOPLE), 409, "imports.already_uploaded")
    assert problem["known"] == first["id"]
    assert done(sent(api(head_office), mill, PEOPLE, again="true"), 201)["is_repeat"] is True
    done(sent(api(head_office), quay, PEOPLE), 201)
    done(sent(api(head_office), mill, PEOPLE, "prescriptions"), 201)


def test_a_cancelled_file_may_be_uploaded_again(api, head_office, mill, uploaded):
    first = uploaded(PEOPLE)
    assert done(api(head_office).post(f"{URL}{first['id']}/cancel/", {}))["state"] == "cancelled"
    done(sent(api(head_office), mill, PEOPLE), 201)
    refused(api(head_office).post(f"{URL}{first['id']}/run/", {}), 409, "core.move_not_allowed")


def test_a_row_with_its_own_key_is_taken_over_once_whatever_the_file(ran):
    ran(PEOPLE, date_format="DD/MM/YYYY")
    file = ran(PEOPLE + "A-3;Tern;Fell (invented);;;;\r\nA-3;Tern;Again (invented);;;;\r\n", date_format="DD/MM/YYYY")
    assert file["counts"] == {"pending": 0, "done": 1, "failed": 0, "skipped": 3}
    assert codes() == ["imports.already_there"] * 3
    assert len(people()) == 3


@pytest.mark.parametrize(("choice", "registered"), [("skip", 1), ("import", 2)])
def test_near_duplicates_are_reported_and_skipped_or_imported(ran, choice, registered):
    file = ran(csv_of(f"{HEAD},Email", "Wren,Alder,w@example.org", "W.,Alder,W@example.org"), near_duplicates=choice)
    assert len(people()) == registered
    assert file["counts"]["skipped"] == 2 - registered
    if choice == "skip":
        [problem] = rows()[1].problems
        assert problem["code"] == "imports.near_duplicate"
        assert str(people()[0].id) in problem["detail"]
        assert events().count("customers.registered") == 1


def test_consent_is_never_made_up(ran):
    head = f"{HEAD},Marketing,Recalls,Consent date,Consent source"
    ran(
        csv_of(
            head,
            "Wren,Alder,,,,",
            "Tern,Fell,yes,no,2024-05-01,paper form 12 (invented)",
            "Lark,Heath,yes,,,",
            "Rook,Stone,maybe,,,",
        )
    )
    wren, tern = people()
    assert (wren.wants_marketing, wren.wants_recalls) == (False, False)
    assert (tern.wants_marketing, tern.wants_recalls) == (True, False)
    assert tern.note == "Consent to marketing of 2024-05-01: paper form 12 (invented)"
    assert codes() == ["imports.consent_unproved", "imports.consent_unproved", "imports.cell_unreadable"]


def test_details_reach_the_customer(ran):
    head = f"{HEAD},Street,Town,Postcode,Country,Mobile,Landline,Contact by,Notes,Sight impaired"
    ran(csv_of(head, 'Wren,Alder,"1 Mill Lane, back",Millrace,AB1 2CD,gb,07700 900123,020 7946 0018,SMS,likes blue,y'))
    assert codes() == []
    [wren] = people()
    assert wren.address == "1 Mill Lane, back\nMillrace"
    assert (wren.country, wren.phone_e164, wren.preferred_channel) == ("GB", "+447700900123", "text")
    assert wren.note == "likes blue\nSecond phone: +442079460018"
    assert wren.is_sight_impaired


def test_rows_that_cannot_be_right_are_named_and_the_others_go_over(ran):
    file = ran(
        csv_of(
            f"{HEAD},DOB,Country",
            "Wren,Alder,1984-03-09,GB",
            "Tern,Fell,2090-01-01,GB",
            ",Heath,,GB",
            f"{'x' * 81},Heath,,GB",
            "Rook,Stone,,Scotland",
            "Rook,Stone",
            f"Rook,{'x' * 2001},,GB",
        )
    )
    assert file["counts"] == {"pending": 0, "done": 1, "failed": 6, "skipped": 0}
    assert codes() == [
        "customers.birth_date_implausible",
        "core.required",
        "core.max_length",
        "core.invalid",
        "imports.row_ragged",
        "imports.cell_too_long",
    ]
    assert [problem["column"] for row in rows() for problem in row.problems] == [
        "DOB",
        "First name",
        "First name",
        "Country",
        "",
        "Surname",
    ]


def test_a_phone_number_that_was_guarded_against_spreadsheets_is_read(ran):
    ran(csv_of(f"{HEAD},Mobile", "Wren,Alder,'+44 20 7946 0018"))
    assert people()[0].phone_e164 == "+442079460018"
