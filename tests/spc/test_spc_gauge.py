"""Gauge studies against the worked study of AIAG MSA, and against a least-squares analysis of variance done here."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.spc import SpcError, gauge_anova, gauge_average_range

few = settings(max_examples=25, deadline=None)

#: AIAG, Measurement Systems Analysis, 4th edition, chapter III: three appraisers, ten parts, three trials. Quoted from
#: memory and compared with copies of the data set in public repositories; the interim values are checked below.
_TRIALS = {
    "A": [
        [0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36],
        [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25],
        [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
    ],
    "B": [
        [0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68],
        [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62],
        [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50],
    ],
    "C": [
        [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
        [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
        [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
    ],
}
#: Shape (operators, parts, trials).
AIAG = np.array([np.array(trials).T for trials in _TRIALS.values()])


def sigmas(study):
    return {component.name: component.sigma for component in study.components}


def test_average_and_range_as_published():
    """AIAG MSA 4th edition, the data sheet (from memory): mean range 0.3417, difference of averages 0.4446, range of
    parts 3.511; EV 0.20188, AV 0.22963, GRR 0.30575, PV 1.10456, TV 1.14610; 17.62, 20.04, 26.68 and 96.38 percent of
    TV; ndc 5. AIAG rounds its constants, so the last digit may differ."""
    assert np.ptp(AIAG, axis=2).mean() == pytest.approx(0.3417, abs=5e-5)
    assert np.ptp(AIAG.mean(axis=(1, 2))) == pytest.approx(0.4446, abs=2e-4)
    assert np.ptp(AIAG.mean(axis=(0, 2))) == pytest.approx(3.511, abs=5e-4)
    study = gauge_average_range(AIAG)
    found = sigmas(study)
    names = ("repeatability", "reproducibility", "gauge", "parts", "total")
    published = (0.20188, 0.22963, 0.30575, 1.10456, 1.14610)
    assert [found[name] for name in names] == pytest.approx(published, abs=2e-4)
    percent = [100 * study.component(name).of_total for name in names[:4]]
    assert percent == pytest.approx((17.62, 20.04, 26.68, 96.38), abs=0.02)
    assert study.gauge_percent == pytest.approx(26.68, abs=0.02)
    assert study.categories == 5
    # Of the 30 ranges only B on part 4 (1.02) and on part 8 (0.71) come near; the limit is 2.574 x 0.3417 = 0.880.
    assert study.ranges_outside == ((1, 3),)


def test_analysis_of_variance_as_published():
    """AIAG MSA 4th edition, the ANOVA report (from memory): squares 3.1673, 88.3619, 0.3590, 2.7589, total 94.6471; the
    interaction is not significant (F 0.434) and pooled; EV 0.199933, AV 0.226838, GRR 0.302373, PV 1.042327."""
    study = gauge_anova(AIAG)
    lines = {line.source: line for line in study.anova}
    order = ("operators", "parts", "interaction", "repeatability", "total")
    assert [lines[name].freedom for name in order] == [2, 9, 18, 60, 89]
    squares = [lines[name].squares for name in order]
    assert squares == pytest.approx([3.1673, 88.3619, 0.3590, 2.7589, 94.6471], abs=1e-4)
    assert lines["interaction"].f == pytest.approx(0.434, abs=5e-4)
    assert study.interaction_pooled
    found = sigmas(study)
    names = ("repeatability", "reproducibility", "gauge", "parts")
    assert [found[name] for name in names] == pytest.approx((0.199933, 0.226838, 0.302373, 1.042327), abs=2e-6)
    percent = [100 * study.component(name).of_total for name in names]
    assert percent == pytest.approx((18.4, 20.9, 27.9, 96.0), abs=0.05)
    assert study.categories == 4  # 4.861 before rounding down


def _by_least_squares(data):
    """Sums of squares of nested linear models (operators, then parts, then their cells), fitted by lstsq."""
    a, b, _ = data.shape
    operator, part, _ = np.indices(data.shape)
    operator, part, y = operator.ravel(), part.ravel(), data.ravel()

    def left_over(*columns):
        design = np.column_stack([np.ones(len(y)), *columns])
        fit = design @ np.linalg.lstsq(design, y, rcond=None)[0]
        return float(((y - fit) ** 2).sum())

    def dummies(of, count):
        return [(of == level).astype(float) for level in range(1, count)]

    operators, parts, cells = dummies(operator, a), dummies(part, b), dummies(operator * b + part, a * b)
    steps = [left_over(), left_over(*operators), left_over(*operators, *parts), left_over(*cells)]
    return [*(before - after for before, after in pairwise(steps)), steps[-1], steps[0]]


@given(st.integers(0, 10_000), st.tuples(st.integers(2, 4), st.integers(2, 6), st.integers(2, 4)))
@few
def test_the_table_is_that_of_fitted_linear_models(seed, shape):
    data = np.random.default_rng(seed).normal(size=shape)
    study = gauge_anova(data)
    assert [line.squares for line in study.anova] == pytest.approx(_by_least_squares(data), abs=1e-9)


def test_an_interaction_is_kept_when_it_is_there_and_components_by_hand():
    """Two operators, two parts, two trials; cells 1 0 / 0 1 with trials +/- 0.1. By hand: operators and parts 0,
    interaction 2 x 4 x 0.25 = 2 with 1 degree, repeatability 8 x 0.01 = 0.08 with 4: mean squares 2 and 0.02, so
    sigma^2 repeatability 0.02, interaction (2 - 0.02)/2 = 0.99, operators and parts (0 - 2)/... < 0, taken as 0."""
    cells = np.array([[1.0, 0.0], [0.0, 1.0]])
    study = gauge_anova(cells[:, :, None] + np.array([-0.1, 0.1]), tolerance=6)
    assert not study.interaction_pooled
    found = {name: sigma**2 for name, sigma in sigmas(study).items()}
    assert found["repeatability"] == pytest.approx(0.02)
    assert found["interaction"] == found["reproducibility"] == pytest.approx(0.99)
    assert found["parts"] == 0
    assert study.gauge_percent == pytest.approx(100)
    assert study.categories == 1
    assert study.component("gauge").of_tolerance == pytest.approx(np.sqrt(1.01))


def test_both_methods_recover_components_that_are_known():
    """Drawn with sigma 1 for parts, 0.3 for operators, 0.1 for repeatability; many operators and parts."""
    rng = np.random.default_rng(5)
    parts, operators = rng.normal(size=15), 0.3 * rng.normal(size=15)
    data = operators[:, None, None] + parts[None, :, None] + 0.1 * rng.normal(size=(15, 15, 5))
    for study in (gauge_anova(data), gauge_average_range(data)):
        found = sigmas(study)
        assert found["repeatability"] == pytest.approx(0.1, rel=0.1)
        assert found["reproducibility"] == pytest.approx(operators.std(ddof=1), rel=0.15)
        assert found["parts"] == pytest.approx(parts.std(ddof=1), rel=0.15)


@given(st.integers(0, 10_000), st.floats(0.1, 10), st.floats(-5, 5))
@few
def test_what_always_holds(seed, scale, shift):
    data = np.random.default_rng(seed).normal(size=(3, 5, 2))
    for method in (gauge_anova, gauge_average_range):
        study, moved = method(data, tolerance=4), method(scale * data + shift, tolerance=4 * scale)
        found = {component.name: component.contribution for component in study.components}
        assert found["gauge"] + found["parts"] == pytest.approx(1)
        assert found["repeatability"] + found["reproducibility"] == pytest.approx(found["gauge"])
        assert all(component.sigma >= 0 for component in study.components)
        for one, other in zip(study.components, moved.components, strict=True):
            assert other.of_total == pytest.approx(one.of_total, abs=1e-6)
            assert other.of_tolerance == pytest.approx(one.of_tolerance, abs=1e-6)
        assert study.categories == moved.categories


@pytest.mark.parametrize(
    "readings",
    [
        [[[1, 2], [3, 4]]],  # one operator
        [[[1, 2]], [[3, 4]]],  # one part
        [[[1], [2]], [[3], [4]]],  # one trial
        [[[1, 2], [3]], [[1, 2], [3, 4]]],  # a reading is missing
        [[[1, 1], [1, 1]], [[1, 1], [1, 1]]],
        [[[1, float("inf")], [3, 4]], [[1, 2], [3, 4]]],
    ],
)
def test_what_is_no_crossed_study_is_refused(readings):
    for method in (gauge_anova, gauge_average_range):
        with pytest.raises(SpcError):
            method(readings)


def test_a_tolerance_is_a_positive_width():
    with pytest.raises(SpcError, match="tolerance"):
        gauge_anova(AIAG, tolerance=0)
