"""The OpenAPI document: complete, valid, in trade words, and with examples that fit their schemas."""

from __future__ import annotations

import re
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import validate

from opticshop.config.openapi import SPECTACULAR
from tests.whole_document import document, warnings

METHODS = {"get", "post", "put", "patch", "delete"}


def operations():
    for path, item in document()["paths"].items():
        for method, operation in item.items():
            if method in METHODS:
                yield f"{method.upper()} {path}", operation


def examples(content: dict[str, Any]):
    for media in content.values():
        for name, example in media.get("examples", {}).items():
            yield name, media["schema"], example["value"]


def test_the_document_is_valid_and_made_without_a_warning():
    validate(document())
    assert not warnings()


def test_every_operation_says_what_it_is_for():
    known = {tag["name"] for tag in SPECTACULAR["TAGS"]}
    ids = []
    for name, operation in operations():
        assert set(operation["tags"]) <= known, name
        assert operation.get("summary"), name
        assert operation["security"], name
        ids.append(operation["operationId"])
    assert len(ids) == len(set(ids))


def test_every_operation_documents_its_problems():
    for name, operation in operations():
        shape = "application/fhir+json" if " /fhir/" in name else "application/problem+json"
        problems = {status for status, answer in operation["responses"].items() if shape in answer.get("content", {})}
        is_open = {} in operation["security"]
        assert ({"406", "429"} if is_open else {"401", "403", "406", "429"}) <= problems, name
        if name.startswith(("POST", "PUT", "PATCH")):
            assert {"400", "404", "409", "415", "422"} <= problems, name


def test_every_request_has_an_example_and_every_example_fits():
    lacking, wrong = [], []
    components = document()["components"]
    for name, operation in operations():
        content = operation.get("requestBody", {}).get("content", {})
        given = list(examples(content))
        if content and not given and "multipart/form-data" not in content:
            lacking.append(name)
        for title, schema, value in given:
            validator = Draft202012Validator({**schema, "components": components})
            wrong += [f"{name} {title}: {e.json_path} {e.message}" for e in validator.iter_errors(value)]
    assert not wrong
    assert not lacking


@pytest.mark.django_db
def test_no_decimal_pattern_admits_an_empty_text():
    for name, schema in document()["components"]["schemas"].items():
        for field, shape in (schema.get("properties") or {}).items():
            pattern = shape.get("pattern") if isinstance(shape, dict) else None
            if shape and isinstance(shape, dict) and shape.get("format") == "decimal":
                assert pattern, f"{name}.{field} says no pattern"
                assert not re.match(pattern, ""), f"{name}.{field}"


def _answer(path, method="get", status="200"):
    operation = document()["paths"][path][method]
    return operation["responses"][status]["content"]["application/json"]["schema"]


def _component(name):
    return document()["components"]["schemas"][name]["properties"]


def test_what_is_shown_and_may_be_empty_says_so():
    assert {"type": "string", "maxLength": 0} in _component("CustomerOut")["email"]["anyOf"]
    assert "BlankEnum" in str(_component("ConsentChangeOut")["purpose"])
    assert "anyOf" not in _component("CustomerRegisterInRequest")["note"]


def test_times_of_the_wall_clock_have_no_zone():
    """RFC 3339, 5.6: ``full-time`` has an offset, ``partial-time`` none (OpenAPI format registry: ``time-local``)."""
    shape = _component("OpeningHoursOut")["opens_at"]
    assert shape["format"] == "time-local"
    assert re.match(shape["pattern"], "09:00:00")
    assert not re.match(shape["pattern"], "09:00:00Z")


@pytest.mark.parametrize("path", ["plugins", "calculators", "tolerance-standards"])
def test_what_is_no_table_is_a_list_all_the_same(path):
    reference = _answer(f"/api/v1/{path}/")["$ref"].rpartition("/")[2]
    assert set(_component(reference)) == {"next", "previous", "results"}


def test_every_read_with_a_query_may_be_malformed():
    for name, operation in operations():
        asks = any(parameter["in"] == "query" for parameter in operation.get("parameters", ()))
        if name.startswith("GET") and asks and " /fhir/" not in name:
            assert {"400", "422"} <= set(operation["responses"]), name
