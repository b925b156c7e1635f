"""A filter that is asked for nonsense says so, on every list that has one."""

from __future__ import annotations

import pytest

from opticshop.core.api import Lists
from opticshop.core.filters import KnownFilters, YesNoFilter
from tests.access.operations import operations
from tests.whole_document import document

#: Reads that show one thing, or on one page all there is: they have no filters.
READ_WHOLE = {
    "me_list", "my_pin_list", "scheme_list", "alert_rule_list", "calculator_list", "plugin_list",
    "tolerance_standard_list", "audit_seal_list",
}  # fmt: skip


def yes_no_filters():
    for path, item in document()["paths"].items():
        for parameter in item.get("get", {}).get("parameters", []):
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


@pytest.mark.django_db
def test_a_misspelt_filter_is_refused_by_every_list(api, head_office):
    client, silent = api(head_office), []
    for operation in operations():
        if operation.method == "GET" and operation.action == "list" and not operation.places:
            if operation.id in READ_WHOLE or "fhir" in operation.id:
                continue
            answer = client.get(operation.path, {"brnach": "1"})
            if answer.status_code != 403 and not (answer.status_code == 400 and b"brnach" in answer.content):
                silent.append(f"{operation.id}: {answer.status_code}")
    assert not silent, "\n".join(silent)


def test_every_filter_of_the_document_is_known():
    unknown = []
    for operation in operations():
        if operation.method == "GET" and getattr(operation.view, operation.action, None) is Lists.list:
            known = KnownFilters().known(operation.view(detail=False, action="list"))
            unknown += [f"{operation.id}: {name}" for name in operation.queries if name not in known]
    assert not unknown


def test_yes_and_no_are_read_in_any_case():
    clean = YesNoFilter().field.clean
    assert [clean(word) for word in ("true", "False", "", None)] == [True, False, None, None]
