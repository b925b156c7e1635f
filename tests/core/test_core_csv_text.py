"""CSV text: written so that no spreadsheet runs it, read back as it was."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.core import csv_text

TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=20)


@given(TEXTS)
def test_a_guarded_text_comes_back_as_it_was(text):
    assert csv_text.unguarded(csv_text.guarded(text)) == text


@given(TEXTS)
def test_a_guarded_text_begins_like_no_formula(text):
    """The beginnings named by OWASP's page on CSV injection (from memory): = + - @ tab, carriage return."""
    assert not csv_text.guarded(text).startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("text", ["'=1+1", "''@x", "'+44", "'", "O'Neil", "'quoted'"])
def test_an_apostrophe_of_the_text_itself_is_kept(text):
    assert csv_text.unguarded(csv_text.guarded(text)) == text


@given(st.lists(st.lists(TEXTS, min_size=2, max_size=2), max_size=5))
def test_what_is_written_is_read_by_the_standard_library(rows):
    """The csv module of Python is the outside judge; RFC 4180 ends lines by CRLF."""
    text = "".join(csv_text.lines(["a", "b"], rows))
    read = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert [[csv_text.unguarded(cell) for cell in row] for row in read[1:]] == rows
    assert text.startswith("a,b\r\n")


def test_numbers_stay_numbers_and_nothing_is_empty():
    [_, line] = csv_text.lines(["a"], [[Decimal("-1.50"), None, -2, Decimal("1E+2"), "-x"]])
    assert line == "-1.50,,-2,100,'-x\r\n"


def test_rows_are_numbered_as_a_text_editor_counts():
    text = 'a,b\r\n\r\n"two\r\nlines",x\r\n,\r\nlast,y\r\n'
    assert [line for line, _ in csv_text.table(text, ",")] == [1, 4, 6]


@pytest.mark.parametrize(
    ("content", "encoding", "kind"),
    [(b"\xff", "utf-8", csv_text.WrongEncoding), (b"\x81", "windows-1252", csv_text.WrongEncoding)],
)
def test_a_byte_that_is_no_text_is_named_with_its_line(content, encoding, kind):
    with pytest.raises(kind, match="Line 2 holds a byte"):
        csv_text.decoded(b"a\n" + content, encoding)


@pytest.mark.parametrize("text", ['a\n"never closed', 'a\n"x"y'])
def test_quotes_that_are_wrong_are_refused(text):
    with pytest.raises(csv_text.NotCsv):
        list(csv_text.table(text, ","))


def test_a_nul_character_is_no_text():
    with pytest.raises(csv_text.NotCsv, match="NUL"):
        csv_text.decoded(b"a\x00", "utf-8")


def test_a_byte_order_mark_is_no_part_of_the_text():
    assert csv_text.decoded(b"\xef\xbb\xbfa", "utf-8") == "a"
