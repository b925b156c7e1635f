"""The lens calculators that come with the service, through the installed host: listed, run, batched and documented."""

from __future__ import annotations

import json

import pytest
from jsonschema import Draft202012Validator
from opticshop_lens_calculators import CALCULATORS, plugin

from opticshop.pluginhost.manager import host
from tests import whole_document

pytestmark = pytest.mark.django_db
URL = "/api/v1/calculators/"
NAMES = sorted(calculator.name for calculator in CALCULATORS)


def brought(name):
    return host().shelves.calculators[name].thing


def test_the_plugin_is_found_by_its_entry_point_and_healthy():
    found = host().plugins[plugin.manifest.name]
    assert found.implementation is plugin
    assert sorted(host().brings(found)["calculators"]) == NAMES


def test_all_are_listed_by_topic_with_the_source_of_their_formula(api, hand):
    rows = [row for row in api(hand).get(URL).data["results"] if row["plugin"] == plugin.manifest.name]
    assert sorted(row["name"] for row in rows) == NAMES
    assert [(row["topic"], row["name"]) for row in rows] == sorted((row["topic"], row["name"]) for row in rows)
    assert all(row["source"] and row["title"] and row["version"] == "1.0" for row in rows)


@pytest.mark.parametrize("name", NAMES)
def test_the_own_example_runs_once_and_in_a_batch(api, clerk, name):
    client, calculator = api(clerk), brought(name)
    example = client.get(f"{URL}{name}/").json()["example"]
    expected = json.loads(json.dumps(calculator.compute(calculator.example()).to_dict()))
    one = client.post(f"{URL}{name}/run/", example)
    assert one.status_code == 200, one.json()
    body = one.json()
    assert {key: body[key] for key in expected} == expected
    assert (body["plugin"], body["source"]) == (plugin.manifest.name, calculator.source)
    many = client.post(f"{URL}{name}/batch/", {"rows": [example, example, {**example, "no_such_field": 1}]})
    assert many.status_code == 200
    assert (many.json()["computed"], many.json()["failed"]) == (2, 1)
    assert [row["outputs"] for row in many.json()["rows"]] == [expected["outputs"], expected["outputs"], None]


@pytest.mark.parametrize("name", NAMES)
def test_the_worked_examples_are_published_and_can_be_sent_as_they_are(api, clerk, name):
    client = api(clerk)
    examples = client.get(f"{URL}{name}/").json()["worked_examples"]
    assert examples
    for example in examples:
        assert example["source"]
        answer = client.post(f"{URL}{name}/run/", example["inputs"])
        assert answer.status_code == 200, answer.json()
        assert set(example["outputs"]) <= set(answer.json()["outputs"])


def test_an_impossible_row_on_arrays_has_its_own_problem_and_spoils_no_other(api, clerk):
    # Effectivity has a pole at d F = 1: +40.00 D moved 25 mm toward the eye (the definition of vergence)
    rows = [{"sphere_dpt": power, "from_mm": 25, "to_mm": 0} for power in (-6, 40, 10)]
    body = api(clerk).post(f"{URL}vertex-compensation/batch/", {"rows": rows}).json()
    assert (body["computed"], body["failed"]) == (2, 1)
    assert [row["problem"] and row["problem"]["code"] for row in body["rows"]] == [
        None,
        "calculators.cannot_be_computed",
        None,
    ]
    alone = api(clerk).post(f"{URL}vertex-compensation/run/", rows[2]).json()
    assert body["rows"][2]["outputs"] == alone["outputs"]


def test_a_cylinder_without_an_axis_is_pointed_at_wherever_it_stands(api, clerk):
    power = {"sphere_dpt": -3, "cylinder_dpt": -1}
    flat = api(clerk).post(f"{URL}transposition/run/", power)
    nested = api(clerk).post(f"{URL}crossed-powers-sum/run/", {"first": power, "second": {"sphere_dpt": 1}})
    assert (flat.status_code, nested.status_code) == (422, 422)
    assert [(e["pointer"], e["code"]) for e in flat.json()["errors"]] == [("#", "axis_missing")]
    assert [(e["pointer"], e["code"]) for e in nested.json()["errors"]] == [("#/first", "axis_missing")]


def test_a_range_inside_a_part_is_told(api, clerk):
    whole = brought("blank-cut-out").example().model_dump(mode="json")
    whole["blank"]["diameter_mm"] = 500
    (error,) = api(clerk).post(f"{URL}blank-cut-out/run/", whole).json()["errors"]
    assert (error["pointer"], error["allowed"]["maximum"], error["allowed"]["unit"]) == (
        "#/blank/diameter_mm",
        120,
        "mm",
    )


@pytest.fixture(scope="module")
def document():
    """The document of the whole service."""
    return whole_document.document()


def test_the_document_of_the_service_holds_every_real_schema(document):
    for name in NAMES:
        stem = "Calculator" + "".join(part.capitalize() for part in name.split("-"))
        body = document["paths"][f"{URL}{name}/run/"]["post"]["requestBody"]["content"]["application/json"]["schema"]
        assert body == {"$ref": f"#/components/schemas/{stem}Inputs"}
        assert f"{URL}{name}/batch/" in document["paths"]
        schema = document["components"]["schemas"][f"{stem}Inputs"]
        assert set(schema["properties"]) == set(brought(name).Inputs.model_fields)
        assert all(field["description"] for field in schema["properties"].values())
    assert "{name}/run/" not in " ".join(document["paths"])


@pytest.mark.parametrize("name", NAMES)
def test_example_and_answer_are_as_documented(api, clerk, document, name):
    operation = document["paths"][f"{URL}{name}/run/"]["post"]
    content = operation["requestBody"]["content"]["application/json"]
    example = content["examples"]["example"]["value"]
    shapes = {"components": document["components"]}
    Draft202012Validator({**content["schema"], **shapes}).validate(example)
    answer = operation["responses"]["200"]["content"]["application/json"]["schema"]
    Draft202012Validator({**answer, **shapes}).validate(api(clerk).post(f"{URL}{name}/run/", example).json())
