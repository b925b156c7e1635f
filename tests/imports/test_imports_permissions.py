"""Who may import what where, and who sees it."""

from __future__ import annotations

import pytest

from opticshop.accounts.models import Membership
from opticshop.core.duties import run_duty
from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer
from tests.imports.conftest import PEOPLE, ROWS, URL, csv_of, done, files, refused, sent

pytestmark = pytest.mark.django_db
HEAD = "First name,Surname"


def test_a_clerk_does_not_import(api, clerk, mill):
    refused(sent(api(clerk), mill, PEOPLE), 403, "core.forbidden")
    refused(api(clerk).get(URL), 403, "core.forbidden")
    refused(api(None).get(URL), 401, "http.not_signed_in")


def test_a_manager_imports_at_the_own_branch_only(api, manager, mill, quay):
    done(sent(api(manager), mill, PEOPLE), 201)
    refused(sent(api(manager), quay, PEOPLE), 404, "core.not_found")


def test_prices_need_leave_to_change_the_catalogue(api, manager, head_office, mill):
    problem = refused(sent(api(manager), mill, csv_of("Code,Price", "X,1"), "prices"), 403, "core.forbidden")
    assert problem["permission"] == "catalogue.edit"
    file = done(sent(api(head_office), mill, csv_of("Code,Price", "X,1"), "prices"), 201)
    refused(api(manager).get(f"{URL}{file['id']}/"), 404, "core.not_found")
    assert done(api(manager).get(URL))["results"] == []


def test_the_other_branch_sees_and_does_nothing(api, manager, outsider, mill):
    file = done(sent(api(manager), mill, PEOPLE, date_format="DD/MM/YYYY"), 201)
    at = f"{URL}{file['id']}/"
    for what in ("run/", "dry-run/", "cancel/"):
        refused(api(outsider).post(f"{at}{what}", {}), 404, "core.not_found")
    refused(api(outsider).get(at), 404, "core.not_found")
    refused(api(outsider).get(f"{at}errors.csv/"), 404, "core.not_found")
    refused(api(outsider).patch(at, {"decimal_mark": ","}, headers={"If-Match": '"1"'}), 404, "core.not_found")
    done(api(manager).post(f"{at}run/", {}))
    assert done(api(outsider).get(URL))["results"] == []
    assert done(api(outsider).get(f"{ROWS}?file={file['id']}"))["results"] == []
    assert len(done(api(manager).get(f"{ROWS}?file={file['id']}"))["results"]) == 2


def test_twin_branches_keep_their_outside_keys_apart(api, manager, outsider, mill, quay):
    for person, branch in ((manager, mill), (outsider, quay)):
        file = done(sent(api(person), branch, PEOPLE, date_format="DD/MM/YYYY"), 201)
        done(api(person).post(f"{URL}{file['id']}/run/", {}))
    run_duty("imports.apply")
    assert Customer.objects.everywhere("test").filter(branch=mill).count() == 2
    assert Customer.objects.everywhere("test").filter(branch=quay).count() == 2


def test_a_prescription_does_not_find_the_customer_of_the_other_branch(api, manager, outsider, mill, quay):
    file = done(sent(api(manager), mill, PEOPLE, date_format="DD/MM/YYYY"), 201)
    done(api(manager).post(f"{URL}{file['id']}/run/", {}))
    run_duty("imports.apply")
    rx = csv_of("Customer No,Date,Prescriber,R Sph,L Sph", "A-1,2026-01-15,R. Sorrel (invented),1,1")
    file = done(sent(api(outsider), quay, rx, "prescriptions"), 201)
    tried = done(api(outsider).post(f"{URL}{file['id']}/dry-run/", {}))["tried"]
    assert [problem["code"] for problem in tried["problems"]] == ["imports.customer_unknown"]


def test_rows_of_somebody_who_lost_the_role_are_not_applied(api, manager, mill):
    file = done(sent(api(manager), mill, PEOPLE, date_format="DD/MM/YYYY"), 201)
    done(api(manager).post(f"{URL}{file['id']}/run/", {}))
    Membership.objects.filter(user=manager).delete()
    assert run_duty("imports.apply") == 0
    [stopped] = files()
    assert (stopped.state, Customer.objects.everywhere("test").count()) == ("stopped", 0)
    assert "may not do this any more" in stopped.stopped_because
    assert OutboxEvent.objects.filter(type="imports.stopped").count() == 1


def test_lists_cost_the_same_however_long(api, head_office, mill, queries):
    client = api(head_office)
    for number in range(2):
        done(sent(client, mill, csv_of(HEAD, f"Wren,Alder{number}")), 201)
    few = queries(lambda: done(client.get(URL)))
    for number in range(2, 8):
        file = done(sent(client, mill, csv_of(HEAD, f"Wren,Alder{number}")), 201)
        done(client.post(f"{URL}{file['id']}/run/", {}))
    assert queries(lambda: done(client.get(URL))) == few
    assert len(done(client.get(f"{URL}?state=running"))["results"]) == 6
    one = queries(lambda: done(client.get(f"{ROWS}?page_size=1")))
    assert queries(lambda: done(client.get(ROWS))) == one
