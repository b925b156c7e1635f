"""The OpenAPI document of the whole service, made once for all tests that look at it (it takes seconds)."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator


@lru_cache(maxsize=1)
def _made() -> tuple[dict[str, Any], str]:
    GENERATOR_STATS.reset()
    document = SchemaGenerator().get_schema(request=None, public=True)
    return document, str(GENERATOR_STATS._warn_cache) if GENERATOR_STATS else ""


def document() -> dict[str, Any]:
    """Not to be changed by a test."""
    return _made()[0]


def warnings() -> str:
    """What the generator warned of, nothing at best."""
    return _made()[1]
