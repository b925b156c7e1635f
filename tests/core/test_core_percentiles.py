"""The nearest rank, against numpy and PostgreSQL, which name the same method (Hyndman and Fan 1996, definition 1)."""

from __future__ import annotations

import numpy as np
import pytest
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from opticshop.core.percentiles import nearest_rank

VALUES = st.lists(st.integers(-1000, 1000), min_size=1, max_size=60)


@given(VALUES, st.sampled_from([1, 10, 25, 50, 75, 90, 95, 99, 100]))
def test_as_numpy_has_it(values, percent):
    assert nearest_rank(values, percent) == np.percentile(values, percent, method="inverted_cdf")


@pytest.mark.parametrize(
    ("values", "p50", "p90"),
    [([7], 7, 7), ([1, 2], 1, 2), ([5, 1, 3], 3, 5), (list(range(1, 11)), 5, 9), (list(range(1, 12)), 6, 10)],
)
def test_by_hand(values, p50, p90):
    """Rank ceil(n / 2) and ceil(0.9 n): of ten values the fifth and the ninth."""
    assert (nearest_rank(values, 50), nearest_rank(values, 90)) == (p50, p90)


def test_of_nothing_and_of_no_percentile():
    assert nearest_rank([], 50) is None
    with pytest.raises(ValueError, match="no percentile"):
        nearest_rank([1], 0)


@pytest.mark.django_db
def test_as_postgresql_has_it():
    if connection.vendor != "postgresql":
        pytest.skip("percentile_disc is of PostgreSQL")
    values = [17, 3, 3, 99, 41, 8, 25, 60, 2, 77, 12, 30, 5]
    with connection.cursor() as cursor:
        for percent in (1, 10, 50, 75, 90, 99, 100):
            asked = "SELECT percentile_disc(%s) WITHIN GROUP (ORDER BY value) FROM unnest(%s::int[]) AS value"
            cursor.execute(asked, [percent / 100, values])
            assert cursor.fetchone() == (nearest_rank(values, percent),)
