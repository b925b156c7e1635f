"""Rate limits: counted per user, per address where nobody is signed in, and once more for what costs or tells much.

Each is a sliding window made of two counters: what was counted in the window before fades while the present one fills,
so no caller gets twice the quota around the turn of a window, and a counter costs the same however high the quota is.
What is refused is not counted. Every answer says how much is left (draft-ietf-httpapi-ratelimit-headers, revisions 08
to 11, RateLimit and RateLimit-Policy, from memory); a refusal says when to come again (RFC 6585, 4: Retry-After).
They fail open: when the cache that counts is away, the service goes on serving.
"""

from __future__ import annotations

import ipaddress
import logging
import math
import time
from dataclasses import dataclass
from typing import Any

from django.core.cache import cache
from django.http import HttpRequest
from redis.exceptions import RedisError
from rest_framework.exceptions import APIException, Throttled
from rest_framework.request import Request
from rest_framework.settings import api_settings
from rest_framework.throttling import BaseThrottle

from . import acting

log = logging.getLogger("opticshop.throttling")

#: An address of version 6 counts by the network that a household or a shop is given (RFC 6177: at least /64).
_NETWORK_BITS = 64
_SECONDS = {"s": 1, "m": 60, "h": 3600, "d": 86400}


@dataclass(frozen=True, slots=True)
class Count:
    """What came of counting one request. ``seconds``: until the window turns, or until there is room again."""

    name: str
    quota: int
    window_s: int
    remaining: int
    seconds: int
    is_over: bool = False


class CountingThrottle(BaseThrottle):
    """A subclass says its ``scope`` and whom it counts; the rate of the scope is a setting, none switches it off."""

    scope: str
    rate: str | None = None

    def __init__(self) -> None:
        self.told: Count | None = None

    def get_rate(self) -> str | None:
        return self.rate or rate_of(self.scope)

    def whom(self, request: Request) -> str | None:
        """What the counter belongs to; None where this throttle does not count the request."""
        raise NotImplementedError

    def allow_request(self, request: Request, view: Any) -> bool:
        rate, whom = self.get_rate(), self.whom(request)
        if rate is None or whom is None:
            return True
        self.told = counted(request._request, self.scope, rate, whom)
        return self.told is None or not self.told.is_over

    def wait(self) -> float | None:
        return None if self.told is None else self.told.seconds


class AnonymousThrottle(CountingThrottle):
    """Counts by address where nobody is signed in."""

    scope = "anon"

    def whom(self, request: Request) -> str | None:
        return None if request.user and request.user.is_authenticated else network_of(acting.current().address)


class SignedInThrottle(CountingThrottle):
    """Counts by user."""

    scope = "user"

    def whom(self, request: Request) -> str | None:
        return str(request.user.pk) if request.user and request.user.is_authenticated else None


class CostlyThrottle(SignedInThrottle):
    """Counts by user, in the bucket that the view set names for the action (``buckets``): searches, exports."""

    def allow_request(self, request: Request, view: Any) -> bool:
        bucket = getattr(view, "buckets", {}).get(getattr(view, "action", None))
        if bucket is None:
            return True
        self.scope = bucket
        return super().allow_request(request, view)


def rate_of(scope: str) -> str | None:
    """As the settings say it, for instance 120/min; None switches the limit off."""
    found = (api_settings.DEFAULT_THROTTLE_RATES or {}).get(scope)
    return None if found is None else str(found)


def refused_or_throttled(error: APIException, context: dict[str, Any]) -> APIException:
    """Refusals come before a view counts the request; they count too, or tokens could be tried without end."""
    request, view = context["request"], context["view"]
    if not getattr(request._request, "rate_counts", None):
        for throttle in view.get_throttles():
            if not throttle.allow_request(request, view):
                return Throttled(throttle.wait())
    return error


def counted(request: HttpRequest, name: str, rate: str, whom: str) -> Count | None:
    """Count the request for somebody and note it for the answer; None while the cache does not answer."""
    quota, _, unit = rate.partition("/")
    try:
        found = _count(name, int(quota), _SECONDS[unit[:1]], whom, now())
    except (RedisError, OSError):
        log.warning("requests are not counted: the cache does not answer")
        return None
    noted: list[Count] = getattr(request, "rate_counts", None) or []
    request.rate_counts = [*noted, found]  # type: ignore[attr-defined]
    return found


def now() -> float:
    return time.time()


def _count(name: str, quota: int, window_s: int, whom: str, at: float) -> Count:
    window, into = divmod(at, window_s)
    key, before = f"rate:{name}:{whom}:{window:.0f}", f"rate:{name}:{whom}:{window - 1:.0f}"
    try:
        present = cache.incr(key)
    except ValueError:
        cache.add(key, 0, 2 * window_s)
        present = cache.incr(key)
    past = cache.get(before, 0)
    faded = past * (1 - into / window_s)
    if faded + present > quota:
        cache.incr(key, -1)
        return Count(name, quota, window_s, 0, max(1, math.ceil(_wait(quota, window_s, past, present, into))), True)
    return Count(name, quota, window_s, int(quota - faded - present), math.ceil(window_s - into))


def _wait(quota: int, window_s: int, past: int, present: int, into: float) -> float:
    """Seconds until the past has faded so far that one more fits: in this window, or in the next one."""
    if present <= quota:
        return window_s * (1 - (quota - present) / past) - into
    return window_s - into + window_s * (1 - (quota - 1) / max(1, present - 1))


def network_of(address: str | None) -> str:
    """The address, or its network; callers of whom no address is known share one counter."""
    if address is None:
        return "unknown"
    found = ipaddress.ip_address(address)
    if isinstance(found, ipaddress.IPv6Address):
        return str(found.ipv4_mapped or ipaddress.IPv6Network((int(found), _NETWORK_BITS), strict=False))
    return str(found)


def headers_of(request: HttpRequest) -> dict[str, str]:
    """What the answer to the request says of the quotas it was counted in."""
    counts: list[Count] = getattr(request, "rate_counts", None) or []
    if not counts:
        return {}
    return {
        "RateLimit-Policy": ", ".join(f'"{each.name}";q={each.quota};w={each.window_s}' for each in counts),
        "RateLimit": ", ".join(f'"{each.name}";r={each.remaining};t={each.seconds}' for each in counts),
    }
