"""Calculators over HTTP: one set of inputs, or a batch of rows of which each stands for itself."""

from __future__ import annotations

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.pluginhost.models import PluginActivation
from opticshop.pluginhost.services.calculating import PART
from opticshop.pluginhost.testing import using_plugins
from tests.pluginhost.samples import CalculatorPlugin, Prentice, StandardPlugin, StricterPlugin

pytestmark = pytest.mark.django_db
URL = "/api/v1/calculators/"
RUN = f"{URL}prentice/run/"
BATCH = f"{URL}prentice/batch/"


@pytest.fixture
def calc():
    plugin = CalculatorPlugin()
    with using_plugins([plugin, StandardPlugin(), StricterPlugin()]):
        yield plugin.calculator


def test_calculators_are_listed_and_described(api, hand, calc):
    (row,) = api(hand).get(URL).data["results"]
    assert row == {
        "name": "prentice",
        "title": "Prism by decentration",
        "version": "1.0",
        "topic": "prism",
        "source": "Prentice's rule, P = c F (from memory)",
        "plugin": "calc",
    }
    one = api(hand).get(f"{URL}prentice/").data
    assert one["input_schema"]["properties"]["power_dpt"]["maximum"] == 30
    assert one["output_schema"]["properties"]["prism_dpt"]["unit"] == "Δ"
    assert api(hand).post(RUN, one["example"]).status_code == 200
    assert api(hand).get(f"{URL}nothing/").status_code == 404


def test_the_answer_says_what_was_understood_and_what_it_rests_on(api, clerk, calc):
    # Prentice's rule: prism in Δ = decentration in cm x power in D; 1.5 cm x 4 D = 6 Δ (from memory).
    response = api(clerk).post(RUN, {"power_dpt": -4, "decentration_mm": 15})
    assert response.status_code == 200
    assert response.json() == {
        "calculator": "prentice",
        "version": "1.0",
        "plugin": "calc",
        "source": "Prentice's rule, P = c F (from memory)",
        "inputs": {"power_dpt": -4.0, "decentration_mm": 15.0, "note": "none"},
        "outputs": {"prism_dpt": 6.0},
        "assumptions": ["A thin lens."],
        "warnings": [{"code": "large", "message": "The prism is large."}],
    }
    assert not OutboxEvent.objects.exists()


@pytest.mark.parametrize(
    ("body", "pointer", "code", "allowed"),
    [
        (
            {"power_dpt": 31, "decentration_mm": 1},
            "#/power_dpt",
            "less_than_equal",
            {"type": "number", "unit": "D", "minimum": -30, "maximum": 30},
        ),
        (
            {"power_dpt": 1},
            "#/decentration_mm",
            "missing",
            {"type": "number", "unit": "mm", "minimum": 0, "maximum": 50},
        ),
        (
            {"power_dpt": "1", "decentration_mm": 1},
            "#/power_dpt",
            "float_type",
            {"type": "number", "unit": "D", "minimum": -30, "maximum": 30},
        ),
        (
            {"power_dpt": True, "decentration_mm": 1},
            "#/power_dpt",
            "float_type",
            {"type": "number", "unit": "D", "minimum": -30, "maximum": 30},
        ),
        (
            {"power_dpt": 1, "decentration_mm": 1, "colour/hue": 1},
            "#/colour~1hue",
            "extra_forbidden",
            ["decentration_mm", "note", "power_dpt"],
        ),
        ([1, 2], "#", "model_type", None),
        ("text", "#", "model_type", None),
    ],
)
def test_inputs_out_of_shape_or_range_are_refused_by_pointer_with_what_is_allowed(
    api, clerk, calc, body, pointer, code, allowed
):
    response = api(clerk).post(RUN, body)
    assert (response.status_code, response["Content-Type"]) == (422, "application/problem+json")
    problem = response.json()
    assert (problem["code"], problem["calculator"]) == ("calculators.invalid_inputs", "prentice")
    (error,) = problem["errors"]
    assert (error["pointer"], error["code"]) == (pointer, code)
    if allowed is not None and not isinstance(body, list | str):
        assert error["allowed"] == allowed


def test_every_fault_is_listed(api, clerk, calc):
    problem = api(clerk).post(RUN, {"power_dpt": 99, "decentration_mm": -1}).json()
    assert {error["pointer"] for error in problem["errors"]} == {"#/power_dpt", "#/decentration_mm"}


@pytest.mark.parametrize(
    "raw", [b'{"power_dpt": 1e999, "decentration_mm": 1}', b'{"power_dpt": NaN}', b"{", b"null", b""]
)
def test_numbers_and_texts_that_json_does_not_know_are_refused(api, clerk, calc, raw):
    response = api(clerk).post(RUN, raw, content_type="application/json")
    assert response.status_code in {400, 422}


def test_what_cannot_be_computed_is_422_and_points_at_an_input_only_if_it_is_one(api, clerk, calc):
    optics = api(clerk).post(RUN, {"power_dpt": 13, "decentration_mm": 1})
    assert (optics.status_code, optics.json()["code"]) == (422, "calculators.cannot_be_computed")
    assert optics.json()["errors"] == [
        {"pointer": "#/power_dpt", "detail": "Thirteen is not ground here.", "code": "optics.out_of_range"}
    ]
    together = api(clerk).post(RUN, {"power_dpt": 14, "decentration_mm": 1}).json()
    assert together["errors"] == [{"pointer": "#", "detail": "Nor is fourteen.", "code": "calculators.invalid_inputs"}]
    assert together["reason_code"] == "calculators.invalid_inputs"


def test_a_defect_of_a_calculator_is_500_and_names_the_plugin(api, clerk, calc, caplog):
    response = api(clerk).post(RUN, {"power_dpt": 15, "decentration_mm": 1})
    assert (response.status_code, response.json()["code"], response.json()["plugin"]) == (
        500,
        "calculators.failed",
        "calc",
    )
    assert "a bug" not in response.json()["detail"]
    assert "a bug" in caplog.text


def test_an_output_that_is_no_number_is_a_defect(api, clerk, calc, monkeypatch):
    def nothing(self, inputs):
        from opticshop.plugin_api import CalculatorResult

        return CalculatorResult(self.Outputs.model_construct(prism_dpt=float("nan")))

    monkeypatch.setattr(Prentice, "compute", nothing)
    assert api(clerk).post(RUN, {"power_dpt": 1, "decentration_mm": 1}).status_code == 500


def test_a_batch_is_computed_together_and_answers_row_by_row(api, clerk, calc):
    rows = [{"power_dpt": power, "decentration_mm": 10} for power in (1, 2, 3)]
    body = api(clerk).post(BATCH, {"rows": rows}).json()
    assert (body["computed"], body["failed"], calc.batches) == (3, 0, 1)
    assert [row["outputs"]["prism_dpt"] for row in body["rows"]] == [1, 2, 3]
    assert body["rows"][2]["index"] == 2
    assert body["rows"][0]["assumptions"] == ["A thin lens."]


def test_a_bad_row_has_its_own_problem_and_spoils_no_other(api, clerk, calc):
    powers = [1, 99, 13, 14, 15, 2]
    rows = [{"power_dpt": power, "decentration_mm": 10} for power in powers]
    response = api(clerk).post(BATCH, {"rows": [*rows, "text"]})
    assert response.status_code == 200
    body = response.json()
    assert (body["computed"], body["failed"]) == (2, 5)
    codes = [row["problem"]["code"] if row["problem"] else None for row in body["rows"]]
    assert codes == [
        None,
        "calculators.invalid_inputs",
        "calculators.cannot_be_computed",
        "calculators.cannot_be_computed",
        "calculators.failed",
        None,
        "calculators.invalid_inputs",
    ]
    assert body["rows"][1]["problem"]["errors"][0]["allowed"]["maximum"] == 30
    assert [row["index"] for row in body["rows"]] == list(range(7))
    assert body["rows"][5]["outputs"] == {"prism_dpt": 2.0}


def test_a_batch_has_one_to_ten_thousand_rows(api, clerk, calc):
    row = {"power_dpt": 1, "decentration_mm": 10}
    assert api(clerk).post(BATCH, {"rows": []}).status_code == 400
    assert api(clerk).post(BATCH, {"rows": [row] * 10_001}).status_code == 400
    assert api(clerk).post(BATCH, {"lines": [row]}).status_code == 400
    full = api(clerk).post(BATCH, {"rows": [row] * 10_000})
    assert (full.status_code, full.json()["computed"]) == (200, 10_000)


def test_rows_that_are_not_reached_in_time_can_be_sent_again(api, clerk, calc, settings, monkeypatch):
    clock = iter([0.0, 0.0, 10.0, 30.0])  # the start, before the first part, before the second, before the third
    monkeypatch.setattr("opticshop.pluginhost.services.calculating.time.monotonic", lambda: next(clock))
    settings.OPTICSHOP_BATCH_SECONDS = 20
    rows = [{"power_dpt": 1, "decentration_mm": 10}] * (2 * PART + 3)
    body = api(clerk).post(BATCH, {"rows": rows}).json()
    assert (body["computed"], body["failed"]) == (2 * PART, 3)
    assert {row["problem"]["code"] for row in body["rows"] if row["problem"]} == {"calculators.out_of_time"}
    assert body["rows"][-1]["index"] == 2 * PART + 2


def test_a_batch_that_answers_with_too_few_results_is_computed_row_by_row(api, clerk, calc, monkeypatch):
    monkeypatch.setattr(Prentice, "compute_batch", lambda self, rows: [])
    body = api(clerk).post(BATCH, {"rows": [{"power_dpt": 1, "decentration_mm": 10}]}).json()
    assert body["rows"][0]["outputs"] == {"prism_dpt": 1.0}


def test_a_calculator_is_there_where_its_plugin_is_active(api, clerk, manager, outsider, head_office, mill, quay, calc):
    PluginActivation.objects.create(plugin="calc", branch=mill, is_active=False)
    row = {"power_dpt": 1, "decentration_mm": 10}
    assert api(clerk).get(URL).data["results"] == []
    assert api(clerk).post(RUN, row).status_code == 404
    assert api(clerk).post(BATCH, {"rows": [row]}).status_code == 404
    assert api(outsider).post(RUN, row).status_code == 200
    assert api(head_office).post(RUN, row).status_code == 200
    PluginActivation.objects.create(plugin="calc", branch=None, is_active=False)
    assert api(outsider).post(RUN, row).status_code == 404
    PluginActivation.objects.create(plugin="calc", branch=quay, is_active=True)
    assert api(head_office).post(RUN, row).status_code == 200


def test_who_may_compute(api, bookkeeper, calc):
    row = {"power_dpt": 1, "decentration_mm": 10}
    assert api(None).post(RUN, row).status_code == 401
    assert api(bookkeeper).get(URL).status_code == 403
    assert api(bookkeeper).post(RUN, row).status_code == 403


def test_the_list_costs_the_same_whatever_was_decided(api, hand, mill, calc, queries):
    client = api(hand)
    bare = queries(lambda: client.get(URL))
    PluginActivation.objects.create(plugin="calc", branch=mill, is_active=True)
    assert queries(lambda: client.get(URL)) == bare


STANDARDS = "/api/v1/tolerance-standards/"


def test_standards_are_listed_with_their_limits_clause_by_clause(api, hand, calc):
    rows = api(hand).get(STANDARDS).data["results"]
    assert [row["key"] for row in rows] == ["house-1", "stricter-1"]
    assert rows[0]["lens_kinds"] == ["multifocal", "power_variation", "single_vision"]
    one = api(hand).get(f"{STANDARDS}house-1/").data
    assert (one["applies_to"], one["plugin"], one["version"]) == ("mounted", "std", "1.2.3")
    assert one["limits"] == [
        {
            "parameter": "sphere",
            "band": "every value",
            "limit": "0.25",
            "unit": "D",
            "clause": "1",
            "confidence": "convention",
            "source": "common practice, no source",
        }
    ]
    assert api(hand).get(f"{STANDARDS}nothing/").status_code == 404


def test_standards_of_a_branch_are_those_active_there(api, manager, outsider, mill, quay, calc):
    PluginActivation.objects.create(plugin="std", branch=mill, is_active=False)
    rows = api(manager).get(f"{STANDARDS}?branch={mill.id}").data["results"]
    assert [row["key"] for row in rows] == ["stricter-1"]
    assert api(manager).get(f"{STANDARDS}house-1/?branch={mill.id}").status_code == 404
    assert api(outsider).get(f"{STANDARDS}?branch={mill.id}").status_code == 404
    assert len(api(outsider).get(f"{STANDARDS}?branch={quay.id}").data["results"]) == 2
