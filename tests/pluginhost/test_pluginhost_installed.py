"""The plugins that are installed beside the service: found by entry point, healthy, and keeping the contract."""

from __future__ import annotations

from importlib.metadata import distributions

import pytest
from jsonschema import Draft202012Validator

from opticshop.plugin_api import ENTRY_POINT_GROUP
from opticshop.pluginhost import checking, discovery, manager, services
from tests.pluginhost.samples import inspection

INSTALLED = sorted(
    {point.name for dist in distributions() for point in dist.entry_points if point.group == ENTRY_POINT_GROUP}
)

pytestmark = pytest.mark.skipif(not INSTALLED, reason="no plugin distribution is installed here")


@pytest.fixture(scope="module")
def host():
    return manager.build(discovery.installed_offers())


def test_all_are_found_and_none_is_left_out(host):
    assert host.left_out == ()
    assert len(host.plugins) == len(INSTALLED)


@pytest.mark.parametrize("name", INSTALLED)
def test_each_keeps_the_contract(host, name):
    (plugin,) = [p for p in host.plugins.values() if name in {p.name, p.distribution.split(" ")[0]}]
    kept = checking.conformance(host, plugin, with_side_effects=False)
    assert kept.failures == []
    assert kept.run >= 2


@pytest.mark.django_db
def test_every_installed_calculator_answers_its_example_over_http_as_documented(host, api, clerk, document):
    before = manager.install(host)
    try:
        schema, warnings = document()
        assert warnings == []
        runs = [path for path in schema["paths"] if path.endswith("/run/")]
        assert len(runs) == len(host.shelves.calculators)
        client = api(clerk)
        for run in runs:
            for path in (run, run.replace("/run/", "/batch/")):
                if "{" in path:
                    continue
                operation = schema["paths"][path]["post"]
                example = operation["requestBody"]["content"]["application/json"]["examples"]["example"]["value"]
                response = client.post(path, example)
                assert response.status_code == 200, (path, response.content)
                answer = operation["responses"]["200"]["content"]["application/json"]["schema"]
                Draft202012Validator({**answer, "components": schema["components"]}).validate(response.json())
                assert response.json().get("failed", 0) == 0, path
    finally:
        manager.install(before)


@pytest.mark.django_db
def test_every_installed_standard_judges_through_the_facade(host, mill):
    before = manager.install(host)
    try:
        for key, brought in host.shelves.tolerance_standards.items():
            verdict, version = services.tolerance_evaluate(branch=mill, standard_key=key, request=inspection())
            assert version == brought.plugin.manifest.version
            assert verdict.standard_key == key
            assert services.tolerance_limits(branch=mill, standard_key=key)
    finally:
        manager.install(before)
