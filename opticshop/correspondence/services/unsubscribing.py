"""Taking back consent by the address in a message."""

from __future__ import annotations

from django.db import transaction

from opticshop.core.actor import Actor
from opticshop.customers.models import Customer

from ..unsubscribing import Wish
from .callbacks import stop


def unsubscribe(*, actor: Actor, wish: Wish) -> bool:
    """Do what the address stands for, once: False where it was done before, or the person is no longer on record."""
    with transaction.atomic():
        person = Customer.objects.everywhere("named by a signed address").filter(id=wish.customer).first()
        return person is not None and stop(actor, person, wish.way, [wish.purpose], source="unsubscribe_link")
