"""Simulations: history replayed under computed levels and under the same few pieces everywhere."""

from __future__ import annotations

import datetime as dt
from io import StringIO

import numpy as np
import pytest
from django.core.management import CommandError, call_command

from opticshop.core.models import OutboxEvent
from opticshop.replenishment.models import ReplenishmentRun
from tests.replenishment.conftest import MONDAY

pytestmark = pytest.mark.django_db
URL = "/api/v1/replenishment/simulations/"


def asked(branch, **more):
    return {"branch": str(branch.id), "history_weeks": 26, "replay_weeks": 8, **more}


@pytest.fixture
def busy(mill, power, used, sold_by):
    """34 weeks: one power used often, one now and then, one begun only in the last weeks."""
    used(mill, power("-1.00", "0.00"), (2, 1, 3, 2) * 8 + (2, 1))
    used(mill, power("-3.00", "-1.00"), (0, 0, 1, 0) * 8 + (0, 0))
    used(mill, power("+2.00", "0.00"), (0,) * 30 + (1, 0, 1, 0))
    sold_by(cost="4.00", lead=2)  # two working days are three
    return mill


def test_history_is_replayed_under_both_policies(api, manager, busy, lens):
    response = api(manager).post(URL, asked(busy))
    assert response.status_code == 200, response.data
    found = response.data
    assert (found["since"], found["until"]) == ("2026-01-05", "2026-03-02")
    assert (found["fitted_weeks"], found["powers"], found["powers_without_cost"]) == (26, 41 * 9, 0)
    ours, plain = found["policy"], found["baseline"]
    assert ours["asked"] == plain["asked"] == 16 + 2 + 2
    assert plain["cells_kept"] == 369
    assert plain["average_value"] == pytest.approx(4.0 * plain["average_pieces"])
    assert plain["average_pieces"] > 700
    assert 0 < ours["cells_kept"] <= 2  # nothing was known of the third power before
    assert ours["average_value"] < 0.05 * plain["average_value"]
    assert 0.7 < ours["fill_rate"] < 1
    assert found["sentence"].startswith("From 2026-01-05 to 2026-03-02, 20 pieces were asked for.")
    assert not ReplenishmentRun.objects.exists()
    assert not OutboxEvent.objects.filter(type__startswith="replenishment").exists()


def test_levels_are_learned_from_the_weeks_before_only(api, manager, mill, power, used):
    used(mill, power(), (0,) * 20 + (5,) * 8)
    refused = api(manager).post(URL, asked(mill))
    assert (refused.status_code, refused.data["code"]) == (409, "replenishment.history_too_short")


def test_drawn_demand_is_the_same_for_the_same_seed(api, manager, busy):
    client = api(manager)
    first, again, other = (
        client.post(URL, asked(busy, demand="drawn", seed=seed, replay_weeks=26)).data for seed in (1, 1, 2)
    )
    assert first == again
    assert other["policy"]["asked"] != first["policy"]["asked"]


def test_over_drawn_demand_the_predicted_fill_rate_is_met(api, manager, busy):
    """104 weeks of Poisson demand at known means; the prediction allows for unsure means, so a few points are left."""
    found = api(manager).post(
        URL, asked(busy, demand="drawn", seed=3, replay_weeks=104, history_weeks=52, service_level="0.9")
    )
    assert found.status_code == 409  # 104 weeks back nothing was known
    found = api(manager).post(URL, asked(busy, demand="drawn", seed=3, replay_weeks=10, service_level="0.9")).data
    assert found["policy"]["fill_rate"] == pytest.approx(found["predicted_fill_rate"], abs=0.1)


def test_a_history_of_ones_own_is_replayed_in_any_cylinder_form(api, manager, mill, lens):
    """The worked day is a Wednesday a week for ten weeks: one piece of -1.00 / -0.50, written with a plus cylinder."""
    history = [
        {
            "sphere_dpt": "-1.50",
            "cylinder_dpt": "+0.50",
            "on": (MONDAY - dt.timedelta(days=7 * n)).isoformat(),
            "quantity": 1,
        }
        for n in range(10)
    ]
    body = asked(mill, lenses=[str(lens.id)], history=history, history_weeks=6, replay_weeks=4)
    found = api(manager).post(URL, body, format="json")
    assert found.status_code == 200, found.data
    assert (found.data["fitted_weeks"], found.data["policy"]["asked"]) == (6, 4)
    assert found.data["policy"]["cells_kept"] == 1
    assert found.data["policy"]["fill_rate"] == 1
    assert found.data["powers_without_cost"] == 369
    short = api(manager).post(URL, {**body, "replay_weeks": 12}, format="json")
    assert (short.status_code, short.data["code"]) == (409, "replenishment.history_too_short")
    unsure = api(manager).post(URL, {**body, "lenses": []}, format="json")
    assert (unsure.status_code, unsure.data["errors"][0]["pointer"]) == (400, "#/lenses")


def test_simulations_are_for_those_who_may_run_in_their_own_branch(api, clerk, bookkeeper, outsider, busy):
    for user, status in ((None, 401), (clerk, 403), (bookkeeper, 403), (outsider, 404)):
        assert api(user).post(URL, asked(busy)).status_code == status


def test_the_ledger_is_read_in_a_constant_number_of_queries(api, manager, busy, power, used, queries):
    client = api(manager)
    before = queries(lambda: client.post(URL, asked(busy)))
    for n in range(8):
        used(busy, power(f"-{n % 4}.25", f"-{n // 4}.50"), (1,) * 12)
    assert queries(lambda: client.post(URL, asked(busy))) == before


def test_the_command_prints_the_comparison(busy):
    out = StringIO()
    call_command("replenishment_simulate", "MILL", "--weeks=26", "--replay-weeks=8", stdout=out)
    text = out.getvalue()
    assert text.startswith("From 2026-01-05 to 2026-03-02, 20 pieces were asked for.")
    row = next(line for line in text.splitlines() if line.startswith("powers kept"))
    assert row.split()[-1] == "369"
    with pytest.raises(CommandError, match="There is no branch NOWHERE"):
        call_command("replenishment_simulate", "NOWHERE")
    with pytest.raises(CommandError, match="There is no lens XX"):
        call_command("replenishment_simulate", "MILL", "--lens=XX")
    with pytest.raises(CommandError, match="Nothing was used"):
        call_command("replenishment_simulate", "MILL", "--replay-weeks=40")


def test_computed_levels_serve_better_for_the_same_money_on_uneven_demand(api, manager, mill, power, used, sold_by):
    """Demand piled on few powers, as in shops (A powers are the majority of use: trade dossier, section 8, common
    practice): two of everything runs out where it matters and lies elsewhere."""
    generator = np.random.default_rng(9)
    for n, mean in enumerate((6.0, 4.0, 3.0, 1.0, 0.5)):
        used(mill, power(f"-{n}.00", "0.00"), tuple(int(k) for k in generator.poisson(mean, 34)))
    sold_by(cost="4.00")
    found = api(manager).post(URL, asked(mill)).data
    assert found["policy"]["fill_rate"] > found["baseline"]["fill_rate"] + 0.3
    assert found["policy"]["average_value"] < 0.2 * found["baseline"]["average_value"]
