"""Worked by hand from the formula of trade fact 5.1: tax within a price is gross x rate / (1 + rate), rounded once.

Sources: HMRC-L and HMRC-V as in the plugin's `facts`; the formula and the rate of 20 % are from memory. The prices are
invented.
"""

from __future__ import annotations

from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from opticshop_tax_mixed_supply import MixedSupply, plugin

from opticshop.plugin_api import Confidence, InvalidSettings, Refusal, TaxAssessment, TaxBasket, TaxLine

D = Decimal
DAY = date(2026, 3, 2)
RATIOS = [
    {
        "valid_from": "2025-01-01",
        "exempt_percent": 40,
        "evidence": "Time sheets of 2024 (invented)",
        "source": "the company's adviser (invented)",
        "confidence": "convention",
    },
    {
        "valid_from": "2026-03-02",
        "exempt_percent": 37.5,
        "evidence": "Time sheets of 2025 (invented)",
        "source": "the company's adviser (invented)",
        "confidence": "convention",
    },
]
#: (kind, price, catalogue category): frame, two lenses, dispensing
PAIR = (("frame", "95.00"), ("lens", "32.50"), ("lens", "32.50"), ("dispensing", "60.00"))


def assess(
    *items: tuple[str, str], day: date = DAY, supervised: bool | None = True, category: str = "standard", **own: Any
) -> TaxAssessment:
    lines = tuple(
        TaxLine(code=kind, kind=kind, price=D(price), category=category)  # type: ignore[arg-type]
        for kind, price in items
    )
    basket = TaxBasket(country="GB", place="GB", day=day, currency="GBP", lines=lines, supervised=supervised)
    return MixedSupply().assess(basket, plugin.manifest.settings_with(own))


def sums(assessment: TaxAssessment) -> dict[str, tuple[Decimal, Decimal]]:
    """Gross and tax by category."""
    found: dict[str, tuple[Decimal, Decimal]] = {}
    for part in assessment.parts:
        gross, tax = found.get(part.category, (D(0), D(0)))
        found[part.category] = (gross + part.gross, tax + part.tax)
    return found


def test_separate_charges_tax_the_goods_and_exempt_the_dispensing():
    """160.00 x 0.20 / 1.20 = 26.666... = 26.67; the 60.00 is exempt (HMRC-V: separately disclosed charges)."""
    assessment = assess(*PAIR)
    assert sums(assessment) == {"S": (D("160.00"), D("26.67")), "E": (D("60.00"), D("0.00"))}
    # 95.00/6 = 15.833..., 32.50/6 = 5.41666...: down to 15.83 and 5.41, two pence are left for the largest remainders
    assert [part.tax for part in assessment.parts] == [D("15.83"), D("5.42"), D("5.42"), D("0.00")]
    assert assessment.parts[-1].reason.startswith("Exempt from VAT")
    assert "charged separately" in assessment.note
    assert assessment.confidence is Confidence.FROM_MEMORY
    assert assessment.rounding.name == "once-per-rate"


def test_apportionment_divides_the_whole_price_by_the_ratio_of_the_day():
    """37.5 % of 220.00 is 82.50 exempt; 137.50 x 0.20 / 1.20 = 22.916... = 22.92 (HMRC-V: apportionment)."""
    assessment = assess(*PAIR, method="apportionment", ratios=RATIOS)
    assert sums(assessment) == {"S": (D("137.50"), D("22.92")), "E": (D("82.50"), D("0.00"))}
    assert assessment.note.startswith("37.5% of the price of a pair is for dispensing")
    assert "Time sheets of 2025 (invented)" in assessment.source
    goods, work = assessment.lines[0].parts
    assert (goods.category, goods.kind, work.category, work.kind) == ("S", None, "E", "dispensing")


def test_a_new_ratio_holds_from_its_day_and_not_before():
    """40 % of 220.00 is 88.00; 132.00 x 0.20 / 1.20 = 22.00."""
    before = assess(*PAIR, day=date(2026, 3, 1), method="apportionment", ratios=RATIOS)
    assert sums(before) == {"S": (D("132.00"), D("22.00")), "E": (D("88.00"), D("0.00"))}
    with pytest.raises(Refusal) as refused:
        assess(*PAIR, day=date(2024, 12, 31), method="apportionment", ratios=RATIOS)
    assert refused.value.code == "opticshop-tax-mixed-supply.no-ratio"


def test_a_ratio_that_has_ended_divides_nothing():
    ended = [{**RATIOS[0], "valid_until": "2026-02-28"}]
    with pytest.raises(Refusal, match="No ratio is set for 2026-03-02"):
        assess(*PAIR, method="apportionment", ratios=ended)


@pytest.mark.parametrize("method", ["separate-charges", "apportionment"])
def test_unsupervised_the_whole_price_is_taxed(method):
    """220.00 x 0.20 / 1.20 = 36.666... = 36.67 (HMRC-L: else the whole price is standard-rated)."""
    for supervised in (False, None):
        assessment = assess(*PAIR, supervised=supervised, method=method, ratios=RATIOS)
        assert sums(assessment) == {"S": (D("220.00"), D("36.67"))}
        assert assessment.note == "The whole price bears VAT."


def test_who_answers_for_dispensing():
    """HMRC-L: a registered body corporate, or a registered person does or directly supervises it."""
    for supervised, own, is_exempt in (
        (None, {"registered_business": True}, True),
        (False, {"registered_business": True}, True),
        (None, {"always_supervised": True}, True),
        (False, {"always_supervised": True}, False),
        (True, {}, True),
    ):
        assert ("E" in sums(assess(*PAIR, supervised=supervised, **own))) is is_exempt


@pytest.mark.parametrize(
    ("day", "tax"),
    [
        (date(2009, 6, 1), "15.65"),  # 120.00 x 0.15 / 1.15 = 15.652...
        (date(2010, 12, 31), "17.87"),  # 120.00 x 0.175 / 1.175 = 17.872...
        (date(2011, 1, 4), "20.00"),  # 120.00 x 0.20 / 1.20
    ],
)
def test_the_rate_is_that_of_the_day(day, tax):
    """UK standard rates, from memory."""
    assert sums(assess(("frame", "120.00"), day=day)) == {"S": (D("120.00"), D(tax))}


def test_no_rate_is_guessed():
    with pytest.raises(Refusal) as refused:
        assess(*PAIR, day=date(2008, 11, 30))
    assert refused.value.code == "opticshop-tax-mixed-supply.no-rate"


def test_a_sight_test_is_exempt_and_a_repair_is_not():
    """Trade fact 5.1: sight tests by registered people exempt, repairs to goods standard-rated (HMRC-57, mem)."""
    assert sums(assess(("service", "30.00"), category="exempt", supervised=None)) == {"E": (D("30.00"), D("0.00"))}
    assert sums(assess(("service", "12.00"))) == {"S": (D("12.00"), D("2.00"))}


def test_an_accessory_is_never_apportioned():
    """Trade fact 5.1: cases and sprays are standard-rated. 6.00 x 0.20 / 1.20 = 1.00."""
    assessment = assess(("frame", "100.00"), ("accessory", "6.00"), method="apportionment", ratios=RATIOS)
    [part] = assessment.lines[1].parts
    assert (part.category, part.tax) == ("S", D("1.00"))
    assert sums(assessment)["E"] == (D("37.50"), D("0.00"))


def test_what_costs_nothing_has_one_part():
    for method in ("separate-charges", "apportionment"):
        assessment = assess(("treatment", "0.00"), ("dispensing", "0.00"), method=method, ratios=RATIOS)
        assert [len(line.parts) for line in assessment.lines] == [1, 1]


def test_settings_are_checked():
    for own in (
        {"method": "guess"},
        {"rates": [{"valid_from": "2026-13-01", "percent": 20, "source": "x", "confidence": "convention"}]},
        {"ratios": [{"valid_from": "2026-01-01", "exempt_percent": 40, "source": "x", "confidence": "convention"}]},
        {"ratios": [{**RATIOS[0], "exempt_percent": 100}]},
    ):
        with pytest.raises(InvalidSettings):
            plugin.manifest.settings_with(own)


@given(
    pence=st.lists(st.tuples(st.sampled_from([kind for kind, _ in PAIR]), st.integers(0, 99_999)), max_size=9),
    ratio=st.integers(1, 999),
    method=st.sampled_from(["separate-charges", "apportionment"]),
)
def test_parts_add_up_and_each_sum_is_rounded_once(pence, ratio, method):
    items = [(kind, str(D(each) / 100)) for kind, each in pence]
    ratios = [{**RATIOS[0], "exempt_percent": ratio / 10}]
    assessment = assess(*items, method=method, ratios=ratios)
    for line, (_, price) in zip(assessment.lines, items, strict=True):
        assert sum(part.gross for part in line.parts) == D(price)
    gross, tax = sums(assessment).get("S", (D(0), D(0)))
    assert tax == (gross / 6).quantize(D("0.01"), rounding=ROUND_HALF_UP)
    if method == "apportionment":
        whole = sum((D(price) for _, price in items), D(0))
        exempt = sums(assessment).get("E", (D(0), D(0)))[0]
        assert exempt == (whole * ratio / 1000).quantize(D("0.01"), rounding=ROUND_HALF_UP)
