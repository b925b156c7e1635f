"""No two kinds of documents share a series of numbers: each would tear gaps into the other's."""

from __future__ import annotations

import ast
from pathlib import Path

from opticshop.branches.series import Series

ROOT = Path(__file__).parents[2] / "opticshop"


def kinds_given():
    """Where in the code a number is given out, and of which series."""
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "number_next":
                (kind,) = [word.value for word in node.keywords if word.arg == "kind"]
                yield path.relative_to(ROOT), ast.unparse(kind)


def test_every_number_is_of_a_named_series_and_no_two_apps_share_one():
    given = list(kinds_given())
    assert len(given) >= len(Series) - 1  # invoices and credit notes are given out in one place
    named = [kind for _, kind in given if kind.startswith("Series.")]
    assert len(named) == len(set(named))
    assert {kind for _, kind in given} - set(named) == {"SERIES[kind]"}  # billing: invoice or credit note


def test_every_series_has_a_letter_of_its_own():
    assert len({str(series) for series in Series}) == len(list(Series))
