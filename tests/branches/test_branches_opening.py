"""Opening and changing branches; numbers without gaps."""

from __future__ import annotations

import pytest
from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.branches.services import number_next
from opticshop.core.models import OutboxEvent
from tests.factories import BranchFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/branches/"


def test_head_office_opens_a_branch(api, head_office):
    answer = api(head_office).post(URL, {"code": "weir", "name": "Weir (invented)"})
    assert answer.status_code == 201, answer.content
    assert answer.json()["code"] == "WEIR"
    assert OutboxEvent.objects.get().type == "branches.opened"
    again = api(head_office).post(URL, {"code": "WEIR", "name": "Again"})
    assert again.json()["code"] == "branches.code_taken"


def test_nobody_else_does(api, manager, mill):
    assert api(manager).post(URL, {"code": "WEIR", "name": "Weir"}).status_code == 403
    assert api(manager).patch(f"{URL}{mill.id}/", {"name": "x"}, headers={"If-Match": '"1"'}).status_code == 403
    assert Branch.objects.count() == 1


@pytest.mark.parametrize(
    "wrong", [{"code": "W"}, {"code": "W€IR"}, {"time_zone": "Mars/Olympus"}, {"currency": "pounds"}, {"name": ""}]
)
def test_a_branch_that_cannot_be_is_refused(api, head_office, wrong):
    answer = api(head_office).post(URL, {"code": "WEIR", "name": "Weir", **wrong})
    assert answer.status_code in {400, 422}
    assert not Branch.objects.exists()


def test_each_sees_the_branches_it_works_in(api, manager, outsider, head_office, mill, quay):
    def codes(user):
        return {row["code"] for row in api(user).get(URL).json()["results"]}

    assert (codes(manager), codes(outsider), codes(head_office)) == ({"MILL"}, {"QUAY"}, {"MILL", "QUAY"})
    assert api(manager).get(f"{URL}{quay.id}/").status_code == 404


def test_a_change_needs_the_version_that_was_read(api, head_office, mill):
    client, url = api(head_office), f"{URL}{mill.id}/"
    assert client.patch(url, {"turnaround_days": 5}).status_code == 428
    assert client.patch(url, {"turnaround_days": 5}, headers={"If-Match": '"7"'}).status_code == 412
    assert client.patch(url, {"turnaround_days": 5}, headers={"If-Match": 'W/"1"'}).status_code == 412
    changed = client.patch(url, {"turnaround_days": 5}, headers={"If-Match": '"1"'})
    assert (changed.status_code, changed.json()["turnaround_days"]) == (200, 5)
    assert client.get(url, headers={"If-None-Match": changed["ETag"]}).status_code == 304


def test_numbers_have_no_gaps_and_start_anew_each_year_kind_and_branch(mill, quay):
    def give(branch, kind):
        with transaction.atomic():
            return number_next(branch=branch, kind=kind)

    assert [give(mill, "R"), give(mill, "R"), give(mill, "O"), give(quay, "R")] == [
        "MILL-R-2026-00001",
        "MILL-R-2026-00002",
        "MILL-O-2026-00001",
        "QUAY-R-2026-00001",
    ]

    def fail():
        with transaction.atomic():
            number_next(branch=mill, kind="R")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert give(mill, "R") == "MILL-R-2026-00003"


def test_the_list_costs_the_same_for_one_row_and_for_ten(api, head_office, queries):
    client = api(head_office)
    BranchFactory()
    one = queries(lambda: client.get(URL))
    BranchFactory.create_batch(9)
    assert queries(lambda: client.get(URL)) == one
