"""Gauge studies over the API, with the worked study of AIAG."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.quality.charts_models import GaugeStudy
from tests.instruments.conftest import add_instrument
from tests.spc.test_spc_gauge import AIAG

pytestmark = pytest.mark.django_db

STUDIES = "/api/v1/gauge-studies/"


def body(branch, **more):
    return {
        "branch": str(branch.id),
        "title": "Focimeter, bench 1",
        "unit": "D",
        "operators": ["A", "B", "C"],
        "parts": [f"lens {number}" for number in range(1, 11)],
        "readings": [[[f"{value:.2f}" for value in trials] for trials in part] for part in AIAG],
        **more,
    }


def test_the_study_of_aiag_by_analysis_of_variance(api, hand, mill):
    """AIAG MSA 4th edition, ANOVA report (from memory): EV 0.199933, AV 0.226838, GRR 0.302373, 27.9 percent, ndc 4."""
    response = api(hand).post(STUDIES, body(mill, tolerance="6", instrument=str(add_instrument(mill).id)))
    assert response.status_code == 201, response.content
    found = response.json()
    result = found["result"]
    sigma = {component["name"]: component["sigma"] for component in result["components"]}
    assert sigma["repeatability"] == pytest.approx(0.199933, abs=2e-6)
    assert sigma["reproducibility"] == pytest.approx(0.226838, abs=2e-6)
    assert sigma["gauge"] == pytest.approx(0.302373, abs=2e-6)
    assert result["gauge_percent"] == pytest.approx(27.9, abs=0.05)
    assert (result["categories"], result["interaction_pooled"]) == (4, True)
    assert [line["source"] for line in result["anova"]] == [
        "operators",
        "parts",
        "interaction",
        "repeatability",
        "total",
    ]
    assert result["ranges_outside"] == [[1, 3]]
    [event] = OutboxEvent.objects.filter(type="quality.gauge_studied")
    assert (event.data["gauge_percent"], event.data["categories"]) == (27.9, 4)
    assert api(hand).get(f"{STUDIES}{found['id']}/").json() == found
    assert (found["readings"][0][0], found["studied_by_name"]) == (["0.29", "0.41", "0.64"], "Hand")


def test_the_study_of_aiag_by_averages_and_ranges(api, hand, mill):
    """AIAG MSA 4th edition, the data sheet (from memory): 26.68 percent, ndc 5."""
    result = api(hand).post(STUDIES, body(mill, method="average_range")).json()["result"]
    assert result["gauge_percent"] == pytest.approx(26.68, abs=0.02)
    assert (result["categories"], result["anova"]) == (5, [])


@pytest.mark.parametrize(
    ("changes", "status", "code"),
    [
        ({"operators": ["A", "B"]}, 422, "quality.study_not_computable"),
        ({"parts": ["one", "two"]}, 422, "quality.study_not_computable"),
        ({"tolerance": "0"}, 422, "quality.study_not_computable"),
        (
            {"operators": ["A", "B"], "parts": ["1", "2"], "readings": [[["1", "1"], ["1", "1"]]] * 2},
            422,
            "quality.study_not_computable",
        ),
        (
            {
                "operators": ["A", "B"],
                "parts": ["1", "2"],
                "readings": [[["1", "2"], ["1", "2", "3"]], [["1", "2"], ["1", "2"]]],
            },
            422,
            "quality.study_not_computable",
        ),
        ({"operators": ["A"]}, 400, "core.malformed"),
        ({"readings": [[["1"]]]}, 400, "core.malformed"),
        ({"method": "guess"}, 400, "core.malformed"),
    ],
)
def test_what_is_no_study_is_refused_and_nothing_is_written(api, hand, mill, changes, status, code):
    response = api(hand).post(STUDIES, body(mill, **changes))
    assert (response.status_code, response.json()["code"]) == (status, code), response.content
    assert not GaugeStudy.objects.everywhere("test").exists()
    assert not OutboxEvent.objects.exists()


def test_whose_studies(api, hand, clerk, outsider, head_office, mill, quay):
    assert api(clerk).post(STUDIES, body(mill)).status_code == 403
    assert api(outsider).post(STUDIES, body(mill)).status_code == 404
    assert api(head_office).post(STUDIES, body(quay)).status_code == 403
    assert api(hand).post(STUDIES, body(mill, instrument=str(add_instrument(quay).id))).status_code == 404
    found = api(hand).post(STUDIES, body(mill)).json()
    for path in ("", "svg/"):
        assert api(clerk).get(f"{STUDIES}{found['id']}/{path}").status_code == 200
        assert api(outsider).get(f"{STUDIES}{found['id']}/{path}").status_code == 404
    assert api(outsider).get(STUDIES).json()["results"] == []


def test_an_instrument_of_another_branch_is_refused(api, hand, mill, quay):
    from opticshop.accounts.models import Membership

    Membership.objects.create(user=hand, role="workshop", branch=quay)
    response = api(hand).post(STUDIES, body(mill, instrument=str(add_instrument(quay).id)))
    assert (response.status_code, response.json()["code"]) == (422, "quality.instrument_elsewhere")


def test_studies_are_listed_at_a_constant_cost(api, hand, mill, queries):
    client, instrument = api(hand), add_instrument(mill)
    sent = body(mill, instrument=str(instrument.id))
    client.post(STUDIES, sent)
    one = queries(lambda: client.get(STUDIES))
    for _ in range(9):
        client.post(STUDIES, sent)
    assert queries(lambda: client.get(STUDIES)) == one
    assert len(client.get(f"{STUDIES}?instrument={instrument.id}").json()["results"]) == 10


def test_the_picture_of_a_study_is_the_same_every_time(api, hand, mill):
    found = api(hand).post(STUDIES, body(mill)).json()
    first, again = (api(hand).get(f"{STUDIES}{found['id']}/svg/") for _ in range(2))
    assert first.content == again.content
    assert first["Content-Type"].startswith("image/svg+xml")
    root = ET.fromstring(first.content)
    marks = [use for use in root.iter("{http://www.w3.org/2000/svg}use") if "stroke: #ffffff" in use.get("style", "")]
    assert len(marks) == 90  # one for each reading
