"""Services charged for, and tax rates as dated data."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.catalogue.models import ServiceItem, TaxRate
from opticshop.catalogue.selectors import TaxRateMissing, dispensing_service, tax_rate_on
from opticshop.core.models import OutboxEvent
from tests.factories import DispensingFeeFactory, TaxRateFactory

pytestmark = pytest.mark.django_db
SERVICES, RATES = "/api/v1/services/", "/api/v1/tax-rates/"


def dispensing(**more):
    return {
        "sku": "DISP",
        "name": "Dispensing: measuring and fitting",
        "price": "60.00",
        "tax_category": "exempt",
        "is_dispensing": True,
        **more,
    }


def rate(**more):
    return {
        "jurisdiction": "GB",
        "category": "standard",
        "percent": "20",
        "valid_from": "2011-01-04",
        "source": "invented for tests",
        "confidence": "test data",
        **more,
    }


def test_head_office_adds_and_retires_the_dispensing(api, head_office):
    client = api(head_office)
    added = client.post(SERVICES, dispensing())
    assert added.status_code == 201, added.data
    assert dispensing_service().id == ServiceItem.objects.get().id
    retired = client.patch(f"{SERVICES}{added.data['id']}/", {"is_active": False}, headers={"If-Match": '"1"'})
    assert (retired.status_code, retired.data["is_active"]) == (200, False)
    assert dispensing_service() is None
    assert list(OutboxEvent.objects.order_by("id").values_list("type", flat=True)) == [
        "catalogue.service_added",
        "catalogue.service_changed",
    ]


def test_only_one_active_service_is_the_dispensing(api, head_office):
    first = DispensingFeeFactory(sku="DISP-1")
    client = api(head_office)
    second = client.post(SERVICES, dispensing())
    assert (second.status_code, second.data["code"]) == (409, "catalogue.dispensing_taken")
    other = client.post(SERVICES, dispensing(is_dispensing=False)).data
    turned = client.patch(f"{SERVICES}{other['id']}/", {"is_dispensing": True}, headers={"If-Match": '"1"'})
    assert (turned.status_code, turned.data["code"]) == (409, "catalogue.dispensing_taken")
    client.patch(f"{SERVICES}{first.id}/", {"is_active": False}, headers={"If-Match": '"1"'})
    turned = client.patch(f"{SERVICES}{other['id']}/", {"is_dispensing": True}, headers={"If-Match": '"1"'})
    assert turned.status_code == 200
    assert str(dispensing_service().id) == other["id"]


def test_others_read_services_only(api, manager, outsider):
    DispensingFeeFactory()
    for user in (manager, outsider):
        assert len(api(user).get(f"{SERVICES}?text=disp").data["results"]) == 1
        assert api(user).post(SERVICES, dispensing(sku="X")).status_code == 403
    assert ServiceItem.objects.count() == 1


def test_a_tax_rate_is_added_with_its_source(api, head_office, clerk):
    response = api(head_office).post(RATES, rate())
    assert response.status_code == 201, response.data
    assert OutboxEvent.objects.get().data == {"tax_rate": response.data["id"]}
    assert [row["percent"] for row in api(clerk).get(f"{RATES}?category=standard").data["results"]] == ["20.00"]


@pytest.mark.parametrize(
    ("more", "status", "code"),
    [
        ({"category": "exempt"}, 422, "catalogue.tax_free_is_zero"),
        ({"category": "zero", "percent": "0.01"}, 422, "catalogue.tax_free_is_zero"),
        ({"percent": "-1"}, 400, "core.malformed"),
        ({"percent": "100"}, 400, "core.malformed"),
        ({"source": ""}, 400, "core.malformed"),
        ({"jurisdiction": "gb"}, 400, "core.malformed"),
    ],
)
def test_a_rate_that_cannot_be_is_refused(api, head_office, more, status, code):
    response = api(head_office).post(RATES, rate(**more))
    assert (response.status_code, response.data["code"]) == (status, code)
    assert not TaxRate.objects.exists()
    assert not OutboxEvent.objects.exists()


def test_one_rate_a_day_and_nobody_but_head_office_adds_it(api, head_office, manager):
    assert api(manager).post(RATES, rate()).status_code == 403
    assert api(head_office).post(RATES, rate()).status_code == 201
    again = api(head_office).post(RATES, rate(percent="17.5"))
    assert (again.status_code, again.data["code"]) == (409, "catalogue.tax_rate_taken")
    assert TaxRate.objects.count() == 1


@pytest.mark.parametrize(
    ("day", "percent"), [("2010-12-31", "17.5"), ("2011-01-03", "17.5"), ("2011-01-04", "20"), ("2026-03-02", "20")]
)
def test_the_rate_of_a_day_is_the_latest_that_had_begun(day, percent):
    """GB standard rate 20 percent from 4 January 2011, 17.5 percent in 2010 (from memory; here only as two dates)."""
    TaxRateFactory(percent="20", valid_from=dt.date(2011, 1, 4))
    TaxRateFactory(percent="17.5", valid_from=dt.date(2010, 1, 1))
    TaxRateFactory(percent="9", valid_from=dt.date(2010, 1, 1), jurisdiction="XX")
    TaxRateFactory(percent="5", valid_from=dt.date(2010, 1, 1), category="reduced")
    assert tax_rate_on("GB", "standard", dt.date.fromisoformat(day)).percent == Decimal(percent)


def test_a_missing_rate_is_a_conflict_but_tax_free_needs_none():
    TaxRateFactory(valid_from=dt.date(2011, 1, 4))
    for category, day in (("standard", "2011-01-03"), ("reduced", "2026-01-01")):
        with pytest.raises(TaxRateMissing):
            tax_rate_on("GB", category, dt.date.fromisoformat(day))
    for category in ("zero", "exempt"):
        assert tax_rate_on("GB", category, dt.date(2026, 1, 1)).percent == 0


def test_the_lists_cost_the_same_for_one_row_and_for_ten(api, clerk, queries):
    client = api(clerk)
    TaxRateFactory()
    one = queries(lambda: client.get(RATES))
    for year in range(2012, 2021):
        TaxRateFactory(valid_from=dt.date(year, 1, 4))
    assert queries(lambda: client.get(RATES)) == one
