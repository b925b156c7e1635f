"""A browser that is signed in, and the codes that a phone would show. Nothing of the service computes them here."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import struct

from django.test import Client

from opticshop.accounts.models import SecondFactor, User
from opticshop.accounts.verified import MARK
from opticshop.core import clock


def totp(key: bytes, moment: float, digits: int = 6) -> str:
    """RFC 6238 with steps of 30 s, over RFC 4226, 5.3 and 5.4, written down from those texts."""
    mac = hmac.new(key, struct.pack(">Q", int(moment) // 30), hashlib.sha1).digest()
    place = mac[-1] & 0x0F
    number = struct.unpack(">I", mac[place : place + 4])[0] & 0x7FFFFFFF
    return str(number % 10**digits).zfill(digits)


def shown_key(page: bytes) -> bytes:
    """The key that the page of enrolment shows as text."""
    found = re.search(rb'class="paper">([A-Z2-7 ]{32,48})<', page)
    assert found, page
    return base64.b32decode(found[1].replace(b" ", b""))


def shown_codes(page: bytes) -> list[str]:
    return re.findall(r"<li>([A-Z2-7-]{29})</li>", page.decode())


def signed_in(user: User) -> Client:
    """As after both steps."""
    browser = Client()
    browser.force_login(user)
    factor, _ = SecondFactor.objects.get_or_create(
        user=user, confirmed_at__isnull=False, defaults={"sealed_key": "of a phone", "confirmed_at": clock.now()}
    )
    session = browser.session
    session[MARK] = str(factor.pk)
    session.save()
    return browser
