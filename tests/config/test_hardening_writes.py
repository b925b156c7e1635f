"""Mass assignment (OWASP API3:2023): what only the service sets cannot be set by sending it with a write."""

from __future__ import annotations

import pytest
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer
from tests.access.operations import operations

#: What is set by the service alone, under the names it has in answers and in tables.
OURS = {
    "id": "019c0000-0000-7000-8000-000000000000",
    "pk": 1,
    "version": 99,
    "created_at": "2020-01-01T00:00:00Z",
    "updated_at": "2020-01-01T00:00:00Z",
    "number": "MADE-UP-1",
    "is_superuser": True,
    "is_staff": True,
    "created_by": "019c0000-0000-7000-8000-000000000000",
    "search_family": "x",
}
#: Input shapes in which such a name is something that the caller says, and what.
MEANT: dict[tuple[str, str], str] = {}


def shapes():
    """(operation, name of the shape, shape) of every body that is JSON or a form."""
    for operation in operations():
        shape = getattr(operation.view, "inputs", {}).get(operation.action) if operation.body[0] else None
        if shape is not None:
            yield from inner(operation, shape())


def inner(operation, shape):
    shape = getattr(shape, "child", shape)
    if isinstance(shape, serializers.Serializer):
        yield operation, type(shape).__name__, shape
        for field in shape.fields.values():
            yield from inner(operation, field)


def test_every_shape_of_a_request_refuses_what_it_does_not_know():
    found = list(shapes())
    assert len({operation.id for operation, *_ in found}) > 150
    loose = {f"{name} of {operation.id}" for operation, name, shape in found if not isinstance(shape, StrictSerializer)}
    assert not loose


def test_no_shape_of_a_request_takes_what_only_the_service_sets():
    taken = {
        (name, field)
        for _, name, shape in shapes()
        for field, one in shape.fields.items()
        if field in OURS and not one.read_only
    }
    assert taken <= set(MEANT)


@pytest.mark.django_db
def test_what_only_the_service_sets_is_refused_over_http_and_nothing_is_written(api, head_office):
    """Every write of a thing that is new, with the example of the document and more in it."""
    client, tried, wrong = api(head_office), 0, []
    client.raise_request_exception = False
    for operation in operations():
        media, example = operation.body
        if operation.method != "POST" or operation.places or media != "application/json" or not operation.roles():
            continue
        if not isinstance(example, dict) or "inputs" not in dir(operation.view):
            continue
        once = operation.view.idempotent.get(operation.action) == "required"
        headers = {"If-Match": '"1"', **({"Idempotency-Key": operation.id} if once else {})}
        answer = client.post(operation.path, {**example, **OURS}, headers=headers)
        if answer.status_code == 403:
            continue
        tried += 1
        told = {each["pointer"] for each in answer.json().get("errors", ())}
        known = set(getattr(operation.view.inputs[operation.action](), "fields", ()))
        if answer.status_code not in {400, 422} or not {f"#/{name}" for name in OURS if name not in known} <= told:
            wrong.append(f"{operation.id}: {answer.status_code} {answer.content[:200]!r}")
    assert tried > 40
    assert not wrong, "\n".join(wrong)
