"""The OpenAPI document says what the bases do, and its examples work as they stand."""

from __future__ import annotations

import pytest

from opticshop.exchange.openapi import BUNDLE_EXAMPLE, exchange_documented
from tests.factories import CustomerFactory

from .resources import R4

pytestmark = pytest.mark.django_db


def operations() -> dict[str, dict[str, dict]]:
    return exchange_documented({"paths": {}})["paths"]


def test_every_documented_address_and_method_is_served_and_every_other_is_not(api, clerk, mill):
    client, key = api(clerk), CustomerFactory(branch=mill).id
    for path, documented in operations().items():
        for method in ("get", "post", "put", "patch", "delete"):
            status = getattr(client, method)(path.replace("{id}", str(key)), {}, format="json").status_code
            assert (status != 405) is (method in documented), (path, method)


def test_the_examples_work_as_they_stand(api, manager, mill):
    """Whole story: the bundle of the documentation, then its single prescription for the patient it made known."""
    client = api(manager)
    assert client.post(f"{R4}/", BUNDLE_EXAMPLE, format="json").status_code == 200
    content = operations()[f"{R4}/VisionPrescription"]["post"]["requestBody"]["content"]["application/fhir+json"]
    (example,) = content["examples"].values()
    again = client.post(f"{R4}/VisionPrescription", example["value"], format="json")
    assert again.status_code == 200, "the bundle brought it already"
    renewed = example["value"] | {"identifier": [{"system": "https://sender.example/prescription", "value": "RX-2"}]}
    assert client.post(f"{R4}/VisionPrescription", renewed, format="json").status_code == 201
