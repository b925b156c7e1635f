"""How long a prescription can be used: the rule table, and the expiry and status it leads to."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.core import clock
from opticshop.customers.ages import age_on
from opticshop.prescriptions.bounds import Confidence
from opticshop.prescriptions.models import Prescription
from opticshop.prescriptions.validity import (
    DEFAULT_RULE,
    VALIDITY_RULES,
    Status,
    ValidityRule,
    expiry_of,
    months_after,
    rule_for,
    status_on,
)
from tests.factories import BranchFactory, CustomerFactory, PrescriptionFactory
from tests.prescriptions.bodies import PRESCRIPTIONS, prescription

ISSUED = dt.date(2026, 2, 20)


@pytest.mark.parametrize(
    ("jurisdiction", "age", "issued_on", "months", "confidence"),
    [
        # "prescription must be no more than two years old on the day it is presented": Sale of Optical Appliances
        # Order of Council 1984, as summarised in a UK CPD article; high for two years.
        ("GB", 40, ISSUED, 24, Confidence.HIGH),
        ("GB-NIR", 40, ISSUED, 24, Confidence.HIGH),  # a part without a row of its own follows its country
        # "must carry an expiry; not less than two to four years": California B&P Code 2541.1; high.
        ("US-CA", 40, ISSUED, 24, Confidence.HIGH),
        # "five years": Florida Statutes 484.012, from a legal-explainer site; medium.
        ("US-FL", 40, ISSUED, 60, Confidence.MEDIUM),
        # "usable if not more than 24 months old": New Hampshire optometry board FAQ on RSA 327-A; high.
        ("US-NH", 40, ISSUED, 24, Confidence.HIGH),
        # "mostly one or two years, or prescriber's choice": from memory; low.
        ("US-TX", 40, ISSUED, 12, Confidence.LOW),
        # Décret 2016-1381 of 12 October 2016, published 16 October: issues from 17 October 2016 on. One year under
        # 16, five years from 16 to 42, three years over 42; the terms as reported by trade press; medium.
        ("FR", 15, dt.date(2016, 10, 17), 12, Confidence.MEDIUM),
        ("FR", 16, dt.date(2016, 10, 17), 60, Confidence.MEDIUM),
        ("FR", 42, dt.date(2016, 10, 17), 60, Confidence.MEDIUM),
        ("FR", 43, dt.date(2016, 10, 17), 36, Confidence.MEDIUM),
        ("FR", 16, dt.date(2016, 10, 16), 36, Confidence.MEDIUM),  # art. 3: older issues under the older term
        ("FR", None, ISSUED, 12, Confidence.MEDIUM),  # an unknown age takes the shortest term
        # "no single statutory term; usually two years by convention": from memory; low.
        ("IE", 40, ISSUED, 24, Confidence.LOW),
        ("AU", 40, ISSUED, 24, Confidence.LOW),
        ("CA-BC", 40, ISSUED, 24, Confidence.LOW),
        ("XX", 40, ISSUED, 24, Confidence.LOW),  # common practice, no source
    ],
)
def test_the_term_follows_jurisdiction_age_and_day_of_issue(jurisdiction, age, issued_on, months, confidence):
    rule = rule_for(jurisdiction, age=age, issued_on=issued_on)
    assert (rule.months, rule.confidence) == (months, confidence)


def test_every_rule_names_its_source_in_what_is_stored():
    longest = Prescription._meta.get_field("expiry_source").max_length
    for rule in (*VALIDITY_RULES, DEFAULT_RULE):
        assert rule.source
        issued_on = rule.valid_from or rule.valid_to or ISSUED
        for age in (rule.from_age, None):
            born_on = None if age is None else issued_on.replace(year=issued_on.year - age)
            expiry = expiry_of(stated=None, issued_on=issued_on, jurisdiction=rule.jurisdiction, born_on=born_on)
            assert rule.source in expiry.source or age is None
            assert f"confidence {rule.confidence}" in expiry.source
            assert len(expiry.source) <= longest


def test_no_age_and_day_is_left_without_a_rule_or_given_two():
    for jurisdiction in {rule.jurisdiction for rule in VALIDITY_RULES}:
        for issued_on in (dt.date(2000, 1, 1), dt.date(2016, 10, 16), dt.date(2016, 10, 17), ISSUED):
            for age in range(0, 110):
                found = [r for r in VALIDITY_RULES if r.jurisdiction == jurisdiction and r.covers(age, issued_on)]
                assert len(found) == 1, (jurisdiction, age, issued_on)


def test_a_rule_table_can_be_replaced():
    rules = [ValidityRule(jurisdiction="GB", months=6, source="a test", confidence=Confidence.LOW)]
    assert rule_for("GB", age=40, issued_on=ISSUED, rules=rules).months == 6
    assert rule_for("FR", age=40, issued_on=ISSUED, rules=rules) is DEFAULT_RULE


@pytest.mark.django_db
def test_without_a_stated_expiry_the_rule_of_the_branch_decides(api, clerk, mill):
    response = api(clerk).post(PRESCRIPTIONS, prescription(CustomerFactory(branch=mill)))
    assert response.data["expires_on"] == "2028-02-20"
    assert "Order of Council 1984" in response.data["expiry_source"]
    assert "confidence high" in response.data["expiry_source"]


@pytest.mark.django_db
def test_a_child_abroad_gets_the_childs_term_and_an_unknown_age_says_so(api, head_office):
    lyon = BranchFactory(code="LYON", jurisdiction="FR", country="FR", time_zone="Europe/Paris")
    for birth_date, expires_on, said in (
        (dt.date(2012, 1, 1), "2027-02-20", False),
        (dt.date(1990, 1, 1), "2031-02-20", False),
        (None, "2027-02-20", True),
    ):
        customer = CustomerFactory(branch=lyon, birth_date=birth_date)
        response = api(head_office).post(PRESCRIPTIONS, prescription(customer))
        assert response.data["expires_on"] == expires_on
        assert ("age unknown" in response.data["expiry_source"]) is said


@pytest.mark.django_db
def test_a_stated_expiry_wins(api, clerk, mill):
    body = prescription(CustomerFactory(branch=mill), expires_on="2026-08-20")
    response = api(clerk).post(PRESCRIPTIONS, body)
    assert (response.data["expires_on"], response.data["expiry_source"]) == ("2026-08-20", "stated by the prescriber")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("issued_on", "status", "days_left"),
    [("2024-03-02", "current", 0), ("2024-03-01", "expired", -1), ("2026-03-02", "current", 731)],
)
def test_the_last_day_is_still_a_day_of_use(api, clerk, mill, issued_on, status, days_left):
    # Two years, on the day it is presented: today is 2 March 2026.
    response = api(clerk).post(PRESCRIPTIONS, prescription(CustomerFactory(branch=mill), issued_on=issued_on))
    assert (response.data["status"], response.data["days_left"]) == (status, days_left)


@pytest.mark.django_db
def test_it_expires_at_the_branchs_own_midnight(api, clerk, head_office, mill):
    here = PrescriptionFactory(customer__branch=mill, expires_on=dt.date(2026, 3, 2))
    far = BranchFactory(code="FAR", time_zone="Pacific/Auckland")
    there = PrescriptionFactory(customer__branch=far, expires_on=dt.date(2026, 3, 2))
    with clock.at(dt.datetime(2026, 3, 2, 12, 0, tzinfo=dt.UTC)):  # 01:00 on 3 March in Auckland
        found = {row["id"]: row["status"] for row in api(head_office).get(PRESCRIPTIONS).data["results"]}
    assert found == {str(here.id): "current", str(there.id): "expired"}


@pytest.mark.parametrize(
    ("day", "months", "later"),
    [
        (dt.date(2024, 2, 29), 12, dt.date(2025, 2, 28)),
        (dt.date(2024, 2, 29), 48, dt.date(2028, 2, 29)),
        (dt.date(2025, 8, 31), 6, dt.date(2026, 2, 28)),
        (dt.date(2025, 12, 15), 1, dt.date(2026, 1, 15)),
        (dt.date(2025, 11, 30), 1, dt.date(2025, 12, 30)),
    ],
)
def test_months_end_where_the_month_ends(day, months, later):
    assert months_after(day, months) == later


@given(st.dates(dt.date(1950, 1, 1), dt.date(2050, 1, 1)), st.integers(0, 120))
def test_months_are_counted_not_days(day, months):
    later = months_after(day, months)
    assert (later.year - day.year) * 12 + later.month - day.month == months
    assert later.day == day.day or (later + dt.timedelta(days=1)).day == 1


def test_a_leap_day_birthday_falls_on_1_march_of_a_common_year():
    born_on = dt.date(2008, 2, 29)
    assert age_on(born_on, dt.date(2024, 2, 28)) == 15
    assert age_on(born_on, dt.date(2024, 2, 29)) == 16
    assert age_on(born_on, dt.date(2025, 2, 28)) == 16
    assert age_on(born_on, dt.date(2025, 3, 1)) == 17


def test_superseded_says_more_than_expired():
    assert status_on(ISSUED, expires_on=dt.date(2020, 1, 1), is_superseded=True) is Status.SUPERSEDED
