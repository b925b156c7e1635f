"""Worked by hand: sales tax is net x rate / 100, rounded once. Places, rates and prices are invented.

That prescription eyewear is exempt in most states and other goods are not is trade fact 5.5 (from memory).
"""

from __future__ import annotations

from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from opticshop_tax_by_place import ByPlace, plugin

from opticshop.plugin_api import Confidence, InvalidSettings, Refusal, TaxAssessment, TaxBasket, TaxLine
from opticshop.plugin_api.testing import conformance

D = Decimal
INVENTED = {"source": "invented", "confidence": "convention"}


def levy(place: str, name: str, percent: float, valid_from: str = "2020-01-01", **more: Any) -> dict[str, Any]:
    return {"place": place, "name": name, "percent": percent, "valid_from": valid_from, **INVENTED, **more}


def eyewear(place: str, is_exempt: bool, valid_from: str = "2020-01-01", **more: Any) -> dict[str, Any]:
    row = {"place": place, "kinds": ["frame", "lens", "treatment", "dispensing"], "is_exempt": is_exempt}
    return {**row, "reason": "Prescription eyewear", "valid_from": valid_from, **INVENTED, **more}


LEVIES = [
    levy("US-XA", "State", 6),
    levy("US-XA-001", "County", 1.5),
    levy("US-XA-001-02", "City", 0.75),
    levy("US-XA-001-02", "Transit", 0.25, valid_from="2026-04-01"),
    levy("US-XA-003", "County", 4),
    levy("US-XB", "State", 0),
    levy("US-XC", "State", 5, valid_until="2025-12-31"),
]
FACTS = {"levies": LEVIES, "exemptions": [eyewear("US-XA", True)]}

test_conformance = conformance(plugin)
test_conformance_with_facts = conformance(plugin, settings=FACTS)


def assess(
    *items: tuple[str, str],
    place: str = "US-XA-001-02",
    day: date = date(2026, 3, 2),
    inclusive: bool = False,
    **own: Any,
) -> TaxAssessment:
    lines = tuple(
        TaxLine(code=kind, kind=kind, price=D(price), category="standard", inclusive=inclusive)  # type: ignore[arg-type]
        for kind, price in items
    )
    basket = TaxBasket(country=place[:2], place=place, day=day, currency="USD", lines=lines)
    return ByPlace().assess(basket, plugin.manifest.settings_with({**FACTS, **own}))


def test_levies_from_the_state_down_are_added_on_net_prices():
    """6 + 1.5 + 0.75 = 8.25 %; 19.95 x 0.0825 = 1.645... = 1.65."""
    assessment = assess(("accessory", "19.95"))
    [part] = assessment.parts
    assert (part.rate_percent, part.net, part.tax, part.gross) == (D("8.25"), D("19.95"), D("1.65"), D("21.60"))
    assert assessment.note == "Sales tax 8.25%: State 6% + County 1.5% + City 0.75%."
    assert assessment.confidence is Confidence.CONVENTION


def test_the_place_decides():
    """In the county outside the city 7.5 %: 20.00 x 0.075 = 1.50; elsewhere in the state 6 %: 1.20."""
    for place, rate, tax in (("US-XA-001", "7.5", "1.50"), ("US-XA-009", "6", "1.20"), ("US-XA-003-07", "10", "2.00")):
        [part] = assess(("accessory", "20.00"), place=place).parts
        assert (part.rate_percent, part.tax) == (D(rate), D(tax))


def test_a_levy_begins_and_ends():
    """With transit 8.5 % from 1 April 2026: 20.00 x 0.085 = 1.70."""
    [part] = assess(("accessory", "20.00"), day=date(2026, 4, 1)).parts
    assert part.tax == D("1.70")
    assert assess(("accessory", "20.00"), place="US-XC", day=date(2025, 12, 31)).parts[0].tax == D("1.00")
    with pytest.raises(Refusal, match="No levy is set for US-XC on 2026-01-01"):
        assess(("accessory", "20.00"), place="US-XC", day=date(2026, 1, 1))


def test_prescription_eyewear_is_exempt_where_the_place_says_so():
    assessment = assess(("frame", "100.00"), ("lens", "80.00"), ("accessory", "20.00"))
    assert [(part.category, part.tax) for part in assessment.parts] == [
        ("E", D("0.00")),
        ("E", D("0.00")),
        ("S", D("1.65")),
    ]
    assert assessment.parts[0].reason == "Prescription eyewear"


def test_the_smallest_place_that_says_something_decides_and_so_does_the_day():
    """City: 100.00 x 0.0825 = 8.25 once it taxes eyewear itself."""
    exemptions = [eyewear("US-XA", True), eyewear("US-XA-001-02", False, valid_from="2026-03-01")]
    assert assess(("frame", "100.00"), exemptions=exemptions).parts[0].tax == D("8.25")
    assert assess(("frame", "100.00"), exemptions=exemptions, place="US-XA-001").parts[0].tax == D("0.00")
    earlier = assess(("frame", "100.00"), exemptions=exemptions, day=date(2026, 2, 28))
    assert earlier.parts[0].category == "E"
    assert assess(("frame", "100.00"), exemptions=[]).parts[0].tax == D("8.25")


def test_a_place_without_tax_says_so_and_an_unknown_one_is_refused():
    [part] = assess(("accessory", "20.00"), place="US-XB").parts
    assert (part.category, part.rate_percent, part.tax) == ("Z", D(0), D("0.00"))
    with pytest.raises(Refusal) as refused:
        assess(("accessory", "20.00"), place="US-XD")
    assert refused.value.code == "opticshop-tax-by-place.no-levy"
    with pytest.raises(Refusal):  # US-X is no state of which US-XA is a part
        assess(("accessory", "20.00"), place="US-X")


def test_tax_is_taken_out_of_prices_that_include_it():
    """21.60 x 8.25 / 108.25 = 1.646... = 1.65."""
    [part] = assess(("accessory", "21.60"), inclusive=True).parts
    assert (part.net, part.tax, part.gross) == (D("19.95"), D("1.65"), D("21.60"))


@pytest.mark.parametrize(
    "own",
    [
        {"levies": [levy("us-xa", "State", 6)]},
        {"levies": [levy("US-XA", "State", -1)]},
        {"exemptions": [{**eyewear("US-XA", True), "kinds": []}]},
        {"exemptions": [{**eyewear("US-XA", True), "kinds": ["shoe"]}]},
    ],
)
def test_settings_are_checked(own):
    with pytest.raises(InvalidSettings):
        plugin.manifest.settings_with(own)


@given(
    pence=st.lists(st.tuples(st.sampled_from(["frame", "lens", "accessory"]), st.integers(0, 99_999)), max_size=9),
    inclusive=st.booleans(),
)
def test_parts_add_up_and_the_sum_is_rounded_once(pence, inclusive):
    assessment = assess(*[(kind, str(D(each) / 100)) for kind, each in pence], inclusive=inclusive)
    taxed = sum((D(each) for kind, each in pence if kind == "accessory"), D(0)) / 100
    due = taxed * D("8.25") / (D("108.25") if inclusive else 100)
    assert sum((part.tax for part in assessment.parts), D(0)) == due.quantize(D("0.01"), rounding=ROUND_HALF_UP)
    for part, (_, each) in zip(assessment.parts, pence, strict=True):
        assert (part.gross if inclusive else part.net) == D(each) / 100
