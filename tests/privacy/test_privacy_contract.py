"""No table about a person is forgotten by ``config/retention.py``, and what it names is there."""

from __future__ import annotations

import re

from django.apps import apps

from opticshop.privacy.persons import personal_models, ways_of
from opticshop.privacy.rules import AtErasure, RecordKind, policy

ALL_TABLES = {model._meta.db_table: model for model in apps.get_models(include_auto_created=True)}


def test_every_table_with_a_way_to_the_customer_has_its_rule_and_no_other_has():
    assert set(policy().rules) == set(personal_models())


def test_what_the_table_names_is_there():
    for table, rule in policy().rules.items():
        model = personal_models()[table]
        for column in rule.blank:
            model._meta.get_field(column)
        for way in ways_of(model):
            here = model
            for name in way.split("__") if way != "pk" else ():
                here = here._meta.get_field(name).related_model
            assert here._meta.label == "customers.Customer"
        assert bool(rule.blank) == (rule.at_erasure == AtErasure.BLANK), table
        assert len(rule.why) > 15, table
    assert set(policy().beyond) <= set(ALL_TABLES) - set(policy().rules)


def test_every_kind_that_is_kept_says_how_long_everywhere_with_its_source():
    kept = {rule.kind for rule in policy().rules.values() if rule.at_erasure == AtErasure.KEEP}
    anywhere = {period.kind for period in policy().periods if period.jurisdiction == "*"}
    assert kept - {RecordKind.IDENTITY} <= anywhere
    assert all(period.source and re.match("high|medium|low", period.confidence) for period in policy().periods)


def test_every_kind_says_to_the_person_what_it_is_what_for_and_from_whom():
    assert set(policy().purposes) == set(RecordKind)
    assert all(len(words) > 8 for each in policy().purposes.values() for words in (each.category, each.purpose))


def test_the_tables_in_the_documentation_are_those_in_the_code():
    from tests.privacy.write_table import FILE, written

    assert FILE.read_text(encoding="utf-8") == written(), "python -m tests.privacy.write_table"
