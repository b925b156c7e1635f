"""What tests read from an entity tag."""

from __future__ import annotations

from typing import Any


def version_in(answer: Any) -> int:
    """The version that the ETag of an answer names (docs/concurrency.md)."""
    return int(str(answer.headers["ETag"]).strip('"').split("-")[0])
