"""Worked by hand: tax within a price is gross x rate / (1 + rate), trade fact 5.1 (from memory), rounded once a rate.

The rates are those of trade fact 5.5 (from memory, low confidence: Italy's 22 % with 4 % on prescription eyewear,
Germany's 19 %), used here as figures only. Prices are invented.
"""

from __future__ import annotations

from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from opticshop_tax_single_rate import SingleRate, plugin

from opticshop.plugin_api import Confidence, Refusal, TaxAssessment, TaxBasket, TaxLine
from opticshop.plugin_api.testing import conformance

D = Decimal
MEMORY = {"source": "mem: trade fact 5.5", "confidence": "from_memory"}
RATES = [
    {"valid_from": "2011-09-17", "percent": 21, **MEMORY},
    {"valid_from": "2013-10-01", "percent": 22, **MEMORY},
]
REDUCED = [
    {"valid_from": "2013-10-01", "percent": 4, "kind": kind, "source": "invented", "confidence": "doubtful"}
    for kind in ("frame", "lens")
]

test_conformance = conformance(plugin)
test_conformance_with_rates = conformance(plugin, settings={"rates": RATES, "reduced": REDUCED, "note": "Note."})


def assess(*items: tuple[str, str], day: date = date(2026, 3, 2), inclusive: bool = True, **own: Any) -> TaxAssessment:
    lines = tuple(
        TaxLine(code=kind, kind=kind, price=D(price), category="exempt", inclusive=inclusive)  # type: ignore[arg-type]
        for kind, price in items
    )
    basket = TaxBasket(country="XA", place="XA", day=day, currency="EUR", lines=lines)
    return SingleRate().assess(basket, plugin.manifest.settings_with({"rates": RATES, **own}))


def test_everything_has_the_rate_of_the_day_whatever_the_catalogue_says():
    """244.00 x 0.22 / 1.22 = 44.00, of which 122.00 bears 22.00; on the day before 244.00 x 0.21 / 1.21 = 42.347..."""
    assessment = assess(("frame", "122.00"), ("dispensing", "122.00"))
    assert [(part.category, part.net, part.tax) for part in assessment.parts] == [("S", D("100.00"), D("22.00"))] * 2
    earlier = assess(("frame", "122.00"), ("dispensing", "122.00"), day=date(2013, 9, 30))
    assert sum(part.tax for part in earlier.parts) == D("42.35")


def test_a_reduced_rate_holds_for_its_kind_from_its_day():
    """104.00 x 0.04 / 1.04 = 4.00; the dispensing of 61.00 x 0.22 / 1.22 = 11.00."""
    assessment = assess(("frame", "52.00"), ("lens", "52.00"), ("dispensing", "61.00"), reduced=REDUCED)
    assert [(part.rate_percent, part.tax, part.reduced) for part in assessment.parts] == [
        (D(4), D("2.00"), True),
        (D(4), D("2.00"), True),
        (D(22), D("11.00"), False),
    ]
    assert assessment.confidence is Confidence.DOUBTFUL
    assert assessment.source == "mem: trade fact 5.5; invented"
    before = assess(("frame", "52.00"), day=date(2013, 9, 30), reduced=REDUCED)
    assert [part.rate_percent for part in before.parts] == [D(21)]
    assert before.confidence is Confidence.FROM_MEMORY


def test_three_lines_are_rounded_together():
    """3 x 0.99 = 2.97; 2.97 x 0.19 / 1.19 = 0.4742... = 0.47, though each line alone has 0.158... = 0.16 (0.48)."""
    rates = [{"valid_from": "2007-01-01", "percent": 19, **MEMORY}]
    taxes = [part.tax for part in assess(*[("accessory", "0.99")] * 3, rates=rates).parts]
    assert taxes == [D("0.16"), D("0.16"), D("0.15")]


def test_net_prices_have_the_tax_added():
    """100.00 x 0.22 = 22.00."""
    [part] = assess(("frame", "100.00"), inclusive=False).parts
    assert (part.net, part.tax, part.gross) == (D("100.00"), D("22.00"), D("122.00"))


def test_no_rate_is_guessed():
    with pytest.raises(Refusal) as refused:
        assess(("frame", "1.00"), day=date(2011, 9, 16))
    assert refused.value.code == "opticshop-tax-single-rate.no-rate"
    with pytest.raises(Refusal):
        SingleRate().assess(TaxBasket(country="XA", place="XA", day=date(2026, 1, 1), currency="EUR", lines=()))


@given(pence=st.lists(st.integers(0, 99_999), max_size=9), percent=st.integers(1, 9_999), inclusive=st.booleans())
def test_parts_add_up_and_the_sum_is_rounded_once(pence, percent, inclusive):
    rate = D(percent) / 100
    rates = [{"valid_from": "2026-01-01", "percent": float(rate), **MEMORY}]
    assessment = assess(*[("lens", str(D(each) / 100)) for each in pence], rates=rates, inclusive=inclusive)
    price = sum((D(each) for each in pence), D(0)) / 100
    due = price * rate / (100 + rate if inclusive else 100)
    assert sum((part.tax for part in assessment.parts), D(0)) == due.quantize(D("0.01"), rounding=ROUND_HALF_UP)
    for part, each in zip(assessment.parts, pence, strict=True):
        assert (part.gross if inclusive else part.net) == D(each) / 100
