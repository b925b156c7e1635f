"""Many at the same moment: a code opens once (RFC 6238, 5.2), tries are counted, somebody of head office is left."""

from __future__ import annotations

import pytest
from django.conf import settings

from opticshop.accounts import services
from opticshop.accounts.models import Membership, SecondFactor
from opticshop.core import sealing
from opticshop.core.actor import system
from tests.conftest import NOON, member
from tests.signing_in import totp
from tests.together import at_once

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.postgresql,
    pytest.mark.skipif(
        not settings.DATABASES["default"]["ENGINE"].endswith("postgresql"), reason="row locks are tried on PostgreSQL"
    ),
]
SYSTEM = system("test")
KEY = b"12345678901234567890"


def test_of_many_at_once_one_gets_in_and_one_stays(manager, head_office):
    SecondFactor.objects.create(user=manager, sealed_key=sealing.seal("second factor", KEY), confirmed_at=NOON)
    code = totp(KEY, NOON.timestamp())
    checks = at_once([lambda: services.second_factor_check(actor=SYSTEM, user=manager, code=code)] * 4)
    assert sorted(type(each).__name__ for each in checks) == ["CodeWrong"] * 3 + ["SecondFactor"]

    allowed = at_once([lambda: services.attempt_allowed("password", "somebody", "192.0.2.1")] * 8)
    assert allowed.count(0) == 5

    other = member("other", "head_office", None)
    people = (head_office, other)
    revoked = at_once(
        [
            lambda user=user: services.membership_revoke(actor=SYSTEM, user=user, role="head_office", branch=None)
            for user in people
        ]
    )
    assert [type(each).__name__ for each in revoked].count("LastHeadOffice") == 1
    assert Membership.objects.filter(role="head_office", branch=None).count() == 1


def test_of_two_who_let_each_other_go_one_is_left(head_office):
    other = member("other", "head_office", None)
    gone = at_once(
        [
            lambda user=user: services.person_deactivate(actor=SYSTEM, user=user, reason="Race")
            for user in (head_office, other)
        ]
    )
    assert [type(each).__name__ for each in gone].count("LastHeadOffice") == 1
