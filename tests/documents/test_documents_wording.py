"""How numbers are written on paper."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal as D

import pytest

from opticshop.documents import wording


@pytest.mark.parametrize(
    ("value", "text"),
    [(31, "31.0"), (31.25, "31.25"), (D("31.50"), "31.5"), (-0.001, "0.0"), (-2.5, "−2.5"), (None, "–")],
)
def test_lengths_have_one_decimal_and_a_second_only_where_it_says_something(value, text):
    assert wording.millimetres(value) == text


@pytest.mark.parametrize(("value", "text"), [("1.25", "+1.25"), ("-0.5", "−0.50"), ("0", "0.00"), ("-0", "0.00")])
def test_powers_always_carry_their_sign(value, text):
    assert wording.power(D(value)) == text


def test_a_sphere_alone_has_no_axis():
    assert wording.sphere_cylinder(D("-2"), D("0"), None) == "−2.00"
    assert wording.sphere_cylinder(D("1"), D("-0.75"), 5) == "+1.00 / −0.75 × 5"


@pytest.mark.parametrize(
    ("inward", "upward", "text"),
    [(3.0, 2.0, ("3.0 in", "2.0 up")), (-1.25, -0.5, ("1.25 out", "0.5 down")), (-0.001, -0.0, ("0.0 in", "0.0 up"))],
)
def test_decentration_is_said_in_words(inward, upward, text):
    assert wording.decentration(inward, upward) == text


@pytest.mark.parametrize(
    ("amount", "currency", "text"),
    [("42.50", "GBP", "£42.50"), ("-1234.00", "EUR", "−€1,234.00"), ("1250", "JPY", "1,250 JPY")],
)
def test_money_keeps_the_digits_it_has(amount, currency, text):
    assert wording.money(D(amount), currency) == text


def test_days_read_the_same_in_every_locale():
    assert wording.day_with_weekday(dt.date(2026, 3, 5)) == "Thursday 5 March 2026"
