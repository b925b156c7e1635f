"""The grammar of records. Source of every rule: the dossier on open interchange standards, section 2 (from memory of
the Data Communication Standard v3.12, not checked against the published text)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.optics.eyes import Eye
from opticshop.tracing import Missing, TraceError, read_records, write_records
from opticshop.tracing.records import LARGEST_FILE_BYTES, LINE_WIDTH, wrapped

from .shapes_for_tests import EXAMPLE

LABELS = st.from_regex(r"[A-Z_][A-Z0-9_]{0,9}", fullmatch=True).filter(lambda label: label != "STATUS")
TEXTS = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=40)
LINES = st.one_of(
    st.builds(lambda label, text: f"{label}={text}", LABELS, TEXTS), st.sampled_from(["", "  ", '_SHOP=a;"b;c";;'])
)
ENDINGS = st.sampled_from(["\r\n", "\n", "\r"])


def refusal(content: bytes) -> TraceError:
    with pytest.raises(TraceError) as caught:
        read_records(content)
    return caught.value


@given(st.lists(st.tuples(LINES, ENDINGS)), st.booleans())
def test_what_was_not_touched_is_written_byte_for_byte(lines, ends_open):
    content = "".join(line + ending for line, ending in lines)
    if ends_open:
        content = content.rstrip("\r\n")
    assert read_records(content.encode()).to_bytes() == content.encode()


def test_unknown_and_private_labels_stay_in_place_and_order():
    content = b'ZZTOP=1;?;\r\n_BENCH=3 ; x\nJOB="000123"\rWHAT=\r\n'
    records = read_records(content)
    assert [record.label for record in records] == ["ZZTOP", "_BENCH", "JOB", "WHAT"]
    assert [record.line for record in records] == [1, 2, 3, 4]
    assert records.labelled("JOB")[0].fields() == ["000123"]
    assert records.to_bytes() == content


@pytest.mark.parametrize("ending", [b"\r\n", b"\n", b"\r"])
def test_any_line_ending_is_accepted(ending):
    records = read_records(EXAMPLE.replace(b"\r\n", ending))
    assert [record.label for record in records][:3] == ["JOB", "DBL", "HBOX"]
    assert records.labelled("TRCFMT")[1].line == 8


@pytest.mark.parametrize(
    ("text", "right", "left", "ambiguous"),
    [
        ("50.00;49.50", 50.0, 49.5, False),
        ("50.00;?", 50.0, Missing.UNKNOWN, False),
        ("?;49.5", Missing.UNKNOWN, 49.5, False),
        ("0;-0.25", 0.0, -0.25, False),
        (";49.5", Missing.NOT_GIVEN, 49.5, False),
        ("50;", 50.0, Missing.NOT_GIVEN, False),
        ("50", 50.0, Missing.NOT_GIVEN, True),
        ("", Missing.NOT_GIVEN, Missing.NOT_GIVEN, False),
    ],
)
def test_right_comes_first_and_unknown_is_neither_zero_nor_nothing(text, right, left, ambiguous):
    [record] = read_records(f"HBOX={text}".encode())
    value = record.chiral()
    assert (value.right, value.left, value.is_ambiguous) == (right, left, ambiguous)
    assert (value.of(Eye.RIGHT), value.of(Eye.LEFT)) == (right, left)


@pytest.mark.parametrize(
    "text", ["50,00;50", "50.0.0;1", "nan;1", "1e3;1", "+-1;1", "1;2;3", "0x10;1", '"1;2', ' "1;2', '"1"x;2', '1; "2']
)
def test_what_is_not_two_plain_decimals_is_refused_with_line_and_label(text):
    [record] = read_records(f"HBOX={text}".encode())
    with pytest.raises(TraceError) as caught:
        record.chiral()
    assert (caught.value.line, caught.value.label) == (1, "HBOX")
    if "," in text:
        assert "decimal mark is a point" in caught.value.reason


def test_a_separator_within_quotes_is_text():
    [record] = read_records(b'FRAM="Heron; 50" ; x;')
    assert record.fields() == ["Heron; 50", "x", ""]


@pytest.mark.parametrize(
    ("content", "line", "label", "reason"),
    [
        (b"JOB=1\r\nR=25\x0000\r\n", 2, "R", "NUL"),
        (b"JOB=1\r\nR=\x9c\x01\r\n", 2, "R", "not ASCII"),
        (b"JOB=1\r\n\x1cJOB=2\x1d\r\n", 2, "", "serial session"),
        (b"JOB=1\n\nhello\n", 3, "", "label separator"),
        (b"job=1\n", 1, "", "not a label"),
        (b" JOB=1\n", 1, "", "not a label"),
        (b"=1\n", 1, "", "not a label"),
        (b"JOB=1\nSTATUS=12;no trace\n", 2, "STATUS", "failure"),
    ],
)
def test_what_is_no_record_is_refused_with_its_line(content, line, label, reason):
    error = refusal(content)
    assert (error.line, error.label) == (line, label)
    assert reason in error.reason


def test_a_status_of_nought_is_no_failure():
    assert len(list(read_records(b"STATUS=0;OK\nJOB=1\n"))) == 2


def test_a_file_over_the_size_limit_is_refused_before_it_is_read():
    assert "at most" in refusal(b"A" * (LARGEST_FILE_BYTES + 1)).reason


@given(st.lists(st.integers(-9999, 99999), min_size=1, max_size=200))
def test_long_data_repeats_the_label_within_the_width_of_a_line(values):
    rows = list(wrapped("R", values))
    assert all(len(label) + 1 + len(text) <= LINE_WIDTH for label, text in rows)
    read = [value for record in read_records(write_records(rows)) for value in record.integers()]
    assert read == values


@settings(max_examples=150)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_whole_or_refused_with_our_error(content):
    try:
        records = read_records(content)
    except TraceError:
        return
    assert records.to_bytes() == content
