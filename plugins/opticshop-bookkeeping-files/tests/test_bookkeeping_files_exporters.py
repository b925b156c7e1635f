"""Both forms of the journal, judged from outside.

The CSV by RFC 4180 (section 2: 1. lines end in CRLF, 5. to 7. quoting), read back by Python's csv module; the plain
text by beancount, whose loader must find nothing wrong, and find what is. All entries are invented.
"""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from beancount import loader
from beancount.core.data import Balance, Open, Transaction
from hypothesis import given, settings
from hypothesis import strategies as st
from opticshop_bookkeeping_files import JournalCsv, PlainTextBooks

from opticshop.plugin_api import InvalidFacts, JournalEntry, JournalLine

CSV, PLAIN = JournalCsv(), PlainTextBooks()

ACCOUNTS = (
    ("1000", "Cash in tills", "asset", "cash"),
    ("1100", "Customers, owed to us", "asset", "receivables"),
    ("2100", "Tax on sales, owed", "liability", "output_tax"),
    ("4000", "Sales, taxable", "income", "sales"),
    ("4010", "Sales, exempt", "income", "sales_exempt"),
    ("5020", "Goodwill to customers", "expense", "goodwill"),
)


def line(role: str, debit: str = "0.00", credit: str = "0.00", **more: Any) -> JournalLine:
    code, name, kind, _ = next(account for account in ACCOUNTS if account[3] == role)
    return JournalLine(
        account=code,
        account_name=name,
        account_kind=kind,
        account_role=role,
        debit=Decimal(debit),
        credit=Decimal(credit),
        **more,
    )


def entry(*lines: JournalLine, number: int = 1, **more: Any) -> JournalEntry:
    facts: dict[str, Any] = {
        "id": f"00000000-0000-7000-8000-{number:012d}",
        "number": f"MILL-E-2026-{number:05d}",
        "booked_on": date(2026, 3, 2),
        "branch_code": "MILL",
        "currency": "GBP",
        "description": "A pair sold (invented)",
        "document": f"orders/{number}",
        "purpose": "sale",
        "posted_at": datetime(2026, 3, 2, 12, tzinfo=UTC),
    }
    return JournalEntry(lines=lines, **facts | more)


#: 160.00 with 20 % tax within and 60.00 exempt: 160 x 20 / 120 = 26.67.
SALE = entry(
    line("cash", debit="220.00", party="customers/1"),
    line("sales", credit="133.33", tax_code="standard"),
    line("output_tax", credit="26.67", tax_code="standard"),
    line("sales_exempt", credit="60.00", tax_code="exempt"),
    reference="MILL-R-2026-00001",
)
GOODWILL = entry(
    line("goodwill", debit="5.05"),
    line("cash", credit="5.05"),
    number=2,
    booked_on=date(2026, 3, 31),
    description='A "sorry" with \\ and\nanother line',
)


@st.composite
def balanced(draw: st.DrawFn) -> list[JournalEntry]:
    """Entries with any text and amounts; the last line of each brings it into balance."""
    texts = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=20)
    made = []
    for number in range(1, draw(st.integers(1, 5)) + 1):
        cents = draw(st.lists(st.integers(-10_000_000, 10_000_000).filter(bool), min_size=1, max_size=5))
        if sum(cents):
            cents.append(-sum(cents))
        if len(cents) < 2:
            continue
        roles = draw(st.lists(st.sampled_from([a[3] for a in ACCOUNTS]), min_size=len(cents), max_size=len(cents)))
        sides = [
            line(role, **{"debit" if amount > 0 else "credit": str(Decimal(abs(amount)) / 100)})
            for role, amount in zip(roles, cents, strict=True)
        ]
        made.append(
            entry(
                *sides,
                number=number,
                description=draw(texts),
                reference=draw(texts),
                booked_on=draw(st.dates(date(2026, 1, 1), date(2026, 12, 31))),
                currency=draw(st.sampled_from(("GBP", "EUR"))),
            )
        )
    return made


def rows(*entries):
    text = b"".join(CSV.export(entries)).decode()
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_the_columns_and_a_sale_line_by_line():
    cash, sales, tax, exempt = rows(SALE)
    assert cash == {
        "entry_id": "MILL-E-2026-00001",
        "line_no": "1",
        "entry_date": "2026-03-02",
        "posting_date": "2026-03-02",
        "document_type": "orders",
        "document_number": "MILL-R-2026-00001",
        "branch": "MILL",
        "account_code": "1000",
        "account_name": "Cash in tills",
        "description": "A pair sold (invented)",
        "debit": "220.00",
        "credit": "0.00",
        "currency": "GBP",
        "tax_code": "",
        "tax_base": "",
        "tax_amount": "",
        "counterparty_ref": "customers/1",
        "cost_centre": "",
        "source_id": "orders/1",
    }
    assert (sales["credit"], sales["tax_code"], sales["tax_base"]) == ("133.33", "standard", "")
    assert (tax["tax_base"], tax["tax_amount"]) == ("133.33", "26.67")
    assert (exempt["line_no"], exempt["tax_code"], exempt["tax_amount"]) == ("4", "exempt", "")


def test_a_reversal_has_its_tax_negative():
    _, _, tax, _ = rows(
        entry(
            line("cash", credit="220.00"),
            line("sales", debit="133.33", tax_code="standard"),
            line("output_tax", debit="26.67", tax_code="standard"),
            line("sales_exempt", debit="60.00"),
        )
    )
    assert (tax["debit"], tax["credit"], tax["tax_base"], tax["tax_amount"]) == ("26.67", "0.00", "-133.33", "-26.67")


def test_lines_end_in_crlf_and_quotes_are_doubled():
    text = b"".join(CSV.export([GOODWILL]))
    assert text.count(b"\r\n") == 3
    assert b'"A ""sorry"" with \\ and\nanother line"' in text


def test_a_text_that_looks_like_a_formula_is_guarded_and_a_number_is_not():
    for start in "=+-@\t\r":
        [first, _] = rows(entry(line("cash", debit="1.00"), line("sales", credit="1.00"), description=f"{start}1+1"))
        assert first["description"] == f"'{start}1+1"
        assert first["debit"] == "1.00"


def test_an_empty_journal_is_a_heading():
    assert rows() == []
    assert b"".join(CSV.export([])).startswith(b"entry_id,line_no,entry_date,")


@given(balanced())
def test_what_is_read_back_is_what_was_booked(entries):
    read = rows(*entries)
    booked = [(one, each) for one in entries for each in one.lines]
    for row, (one, each) in zip(read, booked, strict=True):
        assert (Decimal(row["debit"]), Decimal(row["credit"])) == (each.debit, each.credit)
        assert row["description"].removeprefix("'") == one.description.removeprefix("'")
    assert sum(Decimal(row["debit"]) - Decimal(row["credit"]) for row in read) == 0


def text_of(*entries, **own):
    return b"".join(PLAIN.export(entries, own)).decode()


def read(text):
    directives, errors, _ = loader.load_string(text)
    return directives, [error.message for error in errors]


def of_kind(directives, kind):
    return [directive for directive in directives if isinstance(directive, kind)]


def test_the_reader_finds_nothing_wrong_and_what_was_booked():
    directives, errors = read(text_of(SALE, GOODWILL))
    assert errors == []
    sale, sorry = of_kind(directives, Transaction)
    assert (sale.date, sale.payee, sale.narration) == (SALE.booked_on, SALE.number, SALE.description)
    assert (sale.tags, sale.meta["source"]) == (frozenset({"branch-MILL"}), "orders/1")
    assert sale.meta["reference"] == "MILL-R-2026-00001"
    assert [(posting.account, posting.units.number) for posting in sale.postings] == [
        ("Assets:1000-Cash-in-tills", Decimal("220.00")),
        ("Income:4000-Sales-taxable", Decimal("-133.33")),
        ("Liabilities:2100-Tax-on-sales-owed", Decimal("-26.67")),
        ("Income:4010-Sales-exempt", Decimal("-60.00")),
    ]
    assert sale.postings[2].meta["tax"] == "standard"
    assert sorry.narration == 'A "sorry" with \\ and another line'
    cash = next(one for one in of_kind(directives, Balance) if one.account.startswith("Assets:1000"))
    assert (str(cash.date), cash.amount.number) == ("2026-04-01", Decimal("214.95"))


@pytest.mark.parametrize(
    ("right", "wrong", "complaint"),
    [
        ("  Income:4000-Sales-taxable  -133.33", "  Income:4000-Sales-taxable  -133.34", "does not balance"),
        ("balance Assets:1000-Cash-in-tills  214.95", "balance Assets:1000-Cash-in-tills  214.94", "Balance failed"),
        ("open Expenses:5020-Goodwill-to-customers", "open Expenses:5021-Else", "unknown account"),
    ],
    ids=["a cent in an entry", "a cent in a balance", "an account never opened"],
)
def test_the_reader_finds_a_cent_that_is_wrong(right, wrong, complaint):
    text = text_of(SALE, GOODWILL)
    assert text.count(right) == 1
    assert any(complaint in message for message in read(text.replace(right, wrong))[1])


def test_two_files_can_be_read_as_one_ledger_when_they_do_not_stand_alone():
    texts = [text_of(one, plain_text_standalone=False) for one in (SALE, GOODWILL)]
    assert not any(" open " in text or " balance " in text for text in texts)
    directives, errors = read('plugin "beancount.plugins.auto_accounts"\n' + "".join(texts))
    assert errors == []
    assert len(of_kind(directives, Transaction)) == 2
    assert any("Duplicate open" in message for message in read(text_of(SALE) + text_of(SALE))[1])


def test_an_amount_finer_than_hundredths_is_refused_for_the_reader_would_grow_lenient():
    """beancount infers its tolerance from the digits written: 18.996 against hundredths would pass unnoticed."""
    fine = entry(line("cash", debit="18.996"), line("sales", credit="18.996"))
    with pytest.raises(InvalidFacts):
        text_of(fine)


def test_nothing_booked_is_an_empty_ledger():
    assert read(text_of()) == ([], [])


@settings(max_examples=40, deadline=None)
@given(balanced())
def test_any_journal_is_read_without_a_complaint(entries):
    directives, errors = read(text_of(*entries))
    assert errors == []
    assert len(of_kind(directives, Transaction)) == len(entries)
    accounts = {one.account for one in of_kind(directives, Open)}
    assert len(accounts) == len({each.account for one in entries for each in one.lines})
