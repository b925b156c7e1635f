"""Entity tags and conditions, against RFC 9110: the table of 8.8.3.2, and 13.1.1 and 13.1.2."""

from __future__ import annotations

import pytest

from opticshop.core.errors import VersionMismatch
from opticshop.core.preconditions import entity_tag, is_unchanged, tags_named, versions_named


def test_a_tag_is_strong_and_differs_with_the_bytes_and_with_the_version():
    tag = entity_tag(3, {"a": 1})
    assert tag.startswith('"3-')
    assert not tag.startswith("W/")
    assert len({tag, entity_tag(3, {"a": 2}), entity_tag(4, {"a": 1}), entity_tag(None, {"a": 1})}) == 4
    assert entity_tag(3, {"a": 1}) == tag
    assert entity_tag(3) == '"3"'


@pytest.mark.parametrize(
    ("one", "other", "strong", "weak"),
    [
        ('W/"1"', 'W/"1"', False, True),
        ('W/"1"', 'W/"2"', False, False),
        ('W/"1"', '"1"', False, True),
        ('"1"', '"1"', True, True),
    ],
)
def test_the_two_comparisons_are_those_of_the_table(one, other, strong, weak):
    """RFC 9110, 8.8.3.2, table 3. If-Match compares strongly, If-None-Match weakly. Our own tags are strong."""
    assert is_unchanged(one, other) is weak
    if not other.startswith("W/"):
        try:
            assert (1 in (versions_named(one) or ())) is strong
        except VersionMismatch:
            assert not strong


@pytest.mark.parametrize(
    ("header", "unchanged"),
    [(None, False), ("", False), ("*", True), ('"a", W/"7-00", "b"', True), ('"a","b"', False), ('"7-00', False)],
)
def test_if_none_match_takes_lists_and_the_star(header, unchanged):
    assert is_unchanged(header, '"7-00"') is unchanged


@pytest.mark.parametrize(
    ("header", "versions"),
    [
        ('"7"', {7}),
        ("7", {7}),
        ('"7-0123456789abcdef"', {7}),
        ('"7", "9-0123456789abcdef"', {7, 9}),
        ('W/"7", "8"', {8}),
        ('"elsewhere", "8"', {8}),
        ("*", None),
    ],
)
def test_if_match_names_versions(header, versions):
    assert versions_named(header) == versions


@pytest.mark.parametrize("header", ['W/"7"', '"x"', "", '"7-short"', '"-7"', '"9999999999"'])
def test_if_match_that_names_no_version_of_ours_never_matches(header):
    with pytest.raises(VersionMismatch):
        versions_named(header)


def test_if_match_of_a_thing_without_version_is_compared_as_a_whole():
    assert tags_named('W/"a", "b"') == {'"b"'}
