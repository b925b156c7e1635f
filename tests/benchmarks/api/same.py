"""Whether ``raw`` answers byte for byte what the service answers; otherwise it would be no limit.

Of an address only the port differs. A registered customer has another key, name, birth date, e-mail address and moment
each time: these are made equal before the bytes are compared.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from .endpoints import Asked, Endpoint, Shop

_HOST = re.compile(rb"127\.0\.0\.1:[0-9]+")
_NEW = re.compile(rb'"(id|created_at|family_name|email|birth_date)":"[^"]*"')


class NotTheSame(Exception):
    """The message says where the bytes part."""


def levelled(body: bytes, *, is_write: bool = False) -> bytes:
    body = _HOST.sub(b"HOST", body)
    return _NEW.sub(rb'"\1":""', body) if is_write else body


def compare(endpoint: Endpoint, path: str, one: bytes, other: bytes) -> None:
    """Raise NotTheSame where they differ."""
    is_write = endpoint.body is not None
    one, other = levelled(one, is_write=is_write), levelled(other, is_write=is_write)
    if one != other:
        place = next(
            (at for at, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other))
        )
        around = slice(max(0, place - 80), place + 120)
        raise NotTheSame(
            f"{endpoint.name} {path}: at byte {place} of {len(one)}/{len(other)}\n"
            f"  ours: {one[around]!r}\n  raw:  {other[around]!r}"
        )


def sample(endpoint: Endpoint, shops: Sequence[Shop], seed: int, count: int = 25) -> list[Asked]:
    """Requests to compare."""
    return endpoint.requests(shops, seed)[:count]
