"""The contract of invoices: facts that do not agree to the smallest unit cannot be made."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from opticshop.plugin_api import InvalidFacts, InvoiceReference
from opticshop.plugin_api.testing.samples import invoices

D = Decimal
WORKED, CREDITED = invoices()
FRAME, LENS = WORKED.lines
TAXED, EXEMPT = WORKED.subtotals


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"lines": ()}, "lines"),
        ({"original": InvoiceReference(number="N", issued_on=date(2024, 1, 1))}, "original"),
        ({"kind": "credit_note"}, "original"),
        ({"lines": (FRAME, replace(LENS, number=1))}, "lines"),
        ({"lines": (FRAME, replace(LENS, price=D("150.01")))}, "lines"),
        ({"lines": (FRAME, replace(LENS, net=D("300.001"), price=D("150.0005")))}, "lines"),
        ({"subtotals": (TAXED,)}, "subtotals"),
        ({"subtotals": (TAXED, EXEMPT, EXEMPT)}, "subtotals"),
        ({"subtotals": (replace(TAXED, taxable=D("100.01")), EXEMPT)}, "subtotals"),
        ({"subtotals": (replace(TAXED, tax=D("20.01")), EXEMPT)}, "subtotals"),
        ({"net_total": D("400.01")}, "net_total"),
        ({"tax_total": D("20.01")}, "tax_total"),
        ({"total": D("420.01")}, "total"),
        ({"payable": D("420.00")}, "payable"),
        ({"prepaid": D("0.005"), "payable": D("419.995")}, "lines"),
    ],
)
def test_what_does_not_agree_is_refused(changes, field):
    with pytest.raises(InvalidFacts) as error:
        replace(WORKED, **changes)
    assert error.value.field == field


def test_tax_is_right_under_the_rule_it_was_rounded_by():
    """A gross of 0.03 at 20 % holds 0.005 = 0.01 of tax, a net of 0.02 bears 0.004 = 0.00: by hand."""
    line = replace(FRAME, price=D("0.02"), net=D("0.02"), tax=D("0.01"))
    subtotal = replace(TAXED, taxable=D("0.02"), tax=D("0.01"))
    totals = {"net_total": D("0.02"), "tax_total": D("0.01"), "total": D("0.03"), "prepaid": D(0), "payable": D("0.03")}
    of_gross = replace(WORKED, lines=(line,), subtotals=(subtotal,), **totals)
    assert replace(of_gross, tax_rounding="per_line").tax_total == D("0.01")
    with pytest.raises(InvalidFacts, match="is not the tax on"):
        replace(of_gross, prices_include_tax=False)
    with pytest.raises(InvalidFacts, match="is not 20% tax"):
        replace(of_gross, prices_include_tax=False, tax_rounding="per_line")
    assert replace(of_gross, prices_include_tax=False, tax_rounding="shared").tax_total == D("0.01")


def test_a_share_of_tax_may_differ_by_units_and_not_by_more():
    def credited(tax: str) -> object:
        net, tax_of = D("120.00") - D(tax), D(tax)
        return replace(
            CREDITED,
            lines=(replace(FRAME, price=net, net=net, tax=tax_of),),
            subtotals=(replace(TAXED, taxable=net, tax=tax_of),),
            net_total=net,
            tax_total=tax_of,
            total=D("120.00"),
            payable=D("120.00"),
            tax_rounding="shared",
        )

    assert credited("20.05")
    with pytest.raises(InvalidFacts):
        credited("20.06")


def test_what_is_outside_the_scope_stands_alone():
    outside, reasoned = replace(LENS, category="O"), replace(EXEMPT, category="O")
    with pytest.raises(InvalidFacts, match="document of its own"):
        replace(WORKED, lines=(FRAME, outside), subtotals=(TAXED, reasoned))


@pytest.mark.parametrize(
    ("thing", "changes"),
    [
        (LENS, {"rate_percent": D(5)}),
        (FRAME, {"rate_percent": D(0)}),
        (FRAME, {"quantity": D(0)}),
        (FRAME, {"name": " "}),
        (FRAME, {"allowance": D("1.00")}),
        (EXEMPT, {"reason": ""}),
        (TAXED, {"reason": "because"}),
        (WORKED.buyer, {"country": "gb"}),
        (WORKED.buyer, {"name": ""}),
    ],
)
def test_a_piece_that_cannot_be_is_refused(thing, changes):
    with pytest.raises(InvalidFacts):
        replace(thing, **changes)


def test_an_allowance_lowers_the_net_of_its_line():
    line = replace(FRAME, price=D("110.00"), allowance=D("10.00"), allowance_reason="Second pair (invented)")
    assert replace(WORKED, lines=(line, LENS)).total == WORKED.total
