"""A cache in Redis that answers from this process while Redis is away, without waiting for it again and again."""

from __future__ import annotations

import logging
import threading
import time
from typing import Any

from django.core.cache.backends.base import DEFAULT_TIMEOUT, BaseCache
from django.core.cache.backends.locmem import LocMemCache
from django.core.cache.backends.redis import RedisCache
from redis.backoff import NoBackoff
from redis.exceptions import RedisError
from redis.retry import Retry

log = logging.getLogger("opticshop.cache")

#: How long one call may wait for Redis, in seconds; and how long after a failure nobody asks it.
WAIT_SECONDS = 0.25
AWAY_SECONDS = 5.0


class _Breaker:
    """Shared by all threads of the process: until when nobody asks Redis; 0 while it answers."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.away_until = 0.0

    def may_ask(self) -> bool:
        """Whether to ask Redis. While it is away, one caller asks now and then, and pays for it."""
        if not self.away_until:
            return True
        with self.lock:
            if time.monotonic() < self.away_until:
                return False
            self.fell()
            return True

    def fell(self) -> None:
        self.away_until = time.monotonic() + AWAY_SECONDS

    def answered(self) -> None:
        self.away_until = 0.0


_breakers: dict[str, _Breaker] = {}


class RedisOrHereCache(BaseCache):
    """What is counted here while Redis is away counts for this process only; nothing in this cache may be missed."""

    def __init__(self, server: str, params: dict[str, Any]) -> None:
        super().__init__(params)
        options = {
            "socket_timeout": WAIT_SECONDS,
            "socket_connect_timeout": WAIT_SECONDS,
            "retry": Retry(NoBackoff(), 0),
            **params.get("OPTIONS", {}),
        }
        self._redis = RedisCache(server, {**params, "OPTIONS": options})
        self._here = LocMemCache(f"beside {server}", {key: value for key, value in params.items() if key != "OPTIONS"})
        self._breaker = _breakers.setdefault(server, _Breaker())

    def _do(self, name: str, *args: Any, **kwargs: Any) -> Any:
        if self._breaker.may_ask():
            try:
                answer = getattr(self._redis, name)(*args, **kwargs)
            except (RedisError, OSError) as error:
                self._breaker.fell()
                log.warning("the cache does not answer; this process goes on with its own: %s", error)
            else:
                self._breaker.answered()
                return answer
        return getattr(self._here, name)(*args, **kwargs)

    def add(self, key: Any, value: Any, timeout: Any = DEFAULT_TIMEOUT, version: int | None = None) -> bool:
        return self._do("add", key, value, timeout, version)

    def get(self, key: Any, default: Any = None, version: int | None = None) -> Any:
        return self._do("get", key, default, version)

    def set(self, key: Any, value: Any, timeout: Any = DEFAULT_TIMEOUT, version: int | None = None) -> None:
        self._do("set", key, value, timeout, version)

    def touch(self, key: Any, timeout: Any = DEFAULT_TIMEOUT, version: int | None = None) -> bool:
        return self._do("touch", key, timeout, version)

    def delete(self, key: Any, version: int | None = None) -> bool:
        return self._do("delete", key, version)

    def has_key(self, key: Any, version: int | None = None) -> bool:
        return self._do("has_key", key, version)

    def incr(self, key: Any, delta: int = 1, version: int | None = None) -> int:
        return self._do("incr", key, delta, version)

    def clear(self) -> None:
        self._do("clear")
