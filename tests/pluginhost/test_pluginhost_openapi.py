"""The OpenAPI document holds every calculator's real inputs and outputs."""

from __future__ import annotations

import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import validate

from opticshop.plugin_api import CalculatorInputs, CalculatorOutputs, CalculatorResult, Quantity, hookimpl
from opticshop.pluginhost.testing import using_plugins
from tests.pluginhost.samples import CalculatorPlugin, Prentice, manifest


class Eye(CalculatorInputs):
    power_dpt: float = Quantity.dioptre("Power", ge=-30, le=30, example=1.0)


class Pair(Prentice):
    """A calculator whose inputs are made of others."""

    name, title = "pair-of-lenses", "A pair"

    class Inputs(CalculatorInputs):
        right: Eye
        left: Eye | None = None

    class Outputs(CalculatorOutputs):
        difference_dpt: float = Quantity.dioptre("Difference")

    def example(self):
        return self.Inputs(right=Eye(power_dpt=1))

    def compute(self, inputs):
        return CalculatorResult(self.Outputs(difference_dpt=0))


class PairPlugin:
    manifest = manifest("pairs")

    @hookimpl
    def register_calculators(self):
        return [Pair()]


def test_each_calculator_has_a_path_with_its_own_schemas(document):
    with using_plugins([CalculatorPlugin(), PairPlugin()]):
        schema, warnings = document()
    assert warnings == []
    validate(schema)
    paths = schema["paths"]
    assert "/api/v1/calculators/{name}/run/" not in paths
    assert "/api/v1/calculators/{name}/" in paths
    run = paths["/api/v1/calculators/prentice/run/"]["post"]
    assert run["operationId"] == "calculator_run_prentice"
    assert [each["in"] for each in run["parameters"]] == ["header"]  # its name is no parameter any more
    assert "Prentice's rule" in run["description"]
    body = run["requestBody"]["content"]["application/json"]
    assert body["schema"] == {"$ref": "#/components/schemas/CalculatorPrenticeInputs"}
    shapes = schema["components"]["schemas"]
    power = shapes["CalculatorPrenticeInputs"]["properties"]["power_dpt"]
    assert (power["minimum"], power["maximum"], power["unit"]) == (-30, 30, "D")
    assert shapes["CalculatorPrenticeInputs"]["additionalProperties"] is False
    assert "prism_dpt" in shapes["CalculatorPrenticeOutputs"]["properties"]
    assert "CalculatorInputsInRequest" not in shapes
    batch = paths["/api/v1/calculators/prentice/batch/"]["post"]["requestBody"]["content"]["application/json"]
    assert batch["schema"]["properties"]["rows"]["maxItems"] == 10_000


def test_shapes_within_shapes_are_components_of_their_own(document):
    with using_plugins([CalculatorPlugin(), PairPlugin()]):
        schema, _ = document()
    shapes = schema["components"]["schemas"]
    assert shapes["CalculatorPairOfLensesInputs"]["properties"]["right"] == {
        "$ref": "#/components/schemas/CalculatorPairOfLensesInputsEye"
    }
    assert shapes["CalculatorPairOfLensesInputsEye"]["properties"]["power_dpt"]["unit"] == "D"


@pytest.mark.django_db
def test_examples_are_accepted_and_answers_are_as_documented(document, api, clerk):
    with using_plugins([CalculatorPlugin(), PairPlugin()]):
        schema, _ = document()
        for path, item in schema["paths"].items():
            if not path.endswith(("/run/", "/batch/")):
                continue
            operation = item["post"]
            example = operation["requestBody"]["content"]["application/json"]["examples"]["example"]["value"]
            response = api(clerk).post(path, example)
            assert response.status_code == 200, (path, response.data)
            answer = operation["responses"]["200"]["content"]["application/json"]["schema"]
            Draft202012Validator({**answer, "components": schema["components"]}).validate(response.json())


def test_without_calculators_the_document_stays_general(document):
    with using_plugins([]):
        schema, warnings = document()
    assert warnings == []
    validate(schema)
    assert "/api/v1/calculators/{name}/run/" in schema["paths"]


def test_every_operation_has_a_summary_and_a_tag(document):
    with using_plugins([CalculatorPlugin()]):
        schema, _ = document()
    operations = [operation for item in schema["paths"].values() for operation in item.values()]
    assert all(operation.get("summary") and operation.get("tags") for operation in operations)
    ids = [operation["operationId"] for operation in operations]
    assert len(set(ids)) == len(ids)
