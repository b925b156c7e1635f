"""Too many requests are put off with a Retry-After; a cache that is away does not take the service with it."""

from __future__ import annotations

import pytest
from django.core.cache import cache
from redis.exceptions import ConnectionError as RedisAway

from opticshop.core.throttling import SignedInThrottle

pytestmark = pytest.mark.django_db
URL = "/api/v1/me/"


@pytest.fixture
def two_a_minute(monkeypatch):
    monkeypatch.setattr(SignedInThrottle, "get_rate", lambda self: "2/min")
    cache.clear()
    yield
    cache.clear()


def test_too_many_requests_are_put_off(api, clerk, two_a_minute):
    client = api(clerk)
    assert [client.get(URL).status_code for _ in range(3)] == [200, 200, 429]
    answer = client.get(URL)
    assert answer.json()["code"] == "http.too_many_requests"
    assert int(answer["Retry-After"]) > 0


def test_the_api_serves_while_the_cache_is_away(api, clerk, two_a_minute, monkeypatch):
    def away(*args, **kwargs):
        raise RedisAway

    monkeypatch.setattr(SignedInThrottle.cache, "get", away)
    assert [api(clerk).get(URL).status_code for _ in range(4)] == [200] * 4
