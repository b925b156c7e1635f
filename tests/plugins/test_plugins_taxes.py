"""The contract of taxes: parts that do not add up cannot be made, shares are exact, dated facts hold on their days."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.plugin_api import (
    AssessedLine,
    Confidence,
    InvalidFacts,
    TaxBasket,
    TaxCut,
    TaxLine,
    TaxPart,
    in_force,
    least_sure,
    shared_out,
    taxed_once_per_rate,
)

D = Decimal
UNIT = D("0.01")
LINE = TaxLine(code="A", kind="frame", price=D("120.00"), category="standard")
PART = TaxPart(category="S", rate_percent=D(20), net=D("100.00"), tax=D("20.00"), gross=D("120.00"))


def basket(*lines: TaxLine, **more: Any) -> TaxBasket:
    return TaxBasket(country="GB", place="GB", day=date(2026, 3, 2), currency="GBP", lines=lines, **more)


@pytest.mark.parametrize(
    "parts",
    [
        (),
        (replace(PART, gross=D("119.99"), net=D("99.99")),),
        (PART, replace(PART, net=D("0.01"), tax=D("0.00"), gross=D("0.01"))),
    ],
    ids=["none", "too little", "too much"],
)
def test_parts_that_do_not_make_the_price_are_refused(parts):
    with pytest.raises(InvalidFacts) as error:
        AssessedLine(line=LINE, parts=parts)
    assert error.value.field == "parts"
    with pytest.raises(InvalidFacts):  # of a net price the nets are the price
        AssessedLine(line=replace(LINE, inclusive=False), parts=(PART,))
    AssessedLine(line=replace(LINE, inclusive=False, price=D("100.00")), parts=(PART,))


@pytest.mark.parametrize(
    "changes",
    [
        {"gross": D("120.01")},
        {"category": "X"},
        {"category": "E", "reason": "because"},
        {"category": "E", "rate_percent": D(0), "net": D("120.00"), "tax": D("0.00")},
        {"category": "O", "rate_percent": D(0), "net": D("120.00"), "tax": D("0.00"), "reason": " "},
        {"net": D("-1.00"), "tax": D("121.00")},
    ],
    ids=["sum", "category", "exempt at a rate", "exempt without reason", "outside without reason", "below zero"],
)
def test_a_part_that_cannot_be_is_refused(changes):
    with pytest.raises(InvalidFacts):
        replace(PART, **changes)


def test_prices_are_whole_units_and_not_below_zero():
    with pytest.raises(InvalidFacts):
        basket(replace(LINE, price=D("1.005")))
    with pytest.raises(InvalidFacts):
        basket(replace(LINE, price=D("1.50")), minor_unit=D(1))
    with pytest.raises(InvalidFacts):
        replace(LINE, price=D("-0.01"))


def test_tax_is_rounded_on_the_sum_and_shared():
    """3 x 0.99 = 2.97, of which 2.97 x 0.19 / 1.19 = 0.4742... = 0.47: by hand; each line alone has 0.16."""
    line = replace(LINE, price=D("0.99"))
    cut = [TaxCut(price=D("0.99"), category="S", rate_percent=D(19))]
    assessed = taxed_once_per_rate(basket(line, line, line), [cut] * 3)
    assert [one.parts[0].tax for one in assessed] == [D("0.16"), D("0.16"), D("0.15")]


@given(
    lines=st.lists(
        st.tuples(
            st.integers(0, 99_999), st.booleans(), st.sampled_from(["0", "5", "8.25", "20"]), st.integers(0, 100)
        ),
        max_size=10,
    ),
)
def test_whatever_is_cut_the_parts_make_the_prices_and_each_rate_is_rounded_once(lines):
    """A line of a price, net or not, cut in two at a percentage: one piece under the rate, the other exempt."""
    taxed, cuts = [], []
    for pence, inclusive, rate, cut_at in lines:
        price = D(pence) / 100
        piece = (price * cut_at / 100).quantize(UNIT, rounding=ROUND_HALF_UP)
        taxed.append(replace(LINE, price=price, inclusive=inclusive))
        category = "S" if D(rate) else "Z"
        cuts.append(
            [
                TaxCut(price=piece, category=category, rate_percent=D(rate)),
                TaxCut(price=price - piece, category="E", reason="invented"),
            ]
        )
    assessed = taxed_once_per_rate(basket(*taxed), cuts)
    for inclusive in (True, False):
        for rate in {D(rate) for _, _, rate, _ in lines}:
            parts = [
                one.parts[0]
                for one in assessed
                if one.line.inclusive is inclusive and one.parts[0].rate_percent == rate
            ]
            price = sum((part.gross if inclusive else part.net for part in parts), D(0))
            due = price * rate / (100 + rate if inclusive else 100)
            assert sum((part.tax for part in parts), D(0)) == due.quantize(UNIT, rounding=ROUND_HALF_UP)


@given(pence=st.integers(0, 10**7), weights=st.lists(st.integers(0, 10**6), min_size=1, max_size=12))
def test_shares_add_up_and_none_is_off_by_a_unit(pence, weights):
    amount = D(pence) / 100
    if not sum(weights):
        with pytest.raises(InvalidFacts):
            shared_out(amount + UNIT, [D(weight) for weight in weights], UNIT)
        return
    shares = shared_out(amount, [D(weight) for weight in weights], UNIT)
    assert sum(shares) == amount
    for share, weight in zip(shares, weights, strict=True):
        assert abs(Fraction(share) - Fraction(amount) * weight / sum(weights)) < Fraction(UNIT)
        assert share == 0 or weight


def test_equal_remainders_go_to_the_earlier():
    assert shared_out(D("0.02"), [D(1), D(1), D(1)], UNIT) == [UNIT, UNIT, D(0)]
    assert shared_out(D(100), [D(1), D(1), D(1)], D(1)) == [D(34), D(33), D(33)]


def test_of_dated_rows_the_latest_that_has_begun_holds_unless_it_has_ended():
    rows = [
        {"valid_from": "2026-02-01", "valid_until": "2026-02-28", "percent": 2},
        {"valid_from": "2025-01-01", "percent": 1},
    ]
    for day, percent in (
        (date(2024, 12, 31), None),
        (date(2025, 1, 1), 1),
        (date(2026, 1, 31), 1),
        (date(2026, 2, 1), 2),
        (date(2026, 2, 28), 2),
        (date(2026, 3, 1), None),
    ):
        found = in_force(rows, day)
        assert (found and found["percent"]) == percent


def test_an_answer_is_as_sure_as_its_least_sure_fact():
    assert least_sure([{"confidence": "confirmed"}, {"confidence": "doubtful"}]) is Confidence.DOUBTFUL
    assert least_sure([{"confidence": "confirmed"}, {"confidence": "convention"}]) is Confidence.CONVENTION
