"""Trade item numbers: check digits against published examples, lengths, alphabets, restricted prefixes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.catalogue.gtin import GtinCheckDigit, GtinMalformed, gtin_normalised, is_restricted

digits = st.text("0123456789", min_size=7, max_size=13).filter(lambda text: len(text) in {7, 11, 12, 13})


def by_hand(body: str) -> str:
    """GS1 mod-10: digits from the right weigh 3, 1, 3, 1...; check = (10 - sum mod 10) mod 10."""
    total = 0
    for place, digit in enumerate(reversed(body)):
        total += int(digit) * (3 if place % 2 == 0 else 1)
    return str((10 - total % 10) % 10)


@pytest.mark.parametrize(
    ("body", "check"),
    [
        ("400638133393", "1"),  # GS1 mod-10 worked example, kept in the reference dossier on interchange, section 6
        ("590123412345", "7"),  # the same
        ("7351353", "7"),  # GTIN-8 of the python-stdnum documentation
        ("9841234567890", "8"),  # GTIN-14 of the python-stdnum documentation
    ],
)
def test_check_digits_agree_with_published_examples(body, check):
    assert gtin_normalised(body + check) == (body + check).rjust(14, "0")
    assert by_hand(body) == check


@given(digits)
def test_a_wrong_last_digit_is_refused_and_the_right_one_named(body):
    right = by_hand(body)
    if (body + right).strip("0"):
        assert gtin_normalised(body + right) == (body + right).rjust(14, "0")
    wrong = str((int(right) + 1) % 10)
    with pytest.raises(GtinCheckDigit) as caught:
        gtin_normalised(body + wrong)
    assert caught.value.allowed == right


@given(digits)
def test_padding_leaves_the_number_valid(body):
    number = body + by_hand(body)
    if number.strip("0"):
        assert gtin_normalised(gtin_normalised(number)) == gtin_normalised(number)


@given(digits, st.data())
def test_every_single_wrong_digit_is_noticed(body, data):
    number = body + by_hand(body)
    place = data.draw(st.integers(0, len(number) - 1))
    other = data.draw(st.sampled_from([d for d in "0123456789" if d != number[place]]))
    slipped = number[:place] + other + number[place + 1 :]
    with pytest.raises((GtinCheckDigit, GtinMalformed)):
        gtin_normalised(slipped)


@pytest.mark.parametrize(
    "text",
    [
        "400638133393",  # twelve digits, and as a GTIN-12 its check digit is wrong
        "40063813339",
        "400638133393100",
        "4006381 333931",
        "400638133393١",  # an Arabic-Indic one, which str.isdigit() accepts
        "４006381333931",  # a full-width four
        "4006381333931\n",
        "00000000000000",
        "-4006381333931",
    ],
)
def test_what_is_not_a_number_of_the_right_length_is_refused(text):
    with pytest.raises((GtinMalformed, GtinCheckDigit)):
        gtin_normalised(text)


def test_no_number_stays_no_number():
    assert gtin_normalised("") == ""


@pytest.mark.parametrize(
    ("number", "restricted"),
    [
        ("2000000000008", True),  # 200-299
        ("2999999999991", True),
        ("0290000000005", True),  # 020-029
        ("0400000000008", True),  # 040-049
        ("12000000000005", True),  # a case of such articles: an indicator digit in front
        ("3000000000007", False),
        ("4006381333931", False),
        ("0500000000005", False),
    ],
)
def test_numbers_for_use_inside_one_company_are_told_apart(number, restricted):
    """Prefixes 020-029, 040-049 and 200-299 are for restricted circulation (interchange dossier, section 6)."""
    assert is_restricted(gtin_normalised(number)) is restricted
