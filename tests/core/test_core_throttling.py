"""Too many requests are put off; how much is left is said; a cache that is away does not take the service with it.

RateLimit and RateLimit-Policy: draft-ietf-httpapi-ratelimit-headers, revisions 08 to 11, from memory (lists of quoted
names with q and w, r and t). Retry-After: RFC 9110, 10.2.3. 429: RFC 6585, 4.
"""

from __future__ import annotations

import re

import pytest
from django.core.cache import cache
from django.test import Client
from redis.exceptions import ConnectionError as RedisAway
from rest_framework.settings import api_settings

from opticshop.core import throttling

pytestmark = pytest.mark.django_db
URL, LIST = "/api/v1/me/", "/api/v1/customers/"


class Clock:
    """Stands at the beginning of a window of a minute."""

    at = 6_000_000.0

    def __call__(self):
        return self.at


@pytest.fixture
def clock(monkeypatch):
    clock = Clock()
    monkeypatch.setattr(throttling, "now", clock)
    cache.clear()
    yield clock
    cache.clear()


@pytest.fixture
def rates(monkeypatch, clock):
    """``rates(user="2/min")``: the others are off."""

    def set_to(**rates):
        named = {name.replace("_", "-"): rate for name, rate in rates.items()}
        monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", named, raising=False)
        return clock

    return set_to


def test_too_many_requests_are_put_off(api, clerk, manager, rates):
    rates(user="2/min")
    client = api(clerk)
    assert [client.get(URL).status_code for _ in range(3)] == [200, 200, 429]
    answer = client.get(URL)
    assert answer.json()["code"] == "http.too_many_requests"
    assert int(answer["Retry-After"]) > 0
    assert api(manager).get(URL).status_code == 200, "somebody else is counted apart"


def test_every_answer_says_what_is_left(api, clerk, rates):
    clock = rates(user="3/min", search="2/min")
    clock.at += 15
    client = api(clerk)
    first, second, refused = (client.get(LIST) for _ in range(3))
    assert first["RateLimit-Policy"] == '"user";q=3;w=60, "search";q=2;w=60'
    assert first["RateLimit"] == '"user";r=2;t=45, "search";r=1;t=45'
    assert second["RateLimit"] == '"user";r=1;t=45, "search";r=0;t=45'
    assert refused.status_code == 429
    assert re.fullmatch(r'"user";r=0;t=45, "search";r=0;t=[0-9]+', refused["RateLimit"])
    assert int(refused["Retry-After"]) >= int(refused["RateLimit"].rpartition("t=")[2])
    assert client.get(URL).status_code == 429, "what was refused as a search was counted as a request"


def test_whoever_waits_as_told_is_served_and_nobody_gets_twice_the_quota_at_the_turn(api, clerk, rates):
    clock = rates(user="10/min")
    client = api(clerk)
    clock.at += 59
    assert [client.get(URL).status_code for _ in range(11)] == [200] * 10 + [429]
    clock.at += 2
    assert client.get(URL).status_code == 429
    clock.at += int(client.get(URL)["Retry-After"])
    assert client.get(URL).status_code == 200
    clock.at += 600
    assert [client.get(URL).status_code for _ in range(11)] == [200] * 10 + [429]


def test_tokens_cannot_be_tried_without_end_nor_addresses_be_made_up(rates):
    """Django REST framework refuses before it counts; X-Forwarded-For is believed from our own proxy only."""
    rates(anon="3/min")
    tried = [
        Client().get(path, headers={"Authorization": f"Bearer {n}", "X-Forwarded-For": f"198.51.100.{n}"}).status_code
        for n, path in enumerate([LIST, URL, "/fhir/r4/Patient", LIST, "/fhir/r4/Patient"])
    ]
    assert tried == [401, 401, 401, 429, 429]


def test_refusals_of_somebody_who_may_not_are_counted(api, hand, rates):
    rates(user="2/min")
    assert [api(hand).get("/api/v1/audit/entries/").status_code for _ in range(3)] == [403, 403, 429]


def test_a_caller_of_version_6_counts_by_its_network():
    """RFC 6177: a site is given at least a /64, so one machine has more addresses than can be counted."""
    assert throttling.network_of("2001:db8:1:2:3::1") == throttling.network_of("2001:db8:1:2:ffff::2")
    assert throttling.network_of("2001:db8:1:3::1") != throttling.network_of("2001:db8:1:2::1")
    assert throttling.network_of("::ffff:192.0.2.1") == throttling.network_of("192.0.2.1")
    assert throttling.network_of(None) == "unknown"


@pytest.mark.parametrize("path", ["/sign-in/", "/oauth/token/", "/oauth/introspect/"])
def test_signing_in_and_tokens_have_buckets_of_their_own(path, rates):
    rates(sign_in="2/min", token="2/min")
    client = Client()
    answers = [client.post(path, {"username": "nobody", "password": "wrong"}) for _ in range(3)]
    assert [each.status_code == 429 for each in answers] == [False, False, True]
    assert int(answers[2]["Retry-After"]) > 0
    assert answers[2]["RateLimit"]
    assert client.get("/sign-in/").status_code == 200


def test_the_api_serves_while_the_cache_is_away(api, clerk, rates, monkeypatch):
    rates(user="2/min", search="2/min")

    def away(*args, **kwargs):
        raise RedisAway

    monkeypatch.setattr(type(cache._connections["default"]), "incr", away)
    answers = [api(clerk).get(LIST) for _ in range(4)]
    assert [each.status_code for each in answers] == [200] * 4
    assert "RateLimit" not in answers[0]
