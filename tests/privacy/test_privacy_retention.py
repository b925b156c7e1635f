"""Retention: found, approved by head office, carried out in pieces that can be killed; periods are the group's rows.

Ten years after last seen, children to 25: professional guidance in the UK, see ``config/retention.py``.
"""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from opticshop.core import clock, idempotency
from opticshop.core.actor import system
from opticshop.core.duties import run_duty
from opticshop.core.models import IdempotencyRecord
from opticshop.correspondence.models import Message
from opticshop.customers.models import Customer
from opticshop.imports.models import ImportFile, ImportRow
from opticshop.prescriptions.models import Prescription
from opticshop.privacy.models import RetentionRun
from opticshop.privacy.periods import periods_at
from opticshop.privacy.rules import Period, RecordKind
from opticshop.privacy.services import retention
from tests.factories import CustomerFactory, MeasurementFactory, OrderFactory, PrescriptionFactory

pytestmark = pytest.mark.django_db
PERIODS, RUNS = "/api/v1/privacy/periods/", "/api/v1/privacy/retention-runs/"
LONG_AGO = dt.datetime(2015, 6, 1, tzinfo=dt.UTC)


def everybody():
    return Customer.objects.everywhere("test")


def seen_long_ago(branch, **details):
    customer = CustomerFactory(branch=branch, **details)
    everybody().filter(id=customer.id).update(created_at=LONG_AGO)
    PrescriptionFactory(customer=customer, branch=branch, issued_on=LONG_AGO.date(), expires_on=dt.date(2017, 6, 1))
    return customer


def names():
    return set(everybody().values_list("given_name", flat=True))


@pytest.mark.parametrize(
    ("seen", "born", "over"),
    [
        ("2016-03-02", "1984-03-09", "2026-03-02"),
        ("2016-03-02", "2010-06-01", "2035-06-01"),
        ("2016-03-02", "1998-03-02", "2026-03-02"),
        ("2016-02-29", None, "2026-03-01"),
    ],
    ids=["adult", "child to 25", "eighteen that day", "leap day"],
)
def test_the_years_run_from_the_last_visit(seen, born, over):
    period = Period(RecordKind.CLINICAL, "GB", 10, "test", "high", to_age=25)
    birth = dt.date.fromisoformat(born) if born else None
    assert period.ends(dt.date.fromisoformat(seen), birth).isoformat() == over


def test_the_group_writes_its_own_periods_from_a_day_on(api, head_office, manager):
    body = {
        "kind": "clinical", "jurisdiction": "GB", "valid_from": "2026-04-01", "years": 12, "to_age": 25,
        "source": "our adviser (invented)", "confidence": "high",
    }  # fmt: skip
    assert api(manager).post(PERIODS, body).status_code == 403
    assert api(head_office).post(PERIODS, body).status_code == 201
    assert api(head_office).post(PERIODS, body).data["code"] == "privacy.period_exists"
    assert periods_at("GB", dt.date(2026, 3, 31))[RecordKind.CLINICAL].years == 10
    assert periods_at("GB", dt.date(2026, 4, 1))[RecordKind.CLINICAL].years == 12
    assert periods_at("FR", dt.date(2026, 4, 1))[RecordKind.CLINICAL].years == 10


def test_what_is_over_goes_once_head_office_approves_and_a_killed_run_goes_on(
    api, head_office, manager, mill, monkeypatch
):
    for name in ("Anise", "Basil", "Chive"):
        seen_long_ago(mill, given_name=name)
    seen_long_ago(mill, given_name="Dill", birth_date=dt.date(2008, 1, 1))  # kept until 2033
    came = seen_long_ago(mill, given_name="Endive")
    PrescriptionFactory(customer=came, branch=mill, issued_on=dt.date(2024, 1, 1), expires_on=dt.date(2026, 1, 1))
    Message.objects.everywhere("test").create(
        branch=mill, customer=came, kind="test", subject_ref="x/1", channel="none", to="x@example.org", body="hello",
        state="sent", created_at=clock.now() - dt.timedelta(days=800),
    )  # fmt: skip
    assert run_duty("privacy.propose_retention") == 4
    assert run_duty("privacy.carry_out_retention") == 0, "nobody has approved it"
    client = api(head_office)
    [run] = client.get(RUNS).data["results"]
    assert run["found"] == {
        "persons": 3,
        "kept_records_of_erased": 0,
        "appointments_appointment": 0,
        "correspondence_message": 1,
    }
    assert len(run["examples"]["persons"]) == 3
    assert api(manager).get(RUNS).status_code == 403
    assert client.post(f"{RUNS}{run['id']}/approve/", {}, headers={"If-Match": '"1"'}).data["state"] == "approved"

    def killed(**given):
        if names().isdisjoint({"Anise"}):
            raise KeyboardInterrupt
        return erase(**given)

    erase = retention.person_erase
    monkeypatch.setattr(retention, "person_erase", killed)
    with pytest.raises(KeyboardInterrupt):
        run_duty("privacy.carry_out_retention")
    assert RetentionRun.objects.get().done["persons"] == 1, "what was done before is counted"
    monkeypatch.setattr(retention, "person_erase", erase)
    assert run_duty("privacy.carry_out_retention") == 3
    assert run_duty("privacy.carry_out_retention") == 0
    assert names() == {"(erased)", "Dill", "Endive"}
    papers = Prescription.objects.everywhere("test").values_list("customer__given_name", flat=True)
    assert set(papers) == {"Dill", "Endive"}
    done = RetentionRun.objects.get()
    assert (done.state, done.done["persons"], done.done["correspondence_message"]) == ("done", 3, 1)
    assert Message.objects.everywhere("test").get().body == ""
    assert run_duty("privacy.propose_retention") == 0


def test_a_run_reads_kept_answers_and_rows_once_for_all_whose_time_is_over(mill, head_office, api):
    people = [seen_long_ago(mill, given_name=name) for name in ("Anise", "Basil", "Chive")]
    records = {}
    for key, who in zip("abc", people, strict=True):
        claim = idempotency.claim(credential="c", route="POST /x/", key=key, body=b"")
        body = f'{{"customer": "{who.id}"}}'.encode() if key != "b" else f'{{"to": "{who.email}"}}'.encode()
        idempotency.store_answer(claim.record, status=201, body=body, content_type="application/json", headers={})
        records[key] = claim.record.id
    file = imports_file(mill)
    for number, who in enumerate([*people, CustomerFactory(branch=mill)], start=2):
        ImportRow.objects.create(file=file, number=number, cells=[who.given_name, who.family_name], state="failed")
    assert run_duty("privacy.propose_retention") == 3
    run = RetentionRun.objects.get()
    retention.run_decide(actor=system("test"), run=run, version=1, state="approved")
    with CaptureQueriesContext(connection) as seen:
        assert run_duty("privacy.carry_out_retention") == 3
    for table in ("core_idempotencyrecord", "imports_importrow"):
        reads = [each["sql"] for each in seen if f'FROM "{table}"' in each["sql"] and "made_id" not in each["sql"]]
        assert len(reads) == 2, "before, and for what was answered meanwhile"
    assert {bytes(each.body) for each in IdempotencyRecord.objects.filter(id__in=records.values())} == {b"{}"}
    left = ImportRow.objects.everywhere("test").exclude(cells=[])
    assert [row.number for row in left] == [5], "another person's row stays"
    run.refresh_from_db()
    assert (run.done["core_idempotencyrecord"], run.done["imports_importrow"]) == (3, 3)


def imports_file(branch):
    return ImportFile.objects.create(
        branch=branch, kind="customers", file_name="old.csv", content=b"x", size=1, sha256="0" * 64, state="done",
        encoding="utf-8", delimiter=",", headings=[], mapping={}, rows_total=4,
    )  # fmt: skip


def test_who_still_has_something_open_or_is_restricted_is_left_alone(mill):
    busy, held = seen_long_ago(mill, given_name="Fennel"), seen_long_ago(mill, given_name="Garlic")
    everybody().filter(id=held.id).update(restricted_at=clock.now())
    OrderFactory(
        customer=busy,
        branch=mill,
        placed_at=LONG_AGO,
        prescription=Prescription.objects.everywhere("test").get(customer=busy),
        measurement=MeasurementFactory(customer=busy, taken_at=LONG_AGO),
    )
    assert run_duty("privacy.propose_retention") == 1
    RetentionRun.objects.update(state="approved")
    run_duty("privacy.carry_out_retention")
    assert names() == {"Fennel", "Garlic"}
    assert RetentionRun.objects.get().done == {"persons_obstructed": 1}
