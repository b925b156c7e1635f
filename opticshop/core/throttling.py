"""Rate limits that fail open: when the cache that counts requests is away, the service goes on serving."""

from __future__ import annotations

import logging
from typing import Any

from redis.exceptions import RedisError
from rest_framework.request import Request
from rest_framework.throttling import AnonRateThrottle, BaseThrottle, UserRateThrottle

log = logging.getLogger("opticshop.throttling")


class _FailsOpen(BaseThrottle):
    def allow_request(self, request: Request, view: Any) -> bool:
        try:
            return super().allow_request(request, view)
        except (RedisError, OSError):
            log.warning("requests are not counted: the cache does not answer")
            return True


class AnonymousThrottle(_FailsOpen, AnonRateThrottle):
    """Counts by address where nobody is signed in."""


class SignedInThrottle(_FailsOpen, UserRateThrottle):
    """Counts by user."""
