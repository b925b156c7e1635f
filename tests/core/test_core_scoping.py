"""A branch-owned table refuses to be read for nobody in particular."""

from __future__ import annotations

import pytest

from opticshop.core.actor import NOBODY
from opticshop.core.scoping import UnscopedQuery
from opticshop.customers.models import Customer
from opticshop.customers.permissions import CustomerPermission
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    "evaluate",
    [
        lambda q: list(q.all()),
        lambda q: q.count(),
        lambda q: q.exists(),
        lambda q: q.first(),
        lambda q: q.filter(given_name="x").update(note="y"),
        lambda q: q.all().delete(),
        lambda q: list(q.iterator()),
        lambda q: list(q.values_list("id")),
        lambda q: q.in_bulk(),
    ],
)
def test_an_unscoped_query_is_refused(evaluate):
    with pytest.raises(UnscopedQuery):
        evaluate(Customer.objects)


def test_the_scope_survives_chaining_and_narrows_to_the_branches(clerk, mill, quay, actor_of):
    mine, theirs = CustomerFactory(branch=mill), CustomerFactory(branch=quay)
    query = Customer.objects.visible_to(actor_of(clerk), CustomerPermission.VIEW)
    assert list(query.exclude(note="x").order_by("id")) == [mine]
    assert set(Customer.objects.everywhere("test")) == {mine, theirs}


def test_nobody_sees_nothing(mill):
    CustomerFactory(branch=mill)
    assert not Customer.objects.visible_to(NOBODY, CustomerPermission.VIEW).exists()


def test_head_office_sees_every_branch(head_office, mill, quay, actor_of):
    CustomerFactory(branch=mill), CustomerFactory(branch=quay)
    assert Customer.objects.visible_to(actor_of(head_office), CustomerPermission.VIEW).count() == 2
