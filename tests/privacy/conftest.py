"""A person of whom there is a row in every table, each text of it marked as nobody else's."""

from __future__ import annotations

import pytest

from opticshop.correspondence.models import DeliveryNote, Message
from opticshop.customers.models import Customer
from opticshop.privacy.models import KeptIdentity
from opticshop.privacy.persons import personal_models
from tests.access.twins import LEFT_OUT, Twins, key_of
from tests.factories import BranchFactory
from tests.orders.conftest import world  # noqa: F401


@pytest.fixture
def marked(db):
    """The twins of one branch: ``marked.row(model, "mill")``; the person is the row of Customer."""
    branches = {
        side: BranchFactory(id=key_of(side, 0), code=side.upper(), name=f"{side} opticians (invented)")
        for side in ("mill", "third")
    }
    twins = Twins(branches)
    for model in personal_models().values():
        if model._meta.label not in LEFT_OUT and model.__module__.startswith("opticshop."):
            twins.row(model, "mill")
    person = twins.row(Customer, "mill")
    Customer.objects.everywhere("test").filter(id=person.id).update(
        email="marked.person@example.org", phone="020 7946 0999", phone_e164="+442079460999"
    )
    person.refresh_from_db()
    notes = DeliveryNote.objects.everywhere("test")
    notes.update(message=twins.row(Message, "mill"))
    KeptIdentity.objects.everywhere("test").delete()  # made by erasing only
    return twins


@pytest.fixture
def person(marked):
    return marked.row(Customer, "mill")
