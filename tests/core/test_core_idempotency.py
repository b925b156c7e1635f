"""Idempotency-Key: a repeat is answered with the first answer; a different body or a running first is refused."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.core import clock, idempotency
from opticshop.core.errors import IdempotencyInProgress, IdempotencyKeyMissing, IdempotencyKeyReused, Invalid
from opticshop.core.models import IdempotencyRecord

pytestmark = pytest.mark.django_db
WHO = {"credential": "u1", "route": "POST /x/"}


def test_the_key_may_be_quoted_or_bare():
    assert idempotency.key_from_header('"abc"') == idempotency.key_from_header("abc") == "abc"
    for missing in (None, "", '""'):
        with pytest.raises(IdempotencyKeyMissing):
            idempotency.key_from_header(missing)
    with pytest.raises(Invalid):
        idempotency.key_from_header("k" * 201)


def test_a_second_claim_waits_then_replays_then_refuses_another_body():
    first = idempotency.claim(**WHO, key="k", body=b"1")
    assert not first.replay
    with pytest.raises(IdempotencyInProgress):
        idempotency.claim(**WHO, key="k", body=b"1")
    idempotency.store_answer(first.record, status=201, body=b"{}", content_type="application/json", headers={})
    again = idempotency.claim(**WHO, key="k", body=b"1")
    assert again.replay
    assert bytes(again.record.body) == b"{}"
    with pytest.raises(IdempotencyKeyReused):
        idempotency.claim(**WHO, key="k", body=b"2")


def test_keys_of_different_callers_and_routes_do_not_meet():
    idempotency.claim(**WHO, key="k", body=b"1")
    assert not idempotency.claim(credential="u2", route="POST /x/", key="k", body=b"1").replay
    assert not idempotency.claim(credential="u1", route="POST /y/", key="k", body=b"1").replay


def test_a_claim_left_by_a_dead_process_can_be_taken_over():
    idempotency.claim(**WHO, key="k", body=b"1")
    with clock.at(clock.now() + idempotency.CLAIM_HOLDS_FOR + dt.timedelta(seconds=1)):
        assert not idempotency.claim(**WHO, key="k", body=b"1").replay


def test_the_process_that_lost_its_claim_cannot_store_an_answer_or_release_the_key():
    slow = idempotency.claim(**WHO, key="k", body=b"1")
    with clock.at(clock.now() + idempotency.CLAIM_HOLDS_FOR + dt.timedelta(seconds=1)):
        second = idempotency.claim(**WHO, key="k", body=b"1")
    answer = {"status": 201, "content_type": "application/json", "headers": {}}
    with pytest.raises(IdempotencyInProgress):
        idempotency.store_answer(slow.record, body=b"slow", **answer)
    idempotency.release(slow.record)
    idempotency.store_answer(second.record, body=b"second", **answer)
    assert bytes(IdempotencyRecord.objects.get().body) == b"second"


def test_released_and_expired_keys_are_free_again():
    claim = idempotency.claim(**WHO, key="k", body=b"1")
    idempotency.release(claim.record)
    assert not idempotency.claim(**WHO, key="k", body=b"2").replay
    with clock.at(clock.now() + idempotency.KEPT_FOR + dt.timedelta(seconds=1)):
        assert idempotency.forget_expired() == 1
    assert not IdempotencyRecord.objects.exists()
