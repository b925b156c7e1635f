"""What is asked for: nothing is guessed, contradictions are refused by name, and nothing that is admitted breaks."""

from __future__ import annotations

from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from opticshop_lens_calculators import CALCULATORS
from pydantic import BaseModel, ValidationError

from opticshop.optics import OpticsError
from opticshop.plugin_api import InvalidInputs

NAMES = [calculator.name for calculator in CALCULATORS]
BY_NAME = dict(zip(NAMES, CALCULATORS, strict=True))


def bounds(metadata: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for item in metadata:
        inner = getattr(item, "metadata", [item])
        for bound in inner:
            for name in ("ge", "gt", "le", "lt", "min_length", "max_length"):
                if getattr(bound, name, None) is not None:
                    found[name] = getattr(bound, name)
    return found


def values(annotation: Any, metadata: Any) -> st.SearchStrategy[Any]:
    """Anything that a field of this type and these bounds admits; long lists are kept short."""
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return values(inner[0], [*inner[1:], *metadata])
    if origin in (Union, UnionType):
        return st.one_of(st.none() if item is type(None) else values(item, metadata) for item in inner)
    if origin is Literal:
        return st.sampled_from(inner)
    limits = bounds(metadata)
    if origin is tuple:
        shortest = limits.get("min_length", 0)
        return st.lists(values(inner[0], []), min_size=shortest, max_size=min(limits["max_length"], shortest + 8))
    if annotation is bool:
        return st.booleans()
    if annotation is str:
        return st.sampled_from(["adc-1.50", "crown-1.52", "anything"])
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return dictionaries(annotation)
    low, high = limits.get("ge", limits.get("gt")), limits.get("le", limits.get("lt"))
    return st.floats(low, high, exclude_min="gt" in limits, exclude_max="lt" in limits, allow_subnormal=False)


def dictionaries(model: type[BaseModel]) -> st.SearchStrategy[dict[str, Any]]:
    fields = {name: values(info.annotation, info.metadata) for name, info in model.model_fields.items()}
    return st.fixed_dictionaries(fields)


def near_the_example(calculator: Any) -> st.SearchStrategy[dict[str, Any]]:
    """Inputs of which some fields are those of the example, so that many of them describe a lens that exists."""
    example = calculator.example().model_dump()
    fields = {
        name: st.just(example[name]) | values(info.annotation, info.metadata)
        for name, info in calculator.Inputs.model_fields.items()
    }
    return st.fixed_dictionaries(fields)


@pytest.mark.parametrize("name", NAMES)
@given(data=st.data())
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_whatever_the_schema_admits_is_answered_or_refused(name: str, data: Any) -> None:
    calculator = BY_NAME[name]
    candidate = data.draw(near_the_example(calculator) | dictionaries(calculator.Inputs))
    faults: set[str] = set()
    refusal: OpticsError | InvalidInputs | None = None
    try:
        inputs = calculator.Inputs.model_validate(candidate)
        result = calculator.compute(inputs)
    except ValidationError as error:
        faults = {fault["type"] for fault in error.errors()}
    except (OpticsError, InvalidInputs) as error:
        refusal = error
    if faults:
        assert faults == {"axis_missing"}
    elif refusal is not None:
        assert refusal.code
        assert refusal.message
    else:
        assert isinstance(result.outputs, calculator.Outputs)
        assert result == calculator.compute(inputs)


@pytest.mark.parametrize("name", NAMES)
def test_every_calculator_names_a_source_and_a_worked_example(name: str) -> None:
    calculator = BY_NAME[name]
    assert calculator.source
    assert all(example.source for example in calculator.worked_examples)
    assert calculator.worked_examples


def test_names_are_unique_and_topics_few() -> None:
    assert len(set(NAMES)) == len(NAMES)
    assert {calculator.topic for calculator in CALCULATORS} == {
        "aberrations",
        "centration",
        "lens form",
        "magnification",
        "near vision",
        "power",
        "prism",
        "surfaces",
        "thickness and weight",
        "tilt",
        "tints",
        "whole pair",
    }


@pytest.mark.parametrize(
    "name",
    [name for name in NAMES if "cylinder_dpt" in BY_NAME[name].Inputs.model_fields and name != "spherical-equivalent"],
)
def test_a_cylinder_without_an_axis_is_refused(name: str) -> None:
    calculator = BY_NAME[name]
    whole = calculator.example().model_dump()
    with pytest.raises(ValidationError) as refused:
        calculator.Inputs.model_validate({**whole, "cylinder_dpt": -1.0, "axis_deg": None})
    assert refused.value.errors()[0]["type"] == "axis_missing"
    assert calculator.compute(calculator.Inputs.model_validate({**whole, "cylinder_dpt": 0.0, "axis_deg": None}))


FRAME = {"a_mm": 52, "dbl_mm": 18}
MEASURED = {**FRAME, "mono_pd_mm": 31.5}
LENS = {"sphere_dpt": -5, "front_power_dpt": 3, "index": 1.6, "minimum_centre_mm": 1.5, "minimum_edge_mm": 1}
CUT = {"eye": "right", "in_mm": 3, "blank": {"diameter_mm": 65}}


@pytest.mark.parametrize(
    ("name", "inputs", "field", "words"),
    [
        ("boxed-decentration", FRAME, "mono_pd_mm", "either"),
        ("boxed-decentration", {**MEASURED, "binocular_pd_mm": 64}, "mono_pd_mm", "either"),
        ("boxed-decentration", {**MEASURED, "height_mm": 20}, "b_mm", "needs the boxed height"),
        ("boxed-decentration", {**MEASURED, "height_mm": 40, "b_mm": 36}, "height_mm", "above the box"),
        ("minimum-blank-rule", {**MEASURED, "ed_mm": 45}, "ed_mm", "never less"),
        ("minimum-blank-rule", {**MEASURED, "b_mm": 36, "ed_mm": 70}, "ed_mm", "lies between"),
        ("outline-measures", {"outline": {}}, "outline", "Give traced radii"),
        ("outline-measures", {"outline": {"a_mm": 50, "b_mm": 36}}, "outline", "Give traced radii"),
        ("outline-measures", {"outline": {"a_mm": 50, "b_mm": 36, "ed_mm": 52, "exponent": 3}}, "outline", "either ED"),
        ("outline-measures", {"outline": {"a_mm": 50, "b_mm": 36, "ed_mm": 70}}, "outline", "lies between"),
        ("outline-measures", {"outline": {"radii_mm": [25] * 8, "a_mm": 50}}, "outline", "not both"),
        ("outline-measures", {"outline": {"radii_mm": [25] * 8, "angles_deg": [0] * 8}}, "angles_deg", "rise"),
        ("blank-cut-out", {**CUT, "outline": {"angles_deg": range(8)}}, "outline", "Give traced radii"),
        ("segment-placement", {**MEASURED, "b_mm": 30, "mono_near_pd_mm": 30, "segment_height_mm": 31}, None, "above"),
        ("tint-density", {}, "transmittance_percent", "either"),
        ("tint-density", {"transmittance_percent": 50, "optical_density": 0.3}, "transmittance_percent", "either"),
        ("toric-base-curve", {"sphere_dpt": 3, "base_curve_dpt": 0}, "base_dpt", "zero"),
        ("surface-sagitta", {"surface_power_dpt": 20, "index": 1.5, "chord_mm": 60}, None, "does not reach"),
        ("surface-power-of-radius", {"radius_mm": 0, "index": 1.5}, "radius_mm", "no surface"),
        ("decentration-for-prism", {"sphere_dpt": 0, "eye": "right", "base_in_pdpt": 1}, None, "no prism"),
        ("vertex-compensation", {"sphere_dpt": 40, "from_mm": 25, "to_mm": 0}, "power_dpt", "falls on"),
        ("round-lens-thickness", {**LENS, "sphere_dpt": 20, "front_power_dpt": 25, "diameter_mm": 80}, None, ""),
    ],
)
def test_contradictions_are_refused_by_name(
    run: Any, name: str, inputs: dict[str, Any], field: str | None, words: str
) -> None:
    with pytest.raises((OpticsError, InvalidInputs)) as refused:
        run(name, inputs)
    assert words in refused.value.message
    if field is not None:
        assert refused.value.field == field


def test_an_unknown_material_is_refused_with_the_known_ones(run: Any) -> None:
    whole = BY_NAME["material-comparison"].example().model_dump()
    with pytest.raises(InvalidInputs, match=r"crown-1\.52") as refused:
        run("material-comparison", {**whole, "material_keys": ["unobtainium-3"]})
    assert refused.value.field == "material_keys"
