"""The tax rule of a branch: none at first, picked and let go by a manager."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.django_db
URL = "/api/v1/branches/"


def test_a_branch_picks_its_tax_rule_and_says_whether_its_prices_are_net(api, head_office, mill):
    client, url = api(head_office), f"{URL}{mill.id}/"
    before = client.get(url).json()
    assert (before["tax_rule"], before["prices_include_tax"]) == ("", True)
    wanted = {"tax_rule": "by-place", "prices_include_tax": False, "jurisdiction": "US-XA-001"}
    changed = client.patch(url, wanted, headers={"If-Match": '"1"'})
    assert changed.status_code == 200, changed.content
    assert wanted.items() <= changed.json().items()
    assert client.patch(url, {"tax_rule": "no such"}, headers={"If-Match": '"2"'}).status_code == 400
    assert client.patch(url, {"tax_rule": ""}, headers={"If-Match": '"2"'}).json()["tax_rule"] == ""
