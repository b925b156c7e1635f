"""Idempotency-Key on POST: a repeated request is answered with the first answer and writes nothing.

After the IETF draft httpapi-idempotency-key-header (from memory): the key is scoped to caller, method and path and
bound to a fingerprint of the body. The claim is committed first, with an expiry; the answer is stored in the
transaction of the write itself, so a crash leaves either nothing done or an answer to replay.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import QuerySet

from . import clock
from .errors import IdempotencyInProgress, IdempotencyKeyMissing, IdempotencyKeyReused, Invalid
from .models import IdempotencyRecord
from .writing import inserted, updated

KEPT_FOR = dt.timedelta(hours=48)
#: A claim without an answer older than this belongs to a process that died; it may be claimed anew.
CLAIM_HOLDS_FOR = dt.timedelta(seconds=60)


@dataclass(frozen=True, slots=True)
class Claim:
    record: IdempotencyRecord
    replay: bool


def key_from_header(value: str | None) -> str:
    """The key, given quoted (structured-field string) or bare. Raises IdempotencyKeyMissing or Invalid."""
    key = (value or "").strip()
    if len(key) >= 2 and key[0] == key[-1] == '"':
        key = key[1:-1]
    if not key:
        raise IdempotencyKeyMissing(field="Idempotency-Key", allowed="any unique text, for instance a UUID")
    if len(key) > 200 or not key.isprintable():
        raise Invalid("The key must be at most 200 printable characters.", field="Idempotency-Key")
    return key


def fingerprint(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()


def claim(*, credential: str, route: str, key: str, body: bytes) -> Claim:
    """Claim the key for this request, or find the answer to replay.

    Raises IdempotencyKeyReused for another body, IdempotencyInProgress while the first request runs.
    """
    identity = {"credential": credential, "route": route, "key": key}
    mark = fingerprint(body)
    now = clock.now()
    try:
        with transaction.atomic():
            [record] = inserted(
                [IdempotencyRecord(**identity, fingerprint=mark, expires_at=now + KEPT_FOR, created_at=now)]
            )
        return Claim(record, replay=False)
    except IntegrityError:
        pass
    found = IdempotencyRecord.objects.filter(**identity).first()
    if found is None:  # released between the two statements
        return claim(credential=credential, route=route, key=key, body=body)
    if found.fingerprint != mark:
        raise IdempotencyKeyReused(field="Idempotency-Key", allowed="a new key for a new request")
    if found.status is not None:
        return Claim(found, replay=True)
    taken_over = IdempotencyRecord.objects.filter(
        id=found.id, status=None, created_at__lte=now - CLAIM_HOLDS_FOR
    ).update(created_at=now)
    if taken_over:
        found.created_at = now
        return Claim(found, replay=False)
    raise IdempotencyInProgress(headers={"Retry-After": "1"})


def store_answer(
    record: IdempotencyRecord, *, status: int, body: bytes, content_type: str, headers: dict[str, str]
) -> None:
    """Keep the answer; called inside the transaction of the write.

    Raises IdempotencyInProgress, which undoes that write, where the claim was taken over in the meantime: of two
    processes that hold one key, only one can commit.
    """
    answer = {"status": status, "body": body, "content_type": content_type, "headers": headers}
    if not updated(IdempotencyRecord, _while_held(record), answer):
        raise IdempotencyInProgress(headers={"Retry-After": "1"})


def release(record: IdempotencyRecord) -> None:
    """Give the key back after a request that changed nothing."""
    _held(record).delete()


def _held(record: IdempotencyRecord) -> QuerySet[IdempotencyRecord]:
    return IdempotencyRecord.objects.filter(**_while_held(record))


def _while_held(record: IdempotencyRecord) -> dict[str, Any]:
    """The row, as long as this claim still holds it: the moment of the claim is its mark."""
    return {"id": record.id, "status": None, "created_at": record.created_at}


def forget_expired(limit: int = 1000) -> int:
    old = IdempotencyRecord.objects.filter(expires_at__lte=clock.now()).order_by("expires_at")
    deleted, _ = IdempotencyRecord.objects.filter(id__in=list(old.values_list("id", flat=True)[:limit])).delete()
    return deleted
