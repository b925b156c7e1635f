"""What a scanner sends: GS1 element strings, bare numbers, our own lot codes.

Element strings and their separators: General Specifications of GS1, as the interchange dossier 6 states them; the
string (01)09501101530003(10)ABC123 with GS before (21) is its worked example.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stdnum import ean

from opticshop.catalogue.gtin import GtinCheckDigit, GtinMalformed
from opticshop.purchasing.codes import CodeUnreadable, ScannedCode, scanned

GS = "\x1d"


@pytest.mark.parametrize(
    ("text", "gtin", "lot"),
    [
        ("(01)09501101530003(10)ABC123", "09501101530003", "ABC123"),
        ("(01)09501101530003(10)ABC123(21)XYZ9", "09501101530003", "ABC123"),
        ("(10)ABC123(01)09501101530003", "09501101530003", "ABC123"),
        (f"010950110153000310ABC123{GS}21XYZ9", "09501101530003", "ABC123"),
        (f"{GS}010950110153000310ABC123", "09501101530003", "ABC123"),
        (f"]d2010950110153000310ABC123{GS}21XYZ9", "09501101530003", "ABC123"),
        ("]C10109501101530003", "09501101530003", ""),
        ("(01)09501101530003(17)301231(10)A-1/B", "09501101530003", "A-1/B"),
        ("4006381333931", "04006381333931", ""),
        ("]E04006381333931\r\n", "04006381333931", ""),
        ("00012348", "00000000012348", ""),
    ],
)
def test_a_packet_is_read(text, gtin, lot):
    assert scanned(text) == ScannedCode(gtin=gtin, lot_code=lot)


def test_anything_else_short_is_taken_for_one_of_our_lots():
    assert scanned(" K7731-A ") == ScannedCode(text="K7731-A")


@pytest.mark.parametrize(
    "text", ["4006381333930", "(01)04006381333930(10)A", "010400638133393010A", "]E04006381333930"]
)
def test_a_wrong_check_digit_says_which_would_be_right(text):
    with pytest.raises(GtinCheckDigit) as caught:
        scanned(text)
    assert caught.value.allowed == "1"  # interchange dossier 6: 400638133393 gives 1


@pytest.mark.parametrize(
    "text",
    ["", "   ", "(10)ABC123", "(01)0950110153(10)A", "(99)", "(01)09501101530003(10)", f"A{GS}B", "x" * 41, "x" * 201,
     "(01)09501101530003(10)" + "A" * 21, "(01)09501101530003(1234)9", "K77\x00", "K77ß", "٤٠٠٦٣٨١٣٣٣٩٣١"],
)  # fmt: skip
def test_a_code_that_says_nothing_is_refused(text):
    with pytest.raises((CodeUnreadable, GtinMalformed)):
        scanned(text)


_LOT = st.text("ABCDEFGHJKLMNPQRSTUVWXYZ0123456789-", min_size=1, max_size=20)


@settings(max_examples=60, deadline=None)
@given(st.from_regex(r"[0-9]{13}", fullmatch=True).filter(lambda digits: digits.strip("0")), _LOT)
def test_brackets_and_separators_mean_the_same(digits, lot):
    gtin = digits + ean.calc_check_digit(digits)
    wanted = ScannedCode(gtin=gtin, lot_code=lot)
    assert scanned(f"(01){gtin}(10){lot}(21)S1") == wanted
    assert scanned(f"01{gtin}10{lot}{GS}21S1") == wanted


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=60))
def test_any_text_is_read_or_refused_and_nothing_else(text):
    try:
        found = scanned(text)
    except (CodeUnreadable, GtinCheckDigit, GtinMalformed):
        return
    assert bool(found.gtin) != bool(found.text)
