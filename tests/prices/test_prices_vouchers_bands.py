"""The band of a pair at every edge of the published definitions.

Edges as in the public wording of the voucher bands (sphere 6.00, 10.00, 14.00; cylinder 2.00, 6.00), read 2026. That a
sphere of exactly 10.00 is claimed by two bands is how that wording stands; that the stronger eye decides and the form
of the cylinder are from memory.
"""

from __future__ import annotations

from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.prices.bands import Power, band_of, tiers_of
from opticshop.prices.schemes import UK_OPTICAL

QUARTERS = st.integers(min_value=-120, max_value=120).map(lambda n: D(n) / 4)
CYLINDERS = st.integers(min_value=-60, max_value=60).map(lambda n: D(n) / 4)


def band(sphere: str, cylinder: str = "0", *, multifocal: bool = False):
    return band_of(UK_OPTICAL, {"right": Power(D(sphere), D(cylinder))}, is_multifocal=multifocal)


@pytest.mark.parametrize(
    ("sphere", "cylinder", "code"),
    [
        ("0.00", "0.00", "A"),
        ("-6.00", "-2.00", "A"),
        ("-6.25", "0.00", "B"),
        ("-6.00", "-2.25", "B"),
        ("-6.00", "-6.00", "B"),
        ("-9.75", "-6.00", "B"),
        ("0.00", "-6.00", "B"),
        ("-10.25", "0.00", "C"),
        ("-10.25", "-6.00", "C"),
        ("-14.00", "0.00", "C"),
        ("-14.00", "-6.00", "C"),
        ("-14.25", "0.00", "D"),
        ("-14.25", "-6.00", "D"),
        ("0.00", "-6.25", "D"),
        ("-3.00", "-8.00", "D"),
    ],
)
def test_each_edge_belongs_to_the_band_that_the_definitions_say(sphere, cylinder, code):
    assert band(sphere, cylinder).code == code
    column = dict(zip("ABCD", "EFGH", strict=True))
    assert band(sphere, cylinder, multifocal=True).code == column[code]


@pytest.mark.parametrize("sphere", ["-10.00", "10.00"])
@pytest.mark.parametrize(("multifocal", "codes"), [(False, ("B", "C")), (True, ("F", "G"))])
def test_a_sphere_of_exactly_ten_is_doubtful_and_the_lower_band_taken(sphere, multifocal, codes):
    found = band(sphere, multifocal=multifocal)
    assert (found.code, found.possible) == (codes[0], codes)
    assert found.is_doubtful
    assert f"bands {codes[0]} and {codes[1]} both claim this power" in found.warnings[0]


def test_one_lens_has_one_band_however_it_is_written_and_the_doubt_is_said():
    """+6.25 -0.50 is +5.75 +0.50 with the axis turned by 90 degrees (transposition, any textbook)."""
    minus, plus = band("6.25", "-0.50"), band("5.75", "0.50")
    assert minus.code == plus.code == "B"
    assert minus.possible == plus.possible == ("A", "B")
    assert "with minus cylinder the band is B, with plus cylinder A" in minus.warnings[0]
    assert band("-5.00", "-0.50").warnings == ()


def test_the_stronger_eye_decides():
    eyes = {"right": Power(D("-1.00")), "left": Power(D("-6.50"))}
    found = band_of(UK_OPTICAL, eyes, is_multifocal=False)
    assert (found.code, found.decided_by, found.possible) == ("B", "left", ("B",))


def test_a_doubt_of_the_weaker_eye_does_not_make_the_pair_doubtful():
    eyes = {"right": Power(D("-10.00")), "left": Power(D("-15.00"))}
    found = band_of(UK_OPTICAL, eyes, is_multifocal=False)
    assert (found.code, found.possible) == ("D", ("D",))


def test_nothing_has_no_band():
    with pytest.raises(ValueError, match="at least one lens"):
        band_of(UK_OPTICAL, {}, is_multifocal=False)


@given(QUARTERS, CYLINDERS)
def test_every_power_has_a_band_and_only_ten_exactly_has_two(sphere, cylinder):
    tiers = tiers_of(UK_OPTICAL, Power(sphere, cylinder))
    assert tiers
    assert (len(tiers) > 1) == (abs(sphere) == 10 and abs(cylinder) <= 6)


@given(QUARTERS, CYLINDERS)
def test_the_band_does_not_depend_on_how_the_cylinder_is_written(sphere, cylinder):
    one, other = Power(sphere, cylinder), Power(sphere, cylinder).transposed
    found = band_of(UK_OPTICAL, {"right": one}, is_multifocal=False)
    assert found == band_of(UK_OPTICAL, {"right": other}, is_multifocal=False)
    assert found.code in found.possible


@given(QUARTERS, CYLINDERS, QUARTERS, CYLINDERS)
def test_a_second_eye_never_lowers_the_band(sphere, cylinder, sphere_2, cylinder_2):
    right, left = Power(sphere, cylinder), Power(sphere_2, cylinder_2)
    alone = band_of(UK_OPTICAL, {"right": right}, is_multifocal=True).code
    both = band_of(UK_OPTICAL, {"right": right, "left": left}, is_multifocal=True)
    assert both.code >= alone
    assert both == band_of(UK_OPTICAL, {"right": right, "left": left}, is_multifocal=True)
