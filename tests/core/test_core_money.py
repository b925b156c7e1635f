from __future__ import annotations

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from opticshop.core.money import rounded, tax_within

amounts = st.decimals(min_value=0, max_value=100000, places=2)


def test_halves_are_rounded_away_from_zero():
    assert rounded(Decimal("2.345"), "GBP") == Decimal("2.35")
    assert rounded(Decimal("-2.345"), "GBP") == Decimal("-2.35")
    assert rounded(Decimal("2.5"), "JPY") == Decimal("3")


def test_tax_within_a_gross_amount():
    """20 % within 120.00 is 20.00: gross x rate / (100 + rate) (trade dossier 5.1, from memory)."""
    assert tax_within(Decimal("120.00"), Decimal("20"), "GBP") == Decimal("20.00")
    assert tax_within(Decimal("95.00"), Decimal("20"), "GBP") == Decimal("15.83")


@given(amounts, st.decimals(min_value=0, max_value=99, places=2))
def test_tax_is_never_more_than_the_gross(gross, rate):
    assert 0 <= tax_within(gross, rate, "GBP") <= gross
