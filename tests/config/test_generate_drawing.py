"""What invented people are like: within constraints and published bounds, and the same for the same seed."""

from __future__ import annotations

import datetime

import numpy as np
import pytest

from opticshop.config.generating import distributions, drawing, names

TODAY = datetime.date(2026, 3, 2)


@pytest.fixture(scope="module")
def people():
    (batch,) = drawing.batches(7, 40_000, TODAY)
    return batch


def digests(seed, count=3000, size=1000):
    return [batch.digest() for batch in drawing.batches(seed, count, TODAY, size)]


def test_same_seed_same_people():
    assert digests(1) == digests(1)
    assert not set(digests(1)) & set(digests(2))
    assert len(set(digests(1))) == 3, "no batch repeats another"


def test_more_people_leave_the_first_batches_as_they_were():
    assert digests(1, 5000)[:3] == digests(1)


def test_last_batch_is_cut_to_the_count():
    assert [len(batch.age) for batch in drawing.batches(1, 2500, TODAY, 1000)] == [1000, 1000, 500]


def test_digest_sees_one_changed_power(people):
    before = people.digest()
    people.left.sphere_hundredths[3] += 25
    try:
        assert people.digest() != before
    finally:
        people.left.sphere_hundredths[3] -= 25
    assert people.digest() == before


def test_age_agrees_with_the_calendar(people):
    """Counted again with the standard library's dates, one by one."""
    for born, age in zip(people.birth_date[:3000].tolist(), people.age[:3000].tolist(), strict=True):
        assert age == TODAY.year - born.year - ((TODAY.month, TODAY.day) < (born.month, born.day))


@pytest.mark.parametrize("side", ["right", "left"])
def test_powers_keep_the_constraints_of_the_columns(people, side):
    """The checks of PrescribedEye; steps of 0.25: reference/trade.md, section 1."""
    eyes = getattr(people, side)
    without = eyes.cylinder_hundredths == 0
    assert (eyes.axis_deg[without] == 0).all()
    assert eyes.axis_deg[~without].min() >= 1
    assert eyes.axis_deg.max() == 180
    for column in (eyes.sphere_hundredths, eyes.cylinder_hundredths, people.addition_hundredths):
        assert (column % 25 == 0).all()
    assert np.abs(eyes.sphere_hundredths).max() <= 4000
    assert eyes.cylinder_hundredths.min() >= -1500
    assert eyes.cylinder_hundredths.max() == 0


def test_shares_are_those_of_the_table(people):
    """Within five standard errors of a share at 40,000 people (0.0125 at most)."""
    for lower, upper, share in distributions.AGES.value:
        assert ((people.age >= lower) & (people.age < upper)).mean() == pytest.approx(share, abs=0.0125)
    with_cylinder = (people.right.cylinder_hundredths != 0).mean()
    assert with_cylinder == pytest.approx(distributions.CYLINDER_SHARE.value, abs=0.0125)


def test_pd_of_adults_is_as_published(people):
    """Dodgson, 2004: mean about 63 mm, the vast majority 50 to 75, almost all 45 to 80 (reference/trade.md, PDX)."""
    adults = people.age >= 18
    pd = (people.pd_right_tenths + people.pd_left_tenths)[adults] / 10
    assert pd.mean() == pytest.approx(63, abs=0.15)
    assert ((pd >= 50) & (pd <= 75)).mean() > 0.995
    assert pd.min() >= 45
    assert pd.max() <= 80


def test_monocular_pd_is_not_refused(people):
    """reference/trade.md, section 2: a difference above 8 mm is rejected."""
    assert np.abs(people.pd_right_tenths - people.pd_left_tenths).max() < 80


def test_addition_grows_with_age(people):
    """By hand, from Hofstetter's average amplitude (from memory): at 55 it is 18.5 - 16.5 = 2.0, half of it leaves
    2.5 - 1.0 = 1.50 at 40 cm; past 62 it is nothing, so 2.50 is needed. None before 40: common practice, no source."""
    assert (people.addition_hundredths[people.age < 40] == 0).all()
    middle = people.addition_hundredths[people.age == 55]
    assert middle.mean() == pytest.approx(150, abs=5)
    late = people.addition_hundredths[people.age > 65]
    assert late.mean() == pytest.approx(250, abs=5)
    assert people.addition_hundredths.max() <= 300


def test_eyes_of_one_person_are_alike(people):
    together = np.corrcoef(people.right.sphere_hundredths, people.left.sphere_hundredths)[0, 1]
    assert together > 0.9


def test_every_family_name_says_that_it_is_invented(people):
    assert np.char.endswith(people.family_name, names.MARK).all()
    assert len(set(people.family_name.tolist())) > 10_000


def test_every_figure_says_where_it_is_from():
    figures = [each for each in vars(distributions).values() if isinstance(each, distributions.Figure)]
    assert len(figures) > 10
    for figure in figures:
        assert figure.source
        assert figure.confidence in ("H", "M", "L")
