"""What a batch costs: 10,000 rows through the plugin host, against the optics core called directly on arrays.

Run: python tests/benchmarks/plugins/bench_calculator_batch.py

Four ways to the same numbers, in microseconds a row, best of several rounds run in turn:
    host      services.calculator_batch: JSON-like rows in, strict checks, compute_batch, checked JSON-ready rows out
    plugin    the calculator's own compute_batch on inputs that are already checked
    single    services.calculator_run, one row a call (fewer rows, same unit)
    direct    the optics function on arrays that are already there: no checks of rows, no rows out

Ratios are direct / host (the share of the host's time that is arithmetic) and single / host (what batching saves).
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[3]))

import django
import numpy as np
from django.test.utils import setup_databases, teardown_databases

from opticshop import optics

ROWS = 10_000
SINGLE_ROWS = 500
ROUNDS = 3

Columns = dict[str, Any]
Direct = Callable[[Columns], Any]


def powers(rng: np.random.Generator) -> Columns:
    return {
        "sphere_dpt": rng.uniform(-12, -0.5, ROWS),
        "cylinder_dpt": rng.uniform(-4, -0.25, ROWS),
        "axis_deg": rng.uniform(0, 180, ROWS),
    }


def triple(columns: Columns) -> tuple[Any, Any, Any]:
    return columns["sphere_dpt"], columns["cylinder_dpt"], columns["axis_deg"]


def transposed(columns: Columns) -> Any:
    power = triple(columns)
    return optics.to_minus_cylinder(*power), optics.to_plus_cylinder(*power), optics.crossed_cylinders(*power)


def vector(columns: Columns) -> Any:
    found = optics.power_vector(*triple(columns))
    return found, optics.blur_strength(*found)


def moved(columns: Columns) -> Any:
    found = optics.effective_sphero_cylinder(*triple(columns), columns["from_mm"], columns["to_mm"])
    return optics.to_minus_cylinder(*found)


def prism(columns: Columns) -> Any:
    found = optics.prentice_toric(*triple(columns), columns["x_mm"], columns["y_mm"])
    return optics.prism_polar(*found)


def decentred(columns: Columns) -> Any:
    return optics.toric_decentration(*triple(columns), columns["base_in_pdpt"], columns["base_up_pdpt"])


def cases(rng: np.random.Generator) -> list[tuple[str, Columns, dict[str, Any], Direct]]:
    """(calculator, columns, words that are the same in every row, the direct call)."""
    vertex = {"from_mm": rng.uniform(10, 16, ROWS), "to_mm": rng.uniform(0, 16, ROWS)}
    point = {"x_mm": rng.uniform(-20, 20, ROWS), "y_mm": rng.uniform(-20, 20, ROWS)}
    wanted = {"base_in_pdpt": rng.uniform(-5, 5, ROWS), "base_up_pdpt": rng.uniform(-5, 5, ROWS)}
    return [
        ("transposition", powers(rng), {}, transposed),
        ("power-vector", powers(rng), {}, vector),
        ("vertex-compensation", powers(rng) | vertex, {}, moved),
        ("prism-at-point", powers(rng) | point, {"eye": "right"}, prism),
        ("decentration-for-prism", powers(rng) | wanted, {"eye": "right"}, decentred),
    ]


def best_in_turn(calls: list[tuple[int, Callable[[], Any]]]) -> list[float]:
    """Microseconds a row of each call, best of the rounds; the calls take turns so that all see the same machine."""
    best = [float("inf")] * len(calls)
    for _ in range(ROUNDS):
        for position, (rows, call) in enumerate(calls):
            start = time.perf_counter()
            call()
            best[position] = min(best[position], (time.perf_counter() - start) / rows * 1e6)
    return best


def main() -> None:
    """Print the table. Needs Django set up and a database, in which nothing is written."""
    from opticshop.core.actor import system
    from opticshop.pluginhost import services
    from opticshop.pluginhost.manager import host

    actor = system("benchmark")
    print(f"numpy {np.__version__}, {ROWS:,} rows a batch, best of {ROUNDS} rounds, microseconds a row")
    names = ("host", "plugin", "single", "direct")
    print(f"{'calculator':<26}" + "".join(f"{name:>10}" for name in names) + f"{'direct/host':>13}{'single/host':>13}")
    for name, columns, words, direct in cases(np.random.default_rng(1)):
        keys = list(columns)
        values = zip(*(column.tolist() for column in columns.values()), strict=True)
        rows = [dict(zip(keys, row, strict=True)) | words for row in values]
        calculator = host().shelves.calculators[name].thing
        checked = [calculator.Inputs.model_validate(row) for row in rows]
        answer = services.calculator_batch(actor=actor, name=name, rows=rows)
        assert (answer.computed, answer.failed) == (ROWS, 0), name

        def one_by_one(name: str = name, rows: list[Any] = rows) -> None:
            for row in rows[:SINGLE_ROWS]:
                services.calculator_run(actor=actor, name=name, inputs=row)

        together, plugin, single, bare = best_in_turn(
            [
                (ROWS, lambda name=name, rows=rows: services.calculator_batch(actor=actor, name=name, rows=rows)),
                (ROWS, lambda calculator=calculator, checked=checked: calculator.compute_batch(checked)),
                (SINGLE_ROWS, one_by_one),
                (ROWS, lambda direct=direct, columns=columns: direct(columns)),
            ]
        )
        figures = "".join(f"{figure:>10.2f}" for figure in (together, plugin, single, bare))
        print(f"{name:<26}{figures}{bare / together:>13.4f}{single / together:>13.1f}")


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "opticshop.config.settings.test")
    django.setup()
    databases = setup_databases(verbosity=0, interactive=False)
    try:
        main()
    finally:
        teardown_databases(databases, verbosity=0)
