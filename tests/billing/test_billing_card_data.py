"""Card numbers are recognised by length and check digit, however they are written."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.billing.card_data import CardDataRefused, holds_card_number, refuse_card_data


def check_digit(body: str) -> str:
    """The Luhn digit worked by hand, from the right: every other digit doubled, nines cast out (ISO/IEC 7812-1 annex
    B, from memory)."""
    total = 0
    for place, char in enumerate(reversed(body)):
        doubled = int(char) * (2 if place % 2 == 0 else 1)
        total += doubled - 9 if doubled > 9 else doubled
    return str(-total % 10)


@pytest.mark.parametrize(
    "text",
    [
        "4111111111111111",  # the usual number of card tests, from memory
        "4111 1111 1111 1111",
        "card 4111-1111-1111-1111, thanks",
        "ref 12 4111111111111111",
        "４１１１１１１１１１１１１１１１",  # full-width digits
        "378282246310005",  # the usual 15-digit one, from memory
    ],
)
def test_a_card_number_is_found_in_any_writing(text):
    assert holds_card_number(text)
    with pytest.raises(CardDataRefused) as caught:
        refuse_card_data(text, field="reference")
    assert "1111" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    ["", "T-0042", "4111111111111112", "411111111111", "2026-03-02 12:00", "79927398713", "020 7946 0018", "IBAN GB00"],
)
def test_ordinary_references_pass(text):
    refuse_card_data(text, field="reference")


@given(st.text("0123456789", min_size=12, max_size=18))
def test_exactly_the_right_check_digit_is_refused(body):
    for digit in "0123456789":
        assert holds_card_number(body + digit) is (digit == check_digit(body))


@given(st.text("0123456789", min_size=19, max_size=30))
def test_longer_runs_are_no_card_numbers(digits):
    assert not holds_card_number(digits + check_digit(digits))
