"""Prism calculators against published and independently computed values; the source stands beside each row."""

from __future__ import annotations

from typing import Any

import pytest

COMPUTED = "computed from first principles"
ANSWERS_13 = "NFOS opticianry course, module 13 answers, http://www.nfos.org/degree/opt11/answers_13a.html"
FLASHCARDS = (
    "Study flashcards OPT-1156 Ophthalmic Lens II, "
    "https://brainscape.com/flashcards/opt-1156-ophthalmic-lens-ii-unit-1-2261801/packs/4023756"
)


def rx(sphere: float, cylinder: float = 0, axis: float = 180) -> dict[str, Any]:
    return {"sphere_dpt": sphere, "cylinder_dpt": cylinder, "axis_deg": axis}


POINTS = [
    (rx(8.5), 0, -2, 0, 1.7, 1.7, 90, f"{ANSWERS_13} (1.7 base up)"),
    (rx(5, -1.5, 90), 0, -8, 0, 4, 4, 90, f"{ANSWERS_13} (4.0 base up)"),
    (rx(-3, -2, 30), 4, -8, 2.09282, -3.94641, 4.466996, 297.937449, COMPUTED),
    (rx(2, -4, 45), 0, -10, 2, 0, 2, 0, COMPUTED),
    (rx(-6, -1.5, 120), -3, 5, -1.81274, 2.992644, 3.49885, 121.204632, COMPUTED),
    (rx(0, -3, 180), 5, 5, 0, 1.5, 1.5, 90, COMPUTED),
]


@pytest.mark.parametrize(("power", "x", "y", "px", "py", "prism", "base", "source"), POINTS)
def test_prism_at_a_point(
    check: Any, power: Any, x: float, y: float, px: float, py: float, prism: float, base: float, source: str
) -> None:
    for eye, nasal in (("right", 1), ("left", -1)):
        outputs = {"prism_pdpt": prism, "base_deg": base, "base_in_pdpt": nasal * px, "base_up_pdpt": py}
        check("prism-at-point", {**power, "eye": eye, "x_mm": x, "y_mm": y}, outputs)


@pytest.mark.parametrize(("power", "x", "y", "px", "py", "prism", "base", "source"), POINTS)
def test_decentration_gives_the_prism_of_the_opposite_point(
    check: Any, power: Any, x: float, y: float, px: float, py: float, prism: float, base: float, source: str
) -> None:
    for eye, nasal in (("right", 1), ("left", -1)):
        inputs = {**power, "eye": eye, "in_mm": -nasal * x, "up_mm": -y}
        check("prism-by-decentration", inputs, {"prism_pdpt": prism, "base_deg": base, "base_up_pdpt": py})


@pytest.mark.parametrize("eye", ["right", "left"])
def test_five_out_in_a_minus_lens_is_base_in(check: Any, eye: str) -> None:
    # NFOS module 13 answers: -3.25 D, optical centre 5 mm out, any eye: 1.625, printed 1.6 base in
    outputs = {"prism_pdpt": 1.625, "base_in_pdpt": 1.625, "base_up_pdpt": 0}
    check("prism-by-decentration", {**rx(-3.25), "eye": eye, "in_mm": -5}, outputs)


def test_decentration_for_a_prism(check: Any) -> None:
    # OD exam question, https://www.odquestions.com/help/demo/1?q=1: -15.00 D, 3 prism dioptres: 2 mm
    wanted = {**rx(-15), "eye": "left", "base_in_pdpt": 0, "base_up_pdpt": 3}
    check("decentration-for-prism", wanted, {"distance_mm": 2, "in_mm": 0, "up_mm": -2})


@pytest.mark.parametrize("index", [2, 4])
def test_decentration_for_a_prism_reverses_the_rule(check: Any, index: int) -> None:
    # The oblique rows of Prentice's rule above, read backwards (computed from first principles)
    power, x, y, px, py, *_ = POINTS[index]
    wanted = {**power, "eye": "left", "base_in_pdpt": -px, "base_up_pdpt": py}
    check("decentration-for-prism", wanted, {"in_mm": x, "up_mm": -y}, 1e-4)


@pytest.mark.parametrize(
    ("eye", "horizontal", "side", "vertical", "way", "prism", "base"),
    [
        ("right", 3, "in", 4, "up", 5, 53.130102),
        ("left", 3, "in", 4, "up", 5, 126.869898),
        ("right", 2, "out", 1.5, "down", 2.5, 216.869898),
        ("left", 1.25, "out", 2.75, "down", 3.020761, 294.443955),
    ],
)
def test_prism_composed(
    check: Any, eye: str, horizontal: float, side: str, vertical: float, way: str, prism: float, base: float
) -> None:
    # Source of each row: computed from first principles
    inputs = {
        "eye": eye,
        "horizontal_pdpt": horizontal,
        "horizontal_base": side,
        "vertical_pdpt": vertical,
        "vertical_base": way,
    }
    half = {"half_circle": way, "half_circle_base_deg": base if way == "up" else base - 180}
    check("prism-composed", inputs, {"prism_pdpt": prism, "base_deg": base, **half})


@pytest.mark.parametrize(
    ("eye", "prism", "base", "horizontal", "side", "vertical", "way"),
    [
        ("right", 5, 150, 4.330127, "out", 2.5, "up"),
        ("left", 2.5, 330, 2.165064, "out", 1.25, "down"),
        ("left", 4, 45, 2.828427, "out", 2.828427, "up"),
    ],
)
def test_prism_resolved(
    check: Any, eye: str, prism: float, base: float, horizontal: float, side: str, vertical: float, way: str
) -> None:
    # Source of each row: computed from first principles
    outputs = {
        "horizontal_pdpt": horizontal,
        "horizontal_base": side,
        "vertical_pdpt": vertical,
        "vertical_base": way,
    }
    check("prism-resolved", {"eye": eye, "prism_pdpt": prism, "base_deg": base}, outputs)
    half = {"base_deg": base if way == "up" else base - 180, "half_circle": way}
    check("prism-resolved", {"eye": eye, "prism_pdpt": prism, **half}, {**outputs, "base_deg": base})


def test_no_prism_has_no_base(check: Any) -> None:
    # Zero prism: base undefined; return null (topic 8 of the reference file)
    nothing = {"base_deg": None, "half_circle": None, "half_circle_base_deg": None}
    check("prism-resolved", {"eye": "right", "prism_pdpt": 0, "base_deg": 90}, {**nothing, "horizontal_base": None})
    opposite = [{"prism_pdpt": 2, "base_deg": 30}, {"prism_pdpt": 2, "base_deg": 210}]
    check("prisms-combined", {"prisms": opposite}, {**nothing, "prism_pdpt": 0})
    check("prism-at-point", {**rx(-3), "eye": "right", "x_mm": 0, "y_mm": 0}, {"base_deg": None, "prism_pdpt": 0})


def test_prisms_combined(check: Any) -> None:
    # computed from first principles
    prisms = [{"prism_pdpt": 3, "base_deg": 20}, {"prism_pdpt": 2, "base_deg": 110}]
    check("prisms-combined", {"prisms": prisms}, {"prism_pdpt": 3.605551, "base_deg": 53.690068})


@pytest.mark.parametrize(("prism", "deviation"), [(1, 0.572939), (10, 5.710593), (20, 11.309932)])
def test_deviation(check: Any, prism: float, deviation: float) -> None:
    # Source of each row: computed from first principles
    check("prism-deviation", {"prism_pdpt": prism}, {"deviation_deg": deviation}, 1e-6)
    check("prism-of-deviation", {"deviation_deg": deviation}, {"prism_pdpt": prism})


PAIRS = [
    (rx(-6), rx(-6), (2, 2, 0, 0), (1.2, 0, 1.2, 0), (2.4, 0)),
    (rx(4), rx(4), (-2, -2, 0, 0), (0.8, 0, 0.8, 0), (1.6, 0)),
    (rx(-5, -1, 90), rx(-3, -2, 180), (1.5, 1.5, 0, 0), (0.9, 0, 0.45, 0), (1.35, 0)),
    (rx(-4), rx(-4), (0, 0, 1, -1), (0, -0.4, 0, 0.4), (0, -0.8)),
    (rx(3, -2, 45), rx(3, -2, 135), (1, 1, 0, 2), (-0.2, -0.1, 0, 0.3), (-0.2, -0.4)),
]


@pytest.mark.parametrize(("right", "left", "errors", "each", "together"), PAIRS)
def test_pair_prism_from_centration(check: Any, right: Any, left: Any, errors: Any, each: Any, together: Any) -> None:
    # Source of each row: computed from first principles
    names = ("right_out_mm", "left_out_mm", "right_up_mm", "left_up_mm")
    outputs = {
        "right": {"base_in_pdpt": each[0], "base_up_pdpt": each[1]},
        "left": {"base_in_pdpt": each[2], "base_up_pdpt": each[3]},
        "base_in_pdpt": together[0],
        "right_up_pdpt": together[1],
    }
    inputs = {"right": right, "left": left, **dict(zip(names, errors, strict=True))}
    check("pair-prism-from-centration", inputs, outputs)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("together", [pair[-1] for pair in PAIRS])
def test_shared_prism_keeps_the_relative_prism(run: Any, together: tuple[float, float], share: float) -> None:
    # The relative prisms of the rows above, shared and put together again by their definition
    base_in, right_up = together
    inputs = {"base_in_pdpt": base_in, "right_up_pdpt": right_up, "right_share": share}
    shared = run("prism-shared", inputs).outputs
    assert shared.right.base_in_pdpt + shared.left.base_in_pdpt == pytest.approx(base_in)
    assert shared.right.base_up_pdpt - shared.left.base_up_pdpt == pytest.approx(right_up)
    assert shared.right.base_in_pdpt == pytest.approx(share * base_in)


@pytest.mark.parametrize(
    ("right", "left", "drop", "inset", "ups", "difference", "slab_eye", "source"),
    [
        (rx(-3, -2), rx(-2.75, -2.5, 90), 8, 0, (-4, -2.2), -1.8, "right", f"{FLASHCARDS} (1.8; base up R)"),
        (rx(1), rx(4), 10, 0, (1, 4), -3, "right", COMPUTED),
        (rx(-1, -1, 90), rx(-5, -2), 9, 0, (-0.9, -6.3), 5.4, "left", COMPUTED),
        (rx(2, -1.5, 45), rx(-1, -0.5, 120), 10, 2, (1.1, -1.168301), 2.268301, "left", COMPUTED),
        (rx(-1), rx(1), 5, 0, (-0.5, 0.5), -1, "right", "20/20 magazine, https://www.2020mag.com/l-and-t/40051/"),
    ],
)
def test_reading_level_imbalance(
    check: Any,
    right: Any,
    left: Any,
    drop: float,
    inset: float,
    ups: tuple[float, float],
    difference: float,
    slab_eye: str,
    source: str,
) -> None:
    outputs = {
        "right_up_pdpt": ups[0],
        "left_up_pdpt": ups[1],
        "difference_pdpt": difference,
        "slab_pdpt": abs(difference),
        "slab_eye": slab_eye,
    }
    check("reading-level-imbalance", {"right": right, "left": left, "drop_mm": drop, "inset_mm": inset}, outputs)
