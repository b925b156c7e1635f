"""The bookkeeper's endpoints: what they show, to whom, at what cost."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib

import pytest

from opticshop.core.actor import system
from opticshop.ledger.chart import CHART
from opticshop.ledger.services import export_make, journal_reverse, period_close

from .conftest import DAY, book, credit, debit

pytestmark = pytest.mark.django_db
V1 = "/api/v1"


@pytest.fixture
def books(api, bookkeeper):
    return api(bookkeeper)


def test_the_chart_by_code(books):
    rows = books.get(f"{V1}/ledger-accounts/").json()["results"]
    assert [row["code"] for row in rows] == sorted(row.code for row in CHART)
    assert rows[0] == {"id": rows[0]["id"], "code": "1000", "name": "Cash in tills", "kind": "asset", "role": "cash"}
    assert books.get(f"{V1}/ledger-accounts/{rows[0]['id']}/").json() == rows[0]
    assert {row["kind"] for row in books.get(f"{V1}/ledger-accounts/?kind=income").json()["results"]} == {"income"}
    assert books.get(f"{V1}/ledger-accounts/?kind=nonsense").status_code == 400


def test_an_entry_with_its_lines(books, mill):
    entry = book(mill, document="payments/1", reference="MILL-R-2026-00001")
    shown = books.get(f"{V1}/journal-entries/{entry.id}/").json()
    assert (shown["number"], shown["total"], shown["booked_on"]) == ("MILL-E-2026-00001", "220.00", "2026-03-02")
    assert shown["lines"][1] == {
        "line_no": 2,
        "account": "4000",
        "account_name": "Sales, taxable",
        "debit": "0.00",
        "credit": "133.33",
        "tax_code": "standard",
        "party": "",
    }
    assert (shown["reverses"], shown["reversed_by"]) == (None, None)
    mirror = journal_reverse(actor=system("test"), entry=entry, booked_on=DAY, reason="Typed twice")
    assert books.get(f"{V1}/journal-entries/{entry.id}/").json()["reversed_by"] == str(mirror.id)
    assert books.get(f"{V1}/journal-entries/{mirror.id}/").json()["reverses"] == str(entry.id)


def test_entries_are_found_by_what_bookkeeping_asks_for(books, mill, quay):
    book(mill, document="payments/1", booked_on=dt.date(2026, 2, 27))
    book(mill, debit("cash", "9.00", party="customers/7"), credit("sales_exempt", "9.00"), document="payments/2")
    book(quay, document="payments/3")

    def found(query):
        results = books.get(f"{V1}/journal-entries/?{query}").json()["results"]
        return [row["document"].removeprefix("payments/") for row in results]

    assert found("") == ["3", "2", "1"]
    assert found(f"branch={mill.id}") == ["2", "1"]
    assert found("account=1000") == ["2"]
    assert found("account=4010") == ["3", "2", "1"]
    assert found("party=customers/7") == ["2"]
    assert found("booked_from=2026-03-01") == ["3", "2"]
    assert found("booked_to=2026-02-28") == ["1"]
    assert found("document=payments/3") == found("number=QUAY-E-2026-00001") == ["3"]
    assert found("account=none") == []


def test_a_list_costs_the_same_however_long(books, mill, queries):
    def cost():
        return queries(lambda: books.get(f"{V1}/journal-entries/"))

    book(mill)
    cost()
    one = cost()
    for _ in range(5):
        book(mill)
    assert cost() == one <= 4 + 4, "four write down who read"


def test_nothing_is_typed_in_or_changed(books, mill):
    entry = book(mill)
    assert books.post(f"{V1}/journal-entries/", {}).status_code == 405
    for change in (books.patch, books.delete, books.put):
        assert change(f"{V1}/journal-entries/{entry.id}/", {}).status_code == 405


def test_not_yours_is_not_there(api, outsider, manager, clerk, mill, quay):
    entry = book(mill)
    assert api(outsider).get(f"{V1}/journal-entries/{entry.id}/").status_code == 404
    assert api(outsider).get(f"{V1}/journal-entries/").json()["results"] == []
    assert api(outsider).get(f"{V1}/trial-balance/").json()["rows"] == []
    assert api(outsider).get(f"{V1}/trial-balance/?branch={mill.id}").status_code == 404
    assert api(manager).get(f"{V1}/journal-entries/{entry.id}/").status_code == 200
    for path in ("ledger-accounts", "journal-entries", "trial-balance", "accounting-periods", "journal-exports"):
        assert api(clerk).get(f"{V1}/{path}/").status_code == 403, path
        assert api(None).get(f"{V1}/{path}/").status_code == 401, path
    assert api(manager).get(f"{V1}/journal-exports/").status_code == 403


def test_the_trial_balance_of_a_stretch_of_days(books, mill, quay):
    book(mill, debit("cash", "10.00"), credit("sales", "10.00"), booked_on=dt.date(2026, 2, 27))
    book(mill)
    book(quay, debit("cash", "7.00"), credit("sales", "7.00"))
    shown = books.get(f"{V1}/trial-balance/?branch={mill.id}&booked_from=2026-03-01&booked_to=2026-03-31").json()
    rows = {row["code"]: (row["opening"], row["debit"], row["credit"], row["closing"]) for row in shown["rows"]}
    assert rows == {
        "1000": ("10.00", "0.00", "0.00", "10.00"),
        "1010": ("0.00", "220.00", "0.00", "220.00"),
        "2100": ("0.00", "0.00", "26.67", "-26.67"),
        "4000": ("-10.00", "0.00", "133.33", "-143.33"),
        "4010": ("0.00", "0.00", "60.00", "-60.00"),
    }
    assert shown["sums"] == [{"currency": "GBP", "debit": "220.00", "credit": "220.00"}]
    group = books.get(f"{V1}/trial-balance/").json()
    assert group["branch"] is None
    assert group["sums"] == [{"currency": "GBP", "debit": "237.00", "credit": "237.00"}]
    assert books.get(f"{V1}/trial-balance/?booked_to=2026-02-01").json()["rows"] == []


def test_takings_by_rate_are_the_trial_balance_by_tax_code(books, mill):
    book(mill)
    book(mill, debit("cash", "10.50"), credit("sales", "10.00", tax_code="reduced"), credit("output_tax", "0.50"))
    shown = books.get(f"{V1}/trial-balance/?by_tax_code=true").json()["rows"]
    assert [(row["tax_code"], row["credit"]) for row in shown if row["code"] == "4000"] == [
        ("reduced", "10.00"),
        ("standard", "133.33"),
    ]


@pytest.mark.parametrize("query", ["branch=nonsense", "booked_from=tomorrow", "unknown=1", "by_tax_code=perhaps"])
def test_a_question_that_cannot_be_read_is_refused(books, query):
    assert books.get(f"{V1}/trial-balance/?{query}").status_code == 400


def test_currencies_are_not_added_up(books, mill, quay):
    quay.currency = "EUR"
    book(mill)
    book(quay)
    assert [row["currency"] for row in books.get(f"{V1}/trial-balance/").json()["sums"]] == ["EUR", "GBP"]


def test_a_month_is_closed_and_opened_again(books, api, manager, outsider, mill):
    closed = books.post(f"{V1}/accounting-periods/", {"month": "2026-02", "branch": str(mill.id)}, format="json")
    assert closed.status_code == 201
    shown = closed.json()
    assert (shown["month"], shown["is_closed"], shown["branch"]) == ("2026-02", True, str(mill.id))
    again = books.post(f"{V1}/accounting-periods/", {"month": "2026-02", "branch": str(mill.id)}, format="json")
    assert (again.status_code, again.json()["code"]) == (409, "ledger.period_already")
    company = books.post(f"{V1}/accounting-periods/", {"month": "2026-01"}, format="json").json()
    assert company["branch"] is None
    assert len(api(manager).get(f"{V1}/accounting-periods/").json()["results"]) == 2
    assert [p["id"] for p in api(outsider).get(f"{V1}/accounting-periods/").json()["results"]] == [company["id"]]
    path = f"{V1}/accounting-periods/{shown['id']}/reopen/"
    assert api(manager).post(path, {"reason": "Late"}, format="json").status_code == 403
    assert books.post(path, {}, format="json").status_code == 400
    opened = books.post(path, {"reason": "An invoice came late"}, format="json").json()
    assert (opened["is_closed"], opened["reason"]) == (False, "An invoice came late")
    listed = books.get(f"{V1}/accounting-periods/?is_closed=true").json()["results"]
    assert [row["id"] for row in listed] == [company["id"]]


@pytest.mark.parametrize(
    ("month", "status", "code"),
    [
        ("2026-03", 422, "ledger.period_not_over"),
        ("2026-13", 400, None),
        ("1999-01", 400, None),
        ("2099-12", 422, None),
    ],
)
def test_a_month_that_cannot_be_closed(books, mill, month, status, code):
    answer = books.post(f"{V1}/accounting-periods/", {"month": month}, format="json")
    assert answer.status_code == status
    assert code is None or answer.json()["code"] == code


def test_a_batch_is_made_shown_and_sent(books, mill):
    book(mill)
    made = books.post(f"{V1}/journal-exports/", {"exporter": "journal-csv"}, format="json")
    assert made.status_code == 201
    batch = made.json()
    assert (batch["entry_count"], batch["line_count"], batch["totals"]) == (1, 4, {"GBP": "220.00"})
    assert books.get(f"{V1}/journal-exports/{batch['id']}/").json() == batch
    sent = books.get(f"{V1}/journal-exports/{batch['id']}/file/", headers={"Accept": "text/csv"})
    assert (sent.status_code, sent["Content-Type"], sent.streaming) == (200, "text/csv", True)
    content = sent.getvalue()
    digest = hashlib.sha256(content).digest()
    assert digest.hex() == batch["sha256"]
    assert sent["Repr-Digest"] == f"sha-256=:{base64.b64encode(digest).decode()}:"
    assert sent["Content-Disposition"] == 'attachment; filename="group-journal-csv-1.csv"'
    assert books.get(f"{V1}/journal-exports/{batch['id']}/file/").getvalue() == content
    nothing = books.post(f"{V1}/journal-exports/", {"exporter": "journal-csv"}, format="json")
    assert (nothing.status_code, nothing.json()["code"]) == (409, "ledger.nothing_to_export")
    unknown = books.post(f"{V1}/journal-exports/", {"exporter": "nobody-brings-this"}, format="json")
    assert unknown.status_code == 409


def test_asking_twice_with_one_key_makes_one_batch(books, mill):
    book(mill)
    key = {"Idempotency-Key": "nightly-2026-03-02"}
    first, second = (
        books.post(f"{V1}/journal-exports/", {"exporter": "journal-csv"}, format="json", headers=key) for _ in range(2)
    )
    assert first.json()["id"] == second.json()["id"]
    assert (first.status_code, second.status_code) == (201, 201)


def test_the_formats_there_are(books, mill):
    shown = books.get(f"{V1}/journal-exports/exporters/").json()
    assert {"journal-csv", "plain-text-books"} <= {row["name"] for row in shown}
    assert books.get(f"{V1}/journal-exports/exporters/?branch={mill.id}").json() == shown
    assert books.get(f"{V1}/journal-exports/exporters/?branch=1").status_code == 400


def test_batches_of_the_group_are_shown_to_whoever_may_export_all(api, mill, quay, bookkeeper):
    from tests.conftest import member

    at_mill = api(member("books-mill", "bookkeeper", mill))
    book(mill)
    group = export_make(actor=system("test"), exporter="journal-csv")
    own = export_make(actor=system("test"), exporter="journal-csv", branch=mill)
    assert [row["id"] for row in at_mill.get(f"{V1}/journal-exports/").json()["results"]] == [str(own.id)]
    for path in ("", "file/"):
        assert at_mill.get(f"{V1}/journal-exports/{group.id}/{path}").status_code == 404
        assert at_mill.get(f"{V1}/journal-exports/{own.id}/{path}").status_code == 200
    assert at_mill.post(f"{V1}/journal-exports/", {"exporter": "journal-csv"}, format="json").status_code == 403
    assert at_mill.post(f"{V1}/accounting-periods/", {"month": "2026-02"}, format="json").status_code == 403
    other = {"exporter": "journal-csv", "branch": str(quay.id)}
    assert at_mill.post(f"{V1}/journal-exports/", other, format="json").status_code == 404
    assert len(api(bookkeeper).get(f"{V1}/journal-exports/").json()["results"]) == 2


def test_lists_of_months_and_batches_cost_the_same_however_long(books, mill, queries):
    def cost():
        return [queries(lambda p=path: books.get(f"{V1}/{p}/")) for path in ("accounting-periods", "journal-exports")]

    book(mill)
    export_make(actor=system("test"), exporter="journal-csv")
    period_close(actor=system("test"), month=dt.date(2025, 1, 1))
    cost()
    one = cost()
    for month in range(2, 6):
        book(mill)
        export_make(actor=system("test"), exporter="journal-csv")
        period_close(actor=system("test"), month=dt.date(2025, month, 1))
    assert cost() == one
    assert max(one) <= 3
