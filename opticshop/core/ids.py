"""Identifiers: UUID version 7 (RFC 9562), ordered by time of creation, so a primary key is also a page cursor."""

from __future__ import annotations

import uuid

from uuid_utils.compat import uuid7


def new_id() -> uuid.UUID:
    return uuid7()
