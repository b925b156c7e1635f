"""Each calculator in the OpenAPI document: a path of its own, with the schemas that its plugin declares.

The view set serves all of them at ``/calculators/{name}/run/``. ``calculators_documented`` is a postprocessing hook of
drf-spectacular: it replaces the two operations with a name in their path by one pair per registered calculator.
``settings_documented`` is another: it shows the settings schema of each plugin.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from drf_spectacular.extensions import OpenApiSerializerExtension
from pydantic import BaseModel

from opticshop.plugin_api import Calculator

from .manager import host
from .registry import Brought
from .services.calculating import MAX_ROWS

_REFERENCE = "#/components/schemas/"
_JSON = "application/json"


class CalculatorInputsShape(OpenApiSerializerExtension):  # type: ignore[misc]
    """Where no calculator is named, its inputs are just an object."""

    target_class = "opticshop.pluginhost.serializers.CalculatorInputsIn"

    def map_serializer(self, auto_schema: Any, direction: str) -> dict[str, Any]:
        return {
            "type": "object",
            "description": "The inputs that the calculator declares.",
            "additionalProperties": True,
        }


def calculators_documented(result: dict[str, Any], generator: Any, **kwargs: Any) -> dict[str, Any]:
    """Replace ``/calculators/{name}/run/`` and ``/batch/`` by concrete paths with real schemas."""
    calculators = sorted(host().shelves.calculators.items())
    if not calculators:
        return result
    schemas = result.setdefault("components", {}).setdefault("schemas", {})
    documented: dict[str, Any] = {}
    for path, item in result["paths"].items():
        if "/calculators/{name}/" not in path or not set(item) <= {"post"}:
            documented[path] = item
            continue
        for name, brought in calculators:
            operation = copy.deepcopy(item["post"])
            _make_concrete(operation, name, brought, schemas, is_batch=path.endswith("/batch/"))
            documented[path.replace("{name}", name)] = {"post": operation}
    for general in ("CalculatorInputsInRequest", "CalculatorBatchInRequest"):
        schemas.pop(general, None)
    result["paths"] = documented
    result["components"]["schemas"] = dict(sorted(schemas.items()))
    return result


def settings_documented(result: dict[str, Any], generator: Any, **kwargs: Any) -> dict[str, Any]:
    """Put the settings schema of every plugin among the components, and name them where settings are written."""
    schemas = result.setdefault("components", {}).setdefault("schemas", {})
    references = []
    for plugin in host().plugins.values():
        name = "SettingsOf" + "".join(part.capitalize() for part in plugin.name.split("-"))
        own = {key: value for key, value in plugin.manifest.settings_schema.items() if key != "$schema"}
        schemas[name] = {**own, "title": f"Settings of {plugin.name}", "$id": f"urn:opticshop:settings:{plugin.name}"}
        references.append({"$ref": _REFERENCE + name})
    for component in ("ActivationSetInRequest", "ActivationSetIn"):
        properties = schemas.get(component, {}).get("properties", {})
        if references and "settings" in properties:
            words = properties["settings"].get("description", "")
            properties["settings"] = {"anyOf": references, "description": words}
    result["components"]["schemas"] = dict(sorted(schemas.items()))
    return result


def _make_concrete(
    operation: dict[str, Any],
    name: str,
    brought: Brought[Calculator[Any, Any]],
    schemas: dict[str, Any],
    *,
    is_batch: bool,
) -> None:
    calculator = brought.thing
    stem = "Calculator" + "".join(part.capitalize() for part in name.split("-"))
    inputs = _component(schemas, f"{stem}Inputs", calculator.Inputs, "validation")
    understood = _component(schemas, f"{stem}InputsUnderstood", calculator.Inputs, "serialization")
    outputs = _component(schemas, f"{stem}Outputs", calculator.Outputs, "serialization")
    body: dict[str, Any] = inputs
    example = calculator.example().model_dump(mode="json")
    if is_batch:
        body = {
            "type": "object",
            "required": ["rows"],
            "additionalProperties": False,
            "properties": {"rows": {"type": "array", "minItems": 1, "maxItems": MAX_ROWS, "items": inputs}},
        }
        example = {"rows": [example]}
    parameters = [one for one in operation.get("parameters", []) if one.get("name") != "name"]
    operation["parameters"] = parameters
    if not parameters:
        del operation["parameters"]
    operation["operationId"] = f"{operation['operationId']}_{name.replace('-', '_')}"
    operation["summary"] = f"{calculator.title}: many rows" if is_batch else calculator.title
    operation["description"] = _words(brought)
    operation["requestBody"] = {
        "required": True,
        "content": {_JSON: {"schema": body, "examples": {"example": {"summary": "An example", "value": example}}}},
    }
    answer = operation["responses"]["200"]["content"][_JSON]
    answer["schema"] = _batch_answer(outputs) if is_batch else _answer(understood, outputs)
    answer.pop("examples", None)


def _words(brought: Brought[Calculator[Any, Any]]) -> str:
    calculator, plugin = brought.thing, brought.plugin
    return (
        f"Topic: {calculator.topic}. Version {calculator.version}, brought by the plugin "
        f"{plugin.name} {plugin.manifest.version}.\n\nSource of the formula: {calculator.source}"
    )


def _answer(understood: Mapping[str, Any], outputs: Mapping[str, Any]) -> dict[str, Any]:
    return _beside("CalculatorAnswerOut", {"inputs": understood, "outputs": outputs})


def _batch_answer(outputs: Mapping[str, Any]) -> dict[str, Any]:
    row = _beside("RowAnswerOut", {"outputs": {"oneOf": [outputs, {"type": "null"}]}})
    return _beside("CalculatorBatchOut", {"rows": {"type": "array", "items": row}})


def _beside(component: str, properties: Mapping[str, Any]) -> dict[str, Any]:
    """A component of the document, with some of its properties said more exactly."""
    return {"allOf": [{"$ref": _REFERENCE + component}, {"type": "object", "properties": dict(properties)}]}


def _component(schemas: dict[str, Any], name: str, model: type[BaseModel], mode: Any) -> dict[str, Any]:
    """Put the JSON Schema of a model, and those it refers to, among the components; returns the reference."""
    schema = model.model_json_schema(mode=mode, ref_template=_REFERENCE + name + "{model}")
    for inner, definition in schema.pop("$defs", {}).items():
        schemas[name + inner] = definition
    schemas[name] = {**schema, "title": name}
    return {"$ref": _REFERENCE + name}
