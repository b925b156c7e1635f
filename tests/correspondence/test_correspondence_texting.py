"""Lengths of text messages. Limits: 3GPP TS 23.038 and TS 23.040, from memory: 160 septets alone and 153 in a part
(a header of six octets takes seven septets), 70 and 67 units of UCS-2; an escaped character is never torn apart."""

from __future__ import annotations

from math import ceil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.correspondence.texting import _BASIC, _EXTENDED, text_length


@pytest.mark.parametrize(
    ("text", "encoding", "units", "segments"),
    [
        ("", "gsm7", 0, 1),
        ("a" * 160, "gsm7", 160, 1),
        ("a" * 161, "gsm7", 161, 2),
        ("a" * 306, "gsm7", 306, 2),
        ("a" * 307, "gsm7", 307, 3),
        ("€" * 80, "gsm7", 160, 1),
        ("€" * 81, "gsm7", 162, 2),
        # 76 pairs fill 152 of 153 septets: the 77th goes whole to the next part.
        ("€" * 153, "gsm7", 306, 3),
        ("ŵ" * 70, "ucs2", 70, 1),  # Welsh w with a circumflex is not in the alphabet
        ("ŵ" * 71, "ucs2", 71, 2),
        ("😀" * 35, "ucs2", 70, 1),
        ("😀" * 36, "ucs2", 72, 2),
        ("Grüße, ÆØÅ Δ £5", "gsm7", 15, 1),
    ],
)
def test_lengths_at_the_limits(text, encoding, units, segments):
    found = text_length(text)
    assert (found.encoding, found.units, found.segments) == (encoding, units, segments)


def test_the_alphabet_has_127_characters_beside_the_escape_and_nine_more_with_it():
    """TS 23.038, clause 6.2.1 (from memory): 128 places, one of them the escape; form feed and nine characters."""
    assert len(set(_BASIC)) == len(_BASIC) == 127
    assert len(set(_EXTENDED)) == len(_EXTENDED) == 10
    assert not set(_BASIC) & set(_EXTENDED)


@given(st.text(alphabet=st.sampled_from(_BASIC + _EXTENDED), max_size=700))
def test_parts_hold_all_septets_and_no_fewer_would_do(text):
    found = text_length(text)
    pairs = sum(char in _EXTENDED for char in text)
    assert found.encoding == "gsm7"
    assert found.units == len(text) + pairs
    if found.units <= 160:
        assert found.segments == 1
    else:
        # At most one septet of a part is wasted, before a pair.
        assert ceil(found.units / 153) <= found.segments <= ceil(found.units / 152)


@given(st.text(max_size=300), st.characters(min_codepoint=0x4E00, max_codepoint=0x9FFF))
def test_one_strange_character_makes_all_of_it_ucs2(text, strange):
    found = text_length(text + strange)
    assert found.encoding == "ucs2"
    assert found.units == len((text + strange).encode("utf-16-le", "surrogatepass")) // 2
    assert found.segments >= text_length(text).segments
