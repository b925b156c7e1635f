"""Who is called so: the words of names, the same on both databases, and on PostgreSQL by their index."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from opticshop.core.actor import system
from opticshop.core.text import folded
from opticshop.customers import selectors
from opticshop.customers.models import Customer
from tests.factories import BranchFactory, CustomerFactory

URL = "/api/v1/customers/"
WHY = "the names of all"
on_postgresql = pytest.mark.skipif(connection.vendor != "postgresql", reason="the index is of PostgreSQL")


def names(client, **query):
    answer = client.get(URL, query)
    assert answer.status_code == 200, answer.content
    return {f"{each['given_name']} {each['family_name']}" for each in answer.json()["results"]}


@pytest.mark.django_db
def test_whatever_signs_are_asked_for_they_are_found_as_they_stand(api, clerk, mill):
    for family in ("O'Reed", "van der Fell", "Back\\slash", "Half:*", "A & B", "(Alder) | Birch", "Straße", "Ibáñez"):
        CustomerFactory(branch=mill, given_name="Ida Maud", family_name=family)
    client = api(clerk)
    for asked, family in {
        "o'r": "O'Reed",
        "fell der v": "van der Fell",
        "back\\": "Back\\slash",
        "half:*": "Half:*",
        "& ida": "A & B",
        "(al |": "(Alder) | Birch",
        "strasse": "Straße",
        "STRASS maud": "Straße",
        "iban": "Ibáñez",
    }.items():
        assert names(client, name=asked) == {f"Ida Maud {family}"}, asked
    assert len(names(client, name="mau")) == len(names(client, name="  ")) == 8
    for nobody in (
        "aud",
        "slash",
        "%",
        "_an",
        "':*",
        "\\",
        "!ida",
        "ida'",
        "x" * 81,
        "x" * 3000,
        "ß" * 2000,
        "ida " + " ".join(map(str, range(999))),
    ):
        assert names(client, name=nobody) == set(), nobody


@pytest.mark.django_db
def test_a_name_that_is_changed_is_found_by_the_new_one_only(api, clerk, mill):
    made = CustomerFactory(branch=mill, given_name="Ida", family_name="Reed")
    client = api(clerk)
    assert names(client, name="reed") == {"Ida Reed"}
    tag = client.get(f"{URL}{made.id}/").headers["ETag"]
    changed = client.patch(f"{URL}{made.id}/", {"family_name": "Fell"}, format="json", headers={"If-Match": tag})
    assert changed.status_code == 200, changed.content
    assert names(client, name="reed") == set()
    assert names(client, name="fell") == {"Ida Fell"}


WORD = st.text(st.sampled_from("abß'\\:*&|!()<->%_ -é漢"), min_size=1, max_size=5)
NAME = st.lists(WORD, min_size=1, max_size=3).map(" ".join).filter(str.strip)


class Names(TestCase):
    """Against the same said in plain Python, for somebody of one branch, of some and of more than are gone through."""

    @given(people=st.lists(st.tuples(NAME, NAME), min_size=1, max_size=4), asked=NAME, most=st.sampled_from([0, 2, 64]))
    def test_those_are_found_of_whom_every_word_begins_a_word(self, people, asked, most):
        branches = [BranchFactory(), BranchFactory()]
        held = {
            CustomerFactory(branch=branches[place % 2], given_name=first, family_name=last).id: f"{first} {last}"
            for place, (first, last) in enumerate(people)
        }
        wanted = {
            key
            for key, name in held.items()
            if all(any(own.startswith(word) for own in folded(name).split()) for word in folded(asked).split())
        }
        everybody = Customer.objects.everywhere(WHY)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(selectors, "MOST_BEGINNINGS", most)
            found = selectors.customers_named(everybody, asked, system("counter"))
            assert set(found.values_list("id", flat=True)) == wanted
            for branch in branches:
                own = selectors.customers_named(everybody.filter(branch=branch), asked, _Of(branch))
                here = {each.id for each in everybody.filter(branch=branch)}
                assert set(own.values_list("id", flat=True)) == wanted & here


@pytest.mark.django_db
def test_so_many_words_and_branches_are_no_error():
    """PostgreSQL takes no ``tsquery`` of more than a megabyte."""
    many = _Of(*(BranchFactory() for _ in range(40)))
    everybody = Customer.objects.everywhere(WHY)
    for words in (1, 2, selectors.LONGEST_NAME, selectors.LONGEST_NAME + 1):
        asked = " ".join(f"{number}".ljust(selectors.LONGEST_WORD, "x") for number in range(words))
        assert list(selectors.customers_named(everybody, asked, many)) == []


class _Of:
    def __init__(self, *branches):
        self._where = frozenset(each.id for each in branches)

    def where(self, permission):
        return self._where


@on_postgresql
@pytest.mark.django_db
def test_a_branch_reads_its_own_names_by_the_index(mill):
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_seqscan = off")
        cursor.execute("SET LOCAL enable_indexscan = off")
    plan = selectors.customers_named(Customer.objects.everywhere(WHY), "reed fe", _Of(mill)).explain()
    assert re.search("Bitmap Index Scan on customers_name_words", plan)
    assert f"{mill.id}/reed" in plan
