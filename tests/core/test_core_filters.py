"""A filter that is asked for nonsense says so, on every list that has one."""

from __future__ import annotations

import pytest

from opticshop.core.filters import YesNoFilter
from tests.whole_document import document


def yes_no_filters():
    for path, operations in document()["paths"].items():
        for parameter in operations.get("get", {}).get("parameters", []):
            if parameter["in"] == "query" and parameter["schema"].get("type") == "boolean" and "{" not in path:
                yield path, parameter["name"]


@pytest.mark.django_db
def test_no_list_takes_nonsense_for_an_answer_to_yes_or_no(api, head_office):
    client = api(head_office)
    asked = list(yes_no_filters())
    assert len(asked) > 8
    for path, name in asked:
        response = client.get(path, {name: "perhaps"})
        assert response.status_code == 400, (path, name, response.content[:200])
        assert name in str(response.json()["errors"]), (path, name)


def test_yes_and_no_are_read_in_any_case():
    clean = YesNoFilter().field.clean
    assert [clean(word) for word in ("true", "False", "", None)] == [True, False, None, None]
