"""Batches on arrays give the very digits of single runs, and an impossible row raises what it raises alone."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from opticshop_lens_calculators import CALCULATORS
from opticshop_lens_calculators.arrays import ArrayCalculator

from opticshop.optics import SingularPower

ON_ARRAYS = [calculator for calculator in CALCULATORS if isinstance(calculator, ArrayCalculator)]
NAMES = [calculator.name for calculator in ON_ARRAYS]


def number_within(info: Any) -> st.SearchStrategy[float]:
    low = next(bound.ge for bound in info.metadata if hasattr(bound, "ge"))
    high = next(bound.le for bound in info.metadata if hasattr(bound, "le"))
    return st.floats(low, high) | st.integers(int(low), int(high)).map(float)


def rows_of(calculator: Any) -> st.SearchStrategy[Any]:
    words = {"eye": st.sampled_from(["right", "left"]), "cylinder_form": st.sampled_from(["minus", "plus"])}
    fields = {
        name: words[name] if name in words else number_within(info)
        for name, info in calculator.Inputs.model_fields.items()
    }
    return st.fixed_dictionaries(fields).map(calculator.Inputs.model_validate)


def test_the_calculators_that_are_run_in_bulk_work_on_arrays() -> None:
    assert {
        "transposition",
        "power-vector",
        "power-from-vector",
        "vertex-compensation",
        "prism-at-point",
        "prism-by-decentration",
        "decentration-for-prism",
    } <= set(NAMES)


@pytest.mark.parametrize("calculator", ON_ARRAYS, ids=NAMES)
@given(data=st.data())
@settings(max_examples=25, deadline=None)
def test_a_batch_has_the_digits_of_single_runs(calculator: Any, data: Any) -> None:
    rows = data.draw(st.lists(rows_of(calculator), min_size=1, max_size=9))
    try:
        together = calculator.compute_batch(rows)
    except SingularPower as error:
        assert calculator.name in {"vertex-compensation", "decentration-for-prism"}
        with pytest.raises(type(error)):
            [calculator.compute(row) for row in rows]
        return
    assert together == [calculator.compute(row) for row in rows]


@pytest.mark.parametrize("calculator", ON_ARRAYS, ids=NAMES)
def test_a_long_batch_has_the_digits_of_single_runs(calculator: Any) -> None:
    chance = random.Random(7)
    rows = []
    for _ in range(1500):
        row = {"eye": chance.choice(["right", "left"]), "sphere_dpt": chance.uniform(-12, -1)}
        row |= {"cylinder_dpt": chance.uniform(-4, 0), "axis_deg": chance.uniform(0, 180)}
        row |= {name: chance.uniform(0, 10) for name in calculator.Inputs.model_fields if name not in row}
        row["cylinder_form"] = chance.choice(["minus", "plus"])
        known = {name: value for name, value in row.items() if name in calculator.Inputs.model_fields}
        rows.append(calculator.Inputs.model_validate(known))
    assert calculator.compute_batch(rows) == [calculator.compute(row) for row in rows]


def test_an_impossible_row_raises_what_it_raises_alone() -> None:
    (vertex,) = (calculator for calculator in ON_ARRAYS if calculator.name == "vertex-compensation")
    sound = vertex.Inputs(sphere_dpt=-6, from_mm=12, to_mm=0)
    pole = vertex.Inputs(sphere_dpt=40, from_mm=25, to_mm=0)
    with pytest.raises(SingularPower) as alone:
        vertex.compute(pole)
    with pytest.raises(SingularPower) as together:
        vertex.compute_batch([sound, pole, sound])
    assert (together.value.code, together.value.message) == (alone.value.code, alone.value.message)
