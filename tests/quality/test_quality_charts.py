"""Control charts of deviations, over the API. Statistics themselves are checked in tests/spc."""

from __future__ import annotations

import datetime as dt
import io
from decimal import Decimal
from xml.etree import ElementTree as ET

import pytest
from django.core.management import call_command

from opticshop.core import outbox
from opticshop.core.models import OutboxEvent
from opticshop.quality import charts, charts_points, charts_selectors, charts_tasks
from opticshop.quality.charts_models import DeviationPoint
from opticshop.quality.charts_svg import control_chart_svg
from opticshop.workshop.models import Bench as Place
from tests.conftest import NOON
from tests.instruments.conftest import add_instrument
from tests.quality.conftest import inspect
from tests.spc.test_spc_charts import FLOW

pytestmark = pytest.mark.django_db

CHARTS = "/api/v1/control-charts/"


def points_of(**columns):
    return list(DeviationPoint.objects.everywhere("test").filter(**columns).order_by("id"))


def add_points(job, values, *, limit="0.12", start=NOON, hours=6, **columns):
    """Points a few hours apart, written straight into the table."""
    defaults = {"of": "inspection", "parameter": "power_m1", "eye": "right", "unit": "D", "branch_id": job.branch_id}
    rows = [
        DeviationPoint(
            **{**defaults, **columns},
            job=job,
            of_id=DeviationPoint().id,
            deviation=Decimal(str(value)),
            limit=None if limit is None else Decimal(limit),
            measured_at=start + dt.timedelta(hours=hours * number),
        )
        for number, value in enumerate(values)
    ]
    DeviationPoint.objects.bulk_create(rows)
    return rows


def chart(client, **query):
    response = client.get(CHARTS, {"parameter": "power_m1", **query})
    assert response.status_code == 200, response.content
    return response.json()


def test_a_reading_and_an_inspection_leave_their_points(glazed, world, mill, hand):
    focimeter, ruler = add_instrument(mill), add_instrument(mill, kind="ruler", name="Ruler")
    response = inspect(
        glazed.client,
        glazed.job_id,
        right={"sphere_dpt": "-4.05", "axis_deg": 172},
        pair={"centre_distance_mm": "65.5"},
        instruments=[str(focimeter.id), str(ruler.id)],
    )
    assert response.status_code == 201, response.content
    outbox.deliver_all()
    [axis] = points_of(parameter="axis", of="inspection")
    assert (axis.eye, axis.deviation, axis.limit, axis.unit) == ("right", Decimal(2), Decimal(4), "°")
    assert str(axis.of_id) == response.json()["id"]
    assert (axis.instrument_id, axis.product_id) == (focimeter.id, world.lens.id)
    assert (axis.made_by_id, axis.measured_by_id, axis.measured_at) == (hand.id, hand.id, NOON)
    power = {(p.eye, p.of): p.deviation for p in points_of(parameter="power_m1")}
    assert power[("right", "inspection")] == Decimal("-0.05")
    assert power[("right", "reading")] == 0
    lengths = points_of(unit="mm")
    assert {point.instrument_id for point in lengths} <= {ruler.id}
    [prism] = points_of(parameter="prism_horizontal", of="inspection")
    assert (prism.eye, prism.product_id) == ("pair", world.lens.id)
    assert all(point.made_by_id is None for point in points_of(of="reading"))


@pytest.mark.parametrize(
    ("ordered", "measured", "deviation"),
    [("170", "172", "2"), ("170", "168", "-2"), ("179", "2", "3"), ("1", "180", "-1"), ("90", "180", "-90")],
)
def test_an_axis_gets_its_sign_back(ordered, measured, deviation):
    line = {"parameter": "axis", "ordered": ordered, "measured": measured, "deviation": deviation.lstrip("-")}
    assert charts_points._deviation(line) == Decimal(deviation)


def test_when_two_instruments_could_have_measured_it_nobody_knows_which(glazed, mill):
    both = [add_instrument(mill), add_instrument(mill, name="Focimeter 2")]
    inspect(glazed.client, glazed.job_id, instruments=[str(each.id) for each in both])
    outbox.deliver_all()
    assert {point.instrument_id for point in points_of(of="inspection")} == {None}


def test_delivering_again_and_rebuilding_change_nothing(glazed):
    inspect(glazed.client, glazed.job_id)
    outbox.deliver_all()
    before = {(p.of, p.of_id, p.parameter, p.eye, p.deviation) for p in points_of()}
    assert before
    event = OutboxEvent.objects.get(type="quality.inspected")
    charts_tasks.chart_inspection(event)
    assert {(p.of, p.of_id, p.parameter, p.eye, p.deviation) for p in points_of()} == before
    DeviationPoint.objects.everywhere("test").delete()
    out = io.StringIO()
    call_command("charts_rebuild", stdout=out)
    assert out.getvalue() == f"{len(before)} points written.\n"
    assert {(p.of, p.of_id, p.parameter, p.eye, p.deviation) for p in points_of()} == before


def test_the_chart_of_the_handbook(api, manager, bench):
    """NIST/SEMATECH e-Handbook 6.3.2.2, flow rate of ten batches (from memory): mean 50.81, limits 45.8159 and 55.8041
    with d2 as 1.128; five decimals of d2 move them by 0.002."""
    add_points(bench.job, FLOW)
    found = chart(api(manager))
    limits = found["limits"]
    assert limits["centre"] == pytest.approx(50.81)
    assert (limits["lower"], limits["upper"]) == pytest.approx((45.8159, 55.8041), abs=0.002)
    assert (limits["points"], limits["provisional"]) == (10, True)
    assert found["notes"][0].startswith("Limits from 10 points are provisional")
    assert [point["value"] for point in found["points"]] == FLOW
    assert found["points"][1]["moving_range"] == pytest.approx(2.0)
    assert found["breaks"] == []
    assert (found["unit"], found["tolerance"], found["cut"]) == ("D", 0.12, False)


def test_broken_rules_name_their_points(api, manager, bench):
    add_points(bench.job, [0.05, -0.05] * 12 + [0.50])
    found = chart(api(manager))
    assert found["breaks"] == [{"rule": 1, "words": "one point beyond 3 sigma", "side": "above", "points": [24]}]
    assert [point["rules"] for point in found["points"]][-2:] == [[], [1]]
    both = chart(api(manager), rules="1,6")
    assert {each["rule"] for each in both["breaks"]} == {1, 6}


def test_a_moving_average_sees_the_drift_that_single_values_hide(api, manager, bench):
    drifted = [0.01, -0.01] * 15 + [0.03, 0.01] * 10
    add_points(bench.job, drifted)
    query = {"baseline_to": "2026-03-09", "centre": "target"}
    single, average = chart(api(manager), rules="1", **query), chart(api(manager), chart="ewma", **query)
    assert single["breaks"] == []
    assert single["limits"]["points"] == 30
    assert average["breaks"]
    assert {each["side"] for each in average["breaks"]} == {"above"}
    upper = [point["upper"] for point in average["points"]]
    assert upper == sorted(upper)


def test_capability_is_against_the_limit_of_each_lens(api, manager, bench):
    """Cpk of deviations that fill half of their limit at 3 sigma is the same whatever the limit: here 0.10 and 0.20."""
    add_points(bench.job, [0.01, -0.01, 0.02, -0.02, 0.0, 0.01] * 4, limit="0.10")
    one = chart(api(manager))["capability"]
    DeviationPoint.objects.everywhere("test").delete()
    add_points(bench.job, [0.02, -0.02, 0.04, -0.04, 0.0, 0.02] * 4, limit="0.20")
    two = chart(api(manager))["capability"]
    assert two["cpk"] == pytest.approx(one["cpk"])
    assert one["cpk"]["lower"] < one["cpk"]["value"] < one["cpk"]["upper"]
    assert one["outside"] == 0


def test_points_of_different_limits_are_charted_as_shares(api, manager, bench):
    add_points(bench.job, [0.06, -0.06], limit="0.12")
    add_points(bench.job, [0.05], limit="0.10", start=NOON + dt.timedelta(days=2))
    add_points(bench.job, [0.05], limit=None, start=NOON + dt.timedelta(days=3))
    found = chart(api(manager), scale="share_of_limit")
    assert [point["value"] for point in found["points"]] == pytest.approx([0.5, -0.5, 0.5])
    assert found["tolerance"] == 1
    assert "1 points without a limit are left out." in found["notes"]
    assert chart(api(manager))["tolerance"] is None


def test_points_are_narrowed_and_in_order(api, manager, hand, bench, mill, world):
    focimeter = add_instrument(mill)
    place = Place.objects.create(branch=mill, code="B1", name="By the window")
    add_points(bench.job, [0.01, 0.02], instrument=focimeter, bench=place)
    add_points(bench.job, [0.03, 0.04], start=NOON - dt.timedelta(days=2), product=world.lens, made_by=hand)
    add_points(bench.job, [0.05], eye="left", of="reading", start=NOON + dt.timedelta(days=3), measured_by=hand)
    client = api(manager)

    def values(**query):
        return [point["value"] for point in chart(client, **query)["points"]]

    assert values() == [0.03, 0.04, 0.01, 0.02, 0.05]
    assert values(by="instrument", key=focimeter.id) == [0.01, 0.02]
    assert values(by="bench", key=place.id) == [0.01, 0.02]
    assert values(by="product", key=world.lens.id) == [0.03, 0.04]
    assert values(by="made_by", key=hand.id) == [0.03, 0.04]
    assert values(by="measured_by", key=hand.id) == [0.05]
    assert values(**{"from": "2026-03-02"}, branch=mill.id) == [0.01, 0.02, 0.05]
    assert values(to="2026-02-28", branch=mill.id) == [0.03, 0.04]
    assert values(of="reading", eye="left") == [0.05]
    assert chart(client, by="instrument", key=focimeter.id)["named"] == "Focimeter 1"
    assert chart(client, by="made_by", key=hand.id)["named"] == "Hand"


def test_days_are_those_of_the_branch(api, manager, bench, mill):
    mill.time_zone = "Pacific/Auckland"  # noon UTC on 2 March is the 3rd there
    mill.save()
    add_points(bench.job, [0.01])
    assert chart(api(manager), to="2026-03-02", branch=mill.id)["points"] == []
    assert len(chart(api(manager), to="2026-03-02")["points"]) == 1


def test_only_the_newest_points_are_charted(manager, bench, actor_of):
    add_points(bench.job, [number / 100 for number in range(9)])
    wanted = charts_selectors.Narrowed(parameter="power_m1")
    series = charts_selectors.chart_series(actor_of(manager), wanted, most=4)
    assert [float(point.deviation) for point in series.points] == [0.05, 0.06, 0.07, 0.08]
    assert series.cut
    assert not charts_selectors.chart_series(actor_of(manager), wanted, most=9).cut


def test_a_chart_costs_the_same_for_two_and_for_two_hundred_points(api, manager, bench, mill, queries):
    focimeter = add_instrument(mill)
    client, query = api(manager), {"by": "instrument", "key": focimeter.id}
    add_points(bench.job, [0.01, 0.02], instrument=focimeter)
    few = queries(lambda: chart(client, **query))
    add_points(bench.job, [0.01, -0.02] * 100, instrument=focimeter)
    assert queries(lambda: chart(client, **query)) == few


def test_too_few_points_give_no_limits_and_say_so(api, manager, bench):
    found = chart(api(manager))
    assert (found["points"], found["limits"], found["capability"]) == ([], None, None)
    add_points(bench.job, [0.01])
    found = chart(api(manager))
    assert (len(found["points"]), found["limits"]) == (1, None)
    assert "Two points at least are needed for limits." in found["notes"]
    add_points(bench.job, [0.01] * 3, start=NOON + dt.timedelta(days=1))
    found = chart(api(manager))
    assert (found["limits"]["sigma"], found["capability"]) == (0, None)
    assert any("do not vary" in note for note in found["notes"])


@pytest.mark.parametrize(
    "query",
    [
        {"parameter": ""},
        {"by": "instrument"},
        {"key": "01890a5d-ac96-774b-bcce-b302099a8057"},
        {"by": "moon", "key": "01890a5d-ac96-774b-bcce-b302099a8057"},
        {"rules": "7"},
        {"chart": "pie"},
        {"weight": "0"},
        {"from": "yesterday"},
        {"colour": "red"},
    ],
)
@pytest.mark.parametrize("path", ["", "svg/"])
def test_what_cannot_be_asked_is_refused(api, manager, query, path):
    response = api(manager).get(f"{CHARTS}{path}", {"parameter": "axis", **query})
    assert response.status_code == 400, response.content


def test_whose_charts(api, manager, hand, clerk, outsider, bookkeeper, head_office, bench, mill, quay):
    focimeter = add_instrument(mill)
    place = Place.objects.create(branch=mill, code="B1", name="By the window")
    add_points(bench.job, [0.01, 0.02], instrument=focimeter)
    assert len(chart(api(head_office))["points"]) == 2
    assert len(chart(api(clerk))["points"]) == 2
    assert chart(api(outsider))["points"] == []
    assert api(bookkeeper).get(CHARTS, {"parameter": "power_m1"}).status_code == 403
    assert api(None).get(CHARTS, {"parameter": "power_m1"}).status_code == 401
    for by, key in (("instrument", focimeter.id), ("bench", place.id), ("made_by", hand.id)):
        query = {"parameter": "power_m1", "by": by, "key": key}
        assert api(outsider).get(CHARTS, query).status_code == 404, by
        assert api(manager).get(CHARTS, query).status_code == 200, by
    assert api(outsider).get(CHARTS, {"parameter": "power_m1", "branch": mill.id}).status_code == 404


def shapes(svg, colour):
    """How many marks of a colour an SVG shows."""
    root = ET.fromstring(svg)
    return sum(1 for use in root.iter("{http://www.w3.org/2000/svg}use") if f"fill: {colour}" in use.get("style", ""))


def test_the_picture_is_the_same_every_time_and_marks_what_is_broken(api, manager, bench):
    add_points(bench.job, [0.05, -0.05] * 12 + [0.50])
    first = api(manager).get(f"{CHARTS}svg/", {"parameter": "power_m1"})
    again = api(manager).get(f"{CHARTS}svg/", {"parameter": "power_m1"})
    assert first["Content-Type"].startswith("image/svg+xml")
    assert first.content == again.content
    text = first.content.decode()
    assert "<dc:date>" not in text
    assert "Power, first meridian" in text
    assert shapes(text, "#d55e00") == 2  # the point beyond 3 sigma, and the step up to it
    average = api(manager).get(f"{CHARTS}svg/", {"parameter": "power_m1", "chart": "ewma"}).content.decode()
    assert average != text


@pytest.mark.parametrize("count", [0, 1, 2, 300])
@pytest.mark.parametrize("kind", ["imr", "ewma"])
def test_a_picture_of_any_number_of_points_is_well_formed(count, kind):
    rows = [
        DeviationPoint(
            unit="D",
            deviation=Decimal(number % 7) / 100,
            limit=Decimal("0.12"),
            measured_at=NOON + dt.timedelta(hours=number),
        )
        for number in range(count)
    ]
    wanted = charts.Wanted(kind=kind, rules=(1, 2, 3, 4, 5, 6))
    drawn = control_chart_svg(charts.control_chart(rows, wanted), parameter="cylinder", named="<Bench & Co>")
    assert ET.fromstring(drawn).tag.endswith("svg")
