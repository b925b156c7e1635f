"""`manage.py generate`: writes into what there is, and not among people who are there already."""

from __future__ import annotations

import pytest
from django.core.management import CommandError, call_command

from opticshop.customers.models import Customer
from tests.factories import CustomerFactory

WHY = "what the generator wrote"


def told():
    return list(
        Customer.objects.everywhere(WHY).order_by("id").values_list("given_name", "family_name", "birth_date", "branch")
    )


@pytest.mark.django_db
def test_same_seed_writes_the_same_people_again(mill, quay, capsys):
    call_command("generate", customers=9, seed=3)
    call_command("generate", customers=9, seed=3, force=True)
    call_command("generate", customers=9, seed=4, force=True)
    people = told()
    assert people[:9] == people[9:18]
    assert people[:9] != people[18:]
    assert "9 people in 2 branches" in capsys.readouterr().out


@pytest.mark.django_db
def test_not_among_people_who_are_there(mill):
    CustomerFactory(branch=mill)
    with pytest.raises(CommandError, match="has customers"):
        call_command("generate", customers=9, seed=3)
    assert len(told()) == 1


@pytest.mark.django_db
@pytest.mark.parametrize(
    "given",
    [{"customers": 0, "seed": 1}, {"customers": 1, "seed": -1}, {"customers": 1, "seed": 1, "until": "2999-01-01"}],
)
def test_refusals_write_nothing(mill, given):
    with pytest.raises(CommandError):
        call_command("generate", *[f"--{name}={value}" for name, value in given.items()])
    assert told() == []


@pytest.mark.django_db
def test_no_branch_no_people():
    with pytest.raises(CommandError, match="no branch"):
        call_command("generate", customers=1, seed=1)
