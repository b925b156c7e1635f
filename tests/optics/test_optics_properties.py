"""What must hold for every input: algebraic laws, arrays equal to scalars, and nothing but numbers coming out."""

from __future__ import annotations

import contextlib
import dataclasses
import math
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import opticshop.optics as optics
from opticshop.optics import Eye, OpticsError, Prism, SpheroCylinder
from opticshop.optics.errors import InvalidNumber, OutOfRange, ShapeMismatch, SingularPower

spheres = st.floats(-25, 25)
cylinders = st.floats(-8, 8)
axes = st.floats(0, 180)
quarters = st.integers(-100, 100).map(lambda n: n / 4)
lenses = st.builds(SpheroCylinder, spheres, cylinders, axes)
prisms = st.builds(Prism, st.floats(-20, 20), st.floats(-20, 20))
vertices = st.floats(0, 25)


def matrix(lens: SpheroCylinder) -> Any:
    return pytest.approx(lens.power_matrix, abs=1e-7)


# Laws --------------------------------------------------------------------------------------------------------


@given(quarters, quarters, st.integers(1, 180))
@example(0.0, -0.5, 90)
@example(1.0, -0.5, 180)
def test_transposition_is_an_exact_involution_on_written_powers(sphere: float, cylinder: float, axis: int) -> None:
    once = optics.transpose(sphere, cylinder, axis)
    assert optics.transpose(*once) == (sphere, cylinder, axis)
    assert 0 < once[2] <= 180


@given(lenses)
def test_every_form_is_the_same_lens(lens: SpheroCylinder) -> None:
    assert lens.transposed().power_matrix == matrix(lens)
    assert lens.to_minus_cylinder().cylinder_dpt <= 0 <= lens.to_plus_cylinder().cylinder_dpt
    assert lens.to_minus_cylinder().power_matrix == matrix(lens)
    assert SpheroCylinder.from_power_vector(*lens.power_vector).power_matrix == matrix(lens)
    assert SpheroCylinder.from_power_matrix(*lens.power_matrix).power_matrix == matrix(lens)


@given(lenses)
def test_matrix_has_the_trace_and_determinant_of_the_lens(lens: SpheroCylinder) -> None:
    # Trace = 2S + C, determinant = S (S + C)
    f11, f12, f22 = lens.power_matrix
    s, c, _ = lens.triple
    assert f11 + f22 == pytest.approx(2 * s + c, abs=1e-9)
    assert f11 * f22 - f12 * f12 == pytest.approx(s * (s + c), abs=1e-7)


@given(lenses, lenses)
def test_power_vectors_add(one: SpheroCylinder, two: SpheroCylinder) -> None:
    added = np.add(one.power_vector, two.power_vector)
    assert (one + two).power_vector == pytest.approx(added, abs=1e-8)
    assert (one + two - two).power_matrix == matrix(one)
    assert (one + two).power_matrix == matrix(two + one)


@given(lenses, st.floats(0, 180))
def test_meridional_power_is_the_matrix_seen_along_the_meridian(lens: SpheroCylinder, meridian: float) -> None:
    # u^T F u with u = (cos m, sin m)
    f11, f12, f22 = lens.power_matrix
    c, s = math.cos(math.radians(meridian)), math.sin(math.radians(meridian))
    assert lens.power_along(meridian) == pytest.approx(f11 * c * c + 2 * f12 * c * s + f22 * s * s, abs=1e-9)


@given(lenses, vertices, vertices)
def test_effectivity_round_trips(lens: SpheroCylinder, start: float, end: float) -> None:
    there = lens.at_vertex(start, end)
    assert there.at_vertex(end, start).power_matrix == matrix(lens)


@given(st.floats(-25, 25).filter(lambda power: abs(power) > 1e-3), vertices, vertices)
def test_effectivity_shifts_the_focus(power: float, start: float, end: float) -> None:
    # 1/F' = 1/F - d
    moved = optics.effective_power(power, start, end)
    assert 1 / moved == pytest.approx(1 / power - (start - end) / 1000)


@given(prisms, prisms)
def test_prisms_add_as_vectors(one: Prism, two: Prism) -> None:
    total = one + two
    assert (total.x_pdpt, total.y_pdpt) == pytest.approx((one.x_pdpt + two.x_pdpt, one.y_pdpt + two.y_pdpt))
    assert total.magnitude_pdpt <= one.magnitude_pdpt + two.magnitude_pdpt + 1e-9


@given(prisms, st.sampled_from(Eye))
def test_prism_notations_say_the_same(prism: Prism, eye: Eye) -> None:
    base = prism.base_deg
    if base is not None:
        again = Prism.from_polar(prism.magnitude_pdpt, base)
        assert (again.x_pdpt, again.y_pdpt) == pytest.approx((prism.x_pdpt, prism.y_pdpt), abs=1e-9)
        assert 0 <= base < 360
    words = Prism.for_eye(eye, base_in_pdpt=prism.base_in_pdpt(eye), base_up_pdpt=prism.base_up_pdpt)
    assert words == prism


@given(lenses, st.floats(-30, 30), st.floats(-30, 30))
def test_prentice_is_linear_and_principal_meridians_agree(lens: SpheroCylinder, x: float, y: float) -> None:
    # Resolve r along the principal meridians, apply S and S + C, recombine
    along, across = lens.principal_powers_dpt
    c, s = math.cos(math.radians(lens.axis_deg)), math.sin(math.radians(lens.axis_deg))
    u, v = x * c + y * s, y * c - x * s
    pu, pv = -along * u / 10, -across * v / 10
    prism = optics.prism_at(lens, x, y)
    assert (prism.x_pdpt, prism.y_pdpt) == pytest.approx((pu * c - pv * s, pu * s + pv * c), abs=1e-9)


@given(lenses, prisms)
def test_decentration_for_a_prism_gives_that_prism(lens: SpheroCylinder, prism: Prism) -> None:
    along, across = lens.principal_powers_dpt
    if min(abs(along), abs(across)) < 0.1:
        return
    centre = optics.decentration_of_prism(lens, prism)
    again = optics.prism_of_decentration(lens, *centre)
    assert (again.x_pdpt, again.y_pdpt) == pytest.approx((prism.x_pdpt, prism.y_pdpt), abs=1e-7)


@given(lenses, st.floats(-20, 20), st.floats(-20, 20), st.sampled_from(Eye), st.sampled_from(optics.TiltModel))
def test_ordered_power_acts_as_prescribed(
    lens: SpheroCylinder, panto: float, wrap: float, eye: Eye, model: optics.TiltModel
) -> None:
    tilt = {"panto_deg": panto, "wrap_deg": wrap, "index": 1.6, "eye": eye, "model": model}
    acting = optics.effective_tilted_power(*optics.power_to_order(*lens.triple, **tilt), **tilt)
    assert optics.power_matrix(*acting) == matrix(lens)


@given(st.floats(-15, 15), st.floats(0, 12), st.floats(1, 9))
def test_thicker_edge_follows_thicker_centre(bvp: float, front: float, centre: float) -> None:
    back = optics.back_surface_power(front, bvp, centre, 1.6)
    assert optics.back_vertex_power(front, back, centre, 1.6) == pytest.approx(bvp, abs=1e-9)


# Arrays equal scalars, and nothing but numbers comes out -----------------------------------------------------

POWER, CYLINDER, AXIS, MM, INDEX = (-20.0, 20.0), (-6.0, 6.0), (0.0, 180.0), (-15.0, 15.0), (1.4, 1.9)
SIZE, VERTEX, ANGLE = (20.0, 60.0), (0.0, 20.0), (0.0, 360.0)
TRIPLE = {"sphere_dpt": POWER, "cylinder_dpt": CYLINDER, "axis_deg": AXIS}
SURFACES = {"front_power_dpt": (0.0, 12.0), "back_power_dpt": (-12.0, 0.0), "thickness_mm": (0.5, 8.0), "index": INDEX}


def sum_of_triples(s1: Any, c1: Any, a1: Any, s2: Any, c2: Any, a2: Any) -> Any:
    return optics.add_powers((s1, c1, a1), (s2, c2, a2))


def difference_of_triples(s1: Any, c1: Any, a1: Any, s2: Any, c2: Any, a2: Any) -> Any:
    return optics.subtract_powers((s1, c1, a1), (s2, c2, a2))


def both_tilts_to_order(s: Any, c: Any, a: Any, panto: Any, wrap: Any, n: Any) -> Any:
    return optics.power_to_order(s, c, a, panto_deg=panto, wrap_deg=wrap, index=n)


def both_tilts_effective(s: Any, c: Any, a: Any, panto: Any, wrap: Any, n: Any) -> Any:
    return optics.effective_tilted_power(
        s, c, a, panto_deg=panto, wrap_deg=wrap, index=n, model=optics.TiltModel.MARTIN
    )


def base_in_left(x: Any) -> Any:
    return optics.base_in(x, Eye.LEFT)


SIX = {"s1": POWER, "c1": CYLINDER, "a1": AXIS, "s2": POWER, "c2": CYLINDER, "a2": AXIS}
TILTED = {"s": POWER, "c": CYLINDER, "a": AXIS, "panto": (-15.0, 15.0), "wrap": (-15.0, 15.0), "n": INDEX}
NEAR = {"pd": (25.0, 40.0), "w": (250.0, 600.0), "f": (-20.0, 20.0), "s": (20.0, 30.0)}

FUNCTIONS: list[tuple[Callable[..., Any], dict[str, tuple[float, float]]]] = [
    (optics.fold_axis, {"a": (-400.0, 400.0)}),
    (optics.transpose, TRIPLE),
    (optics.to_minus_cylinder, TRIPLE),
    (optics.to_plus_cylinder, TRIPLE),
    (optics.crossed_cylinders, TRIPLE),
    (optics.spherical_equivalent, {"s": POWER, "c": CYLINDER}),
    (optics.power_vector, TRIPLE),
    (optics.from_power_vector, {"m": POWER, "j0": CYLINDER, "j45": CYLINDER}),
    (optics.blur_strength, {"m": POWER, "j0": CYLINDER, "j45": CYLINDER}),
    (optics.power_matrix, TRIPLE),
    (optics.from_power_matrix, {"f11": POWER, "f12": CYLINDER, "f22": POWER}),
    (sum_of_triples, SIX),
    (difference_of_triples, SIX),
    (optics.meridional_power, TRIPLE | {"m": ANGLE}),
    (optics.effective_power, {"f": POWER, "start": VERTEX, "end": VERTEX}),
    (optics.effective_power_linear, {"f": POWER, "start": VERTEX, "end": VERTEX}),
    (optics.effective_sphero_cylinder, TRIPLE | {"start": VERTEX, "end": VERTEX}),
    (optics.prism_components, {"p": (0.0, 20.0), "base": ANGLE}),
    (optics.prism_polar, {"x": MM, "y": MM}),
    (base_in_left, {"x": MM}),
    (optics.deviation_deg, {"p": (0.0, 40.0)}),
    (optics.prism_of_deviation, {"d": (-40.0, 40.0)}),
    (optics.prentice, {"f": POWER, "c": MM}),
    (optics.prentice_decentration, {"f": (0.25, 20.0), "p": (0.0, 5.0)}),
    (optics.prentice_toric, TRIPLE | {"x": MM, "y": MM}),
    (optics.toric_decentration, {"s": (7.0, 20.0), "c": CYLINDER, "a": AXIS, "px": MM, "py": MM}),
    (optics.boxed_centre_distance_mm, {"a": SIZE, "dbl": (14.0, 24.0)}),
    (optics.decentration_in_mm, {"a": SIZE, "dbl": (14.0, 24.0), "pd": (25.0, 40.0)}),
    (optics.decentration_in_binocular_mm, {"a": SIZE, "dbl": (14.0, 24.0), "pd": (50.0, 80.0)}),
    (optics.decentration_up_mm, {"height": (10.0, 35.0), "b": (20.0, 50.0)}),
    (optics.minimum_blank_mm, {"ed": SIZE, "x": MM, "y": MM, "more": (0.0, 3.0)}),
    (optics.radius_mm, {"f": (0.5, 20.0), "n": INDEX}),
    (optics.surface_power_dpt, {"r": (30.0, 500.0), "n": INDEX}),
    (optics.sagitta_mm, {"f": (-8.0, 8.0), "y": (0.0, 30.0), "n": INDEX}),
    (optics.sagitta_approximate_mm, {"f": POWER, "y": (0.0, 30.0), "n": INDEX}),
    (optics.true_surface_power_dpt, {"f": POWER, "n": INDEX, "clock": (1.5, 1.55)}),
    (optics.clock_reading_dpt, {"f": POWER, "n": INDEX, "clock": (1.5, 1.55)}),
    (optics.back_vertex_power, SURFACES),
    (optics.front_vertex_power, SURFACES),
    (optics.equivalent_power, SURFACES),
    (optics.back_surface_power, SURFACES),
    (optics.front_surface_power, SURFACES),
    (optics.edge_thickness_mm, {"f1": (0.0, 4.0), "f2": (-8.0, -4.0), "tc": (1.0, 5.0), "y": (0.0, 25.0), "n": INDEX}),
    (optics.round_volume_mm3, {"f1": (0.0, 4.0), "f2": (-8.0, -4.0), "tc": (1.0, 5.0), "d": SIZE, "n": INDEX}),
    (optics.weight_g, {"v": (100.0, 2e4), "d": (1.0, 3.0)}),
    (optics.tilt_factor, {"tilt": (-20.0, 20.0), "n": INDEX}),
    (optics.combined_tilt, {"panto": (-20.0, 20.0), "wrap": (-20.0, 20.0)}),
    (both_tilts_to_order, TILTED),
    (both_tilts_effective, TILTED),
    (optics.centre_drop_mm, {"panto": (-20.0, 20.0)}),
    (optics.spectacle_magnification, {"f1": (0.0, 12.0), "bvp": POWER, "t": (0.5, 8.0), "n": INDEX, "h": VERTEX}),
    (optics.size_difference_percent, {"r": (0.8, 1.3), "l": (0.8, 1.3)}),
    (optics.near_inset_mm, NEAR),
    (optics.near_pd_mm, NEAR),
    (
        optics.segment_placement,
        {"a": SIZE, "dbl": VERTEX, "b": SIZE, "pd": (28.0, 38.0), "near": (25.0, 35.0), "height": (10.0, 25.0)},
    ),
    (optics.image_jump, {"add": (0.5, 4.0), "distance": MM}),
    (optics.transverse_chromatic_pdpt, {"p": (0.0, 10.0), "v": (25.0, 60.0)}),
    (optics.longitudinal_chromatic_dpt, {"f": POWER, "v": (25.0, 60.0)}),
    (optics.density, {"t": (0.01, 1.0)}),
    (optics.transmittance, {"d": (0.0, 5.0)}),
    (optics.internal_transmittance, {"t": (0.01, 1.0), "from": (1.0, 4.0), "to": (0.5, 6.0)}),
    (optics.surface_reflectance, {"n": INDEX}),
    (optics.uncoated_transmittance, {"n": INDEX}),
    (optics.welding_shade, {"t": (0.01, 1.0)}),
]
IDS = [function.__name__ for function, _ in FUNCTIONS]


def flat(result: Any) -> list[Any]:
    """Every number of a result: a number, an array, a tuple of them, or a dataclass of them."""
    if dataclasses.is_dataclass(result):
        return [getattr(result, field.name) for field in dataclasses.fields(result)]
    return list(result) if isinstance(result, tuple) else [result]


def samples(bounds: dict[str, tuple[float, float]], count: int) -> list[Any]:
    rng = np.random.default_rng(20240501)
    return [rng.uniform(low, high, count) for low, high in bounds.values()]


@pytest.mark.parametrize(("function", "bounds"), FUNCTIONS, ids=IDS)
def test_arrays_equal_scalars(function: Callable[..., Any], bounds: dict[str, tuple[float, float]]) -> None:
    columns = samples(bounds, 40)
    together = [np.asarray(part) for part in flat(function(*columns))]
    assert all(part.shape == (40,) for part in together)
    for row in range(40):
        alone = flat(function(*(float(column[row]) for column in columns)))
        assert all(type(value) is float for value in alone)
        assert [part[row] for part in together] == pytest.approx(alone, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(("function", "bounds"), FUNCTIONS, ids=IDS)
def test_shapes_broadcast(function: Callable[..., Any], bounds: dict[str, tuple[float, float]]) -> None:
    columns = samples(bounds, 6)
    first, *rest = columns
    scalars = [float(column[0]) for column in rest]
    results = flat(function(first, *scalars))
    assert any(np.shape(part) == (6,) for part in results)
    if rest:
        grid = flat(function(first[:, None], rest[0][None, :], *(float(column[0]) for column in rest[1:])))
        assert any(np.shape(part) == (6, 6) for part in grid)


@pytest.mark.parametrize(("function", "bounds"), FUNCTIONS, ids=IDS)
def test_long_arrays_equal_their_parts(
    function: Callable[..., Any], bounds: dict[str, tuple[float, float]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("opticshop.optics._numeric.BLOCK", 7)
    columns = samples(bounds, 30)
    whole, parts = flat(function(*columns)), flat(function(*(column[5:9] for column in columns)))
    for one, other in zip(whole, parts, strict=True):
        assert one[5:9] == pytest.approx(other, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(("function", "bounds"), FUNCTIONS, ids=IDS)
def test_decimals_and_integers_are_numbers(
    function: Callable[..., Any], bounds: dict[str, tuple[float, float]]
) -> None:
    middles = [round((low + high) / 2, 1) + 0.5 for low, high in bounds.values()]
    try:
        expected = flat(function(*middles))
    except OpticsError:
        middles = [round((low + high) / 2, 2) for low, high in bounds.values()]
        expected = flat(function(*middles))
    assert flat(function(*(Decimal(str(value)) for value in middles))) == pytest.approx(expected)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, Decimal("NaN"), "1", None, 1e300, 10**400])
@pytest.mark.parametrize(("function", "bounds"), FUNCTIONS, ids=IDS)
def test_unreal_input_is_refused(
    function: Callable[..., Any], bounds: dict[str, tuple[float, float]], bad: Any
) -> None:
    good = [(low + high) / 2 for low, high in bounds.values()]
    for position in range(len(good)):
        with pytest.raises(OpticsError) as caught:
            function(*good[:position], bad, *good[position + 1 :])
        assert caught.value.code in {"optics.invalid_number", "optics.out_of_range"}
        if isinstance(bad, float):
            with pytest.raises(OpticsError):
                function(*good[:position], np.array([good[position], bad]), *good[position + 1 :])


wild = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(-1000, 1000),
    st.floats(-2, 2),
    st.sampled_from([0.0, -0.0, 90.0, 180.0, 360.0, 1.5, 1000.0, 1e6, -1e6, 1e-300]),
)


@settings(max_examples=60)
@pytest.mark.parametrize(("function", "bounds"), FUNCTIONS, ids=IDS)
@given(data=st.data())
def test_only_finite_numbers_or_an_optics_error_come_out(
    function: Callable[..., Any], bounds: dict[str, tuple[float, float]], data: st.DataObject
) -> None:
    mixed = [data.draw(st.one_of(wild, st.floats(low, high))) for low, high in bounds.values()]
    results: list[Any] = []
    with contextlib.suppress(OpticsError):
        results = flat(function(*mixed))
    assert all(math.isfinite(value) for value in results)


def test_every_public_number_function_is_in_the_table() -> None:
    takes_one_lens = {  # functions on value objects, counted in their own tests
        "axis_difference_deg",
        "base_in",
        "add_powers",
        "subtract_powers",
        "effective_tilted_power",
        "power_to_order",
        "check_limit",
        "compensated_for_tilt",
        "compute_eye",
        "compute_pair",
        "cut_out",
        "cut_out_for_eye",
        "decentration_of_prism",
        "decide_symmetric",
        "decide_with_guard_band",
        "edge_profile",
        "folded_axis_deg",
        "lens_for_outline",
        "minimum_blank_exact_mm",
        "power_deviation",
        "prism_at",
        "prism_of_centration_errors",
        "prism_of_decentration",
        "rank_materials",
        "reading_imbalance",
        "relative_prism",
        "round_lens",
        "shaped_volume_mm3",
        "smallest_enclosing_circle",
        "split_prism",
        "stacked_transmittance",
        "suits_night_driving",
        "superellipse_exponent",
        "tint_category",
        "toric_base_form",
    }
    functions = {name for name in optics.__all__ if name.islower() and callable(getattr(optics, name))}
    assert functions == takes_one_lens | ({function.__name__ for function, _ in FUNCTIONS} & functions)


# Errors ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "error", "field"),
    [
        ((math.nan,), InvalidNumber, "sphere_dpt"),
        ((1, math.inf), InvalidNumber, "cylinder_dpt"),
        ((1, -1, 181), OutOfRange, "axis_deg"),
        ((1, -1, -0.5), OutOfRange, "axis_deg"),
        (("1",), InvalidNumber, "sphere_dpt"),
        (([1, 2],), InvalidNumber, "sphere_dpt"),
        ((2e6,), OutOfRange, "sphere_dpt"),
    ],
)
def test_a_power_names_the_field_at_fault(arguments: tuple[Any, ...], error: type[OpticsError], field: str) -> None:
    with pytest.raises(error) as caught:
        SpheroCylinder(*arguments)
    assert caught.value.field == field
    assert isinstance(caught.value, ValueError)
    assert field in str(caught.value)


def test_a_sphere_has_no_axis_to_differ_in() -> None:
    assert SpheroCylinder(2, 0, 45) == SpheroCylinder(2) == SpheroCylinder(2, -0.0, 0).transposed()
    assert SpheroCylinder(1, -1, 0).axis_deg == 180


def test_values_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        SpheroCylinder(1).sphere_dpt = 2  # type: ignore[misc]


def test_arrays_that_do_not_broadcast_are_refused() -> None:
    with pytest.raises(ShapeMismatch):
        optics.transpose([1, 2, 3], [1, 2], 90)


def test_pole_of_effectivity_is_a_typed_error() -> None:
    # d F = 1: +50 D moved 20 mm toward the eye focuses there
    with pytest.raises(SingularPower) as caught:
        optics.effective_power(50, 20, 0)
    assert caught.value.code == "optics.singular_power"
    with pytest.raises(SingularPower):
        optics.effective_power([10, 50], 20, 0)
    with pytest.raises(SingularPower):
        SpheroCylinder(60, -10, 90).at_vertex(20, 0)


def test_lens_without_power_cannot_be_decentred_into_prism() -> None:
    with pytest.raises(SingularPower):
        optics.prentice_decentration(0, 2)
    with pytest.raises(SingularPower):
        optics.decentration_of_prism(SpheroCylinder(0, -2, 90), Prism(1, 1))


def test_empty_arrays_stay_empty() -> None:
    empty = np.array([])
    assert [part.shape for part in optics.power_vector(empty, empty, empty)] == [(0,)] * 3
    assert optics.effective_power(empty, 12, 0).shape == (0,)
    assert optics.sagitta_mm(empty, 10, 1.5).shape == (0,)


def test_inputs_are_not_changed() -> None:
    axis = np.array([0.0, 90.0, 180.0])
    sphere = np.array([1.0, 2.0, 3.0])
    for function in (optics.transpose, optics.to_minus_cylinder, optics.to_plus_cylinder):
        _, _, turned = function(sphere, -1.0, axis)
        turned += 1
    optics.fold_axis(axis)
    assert axis.tolist() == [0, 90, 180]
    assert sphere.tolist() == [1, 2, 3]
