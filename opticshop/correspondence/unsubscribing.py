"""Addresses at which a person can take back consent with one click (RFC 8058): signed, for one purpose and one way."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from django.conf import settings
from django.core import signing

SALT = "opticshop.correspondence.unsubscribe"
#: What can be refused by such an address; a message about the person's own order is not among it.
PURPOSES = ("recall", "marketing")
WAYS = ("email", "text", "letter")
TOKEN_AT_MOST = 400


@dataclass(frozen=True, slots=True)
class Wish:
    """What a token stands for."""

    customer: uuid.UUID
    purpose: str
    way: str


def token_for(wish: Wish) -> str:
    """A token without an end: an address in an old e-mail must go on working."""
    return signing.dumps([str(wish.customer), wish.purpose, wish.way], salt=SALT)


def wish_of(token: str) -> Wish | None:
    """What the token stands for; None unless it was made here and is whole."""
    if len(token) > TOKEN_AT_MOST:
        return None
    try:
        customer, purpose, way = signing.loads(token, salt=SALT)
        wish = Wish(uuid.UUID(customer), purpose, way)
    except (signing.BadSignature, ValueError, TypeError, AttributeError):
        return None
    return wish if purpose in PURPOSES and way in WAYS else None


def address_for(customer: uuid.UUID, purpose: str, way: str) -> str:
    """The address for a message; empty for what nobody can unsubscribe from."""
    if purpose not in PURPOSES:
        return ""
    return f"{settings.OPTICSHOP_PUBLIC_URL.rstrip('/')}/unsubscribe/{token_for(Wish(customer, purpose, way))}"
