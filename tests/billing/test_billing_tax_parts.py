"""Tax by rate adds up to the penny, of the whole price and over any sequence of payments."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.billing.tax_parts import parts_covered, parts_of_payment, tax_summary
from opticshop.core.money import tax_within


@dataclass
class Line:
    tax_category: str
    tax_rate_percent: D
    gross: D
    tax: D


def line(category: str, rate: str, gross: D) -> Line:
    return Line(category, D(rate), gross, tax_within(gross, D(rate), "GBP"))


RATES = st.sampled_from([("standard", "20"), ("reduced", "5"), ("zero", "0"), ("exempt", "0")])
PENNIES = st.integers(1, 50_000).map(lambda n: D(n) / 100)
LINES = st.lists(st.builds(lambda rate, gross: line(*rate, gross), RATES, PENNIES), min_size=1, max_size=8)


def gross_of(parts):
    return sum((part.gross for part in parts), D(0))


def test_a_price_with_an_exempt_fee_is_two_parts():
    """Goods standard-rated, dispensing exempt: two supplies (HMRC VAT Health manual VATHLT2190, 2220, and VAT Valuation
    manual VATVAL12320). 20% within 160.00 is 160/6 = 26.67; the lines, rounded one by one, give the same."""
    goods = [line("standard", "20", D(gross)) for gross in ("95.00", "32.50", "32.50")]
    parts = tax_summary([*goods, line("exempt", "0", D("60.00"))], "GBP")
    assert [(p.category, p.net, p.tax, p.gross) for p in parts] == [
        ("standard", D("133.33"), D("26.67"), D("160.00")),
        ("exempt", D("60.00"), D("0.00"), D("60.00")),
    ]


def test_half_of_the_price_covers_half_of_each_part():
    summary = tax_summary([line("standard", "20", D("160.00")), line("exempt", "0", D("60.00"))], "GBP")
    half = parts_covered(summary, D("110.00"), "GBP")
    assert [(p.gross, p.tax) for p in half] == [(D("80.00"), D("13.34")), (D("30.00"), D("0.00"))]


@given(LINES)
def test_the_summary_is_the_lines_and_nothing_else(lines):
    parts = tax_summary(lines, "GBP")
    assert gross_of(parts) == sum(each.gross for each in lines)
    assert sum(part.tax for part in parts) == sum(each.tax for each in lines)
    assert len({(part.category, part.rate_percent) for part in parts}) == len(parts)


@given(LINES, st.data())
def test_payments_and_refunds_in_any_order_add_up_to_what_they_cover(lines, data):
    summary = tax_summary(lines, "GBP")
    total, paid = gross_of(summary), D(0)
    taken = [[D(0), D(0)] for _ in summary]
    for _ in range(data.draw(st.integers(1, 6))):
        target = D(data.draw(st.integers(0, int(total * 100)))) / 100
        parts = parts_of_payment(summary, paid_before=paid, amount=target - paid, currency="GBP")
        assert gross_of(parts) == target - paid
        for sums, part in zip(taken, parts, strict=True):
            sums[0] += part.gross
            sums[1] += part.tax
        paid = target
    rest = parts_of_payment(summary, paid_before=paid, amount=total - paid, currency="GBP")
    for sums, part, whole in zip(taken, rest, summary, strict=True):
        assert sums[0] + part.gross == whole.gross
        assert sums[1] + part.tax == whole.tax


@given(LINES, st.integers(0, 100))
def test_a_part_is_covered_in_proportion_to_within_a_penny(lines, percent):
    summary = tax_summary(lines, "GBP")
    paid = (gross_of(summary) * percent / 100).quantize(D("0.01"))
    for part, whole in zip(parts_covered(summary, paid, "GBP"), summary, strict=True):
        assert abs(part.gross - whole.gross * paid / gross_of(summary)) <= D("0.01")


@pytest.mark.parametrize(("currency", "unit"), [("JPY", D(1)), ("GBP", D("0.01"))])
def test_parts_are_whole_coins_of_the_currency(currency, unit):
    summary = tax_summary(
        [Line("standard", D("10"), D("11000"), D("1000")), Line("zero", D(0), D("501"), D(0))], currency
    )
    for part in parts_covered(summary, D("3333"), currency):
        assert part.gross == part.gross.quantize(unit)
        assert part.gross.as_tuple().exponent == unit.as_tuple().exponent
