"""No change of a thing that can be read is left out: it needs If-Match, or docs/concurrency.md says why not."""

from __future__ import annotations

import inspect
import re
from collections import Counter
from pathlib import Path

from opticshop.core.api import ApiViewSet, Retrieves
from tests.access.operations import Operation, operations

TABLE = Path(__file__).parents[2] / "docs" / "concurrency.md"
_ROW = re.compile(r"^\| `([a-z_]+)` \|.*\|$", re.MULTILINE)


def changing() -> list[Operation]:
    """What changes one thing that can be read: a write at the address of the thing or below it."""
    found = [each for each in operations() if each.method != "GET" and each.path.startswith("/api/")]
    return [each for each in found if issubclass(each.view, ApiViewSet)]


def if_match(operation: Operation) -> bool | None:
    """Whether the header is required; None where the document does not know it."""
    for each in operation.details.get("parameters", ()):
        if (each["name"], each["in"]) == ("If-Match", "header"):
            return bool(each.get("required", False))
    return None


def test_every_amendment_needs_if_match_and_compares_it():
    amendments = [each for each in changing() if each.method in {"PATCH", "PUT"}]
    assert amendments
    for each in amendments:
        assert if_match(each) is True, each.id
        assert {"412", "428"} <= set(each.details["responses"]), each.id
        assert "expected_version" in inspect.getsource(getattr(each.view, each.action)), each.id


def test_every_other_change_heeds_if_match_and_is_listed_with_its_reason():
    others = [each for each in changing() if each.method in {"POST", "DELETE"} and "{id}" in each.path]
    others = [each for each in others if issubclass(each.view, Retrieves)]
    free = set()
    for each in others:
        needed = if_match(each)
        assert needed is not None, each.id
        assert "412" in each.details["responses"], each.id
        if not needed:
            free.add(each.id)
    listed = Counter(_ROW.findall(TABLE.read_text()))
    assert {name for name, times in listed.items() if times > 1} == set()
    assert {"missing": free - set(listed), "gone": set(listed) - free} == {"missing": set(), "gone": set()}
